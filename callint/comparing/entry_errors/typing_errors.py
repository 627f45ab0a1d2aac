"""Recognises mistyped numbers.

The names are those of the published taxonomies: S. Wiseman, P. Cairns and A. Cox, "A taxonomy of number entry
error", Proceedings of BCS HCI 2011; H. Thimbleby and P. Cairns, "Reducing number entry errors: solving a
widespread, serious problem", Journal of the Royal Society Interface 7 (2010).

Every slip is inverted: the typed number gives the numbers that may have been meant.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

_DIGITS = "0123456789"
_ANY_DIGIT = re.compile("[0-9]")
#: A number with a zero in front of other digits.
_LEADING_ZERO = re.compile("-?0[0-9]")
#: The largest number of significant digits of typed numbers without a declared number of decimals.
_MOST_DIGITS = 6
#: No more numbers than this, on either side of a stored one, are tried as the typed one.
_MOST_ROUNDED = 25
#: The number of stored numbers for which what may have been meant is kept.
_MOST_MEANT = 64


@dataclass(frozen=True, slots=True)
class TypingError:
    """A slip by its published name, and the number that was meant if it was that slip."""

    name: str
    meant: float


def find_typing_error(
    actual: float,
    expected: float,
    within: float,
    decimals: int | None,
    is_distinctive: bool = False,
    step: float = 0.0,
) -> TypingError | None:
    """The slip that turns a number near ``expected`` into the ``actual`` one; None if there is none.

    The number that was meant lies at most ``within`` from the expected one. ``decimals`` is the number of
    digits after the point that numbers are typed with; nobody means more. If several slips fit, the most
    distinctive one is returned. ``is_distinctive`` tries only the DISTINCTIVE slips, which few numbers look
    like by chance. With the ``step`` of the storage, the number that was typed may be any that is stored as
    the actual one; this is evidence only if the expected value is known to the step.
    """
    if not all(map(math.isfinite, (actual, expected, within))):
        return None
    for name, undo in SLIPS.items():
        if is_distinctive and name not in DISTINCTIVE:
            continue
        typed = texts(actual, decimals)
        if step and decimals is not None:
            typed = typed + _rounded_texts(actual, decimals, step, name)
        meant = [value for text in typed for value in _numbers(undo(text), decimals)]
        fitting = [value for value in meant if abs(value - expected) <= within and value != actual]
        if fitting:
            return TypingError(name, min(fitting, key=lambda value: (abs(value - expected), value)))
    return None


def texts(value: float, decimals: int | None) -> list[str]:
    """The ways to type a number: with all its decimals, and without trailing zeros."""
    full = f"{value:.{decimals}f}" if decimals is not None else f"{value:.{_MOST_DIGITS}g}"
    if "e" in full:
        return []
    trimmed = full.rstrip("0").rstrip(".") if "." in full else full
    return [full] if full == trimmed else [trimmed, full]


def _rounded_texts(value: float, decimals: int, step: float, name: str) -> list[str]:
    """The other numbers that are stored as this one if typed, with a digit more if the slip adds one."""
    digits = decimals + (name in _LENGTHENING)
    count = int(0.5 * step * 10.0**digits + 1e-6)
    if not 0 < count <= _MOST_ROUNDED:
        return []
    return [f"{value + number * 10.0**-digits:.{digits}f}" for number in range(-count, count + 1) if number]


def count_digits(value: float, decimals: int | None) -> int:
    """The number of digits to type a number, without zeros before and behind them."""
    shortest = "".join(texts(value, decimals)[:1])
    return len(shortest.lstrip("-").replace(".", "").strip("0"))


def _numbers(candidates: Iterator[str], decimals: int | None) -> Iterator[float]:
    """The candidates with at most ``decimals`` decimals, or with at most _MOST_DIGITS digits if None."""
    for text in candidates:
        if not _ANY_DIGIT.search(text):
            continue
        if decimals is not None:
            is_typable = len(text.partition(".")[2].rstrip("0")) <= decimals
        else:
            is_typable = len(text.lstrip("-").replace(".", "").strip("0")) <= _MOST_DIGITS
        if is_typable:
            yield float(text)


@lru_cache(maxsize=_MOST_MEANT)
def meant_numbers(actual: float, decimals: int | None) -> tuple[tuple[float, float], ...]:
    """The numbers that a slip turns into the actual one, and how likely each of them is to become it.

    All kinds of slips are equally likely, and so are all ways to make one of a kind. Nobody types a zero in
    front of other digits. A number may occur more than once. A cell is weighed again with each cell around it
    that is excluded, so the last results are kept.
    """
    return tuple(_meant_numbers(actual, decimals))


def _meant_numbers(actual: float, decimals: int | None) -> Iterator[tuple[float, float]]:
    for text in {*texts(actual, decimals)}:
        for name, undo in SLIPS.items():
            for candidate in {*undo(text)}:
                # A number out by ten was typed in another way: 5 and not 05, although both become 0.5.
                if name != "out by ten" and _LEADING_ZERO.match(candidate):
                    continue
                for meant in _numbers(iter((candidate,)), decimals):
                    if meant != actual:
                        yield meant, 1 / (len(SLIPS) * _ways(name, candidate))


def _ways(name: str, meant: str) -> int:
    """The number of ways to make a slip of that kind in a number."""
    digits = max(1, sum(letter in _DIGITS for letter in meant))
    return {
        "lost sign": 1,
        "lost decimal point": 1,
        "out by ten": 2,
        "swapped digits": max(1, digits - 1),
        "doubled digit": digits,
        "extra digit": 10 * (digits + 1),
        "missing digit": digits,
        "wrong digit": 9 * digits,
    }[name]


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
    sign = "-" if text.startswith("-") else ""
    whole, _, rest = text.removeprefix("-").partition(".")
    yield f"{sign}{whole[:-1] or 0}.{whole[-1:]}{rest}"
    yield f"{sign}{whole}{rest[:1] or 0}.{rest[1:]}"


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


#: By name, the more distinctive first: a wrong digit explains nearly every number.
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

#: The slips after which a number may have more decimals than its table.
_LENGTHENING = frozenset({"out by ten", "doubled digit", "extra digit"})

#: The slips that are evidence on their own.
DISTINCTIVE = frozenset({"lost sign", "lost decimal point", "out by ten", "swapped digits", "doubled digit"})

#: The slips after which a number is seldom meant, however little it moves the cell.
TELLING = frozenset({"lost sign", "lost decimal point", "out by ten"})
