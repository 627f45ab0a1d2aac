"""Numbers, units and counts as text."""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np

from callint.model.definition import Conversion, Linear, NumberType, States, Storage

#: The most decimals if the conversion does not say how many there are.
_DIGITS = 4

#: From here on doubles are not exact to one: printing all digits would suggest a precision they lack.
_LARGEST = 1e16

#: From here down a number is written with an exponent.
_SMALLEST = 1e-5

#: The significant digits of a value that no cell holds, such as one between cells. float32 has just over 7.
_OUTPUT_DIGITS = 7

#: By type, the most digits to which zeros fill up the numbers of a column: three more than a shortest decimal
#: of the type can have.
_COLUMN_DIGITS = {NumberType.float16: 8, NumberType.float32: 12, NumberType.float64: 20}

#: The most decimals to which zeros fill up one of two numbers in a sentence.
_FILLED_DECIMALS = 9

#: The types of stored floats that are narrower than a double.
_NARROW: dict[NumberType, type[np.floating[Any]]] = {
    NumberType.float16: np.float16,
    NumberType.float32: np.float32,
}

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
    return _without_minus(f"{value:.12g}".replace("e+", "e"))


def exact(value: float, conversion: Conversion | None = None, storage: Storage | None = None) -> str:
    """A number in the fewest digits that give it back: the double, or the float stored in a table.

    A minus before zero stays, because it is another number.
    """
    if conversion is not None and storage is not None and math.isfinite(value):
        digits = _stored_digits(value, conversion, storage)
        if digits is not None:
            return f"{'-' if not digits and math.copysign(1, value) < 0 else ''}{_written(digits)}"
    return repr(float(value)).removesuffix(".0")


def decimal_digits(value: Fraction) -> str:
    """A decimal number with all its digits."""
    digits = 0
    while value.denominator > 1 and 10**digits % value.denominator:
        digits += 1
    whole, rest = divmod(abs(value) * 10**digits, 10**digits)
    point = f".{int(rest):0{digits}d}" if digits else ""
    return f"{'-' if value < 0 else ''}{whole}{point}"


def number(value: float, conversion: Conversion, storage: Storage | None = None) -> str:
    """A physical value without its unit; a named state by its name.

    Between two cells, a table of states puts out a value between two states. A stored float has the fewest
    digits that give it back, unless the conversion says how many decimals it has.
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
    if has_stored_digits(conversion, storage):
        stored = _stored_digits(value, conversion, storage)
        return output(value) if stored is None else _written(stored)
    digits = decimals(conversion)
    if digits is None or abs(value) >= _LARGEST:
        return significant(value)
    return _fixed(value, digits)


class Column:
    """Writes the values of a table as ``number`` does, with one number of decimals, so that they align.

    Stored floats get as many decimals as the one that needs the most, unless zeros would then fill a number
    up to more digits than the type has.
    """

    def __init__(self, values: Iterable[float], conversion: Conversion, storage: Storage) -> None:
        self._conversion, self._storage = conversion, storage
        self._decimals = 0
        if not has_stored_digits(conversion, storage):
            return
        texts = [self.text(value) for value in set(values)]
        fixed = [text.lstrip("-").partition(".") for text in texts if _is_decimal(text)]
        decimals_needed = max((len(fraction) for _, _, fraction in fixed), default=0)
        whole_digits = max((len(whole) for whole, _, _ in fixed), default=0)
        if whole_digits + decimals_needed <= _COLUMN_DIGITS[storage.type]:
            self._decimals = decimals_needed

    def text(self, value: float) -> str:
        """A value without its unit."""
        text = number(value, self._conversion, self._storage)
        return _filled(text, self._decimals) if self._decimals and _is_decimal(text) else text


def significant(value: float) -> str:
    """A number in six significant digits, with an exponent if it is very large or very small."""
    return _without_minus(f"{value:.6g}".replace("e+", "e"))


def output(value: float) -> str:
    """A number that no cell holds, in the digits of a float32; the digits before the point are complete."""
    if not value or not _SMALLEST <= abs(value) < _LARGEST:
        return significant(value)
    digits = max(_OUTPUT_DIGITS - 1 - math.floor(math.log10(abs(value))), 0)
    return trimmed(_fixed(value, digits))


def _fixed(value: float, digits: int) -> str:
    """A number with ``digits`` decimals, without a minus before zero."""
    return _without_minus(f"{value:.{digits}f}")


def _without_minus(text: str) -> str:
    """The text of a number, without a minus before zero."""
    return text[1:] if text.startswith("-") and not float(text) else text


# Stored floats


def has_stored_digits(conversion: Conversion, storage: Storage | None) -> bool:
    """Whether numbers are stored floats of which nothing but the stored number says how many digits count."""
    is_float = storage is not None and not storage.type.is_integer
    return is_float and isinstance(conversion, Linear) and conversion.decimals is None


def _stored_digits(value: float, conversion: Conversion, storage: Storage | None) -> Decimal | None:
    """The shortest decimal that is stored as the same float as a value; None if no float gives the value."""
    if storage is None or storage.type.is_integer or not isinstance(conversion, Linear):
        return None
    if not conversion.factor:
        return None
    return _shortest(value, conversion.factor, conversion.offset, storage.type)


@lru_cache(maxsize=65536)
def _shortest(value: float, factor: float, offset: float, type_: NumberType) -> Decimal | None:
    narrow = _NARROW.get(type_)
    if (factor, offset) == (1.0, 0.0):
        if narrow is None:
            return Decimal(repr(value))
        with np.errstate(over="ignore"):
            stored = narrow(value)
        return Decimal(str(stored)) if float(stored) == value else None
    raw = _stored(Fraction(value), factor, offset, narrow)
    if raw is None:
        return None
    back = float(Fraction(raw) * Fraction(repr(factor)) + Fraction(repr(offset)))
    # A conversion may round three times, each time by half a unit in the last place.
    if abs(back - value) > 4 * math.ulp(max(abs(value), abs(offset))):
        return None
    for digits in range(1, 18):
        decimal = Decimal(f"{value:.{digits - 1}e}")
        if _stored(Fraction(decimal), factor, offset, narrow) == raw:
            return decimal
    return Decimal(repr(value))


def _stored(
    value: Fraction, factor: float, offset: float, narrow: type[np.floating[Any]] | None
) -> float | None:
    """The float that a physical value is stored as; None if it is too large for the type."""
    try:
        raw = float((value - Fraction(repr(offset))) / Fraction(repr(factor)))
    except OverflowError:
        return None
    with np.errstate(over="ignore"):
        raw = float(narrow(raw)) if narrow is not None else raw
    return raw if math.isfinite(raw) else None


def _written(digits: Decimal) -> str:
    """A decimal number without zeros at its end; with an exponent if it is very large or very small."""
    if not digits:
        return "0"
    if _SMALLEST <= abs(digits) < _LARGEST:
        return trimmed(f"{digits:f}")
    mantissa, _, exponent = f"{digits:e}".partition("e")
    return f"{trimmed(mantissa)}e{int(exponent)}"


def _is_decimal(text: str) -> bool:
    """Whether a text is a number without an exponent."""
    return text[-1].isdigit() and "e" not in text


def _count_decimals(text: str) -> int:
    return len(text.partition(".")[2])


def _filled(text: str, digits: int) -> str:
    """The text of a number with zeros up to a number of decimals."""
    missing = digits - _count_decimals(text)
    return text if not missing else f"{text}{'' if '.' in text else '.'}{'0' * missing}"


# Numbers with units


def rounded(value: float, within: float, conversion: Conversion, storage: Storage | None = None) -> str:
    """A value with an uncertainty, in the digits that are certain: 1198.6 within 25 as 1200."""
    if not (math.isfinite(value) and math.isfinite(within) and within > 0):
        return number(value, conversion, storage)
    step = 10.0 ** math.floor(math.log10(within))
    if not (step and math.isfinite(value / step)):  # all digits of the value are certain
        return number(value, conversion, storage)
    return trimmed(number(round(value / step) * step, conversion, storage))


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


def quantity(
    value: float, conversion: Conversion, unit: str | None = None, storage: Storage | None = None
) -> str:
    """A physical value with its unit."""
    return with_unit(number(value, conversion, storage), conversion.unit if unit is None else unit)


def format_distinct(
    values: tuple[float, ...], conversion: Conversion, storage: Storage | None = None
) -> list[str]:
    """Values without their unit; values that differ have enough digits to show it."""
    texts = [number(value, conversion, storage) for value in values]
    for is_exact in (False, True):
        if len(set(texts)) == len(set(values)) or isinstance(conversion, States):
            break
        texts = [
            _longer(value, conversion, storage, is_exact) if math.isfinite(value) else text
            for value, text in zip(values, texts, strict=True)
        ]
    return texts


def _longer(value: float, conversion: Conversion, storage: Storage | None, is_exact: bool) -> str:
    """A number in 12 digits, or in all that it needs if it is a float that needs fewer."""
    is_narrow = storage is not None and storage.type in _NARROW
    if is_exact or (is_narrow and _stored_digits(value, conversion, storage) is not None):
        return exact(value, conversion, storage)
    return plain(value)


def format_change(
    old: float, new: float, conversion: Conversion, storage: Storage | None = None
) -> tuple[str, str, str]:
    """Two values and their signed difference, without unit, each rounded by at most 5 % of the difference.

    The decimals of the conversion may not be enough, because an output between cells can have any value, and
    a cell can hold more digits. The printed difference is that of the printed numbers.
    """
    digits = decimals(conversion)
    is_finite = math.isfinite(new - old)
    is_large = max(abs(old), abs(new)) >= _LARGEST and is_finite
    if is_large and not isinstance(conversion, States):
        return _distinct_change(old, new, conversion, storage)
    if is_finite and has_stored_digits(conversion, storage) and _are_stored((old, new), conversion, storage):
        texts = number(old, conversion, storage), number(new, conversion, storage)
        if not all(_is_decimal(text) for text in texts):
            return _distinct_change(old, new, conversion, storage)
        digits = max(_count_decimals(text) for text in texts)
        difference = Decimal(texts[1]) - Decimal(texts[0])
        sign = "" if difference < 0 else "+"
        if digits <= _FILLED_DECIMALS:
            texts = _filled(texts[0], digits), _filled(texts[1], digits)
        return *texts, f"{sign}{difference:.{digits}f}"
    if digits is None or isinstance(conversion, States) or not math.isfinite(new - old):
        return number(old, conversion), number(new, conversion), signed_number(new - old, conversion)
    slack = 0.05 * abs(new - old)
    while digits < 2 * _DIGITS and any(abs(value - round(value, digits)) > slack for value in (old, new)):
        digits += 1
    before, after = round(old, digits), round(new, digits)
    moved = _fixed(after - before, digits)
    texts = _fixed(before, digits), _fixed(after, digits)
    if texts[0] == texts[1] and old != new:
        return _distinct_change(old, new, conversion, storage)
    return *texts, moved if moved.startswith("-") else f"+{moved}"


def _are_stored(values: Iterable[float], conversion: Conversion, storage: Storage | None) -> bool:
    return all(_stored_digits(value, conversion, storage) is not None for value in values)


def _distinct_change(
    old: float, new: float, conversion: Conversion, storage: Storage | None
) -> tuple[str, str, str]:
    """Two values and their signed difference, if decimals do not serve."""
    first, second = format_distinct((old, new), conversion, storage)
    return first, second, f"{'' if new < old else '+'}{significant(new - old)}"


def format_near(value: float, limit: float, conversion: Conversion, storage: Storage | None = None) -> str:
    """A value without its unit, in enough digits to differ from the limit."""
    return format_distinct((value, limit), conversion, storage)[0]


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
