"""The commits that set the cells of an image, for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count

import numpy as np

from callint import fmt
from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.fmt.raw_bits import with_bits
from callint.model.change import Grid
from callint.model.definition import Definition, Purpose, StoredAxis, Table, Text
from callint.reporting.tables.grids import GridLayout, StyledText, marked_lines, with_marks
from callint.reporting.tables.values import breakpoint_texts, cell_place, cell_texts, exact_text
from callint.reporting.terminal import (
    CHANGED,
    Terminal,
    arrow,
    ellipsis,
    heading,
    line,
    row_with_prose,
    width,
    wrapped,
)
from callint.versioning.attribution import Attribution, Integers, Origin, ValueTrail
from callint.versioning.history import HistoryQuery, Setting

_INDENT = "  "
#: The number of printed digits of a commit's id.
_ID_LENGTH = 8
_UNCOMMITTED = "not committed yet"
#: The width of id and date.
_COMMIT_WIDTH = _ID_LENGTH + 2 + len("2000-01-01")
#: A commit's subject is cut to the rest of the line, unless the rest is shorter than this.
_LEAST_SUBJECT = 24


def print_overview(
    decoded: Decoded,
    attribution: Attribution,
    items: Sequence[Item | Text],
    total: int,
    image: str,
    terminal: Terminal,
) -> None:
    """Print a line for each item: the number of cells set after the first commit, and the newest commit.

    ``total`` is the number of all items.
    """
    rows = [(item, attribution.of(decoded.layout, item)) for item in items]
    changed = [row for row in rows if attribution.later(row[1]).any()]
    same = [row for row in rows if not attribution.later(row[1]).any()]
    changed.sort(key=lambda row: (_newest(row[1]), _rank(row[0])))
    names = max((len(_name(item)) for item in items), default=0)
    digits = max((len(_share(attribution, numbers)) for _, numbers in rows), default=0)
    for item, numbers in [*changed, *same]:
        origin = attribution.origins[_newest(numbers)]
        lead = f"{_name(item):<{names}}  {_share(attribution, numbers):>{digits}}  {_id_and_day(origin)}"
        commit = _fitting(_author_and_subject(origin), width(terminal) - len(lead) - 2, ellipsis(terminal))
        _print_row(lead, commit, terminal, len(_name(item)))
    if items:
        terminal.print()
    counts = f"{len(changed):,} of {total:,} tables, axes and texts changed"
    _print_sentences([f"{image}: {counts} since {_since(attribution)}.", *_limits(attribution)], terminal)


def _rank(item: Item | Text) -> int:
    """Protection first, general last, axes behind them."""
    purposes = list(Purpose)
    return len(purposes) if isinstance(item, StoredAxis) else purposes.index(item.purpose)


def _since(attribution: Attribution) -> str:
    """The commit with which the history of the image begins, if it is one commit."""
    origins = {end.origin for end in attribution.ends}
    if len(origins) != 1:
        return "its history begins"
    (origin,) = origins
    day = f" of {_day(origin)}" if origin.date else ""
    return (
        f"{origin.id[:_ID_LENGTH]}{day} ({_author_and_subject(origin)})" if origin.id else "the last commit"
    )


def _newest(numbers: Integers) -> int:
    """The newest origin of an item's cells."""
    return int(np.min(numbers))


def _share(attribution: Attribution, numbers: Integers) -> str:
    return f"{int(np.count_nonzero(attribution.later(numbers)))}/{numbers.size}"


def print_items(
    decoded: Decoded, attribution: Attribution, items: Sequence[Item | Text], terminal: Terminal
) -> None:
    """Print each item with its values, a mark behind each value, and the commit of each mark."""
    for item in items:
        numbers = attribution.of(decoded.layout, item)
        if isinstance(item, Text) or (isinstance(item, Table) and not item.axes):
            origin = attribution.origins[int(numbers[0, 0])]
            lead = f"{item.name}  {_single(decoded, item)}  {_id_and_day(origin)}"
            _print_row(lead, _author_and_subject(origin), terminal, len(item.name))
        elif isinstance(item, Table):
            _print_table(decoded, attribution, item, numbers, terminal)
        else:
            _print_axis(decoded, attribution, item, numbers, terminal)
        terminal.print()
    _print_sentences(list(_limits(attribution)), terminal)


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
    decoded: Decoded, attribution: Attribution, table: Table, numbers: Integers, terminal: Terminal
) -> None:
    for text in heading(table.name, f": {table.title} ({table.purpose.value})", width(terminal)):
        terminal.print(text)
    marks = _marks(attribution, numbers, terminal)
    layout = GridLayout(width(terminal) - len(_INDENT), arrow(terminal), ellipsis(terminal))
    cell_marks = [[marks[number] for number in row] for row in numbers.tolist()]
    definition = decoded.layout.definition
    grid = decoded.grid(table)
    values: list[list[StyledText]] = [[(text, "") for text in row] for row in cell_texts(definition, grid)]
    for cells in marked_lines(definition, grid, with_marks(values, cell_marks), layout):
        terminal.print(line(_INDENT, *cells) if cells else "")
    _print_legend(attribution, numbers, marks, "cell", terminal)


def _print_axis(
    decoded: Decoded, attribution: Attribution, axis: StoredAxis, numbers: Integers, terminal: Terminal
) -> None:
    definition = decoded.layout.definition
    unit = fmt.with_unit("", definition.unit_of(axis)).strip()
    for title in heading(axis.name, f": axis of {axis.signal}{f', {unit}' if unit else ''}", width(terminal)):
        terminal.print(title)
    marks = _marks(attribution, numbers, terminal)
    values = breakpoint_texts(definition, axis, decoded.breakpoints(axis.name).tolist())
    # A line must not break between a value and its mark, so they are one word until they are printed.
    tied = (
        f"{value}\u00a0{marks[number][0]}" for value, number in zip(values, numbers[0].tolist(), strict=True)
    )
    for text in wrapped("  ".join(tied), width(terminal), _INDENT):
        terminal.print(line(text.replace("\u00a0", " ")))
    _print_legend(attribution, numbers, marks, "breakpoint", terminal)


def _marks(attribution: Attribution, numbers: Integers, terminal: Terminal) -> dict[int, StyledText]:
    """A mark and its style for each origin, all of one length: letters, newest first; a dot for the first."""
    dot = "·" if arrow(terminal) == "→" else "."
    used = np.unique(numbers).tolist()
    letters = map(fmt.letter, count())
    marks = {n: dot if attribution.origins[n].is_first else next(letters) for n in used}
    room = max(map(len, marks.values()))
    return {n: (f"{mark:>{room}}", "" if mark == dot else CHANGED) for n, mark in marks.items()}


def _print_legend(
    attribution: Attribution, numbers: Integers, marks: dict[int, StyledText], noun: str, terminal: Terminal
) -> None:
    used, amounts = np.unique(numbers, return_counts=True)
    counts = [fmt.count(amount, noun) for amount in amounts.tolist()]
    room = max(map(len, counts))
    for number, amount in zip(used.tolist(), counts, strict=True):
        origin = attribution.origins[number]
        lead = f"{_INDENT}{marks[number][0]}  {_id_and_day(origin)}  {amount:>{room}}"
        _print_row(lead, _author_and_subject(origin), terminal)


def print_values(
    decoded: Decoded, query: HistoryQuery, settings: Sequence[Setting], terminal: Terminal
) -> None:
    """Print every value of a cell or a text, the newest first."""
    item = query.item
    definition = decoded.layout.definition
    new_place = (
        cell_place(definition, decoded.grid(item), query.y, query.x) if isinstance(item, Table) else ""
    )
    title = f"{f' {new_place}' if new_place else ''}: {item.title} ({item.purpose.value})"
    for text in heading(item.name, title, width(terminal)):
        terminal.print(text)
    values = value_texts(definition, query, settings)
    room = max(map(len, values), default=0)
    for setting, value in zip(settings, values, strict=True):
        grid = setting.grid
        old_place = "" if grid is None else cell_place(definition, grid, query.y, query.x)
        moved = f" ({old_place} then)" if old_place != new_place else ""
        lead = f"{_INDENT}{value:>{room}}  {_id_and_day(setting.origin)}"
        _print_row(lead, f"{_author_and_subject(setting.origin)}{moved}", terminal)


def print_trail(trail: ValueTrail, terminal: Terminal) -> None:
    """Print the images that had the present value before."""
    terminal.print()
    if trail.base:
        _print_sentences(
            [f"The base {trail.base} has the present value too, so no image need be its source."], terminal
        )
        return
    if not trail.steps:
        _print_sentences(["No other image had the present value before."], terminal)
        return
    _print_sentences(
        ["The same value was in another image before; each line may come from the next one:"], terminal
    )
    room = max(len(step.path) for step in trail.steps)
    for step in trail.steps:
        together = "in the same commit; " if step.is_together else ""
        others = f" (and {fmt.count(step.others, 'more image')} then)" if step.others else ""
        lead = f"{_INDENT}{step.path:<{room}}  {_id_and_day(step.origin)}"
        _print_row(lead, f"{together}{_author_and_subject(step.origin)}{others}", terminal)
    _print_sentences(["Equal values are evidence of a copy, not proof."], terminal)


def value_texts(definition: Definition, query: HistoryQuery, settings: Sequence[Setting]) -> list[str]:
    """The values with their unit, with as many digits as distinguish them."""
    item = query.item
    if isinstance(item, Text):
        return [f'"{setting.text}"' for setting in settings]
    grids = [setting.grid for setting in settings if setting.grid is not None]
    numbers = tuple(float(grid.physical[query.y, query.x]) for grid in grids)
    conversion, raws = definition.conversion_of(item), [grid.raw[query.y, query.x] for grid in grids]
    texts = fmt.format_distinct(numbers, conversion, item.storage)
    texts = [exact_text(conversion, raw) or text for raw, text in zip(raws, texts, strict=True)]
    if len(set(texts)) < len({raw.tobytes() for raw in raws}):
        texts = with_bits(texts, raws)
    return [
        fmt.with_unit(text, definition.unit_of(item))
        if _has_unit(grid, query.x, query.y)
        else cell_texts(definition, grid)[query.y][query.x]
        for text, grid in zip(texts, grids, strict=True)
    ]


def _print_row(lead: str, prose: str, terminal: Terminal, bold: int = 0) -> None:
    """Print columns and prose behind them; the first ``bold`` characters are bold."""
    if not prose:
        lead = lead.rstrip()
    for text in row_with_prose(lead, prose, width(terminal), bold):
        terminal.print(text.stripped())


# Commits


def _name(item: Item | Text) -> str:
    return f"axis {item.name}" if isinstance(item, StoredAxis) else item.name


def _id_and_day(origin: Origin) -> str:
    """The id and the day of a commit, always of one width."""
    if not origin.id:
        return f"{_UNCOMMITTED:<{_COMMIT_WIDTH}}"
    return f"{origin.id[:_ID_LENGTH]}  {_day(origin):<10}"


def _day(origin: Origin) -> str:
    """The day of a commit in the time zone of its author."""
    return origin.date.date().isoformat() if origin.date else "no date"


def _author_and_subject(origin: Origin) -> str:
    return f"{origin.author or 'nobody'}: {origin.subject or 'no message'}" if origin.id else ""


def _fitting(text: str, room: int, cut: str) -> str:
    """A text cut to the rest of a line, unless the rest is too short for it."""
    text = fmt.clean(text)
    return text if len(text) <= room or room < _LEAST_SUBJECT else text[: room - len(cut)] + cut


def _limits(attribution: Attribution) -> Iterator[str]:
    """Sentences about earlier names, and about the reason why the history ends."""
    for rename in attribution.renames:
        yield f"Before {_short(rename.origin)} the image was {rename.path}."
    for end in attribution.ends:
        if end.text:
            yield f"Before {_short(end.origin)} {end.text}."


def _short(origin: Origin) -> str:
    return origin.id[:_ID_LENGTH] if origin.id else "the working tree"


def _print_sentences(sentences: Sequence[str], terminal: Terminal) -> None:
    for sentence in sentences:
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line(text))
