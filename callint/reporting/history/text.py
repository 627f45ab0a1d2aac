"""Who set what in an image, as text: an overview, tables with marks, the values of a cell."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from string import ascii_uppercase

import numpy as np

from callint import fmt
from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.fmt.raw_bits import with_bits
from callint.model.change import Grid
from callint.model.definition import Definition, Purpose, StoredAxis, Table, Text
from callint.reporting.tables.grids import GridLayout, Piece, breakpoint_texts, cell_texts, marked_lines
from callint.reporting.tables.stored_numbers import exact_text
from callint.reporting.terminal import (
    CHANGED,
    Terminal,
    arrow,
    beside,
    ellipsis,
    heading,
    line,
    width,
    wrapped,
)
from callint.versioning.attribution import Attribution, Integers, Origin
from callint.versioning.history import HistoryQuery, Setting

_INDENT = "  "
#: Digits of a commit's id that are shown.
_ID = 8
_NOT_YET = "not committed yet"
#: How wide id and date are.
_WHEN = _ID + 2 + len("2000-01-01")
#: A commit's subject is cut to what is left of the line, unless that is less than this.
_LEAST_SUBJECT = 24


def print_overview(
    decoded: Decoded,
    found: Attribution,
    items: Sequence[Item | Text],
    total: int,
    image: str,
    terminal: Terminal,
) -> None:
    """One line for each item: how many of its cells were set after the first commit, and the last who did.

    ``total`` is how many items there are in all.
    """
    rows = [(item, found.of(decoded.layout, item)) for item in items]
    changed = [row for row in rows if found.later(row[1]).any()]
    same = [row for row in rows if not found.later(row[1]).any()]
    changed.sort(key=lambda row: (_newest(row[1]), _rank(row[0])))
    names = max((len(_name(item)) for item in items), default=0)
    digits = max((len(_share(found, numbers)) for _, numbers in rows), default=0)
    for item, numbers in [*changed, *same]:
        origin = found.origins[_newest(numbers)]
        lead = f"{_name(item):<{names}}  {_share(found, numbers):>{digits}}  {_when(origin)}"
        words = _fitting(_who(origin), width(terminal) - len(lead) - 2, ellipsis(terminal))
        _print_row(lead, words, terminal, len(_name(item)))
    if items:
        terminal.print()
    what = f"{len(changed):,} of {total:,} tables, axes and texts changed"
    _print_words([f"{image}: {what} since {_since(found)}.", *_limits(found)], terminal)


def _rank(item: Item | Text) -> int:
    """Protection first, general last, axes behind them."""
    purposes = list(Purpose)
    return len(purposes) if isinstance(item, StoredAxis) else purposes.index(item.purpose)


def _since(found: Attribution) -> str:
    """Since when the image has been known, where that is one commit."""
    first = {beginning.origin for beginning in found.ends}
    if len(first) != 1:
        return "its history begins"
    (origin,) = first
    day = f" of {_day(origin)}" if origin.date else ""
    return f"{origin.id[:_ID]}{day} ({_who(origin)})" if origin.id else "the last commit"


def _newest(numbers: Integers) -> int:
    """The newest origin of an item's cells."""
    return int(np.min(numbers))


def _share(found: Attribution, numbers: Integers) -> str:
    return f"{int(np.count_nonzero(found.later(numbers)))}/{numbers.size}"


def print_items(
    decoded: Decoded, found: Attribution, items: Sequence[Item | Text], terminal: Terminal
) -> None:
    """Each item with its present values, a mark behind each, and which commit each mark stands for."""
    for item in items:
        numbers = found.of(decoded.layout, item)
        if isinstance(item, Text) or (isinstance(item, Table) and not item.axes):
            origin = found.origins[int(numbers[0, 0])]
            lead = f"{item.name}  {_single(decoded, item)}  {_when(origin)}"
            _print_row(lead, _who(origin), terminal, len(item.name))
        elif isinstance(item, Table):
            _print_table(decoded, found, item, numbers, terminal)
        else:
            _print_axis(decoded, found, item, numbers, terminal)
        terminal.print()
    _print_words(list(_limits(found)), terminal)


def _single(decoded: Decoded, item: Table | Text) -> str:
    """The value of a scalar with its unit, or a text."""
    if isinstance(item, Text):
        return f'"{decoded.text(item) or ""}"'
    definition = decoded.layout.definition
    grid = decoded.grid(item)
    text = cell_texts(definition, grid)[0][0]
    return fmt.with_unit(text, definition.unit_of(item)) if _has_unit(grid, 0, 0) else text


def _has_unit(grid: Grid, x: int, y: int) -> bool:
    return bool(grid.present[y, x]) and not grid.off[y, x]


def _print_table(
    decoded: Decoded, found: Attribution, table: Table, numbers: Integers, terminal: Terminal
) -> None:
    for text in heading(table.name, f": {table.title} ({table.purpose.value})", width(terminal)):
        terminal.print(text)
    marks = _marks(found, numbers, terminal)
    layout = GridLayout(width(terminal) - len(_INDENT), arrow(terminal), ellipsis(terminal))
    pieces = [[marks[number] for number in row] for row in numbers.tolist()]
    definition = decoded.layout.definition
    for cells in marked_lines(definition, decoded.grid(table), pieces, layout):
        terminal.print(line(_INDENT, *cells) if cells else "")
    _print_legend(found, numbers, marks, "cell", terminal)


def _print_axis(
    decoded: Decoded, found: Attribution, axis: StoredAxis, numbers: Integers, terminal: Terminal
) -> None:
    definition = decoded.layout.definition
    unit = fmt.with_unit("", definition.unit_of(axis)).strip()
    for text in heading(axis.name, f": axis of {axis.signal}{f', {unit}' if unit else ''}", width(terminal)):
        terminal.print(text)
    marks = _marks(found, numbers, terminal)
    values = breakpoint_texts(definition, axis, decoded.breakpoints(axis.name).tolist())
    # The mark must not be torn from its value, so a value and its mark are one word until they are printed.
    tied = (
        f"{value}\u00a0{marks[number][0]}" for value, number in zip(values, numbers[0].tolist(), strict=True)
    )
    for words in wrapped("  ".join(tied), width(terminal), _INDENT):
        terminal.print(line(words.replace("\u00a0", " ")))
    _print_legend(found, numbers, marks, "breakpoint", terminal)


def _marks(found: Attribution, numbers: Integers, terminal: Terminal) -> dict[int, Piece]:
    """A mark and its style for each origin, all of one length: letters, newest first; a dot for the first."""
    dot = "·" if arrow(terminal) == "→" else "."
    used = np.unique(numbers).tolist()
    letters = _letters()
    marks = {n: dot if found.origins[n].is_first else next(letters) for n in used}
    room = max(map(len, marks.values()))
    return {n: (f"{mark:>{room}}", "" if mark == dot else CHANGED) for n, mark in marks.items()}


def _letters() -> Iterator[str]:
    """A to Z, then AA, AB and so on."""
    yield from ascii_uppercase
    for first in _letters():
        for second in ascii_uppercase:
            yield first + second


def _print_legend(
    found: Attribution, numbers: Integers, marks: dict[int, Piece], noun: str, terminal: Terminal
) -> None:
    used, amounts = np.unique(numbers, return_counts=True)
    counts = [fmt.count(amount, noun) for amount in amounts.tolist()]
    room = max(map(len, counts))
    for number, amount in zip(used.tolist(), counts, strict=True):
        origin = found.origins[number]
        lead = f"{_INDENT}{marks[number][0]}  {_when(origin)}  {amount:>{room}}"
        _print_row(lead, _who(origin), terminal)


def print_values(
    decoded: Decoded, asked: HistoryQuery, settings: Sequence[Setting], terminal: Terminal
) -> None:
    """Every value of a cell or text, newest first."""
    item = asked.item
    definition = decoded.layout.definition
    now = _place(definition, decoded.grid(item), asked) if isinstance(item, Table) else ""
    title = f"{f' {now}' if now else ''}: {item.title} ({item.purpose.value})"
    for text in heading(item.name, title, width(terminal)):
        terminal.print(text)
    values = value_texts(definition, asked, settings)
    room = max(map(len, values), default=0)
    for setting, value in zip(settings, values, strict=True):
        then = "" if setting.grid is None else _place(definition, setting.grid, asked)
        moved = f" ({then} then)" if then != now else ""
        lead = f"{_INDENT}{value:>{room}}  {_when(setting.origin)}"
        _print_row(lead, f"{_who(setting.origin)}{moved}", terminal)


def value_texts(definition: Definition, asked: HistoryQuery, settings: Sequence[Setting]) -> list[str]:
    """The values with their unit, with so many digits that those that differ look different."""
    item = asked.item
    if isinstance(item, Text):
        return [f'"{setting.text}"' for setting in settings]
    grids = [setting.grid for setting in settings if setting.grid is not None]
    numbers = tuple(float(grid.physical[asked.y, asked.x]) for grid in grids)
    conversion, raws = definition.conversion_of(item), [grid.raw[asked.y, asked.x] for grid in grids]
    texts = fmt.format_distinct(numbers, conversion)
    texts = [exact_text(conversion, raw) or text for raw, text in zip(raws, texts, strict=True)]
    if len(set(texts)) < len({raw.tobytes() for raw in raws}):
        texts = with_bits(texts, raws)
    return [
        fmt.with_unit(text, definition.unit_of(item))
        if _has_unit(grid, asked.x, asked.y)
        else cell_texts(definition, grid)[asked.y][asked.x]
        for text, grid in zip(texts, grids, strict=True)
    ]


def _place(definition: Definition, grid: Grid, asked: HistoryQuery) -> str:
    """The breakpoints of a cell in words: "at 2200 rpm, 45 mg"; "" for a scalar."""
    words = []
    for name, values, index in ((grid.table.x, grid.x, asked.x), (grid.table.y, grid.y, asked.y)):
        if name is not None and values is not None:
            axis = definition.axes[name]
            text = breakpoint_texts(definition, axis, [float(values[index])])[0]
            words.append(fmt.with_unit(text, definition.unit_of(axis)))
    return f"at {', '.join(words)}" if words else ""


def _print_row(lead: str, words: str, terminal: Terminal, bold: int = 0) -> None:
    """Columns and what follows them; the first ``bold`` characters are bold."""
    if not words:
        lead = lead.rstrip()
    for text in beside(lead, words, width(terminal), bold):
        terminal.print(text.stripped())


# Words about commits


def _name(item: Item | Text) -> str:
    return f"axis {item.name}" if isinstance(item, StoredAxis) else item.name


def _when(origin: Origin) -> str:
    """The id and date of a commit, always of one width."""
    if not origin.id:
        return f"{_NOT_YET:<{_WHEN}}"
    return f"{origin.id[:_ID]}  {_day(origin):<10}"


def _day(origin: Origin) -> str:
    """The day of a commit where its author was."""
    return origin.date.date().isoformat() if origin.date else "no date"


def _who(origin: Origin) -> str:
    return f"{origin.author or 'nobody'}: {origin.subject or 'no message'}" if origin.id else ""


def _fitting(words: str, room: int, cut: str) -> str:
    """Words cut to a line, where there is room for them at all."""
    words = fmt.clean(words)
    return words if len(words) <= room or room < _LEAST_SUBJECT else words[: room - len(cut)] + cut


def _limits(found: Attribution) -> Iterator[str]:
    """Sentences about earlier names, and about why nothing older is known."""
    for rename in found.renames:
        yield f"Before {_short(rename.origin)} the image was {rename.path}."
    for beginning in found.ends:
        if beginning.text:
            yield f"Before {_short(beginning.origin)} {beginning.text}."


def _short(origin: Origin) -> str:
    return origin.id[:_ID] if origin.id else "the working tree"


def _print_words(sentences: Sequence[str], terminal: Terminal) -> None:
    for sentence in sentences:
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line(text))
