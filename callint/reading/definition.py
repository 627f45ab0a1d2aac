"""A definition file into the dataclasses of ``model.definition``.

The reader continues after every mistake: it reports what the schema refuses and leaves it out, and makes a
definition of the rest. So one run shows everything that is wrong with a file.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import partial

from lxml import etree

from callint.model import rule_ids
from callint.model.definition import ByteOrder, Conversion, Definition, Group, Sensor, Signal, Table, Text
from callint.model.finding import Finding
from callint.reading import xml
from callint.reading.definition_bounds import ALWAYS_ALLOWED_CELLS, MAX_CELLS, MAX_CELLS_PER_BYTE
from callint.reading.definition_file import DefinitionFile, content_digest
from callint.reading.elements.attributes import tag_of, to_integer
from callint.reading.elements.axes import read_axis
from callint.reading.elements.memory import read_memory
from callint.reading.elements.reader import BYTE_ORDERS, ElementReader
from callint.reading.elements.signals import read_conversion, read_sensor, read_signal
from callint.reading.elements.tables import read_relation, read_table, read_text, tables_with_groups

NAMESPACE = "urn:callint:definition:1"

#: The children of the outermost element by their tag.
Parts = dict[str, etree._Element]


def read_definition(data: bytes, path: str) -> DefinitionFile:
    """Read a definition; ``path`` is the name that findings show. Never raises for the file's content."""
    tree = xml.parse(data, is_definition=True)
    if tree.root is None:
        problems = [*_problems_before_syntax_error(tree), *tree.problems]
        return DefinitionFile(path, None, tuple(_finding(path, problem) for problem in problems))
    if tree.root.tag != f"{{{NAMESPACE}}}definition":
        problem = xml.XmlProblem(
            tree.line_of(tree.root), f"the outermost element is not <definition> of {NAMESPACE}"
        )
        return DefinitionFile(path, None, (_finding(path, problem),))
    try:
        reader = ElementReader(*xml.schema_problems(tree), tree)
        definition = _read_root(reader, tree.root, content_digest(data))
        problems, addresses = reader.problems, reader.decimal_addresses
    except xml.FloodError as flood:
        definition, problems, addresses = None, _with_notice(flood), ()
    findings = tuple(_finding(path, problem) for problem in _in_order(problems))
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
            _read_root(reader, tree.recovered.root, "")
        problems = _in_order(reader.problems)
    except xml.FloodError as flood:
        problems = _in_order(flood.problems)
    guesses = ("missing child", "not expected here", "character content")
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


def _read_root(reader: ElementReader, root: etree._Element, digest: str) -> Definition | None:
    """The definition of a file, None without a readable memory. Raises FloodError for too many problems."""
    reader.byte_order = BYTE_ORDERS.get(root.get("byte-order", ""), ByteOrder.BIG)
    parts = {tag_of(child): child for child in reversed(root)}
    memory = reader.build(read_memory, parts["memory"]) if "memory" in parts else None
    if memory is None:
        return None
    signals, sensors = _read_signals(reader, parts)
    conversions: dict[str, Conversion] = {}
    for element in parts.get("conversions", ()):
        if conversion := reader.build(read_conversion, element):
            reader.declare("conversion", conversions, conversion)
    for element in parts.get("axes", ()):
        if axis := reader.build(read_axis, element):
            reader.declare("axis", reader.axes, axis)
    groups, tables, texts = _read_tables(reader, parts)
    _drop_excess_cells(reader, tables, memory.size)
    revision = reader.build(lambda _, element: to_integer(element.get("revision", "0")), root) or 0
    relations = [reader.build(read_relation, element) for element in parts.get("relations", ())]
    return Definition(
        name=root.get("name", ""),
        title=" ".join((root.findtext(f"{{{NAMESPACE}}}title") or "").split()),
        revision=revision,
        memory=memory,
        signals=signals,
        sensors=tuple(sensors),
        conversions=conversions,
        axes=reader.axes,
        groups=groups,
        tables=tables,
        texts=texts,
        relations=tuple(relation for relation in relations if relation is not None),
        declarations=tuple(reader.declarations),
        digest=digest,
    )


def _read_signals(reader: ElementReader, parts: Parts) -> tuple[dict[str, Signal], list[Sensor]]:
    signals: dict[str, Signal] = {}
    sensors: list[Sensor] = []
    for element in parts.get("signals", ()):
        if tag_of(element) == "sensor":
            if sensor := reader.build(read_sensor, element):
                sensors.append(sensor)
        elif signal := reader.build(read_signal, element):
            reader.declare("signal", signals, signal)
    return signals, sensors


def _read_tables(
    reader: ElementReader, parts: Parts
) -> tuple[dict[str, Group], dict[str, Table], dict[str, Text]]:
    groups: dict[str, Group] = {}
    tables: dict[str, Table] = {}
    texts: dict[str, Text] = {}
    for element, group in tables_with_groups(reader, parts.get("tables", ()), groups):
        if tag_of(element) == "text":
            if text := reader.build(partial(read_text, group=group), element):
                reader.declare("table", texts, text)
        elif table := reader.build(partial(read_table, group=group), element):
            reader.declare("table", tables, table)
    return groups, tables, texts


def _drop_excess_cells(reader: ElementReader, tables: dict[str, Table], size: int) -> None:
    """Drop each table that brings the cells above the bound for a memory of ``size`` bytes."""
    total, most = 0, min(MAX_CELLS, max(ALWAYS_ALLOWED_CELLS, MAX_CELLS_PER_BYTE * size))
    for table in list(tables.values()):
        cells = math.prod(reader.axes[axis].count for axis in table.axes if axis in reader.axes)
        if total + cells > most:
            excess = f"table {table.name} brings the cells to more than {most}, the most that is read"
            reader.report_line(table.line, f"{excess} for a memory of {size} bytes")
            del tables[table.name]
        else:
            total += cells
