"""Values in the open standard ASAM CDF 2.0 (Calibration Data Format, files ``.cdfx``), as arrays.

The element names and what they hold are written from memory of the published standard, without its schema
at hand. What is read is what ``reporting/changes_cdfx.py`` writes, and files of others that keep to the same
part: instances of the categories below in one tree of instances, with physical values. Variants, arrays of
instances and document types are refused, with the line. What has no bearing on values (names for people,
histories, origins, labels of rows) is passed over.

A file may come from a stranger, and is read as definitions are: ``reading/xml.py`` says how.
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

#: What the standard calls a scalar, a curve, a map, a shared axis and a text. BOOLEAN is a scalar too.
VALUE, BOOLEAN, CURVE, MAP, COM_AXIS, ASCII = "VALUE", "BOOLEAN", "CURVE", "MAP", "COM_AXIS", "ASCII"
CATEGORIES = (VALUE, BOOLEAN, CURVE, MAP, COM_AXIS, ASCII)

#: What lies between the root and an instance.
PATH = ("SW-SYSTEMS", "SW-SYSTEM", "SW-INSTANCE-SPEC", "SW-INSTANCE-TREE")

#: The content of a root's CATEGORY.
VERSION = "CDF20"

#: An identifier of the ASAM standards: parts of letters, digits and _, with indexes in brackets, and dots.
_IDENTIFIER = re.compile(r"[A-Za-z_]\w*(\[\w+\])*(\.[A-Za-z_]\w*(\[\w+\])*)*", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)

#: Longest message in characters, its remedy not counted.
_LONGEST = 200

_ANEW = "write the file anew from its source"


def short_name(name: str) -> str:
    """A name as a SHORT-NAME, which is an identifier: whatever does not fit into one becomes "_"."""
    if _IDENTIFIER.fullmatch(name):
        return name
    fitting = re.sub(r"\W", "_", name, flags=re.ASCII)
    return fitting if fitting[:1].isalpha() or fitting[:1] == "_" else f"_{fitting}"


@dataclass(frozen=True, slots=True)
class Values:
    """Physical values in the file's order, shape (rows, columns); one row but for a map.

    Where a text stands, ``numbers`` is NaN and ``word`` its place in ``words``; elsewhere ``word`` is -1.
    ``lines`` has the line of each. ``unit`` is None where the file names none. ``labels`` are those of the
    rows, None for one without.
    """

    numbers: Numbers
    word: NDArray[np.int64]
    words: tuple[str, ...]
    lines: NDArray[np.int64]
    unit: str | None
    labels: tuple[str | None, ...] = ()


@dataclass(frozen=True, slots=True)
class Along:
    """An axis of an instance: its own ``values``, or the name of the instance that it shares."""

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
    axes: tuple[Along, ...]
    line: int


@dataclass(frozen=True, slots=True)
class CdfxFile:
    """The instances of a file, in its order; ``path`` is the name that messages show."""

    path: str
    instances: tuple[Instance, ...]

    def wrong(self, line: int, what: str, remedy: str) -> InputError:
        """The error for a line of the file."""
        return _wrong(self.path, line, what, remedy)


def _wrong(path: str, line: int, what: str, remedy: str) -> InputError:
    if len(what) > _LONGEST:  # it quotes a text of any length
        what = f"{what[: _LONGEST - 4]} ..."
    return InputError(f"{path}:{line}: {what}; {remedy}")


def read_cdfx(data: bytes, path: str) -> CdfxFile:
    """Read a CDFX file; ``path`` is the name that messages show. InputError for what cannot be read."""
    tree = xml.parse(data)
    if tree.root is None:
        problem = min(tree.problems, key=lambda one: one.line)
        # What is wrong with the file as a whole comes with its remedy.
        words = problem.message if "; " in problem.message else f"{problem.message}; {_ANEW}"
        raise InputError(f"{path}:{problem.line}: {words}")
    return _Reader(tree, path).file(tree.root)


@dataclass
class _Reader:
    """The state of reading one file: how many values are read so far."""

    tree: xml.XmlDocument
    path: str
    count: int = 0

    def file(self, root: etree._Element) -> CdfxFile:
        if root.tag != "MSRSW":
            self.refuse(root, "the outermost element is not <MSRSW>", "give a file in ASAM CDF 2.0")
        category = self.text(root, "CATEGORY")
        if category != VERSION:
            self.refuse(root, f"its CATEGORY is {category or 'missing'}, not {VERSION}", "save it as CDF 2.0")
        found: dict[str, Instance] = {}
        below = set(root.findall("/".join((*PATH, "SW-INSTANCE"))))
        for element in root.iter("SW-INSTANCE"):
            if element not in below:
                self.refuse(
                    element, "<SW-INSTANCE> stands inside another element", "put it below the tree itself"
                )
            instance = self.instance(element)
            if instance.name in found:
                first = found[instance.name].line
                self.refuse(element, f"{instance.name} stands on line {first} already", "remove one of them")
            found[instance.name] = instance
        for along in (along for instance in found.values() for along in instance.axes):
            shared = found.get(along.reference or "")
            if along.reference and (shared is None or shared.category != COM_AXIS):
                words = f"there is no axis {along.reference} in the file"
                raise _wrong(self.path, along.line, words, _ANEW)
        return CdfxFile(self.path, tuple(found.values()))

    def refuse(self, element: etree._Element, what: str, remedy: str) -> None:
        raise _wrong(self.path, self.tree.line_of(element), what, remedy)

    def text(self, element: etree._Element, name: str) -> str | None:
        """The text of a child that may be missing; InputError where there are several."""
        children = element.findall(name)
        if len(children) > 1:
            self.refuse(children[1], f"a second <{name}>", "remove one of them")
        return (children[0].text or "").strip() if children else None

    def needed(self, element: etree._Element, name: str) -> str:
        text = self.text(element, name)
        if not text:
            self.refuse(element, f"<{element.tag!s}> has no <{name}>", _ANEW)
        return text or ""

    def instance(self, element: etree._Element) -> Instance:
        for foreign in ("SW-INSTANCE-PROPS-VARIANTS", "SW-ARRAY-INDEX"):
            if (child := element.find(foreign)) is not None:
                self.refuse(child, f"<{foreign}> is not read", "write tables without variants or indexes")
        category = self.needed(element, "CATEGORY")
        if category not in CATEGORIES:
            listed = ", ".join(CATEGORIES)
            self.refuse(element, f"the category {category} is none of {listed}", "leave the instance out")
        contents = element.findall("SW-VALUE-CONT")
        if len(contents) != 1:
            amount = "no" if not contents else "more than one"
            self.refuse(element, f"<SW-INSTANCE> has {amount} <SW-VALUE-CONT>", "give it one")
        return Instance(
            name=self.needed(element, "SHORT-NAME"),
            category=category,
            values=self.values(contents[0]),
            axes=tuple(self.axes(element)),
            line=self.tree.line_of(element),
        )

    def axes(self, instance: etree._Element) -> Iterator[Along]:
        """The axes of an instance by their index, which is 1 for x and 2 for y."""
        elements = instance.findall("SW-AXIS-CONTS/SW-AXIS-CONT")
        found: dict[str, Along] = {}
        for element in elements:
            index = self.needed(element, "SW-AXIS-INDEX")
            if index not in ("1", "2") or index in found:
                self.refuse(element, f"<SW-AXIS-INDEX> is {index}", "write 1 for x and 2 for y, once each")
            reference = self.text(element, "SW-INSTANCE-REF")
            values = self.values(element) if element.find("SW-VALUES-PHYS") is not None else None
            if values is None and not reference:
                self.refuse(
                    element, "the axis has neither values nor <SW-INSTANCE-REF>", "give it one of the two"
                )
            if values is not None and len(values.numbers) > 1:
                self.refuse(element, "the breakpoints of an axis stand in groups", "write them in one row")
            found[index] = Along(int(index), values, reference, self.tree.line_of(element))
        yield from (found[index] for index in sorted(found))

    def values(self, content: etree._Element) -> Values:
        """The values below ``<SW-VALUES-PHYS>``: in groups by rows, or one row without a group."""
        several = content.findall("SW-VALUES-PHYS")
        if len(several) != 1:
            amount = "no" if not several else "more than one"
            self.refuse(content, f"<{content.tag!s}> has {amount} <SW-VALUES-PHYS>", "give it one")
        groups = several[0].findall("VG")
        if groups and len(groups) != len(several[0]):
            self.refuse(several[0], "values stand beside groups <VG>", "put every value into a group")
        rows = [self.row(group) for group in groups or several]
        for group, row in zip(groups, rows, strict=False):
            if len(row) != len(rows[0]):
                sizes = f"{len(row)} values where the first has {len(rows[0])}"
                self.refuse(group, f"the group has {sizes}", "give every row the same number of values")
        cells = [cell for row in rows for cell in row]
        if not cells:
            self.refuse(several[0], "<SW-VALUES-PHYS> holds no value", "give it its values")
        shape = len(rows), len(rows[0])
        words: dict[str | None, int] = {None: -1}
        word = [words.setdefault(text, len(words) - 1) for _, text, _ in cells]
        return Values(
            numbers=np.array([number for number, _, _ in cells], np.float64).reshape(shape),
            word=np.array(word, np.int64).reshape(shape),
            words=tuple(text for text in words if text is not None),
            lines=np.array([line for _, _, line in cells], np.int64).reshape(shape),
            unit=self.text(content, "UNIT-DISPLAY-NAME"),
            labels=tuple(self.text(group, "LABEL") for group in groups),
        )

    def row(self, group: etree._Element) -> list[tuple[float, str | None, int]]:
        """Number, text and line of each value of a group; NaN or None for the one that it has not."""
        found: list[tuple[float, str | None, int]] = []
        for element in group:
            line = self.tree.line_of(element)
            if element.tag == "V":
                found.append((self.number(element), None, line))
            elif element.tag == "VT":
                # Spaces may be part of a text.
                found.append((math.nan, element.text or "", line))
            elif element.tag != "LABEL":
                self.refuse(element, f"<{element.tag!s}> is not read here", "write values as <V> or <VT>")
            if len(element):
                self.refuse(element[0], f"<{element[0].tag!s}> is not read here", "write values alone")
        self.count += len(found)
        if self.count > MAX_CELLS:
            self.refuse(group, f"the file has more than {MAX_CELLS} values", "split it into several")
        return found

    def number(self, element: etree._Element) -> float:
        text = (element.text or "").strip()
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if not math.isfinite(value):
            words = f"{text[:40]!r} is no number"
            self.refuse(element, words, "write it with a point, as in 12.5")
        return value
