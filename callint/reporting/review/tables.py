"""The changed tables of a review as entries of its document: all cells as texts, in short arrays."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import compress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.log_use import change_use
from callint.comparing.touched_tables import relative_size
from callint.decoding.conversions import is_wide
from callint.decoding.layout import falls_in_memory
from callint.decoding.log_residency import LogSummary
from callint.decoding.operating_range import operating_breakpoints
from callint.fmt.raw_bits import raw_bits, with_bits
from callint.model.change import ChangeSet, Flags, Grid, Numbers, TableChange
from callint.model.definition import Conversion, Definition, States
from callint.reporting.changes.wording import change_parts
from callint.reporting.log.wording import axis_use_text, change_use_text, share_text
from callint.reporting.tables.values import breakpoint_texts, exact_step, exact_text, table_column

#: The movement of a table whose axes cannot be read.
UNKNOWN_MOVEMENT = "the movement of its output is unknown"
#: The number of digits of a share of the logged time.
_SHARE_DIGITS = 5


class ReviewTables:
    """Builds the entries of the tables of one image; the text of a number is made once."""

    def __init__(self, changes: ChangeSet, log: LogSummary | None) -> None:
        self._changes = changes
        self._definition = changes.definition
        self._log_summary = log
        self._texts: dict[str, _NumberTexts] = {}

    def entry(self, change: TableChange) -> dict[str, Any]:
        """The entry of a table without its id; ``change`` has no changed cell if only the axes moved."""
        table, definition = change.table, self._definition
        conversion = definition.conversion_of(table)
        if fmt.has_stored_digits(conversion, table.storage):
            texts = _NumberTexts(conversion, table_column(definition, change.old, change.new))
        else:
            texts = self._texts.setdefault(conversion.name, _NumberTexts(conversion))
        rows, columns = change.changed.shape
        changed = np.flatnonzero(change.changed)
        cells = _CellTexts(change, changed, texts)
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
            "falling": "".join(compress("xy", falls_in_memory(definition, table))) or None,
            "nx": columns,
            "ny": rows,
            "x": self._axis(table.x, change.old.x, change.new.x),
            "y": self._axis(table.y, change.old.y, change.new.y),
            "old": _joined(cells.old),
            "old_raw": _raws(change.old, slice(None)),
            "cells": spans(change.changed),
            "new": _joined(cells.new),
            "new_raw": _raws(change.new, changed),
            "difference": _joined(cells.differences()),
            "percent": _joined(cells.percents()),
            "off": spans(change.old.off),
            "off_new": spans(change.new.off),
            "changed": len(changed),
            "summary": self._summary(change, len(changed)),
            "movement": self._movement(table.name),
            "size": relative_size(definition, change, self._changes.output_shift_of.get(table.name)),
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
        old_texts, new_texts = (breakpoint_texts(definition, axis, values.tolist()) for values in (old, new))
        if old_texts == new_texts and not np.array_equal(old, new, equal_nan=True):
            old_texts, new_texts = (
                breakpoint_texts(definition, axis, values.tolist(), exact=True) for values in (old, new)
            )
        entry: dict[str, Any] = {
            "name": name,
            "signal": signal_title(definition, axis.signal),
            "unit": printed_unit(definition.unit_of(axis)),
            "old": old_texts,
        }
        if old_texts != new_texts:
            entry["new"] = new_texts
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
        """How the output of a table moved with its axes; None if they did not change."""
        shift = self._changes.output_shift_of.get(table)
        if shift is not None:
            return fmt.output_shift_clause(self._definition, shift)
        axes = self._definition.tables[table].axes
        return UNKNOWN_MOVEMENT if any(axis in self._changes.by_axis for axis in axes) else None

    def _log(self, change: TableChange) -> dict[str, Any] | None:
        if self._log_summary is None:
            return None
        shares = self._log_summary.shares(change.table.name)
        use = change_use(change, self._log_summary)
        if shares is None or use is None:
            return None
        rounded = np.round(shares, _SHARE_DIGITS).ravel().tolist()
        fields = {"share": share_text(use.in_use), "never": use.never_reached, "cells": rounded}
        text = change_use_text(change, self._log_summary) if change.changed.any() else self._axis_use(change)
        return {**fields, "text": text} if text else fields

    def _axis_use(self, change: TableChange) -> str | None:
        """The share of the logged time in which the moved breakpoints of the first moved axis count."""
        for axis in change.table.axes:
            if self._log_summary is not None and (moved := self._changes.by_axis.get(axis)) is not None:
                return axis_use_text(moved, change.table, self._log_summary)
        return None


# Texts


class _TextCache(dict[float, str]):
    """Texts by number; a function makes each text when it is first needed."""

    def __init__(self, make: Callable[[float], str]) -> None:
        self._make = make

    def __missing__(self, value: float) -> str:
        self[value] = text = self._make(value)
        return text


class _NumberTexts:
    """Values and differences of one conversion as texts without unit.

    ``column`` writes the values if the table and not the conversion says how many digits they need.
    """

    def __init__(self, conversion: Conversion, column: fmt.Column | None = None) -> None:
        self.conversion = conversion
        self.is_column = column is not None
        self.values = _TextCache(column.text if column else lambda value: fmt.number(value, conversion))
        self.differences = _TextCache(lambda value: fmt.signed_number(value, conversion))


class _CellTexts:
    """The old values of all cells and the new values of the changed cells, as distinct texts."""

    def __init__(self, change: TableChange, changed: NDArray[np.int64], texts: _NumberTexts) -> None:
        self._texts, self._storage = texts, change.table.storage
        self.old = _cell_texts(change.old, slice(None), texts)
        self.new = _cell_texts(change.new, changed, texts)
        self._old = change.old.physical.ravel()[changed]
        self._new = change.new.physical.ravel()[changed]
        with np.errstate(all="ignore"):
            self._steps = self._new - self._old
        off = (change.old.off | change.new.off).ravel()[changed]
        self._has_difference = np.isfinite(self._steps) & ~off & (not isinstance(texts.conversion, States))
        self._wide = {}
        if is_wide(texts.conversion, change.table.storage):
            pairs = zip(change.old.raw.ravel()[changed], change.new.raw.ravel()[changed], strict=True)
            self._wide = dict(enumerate(pairs))
        # Different values may have the same text with the usual digits.
        for index, cell in enumerate(changed.tolist()):
            if self.old[cell] != self.new[index]:
                continue
            if self._has_difference[index]:
                pair = float(self._old[index]), float(self._new[index])
                self.old[cell], self.new[index] = fmt.format_distinct(pair, texts.conversion, self._storage)
            if self.old[cell] == self.new[index] and not off[index]:
                raws = change.old.raw.flat[cell], change.new.raw.flat[cell]
                self.old[cell], self.new[index] = with_bits((self.old[cell], self.new[index]), raws)
                self._has_difference[index] = False

    def differences(self) -> list[str]:
        """The difference of each changed cell; "" if it has no meaning."""
        if self._texts.is_column:
            pairs = zip(self._old.tolist(), self._new.tolist(), self._has_difference.tolist(), strict=True)
            conversion, storage = self._texts.conversion, self._storage
            return [
                fmt.format_change(old, new, conversion, storage)[2] if has_difference else ""
                for old, new, has_difference in pairs
            ]
        cache = self._texts.differences
        steps = zip(self._steps.tolist(), self._has_difference.tolist(), strict=True)
        texts = [cache[step] if has_difference else "" for step, has_difference in steps]
        for index, (old, new) in self._wide.items():
            exact = exact_step(self._texts.conversion, old, new) if self._has_difference[index] else None
            if exact is not None:
                texts[index] = exact[2]
        for index in np.flatnonzero(self._has_difference & (self._steps != 0)).tolist():
            if not float(texts[index]):  # the usual digits are not enough
                texts[index] = f"{self._steps[index]:+.3g}"
        return texts

    def percents(self) -> list[str]:
        """The difference of each changed cell in percent, without the sign for percent."""
        cells: Iterable[tuple[float, float, bool]] = zip(
            self._old.tolist(), self._new.tolist(), self._has_difference.tolist(), strict=True
        )
        unit = self._texts.conversion.unit
        return [
            fmt.percent(old, new, unit).removesuffix(" %") if has_difference else ""
            for old, new, has_difference in cells
        ]


def _cell_texts(grid: Grid, cells: slice | NDArray[np.int64], number_texts: _NumberTexts) -> list[str]:
    """The texts of some cells in one list; each is the text that ``values.cell_texts`` gives."""
    texts = [number_texts.values[value] for value in grid.physical.ravel()[cells].tolist()]
    if is_wide(number_texts.conversion, grid.table.storage):
        exact = (exact_text(number_texts.conversion, raw) for raw in grid.raw.ravel()[cells])
        texts = [text or usual for text, usual in zip(exact, texts, strict=True)]
    off, present = grid.off.ravel()[cells], grid.present.ravel()[cells]
    for index in np.flatnonzero(off | ~present).tolist():
        texts[index] = "off" if present[index] else "-"
    return texts


def _joined(texts: list[str]) -> list[str] | str:
    """The texts joined with commas, which is a third shorter; the list if a text contains a comma."""
    joined = ",".join(texts)
    return joined if joined.count(",") == max(len(texts) - 1, 0) else texts


def _raws(grid: Grid, cells: slice | NDArray[np.int64]) -> list[int | float | str]:
    """Raw values: floats with the digits of their type, NaN as its bits, infinities and -0 as texts."""
    raw = grid.raw.ravel()[cells]
    if raw.dtype.kind != "f":
        numbers: list[int | float | str] = raw.tolist()
        return numbers
    texts = raw.astype(str).tolist()
    finite = np.isfinite(raw).tolist()
    values = [float(text) if is_finite else text for text, is_finite in zip(texts, finite, strict=True)]
    for index in np.flatnonzero(np.isnan(raw)).tolist():
        values[index] = raw_bits(raw[index])
    for index in np.flatnonzero((raw == 0) & np.signbit(raw)).tolist():
        values[index] = "-0"
    return values


# Helpers of all modules of a review


def spans(flags: Flags) -> list[list[int]]:
    """The flagged cells as pairs of the first index and the length of each span."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags.ravel(), [False]]).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    pairs: list[list[int]] = np.stack([starts, ends - starts], axis=1).tolist()
    return pairs


def printed_unit(unit: str) -> str:
    """The unit as it is printed; "" without a unit."""
    return fmt.with_unit("", unit).strip()


def signal_title(definition: Definition, signal: str) -> str:
    """The title of a signal, or its name."""
    known = definition.signals.get(signal)
    return (known.title if known else "") or signal


def group_title(definition: Definition, group: str) -> str | None:
    """The title of a group, or its name; None without a group."""
    if not group:
        return None
    known = definition.groups.get(group)
    return (known.title if known else "") or group
