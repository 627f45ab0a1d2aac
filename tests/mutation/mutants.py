"""The mutants of a module: its source with one small change each, by the operators of mutmut.

mutmut's own runner leaves alone what is decorated, as rules are, and all that runs at the import. So only its
operators are used, and here is where they are put to work.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import libcst as cst
from libcst.metadata import CodeRange, MetadataWrapper, PositionProvider
from mutmut.mutation.mutators import mutation_operators, operator_arg_removal

#: What is said to a person, whose wording is free: words with a blank between them.
_PROSE = re.compile(r"[A-Za-z][^ ]* | [^ ]*[A-Za-z]")
#: Their single argument cannot be anything else without a failure.
_PLAIN_CALLS = {"len", "isinstance"}
#: Decorators that say what the program does; others are for speed, or keep a programmer from a mistake.
_TELLING_DECORATORS = {"rule"}

_Block = cst.BaseSuite | cst.If | cst.Else | cst.Finally | cst.ExceptHandler | cst.MatchCase
_Statement = cst.SimpleStatementLine | cst.BaseCompoundStatement | cst.ExceptHandler | cst.MatchCase


@dataclass(frozen=True, slots=True)
class Place:
    """Where a change is.

    ``lines`` are those of the statement without the blocks in it, or of the one above a jump. ``function`` is
    the outermost function around it, with its classes; "" where the statement runs at the import.
    """

    lines: range = range(1, 2)
    function: str = ""
    scopes: tuple[str, ...] = ()
    names: tuple[str, ...] = ()  #: what the statement gives a value to


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one file, by its number in the order of the source."""

    path: Path
    number: int
    place: Place

    def __str__(self) -> str:
        return f"{self.path.as_posix()}:{self.place.lines.start} #{self.number}"


class Source:
    """A file and all its mutants, which are written out one by one when they are asked for."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.text = path.read_text("utf-8")
        wrapper = MetadataWrapper(cst.parse_module(self.text))
        self._module = wrapper.module
        self._positions = wrapper.resolve(PositionProvider)
        self._changes: list[tuple[cst.CSTNode, cst.CSTNode]] = []
        self.mutants: list[Mutant] = []
        for place, old, new in self._walk(self._module, Place()):
            self.mutants.append(Mutant(path, len(self.mutants), place))
            self._changes.append((old, new))

    def mutated(self, mutant: Mutant) -> str:
        """The whole source with the change."""
        changed = self._module.deep_replace(*self._changes[mutant.number])
        assert isinstance(changed, cst.Module)
        return changed.code

    def difference(self, mutant: Mutant) -> list[str]:
        """The lines that differ, as a diff has them."""
        old, new = self.text.splitlines(), self.mutated(mutant).splitlines()
        lines = list(difflib.unified_diff(old, new, n=0, lineterm=""))[2:]
        return [f"{line[0]} {line[1:].strip()}" for line in lines if not line.startswith("@@")]

    def _walk(self, node: cst.CSTNode, place: Place) -> Iterator[tuple[Place, cst.CSTNode, cst.CSTNode]]:
        if _is_left_alone(node, place):
            return
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            place = replace(place, scopes=(*place.scopes, node.name.value))
        if isinstance(node, _Statement) and not _is_jump(node):
            place = replace(place, lines=self._lines(node), names=_names(node, place))
        for new in _changes_of(node):
            yield place, node, new
        for child in node.children:
            inside = place
            if isinstance(node, cst.FunctionDef) and not place.function:
                if child is node.body:
                    inside = replace(place, function=".".join(place.scopes))
                else:  # a decorator or a default, which shows in all that the function does
                    inside = replace(place, lines=self._lines(node, whole=True))
            yield from self._walk(child, inside)

    def _lines(self, statement: cst.CSTNode, whole: bool = False) -> range:
        own: CodeRange = self._positions[statement]
        if whole or isinstance(statement, cst.SimpleStatementLine):
            return range(own.start.line, own.end.line + 1)
        heads = [self._positions.get(child) for child in statement.children if not isinstance(child, _Block)]
        ends = [head.end.line for head in heads if isinstance(head, CodeRange)]
        return range(own.start.line, max([own.start.line, *ends]) + 1)


def _names(statement: cst.CSTNode, place: Place) -> tuple[str, ...]:
    if isinstance(statement, cst.FunctionDef | cst.ClassDef):
        return (statement.name.value,)
    if not isinstance(statement, cst.SimpleStatementLine) or place.function:
        return ()
    targets: list[cst.CSTNode] = []
    for small in statement.body:
        match small:
            case cst.Assign():
                targets += [target.target for target in small.targets]
            case cst.AnnAssign():
                targets.append(small.target)
    names = [
        name.value for target in targets for name in (target, *_below(target)) if isinstance(name, cst.Name)
    ]
    return (*names, *place.scopes[-1:])


def _below(node: cst.CSTNode) -> Iterator[cst.CSTNode]:
    for child in node.children:
        yield child
        yield from _below(child)


def _is_left_alone(node: cst.CSTNode, place: Place) -> bool:
    match node:
        case cst.Import() | cst.ImportFrom() | cst.Annotation():
            return True
        case cst.Expr():  # a docstring
            return isinstance(node.value, cst.SimpleString | cst.ConcatenatedString)
        case cst.SimpleString():
            return _PROSE.search(node.value) is not None
        case cst.If():
            return isinstance(node.test, cst.Name) and node.test.value == "TYPE_CHECKING"
        case cst.Decorator():
            called = node.decorator.func if isinstance(node.decorator, cst.Call) else node.decorator
            return not (isinstance(called, cst.Name) and called.value in _TELLING_DECORATORS)
        case cst.Assign() if not place.scopes:
            targets = [target.target for target in node.targets]
            is_all = any(isinstance(target, cst.Name) and target.value == "__all__" for target in targets)
            return is_all or _is_type(node.value)
    return False


def _is_jump(node: cst.CSTNode) -> bool:
    """Whether a statement only goes on elsewhere: Python may jump from the line above, and never reach it."""
    jumps = cst.Continue | cst.Break
    return isinstance(node, cst.SimpleStatementLine) and isinstance(node.body[0], jumps)


def _is_type(value: cst.CSTNode) -> bool:
    """Whether a value of a module is a type, which stands in annotations only."""
    if isinstance(value, cst.BinaryOperation) and isinstance(value.operator, cst.BitOr):
        return _is_type(value.left) or _is_type(value.right) or isinstance(value.left, cst.Name)
    return isinstance(value, cst.Subscript)


def _changes_of(node: cst.CSTNode) -> Iterator[cst.CSTNode]:
    for kind, operator in mutation_operators:
        if not isinstance(node, kind):
            continue
        if operator is operator_arg_removal and _is_plain_call(node):
            continue
        yield from operator(node)


def _is_plain_call(node: cst.CSTNode) -> bool:
    return isinstance(node, cst.Call) and isinstance(node.func, cst.Name) and node.func.value in _PLAIN_CALLS
