"""Changed tables, as they are in the new image, in the open standard ASAM CDF 2.0 (files ``.cdfx``).

The element names, their order and their contents are written from memory of the published standard, without
its schema at hand. The schema of AUTOSAR, which shares the containers of values, confirms those in the tests:

- from the root MSRSW with the category CDF20 down to the tree of instances, whose category NO_VCD says that
  it has no variants, and whose origin names the definition and the image;
- an instance for each table (VALUE, CURVE or MAP), text (ASCII) and shared axis (COM_AXIS), with its values
  and unit in SW-VALUE-CONT. A map has a group VG for each breakpoint of y, which its LABEL names;
- the axes of a table by index, 1 for x and 2 for y: STD_AXIS with its own stored breakpoints, FIX_AXIS with
  those of the definition, COM_AXIS with the name of the instance that holds them.

Numbers are V, with the digits that read back to the very same number; states and texts are VT.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import PurePosixPath

import numpy as np
from lxml import etree

from callint import fmt
from callint.decoding.decode import Decoded
from callint.model.change import ChangeSet, Numbers
from callint.model.definition import Axis, FixedAxis, Kind, States, StoredAxis, Table, Text
from callint.model.errors import InputError
from callint.reading.cdfx import ASCII, COM_AXIS, CURVE, MAP, PATH, VALUE, VERSION, short_name

_CATEGORIES = {Kind.SCALAR: VALUE, Kind.CURVE: CURVE, Kind.MAP: MAP}

_DECLARATION = b'<?xml version="1.0" encoding="UTF-8"?>\n'

#: What no XML 1.0 file may hold, by its production Char.
_ILLEGAL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def changes_cdfx(changes: ChangeSet, decoded: Decoded, image: str, definition: str) -> bytes:
    """The file; ``decoded`` is the new image, ``image`` and ``definition`` are the names of the files.

    InputError, a line for each table, where a file of this kind cannot hold what the image does.
    """
    writer = _Writer(decoded)
    tables, axes = _tables(changes), _axes(changes)
    texts = [change.text for change in changes.texts]
    if troubles := list(writer.troubles(tables, axes, texts)):
        advice = "choose other tables with -t"
        raise InputError(*(f"{image}: {name}: {what}; {advice}" for name, what in troubles))
    root = etree.Element("MSRSW")
    _add(root, "SHORT-NAME", "changed_tables")
    _add(root, "CATEGORY", VERSION)
    tree = root
    for name in PATH:
        tree = _add(tree, name)
        if name == "SW-SYSTEM":
            _add(tree, "SHORT-NAME", short_name(decoded.layout.definition.name))
    _add(tree, "SHORT-NAME", short_name(PurePosixPath(image).stem))
    _add(tree, "CATEGORY", "NO_VCD")
    origin = _add(tree, "SW-INSTANCE-TREE-ORIGIN")
    _add(origin, "SYMBOLIC-FILE", definition)
    _add(origin, "DATA-FILE", image)
    for axis in axes:
        writer.axis(tree, axis)
    everything: list[Table | Text] = [*tables, *texts]
    for table in sorted(everything, key=lambda one: one.line):
        writer.table(tree, table) if isinstance(table, Table) else writer.text(tree, table)
    # Nothing but ASCII, the rest as references: a stranger's text may hold what steers a terminal.
    return _DECLARATION + etree.tostring(root, encoding="US-ASCII", xml_declaration=False, pretty_print=True)


def _tables(changes: ChangeSet) -> list[Table]:
    """The tables with changed cells, or with changed breakpoints of their own."""
    own = {change.axis.name for change in changes.axes if not _is_shared(change.axis)}
    names = changes.by_table
    found = changes.definition.tables.values()
    return [table for table in found if table.name in names or own.intersection(table.axes)]


def _axes(changes: ChangeSet) -> list[StoredAxis]:
    """The shared axes that changed, and those that changed tables lie on, in the order of the definition."""
    needed = {name for table in _tables(changes) for name in table.axes}
    found = changes.definition.stored_axes
    return [
        axis for axis in found if _is_shared(axis) and (axis.name in needed or axis.name in changes.by_axis)
    ]


def _is_shared(axis: Axis) -> bool:
    # A table's own axis is called after it, with a stroke that no declared name may have.
    return isinstance(axis, StoredAxis) and "/" not in axis.name


def _add(parent: etree._Element, name: str, text: str | None = None) -> etree._Element:
    element = etree.SubElement(parent, name)
    if text is not None:
        element.text = _ILLEGAL.sub("\ufffd", text)
    return element


class _Writer:
    """Writes parts of one image."""

    def __init__(self, decoded: Decoded) -> None:
        self._decoded = decoded
        self._definition = decoded.layout.definition

    def troubles(
        self, tables: Iterable[Table], axes: Iterable[StoredAxis], texts: Iterable[Text]
    ) -> Iterator[tuple[str, str]]:
        """Name and trouble of everything that the file cannot hold."""
        layout, decoded = self._decoded.layout, self._decoded
        items: dict[str, int] = {}
        for table in tables:
            items |= {axis: layout.axis_items[axis] for axis in table.axes if axis in layout.axis_items}
        items |= {axis.name: layout.axis_items[axis.name] for axis in axes}
        numbers = [*items.values(), *(layout.table_items[table.name] for table in tables)]
        for number in numbers:
            name = layout.items[number].name
            if not decoded.of_item(decoded.present, number).all():
                yield name, "the image does not hold it whole"
            elif not np.isfinite(decoded.of_item(decoded.physical, number)).all():
                yield name, "it holds what is no finite number, which CDFX has no word for"
        for text in texts:
            content = decoded.text(text)
            if content is None or "\ufffd" in content or _ILLEGAL.search(content):
                yield text.name, f"its bytes are no text in {text.encoding} that XML can hold"
        everything: list[Table | StoredAxis | Text] = [*tables, *axes, *texts]
        names = [short_name(one.name) for one in everything]
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield name, "two things would have this name in the file"

    def axis(self, tree: etree._Element, axis: StoredAxis) -> None:
        instance = self._instance(tree, axis.name, "", COM_AXIS)
        content = _add(instance, "SW-VALUE-CONT")
        _add(content, "UNIT-DISPLAY-NAME", self._definition.unit_of(axis))
        self._row(_add(content, "SW-VALUES-PHYS"), axis, self._numbers(axis)[0])

    def text(self, tree: etree._Element, text: Text) -> None:
        instance = self._instance(tree, text.name, text.title, ASCII)
        values = _add(_add(instance, "SW-VALUE-CONT"), "SW-VALUES-PHYS")
        _add(values, "VT", self._decoded.text(text))

    def table(self, tree: etree._Element, table: Table) -> None:
        instance = self._instance(tree, table.name, table.title, _CATEGORIES[table.kind])
        content = _add(instance, "SW-VALUE-CONT")
        _add(content, "UNIT-DISPLAY-NAME", self._definition.unit_of(table))
        values, numbers = _add(content, "SW-VALUES-PHYS"), self._numbers(table)
        if table.y is None:
            self._row(values, table, numbers[0])
        else:
            for label, row in zip(self._decoded.breakpoints(table.y).tolist(), numbers, strict=True):
                group = _add(values, "VG")
                _add(group, "LABEL", fmt.exact(label))
                self._row(group, table, row)
        if table.axes:
            axes = _add(instance, "SW-AXIS-CONTS")
            for index, name in enumerate(table.axes, 1):
                self._along(axes, index, self._definition.axes[name])

    def _instance(self, tree: etree._Element, name: str, title: str, category: str) -> etree._Element:
        instance = _add(tree, "SW-INSTANCE")
        _add(instance, "SHORT-NAME", short_name(name))
        if title:
            _add(instance, "LONG-NAME", fmt.clean(title))
        _add(instance, "CATEGORY", category)
        return instance

    def _along(self, axes: etree._Element, index: int, axis: Axis) -> None:
        """One axis of a table."""
        content = _add(axes, "SW-AXIS-CONT")
        category = "FIX_AXIS" if isinstance(axis, FixedAxis) else "STD_AXIS"
        _add(content, "CATEGORY", COM_AXIS if _is_shared(axis) else category)
        _add(content, "UNIT-DISPLAY-NAME", self._definition.unit_of(axis))
        _add(content, "SW-AXIS-INDEX", str(index))
        if _is_shared(axis):
            _add(content, "SW-INSTANCE-REF", short_name(axis.name))
            return
        values = _add(content, "SW-VALUES-PHYS")
        if isinstance(axis, StoredAxis):
            self._row(values, axis, self._numbers(axis)[0])
            return
        for value in axis.values:
            _add(values, "V", fmt.exact(value))

    def _numbers(self, item: Table | StoredAxis) -> Numbers:
        """Physical values, shape (rows, columns); minus zero keeps its sign, which scaling takes."""
        layout = self._decoded.layout
        number = layout.table_items[item.name] if isinstance(item, Table) else layout.axis_items[item.name]
        numbers, raw = (self._decoded.of_item(self._decoded.physical, number), self._decoded.raw_of(number))
        return np.where((numbers == 0) & np.signbit(raw.astype(np.float64)), -0.0, numbers)

    def _row(self, values: etree._Element, item: Table | StoredAxis, numbers: Numbers) -> None:
        conversion = self._definition.conversion_of(item)
        for number in numbers.tolist():
            name = conversion.names.get(int(number)) if isinstance(conversion, States) else None
            if isinstance(conversion, States) and name and conversion.raw_of(name) == number:
                _add(values, "VT", name)
            else:
                _add(values, "V", fmt.exact(number))
