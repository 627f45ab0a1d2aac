"""The elements that a definition takes from its parent, while the child changes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from callint.model.declarations import Declaration, InvalidElement, InvalidNames
from callint.model.definition import (
    Axis,
    Conversion,
    Definition,
    Group,
    Memory,
    Relation,
    Sensor,
    Signal,
    StoredAxis,
    Table,
    Text,
)
from callint.model.translation import Titled, Translation
from callint.reading.elements.reader import InvalidInParentError

Named = TypeVar("Named", bound=Any)

#: The language of a translation, and the kind and name of its element.
TranslationKey = tuple[str, Titled, str]


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
    translations: dict[TranslationKey, Translation] = field(default_factory=dict)
    invalid: list[InvalidElement] = field(default_factory=list)


class InheritedElements:
    """The elements of a parent as the child has them so far.

    ``path`` is that of the parent. ``invalid`` are the names of what is invalid in it. ``changed_at`` has, by
    the line of an inherited element, the line of the last change to it. ``dropped`` are the kinds and names
    of elements that the child does not take.
    """

    def __init__(self, parent: Definition, invalid: InvalidNames) -> None:
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
            translations={(item.language, item.kind, item.name): item for item in parent.translations},
        )
        self.changed_at: dict[int, int] = dict(parent.lines.changed_at)
        self.path = parent.lines.path
        self.invalid = invalid
        self.dropped: set[tuple[str, str]] = set()

    def item(self, name: str) -> Table | Text:
        """The table or text of a name; ValueError if there is none."""
        if name in self.elements.texts:
            return self.elements.texts[name]
        return self.known("table", self.elements.tables, name)

    def known(self, kind: str, items: Mapping[str, Named], name: str) -> Named:
        """The element of a name; ValueError if there is none."""
        if name not in items:
            self.refuse_invalid(kind, name)
            raise ValueError(f"{self.path} has no {kind} {name}")
        return items[name]

    def refuse_invalid(self, kind: str, name: str) -> None:
        """InvalidInParentError if an element is not there because it is invalid in the parent."""
        if self.invalid.has(kind, name):
            raise InvalidInParentError(f"{self.path} has no valid {kind} {name}")

    def put(self, item: Table | Text) -> None:
        """Replace the table or text of the same name."""
        if isinstance(item, Text):
            self.elements.texts[item.name] = item
        else:
            self.elements.tables[item.name] = item

    def drop_table(self, name: str) -> None:
        """Drop a table or text and its own axes."""
        self.elements.tables.pop(name, None)
        self.elements.texts.pop(name, None)
        for along in "xy":
            self.elements.axes.pop(f"{name}/{along}", None)

    def drop_all(self, line: int, invalid: list[InvalidElement]) -> None:
        """Drop everything with an address, as it is not known where it lies; enters it as invalid."""
        elements = self.elements
        stored = [name for name, axis in elements.axes.items() if isinstance(axis, StoredAxis)]
        for space, names in (("axis", stored), ("table", [*elements.tables, *elements.texts])):
            invalid.append(InvalidElement(space, tuple(names), line))
            self.invalid.add(invalid[-1])
        for name in stored:
            del elements.axes[name]
        elements.tables.clear()
        elements.texts.clear()
