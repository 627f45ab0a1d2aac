"""The rows of a list of addresses as what they say, before any row is held against another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf

from callint.model.address_digits import AddressDigits
from callint.model.definition import ByteOrder, NumberType, Purpose, Range
from callint.model.errors import InputError
from callint.reading.addresses import cells
from callint.reading.addresses.columns import Columns
from callint.reading.definition_bounds import MAX_ADDRESS
from callint.reading.sheets import SheetRow

#: Roles of columns whose cells are numbers; they tell whether the list has decimal commas.
_NUMERIC = ("factor", "offset", "min", "max", "x_factor", "x_offset", "y_factor", "y_offset")
#: Digits without a mark are the address of an axis from this number on.
_LEAST_DIGITS = 4
#: The most digits of an address that a question repeats; 2 to the power of 64 has 20.
_MOST_DIGITS = 20


@dataclass(slots=True)
class Scaling:
    """Factor, offset and unit of values or breakpoints."""

    factor: float = 1.0
    offset: float = 0.0
    unit: str = ""


@dataclass(slots=True)
class AxisCells:
    """What a row says about an axis; ``reference`` is the text in its column: a name, or an address."""

    reference: str = ""
    reference_address: int | None = None
    address: int | None = None
    type: NumberType | None = None
    byte_order: ByteOrder | None = None
    scaling: Scaling = field(default_factory=Scaling)
    signal: str = ""
    count: int | None = None

    @property
    def is_given(self) -> bool:
        return bool(self.reference) or self.address is not None


@dataclass(slots=True)
class ListedRow:
    """One row of a list. ``questions`` asks for what is missing or cannot be understood.

    ``obstacle`` is the question without whose answer the row cannot be used, "" if there is none, and
    ``purpose_question`` the one for the purpose, which an axis does not have.
    ``text_length`` is the number of bytes of a text, 0 if it is missing, None for numbers.
    """

    line: int
    name: str
    at: int = -1
    title: str = ""
    group: str = ""
    type: NumberType | None = None
    byte_order: ByteOrder | None = None
    text_length: int | None = None
    is_axis: bool = False
    rows: int | None = None
    columns: int | None = None
    size: tuple[int, int] | None = None
    y_first: bool = False
    scaling: Scaling = field(default_factory=Scaling)
    decimals: int | None = None
    limits: Range | None = None
    purpose: Purpose = Purpose.GENERAL
    signal: str = ""
    x: AxisCells = field(default_factory=AxisCells)
    y: AxisCells = field(default_factory=AxisCells)
    purpose_question: str = ""
    questions: list[str] = field(default_factory=list)
    obstacle: str = ""


def read_rows(columns: Columns) -> list[ListedRow]:
    """All rows of a list; a row with a single cell is the title of a group.

    Raises InputError if nothing tells whether the addresses are hexadecimal or decimal.
    """
    reader = _RowReader(columns)
    return list(reader.rows())


class _RowReader:
    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self._source = columns.sheet.source
        addresses = [text for row in columns.rows if (text := self._cell(row, "address"))]
        self._is_marked = any(map(cells.is_marked, addresses))
        letters = cells.address_radix(addresses)
        self._radix = columns.radix or letters
        if self._radix is None and not self._is_marked:
            self._require_notation()
        numbers = (self._cell(row, role) for row in columns.rows for role in _NUMERIC)
        self._decimal_comma = cells.has_decimal_comma(filter(None, numbers))

    def _require_notation(self) -> None:
        for row in self._columns.rows:
            if self._cell(row, "address").replace(" ", "").isdecimal():
                raise InputError(
                    f"{self._source}:{row.number}: nothing tells whether address "
                    f"{self._cell(row, 'address')[:20]} is decimal or hexadecimal; put 0x before hexadecimal "
                    'addresses, or give addresses = "decimal" or "hexadecimal" in a mapping file (--mapping)'
                )

    def _cell(self, row: SheetRow, role: str) -> str:
        column = self._columns.by_role.get(role)
        return row.cells[column].strip() if column is not None and column < len(row.cells) else ""

    def rows(self) -> Iterator[ListedRow]:
        """The rows; blank ones, comments and repeated headers are skipped."""
        group = ""
        for row in self._columns.rows:
            if row.cells == self._columns.header.cells or row.cells[0].startswith("#"):
                continue
            filled = [cell for cell in row.cells if cell]
            name, address = self._cell(row, "name"), self._cell(row, "address")
            if len(filled) == 1 and not address:
                group = filled[0]
                continue
            listed = ListedRow(row.number, name, group=self._cell(row, "group") or group)
            if not name:
                listed.obstacle = "its name is missing; give one"
            self._read_address(address, listed)
            self._read_type(row, listed)
            self._read_shape(row, listed)
            self._read_values(row, listed)
            for side in ("x", "y"):
                self._read_axis(row, side, listed)
            yield listed

    def _address(self, text: str) -> int | str:
        """An address, or the question about it."""
        if cells.is_power_of_ten(text):
            return f"its address {text} is a power of ten; format the column as text and enter it again"
        if self._radix is None and text.replace(" ", "").isdecimal():
            digits = AddressDigits(text.replace(" ", "")[:_MOST_DIGITS])
            return (
                f"its address {text[:_MOST_DIGITS]} has no mark, but other addresses are marked as "
                f"hexadecimal: write {digits.marked}, or 0x{digits.as_decimal:X} if it is decimal"
            )
        address = cells.read_address(text, self._radix)
        if address is None:
            return f"its address {text[:40]!r} is not an address; write it as 0x4A10"
        if address >= MAX_ADDRESS:
            return f"its address 0x{address:X} is above the largest that callint reads; correct it"
        return address

    def _read_address(self, text: str, listed: ListedRow) -> None:
        address = self._address(text) if text else "its address is missing; give one"
        if isinstance(address, str):
            listed.obstacle = listed.obstacle or address
        else:
            listed.at = address

    def _read_type(self, row: SheetRow, listed: ListedRow) -> None:
        text, kind = self._cell(row, "type"), self._cell(row, "kind")
        listed.is_axis = cells.is_axis_kind(kind)
        if order := self._cell(row, "byte_order"):
            listed.byte_order = cells.read_byte_order(order)
            if listed.byte_order is None:
                listed.questions.append(f"its byte order {order[:40]!r} is unknown; write big or little")
        length = cells.read_text_length(text)
        if length is None and not text:
            length = cells.read_text_length(kind)
        listed.text_length = length
        if length is not None:
            return
        read = cells.read_type(text)
        if read is None:
            question = f"its type {text[:40]!r} is unknown" if text else "its type is missing"
            listed.obstacle = listed.obstacle or f"{question}; write a type such as uint16 or int8"
            return
        listed.type = read[0]
        listed.byte_order = read[1] or listed.byte_order

    def _read_shape(self, row: SheetRow, listed: ListedRow) -> None:
        for role in ("rows", "columns"):
            text = self._cell(row, role)
            count = cells.read_count(text) if text else None
            if text and count is None:
                listed.obstacle = listed.obstacle or f"its {role} {text[:40]!r} are not a whole number"
            setattr(listed, role, count or None)
        if text := self._cell(row, "size"):
            size, count = cells.read_size(text), cells.read_count(text)
            if size is None and count is None:
                listed.obstacle = listed.obstacle or f"its size {text[:40]!r} is not a size; write 16x12"
            elif size is None:
                listed.columns = listed.columns or count
            elif self._columns.rows_first is None:
                listed.size = size
            else:
                rows, columns = size if self._columns.rows_first else size[::-1]
                listed.rows, listed.columns = rows or None, columns or None
        order = cells.read_y_first(self._cell(row, "order"))
        if order is None:
            text = self._cell(row, "order")[:40]
            listed.questions.append(f"its order {text!r} is unknown; write x-first or y-first")
        listed.y_first = bool(order)

    def _number(self, row: SheetRow, role: str, listed: ListedRow) -> tuple[float, str] | None:
        text = self._cell(row, role)
        if not text or text in ("-", "–"):
            return None
        number = cells.read_number(text, self._decimal_comma)
        if number is None:
            what = role.replace("_", " ")
            listed.questions.append(
                f"its {what} {text[:40]!r} is not a number, or can be read in two ways; write it with a "
                "decimal point and without thousands separators"
            )
        return number

    def _scaling(self, row: SheetRow, prefix: str, listed: ListedRow) -> Scaling:
        units = self._columns.units
        factor = self._number(row, f"{prefix}factor", listed)
        offset = self._number(row, f"{prefix}offset", listed)
        scaling = Scaling(1.0 if factor is None else factor[0], 0.0 if offset is None else offset[0])
        if scaling.factor == 0:
            listed.questions.append("its factor is 0; its values stay raw numbers until you give another one")
            return Scaling()
        given = [number[1] for number in (factor, offset) if number is not None and number[1]]
        roles = ("unit", "factor", "offset", *(() if prefix else ("min", "max", "limits")))
        of_header = [units[f"{prefix}{role}"] for role in roles if units.get(f"{prefix}{role}")]
        scaling.unit = self._cell(row, f"{prefix}unit") or (given or of_header or [""])[0]
        if f"{prefix}factor" in self._columns.by_role and not self._cell(row, f"{prefix}factor"):
            scaled = scaling.unit or scaling.offset
            if scaled and (not prefix or self._cell(row, prefix[0])):
                listed.questions.append(f"its {prefix.replace('_', ' ')}factor is missing; callint uses 1")
        return scaling

    def _read_values(self, row: SheetRow, listed: ListedRow) -> None:
        listed.title = self._cell(row, "title")
        listed.signal = self._cell(row, "signal")
        listed.scaling = self._scaling(row, "", listed)
        decimals = cells.read_count(self._cell(row, "decimals"))
        listed.decimals = decimals if decimals is not None and decimals <= 9 else None
        low, high = self._number(row, "min", listed), self._number(row, "max", listed)
        if text := self._cell(row, "limits"):
            ends = cells.read_range(text, self._decimal_comma)
            if ends is None:
                listed.questions.append(f"its limits {text[:40]!r} are not a range; write 0..100")
            else:
                low, high = (ends[0], ""), (ends[1], "")
        if low is not None or high is not None:
            limits = Range(-inf if low is None else low[0], inf if high is None else high[0])
            if limits.is_inverted:
                listed.questions.append("its minimum is above its maximum; its limits are left out")
            else:
                listed.limits = limits
        text = self._cell(row, "purpose")
        purpose = cells.read_purpose(text)
        if purpose is not None:
            listed.purpose = purpose
        elif "purpose" in self._columns.by_role:
            what = f"its purpose {text[:40]!r} is unknown" if text else "its purpose is missing"
            listed.purpose_question = f"{what}; it is general until you give one"

    def _read_axis(self, row: SheetRow, side: str, listed: ListedRow) -> None:
        axis: AxisCells = getattr(listed, side)
        axis.reference = self._cell(row, side)
        if axis.reference in ("-", "–"):
            axis.reference = ""
        # Short words such as E85 may be names, which look like digits.
        if cells.is_marked(axis.reference) or (self._radix and len(axis.reference) >= _LEAST_DIGITS):
            axis.reference_address = cells.read_address(axis.reference, self._radix)
        axis.signal = self._cell(row, f"{side}_signal")
        if text := self._cell(row, f"{side}_address"):
            address = self._address(text)
            if isinstance(address, str):
                listed.questions.append(f"{side} axis: {address}")
            else:
                axis.address = address
        if text := self._cell(row, f"{side}_type"):
            read = cells.read_type(text)
            if read is None:
                listed.questions.append(
                    f"{side} axis: its type {text[:40]!r} is unknown; write uint16 or int8"
                )
            else:
                axis.type, axis.byte_order = read
        if order := self._cell(row, f"{side}_byte_order"):
            axis.byte_order = axis.byte_order or cells.read_byte_order(order)
        axis.count = cells.read_count(self._cell(row, f"{side}_columns"))
        if axis.is_given or axis.count:
            axis.scaling = self._scaling(row, f"{side}_", listed)
