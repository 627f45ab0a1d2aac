"""Writes values and texts into an image, and the values into the cells that must equal them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.comparing.mirrors import mirrored_cells
from callint.decoding.decode import Decoded
from callint.decoding.encode import UnstorableTextError, text_content
from callint.decoding.layout import Item
from callint.decoding.statistics import distinct
from callint.decoding.stored_values import (
    OFF,
    Outcome,
    StoredValues,
    WantedValues,
    stored_values,
    write_values,
)
from callint.model.change import Flags
from callint.model.definition import PLAIN, States, Table, Text
from callint.model.errors import InputError
from callint.model.image import Image

#: Values that differ by less, as a share, are one value to people.
_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class RoundedValue:
    """A wanted value, and the nearest one that its item can store if people see that they differ."""

    item: Item
    wanted: float
    stored: float


@dataclass(frozen=True, slots=True)
class WrittenImage:
    """The image with everything that was written.

    ``rounded`` are the values that are stored as others, each once. ``mirrors`` are the names of tables that
    were changed because they must equal another one.
    """

    image: Image
    rounded: tuple[RoundedValue, ...]
    mirrors: tuple[str, ...]


class RefusedValueError(ValueError):
    """A value that a cell cannot store; ``place`` is its row and column."""

    def __init__(self, message: str, place: tuple[int, int]) -> None:
        super().__init__(message)
        self.place = place


class CellWriter:
    """Collects new values and texts for one image."""

    def __init__(self, decoded: Decoded) -> None:
        self._decoded = decoded
        self._stored: dict[int, StoredValues] = {}
        self._texts: dict[str, bytes] = {}
        self._rounded: list[RoundedValue] = []
        self._written: Flags = np.zeros(decoded.layout.size, bool)

    def store(self, item: int, wanted: WantedValues, *, only_changes: bool = False) -> None:
        """Store the wanted values of an item, once for each item.

        The mirrors of all wanted cells follow, or with ``only_changes`` those of cells that get another
        number. RefusedValueError for the first value that cannot be stored.
        """
        stored = stored_values(self._decoded, item, wanted)
        if stored.refused.any():
            y, x = np.argwhere(stored.refused)[0].tolist()
            raise RefusedValueError(self._refusal(item, wanted, stored, (y, x)), (y, x))
        self._stored[item] = stored
        cells = stored.stored if only_changes else ~np.isnan(wanted.numbers) | (wanted.name_index >= 0)
        self._decoded.of_item(self._written, item)[cells] = True
        self._rounded += self._rounded_values(item, wanted, stored)

    def keep(self, cells: Flags) -> None:
        """Count flagged cells, shape (cells,), as written as they are, so that their mirrors follow."""
        for item in distinct(self._decoded.layout.item[cells]).tolist():
            shape = self._decoded.layout.shape(item)
            nothing = WantedValues(np.full(shape, np.nan), np.full(shape, -1, np.int64))
            self._stored[item] = stored_values(self._decoded, item, nothing)
        self._written |= cells

    def store_text(self, text: Text, value: str) -> None:
        """Store a text, padded as it is now. InputError if its bytes cannot hold it."""
        if self._decoded.text(text) is None:
            raise InputError(f"{text.name}: the image does not hold all of it; use a whole image")
        try:
            self._texts[text.name] = text_content(self._decoded, text, value)
        except UnstorableTextError as error:
            raise InputError(f"{text.name}: {error}") from None

    def image(self) -> WrittenImage:
        """The image. A cell that must equal a written one gets the same value, unless it was written too.

        InputError if it cannot, or if several items share written bytes.
        """
        rounded = tuple(self._rounded)
        mirrors = tuple(dict.fromkeys(self._write_mirrors()))
        image, overwritten = write_values(self._decoded, self._stored, self._texts)
        if overwritten:
            names = fmt.list_names([self._decoded.layout.items[number].name for number in overwritten], 3)
            raise InputError(f"{names}: another item has the same bytes; correct the addresses first")
        return WrittenImage(image, rounded, mirrors)

    def _refusal(self, item: int, wanted: WantedValues, stored: StoredValues, place: tuple[int, int]) -> str:
        """Why a value cannot be stored."""
        what = self._decoded.layout.items[item]
        conversion = self._decoded.layout.definition.conversion_of(what)
        plain = PLAIN if isinstance(conversion, States) else conversion
        match Outcome(int(stored.outcomes[place])):
            case Outcome.UNKNOWN_NAME:
                kind = "no such state" if isinstance(conversion, States) else "no off code"
                return f"{what.name} has {kind}: {wanted.names[int(wanted.name_index[place])]!r}"
            case Outcome.OFF_CODE:
                value = fmt.quantity(float(wanted.numbers[place]), plain)
                code = what.demands.off.raw if isinstance(what, Table) and what.demands.off else ""
                return f"{what.name}: {value} would be stored as the off code {code}; write off to mean it"
            case Outcome.MISSING:
                return f"{what.name}: the image does not hold all of these cells; use a whole image"
            case _:
                value = fmt.quantity(float(wanted.numbers[place]), plain)
                return f"{what.name}: {value} does not fit the {what.storage.type.name} that it is stored in"

    def _rounded_values(
        self, item: int, wanted: WantedValues, stored: StoredValues
    ) -> Iterator[RoundedValue]:
        what = self._decoded.layout.items[item]
        conversion = self._decoded.layout.definition.conversion_of(what)
        differs = stored.differs
        pairs = zip(wanted.numbers[differs].tolist(), stored.physical[differs].tolist(), strict=True)
        for asked, value in dict.fromkeys(pairs):
            shown = float(fmt.number(value, conversion, what.storage))
            if not any(math.isclose(asked, number, rel_tol=_SLACK) for number in (value, shown)):
                yield RoundedValue(what, asked, value)

    # Mirrors

    def _write_mirrors(self) -> Iterator[str]:
        """Write the mirrors of written cells, and those of the mirrors; yields the names of their tables."""
        layout = self._decoded.layout
        pairs, is_going_on = mirrored_cells(layout), True
        while is_going_on:
            is_going_on = False
            for first, second in pairs:
                for source, mirror in ((first, second), (second, first)):
                    cells = self._written[source] & ~self._written[mirror]
                    if cells.any():
                        is_going_on = True
                        items = int(layout.item[source.start]), int(layout.item[mirror.start])
                        self._write_mirror(*items, cells.reshape(layout.shape(items[1])))
                        yield layout.items[items[1]].name

    def _write_mirror(self, item: int, mirror: int, cells: Flags) -> None:
        """Give flagged cells of a mirror the values of an item, beside what was written there."""
        try:
            own = self._stored.get(mirror)
            wanted = self._values_of(item, cells)
            if own is not None:  # the mirror was written in part
                wanted = _merged(self._values_of(mirror, own.stored), wanted, cells)
            self.store(mirror, wanted)
        except RefusedValueError as error:
            name = self._decoded.layout.items[item].name
            raise InputError(f"{error}, but must equal {name}; set each by itself") from None

    def _values_of(self, item: int, cells: Flags) -> WantedValues:
        """What flagged cells of a written item hold, as values and names."""
        decoded, stored = self._decoded, self._stored[item]
        what = decoded.layout.items[item]
        conversion = decoded.layout.definition.conversion_of(what)
        names: dict[str, list[float]] = {}
        if isinstance(conversion, States):
            for code, name in conversion.names.items():
                names.setdefault(name, []).append(code)
        if isinstance(what, Table) and what.demands.off is not None:
            names[OFF] = [what.demands.off.raw]
        index = np.full(cells.shape, -1, np.int64)
        for number, codes in enumerate(names.values()):
            index[cells & np.logical_or.reduce([stored.raw == code for code in codes])] = number
        numbers = np.where(cells & (index < 0), stored.physical, np.nan)
        return WantedValues(numbers, index, tuple(names))


def _merged(first: WantedValues, second: WantedValues, cells: Flags) -> WantedValues:
    """The first values, and in flagged cells the second ones."""
    shift = np.where(second.name_index < 0, -1, second.name_index + len(first.names))
    return WantedValues(
        np.where(cells, second.numbers, first.numbers),
        np.where(cells, shift, first.name_index),
        (*first.names, *second.names),
    )
