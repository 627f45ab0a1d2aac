"""The changed tables of a review: their cells as people read them, in arrays that stay small."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.decoding.conversions import is_wide
from callint.decoding.log_residency import LogSummary
from callint.decoding.operating_range import operating_breakpoints
from callint.fmt.raw_bits import raw_bits, with_bits
from callint.model.change import ChangeSet, Flags, Grid, Numbers, TableChange
from callint.model.definition import Conversion, Definition, States
from callint.reporting.changes.wording import change_parts
from callint.reporting.log.wording import axis_use_text, change_use_text, share_text
from callint.reporting.tables.values import breakpoint_texts, exact_step, exact_text

#: Of a table whose axes cannot be read.
UNTOLD = "how far its output moved cannot be told"
#: Shares of the logged time are given with so many digits.
_SHARE_DIGITS = 5


class ReviewTables:
    """Makes the entries of the tables of one image; words for equal numbers are made once."""

    def __init__(self, changes: ChangeSet, logged: LogSummary | None) -> None:
        self._changes = changes
        self._definition = changes.definition
        self._logged = logged
        self._words: dict[str, _Words] = {}

    def entry(self, change: TableChange) -> dict[str, Any]:
        """One table, without its id; ``change`` has no changed cell where only its axes moved."""
        table, definition = change.table, self._definition
        conversion = definition.conversion_of(table)
        words = self._words.setdefault(conversion.name, _Words(conversion))
        rows, columns = change.changed.shape
        changed = np.flatnonzero(change.changed)
        cells = _Cells(change, changed, words)
        entry: dict[str, Any] = {
            "name": table.name,
            "title": table.title,
            "purpose": table.purpose.value,
            "group": group_title(definition, table.group),
            "kind": table.kind.value,
            "unit": printed_unit(definition.unit_of(table)),
            "states": True if isinstance(conversion, States) else None,
            "at": table.at,
            "type": table.storage.type.name,
            "mask": f"0x{table.storage.mask:X}" if table.storage.mask else None,
            "stride": table.storage.stride,
            "order": "y-first" if table.y_first else "x-first",
            "nx": columns,
            "ny": rows,
            "x": self._axis(table.x, change.old.x, change.new.x),
            "y": self._axis(table.y, change.old.y, change.new.y),
            "old": _in_short(cells.old),
            "old_raw": _raws(change.old, slice(None)),
            "cells": spans(change.changed),
            "new": _in_short(cells.new),
            "new_raw": _raws(change.new, changed),
            "difference": _in_short(cells.differences()),
            "percent": _in_short(cells.percents()),
            "off": spans(change.old.off),
            "off_new": spans(change.new.off),
            "changed": len(changed),
            "summary": self._summary(change, len(changed)),
            "movement": self._movement(table.name),
            "size": self._size(change, len(changed)),
            "logged": self._log(change),
            "notes": list(table.notes),
        }
        return {key: value for key, value in entry.items() if value is not None}

    def _axis(self, name: str | None, old: Numbers | None, new: Numbers | None) -> dict[str, Any] | None:
        if name is None or old is None or new is None:
            return None
        definition = self._definition
        axis = definition.axes[name]
        signal = definition.signals.get(axis.signal)
        before, after = (breakpoint_texts(definition, axis, values.tolist()) for values in (old, new))
        if before == after and not np.array_equal(old, new, equal_nan=True):
            before, after = (
                breakpoint_texts(definition, axis, values.tolist(), exact=True) for values in (old, new)
            )
        entry: dict[str, Any] = {
            "name": name,
            "signal": signal_title(definition, axis.signal),
            "unit": printed_unit(definition.unit_of(axis)),
            "old": before,
        }
        if before != after:
            entry["new"] = after
        if signal is not None and signal.operating is not None:
            inside = np.flatnonzero(operating_breakpoints(definition, name, new))
            if len(inside):
                entry["operating"] = [int(inside[0]), int(inside[-1])]
        return entry

    def _summary(self, change: TableChange, count: int) -> str:
        if not count:
            return "no cell changed, but its axes did"
        return "; ".join(change_parts(self._definition, change, "→"))

    def _movement(self, table: str) -> str | None:
        """What its axes did to it, where they changed."""
        moved = self._changes.movement_of.get(table)
        if moved is not None:
            return fmt.output_movement(self._definition, moved)
        axes = self._definition.tables[table].axes
        return UNTOLD if any(axis in self._changes.by_axis for axis in axes) else None

    def _size(self, change: TableChange, count: int) -> float:
        """The largest change relative to the old table's span, or to its only value."""
        old, moved = change.old.physical, self._changes.movement_of.get(change.table.name)
        if not count:
            return 1.0 if moved is None or moved.switched else _ratio(moved.size, moved.span)
        y, x = change.largest
        is_named = isinstance(self._definition.conversion_of(change.table), States)
        if is_named or change.old.off[y, x] != change.new.off[y, x]:
            return 1.0
        values = old[np.isfinite(old) & ~change.old.off]
        before, after = float(old[y, x]), float(change.new.physical[y, x])
        span = float(values.max()) - float(values.min()) if len(values) else 0.0
        return _ratio(abs(after - before), span or abs(before))

    def _log(self, change: TableChange) -> dict[str, Any] | None:
        if self._logged is None:
            return None
        shares = self._logged.shares(change.table.name)
        used = self._logged.share_in_use(change.table.name, change.changed)
        if shares is None or used is None:
            return None
        never = int(np.count_nonzero(change.changed & (shares == 0)))
        rounded = np.round(shares, _SHARE_DIGITS).ravel().tolist()
        fields = {"share": share_text(used), "never": never, "cells": rounded}
        words = change_use_text(change, self._logged) if change.changed.any() else self._moved_words(change)
        return {**fields, "text": words} if words else fields

    def _moved_words(self, change: TableChange) -> str | None:
        """For how much of the logged time the moved breakpoints count, of the first axis that moved."""
        axes = (self._changes.by_axis.get(axis) for axis in change.table.axes)
        moved = next((axis for axis in axes if axis is not None), None)
        return (
            None
            if moved is None or self._logged is None
            else axis_use_text(moved, change.table, self._logged)
        )


def _ratio(amount: float, scale: float) -> float:
    """How large an amount is on a scale; 1 where either says nothing."""
    ratio = amount / scale if scale else math.nan
    return float(f"{ratio:.4g}") if math.isfinite(ratio) else 1.0


# Words


class _Made(dict[float, str]):
    """Texts by number, made by a function when they are first asked for."""

    def __init__(self, make: Callable[[float], str]) -> None:
        self._make = make

    def __missing__(self, value: float) -> str:
        self[value] = text = self._make(value)
        return text


class _Words:
    """Values and differences of one conversion in words, without unit."""

    def __init__(self, conversion: Conversion) -> None:
        self.conversion = conversion
        self.values = _Made(lambda value: fmt.number(value, conversion))
        self.differences = _Made(lambda value: fmt.signed_number(value, conversion))


class _Cells:
    """Old values of all cells and new ones of the changed cells, in words that tell them apart."""

    def __init__(self, change: TableChange, changed: NDArray[np.int64], words: _Words) -> None:
        self._words = words
        self.old = _texts(change.old, slice(None), words)
        self.new = _texts(change.new, changed, words)
        self._before = change.old.physical.ravel()[changed]
        self._after = change.new.physical.ravel()[changed]
        with np.errstate(all="ignore"):
            self._steps = self._after - self._before
        off = (change.old.off | change.new.off).ravel()[changed]
        self._counts = np.isfinite(self._steps) & ~off & (not isinstance(words.conversion, States))
        self._wide = {}
        if is_wide(words.conversion, change.table.storage):
            pairs = zip(change.old.raw.ravel()[changed], change.new.raw.ravel()[changed], strict=True)
            self._wide = dict(enumerate(pairs))
        # The usual digits need not tell apart what differs.
        alike = [place for place, cell in enumerate(changed.tolist()) if self.old[cell] == self.new[place]]
        for place in alike:
            if self._counts[place]:
                pair = float(self._before[place]), float(self._after[place])
                self.old[int(changed[place])], self.new[place] = fmt.format_distinct(pair, words.conversion)
            cell = int(changed[place])
            if self.old[cell] == self.new[place] and not off[place]:
                raws = change.old.raw.flat[cell], change.new.raw.flat[cell]
                self.old[cell], self.new[place] = with_bits((self.old[cell], self.new[place]), raws)
                self._counts[place] = False

    def differences(self) -> list[str]:
        """By how much each changed cell changed; "" where that means nothing."""
        made = self._words.differences
        pairs = zip(self._steps.tolist(), self._counts.tolist(), strict=True)
        texts = [made[step] if counts else "" for step, counts in pairs]
        for place, (old, new) in self._wide.items():
            if self._counts[place] and (step := exact_step(self._words.conversion, old, new)):
                texts[place] = step[2]
        for place in np.flatnonzero(self._counts & (self._steps != 0)).tolist():
            if not float(texts[place]):  # the usual digits are not enough
                texts[place] = f"{self._steps[place]:+.3g}"
        return texts

    def percents(self) -> list[str]:
        """The same in percent, without the sign for it."""
        pairs: Iterable[tuple[float, float, bool]] = zip(
            self._before.tolist(), self._after.tolist(), self._counts.tolist(), strict=True
        )
        unit = self._words.conversion.unit
        return [
            fmt.percent(old, new, unit).removesuffix(" %") if counts else "" for old, new, counts in pairs
        ]


def _texts(grid: Grid, cells: slice | NDArray[np.int64], words: _Words) -> list[str]:
    """Cells in words: as ``grids.cell_texts`` says them, in one list."""
    texts = [words.values[value] for value in grid.physical.ravel()[cells].tolist()]
    if is_wide(words.conversion, grid.table.storage):
        exact = (exact_text(words.conversion, raw) for raw in grid.raw.ravel()[cells])
        texts = [text or usual for text, usual in zip(exact, texts, strict=True)]
    off, present = grid.off.ravel()[cells], grid.present.ravel()[cells]
    for place in np.flatnonzero(off | ~present).tolist():
        texts[place] = "off" if present[place] else "-"
    return texts


def _in_short(texts: list[str]) -> list[str] | str:
    """The texts in one with commas between, a third shorter; as they are where one has a comma in it."""
    joined = ",".join(texts)
    return joined if joined.count(",") == max(len(texts) - 1, 0) else texts


def _raws(grid: Grid, cells: slice | NDArray[np.int64]) -> list[int | float | str]:
    """Raw values, floats in as few digits as their type needs; what is no number as its bits, -0 in words."""
    raw = grid.raw.ravel()[cells]
    if raw.dtype.kind != "f":
        numbers: list[int | float | str] = raw.tolist()
        return numbers
    texts = raw.astype(str).tolist()
    finite = np.isfinite(raw).tolist()
    found = [float(text) if is_finite else text for text, is_finite in zip(texts, finite, strict=True)]
    for place in np.flatnonzero(np.isnan(raw)).tolist():
        found[place] = raw_bits(raw[place])
    for place in np.flatnonzero((raw == 0) & np.signbit(raw)).tolist():
        found[place] = "-0"
    return found


# What other parts of a review say too


def spans(flags: Flags) -> list[list[int]]:
    """The flagged cells as pairs: the first number, and how many follow each other from it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags.ravel(), [False]]).astype(np.int8)))
    first, behind = edges[::2], edges[1::2]
    pairs: list[list[int]] = np.stack([first, behind - first], axis=1).tolist()
    return pairs


def printed_unit(unit: str) -> str:
    """The unit as it is printed, "" where there is none."""
    return fmt.with_unit("", unit).strip()


def signal_title(definition: Definition, signal: str) -> str:
    """What people call a signal."""
    found = definition.signals.get(signal)
    return (found.title if found else "") or signal


def group_title(definition: Definition, group: str) -> str | None:
    """What people call a group; None for no group."""
    if not group:
        return None
    found = definition.groups.get(group)
    return (found.title if found else "") or group
