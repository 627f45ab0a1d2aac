"""The outputs of tables at one operating point for people: image and base side by side, with the cells."""

from __future__ import annotations

import math
from collections.abc import Iterator

from callint import fmt
from callint.comparing.point_outputs import PointOutputs, TableOutput
from callint.model.definition import Conversion, Definition, Purpose, States, Storage, Table
from callint.reporting.terminal import QUIET, Terminal, arrow, heading, line, row_with_prose, width, wrapped
from callint.reporting.wording import plausibility_question, unreadable_sentences

_INDENT = "  "


def print_point(
    definition: Definition, image: str, base: str, result: PointOutputs, terminal: Terminal
) -> None:
    """Print the outputs by purpose, then what is left out.

    ``image`` and ``base`` are the names of the files; ``base`` is "" without a base.
    """
    columns = width(terminal)
    for title in heading(image, f" {_point_text(definition, base, result)}", columns):
        terminal.print(title)
    for sentence in _derived_sentences(definition, result):
        for text in wrapped(sentence, columns):
            terminal.print(line(text))
    terminal.print()
    for purpose in Purpose:
        for output in result.outputs:
            if output.table.purpose is purpose:
                _print_output(definition, output, terminal)
    for remark in _remarks(definition, base, result):
        for text in wrapped(remark, columns):
            terminal.print(line((text, QUIET)))


def _point_text(definition: Definition, base: str, result: PointOutputs) -> str:
    values = ", ".join(
        f"{name} {fmt.with_unit(fmt.plain(value), definition.signals[name].unit)}"
        for name, value in result.point.items()
    )
    return f"at {values}{f', compared with {base}' if base else ''}"


def _derived_sentences(definition: Definition, result: PointOutputs) -> Iterator[str]:
    """The signals that tables derive from the point and that other tables need."""
    for name, signal in result.derived.items():
        value = _compared(definition, signal.table, signal.new, signal.old)
        sentence = f"{signal.table.name} makes {name} {value}"
        if signal.rivals:
            rivals = ", ".join(table.name for table in signal.rivals)
            sentence += f"; callint does not follow {rivals}, which may also make it"
        yield f"{sentence}."


def _remarks(definition: Definition, base: str, result: PointOutputs) -> Iterator[str]:
    for name, value in result.point.items():
        if question := plausibility_question(definition.signals[name], value):
            yield question
    if not result.outputs and not result.unreadable and not result.missing_signals:
        yield "No table depends only on these signals and on signals that tables make from them."
    if result.missing_signals:
        listed = ", ".join(f"{name} ({count})" for name, count in sorted(result.missing_signals.items()))
        yield f"Tables that need signals missing from --at are left out: {listed}."
    if result.scalars:
        verb, them = ("is", "it") if result.scalars == 1 else ("are", "them")
        yield f"{fmt.count(result.scalars, 'scalar')} {verb} the same everywhere; name {them} to see {them}."
    yield from unreadable_sentences(result.unreadable)
    if not base:
        yield "There is no base to compare with; name one with --base."


def _print_output(definition: Definition, output: TableOutput, terminal: Terminal) -> None:
    table, columns = output.table, width(terminal)
    for title in heading(table.name, f": {table.title} ({table.purpose.value})", columns):
        terminal.print(title)
    for text in wrapped(_value_text(definition, output), columns, _INDENT):
        terminal.print(line(text))
    if table.axes:
        _print_cells(definition, output, terminal)
    terminal.print()


def _value_text(definition: Definition, output: TableOutput) -> str:
    text = _compared(definition, output.table, output.new, output.old)
    if output.held_signals:
        held_signals = " and ".join(output.held_signals)
        text += f"; outside its breakpoints of {held_signals}, so held at the end"
    return text


def _compared(definition: Definition, table: Table, new: float, old: float | None) -> str:
    """The output of a table by the image and by the base, in its own unit."""
    conversion, unit, storage = definition.conversion_of(table), definition.unit_of(table), table.storage
    if old is None:
        return _quantity(new, conversion, unit, storage)
    if _is_same(old, new):
        return f"{_quantity(new, conversion, unit, storage)}, as in the base"
    if math.isnan(old) or math.isnan(new) or isinstance(conversion, States):
        return (
            f"{_quantity(new, conversion, unit, storage)}; base {_quantity(old, conversion, unit, storage)}"
        )
    old_text, new_text, difference = fmt.format_change(old, new, conversion, storage)
    percent = fmt.percent(old, new, unit)
    change = f"({difference}{f', {percent}' if percent else ''})"
    return f"{fmt.with_unit(new_text, unit)}; base {fmt.with_unit(old_text, unit)} {change}"


def _is_same(old: float, new: float) -> bool:
    return old == new or (math.isnan(old) and math.isnan(new))


def _quantity(value: float, conversion: Conversion, unit: str, storage: Storage) -> str:
    return "off" if math.isnan(value) else fmt.quantity(value, conversion, unit, storage)


def _print_cells(definition: Definition, output: TableOutput, terminal: Terminal) -> None:
    """Print a line for each cell that counts: its weight, its value or both values, and its breakpoints."""
    conversion = definition.conversion_of(output.table)
    rows = []
    for cell in output.cells:
        values = [cell.new] if cell.old is None or _is_same(cell.old, cell.new) else [cell.old, cell.new]
        texts = [
            "off" if math.isnan(value) else fmt.number(value, conversion, output.table.storage)
            for value in values
        ]
        place = fmt.point(definition, output.table.axes, cell.at)
        rows.append((f"{100 * cell.weight:.1f} %", f" {arrow(terminal)} ".join(texts), f"at {place}"))
    widths = [max(len(row[column]) for row in rows) for column in range(2)]
    for weight, value, place in rows:
        lead = f"{2 * _INDENT}{weight.rjust(widths[0])} of {value.rjust(widths[1])}"
        for text in row_with_prose(lead, place, width(terminal)):
            terminal.print(text.styled(QUIET))
