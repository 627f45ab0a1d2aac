"""What a merge of definitions decides: conflicts between two versions of a definition, and their outcome."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from callint.comparing.merge import Side


class ConflictKind(StrEnum):
    """The way in which two changes are contrary."""

    #: Both sides changed an attribute or a text to different values.
    VALUES = "values"
    #: One side removed an element that the other side changed.
    REMOVED = "removed"
    #: Both sides added an element, but not the same.
    ADDED = "added"
    #: One side made another element of it, such as a map of a curve, and the other side changed it.
    REPLACED = "replaced"
    #: Both sides moved a table, into different groups.
    MOVED = "moved"
    #: Both sides changed a comment.
    COMMENT = "comment"


@dataclass(frozen=True, slots=True)
class ConflictPlace:
    """The element that a conflict is about.

    ``kind`` and ``name`` are those of the item that contains it, such as a table, with all ``names`` by which
    it can be selected; ``element`` and ``key`` are those of the element inside it, "" for the item itself.
    """

    kind: str
    name: str
    names: tuple[str, ...]
    element: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Version:
    """A value in one file as it is written, None if it is absent, and its line, None without one."""

    text: str | None
    line: int | None


@dataclass(frozen=True, slots=True)
class ValueVersions:
    """One value in the three files.

    ``element`` and ``attribute`` say which value it is; an attribute is "" for the text of an element or for
    a whole element. ``position`` is the number of one value in a list, from 0.
    """

    element: str
    attribute: str
    base: Version
    ours: Version
    theirs: Version
    position: int | None = None


@dataclass(frozen=True, slots=True)
class DefinitionConflict:
    """A conflict with the values that differ, and the lines of the element in base, ours and theirs.

    ``removed_by`` is the side that removed the element, if one did.
    """

    kind: ConflictKind
    place: ConflictPlace
    lines: tuple[int | None, int | None, int | None]
    values: tuple[ValueVersions, ...]
    removed_by: Side | None = None


#: The side that a conflict is decided for; None leaves it open.
DefinitionChoice = Callable[[DefinitionConflict], Side | None]


def leave_open(conflict: DefinitionConflict) -> Side | None:
    """The choice that leaves every conflict open."""
    return None


@dataclass(frozen=True, slots=True)
class DefinitionDecision:
    """A conflict and its decision; a conflict that stays ``open`` keeps ours."""

    conflict: DefinitionConflict
    side: Side
    open: bool


@dataclass(frozen=True, slots=True)
class DefinitionMerge:
    """The merged file, and the decision of every conflict in the order of the file."""

    data: bytes
    decisions: tuple[DefinitionDecision, ...]

    @property
    def conflicts(self) -> tuple[DefinitionConflict, ...]:
        """The conflicts that stay open."""
        return tuple(decision.conflict for decision in self.decisions if decision.open)

    @property
    def settled(self) -> tuple[DefinitionDecision, ...]:
        """The decisions that follow the choice."""
        return tuple(decision for decision in self.decisions if not decision.open)
