"""Rules about a definition file itself."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing import relations
from callint.decoding import checksums
from callint.decoding.conversions import physical_limits, to_physical, to_raw_numbers
from callint.model.definition import (
    Axis,
    Conversion,
    FixedAxis,
    Interpolated,
    Kind,
    Linear,
    Purpose,
    Range,
    Rational,
    States,
    Storage,
    StoredAxis,
    Table,
)
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule


def _finding(rule_id: str, line: int, subject: str, message: str, hint: str, table: str = "") -> Finding:
    return Finding(rule=rule_id, line=line, subject=subject, message=message, hint=hint, table=table)


@rule("definition/invalid", Severity.ERROR, Scope.DEFINITION)
def invalid(case: CheckContext) -> Iterator[Finding]:
    """The definition file does not conform to the format.

    Why it matters: callint cannot check what it cannot read. It skips the invalid part and its table until
    the line is corrected.

    Example: `type="uint12"`, which is not a storage type; `<guard above="85" below="4"/>`, which has two
    conditions instead of one; a `<monotonic along="y">` in a curve, which has no y axis.

    Fix: correct the line. With the schema `schemas/definition.xsd`, XML editors complete and explain the
    format.
    """
    yield from case.file.problems


@rule("definition/duplicate-name", Severity.ERROR, Scope.DEFINITION)
def duplicate_name(case: CheckContext) -> Iterator[Finding]:
    """Two elements of one kind have the same name.

    Why it matters: an axis or a waiver with this name may mean the other element. callint checks only the
    first.

    Example: two maps named `smoke_limit`; one was copied as the start of a new one.

    Fix: rename one of them.
    """
    first: dict[tuple[str, str], int] = {}
    times: Counter[tuple[str, str]] = Counter()
    for declared in case.definition.declarations:
        key = declared.space, declared.name
        times[key] += 1
        line = first.setdefault(key, declared.line)
        if times[key] > 1:
            yield _finding(
                "definition/duplicate-name",
                declared.line,
                f"{declared.space} {declared.name} {times[key]}",
                f"line {line} already uses the {declared.space} name {declared.name!r}",
                "Rename one of the two; callint checks only the first.",
            )


@rule("definition/unknown-reference", Severity.ERROR, Scope.DEFINITION)
def unknown_reference(case: CheckContext) -> Iterator[Finding]:
    """The definition refers to a name that it does not define.

    Why it matters: callint cannot decode a table with an unknown axis or conversion, so it does not check the
    table; it cannot verify a checksum with an unknown algorithm.

    Example: `<x axis="sped_16"/>` for the axis `speed_16`.

    Fix: correct the name, or add the missing element.
    """
    for reference in _references(case):
        if reference.name not in reference.known:
            from difflib import get_close_matches

            close = get_close_matches(reference.name, list(reference.known))
            yield _finding(
                "definition/unknown-reference",
                reference.line,
                f"{reference.source} {reference.kind} {reference.name}",
                f"{reference.source} names the {reference.kind} {reference.name!r}, which does not exist",
                f"Did you mean {close[0]!r}?" if close else f"Correct the name or add the {reference.kind}.",
                reference.table,
            )


@dataclass(frozen=True, slots=True)
class _Reference:
    source: str
    kind: str
    name: str
    known: Iterable[str]
    line: int
    table: str = ""


def _references(case: CheckContext) -> Iterator[_Reference]:
    definition = case.definition
    signals, tables = definition.signals, definition.tables
    for axis in definition.axes.values():
        yield _Reference(f"axis {axis.name}", "signal", axis.signal, signals, axis.line)
        if isinstance(axis, StoredAxis) and axis.conversion is not None:
            known = definition.conversions
            yield _Reference(f"axis {axis.name}", "conversion", axis.conversion, known, axis.line)
    for table in tables.values():
        source, line = f"table {table.name}", table.line
        if table.conversion is not None:
            known = definition.conversions
            yield _Reference(source, "conversion", table.conversion, known, line, table.name)
        for name in table.axes:
            yield _Reference(source, "axis", name, definition.axes, line, table.name)
        for signal in (table.signal, table.produces):
            if signal is not None:
                yield _Reference(source, "signal", signal, signals, line, table.name)
        conversion = definition.conversion_of(table)
        for guard in table.demands.guards:
            if guard.state is not None and definition.is_resolved(table):
                states = conversion.names.values() if isinstance(conversion, States) else ()
                yield _Reference(
                    f"guard of {table.name}", "state", guard.state, states, guard.line, table.name
                )
    for sensor in definition.sensors:
        yield _Reference("the sensor", "signal", sensor.signal, signals, sensor.line)
        curves = [table.name for table in tables.values() if table.kind is Kind.CURVE]
        yield _Reference("the sensor", "curve", sensor.curve, curves, sensor.line)
    for relation in definition.relations:
        for name in (relation.table, relation.other):
            yield _Reference(f"relation {relation.kind}", "table", name, tables, relation.line)
    for checksum in definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            source, algorithms = f"checksum {checksum.name}", checksums.known_algorithms()
            yield _Reference(source, "algorithm", checksum.algorithm, algorithms, checksum.line)


# Placement


@dataclass(frozen=True, slots=True)
class _Extent:
    """From the first to the last byte of something; a table with a stride has gaps in between."""

    words: str
    line: int
    start: int
    end: int
    item: int | None = None
    table: str = ""


def _extents(case: CheckContext) -> list[_Extent]:
    """Everything that has its own place in memory. An identity may lie on a text: both read it."""
    layout, definition = case.layout, case.definition
    found = []
    if layout.size:
        first = layout.first[:-1]
        low = np.minimum.reduceat(layout.address, first)
        high = np.maximum.reduceat(layout.address, first)
        for number, item in enumerate(layout.items):
            kind = "table" if isinstance(item, Table) else "axis"
            table = item.name if isinstance(item, Table) else ""
            end = int(high[number]) + item.storage.type.size
            found.append(_Extent(f"{kind} {item.name}", item.line, int(low[number]), end, number, table))
    for text in definition.texts.values():
        found.append(_Extent(f"text {text.name}", text.line, text.at, text.at + text.length, None, text.name))
    for axis in definition.stored_axes:
        if axis.stored_count:
            end = axis.stored_count.at + axis.stored_count.storage.type.size
            found.append(_Extent(f"the count of axis {axis.name}", axis.line, axis.stored_count.at, end))
    for checksum in definition.memory.checksums:
        if checksums.is_known(checksum.algorithm):
            end = checksum.stored_at + checksums.stored_size(checksum)
            words = f"the stored checksum {checksum.name}"
            found.append(_Extent(words, checksum.line, checksum.stored_at, end))
    return found


@rule("definition/outside-image", Severity.ERROR, Scope.DEFINITION)
def outside_image(case: CheckContext) -> Iterator[Finding]:
    """An element lies outside the memory that the definition declares.

    Why it matters: no image has these bytes, so callint can check nothing about them. Usually a digit of the
    address is wrong, and the intended table lies elsewhere.

    Example: `at="0x140200"` in a memory of 0x80000 bytes.

    Fix: correct the address, the count or the size of the memory.
    """
    memory = case.definition.memory
    extents = _extents(case)
    for region in memory.regions:
        end = region.start + region.size
        extents.append(_Extent(f"region {region.name}", region.line, region.start, end))
    for identity in memory.identities:
        end = identity.at + len(identity.content)
        extents.append(_Extent(f"identity {identity.name}", identity.line, identity.at, end))
    for checksum in memory.checksums:
        end = checksum.start + checksum.size
        words = f"the range of checksum {checksum.name}"
        extents.append(_Extent(words, checksum.line, checksum.start, end))
    for extent in extents:
        if extent.start < memory.start or extent.end > memory.end:
            yield _finding(
                "definition/outside-image",
                extent.line,
                extent.words,
                f"{extent.words} lies at {fmt.address(extent.start)} to {fmt.address(extent.end - 1)}, "
                f"outside the memory {fmt.address(memory.start)} to {fmt.address(memory.end - 1)}",
                "Correct the address, the count or the memory's size.",
                extent.table,
            )


@rule("definition/overlap", Severity.WARNING, Scope.DEFINITION)
def overlap(case: CheckContext) -> Iterator[Finding]:
    """Two elements occupy the same bytes.

    Why it matters: an edit of one table silently changes the other. Either an address, a count or a type is
    wrong, or the engine really reads one place twice and whoever edits it must know. Tables with different
    masks in one byte do not overlap, and neither do interleaved tables.

    Example: a curve of 12 cells with `count="16"` extends into the next curve.

    Fix: correct the address, count, type, stride or mask. If the engine really reads one place twice, set the
    rule to note in the policy.
    """
    for first, second, address in _overlaps(case):
        yield _finding(
            "definition/overlap",
            max(first.line, second.line),
            f"{first.words} {second.words}",
            f"{first.words} (line {first.line}) and {second.words} (line {second.line}) "
            f"both claim {fmt.address(address)}",
            "Correct address, count, type, stride or mask of one of them.",
            second.table or first.table,
        )


#: After so many overlapping pairs the rest adds nothing.
_MOST_OVERLAPS = 1000


def _overlaps(case: CheckContext) -> Iterator[tuple[_Extent, _Extent, int]]:
    memory = case.definition.memory
    # What lies outside the memory is definition/outside-image's affair, and may be of any size.
    extents = [one for one in _extents(case) if memory.start <= one.start and one.end <= memory.end]
    extents.sort(key=lambda extent: (extent.start, extent.end, extent.words))
    cluster: list[_Extent] = []
    end = -1
    left = _MOST_OVERLAPS
    for extent in [*extents, None]:
        if extent is not None and extent.start < end:
            cluster.append(extent)
            end = max(end, extent.end)
            continue
        if len(cluster) > 1:
            for pair in _overlaps_within(case, cluster, left):
                left -= 1
                yield pair
        if extent is not None:
            cluster, end = [extent], extent.end


def _overlaps_within(
    case: CheckContext, cluster: list[_Extent], most: int
) -> Iterator[tuple[_Extent, _Extent, int]]:
    """The overlapping pairs among extents that touch, by the bits that each of them claims."""
    claims = [_claimed(case, extent) for extent in cluster]
    addresses = np.concatenate([claim[0] for claim in claims])
    masks = np.concatenate([claim[1] for claim in claims])
    owners = np.repeat(np.arange(len(cluster)), [len(claim[0]) for claim in claims])
    order = np.lexsort((owners, addresses))
    addresses, masks, owners = addresses[order], masks[order], owners[order]
    first = np.flatnonzero(np.diff(addresses, prepend=-1))
    united = np.bitwise_or.reduceat(masks, first)
    claimed = np.add.reduceat(np.bitwise_count(masks).astype(np.int64), first)
    seen: set[tuple[int, int]] = set()
    ends = np.append(first[1:], len(addresses))
    for group in np.flatnonzero(claimed > np.bitwise_count(united)).tolist():
        here = range(int(first[group]), int(ends[group]))
        for one in here:
            for two in here[one - here.start + 1 :]:
                pair = (int(owners[one]), int(owners[two]))
                if pair[0] != pair[1] and pair not in seen and masks[one] & masks[two]:
                    seen.add(pair)
                    yield cluster[pair[0]], cluster[pair[1]], int(addresses[one])
                    if len(seen) >= most:
                        return


def _claimed(case: CheckContext, extent: _Extent) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """The addresses of an extent's bytes, and which bits of each it claims."""
    if extent.item is None:
        addresses = np.arange(extent.start, extent.end)
        return addresses, np.full(len(addresses), 0xFF, np.uint8)
    storage = case.layout.items[extent.item].storage
    cells = case.layout.address[case.layout.cells(extent.item)]
    size = storage.type.size
    full = (1 << 8 * size) - 1
    mask = (storage.mask or full).to_bytes(size, storage.byte_order.value)
    addresses = (cells[:, None] + np.arange(size)).ravel()
    return addresses, np.tile(np.frombuffer(mask, np.uint8), len(cells))


@rule("definition/checksum-over-itself", Severity.ERROR, Scope.DEFINITION)
def checksum_over_itself(case: CheckContext) -> Iterator[Finding]:
    """The range of a checksum contains the address where the checksum is stored.

    Why it matters: storing the result changes the bytes from which it is computed, so no stored value is ever
    right.

    Example: start 0x40000, size 0x20000, stored at 0x5FFFC, which is inside the range.

    Fix: end the range before the stored value, or correct the address of the stored value.
    """
    for checksum in case.definition.memory.checksums:
        size = checksums.stored_size(checksum) if checksums.is_known(checksum.algorithm) else 1
        end = checksum.start + checksum.size
        if checksum.stored_at < end and checksum.start < checksum.stored_at + size:
            yield _finding(
                "definition/checksum-over-itself",
                checksum.line,
                checksum.name,
                f"checksum {checksum.name} covers {fmt.address(checksum.start)} to "
                f"{fmt.address(end - 1)}, which includes its own stored value "
                f"at {fmt.address(checksum.stored_at)}",
                "End the range before the stored value.",
            )


# Values


@rule("definition/not-invertible", Severity.ERROR, Scope.DEFINITION)
def not_invertible(case: CheckContext) -> Iterator[Finding]:
    """A conversion is not invertible from physical to raw.

    Why it matters: callint can show values of this conversion, but it cannot enter, merge or carry them. Two
    raw numbers that look the same to people are different to the engine.

    Example: `factor="0"`; one state name for two raw values; an interpolated conversion that rises and then
    falls; a rational conversion whose parabola has its turning point inside the limits of its table.

    Fix: correct the factor, the states, the points or the coefficients.
    """
    for conversion in case.definition.conversions.values():
        if reason := _no_way_back(conversion):
            yield _finding(
                "definition/not-invertible",
                conversion.line,
                conversion.name,
                f"conversion {conversion.name} is not invertible: {reason}",
                "Correct the conversion so that every physical value has one raw value.",
            )
    for table in case.definition.tables.values():
        conversion = case.definition.conversion_of(table)
        if isinstance(conversion, Rational) and (reason := _lost_within(conversion, table)):
            yield _finding(
                "definition/not-invertible",
                table.line,
                f"{table.name} {conversion.name}",
                f"conversion {conversion.name} is not invertible within the limits of {table.name}: {reason}",
                "Correct the coefficients or the limits.",
                table.name,
            )


def _no_way_back(conversion: Conversion) -> str:
    """Why a conversion cannot be turned round; "" if it can."""
    match conversion:
        case Linear():
            return "the factor is 0" if conversion.factor == 0 else ""
        case States():
            return f"{', '.join(conversion.repeats)} occurs twice" if conversion.repeats else ""
        case Interpolated():
            order = np.argsort(conversion.raw, kind="stable")
            raw, physical = np.array(conversion.raw)[order], np.array(conversion.physical)[order]
            if (np.diff(raw) == 0).any():
                return "one raw value occurs twice"
            steps = np.diff(physical)
            return "" if (steps > 0).all() or (steps < 0).all() else "the points are not monotonic"
        case Rational(coefficients=(a, b, c, d, e, f)):
            if d == e == f == 0:
                return "the denominator is 0"
            constant = np.linalg.matrix_rank(np.array([[a, b, c], [d, e, f]])) < 2
            return "raw does not depend on the physical value" if constant else ""


def _lost_within(conversion: Rational, table: Table) -> str:
    """Where between the limits a value does not come back from raw; "" if all do."""
    limits = table.demands.limits
    if limits is None or not math.isfinite(limits.low) or not math.isfinite(limits.high):
        return ""
    values = np.linspace(limits.low, limits.high, 33)
    back = to_physical(conversion, to_raw_numbers(conversion, values))
    width = max(abs(limits.low), abs(limits.high), 1e-12)
    lost = ~(np.abs(back - values) <= 1e-6 * width)
    # A raw value that is infinite or none is the type's affair, not the way back's.
    lost &= np.isfinite(to_raw_numbers(conversion, values))
    if not lost.any():
        return ""
    first = int(np.flatnonzero(lost)[0])
    back_words = fmt.plain(float(back[first])) if np.isfinite(back[first]) else "nothing"
    return f"{fmt.plain(float(values[first]))} comes back as {back_words}"


@rule("definition/limits-inverted", Severity.ERROR, Scope.DEFINITION)
def limits_inverted(case: CheckContext) -> Iterator[Finding]:
    """A lower limit is above its upper limit.

    Why it matters: no value satisfies the limits, so callint reports every cell, and people stop reading the
    findings.

    Example: `<limits min="90" max="0"/>`; `plausible="130 -40"`.

    Fix: swap the two limits.
    """
    for table in case.definition.tables.values():
        for words, found in (("limits", table.demands.limits), ("expected", table.demands.expected)):
            yield from _inverted(f"{words} of {table.name}", found, table.line, table.name)
    for signal in case.definition.signals.values():
        for words, found in (("plausible", signal.plausible), ("operating", signal.operating)):
            yield from _inverted(f"{words} range of {signal.name}", found, signal.line)


def _inverted(words: str, limits: Range | None, line: int, table: str = "") -> Iterator[Finding]:
    if limits is not None and limits.is_inverted:
        low, high = fmt.plain(limits.low), fmt.plain(limits.high)
        message = f"{words}: the lower limit {low} is above the upper limit {high}"
        hint = "Swap the two numbers."
        yield _finding("definition/limits-inverted", line, words, message, hint, table)


@rule("definition/limits-unreachable", Severity.WARNING, Scope.DEFINITION)
def limits_unreachable(case: CheckContext) -> Iterator[Finding]:
    """No stored value can reach a limit.

    Why it matters: a limit beyond the range of the type never triggers, so it protects nothing; usually the
    factor or the type is wrong. The same applies to an expected range beyond the limits, and to an operating
    range beyond the plausible one.

    Example: `<limits min="0" max="300"/>` on a uint8 with factor 1, which ends at 255.

    Fix: correct the limit, the factor or the type.
    """
    for table in case.definition.tables.values():
        if case.definition.is_resolved(table):
            yield from _beyond_storage(case, table)
        limits, expected = table.demands.limits, table.demands.expected
        if limits and expected:
            yield from _beyond(f"expected range of {table.name}", "limits", expected, limits, table)
    for signal in case.definition.signals.values():
        if signal.plausible and signal.operating:
            words = f"operating range of {signal.name}"
            yield from _beyond(words, "plausible range", signal.operating, signal.plausible, signal.line)


def _beyond_storage(case: CheckContext, table: Table) -> Iterator[Finding]:
    limits = table.demands.limits
    conversion = case.definition.conversion_of(table)
    if limits is None or limits.is_inverted or isinstance(conversion, Rational):
        return
    low, high = physical_limits(conversion, table.storage)
    unit = conversion.unit
    step = _step(conversion, table.storage, high - low)
    for value, broken in (
        # Of 64-bit numbers, a double may not tell the last step: then it is the end itself.
        (limits.high, limits.high >= high + step and limits.high > high),
        (limits.low, limits.low <= low - step and limits.low < low),
    ):
        if broken and math.isfinite(value):
            yield _finding(
                "definition/limits-unreachable",
                table.line,
                f"{table.name} {value}",
                f"no value of {table.name} can reach the limit of "
                f"{fmt.with_unit(fmt.plain(value), unit)}: its {table.storage.type.name} holds "
                f"{fmt.plain(low)} to {fmt.with_unit(fmt.plain(high), unit)}",
                "Correct the limit, the factor or the type.",
                table.name,
            )
    if limits.low > high or limits.high < low:
        yield _finding(
            "definition/limits-unreachable",
            table.line,
            f"{table.name} limits",
            f"no value that {table.name} can hold lies within its limits of {fmt.plain(limits.low)} to "
            f"{fmt.with_unit(fmt.plain(limits.high), unit)}: its {table.storage.type.name} holds "
            f"{fmt.plain(low)} to {fmt.with_unit(fmt.plain(high), unit)}",
            "Correct the limits, the factor or the type.",
            table.name,
        )


def _step(conversion: Conversion, storage: Storage, span: float) -> float:
    """One raw step in physical units: a limit rounded up by less than that is no mistake."""
    if isinstance(conversion, Linear) and storage.type.is_integer:
        return abs(conversion.factor) * (1 - 1e-9)
    return 1e-9 * span


def _beyond(words: str, frame_words: str, inner: Range, outer: Range, of: Table | int) -> Iterator[Finding]:
    line, table = (of, "") if isinstance(of, int) else (of.line, of.name)
    for value, broken in (
        (inner.low, math.isfinite(inner.low) and inner.low < outer.low),
        (inner.high, math.isfinite(inner.high) and inner.high > outer.high),
    ):
        if broken:
            yield _finding(
                "definition/limits-unreachable",
                line,
                f"{words} {value}",
                f"the {words} reaches {fmt.plain(value)}, beyond the {frame_words} of "
                f"{fmt.plain(outer.low)} to {fmt.plain(outer.high)}",
                "Correct one of the two ranges.",
                table,
            )


@rule("definition/no-limits", Severity.NOTE, Scope.DEFINITION)
def no_limits(case: CheckContext) -> Iterator[Finding]:
    """A table has no limits.

    Why it matters: nobody notices an impossible value in the table. Tables of named states need no limits.

    Example: a map of rail pressure demand without `<limits>`: 21000 bar passes.

    Fix: add `<limits min= max=/>` with what the hardware withstands and the maker allows.
    """
    for table in case.definition.tables.values():
        is_states = isinstance(case.definition.conversion_of(table), States)
        is_known = table.conversion is None or table.conversion in case.definition.conversions
        if table.demands.limits is None and is_known and not is_states:
            yield _finding(
                "definition/no-limits",
                table.line,
                table.name,
                f"{table.purpose} table {table.name} has no limits: any value passes",
                "Add <limits min= max=/> with the values that the hardware withstands.",
                table.name,
            )


@rule("definition/no-unit", Severity.NOTE, Scope.DEFINITION)
def no_unit(case: CheckContext) -> Iterator[Finding]:
    """A conversion has no unit.

    Why it matters: readers assume a unit for a number without one; bar and MPa differ by a factor of ten.

    Example: `<linear name="pressure" factor="0.1"/>`.

    Fix: add `unit=`; write `unit="-"` for a dimensionless number.
    """
    for conversion in case.definition.conversions.values():
        if not isinstance(conversion, States) and not conversion.unit:
            yield _finding(
                "definition/no-unit",
                conversion.line,
                conversion.name,
                f"conversion {conversion.name} has no unit",
                'Add unit=; write unit="-" for a pure number.',
            )


#: What says that a number has no unit, or that nobody said which.
_NO_UNITS = {"", "-"}


@rule("definition/unit-differs", Severity.WARNING, Scope.DEFINITION)
def unit_differs(case: CheckContext) -> Iterator[Finding]:
    """The unit of an axis or table differs from the unit of its signal.

    Why it matters: callint uses the same number in both units. It then looks up a breakpoint of 30 m/s at 30
    km/h, and every operating point, threshold and reading of that signal is wrong by the ratio of the units.

    Example: `<signal name="boat_speed" unit="km/h">` and an axis of this signal with a conversion in m/s.

    Fix: correct the unit or the conversion, or give the axis its own signal. If the two are spellings of one
    unit, use one spelling.
    """
    definition = case.definition
    pairs: list[tuple[str, Axis | Table, str | None]] = [
        ("axis", axis, axis.signal) for axis in definition.axes.values()
    ]
    for table in definition.tables.values():
        pairs += [("table", table, name) for name in dict.fromkeys((table.signal, table.produces))]
    for noun, item, name in pairs:
        signal = definition.signals.get(name or "")
        unit = definition.unit_of(item)
        if signal is None or {unit, signal.unit} & _NO_UNITS or fmt.same_unit(unit, signal.unit):
            continue
        yield _finding(
            "definition/unit-differs",
            item.line,
            f"{item.name} {signal.name}",
            f"{noun} {item.name} is in {fmt.unit_word(unit)}, but its signal {signal.name} is in "
            f"{fmt.unit_word(signal.unit)}",
            "Correct one of the units, or use a different signal.",
            item.name if isinstance(item, Table) else "",
        )


@rule("definition/unused", Severity.NOTE, Scope.DEFINITION)
def unused(case: CheckContext) -> Iterator[Finding]:
    """A signal, conversion or axis is never used.

    Why it matters: the element is a remnant or, more often, a table should use it and names another one by
    mistake.

    Example: no table uses the axis `speed_16`, but one map uses `speed_12`.

    Fix: use the element, or remove it.
    """
    definition = case.definition
    used: Counter[tuple[str, str]] = Counter()
    for axis in definition.axes.values():
        used["signal", axis.signal] += 1
        if isinstance(axis, StoredAxis) and axis.conversion:
            used["conversion", axis.conversion] += 1
    for table in definition.tables.values():
        used["conversion", table.conversion or ""] += 1
        used.update(("axis", name) for name in table.axes)
        used.update(("signal", name) for name in (table.signal, table.produces) if name)
    used.update(("signal", sensor.signal) for sensor in definition.sensors)
    for space, nouns in (
        ("signal", definition.signals.values()),
        ("conversion", definition.conversions.values()),
        ("axis", definition.axes.values()),
    ):
        for noun in nouns:
            if not used[space, noun.name] and "/" not in noun.name:
                yield _finding(
                    "definition/unused",
                    noun.line,
                    f"{space} {noun.name}",
                    f"{space} {noun.name} is never used",
                    "Use it or remove it.",
                )


@rule("definition/unguarded-protection", Severity.WARNING, Scope.DEFINITION)
def unguarded_protection(case: CheckContext) -> Iterator[Finding]:
    """A protection table has no guard.

    Why it matters: a guard describes what the table looks like when it no longer protects. Without a guard,
    nobody notices when somebody moves an overspeed cut to a speed that the engine never reaches.

    Example: `<scalar name="overspeed_cut" purpose="protection" ...>` without a `<guard above="5000"/>`.

    Fix: add `<guard .../>` with the value beyond which, or the state in which, the table no longer protects.
    """
    for table in case.definition.tables.values():
        if table.purpose is Purpose.PROTECTION and not table.demands.guards:
            yield _finding(
                "definition/unguarded-protection",
                table.line,
                table.name,
                f"protection table {table.name} has no guard: nobody notices when it stops protecting",
                "Add <guard .../> with the value beyond which the table no longer protects.",
                table.name,
            )


@rule("definition/fixed-axis-not-rising", Severity.ERROR, Scope.DEFINITION)
def fixed_axis_not_rising(case: CheckContext) -> Iterator[Finding]:
    """The breakpoints of a fixed axis do not rise.

    Why it matters: people and callint would read the cells at the wrong operating points.

    Example: `values="1 2 4 3 5 6"`.

    Fix: put the values into rising order, as the control unit has them.
    """
    for axis in case.definition.axes.values():
        if not isinstance(axis, FixedAxis):
            continue
        steps = np.diff(axis.values)
        if (steps <= 0).any():
            here = int(np.flatnonzero(steps <= 0)[0])
            yield _finding(
                "definition/fixed-axis-not-rising",
                axis.line,
                axis.name,
                f"the breakpoints of axis {axis.name} do not rise: {fmt.plain(axis.values[here + 1])} "
                f"follows {fmt.plain(axis.values[here])}",
                "Put the values in rising order.",
            )


@rule("definition/unusable-relation", Severity.WARNING, Scope.DEFINITION)
def unusable_relation(case: CheckContext) -> Iterator[Finding]:
    """A relation refers to two tables that cannot be compared.

    Why it matters: the relation looks like a check, but no image can break it, or it compares numbers of
    different kinds. callint checks a relation wherever both tables have a value; it cannot compare tables in
    different units, or tables over signals that do not overlap.

    Example: `<at-most table="boost_demand" bound="boost_ceiling"/>` with the demand in mbar and the ceiling
    in bar: 1200 is above 2, although 1200 mbar is not above 2 bar.

    Fix: relate the intended tables, or give both the same unit. In an inverse, each table needs one signal
    that the other lacks, in the unit of the other table's values.
    """
    tables = case.definition.tables
    for relation in case.definition.relations:
        if relation.table in case.layout.table_items and relation.other in case.layout.table_items:
            one, other = tables[relation.table], tables[relation.other]
            trouble = _trouble_of_relation(case, relation.kind, one, other)
            if trouble:
                yield _finding(
                    "definition/unusable-relation",
                    relation.line,
                    f"{relation.kind} {other.name}",
                    f"{relation.kind} of {one.name} and {other.name}: {trouble}",
                    "Relate the intended tables, or correct their axes and units.",
                    one.name,
                )


def _trouble_of_relation(case: CheckContext, kind: str, one: Table, other: Table) -> str:
    """Why two tables cannot be compared; "" where they can."""
    if one.name == other.name:
        return "a table has no relation to itself"
    axes, others = ({axis.signal: axis for axis in case.axes_of(table)} for table in (one, other))
    for table, its in ((one, axes), (other, others)):
        if len(its) < len(table.axes):
            return f"both axes of {table.name} are over {next(iter(its))}, which has one value at a time"
    for signal in (signal for signal in axes if signal in others):
        ranges = [axis.values for axis in (axes[signal], others[signal]) if isinstance(axis, FixedAxis)]
        if len(ranges) == 2 and max(map(min, ranges)) > min(map(max, ranges)):
            return f"their axes over {signal} have no range in common"
        if trouble := _unlike(case, axes[signal], others[signal], f"their axes over {signal}"):
            return trouble
    counts = ({signal: axis.count for signal, axis in its.items()} for its in (axes, others))
    if relations.points_needed(kind, *counts) > relations.MOST_POINTS:
        return f"the comparison needs more than {relations.MOST_POINTS:,} operating points"
    if kind != "inverse":
        return _unlike(case, one, other, "their values")
    own, back = relations.own_signal(list(axes), list(others)), relations.own_signal(list(others), list(axes))
    if own is None or back is None:
        return f"an inverse needs one signal that only {one.name} has, and one that only {other.name} has"
    return _unlike(
        case, one, others[back], f"the output of {one.name} and the input of {other.name}"
    ) or _unlike(case, other, axes[own], f"the output of {other.name} and the input of {one.name}")


def _unlike(case: CheckContext, one: Table | Axis, other: Table | Axis, what: str) -> str:
    """That two things that should be alike have different units; a unit that is not said fits any."""
    first, second = (case.definition.unit_of(item) for item in (one, other))
    return f"{what} are in {first} and in {second}" if first and second and first != second else ""
