"""Finds the tables that a signal reaches, directly or through tables that put out other signals.

It also computes the signals that tables put out at an operating point.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import surface
from callint.model.definition import Definition, Table

#: The largest number of tables that are named in a cycle.
_MOST_NAMES = 8


class CycleError(ValueError):
    """Tables that feed each other in a cycle; the text names them in order."""


@dataclass(frozen=True, slots=True)
class ReachedTables:
    """The tables that a signal reaches, each after those that feed it.

    ``producers`` has the table that puts out each signal on the way. If several tables put out a signal, it
    is the first one reached, and ``other_producers`` has the others: only the control unit's program knows
    which of them counts.
    """

    tables: tuple[Table, ...]
    producers: dict[str, Table]
    other_producers: dict[str, tuple[Table, ...]]


def reached_tables(definition: Definition, signal: str) -> ReachedTables:
    """All tables whose output depends on a signal. CycleError if a table feeds itself on the way."""
    order = _feeding_order(definition, signal)
    reached = {table.name for table in order}
    producers: dict[str, Table] = {}
    other_producers: dict[str, tuple[Table, ...]] = {}
    for table in definition.tables.values():
        if table.produces is not None and table.name in reached:
            producers.setdefault(table.produces, table)
    for table in definition.tables.values():
        produced = table.produces
        if produced in producers and producers[produced] is not table:
            other_producers[produced] = (*other_producers.get(produced, ()), table)
    return ReachedTables(tuple(order), producers, other_producers)


def _feeding_order(definition: Definition, signal: str) -> list[Table]:
    fed: dict[str, list[Table]] = {}
    for table in definition.tables.values():
        for name in signals_of(definition, table):
            fed.setdefault(name, []).append(table)
    order: list[Table] = []
    done: set[str] = set()
    # Depth first, with a stack of its own: a stranger's chain may be deeper than Python's stack.
    path: dict[str, Table] = {}
    open_: list[Iterator[Table]] = [iter(fed.get(signal, ()))]
    while open_:
        following = next(open_[-1], None)
        if following is None:
            open_.pop()
            if path:
                name, table = path.popitem()
                done.add(name)
                order.append(table)
        elif following.name in path:
            raise CycleError(_cycle_text(list(path), following.name))
        elif following.name not in done:
            path[following.name] = following
            open_.append(iter(fed.get(following.produces or "", ())))
    return order[::-1]


def _cycle_text(path: list[str], name: str) -> str:
    cycle = path[path.index(name) :]
    if len(cycle) > _MOST_NAMES:
        cycle = [*cycle[:_MOST_NAMES], f"{len(cycle) - _MOST_NAMES} more"]
    return " feeds ".join([*cycle, name])


def signals_of(definition: Definition, table: Table) -> Iterator[str]:
    """The signals of a table's axes, each once."""
    return iter(dict.fromkeys(definition.axes[axis].signal for axis in table.axes if axis in definition.axes))


@dataclass(frozen=True, slots=True)
class DerivedSignal:
    """The value of a signal that a table puts out at an operating point, in the signal's unit."""

    value: float
    producer: Table


def derived_signals(decoded: Decoded, point: Mapping[str, float]) -> dict[str, DerivedSignal]:
    """The signals that tables with axes put out at a point, directly or from each other, in that order.

    The signals of the point itself are not derived. If several tables put out one signal, the first whose
    signals are all known counts. A table that is off there or cannot be read puts out nothing.
    """
    from callint.decoding.obstacles import obstacle  # a check follows signals, but reads no single outputs

    definition = decoded.layout.definition
    dependents: dict[str, list[Table]] = {}
    missing_counts: dict[str, int] = {}
    ready: deque[Table] = deque()
    for table in definition.tables.values():
        if table.produces is None or not table.axes or table.name not in decoded.layout.table_items:
            continue
        missing = [signal for signal in signals_of(definition, table) if signal not in point]
        missing_counts[table.name] = len(missing)
        for signal in missing:
            dependents.setdefault(signal, []).append(table)
        if not missing:
            ready.append(table)
    values, derived = dict(point), dict[str, DerivedSignal]()
    while ready:
        table = ready.popleft()
        name, table_surface = table.produces, surface(decoded, table)
        if name is None or name in values or table_surface is None or obstacle(decoded, table):
            continue
        value = table_surface.at({signal: values[signal] for signal in table_surface.signals}).item()
        if not math.isfinite(value):
            continue
        values[name], derived[name] = value, DerivedSignal(value, table)
        for following in dependents.get(name, ()):
            missing_counts[following.name] -= 1
            if not missing_counts[following.name]:
                ready.append(following)
    return derived
