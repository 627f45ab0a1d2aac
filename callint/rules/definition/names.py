"""Rules about the names in a definition file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from callint import fmt
from callint.decoding import checksums
from callint.model import rule_ids
from callint.model.declarations import InvalidNames
from callint.model.definition import Definition, Kind, States, StoredAxis, Table
from callint.model.derived_axis import DerivedAxis
from callint.model.finding import Finding, Severity
from callint.model.translation import Titled
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_INVALID, Severity.ERROR, Scope.DEFINITION)
def invalid(context: CheckContext) -> Iterator[Finding]:
    """The definition file does not conform to the format.

    Why it matters: callint cannot check what it cannot read. It skips the invalid part and its table until
    the line is corrected; of a table with an invalid limit, it skips the limit alone. What only follows from
    the invalid line is not reported: references to the skipped element, its bytes, and its waivers. The first
    such finding of a file names the tables and axes that are not evaluated.

    Example: `type="uint12"`, which is not a storage type; `<guard above="85" below="4"/>`, which has two
    conditions instead of one; a `<monotonic along="y">` in a curve, which has no y axis.

    Fix: correct the line. With the schema `schemas/definition.xsd`, XML editors complete and explain the
    format.
    """
    yield from _with_consequences(context, context.file.problems)


def _with_consequences(context: CheckContext, findings: Iterable[Finding]) -> Iterator[Finding]:
    """The findings, of which the first says once for the file what is not evaluated."""
    unread = context.loaded.unread
    left_out = unread.left_out(context.layout) if unread else []
    for number, finding in enumerate(findings):
        if left_out and not number:
            names = fmt.list_names(left_out, _MOST_NAMES)
            yield replace(finding, hint=f"{finding.hint} Not evaluated until then: {names}.")
        else:
            yield finding


#: The most tables and axes that are named because they are not evaluated.
_MOST_NAMES = 4


@rule(rule_ids.DEFINITION_DUPLICATE_NAME, Severity.ERROR, Scope.DEFINITION)
def duplicate_name(context: CheckContext) -> Iterator[Finding]:
    """Two elements of one kind have the same name.

    Why it matters: an axis or a waiver with this name may mean the other element. callint checks only the
    first.

    Example: two maps named `smoke_limit`; one was copied as the start of a new one.

    Fix: rename one of them.
    """
    lines = context.definition.lines
    first: dict[tuple[str, str], int] = {}
    times: Counter[tuple[str, str]] = Counter()
    for declared in context.definition.declarations:
        key = declared.space, declared.name
        times[key] += 1
        line = first.setdefault(key, declared.line)
        if times[key] > 1:
            yield definition_finding(
                rule_ids.DEFINITION_DUPLICATE_NAME,
                declared.line,
                f"{declared.space} {declared.name} {times[key]}",
                f"{lines.text(line)} already uses the {declared.space} name {declared.name!r}",
                "Rename one of the two; callint checks only the first.",
            )


@rule(rule_ids.DEFINITION_UNKNOWN_REFERENCE, Severity.ERROR, Scope.DEFINITION)
def unknown_reference(context: CheckContext) -> Iterator[Finding]:
    """The definition refers to a name that it does not define.

    Why it matters: callint cannot decode a table with an unknown axis or conversion, so it does not check the
    table; it cannot verify a checksum with an unknown algorithm.

    Example: `<x axis="sped_16"/>` for the axis `speed_16`.

    Fix: correct the name, or add the missing element.
    """
    missing = _unknown_references(context)
    yield from missing if context.file.problems else _with_consequences(context, missing)


def _unknown_references(context: CheckContext) -> Iterator[Finding]:
    """The findings about unknown names; an element with the name of another one may be the cause."""
    invalid = InvalidNames(context.file.invalid)
    unknown = [
        reference
        for reference in _references(context)
        if reference.name not in reference.known and not invalid.has(reference.space, reference.name)
    ]
    names: dict[str, set[str]] = {}
    for reference in unknown:
        names.setdefault(reference.space, set()).add(reference.name)
    repeated = _repeated_once(context.definition)
    for reference in unknown:
        finding = definition_finding(
            rule_ids.DEFINITION_UNKNOWN_REFERENCE,
            reference.line,
            f"{reference.source} {reference.kind} {reference.name}",
            f"{reference.source} names the {reference.kind} {reference.name!r}, which does not exist",
            _advice(reference),
            reference.table,
        )
        twin = repeated.get(reference.space)
        if twin is not None and len(names[reference.space]) == 1:
            places = " and ".join(context.definition.lines.text(line) for line in twin.lines)
            hint = f"{places} have one name: if one of them is {reference.name!r}, correct it there."
            finding = replace(finding, hint=hint[:1].upper() + hint[1:], cause=twin.cause)
        yield finding


@dataclass(frozen=True, slots=True)
class _Twin:
    """The only element of its kind that has the name of another one; ``cause`` names the finding about it."""

    lines: tuple[int, int]
    cause: str


def _repeated_once(definition: Definition) -> dict[str, _Twin]:
    """By kind, the element that repeats a name, if there is a single one."""
    first: dict[tuple[str, str], int] = {}
    repeated: dict[str, list[_Twin]] = {}
    for declared in definition.declarations:
        line = first.setdefault((declared.space, declared.name), declared.line)
        if line != declared.line:
            cause = f"{rule_ids.DEFINITION_DUPLICATE_NAME} {declared.space} {declared.name} 2"
            repeated.setdefault(declared.space, []).append(_Twin((line, declared.line), cause))
    return {space: twins[0] for space, twins in repeated.items() if len(twins) == 1}


def _advice(reference: _NameReference) -> str:
    """The names that a reference may mean, as a hint."""
    if reference.kind == _ALGORITHM:
        suggested = [
            f"{name} (alias {alias})" if alias else name
            for name, alias in checksums.similar_algorithms(reference.name)
        ]
        if not suggested:
            return (
                "Name a CRC of the published catalogue, or give the parameters of your own "
                'as algorithm="crc".'
            )
        return f"Did you mean {' or '.join(suggested)}?"
    from difflib import get_close_matches

    close = get_close_matches(reference.name, list(reference.known))
    return f"Did you mean {close[0]!r}?" if close else f"Correct the name or add the {reference.kind}."


#: The kind of the references of checksums.
_ALGORITHM = "algorithm"


@dataclass(frozen=True, slots=True)
class _NameReference:
    """A name in the definition, with all names of its kind that are ``known``.

    ``source`` is what refers to it, as the subject of a sentence.
    """

    source: str
    kind: str
    name: str
    known: Iterable[str]
    line: int
    table: str = ""

    @property
    def space(self) -> str:
        """The kind of elements among which the name should be."""
        return "table" if self.kind.startswith("curve") else self.kind


def _references(context: CheckContext) -> Iterator[_NameReference]:
    definition = context.definition
    signals, tables = definition.signals, definition.tables
    yield from _axis_references(definition)
    for table in tables.values():
        source, line = f"table {table.name}", table.line
        if table.conversion is not None:
            known = definition.conversions
            yield _NameReference(source, "conversion", table.conversion, known, line, table.name)
        for name in table.axes:
            yield _NameReference(source, "axis", name, definition.axes, line, table.name)
        for signal in (table.signal, table.produces):
            if signal is not None:
                yield _NameReference(source, "signal", signal, signals, line, table.name)
        conversion = definition.conversion_of(table)
        for guard in table.demands.guards:
            if guard.state is not None and definition.is_resolved(table):
                states = conversion.names.values() if isinstance(conversion, States) else ()
                yield _NameReference(
                    f"guard of {table.name}", "state", guard.state, states, guard.line, table.name
                )
    for sensor in definition.sensors:
        yield _NameReference("the sensor", "signal", sensor.signal, signals, sensor.line)
        curves = [table.name for table in tables.values() if table.kind is Kind.CURVE]
        yield _NameReference("the sensor", "curve", sensor.curve, curves, sensor.line)
    for relation in definition.relations:
        for name in (relation.table, relation.other):
            yield _NameReference(f"relation {relation.kind}", "table", name, tables, relation.line)
    yield from _titled_elements(definition)
    for checksum in definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            source, algorithms = f"checksum {checksum.name}", checksums.known_algorithms()
            yield _NameReference(source, _ALGORITHM, checksum.algorithm, algorithms, checksum.line)


def _axis_references(definition: Definition) -> Iterator[_NameReference]:
    tables = definition.tables
    for axis in definition.axes.values():
        source = f"axis {axis.name}"
        yield _NameReference(source, "signal", axis.signal, definition.signals, axis.line)
        if isinstance(axis, StoredAxis) and axis.conversion is not None:
            yield _NameReference(source, "conversion", axis.conversion, definition.conversions, axis.line)
        if isinstance(axis, DerivedAxis):
            kind = "curve over a stored or fixed axis" if axis.curve in tables else "curve"
            curves = [name for name, table in tables.items() if _is_over_plain_axis(definition, table)]
            yield _NameReference(source, kind, axis.curve, curves, axis.line)


def _is_over_plain_axis(definition: Definition, table: Table) -> bool:
    """Whether an axis may be derived from a table."""
    return table.kind is Kind.CURVE and not isinstance(definition.axes.get(table.x or ""), DerivedAxis)


def _titled_elements(definition: Definition) -> Iterator[_NameReference]:
    """The elements to which titles in other languages belong."""
    titled = {
        Titled.TABLE: {**definition.tables, **definition.texts},
        Titled.GROUP: definition.groups,
        Titled.SIGNAL: definition.signals,
    }
    for item in definition.translations:
        if item.kind in titled:
            source = f"the translation into {item.language}"
            yield _NameReference(source, item.kind.value, item.name, titled[item.kind], item.line)


@rule(rule_ids.DEFINITION_UNUSED, Severity.NOTE, Scope.DEFINITION)
def unused(context: CheckContext) -> Iterator[Finding]:
    """A signal, conversion, axis, group, sensor or region is never used.

    Why it matters: it is either left over or, more often, something was meant to use it and names
    another by mistake.

    Example: an axis `speed_16` that no table uses, while a map uses `speed_12`; a group without tables; a
    sensor whose signal no table depends on, so that its fault changes nothing; a region all of whose bytes
    are in regions above it, so that no finding ever names it. A sensor is a use of its signal, and a region
    may name bytes of which the definition knows nothing else.

    Fix: use it or remove it. What comes from a parent or a shared file is left out: other definitions may use
    it.
    """
    definition = context.definition
    if context.loaded.unread:
        return  # what is invalid may use anything
    used: Counter[tuple[str, str]] = Counter()
    for axis in definition.axes.values():
        used["signal", axis.signal] += 1
        if isinstance(axis, StoredAxis) and axis.conversion:
            used["conversion", axis.conversion] += 1
    for table in definition.tables.values():
        used["conversion", table.conversion or ""] += 1
        used.update(("axis", name) for name in table.axes)
        used.update(("signal", name) for name in (table.signal, table.produces) if name)
        used["group", table.group] += 1
    used.update(("group", text.group) for text in definition.texts.values())
    used.update(("signal", sensor.signal) for sensor in definition.sensors)
    for space, items in (
        ("signal", definition.signals.values()),
        ("conversion", definition.conversions.values()),
        ("axis", definition.axes.values()),
        ("group", definition.groups.values()),
    ):
        for item in items:
            is_own = not definition.lines.origin(item.line)[0]
            if not used[space, item.name] and "/" not in item.name and is_own:
                yield definition_finding(
                    rule_ids.DEFINITION_UNUSED,
                    item.line,
                    f"{space} {item.name}",
                    f"{space} {item.name} is never used",
                    f"Remove the {space}, or use it.",
                )
    yield from _unused_sensors(context)
    yield from _unused_regions(context)


def _unused_sensors(context: CheckContext) -> Iterator[Finding]:
    """The sensors whose signal feeds no axis of a table and no threshold."""
    definition = context.definition
    tables = definition.tables.values()
    axes = {axis for table in tables for axis in table.axes}
    fed = {axis.signal for name, axis in definition.axes.items() if name in axes}
    fed.update(table.signal for table in tables if table.signal)
    for sensor in definition.sensors:
        if sensor.signal in fed or definition.lines.origin(sensor.line)[0]:
            continue
        yield definition_finding(
            rule_ids.DEFINITION_UNUSED,
            sensor.line,
            f"sensor {sensor.signal}",
            f"the sensor of {sensor.signal} is never used: no table depends on that signal",
            "Give the axes of the signal its name, or remove the sensor.",
        )


def _unused_regions(context: CheckContext) -> Iterator[Finding]:
    """The regions of which earlier regions hold all bytes: an address belongs to the first one."""
    definition = context.definition
    covered: list[tuple[int, int]] = []
    for region in definition.memory.regions:
        place, end = region.start, region.start + region.size
        for first, last in sorted(covered):
            if first <= place < last:
                place = last
        covered.append((region.start, end))
        if place >= end and region.size and not definition.lines.origin(region.line)[0]:
            yield definition_finding(
                rule_ids.DEFINITION_UNUSED,
                region.line,
                f"region {region.name}",
                f"region {region.name} is never used: the regions above it hold all of its bytes",
                "Move the region above them, or remove it.",
            )
