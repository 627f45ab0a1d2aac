"""Intel HEX and Motorola S-records: text files with a record of address and data per line.

The library bincopy unpacks and packs single records. This module adds what it lacks: the line of each
mistake, the checks over several records, and rewriting a file so that only records with changed data differ.

The formats are those of the "Hexadecimal Object File Format Specification" of January 6, 1988, and of the
S-record description in the manuals of the M68000 family. Files as people keep them have more, which is read
over and kept (common practice, no source): a byte order mark, comments behind ";", "#" or "//", lower-case
letters, Ctrl-Z at the end. S-records may end with their count alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from callint.model.image import Image, Segment

Integers = NDArray[np.int64]
Bytes = NDArray[np.uint8]

#: Longest text that is read, in bytes: some 23 MiB of data in records of the usual length.
MAX_TEXT = 64 * 2**20
#: Most segments without a gap; a linker makes a few dozen at most.
MAX_STRETCHES = 4096
#: Number of damaged lines that are reported; the rest of the file is not read then.
MOST_DAMAGES = 20
#: Bytes of a text that are read at a time, and number of results that are kept: versions of an image, and
#: images with the same base, differ in few records.
_BLOCK_SIZE = 16 * 2**10
_KEPT_BLOCKS = 1024
#: Number of bytes and of lines at the start of a file that decide which format it has.
_HEAD, _HEAD_LINES = 64 * 2**10, 64


class RecordFormat(StrEnum):
    """The formats of record files."""

    HEX = "Intel HEX"
    SREC = "S-record"


#: A whole record by its form alone; the longest has 255 bytes after the length byte.
_RECORD = {
    RecordFormat.HEX: re.compile(rb":[0-9A-Fa-f]{10,520}"),
    RecordFormat.SREC: re.compile(rb"[Ss][0-9][0-9A-Fa-f]{8,512}"),
}
_DIGITS = {
    RecordFormat.HEX: re.compile(rb":[0-9A-Fa-f]*"),
    RecordFormat.SREC: re.compile(rb"[Ss][0-9][0-9A-Fa-f]*"),
}
_RECORD_START = re.compile(rb"(?::|[Ss][0-9])[\x20-\x7e]{0,600}")
#: A comment up to the end of its line; lines of raw images have control characters, so they are not comments.
_COMMENT = re.compile(rb"[ \t]*(?:[;#]|//)[\t\x20-\x7e\x80-\xff]*(?=[\r\n]|\Z)")
_COMMENT_START = re.compile(rb"[;#]|//")
_COMMENT_BYTES = bytes([9, *range(0x20, 0x7F), *range(0x80, 0x100)])
_BYTE_ORDER_MARK, _CTRL_Z = b"\xef\xbb\xbf", b"\x1a"
_END_RECORDS = {RecordFormat.HEX: ":00000001FF", RecordFormat.SREC: "S7, S8 or S9"}

#: The first record that shows whether a HEX file has segmented (02, 03) or linear (04, 05) addresses.
_ADDRESSING = re.compile(rb"(?:\A|[\r\n])[ \t]*:[0-9A-Fa-f]{6}0([2-5])")
#: Length of the data of a HEX record by type, for the types with a fixed length.
_HEX_SIZES = {1: 0, 2: 2, 3: 4, 4: 2, 5: 4}
#: Bytes of the address, or of the count, by type of S-record; S4 is reserved.
_ADDRESS_SIZES = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}
#: The type of end record for each type of S-record with data.
_END_OF = {"1": "9", "2": "8", "3": "7"}


@dataclass(frozen=True, slots=True)
class Damage:
    """A damaged line, counted from 1, and what is wrong with it."""

    line: int
    message: str


class DamagedError(ValueError):
    """A file of records has damaged lines; ``damages`` are in the order of the lines."""

    def __init__(self, damages: list[Damage]) -> None:
        super().__init__(f"line {damages[0].line}: {damages[0].message}")
        self.damages = tuple(damages)


@dataclass(frozen=True)
class Records:
    """The records with data of a file, in its order, and the segments that they form.

    ``lines``, counted from 1, ``addresses`` and ``sizes`` in bytes have the shape (records,).
    """

    kind: RecordFormat
    lines: Integers
    addresses: Integers
    sizes: Integers
    segments: tuple[Segment, ...]


def kind_of(data: bytes) -> RecordFormat | None:
    """The format of the records in a file, by its content; None for a raw file.

    At least half of the first lines must begin like records and be printable, and one line must have the form
    of a whole record. So a damaged file of records is still recognized, and a raw image is not taken for
    records if only its first bytes look like them.
    """
    head = _without_marks(data[:_HEAD])
    if len(data) > _HEAD:
        head = head[: max(head.rfind(b"\n"), head.rfind(b"\r")) + 1]
    lines = [line for line in map(_record_of_any, head.splitlines()) if line][:_HEAD_LINES]
    if 2 * sum(_RECORD_START.fullmatch(line) is not None for line in lines) < len(lines):
        return None
    amounts = {
        kind: sum(form.fullmatch(line) is not None for line in lines) for kind, form in _RECORD.items()
    }
    most = max(amounts, key=lambda kind: amounts[kind])
    return most if amounts[most] else None


def _without_marks(text: bytes) -> bytes:
    """The text without a byte order mark, and without Ctrl-Z behind its last line; line numbers stay."""
    text = text.removeprefix(_BYTE_ORDER_MARK)
    content = text.rstrip(_CTRL_Z + b" \t\r\n")
    return content + text[len(content) :].partition(_CTRL_Z)[0]


def _record_of(line: bytes) -> bytes:
    """The record of a line, without a comment, a byte order mark and spaces; empty without a record."""
    return _COMMENT.sub(b"", line.removeprefix(_BYTE_ORDER_MARK)).strip()


def _record_of_any(line: bytes) -> bytes:
    """As ``_record_of``, for a line without its end, which may be one of a raw image."""
    line = line.removeprefix(_BYTE_ORDER_MARK)
    # A comment reaches up to the end of the line, so it begins behind the last control character. Lines of
    # raw images are long, and to try _COMMENT at each of their bytes takes longer than to read the image.
    end = line[len(line.rstrip(_COMMENT_BYTES)) :]
    comment = _COMMENT_START.search(end)
    return (line if comment is None else line[: len(line) - len(end) + comment.start()]).strip()


def read_records(text: bytes, kind: RecordFormat) -> Records:
    """The records of a text. Raises DamagedError if anything is wrong with them."""
    if len(text) > MAX_TEXT:
        raise DamagedError(
            [Damage(1, f"the file is larger than {MAX_TEXT >> 20} MiB, the most that callint reads")]
        )
    text = _without_marks(text)
    blocks, line, damages = [], 0, list[Damage]()
    addressing = _ADDRESSING.search(text) if kind is RecordFormat.HEX else None
    base = _BaseRecord(is_linear=addressing is not None and addressing[1] in b"45")
    for block_text in _split(text):
        block = _read_block(kind, block_text, base)
        blocks.append((line, block))
        damages += (replace(damage, line=line + damage.line) for damage in block.damages)
        if len(damages) > MOST_DAMAGES:
            last = damages[MOST_DAMAGES]
            message = f"{last.message}; callint reports no further damaged lines"
            raise DamagedError([*damages[:MOST_DAMAGES], replace(last, message=message)])
        line += block.length
        base = block.after
    damages += _check_order(kind, blocks, checks_counts=not damages)
    if damages:
        raise DamagedError(sorted(damages, key=lambda damage: damage.line))
    return _join(kind, blocks)


def _split(text: bytes) -> Iterator[bytes]:
    """The text in blocks of whole lines."""
    line_end = b"\n" if b"\n" in text else b"\r"
    start = 0
    while start < len(text):
        end = text.find(line_end, start + _BLOCK_SIZE) + 1 or len(text)
        yield text[start:end]
        start = end


# Single records


class _BaseRecord(NamedTuple):
    """The base addresses of HEX records by the records before, and which of the two is in force."""

    segment: int = 0
    linear: int = 0
    is_linear: bool = False

    @property
    def start(self) -> int:
        """The base address in force."""
        return self.linear if self.is_linear else self.segment


class _Control(NamedTuple):
    """A record that counts or ends the records before; ``before`` is the number with data in its block."""

    line: int
    type: str
    value: int
    before: int


@dataclass(frozen=True, slots=True)
class _LineBlock:
    """The records of consecutive lines; lines are counted from 1 within the block."""

    length: int
    lines: Integers
    addresses: Integers
    sizes: Integers
    data: bytes
    types: frozenset[str]
    controls: tuple[_Control, ...]
    damages: tuple[Damage, ...]
    after: _BaseRecord


@lru_cache(maxsize=_KEPT_BLOCKS)
def _read_block(kind: RecordFormat, text: bytes, base: _BaseRecord) -> _LineBlock:
    lines: list[int] = []
    addresses: list[int] = []
    sizes: list[int] = []
    data = bytearray()
    types: set[str] = set()
    controls, damages = [], []
    number = 0
    for number, line in enumerate(text.splitlines(), 1):
        record = _record_of(line)
        if not record:
            continue
        try:
            type_, address, content = _unpack(kind, record)
            if kind is RecordFormat.HEX and type_ in "24":
                base = _changed_base(base, type_, content)
                continue
            if kind is RecordFormat.HEX and type_ == "0":
                start = base.start + address
                _require_no_overrun(address, len(content), base.is_linear, start)
            elif kind is RecordFormat.SREC and type_ in "123":
                start = address
                if start + len(content) > 1 << 8 * _ADDRESS_SIZES[type_]:
                    raise _RecordError(
                        f"its data run over the end of what {8 * _ADDRESS_SIZES[type_]} bits address"
                    )
            else:
                controls.append(_Control(number, type_, address, len(lines)))
                continue
        except _RecordError as wrong:
            damages.append(Damage(number, str(wrong)))
            continue
        lines.append(number)
        addresses.append(start)
        sizes.append(len(content))
        types.add(type_)
        data += content
    return _LineBlock(
        length=number,
        lines=np.array(lines, np.int64),
        addresses=np.array(addresses, np.int64),
        sizes=np.array(sizes, np.int64),
        data=bytes(data),
        types=frozenset(types),
        controls=tuple(controls),
        damages=tuple(damages),
        after=base,
    )


class _RecordError(Exception):
    """What is wrong with a record."""


def _unpack(kind: RecordFormat, record: bytes) -> tuple[str, int, bytes]:
    """The type, address and data of a record. Raises _RecordError if it is wrong."""
    import bincopy  # slow to import, and only needed for files of records

    if not _DIGITS[kind].fullmatch(record):
        raise _RecordError(f"it is not a valid {kind}{' record' if kind is RecordFormat.HEX else ''}")
    text = record.decode("ascii").upper()
    # The library accepts a record that is too short for its address.
    if kind is RecordFormat.SREC and len(text) < 6 + 2 * _ADDRESS_SIZES.get(text[1], 2):
        raise _RecordError(_record_mistake(kind, text))
    try:
        unpack = bincopy.unpack_ihex if kind is RecordFormat.HEX else bincopy.unpack_srec
        type_, address, size, data = unpack(text)
    except (bincopy.Error, ValueError):
        raise _RecordError(_record_mistake(kind, text)) from None
    if kind is RecordFormat.HEX and type_ > 5:
        raise _RecordError(f"there is no record type {type_:02X}")
    fixed_size = _HEX_SIZES.get(type_) if kind is RecordFormat.HEX else 0 if type_ in "56789" else None
    if fixed_size is not None and size != fixed_size:
        name = f"type {type_:02X}" if kind is RecordFormat.HEX else f"S{type_}"
        raise _RecordError(f"a record of {name} has {fixed_size} bytes of data, but this one has {size}")
    return str(type_), address, bytes(data)


def _record_mistake(kind: RecordFormat, text: str) -> str:
    """Why the library refuses a record that has valid characters."""
    digits = text[1:] if kind is RecordFormat.HEX else text[2:]
    if len(digits) % 2:
        return "it has an odd number of digits, so one is missing or superfluous"
    if kind is RecordFormat.SREC and text[1] not in _ADDRESS_SIZES:
        return f"there are no S{text[1]} records"
    values = bytes.fromhex(digits)
    if len(values) < (5 if kind is RecordFormat.HEX else 2 + _ADDRESS_SIZES[text[1]]):
        return "it is too short for a record"
    uncounted = 5 if kind is RecordFormat.HEX else 1  # the bytes that the length does not count
    if values[0] != len(values) - uncounted:
        what = "bytes of data" if kind is RecordFormat.HEX else "bytes behind its length"
        return f"it announces {values[0]} {what}, but has {len(values) - uncounted}"
    total = sum(values[:-1])
    right = -total & 0xFF if kind is RecordFormat.HEX else ~total & 0xFF
    return f"its checksum is 0x{values[-1]:02X}, but its bytes give 0x{right:02X}"


def _changed_base(base: _BaseRecord, type_: str, content: bytes) -> _BaseRecord:
    """The base after a record of HEX type 02 or 04."""
    value = int.from_bytes(content, "big")
    base = base._replace(segment=value << 4) if type_ == "2" else base._replace(linear=value << 16)
    if base.segment and base.linear:
        raise _RecordError(
            "segment and linear addresses (types 02 and 04) are mixed, which programs read in different ways"
        )
    return base._replace(is_linear=type_ == "4")


def _require_no_overrun(offset: int, size: int, is_linear: bool, start: int) -> None:
    """Raise _RecordError if the data of a HEX record would wrap around the end of its address range."""
    if is_linear and start + size > 1 << 32:
        raise _RecordError("its data run over the end of what 32 bits address")
    if not is_linear and offset + size > 1 << 16:
        raise _RecordError("its data run over the end of the 64 KiB that its address reaches")


# All records together


def _check_order(
    kind: RecordFormat, blocks: list[tuple[int, _LineBlock]], checks_counts: bool
) -> Iterator[Damage]:
    """What is wrong with the order of the records and, with ``checks_counts``, with their number."""
    types = frozenset[str]().union(*(block.types for _, block in blocks))
    end, before, last, counted = 0, 0, 0, -1
    for offset, block in blocks:
        if end and len(block.lines):
            yield _after_end(offset + int(block.lines[0]), end)
            return
        for control in block.controls:
            line = offset + control.line
            is_end = control.type in ("1" if kind is RecordFormat.HEX else "789")
            if end:
                yield _after_end(line, end)
                return
            if is_end:
                end = line
                later = block.lines[block.lines > control.line]
                if len(later):
                    yield _after_end(offset + int(later[0]), end)
                    return
                yield from _check_end(kind, control.type, types, line)
            elif kind is RecordFormat.SREC and control.type in "56" and checks_counts:
                count = counted = before + control.before
                if control.value != count:
                    yield Damage(
                        line, f"it counts {control.value:,} records with data, but there are {count:,}"
                    )
        before += len(block.lines)
        last = offset + block.length
    # A count of all records shows that none is missing, even without an end record.
    if not end and counted != before:
        yield Damage(
            last, f"the file ends without an end record ({_END_RECORDS[kind]}); it may have been cut off"
        )


def _after_end(line: int, end: int) -> Damage:
    return Damage(line, f"there are records behind the end record in line {end}")


def _check_end(kind: RecordFormat, end: str, types: frozenset[str], line: int) -> Iterator[Damage]:
    if kind is RecordFormat.SREC and types and end not in {_END_OF[type_] for type_ in types}:
        used = max(types)
        yield Damage(line, f"S{end} does not end S{used} records; S{_END_OF[used]} does")


def _join(kind: RecordFormat, blocks: list[tuple[int, _LineBlock]]) -> Records:
    lines = _concatenate([offset + block.lines for offset, block in blocks])
    addresses = _concatenate([block.addresses for _, block in blocks])
    sizes = _concatenate([block.sizes for _, block in blocks])
    data = np.frombuffer(b"".join(block.data for _, block in blocks), np.uint8)
    has_data = sizes > 0
    lines, addresses, sizes = lines[has_data], addresses[has_data], sizes[has_data]
    return Records(kind, lines, addresses, sizes, _segments(lines, addresses, sizes, data))


def _concatenate(arrays: list[Integers]) -> Integers:
    return np.concatenate([np.empty(0, np.int64), *arrays])


def _segments(lines: Integers, addresses: Integers, sizes: Integers, data: Bytes) -> tuple[Segment, ...]:
    """The segments that records form, in any order. Raises DamagedError if records contradict each other."""
    if not len(lines):
        return ()
    order = np.argsort(addresses, kind="stable")
    starts, ends = addresses[order], (addresses + sizes)[order]
    last_ends = np.maximum.accumulate(ends)
    if (starts[1:] < last_ends[:-1]).any():
        starts, data = _without_repetition(lines, addresses, sizes, data)
        breaks = np.flatnonzero(np.diff(starts) > 1) + 1
        places = np.concatenate([[0], breaks, [len(data)]])
        firsts = starts[places[:-1]]
    else:
        data = data[_bytes_in_order(order, sizes)] if (np.diff(order) != 1).any() else data
        breaks = np.flatnonzero(starts[1:] > last_ends[:-1]) + 1
        offsets = np.concatenate([[0], np.cumsum(sizes[order])])
        places = np.concatenate([[0], offsets[breaks], [len(data)]])
        firsts = starts[np.concatenate([[0], breaks])]
    if len(firsts) > MAX_STRETCHES:
        line = int(lines[addresses == firsts[MAX_STRETCHES]].min())
        message = (
            f"the data lie in {len(firsts):,} stretches with gaps between; at most {MAX_STRETCHES:,} are read"
        )
        raise DamagedError([Damage(line, message)])
    content = data.tobytes()
    return tuple(
        Segment(first, content[start:end])
        for first, (start, end) in zip(firsts.tolist(), pairwise(places.tolist()), strict=True)
    )


def _bytes_in_order(order: Integers, sizes: Integers) -> Integers:
    """The indexes of the bytes of records, with the records in another order."""
    firsts, sizes = (np.cumsum(sizes) - sizes)[order], sizes[order]
    indexes: Integers = np.repeat(firsts - (np.cumsum(sizes) - sizes), sizes) + np.arange(sizes.sum())
    return indexes


def _without_repetition(
    lines: Integers, addresses: Integers, sizes: Integers, data: Bytes
) -> tuple[Integers, Bytes]:
    """The address and value of each byte, by rising address. Raises DamagedError if two records differ."""
    all_addresses = np.repeat(addresses - (np.cumsum(sizes) - sizes), sizes) + np.arange(len(data))
    order = np.argsort(all_addresses, kind="stable")
    where, values = all_addresses[order], data[order]
    is_same = where[1:] == where[:-1]
    clashes = np.flatnonzero(is_same & (values[1:] != values[:-1]))
    if len(clashes):
        line = np.repeat(lines, sizes)[order]
        _, firsts = np.unique(line[clashes + 1], return_index=True)
        raise DamagedError(
            [
                Damage(
                    int(line[place + 1]),
                    f"it has 0x{values[place + 1]:02X} at 0x{where[place]:X}, "
                    f"where line {line[place]} has 0x{values[place]:02X}",
                )
                for place in clashes[firsts[:MOST_DAMAGES]].tolist()
            ]
        )
    kept = np.concatenate([[True], ~is_same])
    return where[kept], values[kept]


# Writing


def frame(text: bytes, records: Records) -> bytes:
    """The text without the data and checksums of its records: its layout, and its other records."""
    lines = text.splitlines(keepends=True)
    for number in (records.lines - 1).tolist():
        record = _record_of(lines[number])
        width = 9 if records.kind is RecordFormat.HEX else 4 + 2 * _ADDRESS_SIZES[chr(record[1])]
        comment = _COMMENT.search(lines[number])
        lines[number] = record[:width].upper() + (comment[0] if comment else b"") + b"\n"
    return b"".join(lines)


def rewritten(text: bytes, records: Records, old: Image, new: Image) -> bytes:
    """The text with the data of ``new``; ``old`` was read from the text and has the same addresses.

    Only records with changed data are rewritten, with their checksums. Order, lengths, line ends, case of
    digits and all records without data stay.
    """
    changed = old.addresses(np.flatnonzero(old.content != new.content))
    first, last = (
        np.searchsorted(changed, at) for at in (records.addresses, records.addresses + records.sizes)
    )
    lines = text.splitlines(keepends=True)
    digits = _COMMENT.sub(b"", text)
    is_lower = re.search(rb"[A-F]", digits) is None and re.search(rb"[a-f]", digits) is not None
    for number in np.flatnonzero(first < last).tolist():
        data = new.read(int(records.addresses[number]), int(records.sizes[number]))
        assert data is not None
        place = int(records.lines[number]) - 1
        lines[place] = _with_data(records.kind, lines[place], data, is_lower)
    return b"".join(lines)


def _with_data(kind: RecordFormat, line: bytes, data: bytes, is_lower: bool) -> bytes:
    """The line of a record with other data; unchanged digits keep their case."""
    import bincopy

    record = _record_of(line)
    type_, address, _ = _unpack(kind, record)
    if kind is RecordFormat.HEX:
        packed = bincopy.pack_ihex(int(type_), address, len(data), data)
    else:
        packed = bincopy.pack_srec(type_, address, len(data), data)
    has_upper, has_lower = (re.search(letters, record) for letters in (rb"[A-F]", rb"[a-f]"))
    if not has_upper and (has_lower or is_lower):
        packed = packed[0] + packed[1:].lower()
    old = record.decode("ascii")
    digits = (was if was.upper() == now.upper() else now for was, now in zip(old, packed, strict=True))
    return line.replace(record, "".join(digits).encode("ascii"), 1)
