"""The texts of the page about single settings, composed of values and the words of a language."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.model.change import AxisChange, TableChange
from callint.model.definition import Definition, States, Table
from callint.model.translation import Titled
from callint.reporting.explanation.language import Language
from callint.versioning.explanation import ExplainedTable, Explanation

_DECIMAL_POINT = re.compile(r"(?<=\d)\.(?=\d)")
#: A title up to here says what a signal is; what follows explains its values.
_EXPLAINED = re.compile(r"\s*[,:;(]")


class Titles:
    """The titles of a definition in a language; ``missing`` collects the names of elements without one."""

    def __init__(self, definition: Definition, tag: str) -> None:
        self._definition = definition
        wanted = tag.lower()
        fitting = [item for item in definition.translations if _matches(item.language.lower(), wanted)]
        # The very language outweighs its regional forms.
        fitting.sort(key=lambda item: item.language.lower() != wanted, reverse=True)
        self._titles = {(item.kind, item.name): item.title for item in fitting}
        self._is_own = (
            not self._titles
        )  # then the definition's own titles are in the language, as far as known
        self.missing: dict[str, None] = {}

    def definition(self) -> str:
        return self._title(Titled.DEFINITION, "", self._definition.title) or self._definition.name

    def table(self, name: str, title: str) -> str:
        return self._title(Titled.TABLE, name, title) or name

    def signal(self, name: str) -> str:
        """The title of a signal without what explains its values."""
        signal = self._definition.signals.get(name)
        title = self._title(Titled.SIGNAL, name, "" if signal is None else signal.title)
        return _EXPLAINED.split(title, maxsplit=1)[0] or name

    def _title(self, kind: Titled, name: str, own: str) -> str:
        title = self._titles.get((kind, name))
        if title is None and not self._is_own and own:
            self.missing[name or self._definition.name] = None
        return own if title is None else title


def _matches(language: str, wanted: str) -> bool:
    return language == wanted or language.startswith(f"{wanted}-") or wanted.startswith(f"{language}-")


def localized(text: str, language: Language) -> str:
    """A text with the decimal mark of the language in its numbers."""
    return text if language.decimal_mark == "." else _DECIMAL_POINT.sub(language.decimal_mark, text)


def change_texts(
    explanation: Explanation, item: ExplainedTable, titles: Titles, language: Language
) -> Iterator[str]:
    """What changed in a setting: its direction, and the largest change with its place."""
    definition = explanation.changes.definition
    if item.change.changed.any():
        yield _cells_text(definition, item, language)
        return
    for axis in item.moved:
        yield _moved_text(definition, axis, titles, language)
    shift = item.shift
    if shift is None:
        yield language.unknown_effect()
    else:
        text = _values(definition, item.table, shift.old, shift.new)
        place = fmt.point(definition, item.table.axes, shift.at)
        parts = [language.directions[item.direction], language.largest(f"{text} {language.at(place)}")]
        yield localized(", ".join(filter(None, parts)), language)


def _moved_text(definition: Definition, change: AxisChange, titles: Titles, language: Language) -> str:
    """The breakpoint of an axis that moved most."""
    with np.errstate(over="ignore", invalid="ignore"):
        steps = np.where(change.changed, np.nan_to_num(np.abs(change.new - change.old), nan=np.inf), -1.0)
    number = int(np.argmax(steps))
    values = float(change.old[number]), float(change.new[number])
    old, new = fmt.format_breakpoints(definition, change.axis, values)
    text = f"{fmt.trimmed(old)} → {fmt.with_unit(fmt.trimmed(new), definition.unit_of(change.axis))}"
    return localized(language.moved_scale(titles.signal(change.axis.signal), text), language)


def _cells_text(definition: Definition, item: ExplainedTable, language: Language) -> str:
    change, direction = item.change, language.directions[item.direction]
    y, x = change.largest
    text = _cell_text(definition, change, y, x, language)
    place = _place(definition, change, y, x)
    if place:
        text = f"{text} {language.at(place)}"
    if change.count > 1:
        text = language.largest(text)
    return localized(f"{direction}, {text}" if direction and change.table.axes else text, language)


def _values(definition: Definition, table: Table, old: float, new: float) -> str:
    conversion = definition.conversion_of(table)
    return f"{fmt.significant(old)} → {fmt.with_unit(fmt.significant(new), conversion.unit)}"


def _cell_text(definition: Definition, change: TableChange, y: int, x: int, language: Language) -> str:
    """One cell: "58.19 → 60.76 mg/stroke (+4.4 %)"."""
    conversion = definition.conversion_of(change.table)
    old, new = float(change.old.physical[y, x]), float(change.new.physical[y, x])
    was_off, is_off = bool(change.old.off[y, x]), bool(change.new.off[y, x])
    first, second = fmt.format_distinct((old, new), conversion, change.table.storage)
    second = second if math.isnan(new) else fmt.with_unit(second, conversion.unit)
    text = f"{language.off if was_off else first} → {language.off if is_off else second}"
    has_share = not (was_off or is_off or isinstance(conversion, States)) and math.isfinite(new - old)
    has_share = has_share and conversion.unit != "%"  # a share of a share confuses
    share = fmt.percent(old, new, conversion.unit) if has_share else ""
    return f"{text} ({share})" if share else text


def _place(definition: Definition, change: TableChange, y: int, x: int) -> str:
    """The breakpoints of a cell, those of the column first."""
    grid = change.new
    values = [
        fmt.axis_value(definition, definition.axes[name], float(breakpoints[number]))
        for name, breakpoints, number in ((grid.table.x, grid.x, x), (grid.table.y, grid.y, y))
        if name is not None and breakpoints is not None
    ]
    return ", ".join(values)


def range_lines(
    explanation: Explanation, item: ExplainedTable, titles: Titles, language: Language
) -> Iterator[str]:
    """Where a setting changed: a line for each axis, and one if that is outside of normal operation."""
    definition = explanation.changes.definition
    if item.extents and bool(item.change.changed.all()):
        yield language.everywhere
    else:
        for extent in item.extents:
            axis = definition.axes[extent.axis]
            low, high = (fmt.axis_value(definition, axis, value) for value in (extent.low, extent.high))
            unit = fmt.unit_word(definition.unit_of(axis))
            if low != high:
                low = low.removesuffix(unit).rstrip() if unit else low
                high = language.span(low, high)
            yield localized(f"{titles.signal(axis.signal)} {high}", language)
    if not item.is_operating:
        yield language.outside_operation


_CUT = " …"
_SENTENCE_END = re.compile(r"(?<=[.!?])\s")


def shortened(message: str, most: int) -> str:
    """A message in one line of at most ``most`` characters; one that is cut ends in an ellipsis."""
    text = " ".join(message.split())
    if len(text) <= most:
        return text
    kept = ""
    for sentence in _SENTENCE_END.split(text):
        if len(kept) + len(sentence) + len(_CUT) > most - 1:
            break
        kept = f"{kept} {sentence}".strip()
    most -= len(_CUT)
    return (kept or text[:most].rpartition(" ")[0] or text[:most]) + _CUT
