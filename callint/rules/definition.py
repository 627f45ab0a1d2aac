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
from callint.model import rule_ids
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


@rule(rule_ids.DEFINITION_INVALID, Severity.ERROR, Scope.DEFINITION)
def invalid(context: CheckContext) -> Iterator[Finding]:
    """The definition file is not what the format asks for.

    Why it matters: what callint cannot read it cannot check. The part that is wrong is left out, so
    its table is not looked at until the line is mended.

    Example: `type="uint12"` - no such storage type; `<guard above="85" below="4"/>` - two conditions
    where one is meant; a `<monotonic along="y">` in a curve, which has no y axis.

    Fix: correct the line. The schema `schemas/definition.xsd` gives completion and help in XML editors.
    """
    yield from context.file.problems


@rule(rule_ids.DEFINITION_DUPLICATE_NAME, Severity.ERROR, Scope.DEFINITION)
def duplicate_name(context: CheckContext) -> Iterator[Finding]:
    """Two things of one kind have the same name.

    Why it matters: an axis or a waiver that names one of them may mean the other. Only the first is
    looked at.

    Example: two maps named `smoke_limit`, one of them copied to start a new one.

    Fix: rename one of them.
    """
    first: dict[tuple[str, str], int] = {}
    times: Counter[tuple[str, str]] = Counter()
    for declared in context.definition.declarations:
        key = declared.space, declared.name
        times[key] += 1
        line = first.setdefault(key, declared.line)
        if times[key] > 1:
            yield _finding(
                rule_ids.DEFINITION_DUPLICATE_NAME,
                declared.line,
                f"{declared.space} {declared.name} {times[key]}",
                f"line {line} already uses the {declared.space} name {declared.name!r}",
                "Rename one of the two; callint checks only the first.",
            )


@rule(rule_ids.DEFINITION_UNKNOWN_REFERENCE, Severity.ERROR, Scope.DEFINITION)
def unknown_reference(context: CheckContext) -> Iterator[Finding]:
    """Something is referred to that the definition does not have.

    Why it matters: a table with an unknown axis or conversion cannot be decoded, and so is not checked
    at all; a checksum with an unknown algorithm cannot be verified.

    Example: `<x axis="sped_16"/>` where the axis is called `speed_16`.

    Fix: correct the name, or add what is missing.
    """
    for reference in _references(context):
        if reference.name not in reference.known:
            from difflib import get_close_matches

            close = get_close_matches(reference.name, list(reference.known))
            yield _finding(
                rule_ids.DEFINITION_UNKNOWN_REFERENCE,
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


def _references(context: CheckContext) -> Iterator[_Reference]:
    definition = context.definition
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


def _extents(context: CheckContext) -> list[_Extent]:
    """Everything that has its own place in memory. An identity may lie on a text: both read it."""
    layout, definition = context.layout, context.definition
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


@rule(rule_ids.DEFINITION_OUTSIDE_IMAGE, Severity.ERROR, Scope.DEFINITION)
def outside_image(context: CheckContext) -> Iterator[Finding]:
    """Something is placed outside the memory that the definition declares.

    Why it matters: its bytes do not exist in any image, so nothing about it can be checked; most often
    the address has a wrong digit, and the table that is meant lies somewhere else.

    Example: `at="0x140200"` in a memory of 0x80000 bytes.

    Fix: correct the address, the count or the memory's size.
    """
    memory = context.definition.memory
    extents = _extents(context)
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
                rule_ids.DEFINITION_OUTSIDE_IMAGE,
                extent.line,
                extent.words,
                f"{extent.words} lies at {fmt.address(extent.start)} to {fmt.address(extent.end - 1)}, "
                f"outside the memory {fmt.address(memory.start)} to {fmt.address(memory.end - 1)}",
                "Correct the address, the count or the memory's size.",
                extent.table,
            )


@rule(rule_ids.DEFINITION_OVERLAP, Severity.WARNING, Scope.DEFINITION)
def overlap(context: CheckContext) -> Iterator[Finding]:
    """Two things claim the same bytes.

    Why it matters: an edit of one table silently changes the other. Either one of the addresses, counts
    or types is wrong, or the engine really reads one place twice and whoever edits it must know.
    Tables with different masks in one byte do not overlap, nor do interleaved ones.

    Example: a curve of 12 cells declared with `count="16"` runs into the curve behind it.

    Fix: correct address, count, type, stride or mask. Where two readings of one place are meant, turn
    the rule to note in the policy.
    """
    for first, second, address in _overlaps(context):
        yield _finding(
            rule_ids.DEFINITION_OVERLAP,
            max(first.line, second.line),
            f"{first.words} {second.words}",
            f"{first.words} (line {first.line}) and {second.words} (line {second.line}) "
            f"both claim {fmt.address(address)}",
            "Correct address, count, type, stride or mask of one of them.",
            second.table or first.table,
        )


#: After so many overlapping pairs the rest adds nothing.
_MOST_OVERLAPS = 1000


def _overlaps(context: CheckContext) -> Iterator[tuple[_Extent, _Extent, int]]:
    memory = context.definition.memory
    # What lies outside the memory is definition/outside-image's affair, and may be of any size.
    extents = [one for one in _extents(context) if memory.start <= one.start and one.end <= memory.end]
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
            for pair in _overlaps_within(context, cluster, left):
                left -= 1
                yield pair
        if extent is not None:
            cluster, end = [extent], extent.end


def _overlaps_within(
    context: CheckContext, cluster: list[_Extent], most: int
) -> Iterator[tuple[_Extent, _Extent, int]]:
    """The overlapping pairs among extents that touch, by the bits that each of them claims."""
    claims = [_claimed(context, extent) for extent in cluster]
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


def _claimed(context: CheckContext, extent: _Extent) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """The addresses of an extent's bytes, and which bits of each it claims."""
    if extent.item is None:
        addresses = np.arange(extent.start, extent.end)
        return addresses, np.full(len(addresses), 0xFF, np.uint8)
    storage = context.layout.items[extent.item].storage
    cells = context.layout.address[context.layout.cells(extent.item)]
    size = storage.type.size
    full = (1 << 8 * size) - 1
    mask = (storage.mask or full).to_bytes(size, storage.byte_order.value)
    addresses = (cells[:, None] + np.arange(size)).ravel()
    return addresses, np.tile(np.frombuffer(mask, np.uint8), len(cells))


@rule(rule_ids.DEFINITION_CHECKSUM_OVER_ITSELF, Severity.ERROR, Scope.DEFINITION)
def checksum_over_itself(context: CheckContext) -> Iterator[Finding]:
    """A checksum's range covers the place where the checksum is stored.

    Why it matters: storing the result changes what the result is computed from, so no stored value is
    ever right.

    Example: start 0x40000, size 0x20000, stored at 0x5FFFC, which is inside.

    Fix: end the range before the stored value, or correct where it is stored.
    """
    for checksum in context.definition.memory.checksums:
        size = checksums.stored_size(checksum) if checksums.is_known(checksum.algorithm) else 1
        end = checksum.start + checksum.size
        if checksum.stored_at < end and checksum.start < checksum.stored_at + size:
            yield _finding(
                rule_ids.DEFINITION_CHECKSUM_OVER_ITSELF,
                checksum.line,
                checksum.name,
                f"checksum {checksum.name} covers {fmt.address(checksum.start)} to "
                f"{fmt.address(end - 1)}, which includes its own stored value "
                f"at {fmt.address(checksum.stored_at)}",
                "End the range before the stored value.",
            )


# Values


@rule(rule_ids.DEFINITION_NOT_INVERTIBLE, Severity.ERROR, Scope.DEFINITION)
def not_invertible(context: CheckContext) -> Iterator[Finding]:
    """A conversion has no way back from physical to raw.

    Why it matters: values can be shown but not entered, merged or carried over, and two raw values that
    look the same to people are different to the engine.

    Example: `factor="0"`; a state name that stands for two raw values; an interpolated conversion that
    rises and then falls; a rational one whose parabola turns round inside the limits of its table.

    Fix: correct the factor, the states, the points or the coefficients.
    """
    for conversion in context.definition.conversions.values():
        if reason := _no_way_back(conversion):
            yield _finding(
                rule_ids.DEFINITION_NOT_INVERTIBLE,
                conversion.line,
                conversion.name,
                f"conversion {conversion.name} is not invertible: {reason}",
                "Correct the conversion so that every physical value has one raw value.",
            )
    for table in context.definition.tables.values():
        conversion = context.definition.conversion_of(table)
        if isinstance(conversion, Rational) and (reason := _lost_within(conversion, table)):
            yield _finding(
                rule_ids.DEFINITION_NOT_INVERTIBLE,
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


@rule(rule_ids.DEFINITION_LIMITS_INVERTED, Severity.ERROR, Scope.DEFINITION)
def limits_inverted(context: CheckContext) -> Iterator[Finding]:
    """A lower limit is above its upper limit.

    Why it matters: no value satisfies it, so every cell is reported, or, worse, nobody looks any more.

    Example: `<limits min="90" max="0"/>`; `plausible="130 -40"`.

    Fix: swap the two.
    """
    for table in context.definition.tables.values():
        for words, found in (("limits", table.demands.limits), ("expected", table.demands.expected)):
            yield from _inverted(f"{words} of {table.name}", found, table.line, table.name)
    for signal in context.definition.signals.values():
        for words, found in (("plausible", signal.plausible), ("operating", signal.operating)):
            yield from _inverted(f"{words} range of {signal.name}", found, signal.line)


def _inverted(words: str, limits: Range | None, line: int, table: str = "") -> Iterator[Finding]:
    if limits is not None and limits.is_inverted:
        low, high = fmt.plain(limits.low), fmt.plain(limits.high)
        message = f"{words}: the lower limit {low} is above the upper limit {high}"
        hint = "Swap the two numbers."
        yield _finding(rule_ids.DEFINITION_LIMITS_INVERTED, line, words, message, hint, table)


@rule(rule_ids.DEFINITION_LIMITS_UNREACHABLE, Severity.WARNING, Scope.DEFINITION)
def limits_unreachable(context: CheckContext) -> Iterator[Finding]:
    """A limit lies where no value can ever get.

    Why it matters: a limit beyond what the type can hold never fires, so it protects from nothing; most
    often the factor or the type is wrong. The same goes for an expected range that reaches beyond the
    limits, and an operating range beyond the plausible one.

    Example: `<limits min="0" max="300"/>` on a uint8 with factor 1, which ends at 255.

    Fix: correct the limit, the factor or the type.
    """
    for table in context.definition.tables.values():
        if context.definition.is_resolved(table):
            yield from _beyond_storage(context, table)
        limits, expected = table.demands.limits, table.demands.expected
        if limits and expected:
            yield from _beyond(f"expected range of {table.name}", "limits", expected, limits, table)
    for signal in context.definition.signals.values():
        if signal.plausible and signal.operating:
            words = f"operating range of {signal.name}"
            yield from _beyond(words, "plausible range", signal.operating, signal.plausible, signal.line)


def _beyond_storage(context: CheckContext, table: Table) -> Iterator[Finding]:
    limits = table.demands.limits
    conversion = context.definition.conversion_of(table)
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
                rule_ids.DEFINITION_LIMITS_UNREACHABLE,
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
            rule_ids.DEFINITION_LIMITS_UNREACHABLE,
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
                rule_ids.DEFINITION_LIMITS_UNREACHABLE,
                line,
                f"{words} {value}",
                f"the {words} reaches {fmt.plain(value)}, beyond the {frame_words} of "
                f"{fmt.plain(outer.low)} to {fmt.plain(outer.high)}",
                "Correct one of the two ranges.",
                table,
            )


@rule(rule_ids.DEFINITION_NO_LIMITS, Severity.NOTE, Scope.DEFINITION)
def no_limits(context: CheckContext) -> Iterator[Finding]:
    """A table has no limits.

    Why it matters: an impossible value in it goes unseen. Tables of named states need none.

    Example: a map of rail pressure demand without `<limits>`: 21000 bar passes.

    Fix: add `<limits min= max=/>` with what the hardware stands and the maker allows.
    """
    for table in context.definition.tables.values():
        is_states = isinstance(context.definition.conversion_of(table), States)
        is_known = table.conversion is None or table.conversion in context.definition.conversions
        if table.demands.limits is None and is_known and not is_states:
            yield _finding(
                rule_ids.DEFINITION_NO_LIMITS,
                table.line,
                table.name,
                f"{table.purpose} table {table.name} has no limits: any value passes",
                "Add <limits min= max=/> with the values that the hardware withstands.",
                table.name,
            )


@rule(rule_ids.DEFINITION_NO_UNIT, Severity.NOTE, Scope.DEFINITION)
def no_unit(context: CheckContext) -> Iterator[Finding]:
    """A conversion has no unit.

    Why it matters: a number without a unit is read as whatever the reader expects; bar and MPa differ
    by ten.

    Example: `<linear name="pressure" factor="0.1"/>`.

    Fix: add `unit=`; write `unit="-"` for a pure number.
    """
    for conversion in context.definition.conversions.values():
        if not isinstance(conversion, States) and not conversion.unit:
            yield _finding(
                rule_ids.DEFINITION_NO_UNIT,
                conversion.line,
                conversion.name,
                f"conversion {conversion.name} has no unit",
                'Add unit=; write unit="-" for a pure number.',
            )


#: What says that a number has no unit, or that nobody said which.
_NO_UNITS = {"", "-"}


@rule(rule_ids.DEFINITION_UNIT_DIFFERS, Severity.WARNING, Scope.DEFINITION)
def unit_differs(context: CheckContext) -> Iterator[Finding]:
    """An axis or a table has another unit than the signal that it is of.

    Why it matters: one number stands for both. A breakpoint of 30 m/s is then looked up at 30 km/h, and every
    operating point, threshold and reading of that signal is wrong by the factor between the units.

    Example: `<signal name="boat_speed" unit="km/h">` and an axis over it whose conversion says m/s.

    Fix: correct the unit or the conversion, or give the axis a signal of its own. Where it is one unit in two
    spellings, use one.
    """
    definition = context.definition
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
            rule_ids.DEFINITION_UNIT_DIFFERS,
            item.line,
            f"{item.name} {signal.name}",
            f"{noun} {item.name} is in {fmt.unit_word(unit)}, but its signal {signal.name} is in "
            f"{fmt.unit_word(signal.unit)}",
            "Correct one of the units, or use a different signal.",
            item.name if isinstance(item, Table) else "",
        )


@rule(rule_ids.DEFINITION_UNUSED, Severity.NOTE, Scope.DEFINITION)
def unused(context: CheckContext) -> Iterator[Finding]:
    """A signal, conversion or axis is never used.

    Why it matters: it is either left over or, more often, something was meant to use it and names
    another by mistake.

    Example: an axis `speed_16` that no table uses, while a map uses `speed_12`.

    Fix: use it or remove it.
    """
    definition = context.definition
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
                    rule_ids.DEFINITION_UNUSED,
                    noun.line,
                    f"{space} {noun.name}",
                    f"{space} {noun.name} is never used",
                    "Use it or remove it.",
                )


@rule(rule_ids.DEFINITION_UNGUARDED_PROTECTION, Severity.WARNING, Scope.DEFINITION)
def unguarded_protection(context: CheckContext) -> Iterator[Finding]:
    """A protection table has no guard.

    Why it matters: a guard says what the table looks like when it no longer protects. Without one,
    nobody notices when an overspeed cut is moved to a speed that the engine never reaches.

    Example: `<scalar name="overspeed_cut" purpose="protection" ...>` without a `<guard above="5000"/>`.

    Fix: add `<guard .../>` with the value beyond which, or the state in which, it no longer protects.
    """
    for table in context.definition.tables.values():
        if table.purpose is Purpose.PROTECTION and not table.demands.guards:
            yield _finding(
                rule_ids.DEFINITION_UNGUARDED_PROTECTION,
                table.line,
                table.name,
                f"protection table {table.name} has no guard: nobody notices when it stops protecting",
                "Add <guard .../> with the value beyond which the table no longer protects.",
                table.name,
            )


@rule(rule_ids.DEFINITION_FIXED_AXIS_NOT_RISING, Severity.ERROR, Scope.DEFINITION)
def fixed_axis_not_rising(context: CheckContext) -> Iterator[Finding]:
    """The breakpoints of a fixed axis do not rise.

    Why it matters: cells would be read at the wrong operating points, by people and by callint.

    Example: `values="1 2 4 3 5 6"`.

    Fix: put the values in rising order, as the control unit has them.
    """
    for axis in context.definition.axes.values():
        if not isinstance(axis, FixedAxis):
            continue
        steps = np.diff(axis.values)
        if (steps <= 0).any():
            here = int(np.flatnonzero(steps <= 0)[0])
            yield _finding(
                rule_ids.DEFINITION_FIXED_AXIS_NOT_RISING,
                axis.line,
                axis.name,
                f"the breakpoints of axis {axis.name} do not rise: {fmt.plain(axis.values[here + 1])} "
                f"follows {fmt.plain(axis.values[here])}",
                "Put the values in rising order.",
            )


@rule(rule_ids.DEFINITION_UNUSABLE_RELATION, Severity.WARNING, Scope.DEFINITION)
def unusable_relation(context: CheckContext) -> Iterator[Finding]:
    """A relation relates two tables that cannot be compared.

    Why it matters: it reads like a check, but no image can break it, or what it compares are numbers of
    different kinds. A relation is judged wherever both tables give a number; tables in different units, or
    over signals that never meet, have nothing to be compared.

    Example: `<at-most table="boost_demand" bound="boost_ceiling"/>` where the demand is in mbar and the
    ceiling in bar: 1200 is above 2, although 1200 mbar is not above 2 bar.

    Fix: relate the tables that were meant, or give both the same unit. An inverse needs one signal that only
    the one table has, in the unit of the other's values, and the other way round.
    """
    tables = context.definition.tables
    for relation in context.definition.relations:
        if relation.table in context.layout.table_items and relation.other in context.layout.table_items:
            one, other = tables[relation.table], tables[relation.other]
            trouble = _trouble_of_relation(context, relation.kind, one, other)
            if trouble:
                yield _finding(
                    rule_ids.DEFINITION_UNUSABLE_RELATION,
                    relation.line,
                    f"{relation.kind} {other.name}",
                    f"{relation.kind} of {one.name} and {other.name}: {trouble}",
                    "Relate the intended tables, or correct their axes and units.",
                    one.name,
                )


def _trouble_of_relation(context: CheckContext, kind: str, one: Table, other: Table) -> str:
    """Why two tables cannot be compared; "" where they can."""
    if one.name == other.name:
        return "a table has no relation to itself"
    axes, others = ({axis.signal: axis for axis in context.axes_of(table)} for table in (one, other))
    for table, its in ((one, axes), (other, others)):
        if len(its) < len(table.axes):
            return f"both axes of {table.name} are over {next(iter(its))}, which has one value at a time"
    for signal in (signal for signal in axes if signal in others):
        ranges = [axis.values for axis in (axes[signal], others[signal]) if isinstance(axis, FixedAxis)]
        if len(ranges) == 2 and max(map(min, ranges)) > min(map(max, ranges)):
            return f"their axes over {signal} have no range in common"
        if trouble := _unlike(context, axes[signal], others[signal], f"their axes over {signal}"):
            return trouble
    counts = ({signal: axis.count for signal, axis in its.items()} for its in (axes, others))
    if relations.points_needed(kind, *counts) > relations.MOST_POINTS:
        return f"the comparison needs more than {relations.MOST_POINTS:,} operating points"
    if kind != "inverse":
        return _unlike(context, one, other, "their values")
    own, back = relations.own_signal(list(axes), list(others)), relations.own_signal(list(others), list(axes))
    if own is None or back is None:
        return f"an inverse needs one signal that only {one.name} has, and one that only {other.name} has"
    return _unlike(
        context, one, others[back], f"the output of {one.name} and the input of {other.name}"
    ) or _unlike(context, other, axes[own], f"the output of {other.name} and the input of {one.name}")


def _unlike(context: CheckContext, one: Table | Axis, other: Table | Axis, what: str) -> str:
    """That two things that should be alike have different units; a unit that is not said fits any."""
    first, second = (context.definition.unit_of(item) for item in (one, other))
    return f"{what} are in {first} and in {second}" if first and second and first != second else ""
