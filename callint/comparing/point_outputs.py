"""The outputs of tables at one operating point, by an image and by its base, with the cells that count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from callint.decoding.decode import Decoded
from callint.decoding.obstacles import Obstacle, obstacle
from callint.decoding.signal_graph import derived_signals, signals_of
from callint.decoding.surfaces import Surface, surface
from callint.model.definition import Definition, Table


@dataclass(frozen=True, slots=True)
class PointCell:
    """A cell that counts: its indexes, its breakpoints by signal, its weight, its new and its old value.

    A value is NaN if the cell is off. ``old`` is None without a base, and if the base has other breakpoints
    or another operating point here.
    """

    x: int
    y: int
    at: dict[str, float]
    weight: float
    new: float
    old: float | None


@dataclass(frozen=True, slots=True)
class TableOutput:
    """The output of one table, in its unit: ``new`` and ``old`` value, NaN if it is off.

    ``old`` is None without a base, and if the base does not derive a signal that the table needs.
    ``held_signals`` lie outside the table's breakpoints, so that the table is read at its end. Other tables
    derive the signals in ``derived_signals`` from the point.
    """

    table: Table
    new: float
    old: float | None
    cells: tuple[PointCell, ...]
    held_signals: tuple[str, ...]
    derived_signals: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SignalOutput:
    """A signal that a table derives from the point: its value by the image and by the base.

    ``old`` is None as for a TableOutput. ``rivals`` are tables that derive the signal too; callint does not
    follow them.
    """

    table: Table
    new: float
    old: float | None
    rivals: tuple[Table, ...]


@dataclass(frozen=True, slots=True)
class PointOutputs:
    """All outputs of an image at an operating point.

    ``derived`` has the signals that tables derive from the point and that some output needs.
    ``missing_signals`` counts the tables that need each signal that the point lacks. ``scalars`` is the
    number of scalars left out, as they are the same at every point. ``unreadable`` gives, by table, what
    prevents its evaluation.
    """

    point: Mapping[str, float]
    outputs: tuple[TableOutput, ...]
    derived: Mapping[str, SignalOutput]
    missing_signals: Mapping[str, int]
    scalars: int
    unreadable: Mapping[str, Obstacle]


def point_outputs(
    new: Decoded, old: Decoded | None, point: Mapping[str, float], names: Collection[str] | None
) -> PointOutputs:
    """The outputs at a point of the named tables, or of all tables with axes whose signals are known.

    A signal is known if the point gives it or a table derives it from known signals. ``old`` is the base.
    """
    definition, layout = new.layout.definition, new.layout
    outputs: list[TableOutput] = []
    missing_signals: Counter[str] = Counter()
    unreadable: dict[str, Obstacle] = {}
    scalars = 0
    derived = _derived_signals(new, old, point)
    new_point = {**point, **{name: signal.new for name, signal in derived.items()}}
    old_point = {**point, **{name: signal.old for name, signal in derived.items() if signal.old is not None}}
    for name, table in definition.tables.items():
        if name not in layout.table_items or (names is not None and name not in names):
            continue
        if not table.axes and names is None:
            scalars += 1
            continue
        signals = list(dict.fromkeys(definition.axes[axis].signal for axis in table.axes))
        missing = [signal for signal in signals if signal not in new_point]
        missing_signals.update(missing)
        if missing:
            continue
        if problem := obstacle(new, table):
            unreadable[name] = problem
            continue
        new_surface = surface(new, table)
        assert new_surface is not None  # otherwise there is an obstacle
        needed = tuple(signal for signal in signals if signal in derived)
        outputs.append(_output(new_surface, old, new_point, old_point, needed))
    used = {signal for output in outputs for signal in _sources(definition, output.derived_signals, derived)}
    derived = {name: signal for name, signal in derived.items() if name in used}
    return PointOutputs(point, tuple(outputs), derived, missing_signals, scalars, unreadable)


def _derived_signals(
    new: Decoded, old: Decoded | None, point: Mapping[str, float]
) -> dict[str, SignalOutput]:
    """The signals that tables derive from a point, each after the signals that it is derived from."""
    tables = new.layout.definition.tables.values()
    old_values = {} if old is None else derived_signals(old, point)
    signals = {}
    for name, new_value in derived_signals(new, point).items():
        old_value = old_values.get(name)
        is_comparable = old_value is not None and old_value.producer is new_value.producer
        signals[name] = SignalOutput(
            new_value.producer,
            new_value.value,
            old_value.value if old_value is not None and is_comparable else None,
            tuple(table for table in tables if table.produces == name and table is not new_value.producer),
        )
    return signals


def _sources(definition: Definition, signals: Iterable[str], derived: Mapping[str, SignalOutput]) -> set[str]:
    """The derived ones among some signals, and the derived signals that these come from."""
    sources: set[str] = set()
    pending = [signal for signal in signals if signal in derived]
    while pending:
        signal = pending.pop()
        if signal not in sources:
            sources.add(signal)
            pending += [
                source for source in signals_of(definition, derived[signal].table) if source in derived
            ]
    return sources


def _output(
    new: Surface,
    base: Decoded | None,
    new_point: Mapping[str, float],
    old_point: Mapping[str, float],
    derived_signals: tuple[str, ...],
) -> TableOutput:
    table = new.grid.table
    old = None if base is None else surface(base, table)
    if old is not None and not all(signal in old_point for signal in old.signals):
        old = None
    # If the base has other breakpoints or signals, its cells do not correspond, but its output does.
    is_aligned = old is not None and all(
        old_point[signal] == new_point[signal]
        and old.breakpoints[signal].shape == axis.shape
        and (old.breakpoints[signal] == axis).all()
        for signal, axis in new.breakpoints.items()
    )
    cells = []
    for y, x, weight in new.weights(new_point):
        indexes = dict(zip(new.signals, (x, y), strict=False))
        at = {signal: float(new.breakpoints[signal][index]) for signal, index in indexes.items()}
        old_cell = float(old.grid.physical[y, x]) if old is not None and is_aligned else None
        cells.append(PointCell(x, y, at, weight, float(new.grid.physical[y, x]), old_cell))
    old_value = None if old is None else old.at({signal: old_point[signal] for signal in old.signals}).item()
    held_signals = tuple(
        signal
        for signal, axis in new.breakpoints.items()
        if not axis.min() <= new_point[signal] <= axis.max()
    )
    new_value = new.at({signal: new_point[signal] for signal in new.signals}).item()
    return TableOutput(table, new_value, old_value, tuple(cells), held_signals, derived_signals)
