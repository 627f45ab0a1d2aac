"""Operating points on the command line: SIGNAL=VALUE, in the signal's own unit."""

from __future__ import annotations

import math
import re

from callint.decoding.signal_names import signal_named
from callint.fmt import unit_word
from callint.model.definition import Definition
from callint.model.errors import InputError

#: A number followed by something else, such as a unit.
_NUMBER_AND_MORE = re.compile(r"\s*[-+]?(\d+\.?\d*|\.\d+)\s*[^\d\s.,]")


def parse_point(definition: Definition, argument: str, option: str = "--at") -> dict[str, float]:
    """The values of ``engine_speed=1800,fuel_quantity=30`` by signal; InputError for anything else."""
    point: dict[str, float] = {}
    for part in argument.split(","):
        name, sign, text = part.partition("=")
        if not sign or not name.strip():
            decimals = ", and a decimal with a point" if part.strip().isdigit() else ""
            raise InputError(
                f"{option} {argument}: write SIGNAL=VALUE, several with commas between them{decimals}"
            )
        signal = signal_named(definition, name.strip(), option)
        if signal.name in point:
            raise InputError(f"{option} {argument}: {signal.name} occurs twice; remove one")
        point[signal.name] = number(text, f"{option} {part.strip()}", signal.unit)
    return point


def number(text: str, place: str, unit: str = "") -> float:
    """A finite number; InputError for anything else. If a unit may follow the number, it names ``unit``."""
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
