"""Applies the values of a file with one row per cell to an image.

A row that says what the image holds already changes nothing, however a spreadsheet wrote its number: the
comparison is with the stored number, and with the value to 12 digits.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.cell_writer import CellWriter, RefusedValueError, WrittenImage
from callint.decoding.conversions import exact_value, is_wide, quantise
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Item
from callint.decoding.stored_values import OFF, WantedValues
from callint.model.change import Numbers
from callint.model.definition import Linear, States, Text
from callint.model.derived_axis import DerivedAxis
from callint.model.errors import InputError
from callint.reading.addresses.cells import read_number
from callint.reading.value_rows import ValueFile, ValueRow

#: The significant digits that spreadsheets keep; numbers that agree to the share below are one number there.
_SPREADSHEET_DIGITS = 15
_SLACK = 1e-12
#: Breakpoints are written in as many digits as tell them from their neighbours.
_LABEL_SLACK = 1e-6
_ABSENT = "absent"
#: A number whose sign may separate thousands or decimals.
_THOUSANDS = re.compile(r"[+\-]?[1-9][0-9]{0,2}[.,][0-9]{3}")


@np.errstate(all="ignore")  # an image may hold any bits, also those of no number
def apply_rows(decoded: Decoded, file: ValueFile) -> WrittenImage:
    """The decoded image with the values of a file, and with the cells that must equal changed ones.

    InputError with the row if a row names what the definition or the image lacks, if it contradicts another
    row or itself, if a unit or breakpoint is not that of the table, or if a value cannot be stored.
    """
    return _RowApplier(decoded, file).apply()


@dataclass
class _RowValues:
    """What the rows say about the cells of one item; arrays have the shape (rows, columns).

    ``numbers`` are NaN and ``name_index`` is -1 where nothing is wanted. ``exact`` has the numbers of values
    that doubles cannot tell apart, by the index of the cell. ``lines`` are the rows, 0 for cells without one.
    """

    item: int
    numbers: Numbers
    name_index: NDArray[np.int64]
    lines: NDArray[np.int64]
    names: dict[str, int] = field(default_factory=dict)
    exact: dict[int, Fraction] = field(default_factory=dict)

    @staticmethod
    def empty(item: int, shape: tuple[int, int]) -> _RowValues:
        return _RowValues(
            item, np.full(shape, np.nan), np.full(shape, -1, np.int64), np.zeros(shape, np.int64)
        )

    def has(self, place: tuple[int, int]) -> bool:
        """Whether a row wants something else for a cell than the image has."""
        return self.name_index[place] >= 0 or not math.isnan(self.numbers[place])

    @property
    def values(self) -> WantedValues:
        return WantedValues(self.numbers, self.name_index, tuple(self.names), self.exact)


@dataclass
class _RowApplier:
    """Applies one file to one image."""

    decoded: Decoded
    file: ValueFile
    wanted: dict[int, _RowValues] = field(default_factory=dict)
    texts: dict[str, ValueRow] = field(default_factory=dict)

    def apply(self) -> WrittenImage:
        for row in self.file.rows:
            self._read(row)
        writer = CellWriter(self.decoded)
        for wanted in self.wanted.values():
            try:
                writer.store(wanted.item, wanted.values, only_changes=True)
            except RefusedValueError as error:
                raise InputError(f"{self.file.source}:{wanted.lines[error.place]}: {error}") from None
        for name, row in self.texts.items():
            self._write_text(writer, self.decoded.layout.definition.texts[name], row)
        written = writer.image()
        self._check_breakpoints(decode(self.decoded.layout, written.image))
        return written

    # One row

    def _read(self, row: ValueRow) -> None:
        """Note down what a row says."""
        layout = self.decoded.layout
        if row.table in layout.definition.texts:
            if row.table in self.texts:
                raise self._wrong(row, f"{row.table} occurs twice", "remove one of the rows")
            self.texts[row.table] = row
            return
        number = layout.table_items.get(row.table, layout.axis_items.get(row.table))
        if number is None:
            if row.table in layout.definition.axes:
                return  # they are fixed, or follow from a curve, and are checked in the end
            raise self._wrong(
                row,
                f"there is no table {row.table!r} in the definition",
                "remove the row, or correct its name",
            )
        rows, columns = layout.shape(number)
        if row.y >= rows or row.x >= columns:
            problem = f"{row.table} has no cell x={row.x}, y={row.y}"
            raise self._wrong(row, problem, "leave x and y as they were")
        wanted = self.wanted.setdefault(number, _RowValues.empty(number, (rows, columns)))
        if wanted.lines[row.y, row.x]:
            problem = f"row {wanted.lines[row.y, row.x]} is about the same cell of {row.table}"
            raise self._wrong(row, problem, "remove one of the rows")
        wanted.lines[row.y, row.x] = row.number
        self._check_unit(row, layout.items[number])
        self._read_cell(row, wanted)

    def _check_unit(self, row: ValueRow, item: Item) -> None:
        unit = self.decoded.layout.definition.unit_of(item)
        own = "" if unit == "-" else unit
        if row.unit is not None and not fmt.same_unit(row.unit.removeprefix("'"), own):
            problem = f"{row.table} is in {fmt.unit_word(own) or 'no unit'}, not in {row.unit or 'no unit'}"
            raise self._wrong(row, problem, "give values in the unit of the definition")

    def _read_cell(self, row: ValueRow, wanted: _RowValues) -> None:
        """Note down the value, or the word, of a cell if it is another one than the image has."""
        layout, place = self.decoded.layout, (row.y, row.x)
        item = layout.items[wanted.item]
        present = self._text_of(wanted.item, place)
        word = present if row.text is None else row.text.removeprefix("'")
        conversion = layout.definition.conversion_of(item)
        if row.text is None and isinstance(conversion, States) and conversion.raw_of(row.value) is not None:
            row, word = replace(row, value=""), row.value  # the name of a state may be a number
        has_new_word = word.casefold() != present.casefold()
        if has_new_word and word:
            if row.value and self._is_new(row, wanted, place) and not self._is_code(row, item, word):
                raise self._wrong(
                    row, f"the value {row.value} and the text {word!r} differ", "clear one of them"
                )
            name = OFF if word.casefold() == OFF and not self._is_state(item, word) else word
            wanted.name_index[place] = wanted.names.setdefault(name, len(wanted.names))
        elif row.value:
            if self._is_new(row, wanted, place):
                self._note_value(row, wanted, place)
        elif has_new_word or not present:
            cell = f" at {row.x_breakpoint}" if row.x_breakpoint else ""
            raise self._wrong(row, f"{row.table} has no value{cell} in this row", "enter one")
        self._check_raw(row, wanted, place)

    def _text_of(self, number: int, place: tuple[int, int]) -> str:
        """The word for a cell of the image, as ``callint show`` writes it; "" for a plain value."""
        decoded = self.decoded
        if not decoded.of_item(decoded.present, number)[place]:
            return _ABSENT
        if decoded.of_item(decoded.off, number)[place]:
            return OFF
        value = float(decoded.of_item(decoded.physical, number)[place])
        if math.isnan(value):
            return "not a number"
        if math.isinf(value):
            return "infinite" if value > 0 else "infinite, negative"
        conversion = decoded.layout.definition.conversion_of(decoded.layout.items[number])
        return conversion.names.get(int(value), "") if isinstance(conversion, States) else ""

    def _is_state(self, item: Item, word: str) -> bool:
        conversion = self.decoded.layout.definition.conversion_of(item)
        return isinstance(conversion, States) and conversion.raw_of(word) is not None

    def _is_code(self, row: ValueRow, item: Item, word: str) -> bool:
        """Whether the value of a row is the number of the state that the word names."""
        conversion = self.decoded.layout.definition.conversion_of(item)
        return isinstance(conversion, States) and self._number(row) == conversion.raw_of(word)

    def _number(self, row: ValueRow) -> float:
        text = row.value.strip()
        if self.file.decimal_comma is None and ({",", "."} <= set(text) or _THOUSANDS.fullmatch(text)):
            problem = f"{text!r} may mean two numbers, as this file has decimal points and decimal commas"
            raise self._wrong(row, problem, "write all its numbers in one way")
        number = read_number(text, self.file.decimal_comma)
        if number is None or number[1] or not math.isfinite(number[0]):
            raise self._wrong(row, f"{row.value!r} is not a number", "write it as 12.5")
        return number[0]

    def _exact(self, row: ValueRow) -> Fraction:
        try:
            return Fraction(row.value.replace(",", "."))
        except (ValueError, ZeroDivisionError):
            return Fraction(self._number(row))

    def _is_new(self, row: ValueRow, wanted: _RowValues, place: tuple[int, int]) -> bool:
        """Whether a value is another one than the image holds, to the digits that a spreadsheet keeps."""
        decoded, number = self.decoded, wanted.item
        if decoded.of_item(decoded.off, number)[place] or not decoded.of_item(decoded.present, number)[place]:
            return True
        value, present = self._number(row), float(decoded.of_item(decoded.physical, number)[place])
        item = decoded.layout.items[number]
        conversion = decoded.layout.definition.conversion_of(item)
        is_exact = sum(map(str.isdigit, re.sub("[eE].*", "", row.value))) > _SPREADSHEET_DIGITS
        if is_exact and isinstance(conversion, Linear) and is_wide(conversion, item.storage):
            return self._exact(row) != exact_value(conversion, int(decoded.raw_of(number)[place]))
        return not math.isclose(value, present, rel_tol=_SLACK)

    def _note_value(self, row: ValueRow, wanted: _RowValues, place: tuple[int, int]) -> None:
        wanted.numbers[place] = self._number(row)
        item = self.decoded.layout.items[wanted.item]
        if is_wide(self.decoded.layout.definition.conversion_of(item), item.storage):
            wanted.exact[int(np.ravel_multi_index(place, wanted.numbers.shape))] = self._exact(row)

    def _check_raw(self, row: ValueRow, wanted: _RowValues, place: tuple[int, int]) -> None:
        """InputError if the raw number alone of a row was edited: it follows from the value."""
        if not row.raw or row.raw.startswith("0x") or wanted.has(place):
            return
        stored = self.decoded.raw_of(wanted.item)[place]
        number = read_number(row.raw, self.file.decimal_comma)
        if number is None or not (
            math.isclose(number[0], float(stored), rel_tol=_SLACK) or stored.dtype.type(number[0]) == stored
        ):
            problem = f"the image holds raw {stored} here, not {row.raw}"
            raise self._wrong(row, problem, "change the value, and leave raw as it was")

    # All rows

    def _check_breakpoints(self, target: Decoded) -> None:
        """InputError if a row names another breakpoint than its cell has, before and after the change.

        Such a row belongs to another image, or somebody changed a breakpoint in the wrong place.
        """
        definition = self.decoded.layout.definition
        for row in self.file.rows:
            table = definition.tables.get(row.table)
            derived = definition.axes.get(row.table)
            if isinstance(derived, DerivedAxis):
                self._check_derived(row, derived, target)
            if table is None or table.name not in self.decoded.layout.table_items:
                continue
            for axis, index, text in ((table.x, row.x, row.x_breakpoint), (table.y, row.y, row.y_breakpoint)):
                number = read_number(text, self.file.decimal_comma) if axis is not None and text else None
                if axis is None or number is None:
                    continue
                if not any(_is_at(number[0], image, axis, index) for image in (self.decoded, target)):
                    own = fmt.exact(float(self.decoded.breakpoints(axis)[index]))
                    problem = f"the cell of {row.table} lies at {own}, not at {text}"
                    remedy = f"change breakpoints in the rows of {axis}, or give a file of this image"
                    raise self._wrong(row, problem, remedy)

    def _check_derived(self, row: ValueRow, axis: DerivedAxis, target: Decoded) -> None:
        """InputError if a row gives an axis that follows from a curve another breakpoint than the curve."""
        number = read_number(row.value, self.file.decimal_comma) if row.value else None
        if number is None or not 0 <= row.x < axis.count:
            return
        if not any(_is_at(number[0], image, axis.name, row.x) for image in (self.decoded, target)):
            own = fmt.exact(float(self.decoded.breakpoints(axis.name)[row.x]))
            problem = f"{axis.name} has the breakpoint {own} here, not {row.value}"
            raise self._wrong(row, problem, f"change {axis.curve}, which it follows from")

    def _write_text(self, writer: CellWriter, text: Text, row: ValueRow) -> None:
        """Write a text if the row has another one than the image."""
        if row.text is None:
            return
        present = self.decoded.text(text)
        shown = _ABSENT if present is None else _plain(fmt.clean(present))
        if _plain(row.text) in (shown, f"'{shown}"):
            return
        try:
            writer.store_text(text, row.text.removeprefix("'"))
        except InputError as error:
            raise InputError(f"{self.file.source}:{row.number}: {error}") from None

    def _wrong(self, row: ValueRow, problem: str, remedy: str) -> InputError:
        return self.file.wrong(row.number, problem, remedy)


def _is_at(number: float, decoded: Decoded, axis: str, index: int) -> bool:
    """Whether a number names a breakpoint of an axis: it prints alike, or it would be stored alike."""
    if math.isclose(number, float(decoded.breakpoints(axis)[index]), rel_tol=_LABEL_SLACK):
        return True
    layout = decoded.layout
    item = layout.axis_items.get(axis)
    if item is None:
        return False
    storage, conversion = layout.items[item].storage, layout.definition.conversion_of(layout.items[item])
    stored = quantise(conversion, storage, np.array([number]))
    # Narrow floats are printed in the fewest digits that are stored as the same float.
    is_same: bool = (stored.raw == decoded.raw_of(item)[0, index]).item()
    return not storage.type.is_integer and bool(stored.fits[0]) and is_same


def _plain(text: str) -> str:
    """A text with single spaces, as files of rows are read."""
    return " ".join(text.split())
