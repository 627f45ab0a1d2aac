"""Operating points on the command line: SIGNAL=VALUE, in the signal's own unit."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable

from callint.model.definition import Definition, Signal
from callint.model.errors import InputError
from callint.model.shown import unit_word

#: A number, and something behind it that is none.
_NUMBER_AND_MORE = re.compile(r"\s*[-+]?(\d+\.?\d*|\.\d+)\s*[^\d\s.,]")
#: So many signals are suggested for a name that is none.
_MOST_LIKELY = 3


def parse_point(definition: Definition, words: str, option: str = "--at") -> dict[str, float]:
    """The values of ``engine_speed=1800,fuel_quantity=30`` by signal; InputError for anything else."""
    point: dict[str, float] = {}
    for part in words.split(","):
        name, sign, text = part.partition("=")
        if not sign or not name.strip():
            point_ = ", and a decimal with a point" if part.strip().isdigit() else ""
            raise InputError(
                f"{option} {words}: write SIGNAL=VALUE, several with commas between them{point_}"
            )
        signal = signal_named(definition, name.strip(), option)
        if signal.name in point:
            raise InputError(f"{option} {words}: {signal.name} occurs twice; remove one")
        point[signal.name] = number(text, f"{option} {part.strip()}", signal.unit)
    return point


def signal_named(definition: Definition, name: str, option: str) -> Signal:
    """A signal of the definition; InputError where there is none of the name."""
    if name not in definition.signals:
        likely = " or ".join(map(repr, _likely(name, definition.signals)))
        advice = f"did you mean {likely}?" if likely else f"known are {_listed(definition.signals)}"
        raise InputError(f"{option} {name}: no signal has this name; {advice}")
    return definition.signals[name]


def _likely(name: str, known: Iterable[str]) -> list[str]:
    """The signals that a word may stand for: that end with it, that have it in them, or else the nearest."""
    word, names = name.casefold(), list(known)
    having = [one for one in names if len(word) > 1 and word in one.casefold()]
    having.sort(key=lambda one: not one.casefold().endswith(f"_{word}"))
    return having[:_MOST_LIKELY] or difflib.get_close_matches(name, names, n=1)


def number(text: str, place: str, unit: str = "") -> float:
    """A finite number; InputError for anything else, with the ``unit`` where that may be the trouble."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        advice = "write it with a point, as in 12.5"
        if _NUMBER_AND_MORE.match(text):
            advice = f"give the number alone{f', in {unit_word(unit)}' if unit not in ('', '-') else ''}"
        raise InputError(f"{place}: {text.strip()!r} is not a number; {advice}")
    return value


def _listed(names: Iterable[str]) -> str:
    known = list(names)
    return ", ".join(known[:8]) + (" and more" if len(known) > 8 else "") if known else "none"
