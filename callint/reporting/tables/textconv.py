"""An image as lines that git can compare, blame and search: a line for each row of cells.

Every line names its table and its breakpoints, so that it is understood alone and is stable when other
tables change. Bytes that no table explains appear as checksums of blocks.
"""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.comparing.unexplained_blocks import unexplained_blocks
from callint.decoding import checksums
from callint.decoding.decode import Decoded
from callint.model.definition import StoredAxis, Table, Text
from callint.reporting.tables.values import breakpoint_texts, cell_texts, signal_and_unit


def plain_lines(decoded: Decoded) -> Iterator[str]:
    """The whole image, in the order of the definition."""
    definition, layout = decoded.layout.definition, decoded.layout
    for identity in definition.memory.identities:
        content = decoded.image.read(identity.at, len(identity.content))
        yield f"identity {identity.name}: {'absent' if content is None else content.decode('latin-1')}"
    for axis in definition.stored_axes:
        if axis.name in layout.axis_items:
            yield _axis_line(decoded, axis)
    items: list[Table | Text] = [*definition.texts.values()]
    items += [definition.tables[name] for name in layout.table_items]
    for item in sorted(items, key=lambda item: item.line):
        yield from _table_lines(decoded, item) if isinstance(item, Table) else _text_lines(decoded, item)
    for checksum in definition.memory.checksums:
        is_known = checksums.is_known(checksum.algorithm)
        stored = checksums.stored_value(checksum, decoded.image) if is_known else None
        value = "absent" if stored is None else checksums.written(checksum, stored)
        yield f"checksum {checksum.name}: {value}"
    for address, crc in unexplained_blocks(decoded):
        yield f"bytes at {fmt.address(address)}, not defined: sum {crc:08x}"


def _axis_line(decoded: Decoded, axis: StoredAxis) -> str:
    definition = decoded.layout.definition
    values = breakpoint_texts(definition, axis, decoded.breakpoints(axis.name).tolist(), exact=True)
    unit = fmt.with_unit("", definition.unit_of(axis)).strip()
    return f"axis {axis.name} ({axis.signal}{f', {unit}' if unit else ''}): {'  '.join(values)}"


def _text_lines(decoded: Decoded, text: Text) -> Iterator[str]:
    content = decoded.text(text)
    yield f"text {text.name}: {'absent' if content is None else content}"


def _table_lines(decoded: Decoded, table: Table) -> Iterator[str]:
    definition, grid = decoded.layout.definition, decoded.grid(table)
    unit = fmt.with_unit("", definition.unit_of(table)).strip()
    cells = cell_texts(definition, grid, exact=True)
    head = f"{table.name}{f' [{unit}]' if unit else ''}"
    if not table.axes:
        yield f"{head}: {cells[0][0]}"
        return
    labels: list[str] = [""]
    if table.y and grid.y is not None:
        signal, signal_unit = signal_and_unit(definition, table.y)
        values = breakpoint_texts(definition, definition.axes[table.y], grid.y.tolist(), exact=True)
        labels = [f" at {signal} {fmt.with_unit(value, signal_unit)}" for value in values]
    if table.x and grid.x is not None:
        signal, signal_unit = signal_and_unit(definition, table.x)
        values = breakpoint_texts(definition, definition.axes[table.x], grid.x.tolist(), exact=True)
        yield f"{head} over {signal}{f', {signal_unit}' if signal_unit else ''}: {'  '.join(values)}"
    for label, row in zip(labels, cells, strict=True):
        yield f"{table.name}{label}: {'  '.join(row)}"
