"""What a mistyped number looks like.

The names are those of the published taxonomies: S. Wiseman, P. Cairns and A. Cox, "A taxonomy of number entry
error", Proceedings of BCS HCI 2011; H. Thimbleby and P. Cairns, "Reducing number entry errors: solving a
widespread, serious problem", Journal of the Royal Society Interface 7 (2010).

Every slip is turned round: from the number that stands there follow the numbers that may have been meant.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

_DIGITS = "0123456789"


@dataclass(frozen=True, slots=True)
class Mistyping:
    """A published slip by its name, and the number that was meant if it was that slip."""

    name: str
    meant: float


def mistyping(
    stands: float, expected: float, within: float, decimals: int | None, telling: bool = False
) -> Mistyping | None:
    """The slip that makes a number near ``expected`` into the one that ``stands`` there; None if none does.

    The number that was meant lies at most ``within`` from the expected one. ``decimals`` are the digits after
    the point that numbers are typed with. Of several slips the one that fewer numbers allow is named;
    ``telling`` asks only for those that few numbers allow, which a number seldom looks like by chance.
    """
    if not all(map(math.isfinite, (stands, expected, within))):
        return None
    for name, undo in SLIPS.items():
        if telling and name not in TELLING:
            continue
        meant = [value for text in texts(stands, decimals) for value in _numbers(undo(text))]
        fitting = [value for value in meant if abs(value - expected) <= within and value != stands]
        if fitting:
            return Mistyping(name, min(fitting, key=lambda value: (abs(value - expected), value)))
    return None


def texts(value: float, decimals: int | None) -> list[str]:
    """How a number is typed: with all its decimals, and without zeros at its end."""
    full = f"{value:.{decimals}f}" if decimals is not None else f"{value:.6g}"
    if "e" in full:
        return []
    trimmed = full.rstrip("0").rstrip(".") if "." in full else full
    return [full] if full == trimmed else [trimmed, full]


def _numbers(candidates: Iterator[str]) -> Iterator[float]:
    for text in candidates:
        if any(letter in _DIGITS for letter in text):
            yield float(text)


# What may have been meant, slip by slip


def _lost_sign(text: str) -> Iterator[str]:
    if not text.startswith("-"):
        yield f"-{text}"


def _lost_point(text: str) -> Iterator[str]:
    if "." not in text:
        start = 1 if text.startswith("-") else 0
        for place in range(start, len(text)):
            if text[place:].strip("0"):  # a whole number has no point to lose
                yield f"{text[:place]}.{text[place:]}"


def _out_by_ten(text: str) -> Iterator[str]:
    number = float(text)
    yield repr(number / 10)
    yield repr(number * 10)


def _swapped_digits(text: str) -> Iterator[str]:
    places = _places(text)
    for first, second in pairwise(places):
        letters = list(text)
        letters[first], letters[second] = letters[second], letters[first]
        yield "".join(letters)


def _doubled_digit(text: str) -> Iterator[str]:
    for place in range(1, len(text)):
        if text[place] in _DIGITS and text[place] == text[place - 1]:
            yield text[:place] + text[place + 1 :]


def _extra_digit(text: str) -> Iterator[str]:
    for place in _places(text):
        yield text[:place] + text[place + 1 :]


def _missing_digit(text: str) -> Iterator[str]:
    for place in range(1 if text.startswith("-") else 0, len(text) + 1):
        for digit in _DIGITS:
            yield text[:place] + digit + text[place:]


def _wrong_digit(text: str) -> Iterator[str]:
    for place in _places(text):
        for digit in _DIGITS:
            yield text[:place] + digit + text[place + 1 :]


def _places(text: str) -> list[int]:
    return [place for place, letter in enumerate(text) if letter in _DIGITS]


#: By their names, those that say more first: a wrong digit explains nearly everything.
SLIPS: dict[str, Callable[[str], Iterator[str]]] = {
    "lost sign": _lost_sign,
    "lost decimal point": _lost_point,
    "out by ten": _out_by_ten,
    "swapped digits": _swapped_digits,
    "doubled digit": _doubled_digit,
    "extra digit": _extra_digit,
    "missing digit": _missing_digit,
    "wrong digit": _wrong_digit,
}

#: Those that are evidence themselves.
TELLING = frozenset({"lost sign", "lost decimal point", "out by ten", "swapped digits", "doubled digit"})
