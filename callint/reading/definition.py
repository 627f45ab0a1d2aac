"""A definition file into the dataclasses of ``model.definition``.

The reader continues after every mistake: it reports what the schema refuses and leaves it out, and makes a
definition of the rest. So one run shows everything that is wrong with a file.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial

from lxml import etree

from callint.model import rule_ids
from callint.model.declarations import InvalidNames
from callint.model.definition import ByteOrder, Definition
from callint.model.finding import Finding
from callint.model.lines import Lines, Source
from callint.reading import xml
from callint.reading.definition_bounds import (
    ALWAYS_ALLOWED_CELLS,
    MAX_ALL_BREAKPOINTS,
    MAX_CELLS,
    MAX_CELLS_PER_BYTE,
)
from callint.reading.definition_file import DefinitionFile
from callint.reading.elements.attributes import tag_of, to_integer
from callint.reading.elements.axes import read_axis
from callint.reading.elements.inheritance import Inheritance
from callint.reading.elements.inherited_elements import Elements
from callint.reading.elements.memory import read_memory
from callint.reading.elements.reader import BYTE_ORDERS, ElementReader
from callint.reading.elements.signals import read_conversion, read_sensor, read_signal
from callint.reading.elements.tables import read_group, read_relation, read_table, read_text
from callint.reading.elements.titles import read_titles
from callint.reading.family import NAMESPACE, Family, FileReader, find_family

#: Gives the definition of a parent.
Opener = Callable[[Family], DefinitionFile]


def read_definition(data: bytes, path: str, tree: FileReader | None = None) -> DefinitionFile:
    """Read a definition; ``path`` is the name that findings show. Never raises for the file's content.

    ``tree`` has the files that the definition builds on; without it, such a definition cannot be read.
    """
    return read_family(find_family(data, path, tree))


def read_family(family: Family, open_parent: Opener | None = None) -> DefinitionFile:
    """As ``read_definition``, with the files at hand; ``open_parent`` may know the parent already."""
    parent = None if family.parent is None else (open_parent or read_family)(family.parent)
    own = _read_file(family, parent)
    inherited = [
        replace(
            problem,
            definition=family.path,
            line=family.parent_line,
            origin=problem.origin or problem.definition,
            origin_line=problem.origin_line if problem.origin else problem.line,
        )
        for problem in (parent.problems if parent else ())
    ]
    # The child may move what is invalid in its parent.
    invalid = [replace(element, at=None) for element in (parent.invalid if parent else ())]
    return replace(
        own, problems=(*own.problems, *inherited[: xml.MOST_PROBLEMS]), invalid=(*own.invalid, *invalid)
    )


def _read_file(family: Family, parent: DefinitionFile | None) -> DefinitionFile:
    """The definition as far as it can be read, with the problems of the file and its shared files."""
    may_be_valid = True
    if xml.refusal(family.data) is None:
        stream = xml.ElementStream(family.data)
        items = iter(stream)
        try:
            result = _read_items(family, parent, ElementReader([], set(), {}, stream), items)
            for _ in items:  # only the end of the file says whether it is valid
                pass
        except etree.XMLSyntaxError:
            pass
        except xml.InvalidError as error:
            may_be_valid = error.may_be_valid
        else:
            return result
    tree = xml.parse(family.data, is_definition=may_be_valid)
    if tree.root is None:
        problems = [*_problems_before_syntax_error(tree), *tree.problems]
        return _unreadable(family, problems)
    try:
        reader = ElementReader(*xml.schema_problems(tree), tree)
    except xml.FloodError as flood:
        return _unreadable(family, _in_order(_with_notice(flood)))
    return _read_items(family, parent, reader, xml.items_of(tree.root))


def _unreadable(family: Family, problems: Iterable[xml.XmlProblem]) -> DefinitionFile:
    findings = _with_distinct_subjects(_finding(family.path, problem) for problem in problems)
    return DefinitionFile(family.path, None, tuple(findings))


def _read_items(
    family: Family, parent: DefinitionFile | None, reader: ElementReader, items: Iterator[xml.Item]
) -> DefinitionFile:
    """As ``_read_file``, of the items of a tree or a stream."""
    root, _ = next(items)  # a file without any element is not valid, which the items say
    if root.tag != f"{{{NAMESPACE}}}definition":
        message = f"the outermost element is not <definition> of {NAMESPACE}"
        if root.tag == f"{{{NAMESPACE}}}shared":
            message = "it is a file of shared parts; check a definition that uses it"
        return _unreadable(family, [xml.XmlProblem(reader.tree.line_of(root), message)])
    shared_problems: list[Finding] = []
    definition, elements = None, Elements()
    try:
        reader.first = family.first
        for line, reason in family.problems:
            reader.report_line(line, reason)
        elements = _read_shared(family, shared_problems)
        own_parent = parent.definition if parent else None
        if own_parent is not None or not family.parent_line:
            reader.inherited_invalid = parent.invalid if parent else ()
            definition = _read_root(reader, _Content(root, elements), items, family, own_parent)
        problems, addresses = reader.problems, reader.decimal_addresses
    except xml.FloodError as flood:
        definition, problems, addresses = None, _with_notice(flood), ()
    own = (_finding(family.path, problem) for problem in _in_order(problems))
    invalid = (*reader.invalid, *elements.invalid)
    findings = tuple(_with_distinct_subjects((*own, *shared_problems)))
    return DefinitionFile(family.path, definition, findings, addresses, invalid)


def _in_order(problems: Iterable[xml.XmlProblem]) -> list[xml.XmlProblem]:
    return sorted(problems, key=lambda problem: problem.line)


def _with_notice(flood: xml.FloodError) -> list[xml.XmlProblem]:
    """The problems of a file with too many, and the notice that the rest is not read."""
    line = max(problem.line for problem in flood.problems)
    notice = (
        f"callint stops at {xml.MOST_PROBLEMS:,} mistakes in a file and reads nothing else; correct these"
    )
    return [*flood.problems, xml.XmlProblem(line, notice)]


def _problems_before_syntax_error(tree: xml.XmlDocument) -> list[xml.XmlProblem]:
    """The problems of a file that is not well-formed, on the lines before the first syntax error.

    Missing and misplaced content is left out: the syntax error may be its only cause.
    """
    if tree.recovered is None or not tree.problems:
        return []
    first = min(problem.line for problem in tree.problems)
    try:
        reader = ElementReader(*xml.schema_problems(tree.recovered), tree.recovered)
        if tree.recovered.root is not None:
            content = _Content(tree.recovered.root, Elements())
            _read_root(reader, content, xml.items_of(tree.recovered.root), Family("", b""), None)
        problems = _in_order(reader.problems)
    except xml.FloodError as flood:
        problems = _in_order(flood.problems)
    guesses = (
        "missing child",
        "not expected here",
        "character content",
        "element content",
        "is missing; only",
        "needs a parent",
    )
    return [
        problem
        for problem in problems
        if problem.line < first and not any(guess in problem.message for guess in guesses)
    ]


def _with_distinct_subjects(findings: Iterable[Finding]) -> Iterator[Finding]:
    """The findings, of which those with the same message are numbered: each is at a line of its own."""
    times: Counter[str] = Counter()
    for finding in findings:
        times[finding.subject] += 1
        number = times[finding.subject]
        yield finding if number == 1 else replace(finding, subject=f"{finding.subject} ({number})")


def _finding(path: str, problem: xml.XmlProblem) -> Finding:
    return Finding(
        rule=rule_ids.DEFINITION_INVALID,
        definition=path,
        line=problem.line,
        subject=problem.message,
        message=problem.message,
        hint=problem.hint or "Correct the line; callint schema definition prints the format.",
    )


def _read_shared(family: Family, problems: list[Finding]) -> Elements:
    """The elements of the shared files; adds their problems, each at the line that names the file."""
    elements = Elements()
    first = family.first + family.data.count(b"\n") + 1
    for file in family.shared:
        found: list[xml.XmlProblem]
        tree = xml.parse(file.data, is_definition=True)
        if tree.root is None or tree.root.tag != f"{{{NAMESPACE}}}shared":
            found = list(tree.problems)
            if tree.root is not None:
                message = f"the outermost element is not <shared> of {NAMESPACE}"
                found = [xml.XmlProblem(tree.line_of(tree.root), message)]
        else:
            try:
                reader = ElementReader(*xml.schema_problems(tree), tree, first=first)
                _Content(tree.root, elements).read(reader, xml.items_of(tree.root))
                found = reader.problems
                elements.declarations += reader.declarations
                elements.invalid += reader.invalid
            except xml.FloodError as flood:
                found = _with_notice(flood)
        for problem in _in_order(found):
            placed = replace(_finding(family.path, problem), origin=file.path, origin_line=problem.line)
            problems.append(replace(placed, line=file.line))
        first += file.data.count(b"\n") + 1
    return elements


@dataclass
class _Content:
    """What is read of a file: its elements, and of those that stand alone the XML element."""

    root: etree._Element
    elements: Elements
    holders: set[str] = field(default_factory=set)
    title: str = ""
    memory: etree._Element | None = None
    inherited: etree._Element | None = None

    def read(self, reader: ElementReader, items: Iterable[xml.Item]) -> None:
        """Read the items of a file. Raises FloodError for too many problems."""
        elements, group = self.elements, ""
        for holder, item in items:
            kind = tag_of(holder)
            if item is None:
                self.holders.add(kind)
                group = holder.get("name", "") if kind == "group" else ""
                if kind == "group":
                    reader.declare("group", elements.groups, read_group(reader, holder))
                continue
            match kind:
                case "tables" | "group":
                    _read_table(reader, item, group if kind == "group" else "", elements)
                case "signals" | "conversions":
                    _read_measured(reader, item, elements)
                case "axes":
                    if axis := reader.build(read_axis, item):
                        reader.declare("axis", reader.axes, axis)
                case "relations":
                    if relation := reader.build(read_relation, item):
                        elements.relations.append(relation)
                case _:
                    self._read_single(reader, item)

    def _read_single(self, reader: ElementReader, item: etree._Element) -> None:
        match tag_of(item):
            case "title":
                self.title = " ".join((item.text or "").split())
            case "memory":
                self.memory = item
                self.elements.memory = reader.build(read_memory, item)
            case "inherited":
                self.inherited = item
            case "titles":
                read_titles(reader, item, self.elements.translations)


def _read_root(
    reader: ElementReader,
    content: _Content,
    items: Iterable[xml.Item],
    family: Family,
    parent: Definition | None,
) -> Definition | None:
    """The definition of a file, None without a readable memory. Raises FloodError for too many problems."""
    root, elements = content.root, content.elements
    shared = elements.declarations
    reader.byte_order = BYTE_ORDERS.get(root.get("byte-order", ""), ByteOrder.BIG)
    content.read(reader, items)
    if parent is None:
        _require_whole(reader, content)
    if elements.memory is None and (parent is None or content.memory is not None):
        return None
    elements.axes = reader.axes
    elements.declarations = [*shared, *reader.declarations]
    lines = _lines(family, parent)
    if parent is not None:
        inheritance = Inheritance(reader, parent, InvalidNames(reader.inherited_invalid))
        if content.inherited is not None:
            inheritance.apply(content.inherited)
        elements = inheritance.merge(elements)
        lines = replace(lines, changed_at=inheritance.changed_at)
    memory = elements.memory
    assert memory is not None
    _drop_excess(reader, elements, memory.size, lines)
    revision = reader.build(lambda _, element: to_integer(element.get("revision", "0")), root) or 0
    return Definition(
        name=root.get("name", ""),
        title=content.title or (parent.title if parent else ""),
        revision=revision,
        memory=memory,
        signals=elements.signals,
        sensors=tuple(elements.sensors),
        conversions=elements.conversions,
        axes=elements.axes,
        groups=elements.groups,
        tables=elements.tables,
        texts=elements.texts,
        relations=tuple(elements.relations),
        declarations=tuple(elements.declarations),
        digest=family.digest,
        lines=lines,
        translations=tuple(elements.translations.values()),
    )


def _require_whole(reader: ElementReader, content: _Content) -> None:
    """Report what only a definition with a parent may lack or have."""
    given = {"memory": content.memory is not None, "tables": "tables" in content.holders}
    for name, is_given in given.items():
        if not is_given and not any(tag_of(element) == name for element in reader.flagged):
            reader.report(content.root, f"<{name}> is missing; only a definition with extends may lack it")
    if content.inherited is not None:
        reader.report(content.inherited, "it needs a parent; name one with extends in <definition>")


def _lines(family: Family, parent: Definition | None) -> Lines:
    """The files of a definition: those of the parent, the definition itself, its shared files."""
    sources = [
        replace(source, reference=family.parent_line) for source in (parent.lines.sources if parent else ())
    ]
    first = family.first
    sources.append(Source(family.path, first))
    first += family.data.count(b"\n") + 1
    for file in family.shared:
        sources.append(Source(file.path, first, file.line))
        first += file.data.count(b"\n") + 1
    return Lines(tuple(sources))


def _read_measured(reader: ElementReader, item: etree._Element, elements: Elements) -> None:
    """Read a signal, a sensor or a conversion."""
    match tag_of(item):
        case "sensor":
            if sensor := reader.build(read_sensor, item):
                elements.sensors.append(sensor)
        case "signal":
            if signal := reader.build(read_signal, item):
                reader.declare("signal", elements.signals, signal)
        case _:
            if conversion := reader.build(read_conversion, item):
                reader.declare("conversion", elements.conversions, conversion)


def _read_table(reader: ElementReader, item: etree._Element, group: str, elements: Elements) -> None:
    """Read a table or text; of one that is not read, its own axes are not kept."""
    axes = len(reader.axes)
    if tag_of(item) == "text":
        if text := reader.build(partial(read_text, group=group), item):
            reader.declare("table", elements.texts, text)
    elif table := reader.build(partial(read_table, group=group), item):
        reader.declare("table", elements.tables, table)
    else:
        while len(reader.axes) > axes:
            reader.axes.popitem()


def _drop_excess(reader: ElementReader, elements: Elements, size: int, lines: Lines) -> None:
    """Drop the axes above the bound on breakpoints, and the tables above the bound on cells."""
    breakpoints = 0
    for axis in list(elements.axes.values()):
        breakpoints += axis.count
        if breakpoints > MAX_ALL_BREAKPOINTS:
            excess = f"axis {axis.name} brings the breakpoints to more than {MAX_ALL_BREAKPOINTS}"
            reader.report_line(lines.line_in_file(axis.line), f"{excess}, the most that callint reads")
            del elements.axes[axis.name]
    total, most = 0, min(MAX_CELLS, max(ALWAYS_ALLOWED_CELLS, MAX_CELLS_PER_BYTE * size))
    for table in list(elements.tables.values()):
        cells = math.prod(elements.axes[axis].count for axis in table.axes if axis in elements.axes)
        if total + cells > most:
            excess = f"table {table.name} brings the cells to more than {most}, the most that callint reads"
            reader.report_line(lines.line_in_file(table.line), f"{excess} for a memory of {size} bytes")
            del elements.tables[table.name]
        else:
            total += cells
