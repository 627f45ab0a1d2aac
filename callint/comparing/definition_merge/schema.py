"""What the schema of definitions says about values and order: the types of attributes, and sequences."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache

from lxml import etree

from callint.reading.elements.attributes import to_integer
from callint.reading.resources import resource

_XS = "{http://www.w3.org/2001/XMLSchema}"

#: What a value means: two spellings of one number are equal.
Meaning = Hashable


def _text(text: str) -> Meaning:
    return " ".join(text.split())


def _integer(text: str) -> Meaning:
    return to_integer(text)


def _distance(text: str) -> Meaning:
    text = text.strip()
    return -to_integer(text[1:]) if text[:1] == "-" else to_integer(text)


def _real(text: str) -> Meaning:
    return Fraction(text.strip())


def _reals(text: str) -> Meaning:
    return tuple(Fraction(number) for number in text.split())


def _bytes(text: str) -> Meaning:
    return "".join(text.split()).lower()


_MEANINGS: dict[str, Callable[[str], Meaning]] = {
    **dict.fromkeys(("unsigned", "positive", "integer", "byte", "crcNumber"), _integer),
    "distance": _distance,
    **dict.fromkeys(("real", "positiveReal", "nonNegativeReal", "share"), _real),
    **dict.fromkeys(("reals", "range", "breakpoints"), _reals),
    "hexBytes": _bytes,
}
#: The types of values that are lists of numbers.
_LISTS = ("reals", "range", "breakpoints")


@dataclass(slots=True)
class ElementType:
    """The attributes of an element by name with their types and defaults, and the order of its children."""

    attributes: dict[str, str] = field(default_factory=dict)
    defaults: dict[str, str] = field(default_factory=dict)
    sequence: tuple[str, ...] = ()

    def is_list(self, attribute: str) -> bool:
        """Whether an attribute is a list of numbers."""
        return self.attributes.get(attribute) in _LISTS

    def meaning(self, attribute: str, text: str | None) -> Meaning:
        """What a value means; None if the attribute is absent and has no default."""
        if text is None:
            text = self.defaults.get(attribute)
            if text is None:
                return None
        try:
            return _MEANINGS.get(self.attributes.get(attribute, ""), _text)(text)
        except (ValueError, ZeroDivisionError, OverflowError):
            return _text(text)  # the reader reports it


@cache
def _types() -> dict[str, ElementType]:
    root = etree.parse(resource("schemas/definition.xsd")).getroot()
    complex_types = {item.get("name"): item for item in root.iter(f"{_XS}complexType") if item.get("name")}
    types: dict[str, ElementType] = {}
    for element in root.iter(f"{_XS}element"):
        body = complex_types.get(element.get("type"))
        if body is None:
            body = element.find(f"{_XS}complexType")
        if body is None:
            continue
        # An axis has the same attributes wherever it is, except its name.
        known = types.setdefault(element.get("name", ""), ElementType())
        for attribute in body.iter(f"{_XS}attribute"):
            name = attribute.get("name", "")
            known.attributes[name] = attribute.get("type", "")
            if (default := attribute.get("default")) is not None:
                known.defaults[name] = default
        sequence = body.find(f"{_XS}sequence")
        if sequence is not None:
            known.sequence = tuple(child.get("name", "") for child in sequence.iter(f"{_XS}element"))
    return types


def element_type(name: str) -> ElementType:
    """The type of the elements of a name without namespace; an empty one for an unknown name."""
    return _types().get(name) or ElementType()
