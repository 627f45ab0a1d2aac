"""Which tables a signal reaches, directly and through tables that put out other signals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from callint.model.definition import Definition, Table


class CycleError(ValueError):
    """Tables that feed each other in a circle; the text names them in order."""


@dataclass(frozen=True, slots=True)
class Reach:
    """The tables that a signal reaches, each behind those that feed it.

    ``makers`` names the table that puts out each signal on the way.
    """

    tables: tuple[Table, ...]
    makers: dict[str, Table]


def reach(definition: Definition, signal: str) -> Reach:
    """Everything that a signal moves. CycleError where something feeds itself on the way."""
    makers: dict[str, Table] = {}
    for table in definition.tables.values():
        if table.produces is not None:
            makers.setdefault(table.produces, table)
    fed: dict[str, list[Table]] = {}
    for table in definition.tables.values():
        for name in _signals(definition, table):
            fed.setdefault(name, []).append(table)
    order: list[Table] = []
    used: dict[str, Table] = {}
    # Depth first, with a stack of its own: a stranger's chain may be longer than Python's.
    done: set[str] = set()
    open_: list[tuple[Table | None, Iterator[Table]]] = [(None, iter(fed.get(signal, ())))]
    path: list[str] = []
    while open_:
        here, rest = open_[-1]
        following = next(rest, None)
        if following is None:
            open_.pop()
            if here is not None:
                path.pop()
                done.add(here.name)
                order.append(here)
        elif following.name in path:
            circle = [*path[path.index(following.name) :], following.name]
            raise CycleError(f"{' feeds '.join(circle)}")
        elif following.name not in done:
            path.append(following.name)
            made = following.produces
            if made is not None and makers[made] is following and made != signal:
                used[made] = following
                open_.append((following, iter(fed.get(made, ()))))
            else:
                open_.append((following, iter(())))
    return Reach(tuple(reversed(order)), used)


def _signals(definition: Definition, table: Table) -> Iterator[str]:
    """The signals of a table's axes, each once."""
    return iter(dict.fromkeys(definition.axes[axis].signal for axis in table.axes if axis in definition.axes))
