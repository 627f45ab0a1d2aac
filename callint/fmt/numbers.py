"""Numbers, units and counts as text."""

from __future__ import annotations

import math
from fractions import Fraction
from functools import lru_cache

from callint.model.definition import Conversion, Linear, States

#: The most decimals if the conversion does not say how many there are.
_DIGITS = 4

#: From here on doubles are not exact to one: printing all digits would suggest a precision they lack.
_LARGEST = 1e16

#: The text for a value that is not a number.
NO_NUMBER = "not a number"

#: Units of scales with an arbitrary zero: temperatures other than kelvin, angles from a dead centre.
_ARBITRARY_ZERO = frozenset({"degC", "°C", "degF", "°F", "deg", "°", "degCA", "°CA", "degCRK", "°CRK", "CAD"})


def decimals(conversion: Conversion) -> int | None:
    """The number of decimals of a conversion's values; None if significant digits serve better."""
    if conversion.decimals is not None:
        return conversion.decimals
    return _linear_decimals(conversion.factor, conversion.offset) if isinstance(conversion, Linear) else None


@lru_cache(maxsize=1024)
def _linear_decimals(factor: float, offset: float) -> int | None:
    digits = 0
    for number in (factor, offset):
        text = repr(number)
        if "e" in text:
            return None
        digits = max(digits, len(text.partition(".")[2].rstrip("0")))
    return min(digits, _DIGITS)


def plain(value: float) -> str:
    """A number in up to 12 significant digits, as definitions write limits and breakpoints."""
    return f"{value:.12g}".replace("e+", "e")


def exact(value: float) -> str:
    """A number in the fewest digits that no other double has."""
    return repr(float(value)).removesuffix(".0")


def decimal_digits(value: Fraction) -> str:
    """A decimal number with all its digits."""
    digits = 0
    while value.denominator > 1 and 10**digits % value.denominator:
        digits += 1
    whole, rest = divmod(abs(value) * 10**digits, 10**digits)
    point = f".{int(rest):0{digits}d}" if digits else ""
    return f"{'-' if value < 0 else ''}{whole}{point}"


def number(value: float, conversion: Conversion) -> str:
    """A physical value without its unit; a named state by its name.

    Between two cells, a table of states puts out a value between two states.
    """
    if math.isnan(value):
        return NO_NUMBER
    if math.isinf(value):
        return "infinite" if value > 0 else "-infinite"
    if isinstance(conversion, States):
        if value != int(value):
            low, high = (number(math.floor(value) + step, conversion) for step in (0, 1))
            return f"between {low} and {high}"
        return conversion.names.get(int(value), f"raw {plain(value)}")
    digits = decimals(conversion)
    if digits is None or abs(value) >= _LARGEST:
        return significant(value)
    return _fixed(value, digits)


def significant(value: float) -> str:
    """A number in six significant digits, with an exponent if it is very large or very small."""
    return f"{value:.6g}".replace("e+", "e")


def _fixed(value: float, digits: int) -> str:
    """A number with ``digits`` decimals, without a minus before zero."""
    text = f"{value:.{digits}f}"
    return text[1:] if text.startswith("-") and not float(text) else text


def rounded(value: float, within: float, conversion: Conversion) -> str:
    """A value with an uncertainty, in the digits that are certain: 1198.6 within 25 as 1200."""
    if not (math.isfinite(value) and math.isfinite(within) and within > 0):
        return number(value, conversion)
    step = 10.0 ** math.floor(math.log10(within))
    return trimmed(number(round(value / step) * step, conversion))


def trimmed(text: str) -> str:
    """The text of a number without trailing zeros: breakpoints read better as 58 than as 58.00."""
    digits, mark, exponent = text.partition("e")
    return f"{digits.rstrip('0').rstrip('.')}{mark}{exponent}" if "." in digits else text


def with_unit(text: str, unit: str) -> str:
    """The text of a number with its unit; a pure number ("" or "-") and "not a number" have none."""
    return text if unit in ("", "-") or text == NO_NUMBER else f"{text} {unit_word(unit)}"


def unit_word(unit: str) -> str:
    """The unit as callint prints it: definitions write degC, people read °C."""
    return {"degC": "°C", "degF": "°F", "degCA": "°CA", "deg": "°"}.get(unit, unit)


def same_unit(first: str, second: str) -> bool:
    """Whether two units print the same."""
    return unit_word(first) == unit_word(second)


def quantity(value: float, conversion: Conversion, unit: str | None = None) -> str:
    """A physical value with its unit."""
    return with_unit(number(value, conversion), conversion.unit if unit is None else unit)


def format_distinct(values: tuple[float, ...], conversion: Conversion) -> list[str]:
    """Values without their unit; values that differ have enough digits to show it."""
    texts = [number(value, conversion) for value in values]
    for format_longer in (plain, exact):
        if len(set(texts)) == len(set(values)) or isinstance(conversion, States):
            break
        texts = [
            format_longer(value) if math.isfinite(value) else text
            for value, text in zip(values, texts, strict=True)
        ]
    return texts


def format_change(old: float, new: float, conversion: Conversion) -> tuple[str, str, str]:
    """Two values and their signed difference, without unit, each rounded by at most 5 % of the difference.

    The decimals of the conversion may not be enough, because an output between cells can have any value, and
    a cell can hold more digits. The printed difference is that of the printed numbers.
    """
    digits = decimals(conversion)
    is_large = max(abs(old), abs(new)) >= _LARGEST and math.isfinite(new - old)
    if is_large and not isinstance(conversion, States):
        before_text, after_text = format_distinct((old, new), conversion)
        return before_text, after_text, f"{'' if new < old else '+'}{significant(new - old)}"
    if digits is None or isinstance(conversion, States) or not math.isfinite(new - old):
        return number(old, conversion), number(new, conversion), signed_number(new - old, conversion)
    slack = 0.05 * abs(new - old)
    while digits < 2 * _DIGITS and any(abs(value - round(value, digits)) > slack for value in (old, new)):
        digits += 1
    before, after = round(old, digits), round(new, digits)
    difference = _fixed(after - before, digits)
    texts = _fixed(before, digits), _fixed(after, digits)
    if texts[0] == texts[1] and old != new:
        first, second = format_distinct((old, new), conversion)
        return first, second, f"{'' if new < old else '+'}{significant(new - old)}"
    return *texts, difference if difference.startswith("-") else f"+{difference}"


def format_near(value: float, limit: float, conversion: Conversion) -> str:
    """A value without its unit, in enough digits to differ from the limit."""
    return format_distinct((value, limit), conversion)[0]


def signed_number(value: float, conversion: Conversion) -> str:
    """A difference with its sign, without its unit."""
    text = number(value, conversion)
    return text if text.startswith("-") else f"+{text}"


def distance_unit(unit: str) -> str:
    """The unit of a difference: 60 % to 76 % is 16 points, because 16 % more would be 69.6 %."""
    return "points" if unit == "%" else unit


def percent(old: float, new: float, unit: str) -> str:
    """The relative change with its sign, such as "+8.5 %"; "" if the old value is 0.

    "" also on scales with an arbitrary zero: 104 °C is not half of 208 °C.
    """
    if not old or not math.isfinite(old) or not math.isfinite(new) or unit in _ARBITRARY_ZERO:
        return ""
    share = 100 * (new - old) / abs(old)
    if share and abs(share) < 0.05:  # a small change must not print as 0.0 %
        return f"{share:+.1g} %"
    return f"{share:+.1f} %" if abs(share) < 1000 else f"{share:+.3g} %"


def count(amount: int, noun: str) -> str:
    """A count and its noun: "1 cell", "2 cells"."""
    plural = {"axis": "axes", "stretch": "stretches", "more stretch": "more stretches"}.get(noun, f"{noun}s")
    return f"{amount:,} {noun if amount == 1 else plural}"


def address(value: int) -> str:
    """An address in hexadecimal with at least five digits: 0x40010."""
    return f"0x{value:05X}"
