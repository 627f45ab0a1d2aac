"""Sentences that the reports of several subjects share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from callint import fmt
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


def unreadable_sentences(unreadable: Mapping[str, str]) -> Iterator[str]:
    """A sentence for each reason why tables cannot be read; ``unreadable`` gives the reason by table."""
    tables: dict[str, list[str]] = {}
    for table, reason in unreadable.items():
        tables.setdefault(reason, []).append(table)
    for reason, names in tables.items():
        yield f"callint cannot evaluate {', '.join(names)}: {reason}."
