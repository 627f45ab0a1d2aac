"""What a healthy sensor can read, and values that it cannot, in words."""

from __future__ import annotations

from callint import fmt
from callint.model.definition import Signal


def plausible_span(signal: Signal) -> str:
    """The plausible range with its unit; empty where the signal has none."""
    usual = signal.plausible
    if usual is None:
        return ""
    return f"{fmt.plain(usual.low)} to {fmt.with_unit(fmt.plain(usual.high), signal.unit)}"


def doubt(signal: Signal, value: float) -> str | None:
    """A question where somebody gives a signal a value that no healthy sensor reads; else None."""
    usual = signal.plausible
    if usual is None or usual.low <= value <= usual.high:
        return None
    return f"{signal.name} is given outside its plausible range of {plausible_span(signal)}; is it meant?"
