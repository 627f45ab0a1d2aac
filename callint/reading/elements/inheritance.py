"""What a definition takes from its parent, and what it changes of that.

The parent is a definition that was read before. The child's own elements replace those of the parent with the
same name, in their place; ``<inherited>`` changes single attributes, addresses and demands.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, TypeVar

from lxml import etree

from callint.model.definition import (
    Axis,
    Constraints,
    Conversion,
    Declaration,
    Definition,
    Group,
    Kind,
    Memory,
    Relation,
    Sensor,
    Signal,
    Storage,
    StoredAxis,
    Table,
    Text,
)
from callint.reading.definition_bounds import MAX_ADDRESS
from callint.reading.elements.attributes import required, tag_of, to_integer
from callint.reading.elements.reader import ElementReader
from callint.reading.elements.tables import PURPOSES, children_by_tag, read_constraints, read_notes

Named = TypeVar("Named", bound=Any)

#: The demands on a table as the format names them, and as the model does.
_DEMANDS = {
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
#: What may be gone; of the memory, with the fields of the model.
_OF_MEMORY = {"region": "regions", "identity": "identities", "checksum": "checksums"}
_GONE = ("table", "axis", "signal", "conversion", "relation", *_OF_MEMORY)
_ADDRESSES = ("at", "count-at", "x-at", "x-count-at", "y-at", "y-count-at")


@dataclass
class Elements:
    """The elements of one file, or of a file and its parents; by name where they have one."""

    memory: Memory | None = None
    signals: dict[str, Signal] = field(default_factory=dict)
    sensors: list[Sensor] = field(default_factory=list)
    conversions: dict[str, Conversion] = field(default_factory=dict)
    axes: dict[str, Axis] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    texts: dict[str, Text] = field(default_factory=dict)
    relations: list[Relation] = field(default_factory=list)
    declarations: list[Declaration] = field(default_factory=list)


class Inheritance:
    """The elements of a parent, as the child changes them.

    ``changed_at`` has, by the line of an inherited element, the line of the last change to it.
    """

    def __init__(self, reader: ElementReader, parent: Definition) -> None:
        self.elements = Elements(
            memory=parent.memory,
            signals=dict(parent.signals),
            sensors=list(parent.sensors),
            conversions=dict(parent.conversions),
            axes=dict(parent.axes),
            groups=dict(parent.groups),
            tables=dict(parent.tables),
            texts=dict(parent.texts),
            relations=list(parent.relations),
        )
        self.changed_at: dict[int, int] = dict(parent.lines.changed_at)
        self._reader = reader
        self._parent = parent
        self._path = parent.lines.path
        self._dropped: set[tuple[str, str]] = set()
        self._renamed: dict[str, str] = {}

    # Changes of single elements

    def apply(self, element: etree._Element) -> None:
        """Apply ``<inherited>``: shifts first, then changes in their order, then what is gone."""
        self._shift([child for child in element if tag_of(child) == "shift"])
        for tags in (("at", "table"), ("gone",)):
            for child in element:
                if tag_of(child) in tags:
                    self._reader.build(self._change, child)

    def _change(self, reader: ElementReader, element: etree._Element) -> bool:
        {"at": self._place, "table": self._change_table, "gone": self._remove}[tag_of(element)](element)
        return True

    def _shift(self, shifts: list[etree._Element]) -> None:
        """Move everything that begins in a stretch; reports stretches that overlap or that hold nothing."""
        stretches = []
        for element in shifts:
            stretch = self._reader.build(_read_stretch, element)
            if stretch is not None:
                stretches.append(stretch)
        stretches.sort(key=lambda stretch: stretch.start)
        for first, second in pairwise(stretches):
            if first.end > second.start:
                self._reader.report(second.element, "it overlaps another stretch; move each address once")
        starts = [stretch.start for stretch in stretches]

        def moved(at: int) -> int:
            place = bisect_right(starts, at) - 1
            if place < 0 or at >= stretches[place].end:
                return at
            stretches[place].count += 1
            return at + stretches[place].by

        if not stretches:
            return
        elements = self.elements
        for name, axis in elements.axes.items():
            if isinstance(axis, StoredAxis):
                count = axis.stored_count and replace(axis.stored_count, at=moved(axis.stored_count.at))
                elements.axes[name] = replace(axis, at=moved(axis.at), stored_count=count)
        for name, table in elements.tables.items():
            elements.tables[name] = replace(table, at=moved(table.at))
        for name, text in elements.texts.items():
            elements.texts[name] = replace(text, at=moved(text.at))
        for stretch in stretches:
            if not stretch.count:
                self._reader.report(stretch.element, f"nothing of {self._path} begins in this stretch")

    def _place(self, element: etree._Element) -> None:
        """Apply ``<at>``: new addresses of a table or an axis."""
        table, axis = element.get("table"), element.get("axis")
        if (table is None) == (axis is None):
            raise ValueError("give either table or axis")
        given = [name for name in _ADDRESSES if element.get(name) is not None]
        if not given:
            raise ValueError("give the new address")
        elements, line = self.elements, self._reader.line(element)
        if axis is not None:
            if not {"at", "count-at"}.issuperset(given):
                raise ValueError(f"{given[-1]} goes with a table, and not with an axis")
            elements.axes[axis] = self._placed_axis(element, axis, "")
            self.changed_at[elements.axes[axis].line] = line
            return
        assert table is not None
        item = self._table_or_text(table)
        if element.get("count-at") is not None:
            raise ValueError("count-at goes with an axis; write x-count-at or y-count-at")
        if element.get("at") is not None:
            self._put(replace(item, at=self._reader.address(element, "at")))
        for along in "xy":
            if element.get(f"{along}-at") is not None or element.get(f"{along}-count-at") is not None:
                name = f"{table}/{along}"
                elements.axes[name] = self._placed_axis(element, name, f"{along}-")
                self.changed_at[elements.axes[name].line] = line
        self.changed_at[item.line] = line

    def _placed_axis(self, element: etree._Element, name: str, prefix: str) -> StoredAxis:
        """An axis at the addresses of an element, whose attributes have a prefix."""
        axis = self._known("axis", self.elements.axes, name)
        if not isinstance(axis, StoredAxis):
            raise ValueError(f"axis {name} is not stored in the image and has no address")
        if element.get(f"{prefix}at") is not None:
            axis = replace(axis, at=self._reader.address(element, f"{prefix}at"))
        if element.get(f"{prefix}count-at") is not None:
            if axis.stored_count is None:
                raise ValueError(f"axis {name} has no stored count")
            at = self._reader.address(element, f"{prefix}count-at")
            axis = replace(axis, stored_count=replace(axis.stored_count, at=at))
        return axis

    def _change_table(self, element: etree._Element) -> None:
        """Apply ``<table>``: new attributes, demands and notes of a table or text."""
        name = required(element, "name")
        item = self._table_or_text(name)
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
        self._put(replace(changed, **given))
        self.changed_at[item.line] = self._reader.line(element)
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
        given = {name: getattr(demands, name) for name in _DEMANDS.values() if getattr(demands, name)}
        merged = replace(table.demands, **given)
        _require_raws(merged, storage)
        for along in "xy":
            if element.get(along) is not None:
                self.elements.axes.pop(f"{table.name}/{along}", None)
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
        if children_by_tag(element).keys() & _DEMANDS.keys():
            raise ValueError(f"{text.name} is a text, on which nothing is demanded")
        length = text.length if element.get("length") is None else self._reader.size(element, "length")
        return replace(text, length=length, encoding=element.get("encoding", text.encoding))

    def _rename(self, old: str, new: str) -> None:
        """Rename a table or text, with its own axes; relations and sensors follow."""
        elements = self.elements
        if new in elements.tables or new in elements.texts:
            raise ValueError(f"{self._path} has a table {new} of its own; choose another name")
        self._dropped.add(("table", old))
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
                self.elements.declarations.append(Declaration("table", new, table.line))
            else:
                tables[name] = table
        elements.tables = tables
        if old in elements.texts:
            text = elements.texts.pop(old)
            elements.texts[new] = replace(text, name=new)
            self.elements.declarations.append(Declaration("table", new, text.line))
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

    # What is gone

    def _remove(self, element: etree._Element) -> None:
        """Apply ``<gone>``."""
        kinds = [kind for kind in _GONE if element.get(kind)]
        if len(kinds) != 1:
            raise ValueError(f"give exactly one of {', '.join(_GONE)}")
        kind, name = kinds[0], required(element, kinds[0])
        if element.get("demand") is not None and kind != "table":
            raise ValueError("demand goes with a table")
        elements = self.elements
        if kind == "relation":
            key = name, required(element, "first"), required(element, "second")
            kept = [item for item in elements.relations if (item.kind, item.table, item.other) != key]
            if len(kept) == len(elements.relations):
                raise ValueError(f"{self._path} has no relation {' '.join(key)}")
            elements.relations = kept
        elif element.get("demand") is not None:
            self._remove_demand(name, required(element, "demand"), self._reader.line(element))
        elif kind == "table":
            self._table_or_text(name)
            self._dropped.add(("table", name))
            self._drop_table(name)
            elements.relations = [item for item in elements.relations if name not in (item.table, item.other)]
            elements.sensors = [item for item in elements.sensors if item.curve != name]
        elif kind in _OF_MEMORY:
            self._remove_from_memory(kind, name, self._reader.line(element))
        else:
            spaces: dict[str, dict[str, Any]] = {
                "axis": elements.axes,
                "signal": elements.signals,
                "conversion": elements.conversions,
            }
            space = spaces[kind]
            self._known(kind, space, name)
            self._dropped.add((kind, name))
            del space[name]

    def _remove_from_memory(self, kind: str, name: str, line: int) -> None:
        """Remove a region, identity or checksum."""
        memory = self.elements.memory
        assert memory is not None
        parts = getattr(memory, _OF_MEMORY[kind])
        kept = tuple(part for part in parts if part.name != name)
        if len(kept) == len(parts):
            raise ValueError(f"{self._path} has no {kind} {name}")
        self._dropped.add((kind, name))
        changed: dict[str, Any] = {_OF_MEMORY[kind]: kept}
        self.elements.memory = replace(memory, **changed)
        self.changed_at[memory.line] = line

    def _remove_demand(self, name: str, demand: str, line: int) -> None:
        table = self._table_or_text(name)
        field_name = _DEMANDS[demand]
        if isinstance(table, Text) or not getattr(table.demands, field_name):
            raise ValueError(f"{self._path} demands no {demand} of {name}")
        nothing = getattr(Constraints(), field_name)
        self._put(replace(table, demands=replace(table.demands, **{field_name: nothing})))
        self.changed_at[table.line] = line

    def _drop_table(self, name: str) -> None:
        """Drop a table or text and its own axes."""
        self.elements.tables.pop(name, None)
        self.elements.texts.pop(name, None)
        for along in "xy":
            self.elements.axes.pop(f"{name}/{along}", None)

    # The child's own elements

    def merge(self, own: Elements) -> Elements:
        """The elements of the parent with those of the child, which replace others of the same name."""
        merged = self.elements
        merged.memory = self._merged_memory(own.memory)
        for name, table in (*own.tables.items(), *own.texts.items()):
            old = merged.tables.get(name) or merged.texts.get(name)
            if old is not None and type(old) is not type(table):
                self._drop_table(name)
            for along in "xy":
                merged.axes.pop(f"{name}/{along}", None)
        self._merge(merged.signals, own.signals)
        self._merge(merged.conversions, own.conversions)
        self._merge(merged.axes, own.axes)
        self._merge(merged.groups, own.groups)
        self._merge(merged.tables, own.tables)
        self._merge(merged.texts, own.texts)
        merged.tables, merged.texts = _by_group(merged.tables), _by_group(merged.texts)
        merged.axes = _with_own_axes_last(merged.axes, merged.tables)
        sensors = {sensor.signal: sensor for sensor in merged.sensors}
        relations = {(item.kind, item.table, item.other): item for item in merged.relations}
        self._merge(sensors, {sensor.signal: sensor for sensor in own.sensors})
        self._merge(relations, {(item.kind, item.table, item.other): item for item in own.relations})
        merged.sensors, merged.relations = list(sensors.values()), list(relations.values())
        replaced = self._dropped | {(item.space, item.name) for item in own.declarations}
        kept = [item for item in self._parent.declarations if (item.space, item.name) not in replaced]
        merged.declarations = [*kept, *merged.declarations, *own.declarations]
        return merged

    def _merge(self, old: dict[Any, Named], new: Mapping[Any, Named]) -> None:
        """Enter elements; one that replaces another keeps its place in the order."""
        for key, item in new.items():
            before = old.get(key)
            if before is not None:
                self.changed_at[before.line] = item.line
            old[key] = item if before is None else replace(item, line=before.line)

    def _merged_memory(self, own: Memory | None) -> Memory:
        old = self.elements.memory
        assert old is not None
        if own is None:
            return old
        self.changed_at[old.line] = own.line

        def merged(first: Iterable[Named], second: Iterable[Named]) -> tuple[Named, ...]:
            parts = {part.name: part for part in first}
            self._merge(parts, {part.name: part for part in second})
            return tuple(parts.values())

        return replace(
            own,
            regions=merged(old.regions, own.regions),
            identities=merged(old.identities, own.identities),
            checksums=merged(old.checksums, own.checksums),
            line=old.line,
        )

    # Names

    def _table_or_text(self, name: str) -> Table | Text:
        if name in self.elements.texts:
            return self.elements.texts[name]
        return self._known("table", self.elements.tables, name)

    def _known(self, kind: str, items: Mapping[str, Named], name: str) -> Named:
        if name not in items:
            raise ValueError(f"{self._path} has no {kind} {name}")
        return items[name]

    def _put(self, item: Table | Text) -> None:
        if isinstance(item, Text):
            self.elements.texts[item.name] = item
        else:
            self.elements.tables[item.name] = item


def _by_group(items: dict[str, Named]) -> dict[str, Named]:
    """The items in their order, but each after the others of its group, as in a definition of one file."""
    first: dict[tuple[str, str], int] = {}
    for item in items.values():
        first.setdefault((item.group, "" if item.group else item.name), len(first))
    order = sorted(items.values(), key=lambda item: first[item.group, "" if item.group else item.name])
    return {item.name: item for item in order}


def _with_own_axes_last(axes: dict[str, Axis], tables: Mapping[str, Table]) -> dict[str, Axis]:
    """The shared axes, then those of single tables in the order of the tables, as in one file."""
    shared = {name: axis for name, axis in axes.items() if "/" not in name}
    own = {
        name: axes[name]
        for table in tables.values()
        for name in table.axes
        if name in axes and name not in shared
    }
    return {**shared, **own}


@dataclass
class _Stretch:
    """A stretch of memory that moves; ``count`` is the number of addresses in it."""

    element: etree._Element
    start: int
    end: int
    by: int
    count: int = 0


def _read_stretch(reader: ElementReader, element: etree._Element) -> _Stretch:
    start, size = reader.address(element, "start"), to_integer(required(element, "size"))
    text = required(element, "by").strip()
    by = -to_integer(text[1:]) if text.startswith("-") else to_integer(text)
    if start + by < 0 or start + size + by > MAX_ADDRESS:
        raise ValueError("it moves to addresses below 0, or above the highest that is read")
    return _Stretch(element, start, start + size, by)


def _refuse(element: etree._Element, names: Iterable[str], owner: str, kind: str, table: str) -> None:
    """ValueError for an attribute that a table of this kind does not have."""
    for name in names:
        if element.get(name) is not None:
            raise ValueError(f"{name} goes with {owner}, and {table} is a {kind}")


def _require_raws(demands: Constraints, storage: Storage) -> None:
    """ValueError for a raw value in a demand that does not fit a changed storage."""
    raws = [demands.off.raw] if demands.off else []
    raws += [guard.raw for guard in demands.guards if guard.raw is not None]
    for raw in raws:
        if not storage.holds(raw):
            raise ValueError(f"raw {raw} of an inherited demand does not fit a {storage.type.name}")
