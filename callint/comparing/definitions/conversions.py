"""Whether two conversions give the same values, and what the newer one does to values."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from callint.comparing.definitions.renames import Matches
from callint.decoding.conversions import exact_terms, to_physical
from callint.model.definition import (
    Conversion,
    Definition,
    Interpolated,
    Linear,
    Purpose,
    Rational,
    States,
    Storage,
    StoredAxis,
    Table,
)
from callint.model.definition_change import (
    ChangeKind,
    DefinitionChange,
    ElementKind,
    ReadingEffect,
    Value,
    most_important,
)


@dataclass(slots=True)
class _Use:
    """What used one conversion before and uses another one now.

    ``storage`` is that of the first user; the raw numbers have partners only if ``has_same_raw``.
    """

    old: Conversion
    new: Conversion
    storage: Storage | None = None
    has_same_raw: bool = True
    tables: list[str] = field(default_factory=list)
    purposes: set[Purpose] = field(default_factory=set)

    def add(self, old: Storage, new: Storage, table: str, purpose: Purpose | None) -> None:
        """Add a table or the axis of one, by their old and new storage."""
        self.storage = self.storage or new
        self.has_same_raw &= (old.type, old.mask) == (new.type, new.mask)
        self.tables.append(table)
        if purpose is not None:
            self.purposes.add(purpose)


def same_reading(old: Conversion, new: Conversion) -> bool:
    """Whether two conversions give the same value in the same unit for every raw number."""
    return old.unit == new.unit and _formula(old) == _formula(new)


def _linear(conversion: Conversion) -> tuple[Fraction, Fraction] | None:
    """Factor and offset of a conversion that is a straight line; None for others."""
    if isinstance(conversion, Linear):
        return exact_terms(conversion.factor, conversion.offset)
    if isinstance(conversion, Rational):
        a, b, c, d, e, f = (Fraction(repr(number)) for number in conversion.coefficients)
        if not (a or d or e) and b and f:
            return f / b, -c / b
    return None


def _formula(conversion: Conversion) -> Hashable:
    """The numbers of a conversion in a form that is the same for equal functions."""
    terms = _linear(conversion)
    if terms is not None:
        return "linear", terms
    if isinstance(conversion, Rational):
        numbers = [Fraction(repr(number)) for number in conversion.coefficients]
        scale = next((number for number in numbers if number), Fraction(1))
        return "rational", tuple(number / scale for number in numbers)
    if isinstance(conversion, Interpolated):
        return "interpolated", conversion.raw, conversion.physical
    return "states", tuple(sorted(conversion.names.items())) if isinstance(conversion, States) else ()


def reading_effect(old: Conversion, new: Conversion, storage: Storage) -> ReadingEffect | None:
    """What another conversion does to the values of a storage; None for states."""
    if isinstance(old, States) or isinstance(new, States):
        return None
    low, high = storage.raw_limits
    raw = np.array([low, high], storage.dtype.newbyteorder("="))
    if storage.mask:
        raw = np.array([low, high], np.uint64)
    with np.errstate(all="ignore"):
        before, after = to_physical(old, raw).tolist(), to_physical(new, raw).tolist()
    factor: float | None = None
    offset = 0.0
    before_terms, after_terms = _linear(old), _linear(new)
    if before_terms is not None and after_terms is not None and before_terms[0]:
        ratio = after_terms[0] / before_terms[0]
        factor, offset = float(ratio), float(after_terms[1] - ratio * before_terms[1])
    return ReadingEffect(factor, offset, (before[0], after[0]), (before[1], after[1]))


class _Uses:
    """The users of all conversions, by the names of their old and their new conversion."""

    def __init__(self, old: Definition, new: Definition, matches: Matches):
        self._old, self._new = old, new
        self.by_names: dict[tuple[str, str], _Use | None] = {
            (name, partner): _use(old.conversions[name], new.conversions[partner])
            for name, partner in matches.conversions.items()
        }

    def of(self, before: Table | StoredAxis, after: Table | StoredAxis) -> _Use | None:
        """What a table or an axis belongs to; None if its conversion is the same."""
        key = before.conversion or "", after.conversion or ""
        if key not in self.by_names:
            self.by_names[key] = _use(self._old.conversion_of(before), self._new.conversion_of(after))
        return self.by_names[key]


def _use(old: Conversion, new: Conversion) -> _Use | None:
    """The users of a conversion that changed; None for one that did not."""
    return None if type(old) is type(new) and replace(old, line=new.line) == new else _Use(old, new)


def conversion_changes(old: Definition, new: Definition, matches: Matches) -> Iterator[DefinitionChange]:
    """The changes of conversions: one for all tables that had the one and have the other now."""
    uses = _Uses(old, new, matches)
    for name, partner in matches.items.items():
        if name in old.tables and partner in new.tables:
            table, successor = old.tables[name], new.tables[partner]
            use = uses.of(table, successor)
            if use is not None:
                purpose = most_important((table.purpose, successor.purpose))
                use.add(table.storage, successor.storage, partner, purpose)
    _add_axes(uses, old, new, matches)
    for (name, partner), use in uses.by_names.items():
        if use is not None:
            is_match = matches.conversions.get(name) == partner
            yield from _use_changes(use, is_match)


def _add_axes(uses: _Uses, old: Definition, new: Definition, matches: Matches) -> None:
    """Add the tables on axes whose conversion changed."""
    changed: dict[str, tuple[_Use, StoredAxis, StoredAxis]] = {}
    for name, partner in matches.axes.items():
        before, after = old.axes[name], new.axes[partner]
        if isinstance(before, StoredAxis) and isinstance(after, StoredAxis):
            use = uses.of(before, after)
            if use is not None:
                changed[partner] = use, before, after
    if not changed:
        return
    tables: dict[str, list[Table]] = {name: [] for name in changed}
    for table in new.tables.values():
        for axis in table.axes:
            if axis in tables:
                tables[axis].append(table)
    for name, (use, before, after) in changed.items():
        for table in tables[name]:
            use.add(before.storage, after.storage, table.name, table.purpose)


def _use_changes(use: _Use, is_match: bool) -> Iterator[DefinitionChange]:
    old, new = use.old, use.new
    tables = tuple(dict.fromkeys(use.tables))

    def change(kind: ChangeKind, attribute: str, before: Value, after: Value) -> DefinitionChange:
        return DefinitionChange(
            kind=kind,
            element=ElementKind.CONVERSION,
            name=new.name or old.name,
            attribute=attribute,
            old=before,
            new=after,
            old_line=old.line or None,
            new_line=new.line or None,
            tables=tables,
            purpose=most_important(use.purposes),
            reading=reading,
        )

    reading = None
    if isinstance(old, States) and isinstance(new, States):
        allowed = [raw for raw in new.names if raw not in old.names]
        forbidden = [raw for raw in old.names if raw not in new.names]
        if allowed:
            yield change(ChangeKind.LOOSENED, "states", None, _state_list(new, allowed))
        if forbidden:
            yield change(ChangeKind.TIGHTENED, "states", _state_list(old, forbidden), None)
        renamed = [raw for raw, name in new.names.items() if raw in old.names and old.names[raw] != name]
        if renamed:
            before, after = _state_list(old, renamed), _state_list(new, renamed)
            yield change(ChangeKind.READS_DIFFERENTLY, "states", before, after)
    elif not same_reading(old, new):
        if use.storage is not None and use.has_same_raw:
            reading = reading_effect(old, new, use.storage)
        yield change(ChangeKind.READS_DIFFERENTLY, "conversion", old, new)
    reading = None
    if old.name != new.name and is_match:
        yield change(ChangeKind.DOCUMENTATION, "name", old.name, new.name)
    if old.decimals != new.decimals and old.name and new.name:
        yield change(ChangeKind.DOCUMENTATION, "decimals", old.decimals, new.decimals)


def _state_list(states: States, raws: list[int]) -> str:
    """Raw numbers with their names: "2 = limp"."""
    return ", ".join(f"{raw} = {states.names[raw]}" for raw in raws)
