"""Tables of an image in engineering units."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from callint.api.definition import CalibrationDefinition
from callint.api.html import grid_html
from callint.api.image import CalibrationImage, context_of
from callint.comparing.point_outputs import point_outputs
from callint.decoding.obstacles import Obstacle, obstacle
from callint.decoding.signal_names import signal_named
from callint.decoding.surfaces import surface
from callint.fmt import with_unit
from callint.model.change import Flags, Grid, Numbers
from callint.model.definition import Definition, States, Table
from callint.model.errors import InputError, MissingLibraryError
from callint.reporting.wording import obstacle_clause
from callint.rules.context import CheckContext


@dataclass(frozen=True, eq=False)
class CalibrationTable:
    """A scalar, curve or map of an image. Its arrays belong to all who read the image and are read-only.

    A scalar has the shape (1, 1), a curve (1, columns), a map (rows, columns).
    """

    context: CheckContext = field(repr=False)
    table: Table = field(repr=False)
    grid: Grid = field(repr=False)

    @property
    def name(self) -> str:
        return self.table.name

    @property
    def title(self) -> str:
        return self.table.title

    @property
    def kind(self) -> str:
        """``scalar``, ``curve`` or ``map``."""
        return self.table.kind.value

    @property
    def purpose(self) -> str:
        """``protection``, ``emissions``, ``demand``, ``correction``, ``diagnosis`` or ``general``."""
        return self.table.purpose.value

    @property
    def unit(self) -> str:
        """The unit of the values as the definition writes it; "" if it has none."""
        return self._definition.unit_of(self.table)

    @property
    def values(self) -> Numbers:
        """The values in ``unit``, shape (rows, columns), float64; NaN if a cell is off or absent."""
        return _locked(np.where(self.grid.present & ~self.grid.off, self.grid.physical, np.nan))

    @property
    def raw(self) -> NDArray[Any]:
        """The stored numbers, masked and shifted, in their stored type, shape (rows, columns)."""
        return _locked(self.grid.raw)

    @property
    def off(self) -> Flags:
        """Whether each cell holds the off code, shape (rows, columns)."""
        return _locked(self.grid.off)

    @property
    def present(self) -> Flags:
        """Whether the image holds each cell, shape (rows, columns); ``raw`` is 0 for missing cells."""
        return _locked(self.grid.present)

    @property
    def x(self) -> Numbers | None:
        """The breakpoints along the columns in ``x_unit``, shape (columns,); None for a scalar."""
        return None if self.grid.x is None else _locked(self.grid.x)

    @property
    def y(self) -> Numbers | None:
        """The breakpoints along the rows in ``y_unit``, shape (rows,); None unless the table is a map."""
        return None if self.grid.y is None else _locked(self.grid.y)

    @property
    def x_signal(self) -> str:
        """The signal along the columns; "" for a scalar."""
        return self._axis(self.table.x)[0]

    @property
    def x_unit(self) -> str:
        return self._axis(self.table.x)[1]

    @property
    def y_signal(self) -> str:
        """The signal along the rows; "" unless the table is a map."""
        return self._axis(self.table.y)[0]

    @property
    def y_unit(self) -> str:
        return self._axis(self.table.y)[1]

    @property
    def states(self) -> dict[int, str]:
        """The names of raw values if the table has named states; else empty."""
        conversion = self._definition.conversion_of(self.table)
        return dict(conversion.names) if isinstance(conversion, States) else {}

    @overload
    def at(self, **signals: float) -> float: ...

    @overload
    def at(self, **signals: ArrayLike) -> float | Numbers: ...

    def at(self, **signals: ArrayLike) -> float | Numbers:
        """The output of the table at an operating point, in ``unit``: interpolated, held at the ends.

        Each signal is in its own unit. Numbers give a float; other tables may produce signals that are left
        out, as in ``callint show --at``. Arrays whose shapes broadcast give an array of their common shape;
        then all signals of the axes are required. The output is NaN if a cell that contributes is off. Raises
        InputError for a signal that is unknown, missing or not a finite number, and if the axes are
        unreadable.
        """
        place = f"{self.name}.at"
        point = {signal_named(self._definition, name, place).name: _finite(place, name, value)
                 for name, value in signals.items()}  # fmt: skip
        if any(value.ndim for value in point.values()):
            return self._at_points(place, point)
        numbers = {name: value.item() for name, value in point.items()}
        outputs = point_outputs(self.context.new, self.context.old, numbers, {self.name})
        self._require(place, outputs.missing_signals, outputs.unreadable.get(self.name))
        return outputs.outputs[0].new

    def _at_points(self, place: str, point: Mapping[str, Numbers]) -> Numbers:
        needed = dict.fromkeys(signal for signal in (self.x_signal, self.y_signal) if signal)
        missing = [signal for signal in needed if signal not in point]
        self._require(place, missing, obstacle(self.context.new, self.table))
        table_surface = surface(self.context.new, self.table)
        assert table_surface is not None  # otherwise there is an obstacle
        try:
            shape = np.broadcast_shapes(*(value.shape for value in point.values()))
        except ValueError:
            raise InputError(f"{place}: the shapes of the signals do not fit; give equal ones") from None
        return np.broadcast_to(table_surface.at(point), shape).copy()

    def _require(self, place: str, missing: Iterable[str], problem: Obstacle | None) -> None:
        if signals := " and ".join(missing):
            raise InputError(f"{place}: the table depends on {signals}; give a value for each")
        if problem is not None:
            raise InputError(f"{place}: {obstacle_clause(problem)}; correct the image first")

    def to_dataframe(self) -> Any:
        """The values as a ``pandas.DataFrame``: a row for each y and a column for each x breakpoint.

        Its index and columns are named by signal and unit. Raises MissingLibraryError without pandas.
        """
        try:
            import pandas
        except ImportError:
            raise MissingLibraryError("to_dataframe needs pandas; install it, or use .values") from None
        rows, columns = (
            None if breakpoints is None else pandas.Index(breakpoints, name=_heading(signal, unit))
            for breakpoints, signal, unit in (
                (self.y, self.y_signal, self.y_unit),
                (self.x, self.x_signal, self.x_unit),
            )
        )
        return pandas.DataFrame(self.values.copy(), index=rows, columns=columns)

    def __repr__(self) -> str:
        rows, columns = self.grid.raw.shape
        return f"CalibrationTable({self.name!r}, {self.kind} of {rows} by {columns}, {self.unit!r})"

    def _repr_html_(self) -> str:
        return grid_html(self._definition, self.grid)

    @property
    def _definition(self) -> Definition:
        return self.context.definition

    def _axis(self, name: str | None) -> tuple[str, str]:
        if name is None:
            return "", ""
        axis = self._definition.axes[name]
        return axis.signal, self._definition.unit_of(axis)


def tables(image: CalibrationImage, definition: CalibrationDefinition) -> dict[str, CalibrationTable]:
    """All tables of an image by name, in the order of the definition, without texts.

    Leaves out tables that the definition does not describe completely. Raises InputError if the image is
    damaged, empty, or of other software than the definition's.
    """
    with definition.lock:
        context = context_of(definition, image)
        return {
            name: CalibrationTable(context, table, context.new.grid(table))
            for name, table in context.definition.tables.items()
            if name in context.layout.table_items
        }


def _locked(array: NDArray[Any]) -> NDArray[Any]:
    """A read-only view of an array: all readers share decoded arrays."""
    view = array.view()
    view.flags.writeable = False
    return view


def _finite(place: str, name: str, value: ArrayLike) -> Numbers:
    try:
        numbers = np.asarray(value, np.float64)
    except (TypeError, ValueError):
        raise InputError(f"{place}: {name} is not a number; give a number in the signal's unit") from None
    if not np.isfinite(numbers).all():
        raise InputError(f"{place}: {name} is not finite; give a number in the signal's unit")
    return numbers


def _heading(signal: str, unit: str) -> str:
    return f"{signal} [{text}]" if (text := with_unit("", unit).strip()) else signal
