"""The commits that set each cell and text of an image: the result of walking its history."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from callint.decoding.layout import Item, Layout
from callint.model.change import Flags
from callint.model.definition import Table, Text

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Origin:
    """A commit that set values; ``id`` is "" for the working tree, whose changes are not committed yet.

    ``date`` is the author date with its zone, or None if the commit has no readable date. ``is_first`` is
    True if the known history begins there: the values may then be older.
    """

    id: str
    author: str
    email: str
    date: datetime | None
    subject: str
    is_first: bool
    own_email: str = ""


class EndReason(StrEnum):
    """Why the known history of an image begins at a commit."""

    ADDED = "added"
    SHALLOW = "shallow"
    UNREADABLE = "unreadable"
    INCOMPARABLE = "incomparable"


@dataclass(frozen=True, slots=True)
class HistoryEnd:
    """The commit at which the known history begins on one path; ``text`` explains it after the commit's name.

    ``text`` is None if the commit added the image.
    """

    origin: Origin
    reason: EndReason
    text: str | None

    @property
    def is_gap(self) -> bool:
        """Whether callint cannot see an older version that exists: the commit may not have set its values."""
        return self.reason in (EndReason.SHALLOW, EndReason.UNREADABLE)


@dataclass(frozen=True, slots=True)
class Rename:
    """The path that the image had before a commit renamed it."""

    origin: Origin
    path: str


@dataclass(frozen=True)
class Attribution:
    """The origin of each cell and text. ``origins`` are newest first.

    ``cells`` (cells) and ``texts`` hold indexes of ``origins``.
    """

    origins: tuple[Origin, ...]
    cells: Integers
    texts: dict[str, int]
    ends: tuple[HistoryEnd, ...]
    renames: tuple[Rename, ...]

    def of(self, layout: Layout, item: Item | Text) -> Integers:
        """The indexes of the origins of an item: shape (rows, columns), for a text (1, 1)."""
        if isinstance(item, Text):
            return np.full((1, 1), self.texts[item.name], np.int64)
        numbers = layout.table_items if isinstance(item, Table) else layout.axis_items
        number = numbers[item.name]
        return self.cells[layout.cells(number)].reshape(layout.shape(number))

    def later(self, indexes: Integers) -> Flags:
        """Whether origins, given by index, are later than the first known commit; any shape."""
        flags: Flags = np.array([not origin.is_first for origin in self.origins], bool)[indexes]
        return flags


@dataclass(frozen=True, slots=True)
class SameValue:
    """An image that had the value of a cell before another image got it, and the commit that set it there.

    ``is_together`` is True if both images got it in the same commit. ``others`` is the number of further
    images that had the value at that time.
    """

    path: str
    origin: Origin
    is_together: bool
    others: int


@dataclass(frozen=True, slots=True)
class ValueTrail:
    """The images that had a value before, each the possible source of the one before it in the list.

    ``base`` is the name of the base if it has the value too; the list is then empty, because every image that
    begins as the base has the value.
    """

    base: str
    steps: tuple[SameValue, ...]
