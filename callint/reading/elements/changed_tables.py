"""Changes single inherited tables and texts: ``<table>`` in ``<inherited>``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from lxml import etree

from callint.model.declarations import REPEATED, Declaration, InvalidElement
from callint.model.definition import Constraints, Kind, Storage, Table, Text
from callint.reading.elements.attributes import required
from callint.reading.elements.inherited_elements import InheritedElements
from callint.reading.elements.reader import ElementReader
from callint.reading.elements.tables import PURPOSES, children_by_tag, read_constraints, read_notes

#: The demands on a table as the format names them, and as the model does.
DEMANDS = {
    "limits": "limits",
    "expected": "expected",
    "off": "off",
    "monotonic": "monotonic",
    "gradient": "gradients",
    "change": "change",
    "guard": "guards",
}
#: Attributes of tables that texts do not have.
_OF_NUMBERS = ("type", "conversion", "byte-order", "stride", "mask", "signal", "produces", "order", "x", "y")


class TableChanges:
    """The attributes, demands and names that a child gives the tables and texts of its parent."""

    def __init__(self, reader: ElementReader, inherited: InheritedElements) -> None:
        self._reader = reader
        self._inherited = inherited

    def change(self, element: etree._Element) -> None:
        """Apply ``<table>``: new attributes, demands and notes of a table or text."""
        name = required(element, "name")
        item = self._inherited.item(name)
        changed = (
            self._changed_text(element, item) if isinstance(item, Text) else self._changed(element, item)
        )
        given: dict[str, Any] = {}
        if element.get("title") is not None:
            given["title"] = required(element, "title").strip()
        if element.get("purpose") is not None:
            given["purpose"] = PURPOSES[required(element, "purpose")]
        if element.get("at") is not None:
            given["at"] = self._reader.address(element, "at")
        if element.get("unit-own") is not None:
            given["unit_own"] = element.get("unit-own") == "true"
        if notes := read_notes(element):
            given["notes"] = notes
        self._inherited.put(replace(changed, **given))
        self._inherited.changed_at[item.line] = self._reader.line(element)
        if element.get("new-name") is not None:
            self._rename(name, required(element, "new-name"))

    def _changed(self, element: etree._Element, table: Table) -> Table:
        _refuse(element, ("length", "encoding"), "a text", "table", table.name)
        if table.kind is not Kind.MAP:
            _refuse(element, ("order", "y"), "a map", str(table.kind), table.name)
        if table.kind is Kind.SCALAR:
            _refuse(element, ("x",), "a curve or map", "scalar", table.name)
        else:
            _refuse(element, ("unit-own",), "a scalar or text", str(table.kind), table.name)
        storage = self._storage(element, table.storage)
        demands = read_constraints(self._reader, children_by_tag(element), table.kind, storage)
        given = {name: getattr(demands, name) for name in DEMANDS.values() if getattr(demands, name)}
        merged = replace(table.demands, **given)
        _require_raws(merged, storage)
        for along in "xy":
            if element.get(along) is not None:
                self._inherited.elements.axes.pop(f"{table.name}/{along}", None)
        y_first = table.y_first if element.get("order") is None else element.get("order") == "y-first"
        return replace(
            table,
            storage=storage,
            demands=merged,
            conversion=element.get("conversion", table.conversion),
            x=element.get("x", table.x),
            y=element.get("y", table.y),
            y_first=y_first,
            signal=element.get("signal", table.signal),
            produces=element.get("produces", table.produces),
        )

    def _storage(self, element: etree._Element, old: Storage) -> Storage:
        """The storage of a table with the given attributes."""
        copy = etree.Element(element.tag)
        is_usual = old.stride == old.type.size
        if not is_usual and element.get("type") is None:
            copy.set("stride", str(old.stride))
        if old.mask is not None and element.get("type") is None:
            copy.set("mask", str(old.mask))
        copy.set("type", old.type.name)
        copy.set("byte-order", old.byte_order.value)
        for name in ("type", "byte-order", "stride", "mask"):
            if element.get(name) is not None:
                copy.set(name, required(element, name))
        return self._reader.storage(copy)

    def _changed_text(self, element: etree._Element, text: Text) -> Text:
        _refuse(element, _OF_NUMBERS, "a table", "text", text.name)
        if children_by_tag(element).keys() & DEMANDS.keys():
            raise ValueError(f"{text.name} is a text, on which nothing is demanded")
        length = text.length if element.get("length") is None else self._reader.size(element, "length")
        return replace(text, length=length, encoding=element.get("encoding", text.encoding))

    def _rename(self, old: str, new: str) -> None:
        """Rename a table or text, with its own axes; relations and sensors follow."""
        elements = self._inherited.elements
        if new in elements.tables or new in elements.texts:
            raise ValueError(f"{self._inherited.path} has a table {new} of its own; choose another name")
        self._inherited.dropped.add(("table", old))
        line = self._inherited.item(old).line
        self._reader.invalid += [
            InvalidElement(space, (new,), line)
            for space in ("table", REPEATED)
            if self._inherited.invalid.has(space, old)
        ]
        axes = {f"{old}/{along}": f"{new}/{along}" for along in "xy" if f"{old}/{along}" in elements.axes}
        elements.axes = {
            axes.get(name, name): replace(axis, name=axes.get(name, name)) if name in axes else axis
            for name, axis in elements.axes.items()
        }
        tables: dict[str, Table] = {}
        for name, table in elements.tables.items():
            if name == old:
                x, y = (axes.get(axis or "", axis) for axis in (table.x, table.y))
                tables[new] = replace(table, name=new, x=x, y=y)
                self._inherited.elements.declarations.append(Declaration("table", new, table.line))
            else:
                tables[name] = table
        elements.tables = tables
        if old in elements.texts:
            text = elements.texts.pop(old)
            elements.texts[new] = replace(text, name=new)
            self._inherited.elements.declarations.append(Declaration("table", new, text.line))
        elements.relations = [
            replace(
                relation,
                table=new if relation.table == old else relation.table,
                other=new if relation.other == old else relation.other,
            )
            for relation in elements.relations
        ]
        elements.sensors = [
            replace(sensor, curve=new if sensor.curve == old else sensor.curve) for sensor in elements.sensors
        ]


def _refuse(element: etree._Element, names: Iterable[str], owner: str, kind: str, table: str) -> None:
    """ValueError for an attribute that a table of this kind does not have."""
    for name in names:
        if element.get(name) is not None:
            raise ValueError(f"{name} needs {owner}, but {table} is a {kind}")


def _require_raws(demands: Constraints, storage: Storage) -> None:
    """ValueError for a raw value in a demand that does not fit a changed storage."""
    raws = [demands.off.raw] if demands.off else []
    raws += [guard.raw for guard in demands.guards if guard.raw is not None]
    for raw in raws:
        if not storage.holds(raw):
            raise ValueError(f"raw {raw} of an inherited demand does not fit a {storage.type.name}")
