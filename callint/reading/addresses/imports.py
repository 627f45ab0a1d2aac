"""A list of addresses, read and made a definition, in the form of an imported description."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from callint.model.definition import ByteOrder
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.addresses.build import ListBuilder
from callint.reading.addresses.columns import Columns, ListMapping, choose_columns
from callint.reading.addresses.rows import ListedRow, read_rows
from callint.reading.asap2.build import Imported
from callint.reading.asap2.nodes import Description, ItemCounts
from callint.reading.asap2.report import ImportLog
from callint.reading.asap2.tokens import SourceLocation
from callint.reading.definition_bounds import MAX_MEMORY
from callint.reading.records import DamagedError, kind_of, read_records
from callint.reading.sheets import read_sheets


@dataclass(frozen=True, slots=True)
class AddressList:
    """The rows of a list, the columns that they were read by, and the mapping file."""

    columns: Columns
    rows: list[ListedRow]
    mapping: ListMapping

    @property
    def open_order(self) -> ListedRow | None:
        """The first row of numbers of several bytes that gives no byte order."""
        for row in self.rows:
            numbers = (row, row.x, row.y)
            if any(item.type and item.type.size > 1 and item.byte_order is None for item in numbers):
                return row
        return None


@dataclass(frozen=True, slots=True)
class ImportedList:
    """An imported list; ``lines`` has the row of each table, text and shared axis."""

    imported: Imported
    lines: dict[str, int]


def read_list(path: Path, mapping: ListMapping, sheet: str | None = None) -> AddressList:
    """The rows of a list. Raises InputError if it is not one, or has no row below its header."""
    columns = choose_columns(read_sheets(path, sheet), mapping)
    rows = read_rows(columns)
    if not rows:
        raise InputError(f"{path}: the list has no row below its header; add one row per table")
    return AddressList(columns, rows, mapping)


def list_image(data: bytes, name: str, addresses: AddressList) -> Image:
    """The image in a file, at the addresses of a list.

    Raises InputError if the file is damaged, or if a raw image does not tell where it begins.
    """
    start, kind = addresses.mapping.start, kind_of(data)
    if kind is not None:
        try:
            image = Image(read_records(data, kind).segments)
        except DamagedError:
            raise InputError(f"{name}: the records of the image are damaged; export it again") from None
    else:
        if start is None:
            lowest = min((row.at for row in addresses.rows if not row.obstacle), default=0)
            if data and lowest >= len(data):
                raise InputError(
                    f"{name}: the image ends at 0x{len(data):X}, but the lowest address of the list is "
                    f"0x{lowest:X}; give the address of its first byte as start in a mapping file (--mapping)"
                )
        image = Image.raw(data, start or 0)
    if not image.segments:
        raise InputError(f"{name}: the image has no bytes; export it again")
    if image.extents[-1][1] - image.extents[0][0] > MAX_MEMORY:
        raise InputError(f"{name}: the image spans more than {MAX_MEMORY >> 20} MiB; export a part of it")
    return image


def make_list_definition(
    addresses: AddressList, name: str, order: ByteOrder | None, extent: tuple[int, int] | None
) -> ImportedList:
    """The definition of a list; ``order`` is the byte order of rows that give none."""
    columns, mapping = addresses.columns, addresses.mapping
    if extent is None and mapping.start is not None and mapping.size is not None:
        extent = mapping.start, mapping.start + min(mapping.size, MAX_MEMORY)
    source = columns.sheet.source
    builder = ListBuilder(source, addresses.rows, order or mapping.byte_order, extent)
    built = builder.build(ImportLog().name("definition", name, None))
    place = SourceLocation(source, columns.header.number)
    description = Description(module=columns.sheet.title, place=place)
    description.unused = {(f"column {header[:60]}", ""): ItemCounts(place, 1) for header in columns.unused}
    return ImportedList(Imported(built.definition, tuple(built.log.losses), description), built.lines)
