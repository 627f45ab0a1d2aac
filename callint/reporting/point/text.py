"""What tables put out at one operating point, base and rework side by side, with the cells that count."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from callint import fmt
from callint.decoding.decode import Decoded
from callint.decoding.signal_graph import derived_signals, signals_of
from callint.decoding.surfaces import Surface, obstacle, surface
from callint.model.definition import Conversion, Definition, Purpose, States, Table
from callint.reporting.point.unread import unread_sentences
from callint.reporting.terminal import QUIET, Terminal, arrow, beside, heading, line, width, wrapped
from callint.reporting.whatif.plausible import doubt
from callint.rules.context import CheckContext

_INDENT = "  "


@dataclass(frozen=True, slots=True)
class PointCell:
    """A cell that counts: its indexes, its breakpoints by signal, its weight, its new and its old value.

    Values are NaN where the cell is off; ``old`` is None without a base, or where its breakpoints or its
    point are others.
    """

    x: int
    y: int
    at: dict[str, float]
    weight: float
    new: float
    old: float | None


@dataclass(frozen=True, slots=True)
class Output:
    """One table's output: ``new`` and ``old`` values, NaN where off.

    ``old`` is None without a base, or where the base does not make a signal on the way. ``beyond`` are the
    signals whose value lies beyond the table's breakpoints, where it is held at its ends, and ``via`` those
    that other tables make of the point.
    """

    table: Table
    new: float
    old: float | None
    cells: tuple[PointCell, ...]
    beyond: tuple[str, ...]
    via: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MadeSignal:
    """A signal that a table makes of the point: by image and base; ``old`` is None as for an output.

    ``rivals`` are tables that make it too, and were not followed.
    """

    maker: Table
    new: float
    old: float | None
    rivals: tuple[Table, ...]


@dataclass(frozen=True, slots=True)
class Outputs:
    """All outputs at a point of an image; ``base`` is the base's name, empty where there is none.

    ``made`` are the signals that tables make of the point and that others depend on. ``wanting`` counts the
    tables that depend on each signal which is neither given nor made. ``scalars`` are the same at every point
    and left out; ``obstacles`` says by table why it cannot be read.
    """

    image: str
    base: str
    point: Mapping[str, float]
    outputs: tuple[Output, ...]
    made: Mapping[str, MadeSignal]
    wanting: Mapping[str, int]
    scalars: int
    obstacles: Mapping[str, str]


def tables_at(
    case: CheckContext, image: str, base: str, point: Mapping[str, float], names: Collection[str] | None
) -> Outputs:
    """The outputs at a point of the named tables, or of all that have axes and whose signals are known.

    Known are those of the point, and those that tables make of them. ``image`` and ``base`` are names.
    """
    outputs: list[Output] = []
    wanting: Counter[str] = Counter()
    obstacles: dict[str, str] = {}
    scalars = 0
    made = _made(case, point)
    new_point = {**point, **{signal: one.new for signal, one in made.items()}}
    old_point = {**point, **{signal: one.old for signal, one in made.items() if one.old is not None}}
    for name, table in case.definition.tables.items():
        if name not in case.layout.table_items or (names is not None and name not in names):
            continue
        if not table.axes and names is None:
            scalars += 1
            continue
        signals = [case.definition.axes[axis].signal for axis in table.axes]
        missing = [signal for signal in dict.fromkeys(signals) if signal not in new_point]
        wanting.update(missing)
        if missing:
            continue
        new, words = surface(case.new, table), obstacle(case.new, table)
        if new is None or words is not None:
            obstacles[name] = words or ""
            continue
        via = tuple(signal for signal in dict.fromkeys(signals) if signal in made)
        outputs.append(_output(table, new, case.old, new_point, old_point, via))
    used = {signal for output in outputs for signal in _behind(case.definition, output.via, made)}
    made = {signal: one for signal, one in made.items() if signal in used}
    return Outputs(image, base, point, tuple(outputs), made, wanting, scalars, obstacles)


def _made(case: CheckContext, point: Mapping[str, float]) -> dict[str, MadeSignal]:
    """The signals that tables make of a point, each behind those that it is made of."""
    new, old = derived_signals(case.new, point), {} if case.old is None else derived_signals(case.old, point)
    found = {}
    for signal, one in new.items():
        before = old.get(signal)
        others = [table for table in case.definition.tables.values() if table.produces == signal]
        found[signal] = MadeSignal(
            one.producer,
            one.value,
            before.value if before is not None and before.producer is one.producer else None,
            tuple(table for table in others if table is not one.producer),
        )
    return found


def _behind(definition: Definition, signals: Iterable[str], made: Mapping[str, MadeSignal]) -> set[str]:
    """Some signals that are made, and those that they are made of."""
    found: set[str] = set()
    waiting = [signal for signal in signals if signal in made]
    while waiting:
        signal = waiting.pop()
        if signal not in found:
            found.add(signal)
            waiting += [one for one in signals_of(definition, made[signal].maker) if one in made]
    return found


def _output(
    table: Table,
    new: Surface,
    base: Decoded | None,
    point: Mapping[str, float],
    old_point: Mapping[str, float],
    via: tuple[str, ...],
) -> Output:
    old = None if base is None else surface(base, table)
    if old is not None and not all(signal in old_point for signal in old.signals):
        old = None
    # Where the base's breakpoints or its signals are others, its cells are no counterparts; its output is.
    is_aligned = old is not None and all(
        old_point[signal] == point[signal]
        and old.breakpoints[signal].shape == axis.shape
        and (old.breakpoints[signal] == axis).all()
        for signal, axis in new.breakpoints.items()
    )
    cells = []
    for y, x, weight in new.weights(point):
        indexes = dict(zip(new.signals, (x, y), strict=False))
        at = {signal: float(new.breakpoints[signal][index]) for signal, index in indexes.items()}
        cell = float(old.grid.physical[y, x]) if old is not None and is_aligned else None
        cells.append(PointCell(x, y, at, weight, float(new.grid.physical[y, x]), cell))
    where = {signal: point[signal] for signal in new.signals}
    before = None if old is None else old.at({signal: old_point[signal] for signal in old.signals}).item()
    beyond = tuple(
        signal for signal, axis in new.breakpoints.items() if not axis.min() <= point[signal] <= axis.max()
    )
    return Output(table, new.at(where).item(), before, tuple(cells), beyond, via)


def print_point(definition: Definition, found: Outputs, terminal: Terminal) -> None:
    """Print the outputs by purpose, and what was left out."""
    columns = width(terminal)
    for title in heading(found.image, f" {_point_words(definition, found)}", columns):
        terminal.print(title)
    for words in _made_words(definition, found):
        for text in wrapped(words, columns):
            terminal.print(line(text))
    terminal.print()
    for purpose in Purpose:
        for output in found.outputs:
            if output.table.purpose is purpose:
                _print_output(definition, output, terminal)
    for remark in _remarks(definition, found):
        for text in wrapped(remark, columns):
            terminal.print(line((text, QUIET)))


def _point_words(definition: Definition, found: Outputs) -> str:
    places = ", ".join(
        f"{name} {fmt.with_unit(fmt.plain(value), definition.signals[name].unit)}"
        for name, value in found.point.items()
    )
    return f"at {places}{f', beside {found.base}' if found.base else ''}"


def _made_words(definition: Definition, found: Outputs) -> Iterator[str]:
    """What tables make of the point, which others depend on."""
    for signal, one in found.made.items():
        words = f"{one.maker.name} makes that {signal} {_compared(definition, one.maker, one.new, one.old)}"
        if one.rivals:
            listed = ", ".join(table.name for table in one.rivals)
            words += f"; it may also come from {listed}, which is not reckoned with"
        yield f"{words}."


def _remarks(definition: Definition, found: Outputs) -> Iterator[str]:
    for name, value in found.point.items():
        if words := doubt(definition.signals[name], value):
            yield words
    if not found.outputs and not found.obstacles and not found.wanting:
        yield "No table depends on these signals, or on what tables make of them, alone."
    if found.wanting:
        listed = ", ".join(f"{name} ({count})" for name, count in sorted(found.wanting.items()))
        yield f"Left out are tables that depend on signals which --at does not give: {listed}."
    if found.scalars:
        verb, them = ("is", "it") if found.scalars == 1 else ("are", "them")
        yield f"{fmt.count(found.scalars, 'scalar')} {verb} the same everywhere; name {them} to see {them}."
    yield from unread_sentences(found.obstacles)
    if not found.base:
        yield "There is no base to compare with; --base names one."


def _print_output(definition: Definition, output: Output, terminal: Terminal) -> None:
    table, columns = output.table, width(terminal)
    for title in heading(table.name, f": {table.title} ({table.purpose.value})", columns):
        terminal.print(title)
    for text in wrapped(_value_words(definition, output), columns, _INDENT):
        terminal.print(line(text))
    if table.axes:
        _print_cells(definition, output, terminal)
    terminal.print()


def _value_words(definition: Definition, output: Output) -> str:
    words = _compared(definition, output.table, output.new, output.old)
    if output.beyond:
        words += f"; beyond its breakpoints of {' and '.join(output.beyond)}, held at the end"
    return words


def _compared(definition: Definition, table: Table, new: float, old: float | None) -> str:
    """What a table puts out by the image and by the base, in its own unit."""
    conversion, unit = definition.conversion_of(table), definition.unit_of(table)
    words = _quantity(new, conversion, unit)
    if old is not None and _is_same(old, new):
        words += ", as in the base"
    elif old is not None and (math.isnan(old) or math.isnan(new) or isinstance(conversion, States)):
        words += f"; base {_quantity(old, conversion, unit)}"
    elif old is not None:
        before, after, difference = fmt.format_change(old, new, conversion)
        relative = fmt.percent(old, new, unit)
        words = f"{fmt.with_unit(after, unit)}; base {fmt.with_unit(before, unit)} "
        words += f"({difference}{f', {relative}' if relative else ''})"
    return words


def _is_same(old: float, new: float) -> bool:
    return old == new or (math.isnan(old) and math.isnan(new))


def _quantity(value: float, conversion: Conversion, unit: str) -> str:
    return "off" if math.isnan(value) else fmt.quantity(value, conversion, unit)


def _print_cells(definition: Definition, output: Output, terminal: Terminal) -> None:
    """A line for each cell that counts: its weight, its value or both values, and where it stands."""
    conversion = definition.conversion_of(output.table)
    rows = []
    for cell in output.cells:
        values = [cell.new] if cell.old is None or _is_same(cell.old, cell.new) else [cell.old, cell.new]
        texts = ["off" if math.isnan(value) else fmt.number(value, conversion) for value in values]
        place = fmt.point(definition, output.table.axes, cell.at)
        rows.append((f"{100 * cell.weight:.1f} %", f" {arrow(terminal)} ".join(texts), f"at {place}"))
    widths = [max(len(row[column]) for row in rows) for column in range(2)]
    for weight, value, place in rows:
        lead = f"{2 * _INDENT}{weight.rjust(widths[0])} of {value.rjust(widths[1])}"
        for text in beside(lead, place, width(terminal)):
            terminal.print(text.styled(QUIET))
