"""The memory, the signals and the relations of two definitions beside each other."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from callint.comparing.definitions.pairs import bound_change, demand_changes
from callint.comparing.definitions.readings import axis_change
from callint.comparing.definitions.renames import Matches
from callint.model.cell_demands import OffAllowed
from callint.model.definition import (
    Axis,
    Checksum,
    Definition,
    Identity,
    Purpose,
    Range,
    Relation,
    Sensor,
    Signal,
    Table,
    decimal,
)
from callint.model.definition_change import ChangeKind, DefinitionChange, ElementKind, Value, most_important

LESS, MORE, READS = ChangeKind.LOOSENED, ChangeKind.TIGHTENED, ChangeKind.READS_DIFFERENTLY


def element_change(
    kind: ChangeKind,
    element: ElementKind,
    old: Any,
    new: Any,
    attribute: str = "",
    values: tuple[Value, Value] = (None, None),
    **more: Any,
) -> DefinitionChange:
    """A change of an element, or of its ``attribute``; ``old`` or ``new`` is None if one side lacks it."""
    return DefinitionChange(
        kind=kind,
        element=element,
        name=getattr(old if new is None else new, "name", ""),
        attribute=attribute,
        old=values[0],
        new=values[1],
        old_line=None if old is None else old.line,
        new_line=None if new is None else new.line,
        **more,
    )


# Memory


def is_same_software(old: Definition, new: Definition) -> bool:
    """Whether both definitions describe the same memory of the same software."""
    before, after = (
        (side.memory.start, [(identity.at, identity.content) for identity in side.memory.identities])
        for side in (old, new)
    )
    return before == after


def memory_changes(old: Definition, new: Definition) -> Iterator[DefinitionChange]:
    """The changes of the memory, its regions, identities and checksums."""
    before, after = old.memory, new.memory
    for attribute in ("start", "size", "fill"):
        values = getattr(before, attribute), getattr(after, attribute)
        if values[0] != values[1]:
            yield element_change(READS, ElementKind.MEMORY, before, after, attribute, values)
    for region, partner in _by_name(before.regions, after.regions):
        if region is None or partner is None:
            kind = ChangeKind.NEW if region is None else ChangeKind.GONE
            yield element_change(kind, ElementKind.REGION, region, partner)
            continue
        for attribute in ("start", "size"):
            values = getattr(region, attribute), getattr(partner, attribute)
            if values[0] != values[1]:
                yield element_change(READS, ElementKind.REGION, region, partner, attribute, values)
    for identity, other in _matched(before.identities, after.identities, lambda item: item.at):
        yield from _identity_changes(identity, other)
    is_same = is_same_software(old, new)
    for checksum, other_sum in _matched(before.checksums, after.checksums, lambda item: item.stored_at):
        yield from _checksum_changes(checksum, other_sum, is_same)


def _by_name(old: Iterable[Any], new: Iterable[Any]) -> Iterator[tuple[Any, Any]]:
    """Elements of the same name; a side that lacks the name is None."""
    before, after = ({item.name: item for item in side} for side in (old, new))
    for name in dict.fromkeys((*before, *after)):
        yield before.get(name), after.get(name)


def _matched(old: Iterable[Any], new: Iterable[Any], place: Any) -> Iterator[tuple[Any, Any]]:
    """Elements of the same name, then those of the same place; a side without a partner is None."""
    pairs = list(_by_name(old, new))
    added = {place(after): after for before, after in pairs if before is None}
    taken = set()
    for before, after in pairs:
        if after is None and (partner := added.get(place(before))) is not None:
            taken.add(partner.name)
            yield before, partner
        elif before is not None:
            yield before, after
    for before, after in pairs:
        if before is None and after.name not in taken:
            yield None, after


def _identity_changes(old: Identity | None, new: Identity | None) -> Iterator[DefinitionChange]:
    if old is None or new is None:
        yield element_change(MORE if old is None else LESS, ElementKind.IDENTITY, old, new)
        return
    values = old.content, new.content
    if (old.at, old.content) != (new.at, new.content):
        if _is_part(new, old):
            yield element_change(LESS, ElementKind.IDENTITY, old, new, "content", values)
        elif _is_part(old, new):
            yield element_change(MORE, ElementKind.IDENTITY, old, new, "content", values)
        else:
            if old.at != new.at:
                yield element_change(READS, ElementKind.IDENTITY, old, new, "at", (old.at, new.at))
            if old.content != new.content:
                kind = LESS if len(new.content) < len(old.content) else READS
                yield element_change(kind, ElementKind.IDENTITY, old, new, "content", values)
    if old.name != new.name:
        names = old.name, new.name
        yield element_change(ChangeKind.DOCUMENTATION, ElementKind.IDENTITY, old, new, "name", names)


def _is_part(part: Identity, whole: Identity) -> bool:
    """Whether an identity demands a part of the bytes that another one demands."""
    first = part.at - whole.at
    return first >= 0 and whole.content[first : first + len(part.content)] == part.content


def _checksum_changes(
    old: Checksum | None, new: Checksum | None, is_same_software: bool
) -> Iterator[DefinitionChange]:
    if old is None or new is None:
        yield element_change(MORE if old is None else LESS, ElementKind.CHECKSUM, old, new)
        return
    if (old.start, old.size) != (new.start, new.size):
        covers_old = new.start <= old.start and new.start + new.size >= old.start + old.size
        if is_same_software:
            kind = MORE if covers_old else LESS
        else:
            kind = LESS if new.size < old.size else READS if new.start != old.start else MORE
        for attribute in ("start", "size"):
            values = getattr(old, attribute), getattr(new, attribute)
            if values[0] != values[1]:
                yield element_change(kind, ElementKind.CHECKSUM, old, new, attribute, values)
    for attribute in ("algorithm", "stored-at", "byte-order", "complement"):
        values = tuple(getattr(side, attribute.replace("-", "_")) for side in (old, new))
        if values[0] != values[1]:
            yield element_change(READS, ElementKind.CHECKSUM, old, new, attribute, values)
    if (old.word, old.crc) != (new.word, new.crc) and old.algorithm == new.algorithm:
        parameters = _parameters(old), _parameters(new)
        if parameters[0] != parameters[1]:
            yield element_change(READS, ElementKind.CHECKSUM, old, new, "parameters", parameters)
    if old.name != new.name:
        names = old.name, new.name
        yield element_change(ChangeKind.DOCUMENTATION, ElementKind.CHECKSUM, old, new, "name", names)


def _parameters(checksum: Checksum) -> str:
    """The words that a sum adds up, or the parameters of a CRC."""
    crc, word = checksum.crc, checksum.word
    if crc is None:
        return f"{word.type.name} {word.byte_order.value}"
    flags = "".join(f" {name}" for name in ("reflect_in", "reflect_out") if getattr(crc, name))
    return f"width {crc.width} poly {crc.poly:#x} init {crc.init:#x} xorout {crc.xorout:#x}{flags}"


# Signals and sensors


class SignalUse:
    """The tables of a definition that a signal feeds, and those in which rules judge its operating range.

    Both are looked up when they are first asked for: most versions of a definition have the same signals.
    """

    def __init__(self, definition: Definition):
        self._definition = definition

    @cached_property
    def tables(self) -> Mapping[str, tuple[Table, ...]]:
        """The tables by signal."""
        tables: dict[str, list[Table]] = {}
        for table, signals in self._signals():
            for signal in signals:
                tables.setdefault(signal, []).append(table)
        return {name: tuple(users) for name, users in tables.items()}

    @cached_property
    def judged(self) -> frozenset[str]:
        """The signals whose operating range rules judge."""
        within = {
            name
            for relation in self._definition.relations
            if relation.within
            for name in (relation.table, relation.other)
        }
        judged: set[str] = set()
        for table, signals in self._signals():
            off = table.demands.off
            is_off_judged = off is not None and off.allowed is OffAllowed.OUTSIDE_OPERATING
            if is_off_judged or table.purpose is Purpose.PROTECTION or table.name in within:
                judged |= signals
        return frozenset(judged)

    def _signals(self) -> Iterator[tuple[Table, set[str]]]:
        """Each table with the signals of its axes, and the one that it is compared with."""
        signal_of = {name: axis.signal for name, axis in self._definition.axes.items()}
        for table in self._definition.tables.values():
            signals = {signal_of[axis] for axis in table.axes if axis in signal_of}
            if table.signal:
                signals.add(table.signal)
            yield table, signals


def signal_changes(
    old: Definition, new: Definition, matches: Matches, uses: tuple[SignalUse, SignalUse]
) -> Iterator[DefinitionChange]:
    """The changes of signals, with the tables that they feed."""
    partners = set(matches.signals.values())
    for name, signal in old.signals.items():
        if name not in matches.signals:
            tables = uses[0].tables.get(name, ())
            yield element_change(ChangeKind.GONE, ElementKind.SIGNAL, signal, None, **_of(tables))
            continue
        partner = new.signals[matches.signals[name]]
        if replace(signal, line=partner.line) == partner:
            continue
        yield from _signal_changes(signal, partner, uses)
    for name, signal in new.signals.items():
        if name not in partners:
            tables = uses[1].tables.get(name, ())
            yield element_change(ChangeKind.NEW, ElementKind.SIGNAL, None, signal, **_of(tables))


def _of(tables: Iterable[Table]) -> dict[str, Any]:
    tables = tuple(tables)
    return {
        "tables": tuple(table.name for table in tables),
        "purpose": most_important(table.purpose for table in tables),
    }


def _signal_changes(
    old: Signal, new: Signal, uses: tuple[SignalUse, SignalUse]
) -> Iterator[DefinitionChange]:
    tables = uses[1].tables.get(new.name, ())
    of_tables = _of([*tables, *uses[0].tables.get(old.name, ())])
    of_tables["tables"] = tuple(table.name for table in tables)
    if old.unit != new.unit:
        values = old.unit, new.unit
        yield element_change(READS, ElementKind.SIGNAL, old, new, "unit", values, **of_tables)
    is_judged = old.name in uses[0].judged or new.name in uses[1].judged
    for kind, attribute, before, after in signal_range_changes(old, new, is_judged):
        yield element_change(
            kind,
            ElementKind.SIGNAL,
            old,
            new,
            attribute,
            (before, after),
            old_unit=old.unit if before is not None else "",
            new_unit=new.unit if after is not None else "",
            **of_tables,
        )
    for attribute in ("name", "title"):
        values = getattr(old, attribute), getattr(new, attribute)
        if values[0] != values[1]:
            yield element_change(ChangeKind.DOCUMENTATION, ElementKind.SIGNAL, old, new, attribute, values)


def signal_range_changes(
    old: Signal | None, new: Signal | None, is_judged: bool
) -> Iterator[tuple[ChangeKind, str, float | None, float | None]]:
    """What changes of the ranges of a signal do, by end: kind, attribute, old and new value.

    Breakpoints and thresholds must lie in the plausible range: a wider one loosens. Rules judge inside the
    operating range, which ``is_judged`` says: a narrower one loosens.
    """
    has_units = old is not None and new is not None and old.unit == new.unit
    opposite = {LESS: MORE, MORE: LESS}
    for name in ("plausible", "operating"):
        before: Range | None = getattr(old, name, None)
        after: Range | None = getattr(new, name, None)
        for end, is_high in (("min", False), ("max", True)):
            ends = [None if side is None else side.high if is_high else side.low for side in (before, after)]
            if ends[0] == ends[1]:
                continue
            exact = [None if value is None else decimal(value) for value in ends]
            kind = bound_change(exact[0], exact[1], is_high)
            assert kind is not None
            if name == "operating":
                kind = opposite[kind] if is_judged else READS
            elif not has_units and ends[0] is not None:
                kind = LESS  # nobody can tell that it asks as much as before
            yield kind, f"{name} {end}", ends[0], ends[1]


def axis_demands(
    axes: tuple[Axis, Axis],
    tables: tuple[Table, ...],
    signals: tuple[Signal | None, Signal | None],
    is_judged: bool,
) -> Iterator[DefinitionChange]:
    """What is asked of an axis differently because its signal was exchanged for another one."""
    units = signals[0].unit if signals[0] else "", signals[1].unit if signals[1] else ""
    for kind, attribute, before, after in signal_range_changes(*signals, is_judged):
        yield axis_change(kind, axes, tables, attribute, (before, after), units)


def sensor_changes(
    old: Definition, new: Definition, matches: Matches, uses: tuple[SignalUse, SignalUse]
) -> Iterator[DefinitionChange]:
    """The changes of sensor circuits; a sensor is known by its signal."""
    before = {matches.signals.get(sensor.signal, sensor.signal): sensor for sensor in old.sensors}
    after = {sensor.signal: sensor for sensor in new.sensors}
    for name in dict.fromkeys((*before, *after)):
        sensor, partner = before.get(name), after.get(name)
        if sensor is not None and partner is not None:
            curve = matches.items.get(sensor.curve, "")
            if replace(sensor, signal=name, curve=curve, line=partner.line) == partner:
                continue
        tables = [*uses[0].tables.get(sensor.signal if sensor else "", ()), *uses[1].tables.get(name, ())]
        more = {"name": name, **_of({table.name: table for table in tables}.values())}
        if sensor is None or partner is None:
            yield _sensor_change(MORE if sensor is None else LESS, sensor, partner, **more)
            continue
        if matches.items.get(sensor.curve) != partner.curve:
            curves = sensor.curve, partner.curve
            yield _sensor_change(READS, sensor, partner, attribute="curve", values=curves, **more)
        for attribute, unit in (("supply", "V"), ("pull-up", "ohm")):
            field = attribute.replace("-", "_")
            values = getattr(sensor, field), getattr(partner, field)
            if values[0] != values[1]:
                yield _sensor_change(
                    READS, sensor, partner, attribute=attribute, values=values, unit=unit, **more
                )


def _sensor_change(
    kind: ChangeKind,
    old: Sensor | None,
    new: Sensor | None,
    name: str,
    attribute: str = "",
    values: tuple[Value, Value] = (None, None),
    unit: str = "",
    **more: Any,
) -> DefinitionChange:
    given = new or old
    assert given is not None
    return DefinitionChange(
        kind=kind,
        element=ElementKind.SENSOR,
        name=name,
        attribute=attribute,
        old=values[0],
        new=values[1],
        other=given.curve,
        old_unit=unit,
        new_unit=unit,
        old_line=old.line if old else None,
        new_line=new.line if new else None,
        **more,
    )


# Relations


@dataclass(frozen=True, slots=True)
class _Demand:
    """A relation, with the names of its tables in the new definition."""

    relation: Relation
    key: Hashable

    def covers(self, other: _Demand) -> bool:
        if self.key != other.key or (self.relation.within and not other.relation.within):
            return False
        mine, others = self.relation.amount, other.relation.amount
        # A margin and a distance ask for more if they are larger, a tolerance if it is smaller.
        return mine >= others if self.relation.kind in ("at-most", "gap") else mine <= others

    def is_like(self, other: _Demand) -> bool:
        return self.key == other.key


#: The attribute of the amount, by the kind of relation.
AMOUNTS = {"at-most": "margin", "equal": "tolerance", "inverse": "tolerance", "gap": "min"}


def relation_changes(old: Definition, new: Definition, matches: Matches) -> Iterator[DefinitionChange]:
    """The changes of relations between two tables."""
    before = [_Demand(relation, _relation_key(relation, matches.items)) for relation in old.relations]
    after = [_Demand(relation, _relation_key(relation, {})) for relation in new.relations]
    keys = {demand.key for demand in before} | {demand.key for demand in after}
    by_key: dict[Hashable, tuple[list[_Demand], list[_Demand]]] = {key: ([], []) for key in keys}
    for side, demands in enumerate((before, after)):
        for demand in demands:
            by_key[demand.key][side].append(demand)
    for key in dict.fromkeys(demand.key for demand in (*before, *after)):
        for kind, first, second in demand_changes(*by_key[key], _Demand.covers, _Demand.is_like):
            yield from _relation_changes(
                kind, old, new, first.relation if first else None, second.relation if second else None
            )


def _relation_key(relation: Relation, items: Mapping[str, str]) -> Hashable:
    names = [items.get(name, name) for name in (relation.table, relation.other)]
    return relation.kind, *(sorted(names) if relation.kind == "equal" else names)


def _relation_changes(
    kind: ChangeKind, old: Definition, new: Definition, before: Relation | None, after: Relation | None
) -> Iterator[DefinitionChange]:
    given = after or before
    assert given is not None
    tables: dict[str, Table] = {}
    for relation, definition in ((before, old), (after, new)):
        for name in (relation.table, relation.other) if relation else ():
            if name in definition.tables:
                tables[name] = definition.tables[name]
    shared: dict[str, Any] = {
        "element": ElementKind.RELATION,
        "name": given.table,
        "other": given.other,
        "old_line": before.line if before else None,
        "new_line": after.line if after else None,
        "tables": (given.table, given.other),
        "purpose": most_important(table.purpose for table in tables.values()),
    }
    if before is None or after is None:
        kinds = (before.kind if before else None), (after.kind if after else None)
        yield DefinitionChange(kind=kind, old=kinds[0], new=kinds[1], **shared)
        return
    if before.amount != after.amount:
        units = [
            definition.unit_of(definition.tables[relation.table])
            if relation.table in definition.tables
            else ""
            for definition, relation in ((old, before), (new, after))
        ]
        own_kind = _amount_kind(before, after)
        yield DefinitionChange(
            kind=own_kind,
            attribute=f"{given.kind} {AMOUNTS[given.kind]}",
            old=before.amount,
            new=after.amount,
            old_unit=units[0],
            new_unit=units[1],
            **shared,
        )
    if before.within != after.within:
        yield DefinitionChange(
            kind=LESS if after.within else MORE,
            attribute=f"{given.kind} within",
            old=before.within or None,
            new=after.within or None,
            **shared,
        )


def _amount_kind(before: Relation, after: Relation) -> ChangeKind:
    is_more = after.amount > before.amount
    return MORE if is_more == (after.kind in ("at-most", "gap")) else LESS
