"""Cells on the command line: a breakpoint of each axis, as tables show them."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from callint import fmt
from callint.decoding.decode import Decoded
from callint.model.errors import InputError


def cell_indexes(decoded: Decoded, table: str, axes: Sequence[str], text: str) -> tuple[int, int]:
    """The x and y of the cell at ``2800,58``; 0 for an axis that the table does not have.

    InputError if the text does not give one breakpoint of each of the table's axes.
    """
    breakpoints = [part.strip() for part in text.split(",")] if text else []
    if breakpoints and not axes:
        raise InputError(f"{table}: it has only one value; leave out --cell")
    if len(breakpoints) != len(axes):
        need = " and one of ".join(axes)
        example = ",".join(_texts(decoded, axis)[0] for axis in axes)
        raise InputError(f"{table}: --cell needs a breakpoint of {need}, such as --cell {example}")
    indexes = [
        breakpoint_index(decoded, table, axis, part) for axis, part in zip(axes, breakpoints, strict=True)
    ]
    x, y = (*indexes, 0, 0)[:2]
    return x, y


def _texts(decoded: Decoded, axis: str) -> list[str]:
    """The breakpoints of an axis as people read them."""
    from callint.reporting.tables.values import breakpoint_texts

    definition = decoded.layout.definition
    return breakpoint_texts(definition, definition.axes[axis], decoded.breakpoints(axis).tolist())


def breakpoint_index(decoded: Decoded, table: str, axis: str, breakpoint: str) -> int:
    """The index of a breakpoint of an axis; InputError if the axis has no such breakpoint."""
    texts = _texts(decoded, axis)
    if breakpoint in texts:
        return texts.index(breakpoint)
    with suppress(ValueError):
        number = float(breakpoint)
        for index, text in enumerate(texts):
            with suppress(ValueError):  # breakpoints may have names
                if float(text) == number or float(decoded.breakpoints(axis)[index]) == number:
                    return index
    definition = decoded.layout.definition
    listed = fmt.with_unit(", ".join(texts), definition.unit_of(definition.axes[axis]))
    raise InputError(f"{table}: axis {axis} has no breakpoint {breakpoint}; it has {listed}")
