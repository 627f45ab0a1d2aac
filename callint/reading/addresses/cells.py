"""The texts of cells as addresses, numbers, types and sizes, in the ways that people write them.

Each function returns None for a text that it does not understand, or that could mean two things.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from fractions import Fraction

from callint.model.definition import ByteOrder, NumberType, Purpose

# Addresses

_MARKED = re.compile(
    r"(?:0x|\$|&h|16#|x')([0-9a-f_ ]+)'?|([0-9][0-9a-f_ ]*|[a-f][0-9a-f_ ]*)h", re.IGNORECASE
)
_DIGITS = re.compile(r"[0-9a-f]+", re.IGNORECASE)
_DECIMAL_DIGITS = re.compile(r"[0-9]+")
#: A number in which a spreadsheet took an address such as 4E05 for a power of ten.
_POWER = re.compile(r"[0-9][.,]?[0-9]*e\+[0-9]+", re.IGNORECASE)


def address_radix(texts: Iterable[str]) -> int | None:
    """The radix of addresses without a mark: 16 if one of them has a letter, None if nothing tells."""
    for text in texts:
        bare = text.replace(" ", "").replace("_", "")
        if not _MARKED.fullmatch(bare) and _DIGITS.fullmatch(bare) and not bare.isdecimal():
            return 16
    return None


def is_marked(text: str) -> bool:
    """Whether an address says itself that it is hexadecimal."""
    return _MARKED.fullmatch(text.strip()) is not None


def is_power_of_ten(text: str) -> bool:
    """Whether a spreadsheet has turned an address into a power of ten."""
    return _POWER.fullmatch(text.strip()) is not None


def read_address(text: str, radix: int | None) -> int | None:
    """An address in bytes; ``radix`` is that of digits without a mark, None if it is not known."""
    text = text.strip()
    if match := _MARKED.fullmatch(text):
        digits = (match[1] or match[2]).replace("_", "").replace(" ", "")
        return int(digits, 16) if 0 < len(digits) <= 16 else None
    bare = text.replace(" ", "").replace("_", "")
    if radix is None or not 0 < len(bare) <= 16:
        return None
    if radix == 10:
        return int(bare) if _DECIMAL_DIGITS.fullmatch(bare) else None
    return int(bare, 16) if _DIGITS.fullmatch(bare) else None


# Numbers

_NUMBER = re.compile(r"([+\-]?(?:[0-9][0-9.,' ]*|[.,][0-9]+)(?:e[+\-]?[0-9]{1,3})?)\s*(.*)", re.IGNORECASE)
_QUOTIENT = re.compile(r"([+\-]?[0-9]+(?:[.,][0-9]+)?)\s*/\s*([0-9]+(?:[.,][0-9]+)?)")
_POWER_OF_TWO = re.compile(r"2\s*(?:\^|\*\*)\s*\(?\s*([+\-]?[0-9]{1,2})\s*\)?")
_THOUSANDS = re.compile(r"[+\-]?[1-9][0-9]{0,2}[.,][0-9]{3}")


def has_decimal_comma(texts: Iterable[str]) -> bool | None:
    """Whether numbers have decimal commas: None if no number tells, or if they contradict each other."""
    comma = point = False
    for text in texts:
        match = _NUMBER.fullmatch(text.strip().replace("−", "-"))
        if match is None:
            continue
        number = match[1].strip()
        if _THOUSANDS.fullmatch(number):
            continue
        comma |= number.count(",") == 1 and number.rfind(",") > number.rfind(".")
        point |= number.count(".") == 1 and number.rfind(".") > number.rfind(",")
    return None if comma == point else comma


def read_number(text: str, decimal_comma: bool | None) -> tuple[float, str] | None:
    """A number and the unit behind it; None also if a comma or point may separate thousands or decimals."""
    text = text.strip().replace("−", "-")
    if match := _POWER_OF_TWO.fullmatch(text):
        return float(2.0 ** int(match[1])), ""
    if match := _QUOTIENT.fullmatch(text):
        above, below = (Fraction(part.replace(",", ".")) for part in match.groups())
        return (float(above / below), "") if below else None
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    number, unit = match[1].replace("'", "").replace(" ", ""), match[2].strip()
    if unit and unit[0].isdigit():
        return None
    if _THOUSANDS.fullmatch(number):
        mark = "," if "," in number else "."
        # A lone mark before three digits separates decimals only if the list writes them so.
        if decimal_comma is None and mark == ",":
            return None
        if (mark == ",") != bool(decimal_comma):
            return None
    last = max(number.rfind(","), number.rfind("."))
    if last >= 0:
        mark = number[last]
        other = "." if mark == "," else ","
        whole = number[:last].replace(other, "")
        if mark in whole:
            return None
        number = f"{whole}.{number[last + 1 :]}"
    try:
        value = float(number)
    except ValueError:
        return None
    return (value, unit) if math.isfinite(value) else None


_RANGE = re.compile(r"(.*?[0-9.,])\s*(?:\.{2,}|…|;|\bto\b|\bbis\b|~|–| - |/)\s*([+\-−]?.*)", re.IGNORECASE)


def read_range(text: str, decimal_comma: bool | None) -> tuple[float, float] | None:
    """The two ends of a range such as 0..100, 0 to 100 or 0 bis 100."""
    match = _RANGE.fullmatch(text.strip().strip("[]"))
    if match is None:
        return None
    low, high = (read_number(part, decimal_comma) for part in match.groups())
    return None if low is None or high is None else (low[0], high[0])


_COUNT = re.compile(r"[0-9]{1,7}")
_SIZE = re.compile(r"([0-9]{1,7})\s*(?:x|×|\*)\s*([0-9]{1,7})", re.IGNORECASE)


def read_count(text: str) -> int | None:
    """A number of rows, columns or bytes."""
    return int(text) if _COUNT.fullmatch(text.strip()) else None


def read_size(text: str) -> tuple[int, int] | None:
    """The two numbers of a size such as 16x12, in the order in which they are written."""
    match = _SIZE.fullmatch(text.strip())
    return (int(match[1]), int(match[2])) if match else None


# Types

_TYPES = {
    "uint8": "u8 uint8 uint8t ubyte byte uchar unsignedchar 8bitunsigned unsigned8 unsigned8bit",
    "int8": "s8 i8 int8 int8t sbyte schar signedchar 8bitsigned signed8 signed8bit sint8",
    "uint16": "u16 uint16 uint16t uword word ushort unsignedshort 16bitunsigned unsigned16 unsigned16bit",
    "int16": "s16 i16 int16 int16t sword short signedshort 16bitsigned signed16 signed16bit sint16",
    "uint32": "u32 uint32 uint32t ulong dword udword unsignedlong 32bitunsigned unsigned32 unsigned32bit",
    "int32": "s32 i32 int32 int32t slong sdword long signedlong 32bitsigned signed32 signed32bit sint32",
    "uint64": "u64 uint64 uint64t auint64 64bitunsigned unsigned64 qword",
    "int64": "s64 i64 int64 int64t aint64 64bitsigned signed64 sint64",
    "float16": "f16 float16 half halffloat float16ieee real16",
    "float32": "f32 float32 float single float32ieee real32",
    "float64": "f64 float64 double float64ieee real64",
}
_BY_TYPE = {text: NumberType[name] for name, texts in _TYPES.items() for text in texts.split()}
_TEXT = re.compile(r"(?:text|string|ascii|char)\s*(?:[\[(]?\s*([0-9]{1,5})\s*[\])]?)?", re.IGNORECASE)
_ORDERS = {
    **dict.fromkeys(("big", "bigendian", "be", "msbfirst", "hilo", "msbf"), ByteOrder.BIG),
    **dict.fromkeys(("little", "littleendian", "le", "lsbfirst", "lohi", "msblast"), ByteOrder.LITTLE),
}


def read_type(text: str) -> tuple[NumberType, ByteOrder | None] | None:
    """A type of numbers, with its byte order if the text gives one."""
    letters = "".join(filter(str.isalnum, text.casefold()))
    if letters in _BY_TYPE:
        return _BY_TYPE[letters], None
    for ending, order in _ORDERS.items():
        if letters.endswith(ending) and letters.removesuffix(ending) in _BY_TYPE:
            return _BY_TYPE[letters.removesuffix(ending)], order
    return None


def read_text_length(text: str) -> int | None:
    """The bytes of a type such as char[16]; 0 if the type is a text without a length; None if it is none."""
    match = _TEXT.fullmatch(text.strip())
    return None if match is None else int(match[1] or 0)


def read_byte_order(text: str) -> ByteOrder | None:
    """A byte order such as big, LE or MSB first."""
    return _ORDERS.get("".join(filter(str.isalnum, text.casefold())))


_PURPOSES = {
    **{purpose.value: purpose for purpose in Purpose},
    **dict.fromkeys(("schutz", "limiter", "limit"), Purpose.PROTECTION),
    **dict.fromkeys(("emission", "exhaust", "abgas"), Purpose.EMISSIONS),
    "diagnostics": Purpose.DIAGNOSIS,
    "diagnose": Purpose.DIAGNOSIS,
    "korrektur": Purpose.CORRECTION,
    "allgemein": Purpose.GENERAL,
}


def read_purpose(text: str) -> Purpose | None:
    """The purpose of a table by its word."""
    return _PURPOSES.get(text.strip().casefold())


_AXIS_KINDS = {"axis", "achse", "sharedaxis", "breakpoints", "axispoints", "stützstellen"}


def is_axis_kind(text: str) -> bool:
    """Whether the kind of a row says that it is an axis."""
    return "".join(filter(str.isalnum, text.casefold())) in _AXIS_KINDS


def read_y_first(text: str) -> bool | None:
    """Whether y varies fastest in memory: y first, columns first; None for an unknown word."""
    letters = "".join(filter(str.isalnum, text.casefold()))
    if letters in ("xfirst", "x", "rowbyrow", "rowmajor", "rows", ""):
        return False
    if letters in ("yfirst", "y", "columnbycolumn", "columnmajor", "columns"):
        return True
    return None
