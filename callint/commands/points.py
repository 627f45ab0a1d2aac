"""Operating points on the command line: SIGNAL=VALUE, in the signal's own unit."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable

from callint.model.definition import Definition, Signal
from callint.model.errors import InputError


def parse_point(definition: Definition, words: str, option: str = "--at") -> dict[str, float]:
    """The values of ``engine_speed=1800,fuel_quantity=30`` by signal; InputError for anything else."""
    point: dict[str, float] = {}
    for part in words.split(","):
        name, sign, text = part.partition("=")
        if not sign or not name.strip():
            raise InputError(f"{option} {words}: write SIGNAL=VALUE, several with commas between them")
        signal = signal_named(definition, name.strip(), option)
        if signal.name in point:
            raise InputError(f"{option} {words}: {signal.name} stands there twice; leave one out")
        point[signal.name] = number(text, f"{option} {part.strip()}")
    return point


def signal_named(definition: Definition, name: str, option: str) -> Signal:
    """A signal of the definition; InputError where there is none of the name."""
    if name not in definition.signals:
        close = difflib.get_close_matches(name, list(definition.signals), n=1)
        advice = f"did you mean {close[0]!r}?" if close else f"known are {_listed(definition.signals)}"
        raise InputError(f"{option} {name}: there is no such signal; {advice}")
    return definition.signals[name]


def number(text: str, place: str) -> float:
    """A finite number; InputError for anything else."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{place}: {text.strip()!r} is no number; write it with a point, as in 12.5")
    return value


def _listed(names: Iterable[str]) -> str:
    known = list(names)
    return ", ".join(known[:8]) + (" and more" if len(known) > 8 else "") if known else "none"
