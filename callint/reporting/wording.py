"""Sentences that the reports of several subjects share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import assert_never

from callint import fmt
from callint.decoding.obstacles import (
    AxisNotRising,
    BreakpointNotFinite,
    MissingBreakpoints,
    MissingCells,
    NotDescribed,
    NotFed,
    Obstacle,
    SharedSignal,
)
from callint.model.definition import Signal


def plausible_range(signal: Signal) -> str:
    """The plausible range of a signal with its unit; "" if it has none."""
    limits = signal.plausible
    if limits is None:
        return ""
    return f"{fmt.plain(limits.low)} to {fmt.with_unit(fmt.plain(limits.high), signal.unit)}"


def plausibility_question(signal: Signal, value: float) -> str | None:
    """A question about a given value that no healthy sensor of the signal reads; None if it is plausible."""
    limits = signal.plausible
    if limits is None or limits.low <= value <= limits.high:
        return None
    return (
        f"{signal.name} is given outside its plausible range of {plausible_range(signal)}; is this intended?"
    )


def unreadable_sentences(unreadable: Mapping[str, Obstacle]) -> Iterator[str]:
    """A sentence for each obstacle; ``unreadable`` gives, by table, what prevents its evaluation."""
    tables: dict[Obstacle, list[str]] = {}
    for table, problem in unreadable.items():
        tables.setdefault(problem, []).append(table)
    for problem, names in tables.items():
        yield f"callint cannot evaluate {', '.join(names)}: {obstacle_clause(problem, len(names))}."


def obstacle_clause(problem: Obstacle, tables: int = 1) -> str:
    """What prevents the evaluation of a number of tables, as a clause that does not name them."""
    match problem:
        case SharedSignal(signal):
            return f"both axes are of {signal}"
        case MissingBreakpoints(axis):
            return f"the image does not hold all of the axis {axis}"
        case BreakpointNotFinite(axis):
            return f"the axis {axis} has a breakpoint that is not a number"
        case AxisNotRising(axis, before, after, unit):
            first, second = (fmt.with_unit(fmt.plain(value), unit) for value in (before, after))
            verb = "fall" if problem.is_falling else "rise"
            return f"the axis {axis} does not {verb} throughout ({second} follows {first})"
        case MissingCells():
            return f"the image does not hold all of {'its' if tables == 1 else 'their'} cells"
        case NotDescribed():
            return f"the definition does not describe {'it' if tables == 1 else 'them'} completely"
        case NotFed(producers):
            subject = "it depends" if tables == 1 else "they depend"
            return f"{subject} on {' and '.join(producers)}, which cannot be evaluated"
    assert_never(problem)
