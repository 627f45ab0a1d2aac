"""The state of reading one definition file, and how reading continues after a mistake."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from lxml import etree

from callint.model.declarations import DecimalAddress, Declaration
from callint.model.definition import Axis, ByteOrder, NumberType, Storage
from callint.reading import xml
from callint.reading.definition_bounds import MAX_ADDRESS, MAX_ALL_BREAKPOINTS, MAX_BREAKPOINTS, MAX_MEMORY
from callint.reading.elements.attributes import required, tag_of, to_integer

BYTE_ORDERS = {order.value: order for order in ByteOrder}
NUMBER_TYPES = {number_type.name: number_type for number_type in NumberType}

ItemType = TypeVar("ItemType")

#: Up to this number, decimal and hexadecimal digits are the same.
_LAST_DIGIT = 9
#: The number of hexadecimal addresses for each decimal one from which the latter look like a mistake.
_HEXADECIMAL_PER_DECIMAL = 3


@dataclass
class ElementReader:
    """What is known of a file so far: its problems, the elements that have some, its byte order, its axes.

    ``breakpoints`` counts those of all axes, to bound them together. ``first`` is added to the line of each
    element, so that the lines of several files differ.
    """

    problems: list[xml.XmlProblem]
    flagged: set[etree._Element]
    tree: xml.XmlDocument | xml.ElementStream
    byte_order: ByteOrder = ByteOrder.BIG
    axes: dict[str, Axis] = field(default_factory=dict)
    declarations: list[Declaration] = field(default_factory=list)
    first: int = 0
    _breakpoints: int = 0
    _decimal_addresses: list[DecimalAddress] = field(default_factory=list)
    _hexadecimal_addresses: int = 0

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
        try:
            return make(self, element)
        except (KeyError, ValueError, OverflowError) as error:
            if len(self.problems) == before and self.flagged.isdisjoint(element.iter()):
                is_missing = isinstance(error, KeyError)
                self.report(element, f"{error.args[0]} is missing or wrong" if is_missing else str(error))
            return None

    def declare(self, space: str, items: dict[str, ItemType], item: ItemType) -> None:
        """Enter an item under its name; of two items with the same name the first stays."""
        name, line = item.name, item.line  # type: ignore[attr-defined]
        self.declarations.append(Declaration(space, name, line))
        items.setdefault(name, item)

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
