"""The state of reading one definition file, and how reading continues after a mistake."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cached_property
from typing import TypeVar

from lxml import etree

from callint.model.declarations import REPEATED, DecimalAddress, Declaration, InvalidElement
from callint.model.definition import Axis, ByteOrder, NumberType, Storage
from callint.reading import xml
from callint.reading.definition_bounds import MAX_ADDRESS, MAX_ALL_BREAKPOINTS, MAX_BREAKPOINTS, MAX_MEMORY
from callint.reading.elements.attributes import required, tag_of, to_integer

BYTE_ORDERS = {order.value: order for order in ByteOrder}
NUMBER_TYPES = {number_type.name: number_type for number_type in NumberType}

#: The kinds of elements that others refer to by name, by their tags. Those of ``inherited`` are left out.
_SPACES = {
    "signal": "signal",
    **dict.fromkeys(("linear", "rational", "states", "interpolated"), "conversion"),
    **dict.fromkeys(("axis", "fixed-axis", "derived-axis"), "axis"),
    **dict.fromkeys(("scalar", "curve", "map", "text", "table"), "table"),
    **{tag: tag for tag in ("region", "identity", "checksum")},
}
#: The elements without a name, of which each attribute may name what they join.
_JOINING = {"sensor": "sensor", **dict.fromkeys(("at-most", "equal", "inverse", "gap"), "relation")}

#: The parts of a table without which its values read the same, and no other demand means something else.
_DEMANDS = ("limits", "expected", "monotonic", "gradient", "change", "note")

ItemType = TypeVar("ItemType")

#: Up to this number, decimal and hexadecimal digits are the same.
_LAST_DIGIT = 9
#: The number of hexadecimal addresses for each decimal one from which the latter look like a mistake.
_HEXADECIMAL_PER_DECIMAL = 3


class InvalidInParentError(ValueError):
    """A change names an element that is invalid in the parent, where that is reported."""


@dataclass
class ElementReader:
    """What is known of a file so far: its problems, the elements that have some, its byte order, its axes.

    ``removed`` are the elements that the schema does not expect, by the element that held each.
    ``breakpoints`` counts those of all axes, to bound them together. ``first`` is added to the line of each
    element, so that the lines of several files differ. ``invalid`` are the elements with mistakes, and
    ``inherited_invalid`` those of the parent.
    """

    problems: list[xml.XmlProblem]
    flagged: set[etree._Element]
    removed: Mapping[etree._Element, etree._Element]
    tree: xml.XmlDocument | xml.ElementStream
    byte_order: ByteOrder = ByteOrder.BIG
    axes: dict[str, Axis] = field(default_factory=dict)
    declarations: list[Declaration] = field(default_factory=list)
    invalid: list[InvalidElement] = field(default_factory=list)
    inherited_invalid: tuple[InvalidElement, ...] = ()
    first: int = 0
    _breakpoints: int = 0
    _decimal_addresses: list[DecimalAddress] = field(default_factory=list)
    _hexadecimal_addresses: int = 0

    def __post_init__(self) -> None:
        for removed in self.removed:
            for element in removed.iter():
                self.note_invalid(element)

    # Mistakes

    def line(self, element: etree._Element) -> int:
        """The number of the line on which an element begins, over all files."""
        return self.first + self.tree.line_of(element)

    def report(self, element: etree._Element, message: str) -> None:
        """Report a problem with an element. Raises FloodError if there are too many."""
        self.report_line(self.tree.line_of(element), f"<{tag_of(element)}>: {message}")

    def report_line(self, line: int, message: str) -> None:
        """Report a problem at a line of the file. Raises FloodError if there are too many."""
        self.problems.append(xml.XmlProblem(line, xml.shortened(message)))
        if len(self.problems) > xml.MOST_PROBLEMS:
            raise xml.FloodError(self.problems)

    def build(
        self, make: Callable[[ElementReader, etree._Element], ItemType], element: etree._Element
    ) -> ItemType | None:
        """The item that ``make`` makes of an element, or None if the element is wrong.

        The mistake is reported once, unless the schema has reported it before.
        """
        before = len(self.problems)
        item = None
        try:
            item = make(self, element)
        except (KeyError, ValueError, OverflowError) as error:
            is_reported = isinstance(error, InvalidInParentError) or self._is_flagged(element)
            if len(self.problems) == before and not is_reported:
                is_missing = isinstance(error, KeyError)
                self.report(element, f"{error.args[0]} is missing or wrong" if is_missing else str(error))
            self.flagged.add(element)
        is_flawed = len(self.problems) > before or self._is_flawed(element)
        if item is None or is_flawed:
            self.note_invalid(element)
        return None if is_flawed and self._is_misread(element) else item

    def _is_flagged(self, element: etree._Element) -> bool:
        return bool(self.flagged) and not self.flagged.isdisjoint(element.iter())

    def _is_flawed(self, element: etree._Element) -> bool:
        """Whether the schema refuses something in an element, or refused what it held."""
        if not (self.flagged or self.removed):
            return False
        return any(item in self.flagged or item in self._incomplete for item in element.iter())

    def _is_misread(self, element: etree._Element) -> bool:
        """Whether an element with a mistake says something else without what is wrong in it.

        Without its factor or off code, a table has other values; without a limit, they are the same. A
        protection without its guard would be an unguarded one.
        """
        if tag_of(element) not in _SPACES.keys() - {"signal"} | _JOINING.keys():
            return False
        parts = [
            element,
            *(part for child in element if tag_of(child) not in _DEMANDS for part in child.iter()),
        ]
        return any(part in self.flagged or part in self._incomplete for part in parts)

    @cached_property
    def _incomplete(self) -> set[etree._Element]:
        """The elements of which something was removed."""
        return set(self.removed.values())

    def note_invalid(self, element: etree._Element) -> None:
        """Remember an element with a mistake, so that nothing that refers to it counts as a mistake too."""
        tag = tag_of(element)
        if element in self.removed:
            tag = next(iter(get_close_matches(tag, _SPACES.keys() | _JOINING.keys())), tag)
        space, at = _SPACES.get(tag, ""), None
        if tag in _JOINING:
            space, names = _JOINING[tag], [str(value) for value in element.attrib.values()]
        elif tag == "at":  # of a child
            space = "axis" if element.get("axis") else "table"
            names = [str(name) for name in (element.get(space),) if name]
        elif space:
            names = [str(name) for name in (element.get("name"),) if name]
        else:
            return
        with suppress(KeyError, ValueError):
            at = to_integer(str(element.attrib["stored-at" if space == "checksum" else "at"]))
        self.invalid.append(InvalidElement(space, tuple(names), self.line(element), at))
        for own in element if space == "table" else ():
            for axis in own:
                if _SPACES.get(tag_of(axis)) == "axis":
                    self._note_own_axis(axis, f"{element.get('name')}/{tag_of(own)}")

    def _note_own_axis(self, axis: etree._Element, name: str) -> None:
        """Remember the axis inside an invalid table."""
        at = None
        with suppress(KeyError, ValueError):
            at = to_integer(str(axis.attrib["at"]))
        if tag_of(axis) == "axis":
            self.invalid.append(InvalidElement("axis", (name,), self.line(axis), at))

    def declare(self, space: str, items: dict[str, ItemType], item: ItemType) -> None:
        """Enter an item under its name; of two items with the same name the first stays."""
        name, line = item.name, item.line  # type: ignore[attr-defined]
        self.declarations.append(Declaration(space, name, line))
        if items.setdefault(name, item) is not item:
            self.invalid.append(InvalidElement(REPEATED, (name,), line, getattr(item, "at", None)))

    # Attributes of several elements

    def address(self, element: etree._Element, name: str) -> int:
        """An attribute as an address. Raises ValueError above the highest address."""
        text = element.attrib[name]
        address = to_integer(text)
        if address >= MAX_ADDRESS:
            raise ValueError(f"{name} is not below 2 to the power of 48, the highest address that is read")
        if "x" in text:
            self._hexadecimal_addresses += 1
        elif address > _LAST_DIGIT:
            owner = element.get("name") or tag_of(element)
            self._decimal_addresses.append(DecimalAddress(owner, name, text.strip(), self.line(element)))
        return address

    @property
    def decimal_addresses(self) -> tuple[DecimalAddress, ...]:
        """The decimal addresses if at least three quarters of all addresses are hexadecimal."""
        is_rare = len(self._decimal_addresses) * _HEXADECIMAL_PER_DECIMAL <= self._hexadecimal_addresses
        return tuple(self._decimal_addresses) if is_rare else ()

    def size(self, element: etree._Element, name: str) -> int:
        """An attribute as a size in bytes. Raises ValueError above the largest memory."""
        size = to_integer(required(element, name))
        if size > MAX_MEMORY:
            raise ValueError(f"{name} is above {MAX_MEMORY >> 20} MiB, the most that callint reads")
        return size

    def byte_order_of(self, element: etree._Element) -> ByteOrder:
        """The byte order of an element, by default that of the definition."""
        order = element.get("byte-order")
        return self.byte_order if order is None else BYTE_ORDERS[order]

    def breakpoint_count(self, element: etree._Element) -> int:
        """The number of breakpoints of an axis, which also counts towards the bound on all of them."""
        count = to_integer(required(element, "count"))
        if count > MAX_BREAKPOINTS:
            raise ValueError(f"count is above {MAX_BREAKPOINTS}, the most that callint reads")
        self._breakpoints += count
        if self._breakpoints > MAX_ALL_BREAKPOINTS:
            together = f"the axes have more than {MAX_ALL_BREAKPOINTS} breakpoints together"
            raise ValueError(f"{together}, the most that callint reads")
        return count

    def storage(self, element: etree._Element) -> Storage:
        """How the numbers of a table or an axis are stored."""
        number_type = NUMBER_TYPES[required(element, "type")]
        stride, mask = number_type.size, None
        if element.get("stride") is not None:
            stride = to_integer(required(element, "stride"))
        if element.get("mask") is not None:
            mask = to_integer(required(element, "mask"))
        if stride < number_type.size:
            raise ValueError(
                f"stride is {stride}, less than the {number_type.size} bytes of a {number_type.name}"
            )
        if stride >= MAX_MEMORY:
            raise ValueError("stride is larger than any memory")
        if mask is not None and number_type.kind != "u":
            raise ValueError(f"mask needs an unsigned type, not {number_type.name}")
        if mask is not None and mask >= 1 << 8 * number_type.size:
            raise ValueError(f"mask is wider than a {number_type.name}")
        return Storage(number_type, self.byte_order_of(element), stride, mask)
