"""Which tables a signal reaches, directly and through tables that put out other signals.

And what these put out at an operating point, where their own signals are given or put out in turn.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import obstacle, surface
from callint.model.definition import Definition, Table

#: So many tables of a circle are named.
_MOST_NAMES = 8


class CycleError(ValueError):
    """Tables that feed each other in a circle; the text names them in order."""


@dataclass(frozen=True, slots=True)
class Reach:
    """The tables that a signal reaches, each behind those that feed it.

    ``makers`` names the table that puts out each signal on the way. Where several do, it is the first that
    is reached, and ``rivals`` has the others: which of them counts, only the control unit's program knows.
    """

    tables: tuple[Table, ...]
    makers: dict[str, Table]
    rivals: dict[str, tuple[Table, ...]]


def reach(definition: Definition, signal: str) -> Reach:
    """Everything that a signal moves. CycleError where something feeds itself on the way."""
    order = _in_order_of_feeding(definition, signal)
    reached = {table.name for table in order}
    makers: dict[str, Table] = {}
    rivals: dict[str, tuple[Table, ...]] = {}
    for table in definition.tables.values():
        if table.produces is not None and table.name in reached:
            makers.setdefault(table.produces, table)
    for table in definition.tables.values():
        made = table.produces
        if made in makers and makers[made] is not table:
            rivals[made] = (*rivals.get(made, ()), table)
    return Reach(tuple(order), makers, rivals)


def _in_order_of_feeding(definition: Definition, signal: str) -> list[Table]:
    fed: dict[str, list[Table]] = {}
    for table in definition.tables.values():
        for name in signals_of(definition, table):
            fed.setdefault(name, []).append(table)
    order: list[Table] = []
    done: set[str] = set()
    # Depth first, with a stack of its own: a stranger's chain may be longer than Python's.
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
            raise CycleError(_circle(list(path), following.name))
        elif following.name not in done:
            path[following.name] = following
            open_.append(iter(fed.get(following.produces or "", ())))
    return order[::-1]


def _circle(path: list[str], name: str) -> str:
    circle = path[path.index(name) :]
    if len(circle) > _MOST_NAMES:
        circle = [*circle[:_MOST_NAMES], f"{len(circle) - _MOST_NAMES} more"]
    return " feeds ".join([*circle, name])


def signals_of(definition: Definition, table: Table) -> Iterator[str]:
    """The signals of a table's axes, each once."""
    return iter(dict.fromkeys(definition.axes[axis].signal for axis in table.axes if axis in definition.axes))


@dataclass(frozen=True, slots=True)
class Made:
    """A signal's value that a table puts out at an operating point, in the signal's unit."""

    value: float
    maker: Table


def made_at(decoded: Decoded, point: Mapping[str, float]) -> dict[str, Made]:
    """The signals that tables with axes make of a point's signals, and of those that others make, in order.

    A signal that is given is not made. Of several tables that make one, the first counts of which all signals
    are known. A table that is off there or cannot be read makes nothing.
    """
    definition = decoded.layout.definition
    waiting: dict[str, list[Table]] = {}
    lacking: dict[str, int] = {}
    ready: deque[Table] = deque()
    for table in definition.tables.values():
        if table.produces is None or not table.axes or table.name not in decoded.layout.table_items:
            continue
        missing = [signal for signal in signals_of(definition, table) if signal not in point]
        lacking[table.name] = len(missing)
        for signal in missing:
            waiting.setdefault(signal, []).append(table)
        if not missing:
            ready.append(table)
    known, made = dict(point), dict[str, Made]()
    while ready:
        table = ready.popleft()
        name, producer = table.produces, surface(decoded, table)
        if name is None or name in known or producer is None or obstacle(decoded, table):
            continue
        value = producer.at({signal: known[signal] for signal in producer.signals}).item()
        if not math.isfinite(value):
            continue
        known[name], made[name] = value, Made(value, table)
        for following in waiting.get(name, ()):
            lacking[following.name] -= 1
            if not lacking[following.name]:
                ready.append(following)
    return made
