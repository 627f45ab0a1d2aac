"""Changed tables with the values of the new image, in the open standard ASAM CDF 2.0 (files ``.cdfx``).

The element names, their order and their contents are written from memory of the published standard, without
its schema. The schema of AUTOSAR, which shares the containers of values, confirms those in the tests:

- The root MSRSW has the category CDF20. The instance tree has the category NO_VCD, as it has no variants;
  its origin names the definition and the image.
- Each table (VALUE, CURVE or MAP), text (ASCII) and shared axis (COM_AXIS) has an instance with its values
  and its unit in SW-VALUE-CONT. A map has a group VG for each breakpoint of y, which is its LABEL. A table
  whose axes only number its cells is a VAL_BLK, without axes and labels.
- The axes of a table have an index, 1 for x and 2 for y: a STD_AXIS has its own stored breakpoints, a
  FIX_AXIS those of the definition, a COM_AXIS the name of the instance with the breakpoints, a RES_AXIS or
  CURVE_AXIS those that follow from a curve.

Numbers are V, with as many digits as read back to the same number; states and texts are VT.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import PurePosixPath

import numpy as np
from lxml import etree

from callint import fmt
from callint.decoding.decode import Decoded
from callint.model.arrays import is_array
from callint.model.change import ChangeSet, Numbers
from callint.model.definition import Axis, FixedAxis, Kind, States, StoredAxis, Table, Text
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.errors import InputError
from callint.reading.cdfx import ASCII, COM_AXIS, CURVE, MAP, PATH, VAL_BLK, VALUE, VERSION, short_name

_DERIVED = {Derivation.RESCALED: "RES_AXIS", Derivation.INVERTED: "CURVE_AXIS"}
_CATEGORIES = {Kind.SCALAR: VALUE, Kind.CURVE: CURVE, Kind.MAP: MAP}

_DECLARATION = b'<?xml version="1.0" encoding="UTF-8"?>\n'

#: Characters that XML 1.0 does not allow, by its production Char.
_ILLEGAL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def changes_cdfx(changes: ChangeSet, decoded: Decoded, image: str, definition: str) -> bytes:
    """The file; ``decoded`` is the new image, ``image`` and ``definition`` are the names of the files.

    InputError, with a line for each table, if the format cannot express the contents of the image.
    """
    writer = _InstanceWriter(decoded)
    tables, axes = _tables(changes), _axes(changes)
    texts = [change.text for change in changes.texts]
    if problems := list(writer.problems(tables, axes, texts)):
        advice = "choose other tables with -t"
        raise InputError(*(f"{image}: {name}: {problem}; {advice}" for name, problem in problems))
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
    items: list[Table | Text] = [*tables, *texts]
    for item in sorted(items, key=lambda item: item.line):
        writer.table(tree, item) if isinstance(item, Table) else writer.text(tree, item)
    # ASCII only, with references for other characters: a stranger's text may contain control characters.
    return _DECLARATION + etree.tostring(root, encoding="US-ASCII", xml_declaration=False, pretty_print=True)


def _tables(changes: ChangeSet) -> list[Table]:
    """The tables with changed cells, or with changed breakpoints of their own."""
    own = {change.axis.name for change in changes.axes if not _is_shared(change.axis)}
    names = changes.by_table
    tables = changes.definition.tables.values()
    return [table for table in tables if table.name in names or own.intersection(table.axes)]


def _axes(changes: ChangeSet) -> list[StoredAxis]:
    """The shared axes that changed and those of changed tables, in the order of the definition."""
    needed = {name for table in _tables(changes) for name in table.axes}
    shared = (axis for axis in changes.definition.stored_axes if _is_shared(axis))
    return [axis for axis in shared if axis.name in needed or axis.name in changes.by_axis]


def _is_shared(axis: Axis) -> bool:
    # The axis of one table is named after it, with a slash, which no declared name may have.
    return isinstance(axis, StoredAxis) and "/" not in axis.name


def _add(parent: etree._Element, name: str, text: str | None = None) -> etree._Element:
    element = etree.SubElement(parent, name)
    if text is not None:
        element.text = _ILLEGAL.sub("\ufffd", text)
    return element


class _InstanceWriter:
    """Writes the instances of one image."""

    def __init__(self, decoded: Decoded) -> None:
        self._decoded = decoded
        self._definition = decoded.layout.definition

    def problems(
        self, tables: Iterable[Table], axes: Iterable[StoredAxis], texts: Iterable[Text]
    ) -> Iterator[tuple[str, str]]:
        """The name and the problem of each item that the format cannot express."""
        layout, decoded = self._decoded.layout, self._decoded
        items: dict[str, int] = {}
        for table in tables:
            items |= {axis: layout.axis_items[axis] for axis in table.axes if axis in layout.axis_items}
        items |= {axis.name: layout.axis_items[axis.name] for axis in axes}
        numbers = [*items.values(), *(layout.table_items[table.name] for table in tables)]
        for number in numbers:
            name = layout.items[number].name
            if not decoded.of_item(decoded.present, number).all():
                yield name, "the image lacks a part of it"
            elif not np.isfinite(decoded.of_item(decoded.physical, number)).all():
                yield name, "it holds a value that is not finite, which CDFX cannot express"
        derived = {axis: None for table in tables for axis in table.axes if axis not in layout.axis_items}
        for name in derived:
            if not np.isfinite(decoded.breakpoints(name)).all():
                yield name, "its curve gives no finite breakpoints, which CDFX cannot express"
        for text in texts:
            content = decoded.text(text)
            if content is None or "\ufffd" in content or _ILLEGAL.search(content):
                yield text.name, f"its bytes are not a text in {text.encoding} that XML can hold"
        all_items: list[Table | StoredAxis | Text] = [*tables, *axes, *texts]
        names = [short_name(item.name) for item in all_items]
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield name, "two items would have this name in the file"

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
        has_cell_numbers = is_array(self._definition, table)
        category = VAL_BLK if has_cell_numbers else _CATEGORIES[table.kind]
        instance = self._instance(tree, table.name, table.title, category)
        content = _add(instance, "SW-VALUE-CONT")
        _add(content, "UNIT-DISPLAY-NAME", self._definition.unit_of(table))
        values, numbers = _add(content, "SW-VALUES-PHYS"), self._numbers(table)
        if table.y is None:
            self._row(values, table, numbers[0])
        else:
            for label, row in zip(self._decoded.breakpoints(table.y).tolist(), numbers, strict=True):
                group = _add(values, "VG")
                if not has_cell_numbers:
                    _add(group, "LABEL", fmt.exact(label))
                self._row(group, table, row)
        if table.axes and not has_cell_numbers:
            axes = _add(instance, "SW-AXIS-CONTS")
            for index, name in enumerate(table.axes, 1):
                self._axis_of_table(axes, index, self._definition.axes[name])

    def _instance(self, tree: etree._Element, name: str, title: str, category: str) -> etree._Element:
        instance = _add(tree, "SW-INSTANCE")
        _add(instance, "SHORT-NAME", short_name(name))
        if title:
            _add(instance, "LONG-NAME", fmt.clean(title))
        _add(instance, "CATEGORY", category)
        return instance

    def _axis_of_table(self, axes: etree._Element, index: int, axis: Axis) -> None:
        """One axis of a table."""
        content = _add(axes, "SW-AXIS-CONT")
        category = "FIX_AXIS" if isinstance(axis, FixedAxis) else "STD_AXIS"
        if isinstance(axis, DerivedAxis):
            category = _DERIVED[axis.derivation]
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
        for value in self._decoded.breakpoints(axis.name).tolist():
            _add(values, "V", fmt.exact(value))

    def _numbers(self, item: Table | StoredAxis) -> Numbers:
        """Physical values, shape (rows, columns); minus zero keeps the sign that scaling loses."""
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
