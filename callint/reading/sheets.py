"""The cells of a text file with separators, or of the sheets of a workbook.

Everything is text afterwards, in rows with the numbers that an editor or a spreadsheet shows.
"""

from __future__ import annotations

import codecs
import csv
import io
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from callint.model.errors import InputError
from callint.reading.tree import reason

#: Suffixes of text files with separators, and that of a workbook.
TEXT_SUFFIXES, WORKBOOK_SUFFIX = (".csv", ".tsv"), ".xlsx"
#: Bounds on a file: bytes of the file and of an unpacked workbook, rows, columns, characters of a cell.
MAX_BYTES, MAX_UNPACKED, MAX_PARTS = 32 * 2**20, 128 * 2**20, 2000
MAX_ROWS, MAX_COLUMNS, MAX_CELL = 100_000, 200, 4096
_SEPARATORS = ";\t,"


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row; ``number`` counts from 1, in a text file it is the line on which the row begins."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of a file that are not empty; ``title`` is the name of a workbook's sheet, otherwise ""."""

    source: str
    title: str
    rows: tuple[SheetRow, ...]


def is_sheet_file(path: Path) -> bool:
    """Whether a file is a text file with separators or a workbook, by its suffix."""
    return path.suffix.lower() in (*TEXT_SUFFIXES, WORKBOOK_SUFFIX)


def read_sheets(path: Path, title: str | None = None) -> list[Sheet]:
    """The ways to read a file: by each separator, or each sheet of a workbook, or that of a ``title``.

    Raises InputError if the file cannot be read or is too large.
    """
    try:
        if not path.is_file():
            path.stat()
            raise InputError(f"{path}: it is not a file; give a text file or a workbook")
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: the file cannot be read: {reason(error)}; check the path") from None
    if len(data) > MAX_BYTES:
        raise InputError(f"{path}: the file is larger than {MAX_BYTES >> 20} MiB; split it")
    if path.suffix.lower() == WORKBOOK_SUFFIX:
        return _workbook(path, data, title)
    if title is not None:
        raise InputError(f"{path}: a text file has no sheets; leave out --module")
    return _text_sheets(path, data)


# Text


def _text_sheets(path: Path, data: bytes) -> list[Sheet]:
    text = _decoded(data)
    if "\0" in text:
        raise InputError(f"{path}: it is not a text file; save it as CSV or {WORKBOOK_SUFFIX}")
    lines = text.splitlines(keepends=True)
    skipped, separators = 0, _SEPARATORS
    # Spreadsheets write and read a first line that names the separator.
    if lines and lines[0].casefold().startswith("sep=") and len(lines[0].rstrip("\r\n")) == 5:
        skipped, separators = 1, lines[0][4]
    return [
        Sheet(str(path), "", tuple(_rows(path, _csv_rows(path, lines, skipped, separator))))
        for separator in separators
    ]


def _decoded(data: bytes) -> str:
    """UTF-8, UTF-16 with a byte order mark, or else Windows-1252, which includes what Latin-1 prints."""
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _csv_rows(
    path: Path, lines: list[str], skipped: int, separator: str
) -> Iterator[tuple[int, Iterable[str]]]:
    reader = csv.reader(iter(lines[skipped:]), delimiter=separator)
    while True:
        number = reader.line_num + skipped + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            raise InputError(f"{path}:{number}: a cell is too long; check the quotes of the file") from None
        yield number, cells


def _rows(path: Path, numbered: Iterable[tuple[int, Iterable[str]]]) -> Iterator[SheetRow]:
    """The rows with a cell that is not empty. Raises InputError beyond the bounds."""
    count = 0
    for number, texts in numbered:
        cells = [" ".join(cell.split()) for cell in texts]
        while cells and not cells[-1]:
            cells.pop()
        if not cells:
            continue
        count += 1
        if count > MAX_ROWS:
            raise InputError(f"{path}:{number}: the file has more than {MAX_ROWS:,} rows; split it")
        if len(cells) > MAX_COLUMNS:
            raise InputError(f"{path}:{number}: the row has more than {MAX_COLUMNS} columns; shorten it")
        if max(map(len, cells)) > MAX_CELL:
            raise InputError(f"{path}:{number}: a cell has more than {MAX_CELL} characters; shorten it")
        yield SheetRow(number, tuple(cells))


# Workbooks


def _workbook(path: Path, data: bytes, title: str | None) -> list[Sheet]:
    try:
        from openpyxl import load_workbook
    except ImportError:
        raise InputError(
            f"{path}: workbooks need openpyxl; install callint[xlsx], or save it as CSV"
        ) from None
    _require_harmless(path, data)
    damaged = f"{path}: the workbook is damaged or is not one; save it again, or as CSV"
    try:
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    except Exception:  # openpyxl has no error of its own for what is in a file
        raise InputError(damaged) from None
    try:
        names = [name for name in book.sheetnames if hasattr(book[name], "iter_rows")]
        if not names:
            raise InputError(damaged)
        if title is not None and title not in names:
            raise InputError(f"{path}: no sheet has the name {title!r}; the sheets are {', '.join(names)}")
        return [
            Sheet(str(path), name, tuple(_rows(path, _sheet_rows(book[name]))))
            for name in names
            if title in (None, name)
        ]
    except InputError:
        raise
    except Exception:
        raise InputError(damaged) from None
    finally:
        book.close()


def _sheet_rows(sheet: Any) -> Iterator[tuple[int, Iterable[str]]]:
    """The rows of a sheet; a sheet that claims more columns than the bound is cut one column later."""
    sheet.reset_dimensions()
    rows = sheet.iter_rows(values_only=True, max_col=MAX_COLUMNS + 1)
    for number, values in enumerate(rows, start=1):
        if number > 4 * MAX_ROWS:
            return
        yield number, map(_cell_text, values)


def _cell_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    return str(value)


def _require_harmless(path: Path, data: bytes) -> None:
    """Raise InputError for a workbook that unpacks to too much, or whose XML declares entities."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            members = parts.infolist()
            if len(members) > MAX_PARTS or sum(part.file_size for part in members) > MAX_UNPACKED:
                raise InputError(
                    f"{path}: the workbook unpacks to more than {MAX_UNPACKED >> 20} MiB; save it as CSV"
                )
            for part in members:
                # Without null characters, UTF-16 reads like ASCII here.
                head = parts.read(part).replace(b"\0", b"").upper()
                if part.filename.lower().endswith((".xml", ".rels")) and b"<!DOCTYPE" in head:
                    raise InputError(f"{path}: the workbook declares a document type; save it again")
    except InputError:
        raise
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError, OSError):
        raise InputError(f"{path}: the workbook is damaged or is not one; save it again, or as CSV") from None
    except Exception:  # zlib.error, and what other compressions raise
        raise InputError(f"{path}: the workbook is damaged or is not one; save it again, or as CSV") from None
