"""The columns of a list of addresses: recognized by their headers, or named in a mapping file.

The names of columns are those that people give them (common practice, no source), in English and German.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from callint.model.definition import ByteOrder
from callint.model.errors import InputError
from callint.reading.sheets import Sheet, SheetRow
from callint.reading.tree import reason

#: Roles of columns, with the headers by which they are recognized: letters and digits only, folded.
_HEADERS = {
    "name": "name label bezeichner tablename mapname variable identifier symbol parameter",
    "title": "title description bezeichnung beschreibung longname longtitle",
    "address": "address addr adr adresse startaddress location startadresse at",
    "type": "type datatype storage typ datentyp format valuetype storagetype",
    "byte_order": "byteorder endian endianness bytefolge",
    "kind": "kind art objecttype",
    "rows": "rows row ny zeilen nrows numberofrows countrows",
    "columns": "columns cols column nx spalten ncols numberofcolumns length laenge länge count points anzahl",
    "size": "size dimension dimensions dim dims groesse größe cells",
    "order": "order storageorder cellorder",
    "factor": "factor scale faktor multiplier slope resolution scaling",
    "offset": "offset",
    "unit": "unit units einheit",
    "min": "min minimum lower lowerlimit low untergrenze",
    "max": "max maximum upper upperlimit high obergrenze",
    "limits": "limits range grenzen wertebereich",
    "purpose": "purpose zweck",
    "group": "group category gruppe kategorie function funktion",
    "signal": "signal input",
    "decimals": "decimals digits precision nachkommastellen",
}
_AXIS_ROLES = ("name", "address", "type", "byte_order", "factor", "offset", "unit", "signal", "columns")
_BY_HEADER = {header: role for role, headers in _HEADERS.items() for header in headers.split()}
_BY_HEADER |= {"columnsxrows": "size", "rowsxcolumns": "size", "spaltenxzeilen": "size"}
_BY_HEADER |= {"zeilenxspalten": "size", "xxy": "size", "yxx": "size"}
ROLES = (*_HEADERS, "x", "y", *(f"{side}_{role}" for side in "xy" for role in _AXIS_ROLES if role != "name"))
_ROWS_FIRST = {"rowsxcolumns", "zeilenxspalten", "yxx"}

_UNIT = re.compile(r"[\[({]([^\])}]*)[\])}]?")
_SIDE = re.compile(r"(?:([xy])(?:axis|achse)|(?:axis|achse)([xy])|([xy]))(.*)")
_HEADER_ROWS = 40
_HEX, _DECIMAL = ("hex", "hexadecimal", "0x", "h", "$"), ("dec", "decimal", "dez", "dezimal")


@dataclass(frozen=True, slots=True)
class ListMapping:
    """A mapping file; everything in it may be absent."""

    source: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)
    byte_order: ByteOrder | None = None
    radix: int | None = None
    size_order: str = ""
    start: int | None = None
    size: int | None = None


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a sheet by role, the units in their headers, and the rows below the header.

    ``unused`` has the header and the column of those without a role. ``radix`` is that of the addresses if
    the header or the mapping says so. ``rows_first`` says whether a size gives the rows first, None if
    nobody says so.
    """

    sheet: Sheet
    by_role: Mapping[str, int]
    units: Mapping[str, str]
    header: SheetRow
    rows: tuple[SheetRow, ...]
    unused: tuple[str, ...]
    radix: int | None
    rows_first: bool | None


@dataclass(slots=True)
class _Recognized:
    index: int
    height: int
    headers: list[str]
    roles: dict[str, int]


def choose_columns(sheets: Iterable[Sheet], mapping: ListMapping) -> Columns:
    """The sheet and header in which most columns are recognized.

    Raises InputError if no header has a name and an address, or if a column of the mapping is absent.
    """
    sheets = list(sheets)
    best: tuple[Sheet, _Recognized] | None = None
    for sheet in sheets:
        recognized = _recognized(sheet, mapping)
        if recognized is not None and (best is None or len(recognized.roles) > len(best[1].roles)):
            best = sheet, recognized
    source = sheets[0].source if sheets else ""
    if best is None:
        _refuse(source, sheets)
    sheet, recognized = best
    for role, wanted in mapping.columns.items():
        if role not in recognized.roles:
            raise InputError(
                f"{mapping.source}: columns.{role}: no column of {source} has the header {wanted!r}; "
                "give the header as the list has it"
            )
    return _columns(sheet, recognized, mapping)


def _refuse(source: str, sheets: list[Sheet]) -> NoReturn:
    if not any(sheet.rows for sheet in sheets):
        raise InputError(f"{source}: the list is empty; callint schema addresses prints a header")
    raise InputError(
        f"{source}: no row has headers for both name and address; name the columns in a mapping file "
        "(--mapping), or copy the header from callint schema addresses"
    )


def _recognized(sheet: Sheet, mapping: ListMapping) -> _Recognized | None:
    best: _Recognized | None = None
    for index in range(min(len(sheet.rows), _HEADER_ROWS)):
        single = list(sheet.rows[index].cells)
        variants = [(1, single)]
        if index + 1 < len(sheet.rows):
            variants.append((2, _joined(single, sheet.rows[index + 1].cells)))
        for height, headers in variants:
            roles = _roles(headers, mapping)
            if not {"name", "address"} <= roles.keys():
                continue
            if best is None or len(roles) > len(best.roles):
                best = _Recognized(index, height, headers, roles)
    return best


def _joined(upper: list[str], lower: tuple[str, ...]) -> list[str]:
    """Two rows of headers as one: a merged cell of the upper row counts for all columns below it."""
    headers, last = [], ""
    for column in range(max(len(upper), len(lower))):
        above = upper[column] if column < len(upper) else ""
        below = lower[column] if column < len(lower) else ""
        last = above or (last if below else "")
        headers.append(f"{last} {below}".strip())
    return headers


def _roles(headers: list[str], mapping: ListMapping) -> dict[str, int]:
    roles: dict[str, int] = {}
    for role, header in mapping.columns.items():
        header_text = " ".join(header.split()).casefold()
        column = next((n for n, text in enumerate(headers) if text.casefold() == header_text), None)
        if column is not None:
            roles[role] = column
    taken = set(roles.values())
    for column, header in enumerate(headers):
        role = role_of(header)
        if role and role not in roles and role not in mapping.columns and column not in taken:
            roles[role] = column
    return roles


def _letters(header: str) -> str:
    return "".join(filter(str.isalnum, _UNIT.sub("", header).replace("×", "x").casefold()))


def role_of(header: str) -> str:
    """The role of a column by its header, "" if it is not recognized; a unit in brackets is ignored."""
    letters = _letters(header)
    if letters in _BY_HEADER:
        return _BY_HEADER[letters]
    if match := _SIDE.fullmatch(letters):
        side, rest = match[1] or match[2] or match[3], match[4]
        role = _BY_HEADER.get(rest, "")
        if not rest or role == "name":
            return side
        # A lone x or y begins other words too.
        if role in _AXIS_ROLES:
            return f"{side}_{role}"
    # Merged headers such as "Values" over "factor".
    for word in ("table", "value", "values", "map", "limits", "limit", "data", "conversion", "cells", "z"):
        rest = letters.removeprefix(word)
        if rest != letters and rest in _BY_HEADER:
            return _BY_HEADER[rest]
    return ""


def _columns(sheet: Sheet, recognized: _Recognized, mapping: ListMapping) -> Columns:
    units = {
        role: match[1].strip()
        for role, column in recognized.roles.items()
        if (match := _UNIT.search(recognized.headers[column]))
    }
    rows = list(sheet.rows[recognized.index + recognized.height :])
    if rows and _is_unit_row(rows[0], recognized.roles):
        cells = rows.pop(0).cells
        for role, column in recognized.roles.items():
            if column < len(cells) and cells[column]:
                units.setdefault(role, cells[column].strip("[](){} "))
    notation = units.pop("address", "").casefold()
    radix = 16 if notation in _HEX else 10 if notation in _DECIMAL else None
    used = set(recognized.roles.values())
    unused = tuple(text for n, text in enumerate(recognized.headers) if text and n not in used)
    size = _letters(recognized.headers[recognized.roles["size"]]) if "size" in recognized.roles else ""
    rows_first: bool | None = None
    if mapping.size_order:
        rows_first = mapping.size_order == "rows-columns"
    elif size in _BY_HEADER and size not in _HEADERS["size"].split():
        rows_first = size in _ROWS_FIRST
    return Columns(
        sheet,
        recognized.roles,
        units,
        sheet.rows[recognized.index],
        tuple(rows),
        unused,
        mapping.radix or radix,
        rows_first,
    )


def _is_unit_row(row: SheetRow, roles: Mapping[str, int]) -> bool:
    """Whether a row below the header gives units: it has neither a name nor an address with a digit."""
    texts = {role: row.cells[column] for role, column in roles.items() if column < len(row.cells)}
    address = texts.get("address", "").strip("[](){} ").casefold()
    if texts.get("name", ""):
        return False
    return address in (*_HEX, *_DECIMAL) if address else sum(map(bool, texts.values())) > 1


# The mapping file

_KEYS = {"byte_order", "addresses", "size_order", "start", "size", "columns"}


def read_mapping(path: Path) -> ListMapping:
    """The mapping file at a path. Raises InputError if it is not one."""
    try:
        if path.exists() and not path.is_file():  # a pipe would block
            raise InputError(f"{path}: it is not a file; give a mapping file")
        with path.open("rb") as file:
            data = file.read(2**20 + 1)
        if len(data) > 2**20:
            raise InputError(f"{path}: the mapping file is larger than 1 MiB; name columns only")
        document = tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise InputError(f"{path}: the mapping cannot be read: {reason(error)}; check the path") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: the mapping file is not UTF-8; save it as UTF-8") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: the mapping file is not TOML: {error}; correct it") from None
    for key in document:
        if key not in _KEYS:
            raise InputError(f"{path}: {key!r} is not a key of a mapping; the keys are {_listed(_KEYS)}")
    columns = document.get("columns", {})
    if not isinstance(columns, dict) or not all(isinstance(text, str) for text in columns.values()):
        raise InputError(f'{path}: columns: give a table of headers, such as name = "Bezeichner"')
    for role in columns:
        if role not in ROLES:
            raise InputError(f"{path}: columns.{role}: this is not a column; use one of {', '.join(ROLES)}")
    radix = _choice(path, document, "addresses", ("hexadecimal", "decimal"))
    order = _choice(path, document, "byte_order", ("big", "little"))
    return ListMapping(
        source=str(path),
        columns=columns,
        byte_order=ByteOrder(order) if order else None,
        radix={"hexadecimal": 16, "decimal": 10}.get(radix),
        size_order=_choice(path, document, "size_order", ("columns-rows", "rows-columns")),
        start=_whole(path, document, "start", 0),
        size=_whole(path, document, "size", 1),
    )


def _choice(path: Path, document: dict[str, Any], key: str, choices: tuple[str, ...]) -> str:
    value = document.get(key, "")
    if value != "" and value not in choices:
        raise InputError(f"{path}: {key}: give {' or '.join(map(repr, choices))}")
    return str(value)


def _whole(path: Path, document: dict[str, Any], key: str, least: int) -> int | None:
    value = document.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value < 2**48:
        raise InputError(f"{path}: {key}: give a whole number of bytes, such as 0x80000")
    return value


def _listed(names: Iterable[str]) -> str:
    return ", ".join(sorted(names))
