"""The tables and texts of a definition, with what must hold for them, and the relations between tables."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import TypeVar

from lxml import etree

from callint.model.cell_demands import Gradient, Monotonic, OffAllowed, OffCode
from callint.model.definition import (
    NO_CONSTRAINTS,
    Constraints,
    Group,
    Guard,
    Kind,
    Purpose,
    Range,
    Relation,
    Storage,
    Table,
    Text,
)
from callint.reading.elements.attributes import (
    exact_text,
    optional_real,
    required,
    tag_of,
    to_integer,
    to_real,
)
from callint.reading.elements.axes import read_axis
from callint.reading.elements.reader import ElementReader

#: The purposes by their word in the format.
PURPOSES = {purpose.value: purpose for purpose in Purpose}
_KINDS = {kind.value: kind for kind in Kind if kind is not Kind.TEXT}
_CONSTRAINTS = {"limits", "expected", "off", "monotonic", "gradient", "change", "guard"}

#: The children of a table by their tag.
Children = dict[str, list[etree._Element]]
ItemType = TypeVar("ItemType")


def read_group(reader: ElementReader, element: etree._Element) -> Group:
    """A group, without its tables."""
    return Group(element.get("name", ""), element.get("title", ""), reader.line(element))


def read_text(reader: ElementReader, element: etree._Element, group: str) -> Text:
    """A text, in a group of the given name, "" for none."""
    length = reader.size(element, "length")
    return Text(
        name=required(element, "name"),
        title=required(element, "title").strip(),
        purpose=PURPOSES[required(element, "purpose")],
        group=group,
        at=reader.address(element, "at"),
        length=length,
        encoding=element.get("encoding", "ascii"),
        notes=read_notes(element),
        line=reader.line(element),
        unit_own=element.get("unit-own") == "true",
    )


def read_table(reader: ElementReader, element: etree._Element, group: str) -> Table:
    """A scalar, curve or map with its constraints, in a group of the given name, "" for none."""
    kind, name = _KINDS[tag_of(element)], required(element, "name")
    storage = reader.storage(element)
    children = children_by_tag(element)
    x = _axis_name(reader, children["x"][0], name) if kind is not Kind.SCALAR else None
    y = _axis_name(reader, children["y"][0], name) if kind is Kind.MAP else None
    return Table(
        name=name,
        title=required(element, "title").strip(),
        kind=kind,
        purpose=PURPOSES[required(element, "purpose")],
        group=group,
        at=reader.address(element, "at"),
        storage=storage,
        conversion=element.get("conversion"),
        x=x,
        y=y,
        y_first=element.get("order") == "y-first",
        signal=element.get("signal"),
        produces=element.get("produces"),
        demands=read_constraints(reader, children, kind, storage),
        notes=read_notes(element) if "note" in children else (),
        line=reader.line(element),
        unit_own=element.get("unit-own") == "true",
    )


def read_relation(reader: ElementReader, element: etree._Element) -> Relation:
    """A relation between two tables."""
    kind = tag_of(element)
    first, second, amount = {
        "at-most": ("table", "bound", "margin"),
        "equal": ("table", "mirror", "tolerance"),
        "inverse": ("table", "of", "tolerance"),
        "gap": ("upper", "lower", "min"),
    }[kind]
    names = required(element, first), required(element, second)
    distance, within = to_real(element.get(amount, "0")), element.get("within", "")
    return Relation(kind, *names, distance, reader.line(element), within)


def children_by_tag(element: etree._Element) -> Children:
    """The children of an element by their tag."""
    children: Children = {}
    for child in element:
        children.setdefault(tag_of(child), []).append(child)
    return children


def read_notes(element: etree._Element) -> tuple[str, ...]:
    """The notes among the children of a table or text."""
    return tuple(" ".join((note.text or "").split()) for note in element if tag_of(note) == "note")


def _axis_name(reader: ElementReader, element: etree._Element, table: str) -> str:
    """The name of a table's axis. Its own axis is entered under a name that no shared axis can have."""
    shared = element.get("axis")
    if (shared is None) == (len(element) == 0):
        if element not in reader.flagged:
            reader.report(element, "name a shared axis, or put one inside, not both")
        raise ValueError("axis")
    if shared is not None:
        return shared
    name = f"{table}/{tag_of(element)}"
    reader.axes.setdefault(name, read_axis(reader, element[0], name))
    return name


# Constraints


def read_constraints(reader: ElementReader, children: Children, kind: Kind, storage: Storage) -> Constraints:
    """The demands among the children of a table element."""
    if not children.keys() & _CONSTRAINTS:
        return NO_CONSTRAINTS
    return Constraints(
        limits=_only(reader, children, "limits", _range),
        expected=_only(reader, children, "expected", _range),
        off=_only(reader, children, "off", partial(_off_code, storage=storage)),
        monotonic=_every(reader, children, "monotonic", partial(_monotonic, kind=kind)),
        gradients=_every(reader, children, "gradient", partial(_gradient, kind=kind)),
        change=_only(reader, children, "change", lambda _, child: to_real(required(child, "max"))),
        guards=_every(reader, children, "guard", partial(_guard, storage=storage)),
    )


def _every(
    reader: ElementReader,
    children: Children,
    tag: str,
    make: Callable[[ElementReader, etree._Element], ItemType],
) -> tuple[ItemType, ...]:
    items = (reader.build(make, child) for child in children.get(tag, ()))
    return tuple(item for item in items if item is not None)


def _only(
    reader: ElementReader,
    children: Children,
    tag: str,
    make: Callable[[ElementReader, etree._Element], ItemType],
) -> ItemType | None:
    return next(iter(_every(reader, children, tag, make)), None)


def _range(reader: ElementReader, element: etree._Element) -> Range:
    if not element.attrib:
        raise ValueError("give min, max or both")
    low, high = optional_real(element, "min"), optional_real(element, "max")
    return Range(
        -math.inf if low is None else low,
        math.inf if high is None else high,
        exact_text(element.get("min")),
        exact_text(element.get("max")),
    )


def _off_code(reader: ElementReader, element: etree._Element, storage: Storage) -> OffCode:
    allowed = OffAllowed(element.get("allowed", "outside-operating"))
    return OffCode(_raw(element, storage), allowed, reader.line(element))


def _raw(element: etree._Element, storage: Storage) -> int:
    raw = to_integer(required(element, "raw"))
    if not storage.holds(raw):
        raise ValueError(f"raw {raw} does not fit the table's {storage.type.name}")
    return raw


def _along(element: etree._Element, kind: Kind) -> str:
    along = required(element, "along")
    if kind is Kind.SCALAR or (kind is Kind.CURVE and along == "y"):
        raise ValueError(f"a {kind} has no {along} axis")
    return along


def _monotonic(reader: ElementReader, element: etree._Element, kind: Kind) -> Monotonic:
    rising = {"rising": True, "falling": False}[required(element, "direction")]
    return Monotonic(_along(element, kind), rising, element.get("strict") == "true", reader.line(element))


def _gradient(reader: ElementReader, element: etree._Element, kind: Kind) -> Gradient:
    return Gradient(_along(element, kind), to_real(required(element, "max")), reader.line(element))


def _guard(reader: ElementReader, element: etree._Element, storage: Storage) -> Guard:
    given = [key for key in ("above", "below", "state", "raw", "flat") if element.get(key) is not None]
    if len(given) != 1:
        raise ValueError("give exactly one of above, below, state, raw, flat")
    return Guard(
        above=optional_real(element, "above"),
        below=optional_real(element, "below"),
        state=element.get("state", "").strip() or None,
        raw=_raw(element, storage) if "raw" in given else None,
        flat="flat" in given,
        share=float(element.get("share", "1")),
        line=reader.line(element),
        text=exact_text(element.get("above", element.get("below"))),
    )
