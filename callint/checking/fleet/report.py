"""The result of comparing a fleet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from callint.checking.fleet.changed_cells import FleetRollout
from callint.checking.fleet.contents import Answers, FleetContents, FleetQuestion
from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.records import ImageRecord
from callint.decoding.loaded_definition import LoadedDefinition


@dataclass(frozen=True, slots=True)
class AnsweredQuestion:
    """A question as it was asked, the groups of its tables by name, and the answer for each image."""

    text: str
    question: FleetQuestion
    tables: Mapping[str, TableGroups]
    answers: Answers


@dataclass(frozen=True, slots=True)
class ChangeOfImage:
    """The change of one image by a commit, and the part of it that each image of the fleet has."""

    path: str
    rollout: FleetRollout


@dataclass(frozen=True, slots=True)
class CommitOfFleet:
    """A commit with its changes of images; ``day`` is the author date, "" if it is unreadable."""

    id: str
    author: str
    day: str
    subject: str
    changes: tuple[ChangeOfImage, ...]


@dataclass(frozen=True, slots=True)
class FleetReport:
    """The images of a fleet and the calibrations of their tables.

    ``tables`` are those that were selected, or those of which the images have several calibrations;
    ``uniform`` are the names of the others. ``is_selection`` says that tables were selected. ``compared`` is
    the name of the image that all are compared with, or "".
    """

    records: Sequence[ImageRecord]
    definitions: Mapping[str, LoadedDefinition]
    tables: Sequence[TableGroups]
    uniform: Sequence[str]
    is_selection: bool
    contents: FleetContents
    compared: str = ""
    question: AnsweredQuestion | None = None
    commit: CommitOfFleet | None = None

    @property
    def not_compared(self) -> list[ImageRecord]:
        """The images without digests of their tables."""
        return [record for record in self.records if record.problem]

    @property
    def image_counts(self) -> dict[str, int]:
        """The number of compared images by definition, in the order of the first image of each."""
        counts: dict[str, int] = {}
        for record in self.records:
            if not record.problem:
                counts[record.definition] = counts.get(record.definition, 0) + 1
        return counts
