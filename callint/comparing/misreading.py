"""What every table puts out when a signal is read wrongly, beside what it would put out.

Signals other than the false one have their operating ranges, on the breakpoints of all tables concerned, or
one value each. A table that puts out a signal hands on what it makes of the false reading. For a table that
the false signal feeds directly the worst case found is exact: between breakpoints of the others its output
changes linearly. Through a chain it is the worst of the points that were tried.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from callint.decoding.chains import Reach
from callint.decoding.surfaces import Surface, mesh
from callint.model.change import Numbers
from callint.model.definition import Definition, Table

#: Operating points that are tried for one table at most; ranges of more are tried at fewer places.
MOST_POINTS = 2_000_000


@dataclass(frozen=True, slots=True)
class Effect:
    """What a false reading does to one table, where it does most.

    ``true`` and ``false`` are its output there, NaN where it is off; ``at`` has the other signals, and
    ``case`` is the number of the reading. ``share`` is the distance as a share of the table's span, 1 where
    it is switched. ``switched`` and ``points`` count the operating points at which it is off by one of the
    readings only, and all. ``via`` are the tables between the signal and this one.
    """

    table: Table
    true: float
    false: float
    at: dict[str, float]
    case: int
    share: float
    switched: int
    points: int
    via: tuple[str, ...]


class Misreading:
    """The false reading of one signal: ``true`` and ``false`` values, shape (cases,), and what they reach."""

    def __init__(
        self,
        definition: Definition,
        surfaces: Mapping[str, Surface],
        reach: Reach,
        signal: str,
        true: Numbers,
        false: Numbers,
        given: Mapping[str, float] | None = None,
    ) -> None:
        self._definition = definition
        self._surfaces = surfaces
        self._reach = reach
        self._signal = signal
        self._readings = true, false
        self._given = dict(given or {})
        self._points: dict[str, Numbers] = {}

    def effects(self) -> list[Effect]:
        """The effect on every table that is reached and can be read, in the order of the definition."""
        found = [
            self._effect(table)
            for table in sorted(self._reach.tables, key=lambda table: table.line)
            if table.name in self._surfaces
        ]
        return [effect for effect in found if effect is not None]

    def free_signals(self, table: Table) -> list[str]:
        """The signals that a table's output depends on beside the false one, through those that feed it."""
        found: dict[str, None] = {}
        waiting = [table]
        while waiting:
            one = waiting.pop()
            for signal in self._surfaces[one.name].signals:
                if signal in self._reach.makers and self._reach.makers[signal].name in self._surfaces:
                    waiting.append(self._reach.makers[signal])
                elif signal != self._signal:
                    found[signal] = None
        return list(found)

    def _effect(self, table: Table) -> Effect | None:
        free = self.free_signals(table)
        points = self._lattice(free)
        true, false = (self._output(table, points, free, reading) for reading in self._readings)
        shape = (len(self._readings[0]), *(len(points[signal]) for signal in free))
        true, false = np.broadcast_to(true, shape), np.broadcast_to(false, shape)
        is_switched = np.isnan(true) != np.isnan(false)
        with np.errstate(invalid="ignore"):
            distance = np.where(is_switched, np.inf, np.abs(false - true))
        if np.isnan(distance).all():
            return None
        worst = np.unravel_index(int(np.nanargmax(distance)), shape)
        values = self._surfaces[table.name].grid.physical
        span = float(np.nanmax(values) - np.nanmin(values)) if np.isfinite(values).any() else 0.0
        size = float(distance[worst])
        return Effect(
            table,
            float(true[worst]),
            float(false[worst]),
            {signal: float(points[signal][place]) for signal, place in zip(free, worst[1:], strict=True)},
            int(worst[0]),
            1.0 if np.isinf(size) else size / span if span else 0.0,
            int(np.count_nonzero(is_switched)),
            is_switched.size,
            self._path(table),
        )

    def _output(
        self, table: Table, points: Mapping[str, Numbers], free: list[str], reading: Numbers
    ) -> Numbers:
        """A table's output over the lattice: the reading's cases first, then the free signals in order."""
        places = {signal: array[None] for signal, array in mesh(points, free).items()}
        places[self._signal] = reading.reshape(-1, *(1 for _ in free))
        # Those that feed it come first in the order of what is reached.
        for maker in self._reach.tables:
            made = maker.produces
            if made in self._reach.makers and self._reach.makers[made] is maker and maker is not table:
                surface = self._surfaces.get(maker.name)
                if surface is not None and all(signal in places for signal in surface.signals):
                    places[made] = surface.at(places)
        return self._surfaces[table.name].at(places)

    def _lattice(self, free: list[str]) -> dict[str, Numbers]:
        points = {signal: self._values(signal) for signal in free}
        count = len(self._readings[0])
        size = count * int(np.prod([len(one) for one in points.values()], dtype=np.float64))
        if size > MOST_POINTS and points:
            most = max(2, int((MOST_POINTS / count) ** (1 / len(points))))
            points = {signal: _thinned(values, most) for signal, values in points.items()}
        return points

    def _values(self, signal: str) -> Numbers:
        """A signal's one value, or the ends of its range and the breakpoints of all tables within it."""
        if signal in self._given:
            return np.array([self._given[signal]])
        if signal not in self._points:
            axes = [
                self._surfaces[table.name].breakpoints[signal]
                for table in self._reach.tables
                if table.name in self._surfaces and signal in self._surfaces[table.name].signals
            ]
            everywhere = np.unique(np.concatenate(axes))
            known = self._definition.signals.get(signal)
            usual = known and (known.operating or known.plausible)
            if usual:
                low, high = usual.low, usual.high
                inside = everywhere[(everywhere > low) & (everywhere < high)]
                everywhere = np.concatenate([[low], inside, [high]]) if low < high else np.array([low])
            self._points[signal] = everywhere
        return self._points[signal]

    def _path(self, table: Table) -> tuple[str, ...]:
        """The tables on a shortest way from the false signal to a table."""
        way: list[str] = []
        while self._signal not in self._surfaces[table.name].signals:
            makers = [
                self._reach.makers[signal]
                for signal in self._surfaces[table.name].signals
                if signal in self._reach.makers
            ]
            table = next(maker for maker in makers if maker.name in self._surfaces)
            way.insert(0, table.name)
        return tuple(way)


def _thinned(values: Numbers, most: int) -> Numbers:
    """At most so many of some values, evenly, both ends among them."""
    if len(values) <= most:
        return values
    thinned: Numbers = values[np.unique(np.linspace(0, len(values) - 1, most).round().astype(int))]
    return thinned
