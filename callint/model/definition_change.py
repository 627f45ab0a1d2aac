"""The differences between two definitions, by what they mean for values and for the demands on them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

from callint.model.definition import Definition, Purpose


class ChangeKind(StrEnum):
    """What a change of a definition does, the most dangerous first."""

    LOOSENED = "asks-less"
    READS_DIFFERENTLY = "reads-differently"
    TIGHTENED = "asks-more"
    NEW = "new"
    GONE = "gone"
    DOCUMENTATION = "wording"


class ElementKind(StrEnum):
    """The kind of element that changed, in the order of a list of changes."""

    TABLE = "table"
    TEXT = "text"
    AXIS = "axis"
    RELATION = "relation"
    CHECKSUM = "checksum"
    IDENTITY = "identity"
    SENSOR = "sensor"
    SIGNAL = "signal"
    CONVERSION = "conversion"
    MEMORY = "memory"
    REGION = "region"
    GROUP = "group"
    DEFINITION = "definition"


#: A value of an attribute, None if the element lacks it: a number, a text, bytes, a tuple of numbers, a Guard
#: or a Conversion.
Value = object


@dataclass(frozen=True, slots=True)
class ReadingEffect:
    """What another conversion does to values: new = old * ``factor`` + ``offset``, for every raw number.

    ``low`` and ``high`` are the old and the new value of the lowest and the highest raw number; they count if
    ``factor`` is None, because no straight line gives the new values.
    """

    factor: float | None
    offset: float
    low: tuple[float, float]
    high: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ImageEffect:
    """What a change does to the values of one image: the cell whose value changes most.

    ``cells`` of ``total`` cells of ``tables`` tables read as another value; ``old`` and ``new`` are the
    values of the cell ``x``, ``y`` of ``table`` in ``unit``, and ``place`` names its breakpoints.
    """

    tables: int
    cells: int
    total: int
    table: str
    x: int
    y: int
    place: str
    old: float
    new: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DefinitionChange:
    """One difference between two definitions.

    - ``name``: the name of the element, in the new definition if that has it; "" if it has none.
    - ``attribute``: what changed: "limits max", "gradient x", "at"; "" for the whole element.
    - ``old`` and ``new``: the values; None on a side that lacks the attribute, or for a whole element.
    - ``other``: the second table of a relation, or the curve of a sensor.
    - ``old_unit`` and ``new_unit``: the units of the values, "" if they have none.
    - ``old_line`` and ``new_line``: the lines in the two files, counted from 1; None on a side without it.
    - ``tables``: the names of all tables that the change affects, in the new definition if that has them.
    - ``purpose``: the most important purpose of these tables, None if there are none.
    """

    kind: ChangeKind
    element: ElementKind
    name: str
    attribute: str = ""
    old: Value = None
    new: Value = None
    other: str = ""
    old_unit: str = ""
    new_unit: str = ""
    old_line: int | None = None
    new_line: int | None = None
    tables: tuple[str, ...] = ()
    purpose: Purpose | None = None
    reading: ReadingEffect | None = None
    in_image: ImageEffect | None = None

    @property
    def is_guarded(self) -> bool:
        """Whether it concerns a protection or an emissions table."""
        return self.purpose in (Purpose.PROTECTION, Purpose.EMISSIONS)


@dataclass(frozen=True, slots=True)
class Move:
    """Items of one kind whose addresses moved by the same number of bytes.

    ``first`` and ``last`` are the lowest and the highest old address.
    """

    element: ElementKind
    shift: int
    names: tuple[str, ...]
    first: int
    last: int


#: The order of reports.
_PURPOSES = {purpose: rank for rank, purpose in enumerate(Purpose)}
_KINDS = {kind: rank for rank, kind in enumerate(ChangeKind)}
_ELEMENTS = {element: rank for rank, element in enumerate(ElementKind)}


def most_important(purposes: Iterable[Purpose]) -> Purpose | None:
    """The purpose that comes first in reports; None without any."""
    return min(purposes, key=_PURPOSES.__getitem__, default=None)


def by_danger(changes: Iterable[DefinitionChange]) -> list[DefinitionChange]:
    """Changes in the order of reports: by kind, then protection and emissions first, then by element."""
    count = len(_PURPOSES)
    return sorted(
        changes,
        key=lambda change: (
            _KINDS[change.kind],
            count if change.purpose is None else _PURPOSES[change.purpose],
            _ELEMENTS[change.element],
        ),
    )


@dataclass(frozen=True)
class DefinitionDiff:
    """All differences between two definitions, in the order of reports.

    ``renames`` gives the new name of a table or text by its old one, for those whose name differs.
    """

    old: Definition
    new: Definition
    changes: tuple[DefinitionChange, ...]
    renames: Mapping[str, str] = field(default_factory=dict)

    def of_kind(self, kind: ChangeKind) -> tuple[DefinitionChange, ...]:
        return tuple(change for change in self.changes if change.kind is kind)

    @cached_property
    def moves(self) -> tuple[Move, ...]:
        """Moved items by kind and shift, the largest groups first."""
        groups: dict[tuple[ElementKind, int], list[DefinitionChange]] = {}
        for change in self.changes:
            if change.attribute == "at" and isinstance(change.old, int) and isinstance(change.new, int):
                groups.setdefault((change.element, change.new - change.old), []).append(change)
        moves = []
        for (element, shift), members in groups.items():
            places = [change.old for change in members if isinstance(change.old, int)]
            names = tuple(change.name for change in members)
            moves.append(Move(element, shift, names, min(places), max(places)))
        return tuple(sorted(moves, key=lambda move: (_ELEMENTS[move.element], -len(move.names))))
