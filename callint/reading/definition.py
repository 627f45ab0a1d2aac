"""A definition file into the dataclasses of ``model.definition``.

The reader continues after every mistake: it reports what the schema refuses and leaves it out, and makes a
definition of the rest. So one run shows everything that is wrong with a file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial

from lxml import etree

from callint.model import rule_ids
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
from callint.reading.elements.inheritance import Elements, Inheritance
from callint.reading.elements.memory import read_memory
from callint.reading.elements.reader import BYTE_ORDERS, ElementReader
from callint.reading.elements.signals import read_conversion, read_sensor, read_signal
from callint.reading.elements.tables import read_relation, read_table, read_text, tables_with_groups
from callint.reading.family import NAMESPACE, Family, FileReader, find_family

#: The children of the outermost element by their tag.
Parts = dict[str, etree._Element]
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
    own = _read_file(family, parent.definition if parent else None)
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
    return replace(own, problems=(*own.problems, *inherited[: xml.MOST_PROBLEMS]))


def _read_file(family: Family, parent: Definition | None) -> DefinitionFile:
    """The definition as far as it can be read, with the problems of the file and its shared files."""
    path = family.path
    tree = xml.parse(family.data, is_definition=True)
    if tree.root is None:
        problems = [*_problems_before_syntax_error(tree), *tree.problems]
        return DefinitionFile(path, None, tuple(_finding(path, problem) for problem in problems))
    if tree.root.tag != f"{{{NAMESPACE}}}definition":
        message = f"the outermost element is not <definition> of {NAMESPACE}"
        if tree.root.tag == f"{{{NAMESPACE}}}shared":
            message = "it is a file of shared parts; check a definition that uses it"
        return DefinitionFile(path, None, (_finding(path, xml.XmlProblem(tree.line_of(tree.root), message)),))
    shared_problems: list[Finding] = []
    try:
        reader = ElementReader(*xml.schema_problems(tree), tree, first=family.first)
        for line, reason in family.problems:
            reader.report_line(line, reason)
        shared = _read_shared(family, shared_problems)
        definition = None
        if parent is not None or not family.parent_line:
            definition = _read_root(reader, tree.root, family, shared, parent)
        problems, addresses = reader.problems, reader.decimal_addresses
    except xml.FloodError as flood:
        definition, problems, addresses = None, _with_notice(flood), ()
    findings = (*(_finding(path, problem) for problem in _in_order(problems)), *shared_problems)
    return DefinitionFile(path, definition, findings, addresses)


def _in_order(problems: Iterable[xml.XmlProblem]) -> list[xml.XmlProblem]:
    return sorted(problems, key=lambda problem: problem.line)


def _with_notice(flood: xml.FloodError) -> list[xml.XmlProblem]:
    """The problems of a file with too many, and the notice that the rest is not read."""
    line = max(problem.line for problem in flood.problems)
    notice = (
        f"so much is wrong that no more than {xml.MOST_PROBLEMS:,} mistakes are looked at, "
        "and nothing else is read"
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
            _read_root(reader, tree.recovered.root, Family("", b""), Elements(), None)
        problems = _in_order(reader.problems)
    except xml.FloodError as flood:
        problems = _in_order(flood.problems)
    guesses = (
        "missing child",
        "not expected here",
        "character content",
        "is missing; only",
        "needs a parent",
    )
    return [
        problem
        for problem in problems
        if problem.line < first and not any(guess in problem.message for guess in guesses)
    ]


def _finding(path: str, problem: xml.XmlProblem) -> Finding:
    return Finding(
        rule=rule_ids.DEFINITION_INVALID,
        definition=path,
        line=problem.line,
        subject=problem.message,
        message=problem.message,
        hint=problem.hint
        or "Correct the line; docs/definition.md and schemas/definition.xsd describe the format.",
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
                _read_measured(reader, {tag_of(child): child for child in reversed(tree.root)}, elements)
                found = reader.problems
                elements.declarations += reader.declarations
            except xml.FloodError as flood:
                found = _with_notice(flood)
        for problem in _in_order(found):
            placed = replace(_finding(family.path, problem), origin=file.path, origin_line=problem.line)
            problems.append(replace(placed, line=file.line))
        first += file.data.count(b"\n") + 1
    return elements


def _read_root(
    reader: ElementReader, root: etree._Element, family: Family, shared: Elements, parent: Definition | None
) -> Definition | None:
    """The definition of a file, None without a readable memory. Raises FloodError for too many problems."""
    reader.byte_order = BYTE_ORDERS.get(root.get("byte-order", ""), ByteOrder.BIG)
    parts = {tag_of(child): child for child in reversed(root)}
    elements = shared
    if "memory" in parts:
        elements.memory = reader.build(read_memory, parts["memory"])
    if parent is None:
        _require_whole(reader, root, parts)
        if elements.memory is None:
            return None
    _read_measured(reader, parts, elements)
    for element in parts.get("axes", ()):
        if axis := reader.build(read_axis, element):
            reader.declare("axis", reader.axes, axis)
    _read_tables(reader, parts, elements)
    elements.axes = reader.axes
    relations = [reader.build(read_relation, element) for element in parts.get("relations", ())]
    elements.relations = [relation for relation in relations if relation is not None]
    elements.declarations = [*shared.declarations, *reader.declarations]
    lines = _lines(family, parent)
    if parent is not None:
        inheritance = Inheritance(reader, parent)
        if "inherited" in parts:
            inheritance.apply(parts["inherited"])
        elements = inheritance.merge(elements)
        lines = replace(lines, changed_at=inheritance.changed_at)
    memory = elements.memory
    assert memory is not None
    _drop_excess(reader, elements, memory.size, lines)
    revision = reader.build(lambda _, element: to_integer(element.get("revision", "0")), root) or 0
    title = " ".join((root.findtext(f"{{{NAMESPACE}}}title") or "").split())
    return Definition(
        name=root.get("name", ""),
        title=title or (parent.title if parent else ""),
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
    )


def _require_whole(reader: ElementReader, root: etree._Element, parts: Parts) -> None:
    """Report what only a definition with a parent may lack or have."""
    for name in ("memory", "tables"):
        if name not in parts and not any(tag_of(element) == name for element in reader.flagged):
            reader.report(root, f"<{name}> is missing; only a definition with extends may lack it")
    if "inherited" in parts:
        reader.report(parts["inherited"], "it needs a parent; name one with extends in <definition>")


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


def _read_measured(reader: ElementReader, parts: Parts, elements: Elements) -> None:
    """Read signals, sensors and conversions."""
    for element in parts.get("signals", ()):
        if tag_of(element) == "sensor":
            if sensor := reader.build(read_sensor, element):
                elements.sensors.append(sensor)
        elif signal := reader.build(read_signal, element):
            reader.declare("signal", elements.signals, signal)
    for element in parts.get("conversions", ()):
        if conversion := reader.build(read_conversion, element):
            reader.declare("conversion", elements.conversions, conversion)


def _read_tables(reader: ElementReader, parts: Parts, elements: Elements) -> None:
    for element, group in tables_with_groups(reader, parts.get("tables", ()), elements.groups):
        if tag_of(element) == "text":
            if text := reader.build(partial(read_text, group=group), element):
                reader.declare("table", elements.texts, text)
        elif table := reader.build(partial(read_table, group=group), element):
            reader.declare("table", elements.tables, table)


def _drop_excess(reader: ElementReader, elements: Elements, size: int, lines: Lines) -> None:
    """Drop the axes above the bound on breakpoints, and the tables above the bound on cells."""
    breakpoints = 0
    for axis in list(elements.axes.values()):
        breakpoints += axis.count
        if breakpoints > MAX_ALL_BREAKPOINTS:
            excess = f"axis {axis.name} brings the breakpoints to more than {MAX_ALL_BREAKPOINTS}"
            reader.report_line(lines.line_in_file(axis.line), f"{excess}, the most that is read")
            del elements.axes[axis.name]
    total, most = 0, min(MAX_CELLS, max(ALWAYS_ALLOWED_CELLS, MAX_CELLS_PER_BYTE * size))
    for table in list(elements.tables.values()):
        cells = math.prod(elements.axes[axis].count for axis in table.axes if axis in elements.axes)
        if total + cells > most:
            excess = f"table {table.name} brings the cells to more than {most}, the most that is read"
            reader.report_line(lines.line_in_file(table.line), f"{excess} for a memory of {size} bytes")
            del elements.tables[table.name]
        else:
            total += cells
