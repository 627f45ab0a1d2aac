"""What tables put out at one operating point, base and rework side by side, with the cells that count."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from rich.console import Console

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import Surface, surface
from callint.model import shown
from callint.model.definition import Definition, Purpose, States, Table
from callint.reporting.terminal import QUIET, arrow, heading, line, width, wrapped
from callint.rules.case import Case

_INDENT = "  "


@dataclass(frozen=True, slots=True)
class Output:
    """One table's output: ``new`` and ``old`` values, NaN where off; ``old`` is None without a base.

    ``cells`` are those that count: their breakpoints by signal, their weight, their new and old values.
    """

    table: Table
    new: float
    old: float | None
    cells: tuple[tuple[dict[str, float], float, float, float | None], ...]


@dataclass(frozen=True, slots=True)
class Outputs:
    """All outputs at a point; ``wanting`` counts the tables that depend on each signal which is not given.

    ``scalars`` are the same at every point and left out; ``unread`` are tables whose axes cannot be read.
    """

    outputs: tuple[Output, ...]
    wanting: Mapping[str, int]
    scalars: int
    unread: tuple[str, ...]


def tables_at(case: Case, point: Mapping[str, float], names: Collection[str] | None) -> Outputs:
    """The outputs at a point of the named tables, or of all that have axes and whose signals are given."""
    outputs: list[Output] = []
    wanting: Counter[str] = Counter()
    unread: list[str] = []
    scalars = 0
    for name in case.plan.table_items:
        table = case.definition.tables[name]
        if names is not None and name not in names:
            continue
        if not table.axes and names is None:
            scalars += 1
            continue
        signals = [case.definition.axes[axis].signal for axis in table.axes]
        missing = [signal for signal in dict.fromkeys(signals) if signal not in point]
        wanting.update(missing)
        if missing:
            continue
        new = surface(case.new, table)
        if new is None:
            unread.append(name)
            continue
        outputs.append(_output(table, new, case.old, point))
    return Outputs(tuple(outputs), wanting, scalars, tuple(unread))


def _output(table: Table, new: Surface, base: Decoded | None, point: Mapping[str, float]) -> Output:
    old = None if base is None else surface(base, table)
    # Where the base's breakpoints are others, its cells are no counterparts of these; its output is.
    is_aligned = old is not None and all(
        (old.breakpoints[signal] == axis).all() for signal, axis in new.breakpoints.items()
    )
    cells = []
    for y, x, weight in new.weights(point):
        indexes = dict(zip(new.signals, (x, y), strict=False))
        at = {signal: float(new.breakpoints[signal][index]) for signal, index in indexes.items()}
        before = float(old.grid.physical[y, x]) if old is not None and is_aligned else None
        cells.append((at, weight, float(new.grid.physical[y, x]), before))
    where = {signal: point[signal] for signal in new.signals}
    return Output(table, new.at(where).item(), None if old is None else old.at(where).item(), tuple(cells))


def print_point(definition: Definition, found: Outputs, terminal: Console) -> None:
    """Print the outputs by purpose, and what was left out."""
    columns = width(terminal)
    for purpose in Purpose:
        for output in found.outputs:
            if output.table.purpose is purpose:
                _print_output(definition, output, terminal)
    remarks = []
    if found.wanting:
        listed = ", ".join(f"{name} ({count})" for name, count in sorted(found.wanting.items()))
        remarks.append(f"Left out are tables that depend on signals which --at does not give: {listed}.")
    if found.scalars:
        remarks.append(
            f"{shown.count(found.scalars, 'scalar')} are the same everywhere; name them to see them."
        )
    if found.unread:
        remarks.append(f"Their axes cannot be read: {', '.join(found.unread)}.")
    for remark in remarks:
        for text in wrapped(remark, columns):
            terminal.print(line((text, QUIET)))


def _print_output(definition: Definition, output: Output, terminal: Console) -> None:
    table, columns = output.table, width(terminal)
    for title in heading(table.name, f": {table.title} ({table.purpose.value})", columns):
        terminal.print(title)
    for text in wrapped(_value_words(definition, output), columns, _INDENT):
        terminal.print(line(text))
    if table.axes:
        for text in wrapped(_cell_words(definition, output, arrow(terminal)), columns, _INDENT):
            terminal.print(line((text, QUIET)))
    terminal.print()


def _value_words(definition: Definition, output: Output) -> str:
    conversion, unit = definition.conversion_of(output.table), definition.unit_of(output.table)
    values = [output.new] if output.old is None else [output.new, output.old]
    texts = ["off" if math.isnan(value) else shown.number(value, conversion) for value in values]
    words = texts[0] if texts[0] == "off" else shown.with_unit(texts[0], unit)
    if output.old is None:
        return words
    if output.old == output.new or (math.isnan(output.old) and math.isnan(output.new)):
        return f"{words}, as in the base"
    words += f"; base {texts[1] if texts[1] == 'off' else shown.with_unit(texts[1], unit)}"
    if "off" in texts or isinstance(conversion, States):
        return words
    relative = shown.percent(output.old, output.new)
    difference = shown.signed_number(output.new - output.old, conversion)
    return f"{words} ({difference}{f', {relative}' if relative else ''})"


def _cell_words(definition: Definition, output: Output, sign: str) -> str:
    table = output.table
    conversion = definition.conversion_of(table)
    axes = {definition.axes[name].signal: definition.axes[name] for name in table.axes}
    words = []
    for at, weight, new, old in output.cells:
        texts = [
            "off" if math.isnan(value) else shown.number(value, conversion)
            for value in (new if old is None else old, new)
        ]
        values = f"{texts[0]} {sign} {texts[1]}" if old is not None and old != new else texts[1]
        place = ", ".join(shown.axis_value(definition, axes[signal], value) for signal, value in at.items())
        words.append(f"{values} at {place} ({100 * weight:.3g} %)")
    return "from " + "; ".join(words)
