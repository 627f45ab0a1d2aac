"""How the newer of two definitions reads tables, texts and axes, compared with the older one."""

from __future__ import annotations

from collections.abc import Iterator

from callint.comparing.definitions.demands import item_change
from callint.comparing.definitions.pairs import TablePair
from callint.comparing.definitions.renames import Matches
from callint.model.definition import Axis, FixedAxis, Purpose, Storage, StoredAxis, Table, Text
from callint.model.definition_change import (
    ChangeKind,
    DefinitionChange,
    ElementKind,
    Value,
    most_important,
)
from callint.model.derived_axis import DerivedAxis

#: An attribute, its old and its new value.
Difference = tuple[str, Value, Value]


def storage_differences(old: Storage, new: Storage) -> Iterator[Difference]:
    """The attributes in which two storages differ; the stride only if it is not the size of the type."""
    if old == new:
        return
    if old.type is not new.type:
        yield "type", old.type.name, new.type.name
    if old.byte_order is not new.byte_order and max(old.type.size, new.type.size) > 1:
        yield "byte-order", old.byte_order.value, new.byte_order.value
    is_usual = old.stride == old.type.size and new.stride == new.type.size
    if old.stride != new.stride and not is_usual:
        yield "stride", old.stride, new.stride
    if _effective_mask(old) != _effective_mask(new):
        yield "mask", old.mask, new.mask


def _effective_mask(storage: Storage) -> int | None:
    """The mask, unless it selects all bits of the stored number."""
    return None if storage.mask == (1 << 8 * storage.type.size) - 1 else storage.mask


def table_readings(pair: TablePair, matches: Matches) -> Iterator[DefinitionChange]:
    """The changes of how a table is read; its conversion and its axes have their own changes."""
    old, new = pair.old, pair.new
    differences: list[Difference] = []
    if old.at != new.at:
        differences.append(("at", old.at, new.at))
    differences += storage_differences(old.storage, new.storage)
    if old.kind is not new.kind:
        differences.append(("kind", old.kind.value, new.kind.value))
    for along in ("x", "y"):
        before, after = getattr(old, along), getattr(new, along)
        if before is not None and after is not None and matches.axes.get(before) != after:
            differences.append((along, before, after))
    if old.y_first != new.y_first:
        differences.append(("order", _order(old), _order(new)))
    for attribute, before, after in differences:
        yield item_change(ChangeKind.READS_DIFFERENTLY, old, new, attribute, (before, after))
    yield from _feeds(old, new, matches)


def _order(table: Table) -> str:
    return "y-first" if table.y_first else "x-first"


def _feeds(old: Table, new: Table, matches: Matches) -> Iterator[DefinitionChange]:
    """The changes of the signal that a table is compared with, and of the one that it produces."""
    if old.signal is old.produces is new.signal is new.produces is None:
        return
    is_threshold = Purpose.PROTECTION in (old.purpose, new.purpose) or old.purpose is Purpose.DIAGNOSIS
    for attribute, before, after, is_judged in (
        ("signal", old.signal, new.signal, is_threshold),
        ("produces", old.produces, new.produces, True),
    ):
        if before is None and after is None:
            continue
        if before is not None and matches.signals.get(before) == after:
            continue
        kind = ChangeKind.READS_DIFFERENTLY
        if is_judged and after is None:
            kind = ChangeKind.LOOSENED  # whether the signal reaches it, or reads as before, is not judged
        elif is_judged and before is None:
            kind = ChangeKind.TIGHTENED
        yield item_change(kind, old, new, attribute, (before, after))


def text_readings(old: Text, new: Text) -> Iterator[DefinitionChange]:
    """The changes of how a text is read."""
    for attribute, before, after in (
        ("at", old.at, new.at),
        ("length", old.length, new.length),
        ("encoding", old.encoding, new.encoding),
    ):
        if before != after:
            yield item_change(ChangeKind.READS_DIFFERENTLY, old, new, attribute, (before, after))


def axis_change(
    kind: ChangeKind,
    axes: tuple[Axis, Axis],
    tables: tuple[Table, ...],
    attribute: str,
    values: tuple[Value, Value],
    units: tuple[str, str] = ("", ""),
) -> DefinitionChange:
    """A change of an axis; ``tables`` are those that use it."""
    return DefinitionChange(
        kind=kind,
        element=ElementKind.AXIS,
        name=axes[1].name,
        attribute=attribute,
        old=values[0],
        new=values[1],
        old_unit=units[0] if values[0] is not None else "",
        new_unit=units[1] if values[1] is not None else "",
        old_line=axes[0].line,
        new_line=axes[1].line,
        tables=tuple(table.name for table in tables),
        purpose=most_important(table.purpose for table in tables),
    )


def axis_readings(
    old: Axis, new: Axis, tables: tuple[Table, ...], matches: Matches
) -> Iterator[DefinitionChange]:
    """The changes of how the breakpoints of an axis are read; its conversion has its own change."""
    for attribute, before, after in _axis_differences(old, new, matches):
        kind = ChangeKind.READS_DIFFERENTLY
        if attribute == "count-at" and (before is None or after is None):
            # Without it, nobody compares the stored number of breakpoints.
            kind = ChangeKind.LOOSENED if after is None else ChangeKind.TIGHTENED
        yield axis_change(kind, (old, new), tables, attribute, (before, after))


def _axis_differences(old: Axis, new: Axis, matches: Matches) -> Iterator[Difference]:
    if matches.signals.get(old.signal, old.signal) != new.signal:
        yield "signal", old.signal, new.signal
    if old.falling != new.falling and max(old.count, new.count) > 1:
        yield "order", _direction(old), _direction(new)
    if isinstance(old, FixedAxis) and isinstance(new, FixedAxis):
        if old.values != new.values:
            yield "values", old.values, new.values
        return
    if isinstance(old, DerivedAxis) and isinstance(new, DerivedAxis):
        yield from _derivation_differences(old, new, matches)
        return
    if not isinstance(old, StoredAxis) or not isinstance(new, StoredAxis):
        yield "breakpoints", _source(old), _source(new)
        if old.count != new.count:
            yield "count", old.count, new.count
        return
    if old.at != new.at:
        yield "at", old.at, new.at
    yield from storage_differences(old.storage, new.storage)
    if old.count != new.count:
        yield "count", old.count, new.count
    yield from _count_differences(old, new)


def _direction(axis: Axis) -> str:
    return "falling" if axis.falling else "rising"


def _source(axis: Axis) -> str:
    if isinstance(axis, DerivedAxis):
        return "derived"
    return "fixed" if isinstance(axis, FixedAxis) else "stored"


def _derivation_differences(old: DerivedAxis, new: DerivedAxis, matches: Matches) -> Iterator[Difference]:
    if matches.items.get(old.curve, old.curve) != new.curve:
        yield "curve", old.curve, new.curve
    if old.derivation is not new.derivation:
        yield "by", old.derivation.value, new.derivation.value
    if old.count != new.count:
        yield "count", old.count, new.count


def _count_differences(old: StoredAxis, new: StoredAxis) -> Iterator[Difference]:
    """The differences of where the image stores the number of breakpoints."""
    before, after = old.stored_count, new.stored_count
    if before == after:
        return
    if before is None or after is None:
        yield "count-at", before.at if before else None, after.at if after else None
        return
    if before.at - old.at != after.at - new.at:  # else the count moved with its axis
        yield "count-at", before.at, after.at
    if before.storage.type is not after.storage.type:
        yield "count-type", before.storage.type.name, after.storage.type.name
