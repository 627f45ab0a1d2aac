"""Intel HEX and Motorola S-records: texts whose lines say which bytes lie at which address.

Each record is taken apart, and put together again, by the library bincopy; here is what it leaves out: the
line of a mistake, what several records say together, and a text written again of which only those records
differ whose data changed.

The forms are those of the "Hexadecimal Object File Format Specification" of January 6, 1988, and of the
S-record description in the manuals of the M68000 family.
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
#: Most stretches without a gap; a linker makes a few dozen at most.
MAX_STRETCHES = 4096
#: So many damaged lines are told, and what follows is not read any more.
MOST_DAMAGES = 20
#: A text is read in blocks of some so many bytes, and the last blocks read are kept: the versions of an
#: image, and images of one base, differ in few records.
_BLOCK = 16 * 2**10
_KEPT = 1024
#: A file is told by its first lines.
_LOOK, _LOOK_LINES = 64 * 2**10, 64


class RecordFormat(StrEnum):
    """The forms of records."""

    HEX = "Intel HEX"
    SREC = "S-record"


#: A record in form alone; the longest has 255 bytes behind the one that counts them.
_WHOLE = {
    RecordFormat.HEX: re.compile(rb":[0-9A-Fa-f]{10,520}"),
    RecordFormat.SREC: re.compile(rb"S[0-9][0-9A-Fa-f]{8,512}"),
}
_DIGITS = {
    RecordFormat.HEX: re.compile(rb":[0-9A-Fa-f]*"),
    RecordFormat.SREC: re.compile(rb"S[0-9][0-9A-Fa-f]*"),
}
_LIKE = re.compile(rb"(?::|S[0-9])[\x20-\x7e]{0,600}")
_ENDS = {RecordFormat.HEX: ":00000001FF", RecordFormat.SREC: "S7, S8 or S9"}

#: The first record that tells whether the addresses of a HEX file are segmented (02, 03) or linear (04, 05).
_TELLING = re.compile(rb"(?:\A|[\r\n])[ \t]*:[0-9A-Fa-f]{6}0([2-5])")
#: Length of the data of a HEX record by its type, where the type has but one.
_HEX_SIZES = {1: 0, 2: 2, 3: 4, 4: 2, 5: 4}
#: Bytes of the address, or the count, by the type of an S-record; S4 is reserved.
_WIDTHS = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}
#: The end that belongs to each type of S-records with data.
_END_OF = {"1": "9", "2": "8", "3": "7"}


@dataclass(frozen=True, slots=True)
class Damage:
    """A line that is wrong, counted from 1, and in what."""

    line: int
    words: str


class DamagedError(ValueError):
    """A text of records that cannot be trusted; ``damages`` come by rising line."""

    def __init__(self, damages: list[Damage]) -> None:
        super().__init__(f"line {damages[0].line}: {damages[0].words}")
        self.damages = tuple(damages)


@dataclass(frozen=True)
class Records:
    """The records with data in a text, in its order, and the segments that they make.

    ``lines``, counted from 1, ``addresses`` and ``sizes`` in bytes have the shape (records,).
    """

    kind: RecordFormat
    lines: Integers
    addresses: Integers
    sizes: Integers
    segments: tuple[Segment, ...]


def kind_of(data: bytes) -> RecordFormat | None:
    """Which records a file holds, by its content; None for a raw file.

    Of its first lines at least half must begin as records do and be printable, and one must be a record in
    form, from end to end. So a damaged file is still known for what it is, and a raw image is not taken for
    records although its first bytes may look like some.
    """
    front = data[:_LOOK]
    if len(data) > _LOOK:
        front = front[: max(front.rfind(b"\n"), front.rfind(b"\r")) + 1]
    lines = [line for line in map(bytes.strip, front.splitlines()) if line][:_LOOK_LINES]
    if 2 * sum(_LIKE.fullmatch(line) is not None for line in lines) < len(lines):
        return None
    amounts = {kind: sum(form.fullmatch(line) is not None for line in lines) for kind, form in _WHOLE.items()}
    most = max(amounts, key=lambda kind: amounts[kind])
    return most if amounts[most] else None


def read_records(text: bytes, kind: RecordFormat) -> Records:
    """The records of a text; DamagedError where anything about them is wrong."""
    if len(text) > MAX_TEXT:
        raise DamagedError(
            [Damage(1, f"the file is larger than {MAX_TEXT >> 20} MiB, the most that is read")]
        )
    blocks, line, damages = [], 0, list[Damage]()
    telling = _TELLING.search(text) if kind is RecordFormat.HEX else None
    base = _BaseRecord(is_linear=telling is not None and telling[1] in b"45")
    for piece in _pieces(text):
        block = _read_block(kind, piece, base)
        blocks.append((line, block))
        damages += (replace(one, line=line + one.line) for one in block.damages)
        if len(damages) > MOST_DAMAGES:
            last = damages[MOST_DAMAGES]
            words = f"{last.words}; so many lines are wrong that no more are told"
            raise DamagedError([*damages[:MOST_DAMAGES], replace(last, words=words)])
        line += block.length
        base = block.after
    damages += _disorder(kind, blocks, is_sound=not damages)
    if damages:
        raise DamagedError(sorted(damages, key=lambda one: one.line))
    return _joined(kind, blocks)


def _pieces(text: bytes) -> Iterator[bytes]:
    """The text in pieces of whole lines."""
    mark = b"\n" if b"\n" in text else b"\r"
    start = 0
    while start < len(text):
        end = text.find(mark, start + _BLOCK) + 1 or len(text)
        yield text[start:end]
        start = end


# Single records


class _BaseRecord(NamedTuple):
    """What the records before add to the addresses of HEX records, and which of it counts."""

    segment: int = 0
    linear: int = 0
    is_linear: bool = False

    @property
    def start(self) -> int:
        return self.linear if self.is_linear else self.segment


class _Control(NamedTuple):
    """A record that counts the ones before, or ends them; ``before`` are those with data in its block."""

    line: int
    type: str
    value: int
    before: int


@dataclass(frozen=True, slots=True)
class _Block:
    """What a stretch of lines says; lines are counted from 1 in it."""

    length: int
    lines: Integers
    addresses: Integers
    sizes: Integers
    data: bytes
    types: frozenset[str]
    controls: tuple[_Control, ...]
    damages: tuple[Damage, ...]
    after: _BaseRecord


@lru_cache(maxsize=_KEPT)
def _read_block(kind: RecordFormat, text: bytes, base: _BaseRecord) -> _Block:
    lines: list[int] = []
    addresses: list[int] = []
    sizes: list[int] = []
    data = bytearray()
    types: set[str] = set()
    controls, damages = [], []
    number = 0
    for number, line in enumerate(text.splitlines(), 1):
        record = line.strip()
        if not record:
            continue
        try:
            type_, address, content = _unpacked(kind, record)
            if kind is RecordFormat.HEX and type_ in "24":
                base = _moved(base, type_, content)
                continue
            if kind is RecordFormat.HEX and type_ == "0":
                start = base.start + address
                _refuse_overrun(address, len(content), base.is_linear, start)
            elif kind is RecordFormat.SREC and type_ in "123":
                start = address
                if start + len(content) > 1 << 8 * _WIDTHS[type_]:
                    raise _WrongError(f"its data run over the end of what {8 * _WIDTHS[type_]} bits address")
            else:
                controls.append(_Control(number, type_, address, len(lines)))
                continue
        except _WrongError as wrong:
            damages.append(Damage(number, str(wrong)))
            continue
        lines.append(number)
        addresses.append(start)
        sizes.append(len(content))
        types.add(type_)
        data += content
    return _Block(
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


class _WrongError(Exception):
    """In what a record is wrong."""


def _unpacked(kind: RecordFormat, record: bytes) -> tuple[str, int, bytes]:
    """A record's type, address and data; _WrongError where it is none."""
    import bincopy  # only files of records pay for the import

    if not _DIGITS[kind].fullmatch(record):
        raise _WrongError(f"it is no {kind}{' record' if kind is RecordFormat.HEX else ''}")
    text = record.decode("ascii")
    # The library takes part of a record that is too short for its data.
    if kind is RecordFormat.SREC and len(text) < 6 + 2 * _WIDTHS.get(text[1], 2):
        raise _WrongError(_trouble(kind, text))
    try:
        unpack = bincopy.unpack_ihex if kind is RecordFormat.HEX else bincopy.unpack_srec
        type_, address, size, data = unpack(text)
    except (bincopy.Error, ValueError):
        raise _WrongError(_trouble(kind, text)) from None
    if kind is RecordFormat.HEX and type_ > 5:
        raise _WrongError(f"there is no record type {type_:02X}")
    wanted = _HEX_SIZES.get(type_) if kind is RecordFormat.HEX else 0 if type_ in "56789" else None
    if wanted is not None and size != wanted:
        name = f"type {type_:02X}" if kind is RecordFormat.HEX else f"S{type_}"
        raise _WrongError(f"a record of {name} has {wanted} bytes of data, and this one {size}")
    return str(type_), address, bytes(data)


def _trouble(kind: RecordFormat, text: str) -> str:
    """Why the library does not take a record of the right characters."""
    digits = text[1:] if kind is RecordFormat.HEX else text[2:]
    if len(digits) % 2:
        return "it has an odd number of digits, so that one is missing or too many"
    if kind is RecordFormat.SREC and text[1] not in _WIDTHS:
        return f"there are no S{text[1]} records"
    values = bytes.fromhex(digits)
    if len(values) < (5 if kind is RecordFormat.HEX else 2 + _WIDTHS[text[1]]):
        return "it is too short for a record"
    around = 5 if kind is RecordFormat.HEX else 1
    if values[0] != len(values) - around:
        what = "bytes of data" if kind is RecordFormat.HEX else "bytes behind its length"
        return f"it announces {values[0]} {what}, and has {len(values) - around}"
    total = sum(values[:-1])
    right = -total & 0xFF if kind is RecordFormat.HEX else ~total & 0xFF
    return f"its checksum is 0x{values[-1]:02X}, but its bytes give 0x{right:02X}"


def _moved(base: _BaseRecord, type_: str, content: bytes) -> _BaseRecord:
    """The base behind a record of HEX type 02 or 04."""
    value = int.from_bytes(content, "big")
    base = base._replace(segment=value << 4) if type_ == "2" else base._replace(linear=value << 16)
    if base.segment and base.linear:
        raise _WrongError(
            "segment and linear addresses (types 02 and 04) are mixed, which programs read in different ways"
        )
    return base._replace(is_linear=type_ == "4")


def _refuse_overrun(offset: int, size: int, is_linear: bool, start: int) -> None:
    """_WrongError where the data of a HEX record would begin again at the bottom of what it can address."""
    if is_linear and start + size > 1 << 32:
        raise _WrongError("its data run over the end of what 32 bits address")
    if not is_linear and offset + size > 1 << 16:
        raise _WrongError("its data run over the end of the 64 KiB that its address reaches")


# All records together


def _disorder(kind: RecordFormat, blocks: list[tuple[int, _Block]], is_sound: bool) -> Iterator[Damage]:
    """What is wrong with the order and the number of records; the number counts where all are sound."""
    types = frozenset[str]().union(*(block.types for _, block in blocks))
    end, before, last = 0, 0, 0
    for offset, block in blocks:
        if end and len(block.lines):
            yield _behind(offset + int(block.lines[0]), end)
            return
        for control in block.controls:
            line = offset + control.line
            is_end = control.type in ("1" if kind is RecordFormat.HEX else "789")
            if end:
                yield _behind(line, end)
                return
            if is_end:
                end = line
                later = block.lines[block.lines > control.line]
                if len(later):
                    yield _behind(offset + int(later[0]), end)
                    return
                yield from _wrong_end(kind, control.type, types, line)
            elif kind is RecordFormat.SREC and control.type in "56" and is_sound:
                count = before + control.before
                if control.value != count:
                    yield Damage(
                        line, f"it counts {control.value:,} records with data, and there are {count:,}"
                    )
        before += len(block.lines)
        last = offset + block.length
    if not end:
        yield Damage(last, f"the file ends without an end record ({_ENDS[kind]}); it may have been cut off")


def _behind(line: int, end: int) -> Damage:
    return Damage(line, f"there are records behind the end record in line {end}")


def _wrong_end(kind: RecordFormat, end: str, types: frozenset[str], line: int) -> Iterator[Damage]:
    if kind is RecordFormat.SREC and types and end not in {_END_OF[type_] for type_ in types}:
        used = max(types)
        yield Damage(line, f"S{end} does not end S{used} records; S{_END_OF[used]} does")


def _joined(kind: RecordFormat, blocks: list[tuple[int, _Block]]) -> Records:
    lines = _concatenated([offset + block.lines for offset, block in blocks])
    addresses = _concatenated([block.addresses for _, block in blocks])
    sizes = _concatenated([block.sizes for _, block in blocks])
    data = np.frombuffer(b"".join(block.data for _, block in blocks), np.uint8)
    held = sizes > 0
    lines, addresses, sizes = lines[held], addresses[held], sizes[held]
    return Records(kind, lines, addresses, sizes, _segments(lines, addresses, sizes, data))


def _concatenated(arrays: list[Integers]) -> Integers:
    return np.concatenate([np.empty(0, np.int64), *arrays])


def _segments(lines: Integers, addresses: Integers, sizes: Integers, data: Bytes) -> tuple[Segment, ...]:
    """The segments that records make, in whatever order; DamagedError where they contradict each other."""
    if not len(lines):
        return ()
    order = np.argsort(addresses, kind="stable")
    starts, ends = addresses[order], (addresses + sizes)[order]
    reach = np.maximum.accumulate(ends)
    if (starts[1:] < reach[:-1]).any():
        starts, data = _without_repetition(lines, addresses, sizes, data)
        breaks = np.flatnonzero(np.diff(starts) > 1) + 1
        places = np.concatenate([[0], breaks, [len(data)]])
        firsts = starts[places[:-1]]
    else:
        data = data[_bytes_in_order(order, sizes)] if (np.diff(order) != 1).any() else data
        breaks = np.flatnonzero(starts[1:] > reach[:-1]) + 1
        behind = np.concatenate([[0], np.cumsum(sizes[order])])
        places = np.concatenate([[0], behind[breaks], [len(data)]])
        firsts = starts[np.concatenate([[0], breaks])]
    if len(firsts) > MAX_STRETCHES:
        line = int(lines[addresses == firsts[MAX_STRETCHES]].min())
        words = (
            f"the data lie in {len(firsts):,} stretches with gaps between; at most {MAX_STRETCHES:,} are read"
        )
        raise DamagedError([Damage(line, words)])
    content = data.tobytes()
    return tuple(
        Segment(first, content[start:end])
        for first, (start, end) in zip(firsts.tolist(), pairwise(places.tolist()), strict=True)
    )


def _bytes_in_order(order: Integers, sizes: Integers) -> Integers:
    """Where the bytes of records lie, the records in another order."""
    firsts, sizes = (np.cumsum(sizes) - sizes)[order], sizes[order]
    found: Integers = np.repeat(firsts - (np.cumsum(sizes) - sizes), sizes) + np.arange(sizes.sum())
    return found


def _without_repetition(
    lines: Integers, addresses: Integers, sizes: Integers, data: Bytes
) -> tuple[Integers, Bytes]:
    """The address and value of each byte, by rising address; DamagedError where two records differ."""
    every = np.repeat(addresses - (np.cumsum(sizes) - sizes), sizes) + np.arange(len(data))
    order = np.argsort(every, kind="stable")
    where, values = every[order], data[order]
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
    """The text without the data and checksums of its records: how it is written, and what else it says."""
    lines = text.splitlines(keepends=True)
    for number in (records.lines - 1).tolist():
        head = lines[number].lstrip()
        width = 9 if records.kind is RecordFormat.HEX else 4 + 2 * _WIDTHS[chr(head[1])]
        lines[number] = head[:width].upper() + b"\n"
    return b"".join(lines)


def rewritten(text: bytes, records: Records, old: Image, new: Image) -> bytes:
    """The text with the data of ``new``, which holds the same addresses as ``old`` that was read from it.

    Only records whose data differ are written anew, with their checksums: order, lengths, line ends, case of
    digits and all records without data stay.
    """
    changed = old.addresses(np.flatnonzero(old.content != new.content))
    first, last = (
        np.searchsorted(changed, at) for at in (records.addresses, records.addresses + records.sizes)
    )
    lines = text.splitlines(keepends=True)
    is_lower = re.search(rb"[A-F]", text) is None and re.search(rb"[a-f]", text) is not None
    for number in np.flatnonzero(first < last).tolist():
        data = new.read(int(records.addresses[number]), int(records.sizes[number]))
        assert data is not None
        place = int(records.lines[number]) - 1
        lines[place] = _with_data(records.kind, lines[place], data, is_lower)
    return b"".join(lines)


def _with_data(kind: RecordFormat, line: bytes, data: bytes, is_lower: bool) -> bytes:
    """A record's line with other data; digits that stay are as they were."""
    import bincopy

    record = line.strip()
    type_, address, _ = _unpacked(kind, record)
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
