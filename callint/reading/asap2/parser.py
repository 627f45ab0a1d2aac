"""Parses a description in the standard ASAM MCD-2 MC (ASAP2), versions 1.5 to 1.7, into nodes.

The parser reads the file as it is; ``asap2.build`` makes a definition from the nodes. A faulty block is left
out and listed with the reason, and everything that is not read is counted, so that nothing is lost silently.
A broken file structure is an InputError.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, TypeVar

from callint.model.errors import InputError
from callint.reading.asap2.block_parsers import (
    BYTES,
    parse_axis_points,
    parse_blob,
    parse_characteristic,
    parse_conversion_method,
    parse_conversion_table,
    parse_grouping,
    parse_instance,
    parse_measurement,
    parse_mod_common,
    parse_mod_par,
    parse_record_layout,
    parse_structure,
    parse_unit,
)
from callint.reading.asap2.blocks import MAX_KINDS, BlockError, OptionScanner, TokenBlock, TokenCursor
from callint.reading.asap2.instances import InstanceExpander
from callint.reading.asap2.keywords import MANDATORY, UNCOVERED_BLOCKS, UNUSED_BLOCKS
from callint.reading.asap2.nodes import Description, ItemCounts, SkippedItem
from callint.reading.asap2.tokens import SourceLocation, TokenStream, unquoted


def read_asap2(path: Path, module: str | None = None) -> Description:
    """Read one module of a description: the named one, or the only one.

    Raises InputError, with file and line, if the structure of the file is broken.
    """
    source = TokenStream(path)
    parser = _FileParser(source, module)
    parser.parse()
    _require_one_module(path, parser.modules, module)
    description = parser.description
    InstanceExpander(description).expand()
    for kind, (amount, place) in source.skipped.items():
        description.unused[kind, ""] = ItemCounts(place, amount)
    return description


def _require_one_module(path: Path, modules: list[str], module: str | None) -> None:
    """Raise InputError unless exactly one module of the file is meant."""
    if not modules:
        raise InputError(f"{path}: it has no PROJECT with a MODULE; name an ASAP2 description")
    names = ", ".join(modules[:20]) + (", ..." if len(modules) > 20 else "")
    if module is None and len(modules) > 1:
        raise InputError(f"{path}: it has {len(modules)} modules; choose one with --module: {names}")
    if module is not None and modules.count(module) != 1:
        amount = "no module" if module not in modules else "more than one module"
        raise InputError(f"{path}: it has {amount} {module!r}; its modules are: {names}")


class _FileParser:
    """Follows the outer structure of a file, PROJECT and MODULE, and parses the blocks of one module.

    ``modules`` has the names of the modules so far.
    """

    def __init__(self, source: TokenStream, wanted_module: str | None) -> None:
        self.source = source
        self.wanted_module = wanted_module
        self.description = Description()
        self.modules: list[str] = []
        self._cursor = TokenCursor(source)
        self._module_parser = _ModuleParser(self.description, source)
        self._opened: list[tuple[str, int]] = []
        self._is_wanted = False

    def parse(self) -> None:
        """Parse the whole file. Raises InputError if its structure is broken."""
        cursor = self._cursor
        while (token := cursor.next_token()) is not None:
            at = cursor.here
            if token == "/begin":
                self._begin(cursor.require_token("/begin", at), at)
            elif token == "/end":
                self._end(cursor.require_token("/end", at), at)
            elif token == "ASAP2_VERSION" and not self._opened:
                major, minor = cursor.require_token(token, at), cursor.require_token(token, at)
                self.description.version = f"{major}.{minor}"
                self.description.version_place = self.source.place(at)
            elif token == "A2ML_VERSION" and not self._opened:
                cursor.require_token(token, at)
                cursor.require_token(token, at)
            elif not self._opened:
                raise InputError(
                    f"{self.source.place(at)}: {token[:60]!r} is not an ASAP2 keyword; name a description"
                )
            elif self._is_wanted:
                self._module_parser.scanner.count(self.description.unknown, token[:60], "MODULE", at)
        if self._opened:
            kind, at = self._opened[-1]
            raise InputError(
                f"{self.source.place(at)}: /begin {kind} has no /end {kind}; the file may be cut off"
            )

    @property
    def _is_in_module(self) -> bool:
        return any(kind == "MODULE" for kind, _ in self._opened)

    def _begin(self, kind: str, at: int) -> None:
        place = self.source.place(at)
        if kind == "PROJECT" or (kind == "MODULE" and not self._is_in_module):
            if [outer for outer, _ in self._opened] != (["PROJECT"] if kind == "MODULE" else []):
                where = f"inside {self._opened[-1][0]}" if self._opened else "outside PROJECT"
                raise InputError(f"{place}: {kind} is {where}; correct the structure")
            self._opened.append((kind, at))
            name, title = self._cursor.require_token(kind, at), self._cursor.require_token(kind, at)
            if kind == "MODULE":
                self._begin_module(unquoted(name), unquoted(title), place)
            return
        texts, places = self._cursor.block(kind, at)
        if self._is_wanted:
            self._module_parser.parse_block(kind, texts, places, place)

    def _begin_module(self, name: str, title: str, place: SourceLocation) -> None:
        self.modules.append(name)
        is_first = self.wanted_module is None and len(self.modules) == 1
        self._is_wanted = name == self.wanted_module or is_first
        if self._is_wanted:
            self.description.module, self.description.title = name, title
            self.description.place = place

    def _end(self, kind: str, at: int) -> None:
        if not self._opened or self._opened[-1][0] != kind:
            raise InputError(f"{self.source.place(at)}: /end {kind} has no /begin {kind}; remove it")
        self._opened.pop()
        if kind == "MODULE":
            self._is_wanted = False


class _Node(Protocol):
    """A node with a name and a place."""

    @property
    def name(self) -> str: ...

    @property
    def place(self) -> SourceLocation: ...


NodeType = TypeVar("NodeType", bound=_Node)


#: The mapping of a description that a kind of block belongs in, and its parser.
_NODES: dict[str, tuple[str, Callable[[TokenBlock, SourceLocation, OptionScanner], _Node]]] = {
    "COMPU_METHOD": ("methods", parse_conversion_method),
    "COMPU_TAB": ("conversion_tables", parse_conversion_table),
    "COMPU_VTAB": ("conversion_tables", parse_conversion_table),
    "COMPU_VTAB_RANGE": ("conversion_tables", parse_conversion_table),
    "FUNCTION": ("functions", parse_grouping),
    "GROUP": ("groups", parse_grouping),
    "MEASUREMENT": ("measurements", parse_measurement),
    "RECORD_LAYOUT": ("layouts", parse_record_layout),
    "TYPEDEF_STRUCTURE": ("typedefs", parse_structure),
    "UNIT": ("units", parse_unit),
}
#: Blocks that occur only within others.
_INNER = ("AXIS_DESCR", "MEMORY_SEGMENT", "STRUCTURE_COMPONENT")


def _with_address(kind: str, block: TokenBlock, index: int) -> TokenBlock:
    """The tokens of a TYPEDEF block with an address added, so that they form the block that it describes."""
    texts = [*block.texts[:index], "0", *block.texts[index : block.end]]
    places = block.places[:]
    places.insert(index, places[index])
    return TokenBlock(kind, texts, places)


class _ModuleParser:
    """Parses the blocks of a module and enters their nodes into a description."""

    def __init__(self, description: Description, source: TokenStream) -> None:
        self.description = description
        self.source = source
        self.scanner = OptionScanner(description, source)

    def parse_block(self, kind: str, texts: list[str], places: array[int], place: SourceLocation) -> None:
        """Parse one block of the module: ``texts`` are the tokens between its begin and its end."""
        if kind not in MANDATORY or kind in _INNER:
            self._count_block(kind, place)
            return
        block = TokenBlock(kind, texts, places)
        try:
            block.require(MANDATORY[kind], 0, kind)
            self._parse(block, place)
        except BlockError as error:
            where = place if error.place < 0 else self.source.place(error.place)
            name = unquoted(texts[0]) if texts else ""
            self.description.skipped.append(SkippedItem(kind, name, str(error), where))

    def _parse(self, block: TokenBlock, place: SourceLocation) -> None:
        description, scanner, kind = self.description, self.scanner, block.kind
        if kind in _NODES:
            nodes, parse = _NODES[kind]
            self._enter(getattr(description, nodes), parse(block, place, scanner), kind)
            return
        match kind:
            case "CHARACTERISTIC":
                characteristic = parse_characteristic(block, place, scanner)
                if characteristic.name in description.axes:
                    raise block.error(0, "the name occurs before")
                self._enter(description.characteristics, characteristic, kind)
            case "AXIS_PTS":
                axis = parse_axis_points(block, place, scanner)
                if axis.name in description.characteristics:
                    raise block.error(0, "the name occurs before")
                self._enter(description.axes, axis, kind)
            case "BLOB":
                description.layouts[BYTES.name] = BYTES
                self._enter(description.characteristics, parse_blob(block, place, scanner), kind)
            case "TYPEDEF_BLOB":
                description.layouts[BYTES.name] = BYTES
                blob = parse_blob(_with_address("BLOB", block, 2), place, scanner)
                self._enter(description.typedefs, blob, kind)
            case "INSTANCE":
                description.instances.append(parse_instance(block, place, scanner))
            case "TYPEDEF_CHARACTERISTIC":
                typedef = parse_characteristic(_with_address("CHARACTERISTIC", block, 3), place, scanner)
                self._enter(description.typedefs, typedef, kind)
            case "TYPEDEF_AXIS":
                points = parse_axis_points(_with_address("AXIS_PTS", block, 2), place, scanner)
                self._enter(description.typedefs, points, kind)
            case "MOD_COMMON":
                parse_mod_common(block, scanner)
            case "MOD_PAR":
                parse_mod_par(block, scanner)

    def _enter(self, nodes: dict[str, NodeType], node: NodeType, kind: str) -> None:
        if node.name in nodes:
            skipped = SkippedItem(kind, node.name, "the name occurs before", node.place)
            self.description.skipped.append(skipped)
        else:
            nodes[node.name] = node

    def _count_block(self, kind: str, place: SourceLocation) -> None:
        """Count a block that is not read."""
        counts = self.description.unknown
        if kind in UNUSED_BLOCKS:
            counts = self.description.unused
        elif kind in UNCOVERED_BLOCKS:
            counts = self.description.uncovered
        if len(counts) >= MAX_KINDS and (kind[:60], "") not in counts:
            kind = "other blocks"
        counts.setdefault((kind[:60], ""), ItemCounts(place)).amount += 1
