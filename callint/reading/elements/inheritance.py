"""What a definition takes from its parent, and what it changes of that.

The parent is a definition that was read before. The child's own elements replace those of the parent with the
same name, in their place; ``<inherited>`` changes single attributes, addresses and demands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from lxml import etree

from callint.model.declarations import InvalidElement, InvalidNames
from callint.model.definition import Axis, Constraints, Definition, Memory, Table, Text
from callint.model.translation import Titled, Translation
from callint.reading.elements.attributes import required, tag_of
from callint.reading.elements.changed_tables import DEMANDS, TableChanges
from callint.reading.elements.inherited_elements import Elements, InheritedElements, Named, TranslationKey
from callint.reading.elements.moved_addresses import AddressChanges
from callint.reading.elements.reader import ElementReader, InvalidInParentError

#: What may be gone from the memory, with the fields of the model.
_OF_MEMORY = {"region": "regions", "identity": "identities", "checksum": "checksums"}
_GONE = ("table", "axis", "signal", "conversion", "relation", *_OF_MEMORY)


class Inheritance:
    """The elements of a parent, as the child changes them.

    ``changed_at`` has, by the line of an inherited element, the line of the last change to it.
    """

    def __init__(self, reader: ElementReader, parent: Definition, invalid: InvalidNames) -> None:
        """``invalid`` are the names of what is invalid in the parent."""
        self._reader = reader
        self._parent = parent
        self._inherited = InheritedElements(parent, invalid)
        self._addresses = AddressChanges(reader, self._inherited)
        self._tables = TableChanges(reader, self._inherited)

    @property
    def elements(self) -> Elements:
        return self._inherited.elements

    @property
    def changed_at(self) -> dict[int, int]:
        return self._inherited.changed_at

    # Changes of single elements

    def apply(self, element: etree._Element) -> None:
        """Apply ``<inherited>``: shifts first, then changes in their order, then what is gone."""
        self._addresses.shift([child for child in element if tag_of(child) == "shift"])
        for tags in (("at", "table"), ("gone",)):
            for child in element:
                if tag_of(child) in tags and self._reader.build(self._change, child) is None:
                    self._drop_unchanged(child)

    def _drop_unchanged(self, element: etree._Element) -> None:
        """Drop what an invalid change is about: without the change, it may be read in the wrong place."""
        if tag_of(element) == "gone" and element.attrib:
            return
        reader, inherited = self._reader, self._inherited
        table, axis = element.get("table") or element.get("name"), element.get("axis")
        if not (table or axis):  # it may be about anything
            inherited.drop_all(reader.line(element), reader.invalid)
            return
        if new_name := element.get("new-name"):
            reader.invalid.append(InvalidElement("table", (str(new_name),), reader.line(element)))
        for invalid in reader.invalid[-2:]:
            inherited.invalid.add(invalid)
        inherited.drop_table(table or "")
        self.elements.axes.pop(axis or "", None)

    def _change(self, reader: ElementReader, element: etree._Element) -> bool:
        changes = {"at": self._addresses.place, "table": self._tables.change, "gone": self._remove}
        changes[tag_of(element)](element)
        return True

    # What is gone

    def _remove(self, element: etree._Element) -> None:
        """Apply ``<gone>``."""
        kinds = [kind for kind in _GONE if element.get(kind)]
        if len(kinds) != 1:
            raise ValueError(f"give exactly one of {', '.join(_GONE)}")
        kind, name = kinds[0], required(element, kinds[0])
        if element.get("demand") is not None and kind != "table":
            raise ValueError("demand needs table")
        elements = self._inherited.elements
        if kind == "relation":
            key = name, required(element, "first"), required(element, "second")
            kept = [item for item in elements.relations if (item.kind, item.table, item.other) != key]
            if len(kept) == len(elements.relations):
                if self._inherited.invalid.relates(*key):
                    raise InvalidInParentError
                raise ValueError(f"{self._inherited.path} has no relation {' '.join(key)}")
            elements.relations = kept
        elif element.get("demand") is not None:
            self._remove_demand(name, required(element, "demand"), self._reader.line(element))
        elif kind == "table":
            self._inherited.item(name)
            self._inherited.dropped.add(("table", name))
            self._inherited.drop_table(name)
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
            self._inherited.known(kind, space, name)
            self._inherited.dropped.add((kind, name))
            del space[name]

    def _remove_from_memory(self, kind: str, name: str, line: int) -> None:
        """Remove a region, identity or checksum."""
        memory = self.elements.memory
        assert memory is not None
        parts = getattr(memory, _OF_MEMORY[kind])
        kept = tuple(part for part in parts if part.name != name)
        if len(kept) == len(parts):
            self._inherited.refuse_invalid(kind, name)
            raise ValueError(f"{self._inherited.path} has no {kind} {name}")
        self._inherited.dropped.add((kind, name))
        changed: dict[str, Any] = {_OF_MEMORY[kind]: kept}
        self.elements.memory = replace(memory, **changed)
        self._inherited.changed_at[memory.line] = line

    def _remove_demand(self, name: str, demand: str, line: int) -> None:
        table = self._inherited.item(name)
        field_name = DEMANDS[demand]
        if isinstance(table, Text) or not getattr(table.demands, field_name):
            self._inherited.refuse_invalid("table", name)
            raise ValueError(f"{self._inherited.path} demands no {demand} of {name}")
        nothing = getattr(Constraints(), field_name)
        self._inherited.put(replace(table, demands=replace(table.demands, **{field_name: nothing})))
        self._inherited.changed_at[table.line] = line

    # The child's own elements

    def merge(self, own: Elements) -> Elements:
        """The elements of the parent with those of the child, which replace others of the same name."""
        merged = self._inherited.elements
        merged.memory = self._merged_memory(own.memory)
        for name, table in (*own.tables.items(), *own.texts.items()):
            old = merged.tables.get(name) or merged.texts.get(name)
            if old is not None and type(old) is not type(table):
                self._inherited.drop_table(name)
            for along in "xy":
                merged.axes.pop(f"{name}/{along}", None)
        self._merge(merged.signals, own.signals)
        self._merge(merged.conversions, own.conversions)
        self._merge(merged.axes, own.axes)
        self._merge(merged.groups, own.groups)
        self._merge(merged.tables, own.tables)
        self._merge(merged.texts, own.texts)
        merged.translations = _existing_translations(merged) | own.translations
        merged.tables, merged.texts = _by_group(merged.tables), _by_group(merged.texts)
        merged.axes = _with_own_axes_last(merged.axes, merged.tables)
        sensors = {sensor.signal: sensor for sensor in merged.sensors}
        relations = {(item.kind, item.table, item.other): item for item in merged.relations}
        self._merge(sensors, {sensor.signal: sensor for sensor in own.sensors})
        self._merge(relations, {(item.kind, item.table, item.other): item for item in own.relations})
        merged.sensors, merged.relations = list(sensors.values()), list(relations.values())
        replaced = self._inherited.dropped | {(item.space, item.name) for item in own.declarations}
        kept = [item for item in self._parent.declarations if (item.space, item.name) not in replaced]
        merged.declarations = [*kept, *merged.declarations, *own.declarations]
        return merged

    def _merge(self, old: dict[Any, Named], new: Mapping[Any, Named]) -> None:
        """Enter elements; one that replaces another keeps its place in the order."""
        for key, item in new.items():
            before = old.get(key)
            if before is not None:
                self._inherited.changed_at[before.line] = item.line
            old[key] = item if before is None else replace(item, line=before.line)

    def _merged_memory(self, own: Memory | None) -> Memory:
        old = self.elements.memory
        assert old is not None
        if own is None:
            return old
        self._inherited.changed_at[old.line] = own.line

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


def _existing_translations(elements: Elements) -> dict[TranslationKey, Translation]:
    """The inherited titles in other languages whose elements are still there."""
    named = {
        Titled.TABLE: elements.tables.keys() | elements.texts.keys(),
        Titled.GROUP: elements.groups.keys(),
        Titled.SIGNAL: elements.signals.keys(),
        Titled.DEFINITION: {""},
    }
    return {key: item for key, item in elements.translations.items() if item.name in named[item.kind]}
