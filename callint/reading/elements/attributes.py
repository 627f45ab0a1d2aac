"""Attributes and names of XML elements as numbers and texts.

A missing attribute is a KeyError, a wrong value a ValueError. ``ElementReader.build`` reports both, unless
the schema has reported the element before.
"""

from __future__ import annotations

import math
from fractions import Fraction

from lxml import etree


def tag_of(element: etree._Element) -> str:
    """The name of an element without its namespace."""
    return str(element.tag).rpartition("}")[2]


def required(element: etree._Element, name: str) -> str:
    """The value of a required attribute. Raises KeyError if it is missing."""
    value = element.get(name)
    if value is None:
        raise KeyError(name)
    return value


def to_integer(text: str) -> int:
    """A whole number in decimal or, with 0x, in hexadecimal digits."""
    text = text.strip()
    return int(text, 16) if text[:2] == "0x" else int(text)


def to_real(text: str) -> float:
    """A finite number. Raises ValueError for a number that a double cannot hold."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text.strip()} is too large a number")
    return value


def to_reals(text: str) -> tuple[float, ...]:
    """Finite numbers separated by spaces."""
    return tuple(to_real(number) for number in text.split())


def optional_real(element: etree._Element, name: str) -> float | None:
    """The value of an attribute as a finite number, None if the attribute is missing."""
    value = element.get(name)
    return None if value is None else to_real(value)


#: Decimal numbers with at most this many digits differ as doubles (IEEE 754; DBL_DIG of C).
_DIGITS = 15


def exact_text(text: str | None) -> str:
    """A decimal number as it is written if its nearest double is another number; otherwise ""."""
    text = (text or "").strip()
    if len(text) <= _DIGITS or Fraction(text) == Fraction(repr(float(text))):
        return ""
    return text
