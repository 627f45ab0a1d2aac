"""The calibrations of a fleet's tables as values, each read from one of the images that have it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from callint.checking.fleet.fleet_reader import FleetReader
from callint.checking.fleet.groups import TableGroups
from callint.comparing.table_query import (
    AllOf,
    Answer,
    Condition,
    Not,
    Question,
    TableCondition,
    condition_for,
    conditions,
)
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Layout, make_table_layout
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.change import Grid, Numbers
from callint.model.definition import Text
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import error_with_remedy

#: The number of images that are kept: several tables are read from one image in turn.
_KEPT_IMAGES = 4
Answers = NDArray[np.int8]


class FleetContents:
    """Reads the content of each calibration once."""

    def __init__(self, fleet: FleetReader) -> None:
        self._fleet = fleet
        self.image = lru_cache(_KEPT_IMAGES)(self._image)
        self._layout = lru_cache(256)(self._make_layout)

    def definition_of(self, image: int) -> LoadedDefinition:
        """The definition of an image by its number."""
        return self._fleet.groups.definitions[self._fleet.records[image].definition]

    def decoded(self, groups: TableGroups, number: int) -> Decoded:
        """A calibration of a table, decoded with its axes alone."""
        image = int(groups.first_images[number])
        loaded = self.definition_of(image)
        return decode(self._layout(loaded.file.path, groups.table.name), self.image(image))

    def grid(self, groups: TableGroups, number: int) -> Grid:
        """The cells of a calibration of a table."""
        decoded = self.decoded(groups, number)
        return decoded.grid(decoded.layout.definition.tables[groups.table.name])

    def text(self, groups: TableGroups, number: int) -> str:
        """A calibration of a text."""
        image = int(groups.first_images[number])
        loaded = self.definition_of(image)
        text = loaded.definition.texts[groups.table.name]
        data = self.image(image).read(text.at, text.length) or b""
        fill = bytes([loaded.definition.memory.fill])
        return data.rstrip(b"\0" + fill + b" ").decode(text.encoding, "replace")

    def _make_layout(self, definition: str, table: str) -> Layout:
        loaded = self._fleet.groups.definitions[definition]
        return make_table_layout(loaded.definition, loaded.definition.tables[table])

    def _image(self, number: int) -> Image:
        """An image that was read before; InputError if its content has changed."""
        record, assignment = self._fleet.records[number], self._fleet.images[number]
        try:
            data = self._fleet.workspace.read(record.path)
        except OSError as error:
            raise InputError(f"{record.path}: {error_with_remedy(error, 'check the path')}") from None
        try:
            if hashlib.sha256(data).digest() == record.digest:
                return read_image(data, self.definition_of(number).definition.memory, assignment.start)
        except DamagedError:
            pass
        raise InputError(f"{record.path}: it changed while callint read the images; try again")


class FleetQuestion:
    """The answers to a question for all images of a fleet.

    InputError if no definition has one of its tables, or if a unit, state or signal does not fit.
    """

    def __init__(self, fleet: FleetReader, question: Question, option: str = "--where") -> None:
        self.question = question
        self._fleet = fleet
        self._contents = FleetContents(fleet)
        self._conditions: dict[tuple[Condition, str], TableCondition] = {}
        for condition in conditions(question):
            known = fleet.groups.tables.get(condition.table)
            if isinstance(known, Text):
                raise InputError(f"{option}: {condition.table} is a text; ask about a table of numbers")
            layouts = (loaded.layout for loaded in fleet.groups.definitions.values())
            if known is None and any(condition.table in layout.axis_items for layout in layouts):
                raise InputError(f"{option}: {condition.table} is an axis; ask about a table")
            if known is None:
                raise InputError(_unknown(condition.table, fleet.groups.tables, option))
            for path, loaded in fleet.groups.definitions.items():
                if condition.table in loaded.layout.table_items:
                    self._conditions[condition, path] = condition_for(loaded.definition, condition, option)

    @property
    def tables(self) -> list[str]:
        """The names of the tables that the question is about."""
        return list(dict.fromkeys(condition.table for condition in conditions(self.question)))

    def values(self, condition: Condition, groups: TableGroups, number: int) -> Numbers | None:
        """The values that a condition is about in a calibration; as ``TableCondition.values``."""
        path = self._fleet.records[int(groups.first_images[number])].definition
        return self._conditions[condition, path].values(self._contents.decoded(groups, number))

    def answers(
        self, groups: Mapping[str, TableGroups], step: Callable[[int], None] = lambda done: None
    ) -> Answers:
        """The answer for each image, shape (images,); ``step`` is called with the number of contents read."""
        read = 0
        answers: dict[Condition, Answers] = {}
        for condition in dict.fromkeys(conditions(self.question)):
            of_table = groups[condition.table]
            by_number = np.full(len(of_table.counts) + 1, Answer.UNKNOWN, np.int8)  # the last: no table
            for number in range(len(of_table.counts)):
                image = int(of_table.first_images[number])
                by_path = self._conditions[condition, self._fleet.records[image].definition]
                by_number[number] = by_path.answer(self._contents.decoded(of_table, number))
                read += 1
                step(read)
            answers[condition] = by_number[of_table.numbers]
        return _combined(self.question, answers)


def _combined(question: Question, answers: Mapping[Condition, Answers]) -> Answers:
    """The answers to a question from those to its conditions; only a single condition can be partly met."""
    if isinstance(question, Condition):
        return answers[question]
    parts = [question.part] if isinstance(question, Not) else list(question.parts)
    of_parts = [_whole(_combined(part, answers)) for part in parts]
    if isinstance(question, Not):
        (whole,) = of_parts
        opposite = np.array([Answer.YES, Answer.NO, Answer.UNKNOWN, Answer.UNKNOWN], np.int8)
        return opposite[whole]
    stopping, other = (Answer.NO, Answer.YES) if isinstance(question, AllOf) else (Answer.YES, Answer.NO)
    stacked = np.stack(of_parts)
    is_stopped = (stacked == stopping).any(axis=0)
    is_other = (stacked == other).all(axis=0)
    combined: Answers = np.where(is_stopped, stopping, np.where(is_other, other, Answer.UNKNOWN))
    return combined.astype(np.int8)


def _whole(answers: Answers) -> Answers:
    """The answers with "partly" as "no"."""
    whole: Answers = np.where(answers == Answer.PARTLY, Answer.NO, answers)
    return whole.astype(np.int8)


def _unknown(name: str, tables: Iterable[str], option: str) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, list(tables), n=1)
    advice = f"did you mean {close[0]!r}?" if close else "callint show IMAGE --list lists the tables"
    return f"{option}: no definition of these images has a table {name!r}; {advice}"
