"""Values in the open standard ASAM CDF 2.0 (Calibration Data Format, files ``.cdfx``), as arrays.

The element names and their contents are written from memory of the published standard, without its schema.
callint reads what ``reporting/changes/cdfx.py`` writes, and files of other programs that use the same part of
the standard: instances of the categories below in one tree of instances, with physical values. Variants,
arrays of instances and document types are refused, with the line. Elements that do not affect values (display
names, histories, origins) are skipped.

A file may come from a stranger, so it is parsed like a definition: see ``reading/xml.py``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from lxml import etree
from numpy.typing import NDArray

from callint.model.change import Numbers
from callint.model.errors import InputError
from callint.reading import xml
from callint.reading.definition_bounds import MAX_CELLS

#: The categories of the standard: scalar (VALUE and BOOLEAN), curve, map, array, shared axis, text.
VALUE, BOOLEAN, CURVE, MAP, VAL_BLK = "VALUE", "BOOLEAN", "CURVE", "MAP", "VAL_BLK"
COM_AXIS, ASCII = "COM_AXIS", "ASCII"
CATEGORIES = (VALUE, BOOLEAN, CURVE, MAP, VAL_BLK, COM_AXIS, ASCII)

#: The elements between the root and an instance.
PATH = ("SW-SYSTEMS", "SW-SYSTEM", "SW-INSTANCE-SPEC", "SW-INSTANCE-TREE")

#: The content of a root's CATEGORY.
VERSION = "CDF20"

#: An identifier of the ASAM standards: parts of letters, digits and _, with indexes in brackets, and dots.
_IDENTIFIER = re.compile(r"[A-Za-z_]\w*(\[\w+\])*(\.[A-Za-z_]\w*(\[\w+\])*)*", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)

#: Longest message in characters, without its remedy.
_LONGEST = 200

_EXPORT_AGAIN = "export the file again from its source"


def short_name(name: str) -> str:
    """A name as a SHORT-NAME, which is an identifier: other characters become "_"."""
    if _IDENTIFIER.fullmatch(name):
        return name
    identifier = re.sub(r"\W", "_", name, flags=re.ASCII)
    return identifier if identifier[:1].isalpha() or identifier[:1] == "_" else f"_{identifier}"


@dataclass(frozen=True, slots=True)
class Values:
    """Physical values in the file's order, shape (rows, columns); only a map has several rows.

    For a text, ``numbers`` is NaN and ``text_index`` its index in ``texts``; for a number ``text_index`` is
    -1. ``lines`` has the line of each value. ``unit`` is None if the file names no unit. ``labels`` has the
    label of each row, None for a row without a label.
    """

    numbers: Numbers
    text_index: NDArray[np.int64]
    texts: tuple[str, ...]
    lines: NDArray[np.int64]
    unit: str | None
    labels: tuple[str | None, ...] = ()


@dataclass(frozen=True, slots=True)
class InstanceAxis:
    """An axis of an instance: its own ``values``, or ``reference``, the name of the shared axis."""

    index: int
    values: Values | None
    reference: str | None
    line: int


@dataclass(frozen=True, slots=True)
class Instance:
    """The values of one table, text or shared axis; ``axes`` has x before y."""

    name: str
    category: str
    values: Values
    axes: tuple[InstanceAxis, ...]
    line: int


@dataclass(frozen=True, slots=True)
class CdfxFile:
    """The instances of a file, in its order; ``path`` is the name that messages show."""

    path: str
    instances: tuple[Instance, ...]

    def wrong(self, line: int, what: str, remedy: str) -> InputError:
        """The error for a line of the file."""
        return _line_error(self.path, line, what, remedy)


def _line_error(path: str, line: int, what: str, remedy: str) -> InputError:
    if len(what) > _LONGEST:  # it may quote a text of any length
        what = f"{what[: _LONGEST - 4]} ..."
    return InputError(f"{path}:{line}: {what}; {remedy}")


def read_cdfx(data: bytes, path: str) -> CdfxFile:
    """Read a CDFX file; ``path`` is the name that messages show. Raises InputError for other files."""
    tree = xml.parse(data)
    if tree.root is None:
        first = min(tree.problems, key=lambda problem: problem.line)
        # A problem with the file as a whole has its remedy in its message.
        message = first.message if "; " in first.message else f"{first.message}; {_EXPORT_AGAIN}"
        raise InputError(f"{path}:{first.line}: {message}")
    return _CdfxParser(tree, path).file(tree.root)


@dataclass
class _CdfxParser:
    """The state of parsing one file; ``count`` is the number of values so far."""

    tree: xml.XmlDocument
    path: str
    count: int = 0

    def file(self, root: etree._Element) -> CdfxFile:
        """All instances below the root. Raises InputError if the file is not valid."""
        if root.tag != "MSRSW":
            self.refuse(root, "the outermost element is not <MSRSW>", "give a file in ASAM CDF 2.0")
        category = self.text(root, "CATEGORY")
        if category != VERSION:
            self.refuse(root, f"its CATEGORY is {category or 'missing'}, not {VERSION}", "save it as CDF 2.0")
        instances: dict[str, Instance] = {}
        expected = set(root.findall("/".join((*PATH, "SW-INSTANCE"))))
        for element in root.iter("SW-INSTANCE"):
            if element not in expected:
                self.refuse(
                    element, "<SW-INSTANCE> is inside another element", "put it directly below the tree"
                )
            instance = self.instance(element)
            if instance.name in instances:
                first = instances[instance.name].line
                self.refuse(element, f"{instance.name} occurs on line {first} too", "remove one of them")
            instances[instance.name] = instance
        for axis in (axis for instance in instances.values() for axis in instance.axes):
            shared = instances.get(axis.reference or "")
            if axis.reference and (shared is None or shared.category != COM_AXIS):
                message = f"the file has no axis {axis.reference}"
                raise _line_error(self.path, axis.line, message, _EXPORT_AGAIN)
        return CdfxFile(self.path, tuple(instances.values()))

    def refuse(self, element: etree._Element, what: str, remedy: str) -> None:
        """Raise InputError for an element."""
        raise _line_error(self.path, self.tree.line_of(element), what, remedy)

    def text(self, element: etree._Element, name: str) -> str | None:
        """The text of a child, None if it is missing. Raises InputError for several children."""
        children = element.findall(name)
        if len(children) > 1:
            self.refuse(children[1], f"a second <{name}>", "remove one of them")
        return (children[0].text or "").strip() if children else None

    def required_text(self, element: etree._Element, name: str) -> str:
        """The text of a child. Raises InputError if it is missing or empty."""
        text = self.text(element, name)
        if not text:
            self.refuse(element, f"<{element.tag!s}> has no <{name}>", _EXPORT_AGAIN)
        return text or ""

    def instance(self, element: etree._Element) -> Instance:
        """One SW-INSTANCE. Raises InputError if it is not valid."""
        for unsupported in ("SW-INSTANCE-PROPS-VARIANTS", "SW-ARRAY-INDEX"):
            if (child := element.find(unsupported)) is not None:
                self.refuse(
                    child,
                    f"<{unsupported}> is not supported",
                    "export tables without variants and array indexes",
                )
        category = self.required_text(element, "CATEGORY")
        if category not in CATEGORIES:
            listed = ", ".join(CATEGORIES)
            self.refuse(element, f"the category {category} is not one of {listed}", "remove the instance")
        contents = element.findall("SW-VALUE-CONT")
        if len(contents) != 1:
            amount = "no" if not contents else "more than one"
            self.refuse(element, f"<SW-INSTANCE> has {amount} <SW-VALUE-CONT>", "write exactly one")
        return Instance(
            name=self.required_text(element, "SHORT-NAME"),
            category=category,
            values=self.values(contents[0]),
            axes=tuple(self.axes(element)),
            line=self.tree.line_of(element),
        )

    def axes(self, instance: etree._Element) -> Iterator[InstanceAxis]:
        """The axes of an instance in the order of their index, which is 1 for x and 2 for y."""
        elements = instance.findall("SW-AXIS-CONTS/SW-AXIS-CONT")
        axes: dict[str, InstanceAxis] = {}
        for element in elements:
            index = self.required_text(element, "SW-AXIS-INDEX")
            if index not in ("1", "2") or index in axes:
                self.refuse(element, f"<SW-AXIS-INDEX> is {index}", "write 1 for x and 2 for y, once each")
            reference = self.text(element, "SW-INSTANCE-REF")
            values = self.values(element) if element.find("SW-VALUES-PHYS") is not None else None
            if values is None and not reference:
                self.refuse(
                    element, "the axis has neither values nor <SW-INSTANCE-REF>", "write one of the two"
                )
            if values is not None and len(values.numbers) > 1:
                self.refuse(element, "the breakpoints of an axis are in groups", "write them in one row")
            axes[index] = InstanceAxis(int(index), values, reference, self.tree.line_of(element))
        yield from (axes[index] for index in sorted(axes))

    def values(self, content: etree._Element) -> Values:
        """The values below ``<SW-VALUES-PHYS>``: one group per row, or one row without a group."""
        lists = content.findall("SW-VALUES-PHYS")
        if len(lists) != 1:
            amount = "no" if not lists else "more than one"
            self.refuse(content, f"<{content.tag!s}> has {amount} <SW-VALUES-PHYS>", "write exactly one")
        groups = lists[0].findall("VG")
        if groups and len(groups) != len(lists[0]):
            self.refuse(lists[0], "some values are outside groups <VG>", "put every value into a group")
        rows = [self.row(group) for group in groups or lists]
        for group, row in zip(groups, rows, strict=False):
            if len(row) != len(rows[0]):
                sizes = f"{len(row)} values, but the first group has {len(rows[0])}"
                self.refuse(group, f"the group has {sizes}", "give every row the same number of values")
        cells = [cell for row in rows for cell in row]
        if not cells:
            self.refuse(lists[0], "<SW-VALUES-PHYS> has no value", "add the values")
        shape = len(rows), len(rows[0])
        indexes: dict[str | None, int] = {None: -1}
        text_index = [indexes.setdefault(text, len(indexes) - 1) for _, text, _ in cells]
        return Values(
            numbers=np.array([number for number, _, _ in cells], np.float64).reshape(shape),
            text_index=np.array(text_index, np.int64).reshape(shape),
            texts=tuple(text for text in indexes if text is not None),
            lines=np.array([line for _, _, line in cells], np.int64).reshape(shape),
            unit=self.text(content, "UNIT-DISPLAY-NAME"),
            labels=tuple(self.text(group, "LABEL") for group in groups),
        )

    def row(self, group: etree._Element) -> list[tuple[float, str | None, int]]:
        """Number, text and line of each value of a group: NaN for a text, None for a number."""
        row: list[tuple[float, str | None, int]] = []
        for element in group:
            line = self.tree.line_of(element)
            if element.tag == "V":
                row.append((self.number(element), None, line))
            elif element.tag == "VT":
                # Spaces may be part of a text.
                row.append((math.nan, element.text or "", line))
            elif element.tag != "LABEL":
                self.refuse(
                    element, f"<{element.tag!s}> is not supported here", "write values as <V> or <VT>"
                )
            if len(element):
                self.refuse(
                    element[0], f"<{element[0].tag!s}> is not supported here", "write the value alone"
                )
        self.count += len(row)
        if self.count > MAX_CELLS:
            self.refuse(group, f"the file has more than {MAX_CELLS} values", "split it into several")
        return row

    def number(self, element: etree._Element) -> float:
        """The finite number in a <V>. Raises InputError for any other text."""
        text = (element.text or "").strip()
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if not math.isfinite(value):
            self.refuse(element, f"{text[:40]!r} is not a number", "write it with a point, as in 12.5")
        return value
