"""The blocks of a measurement file in ASAM MDF 4, checked before a library reads them.

The library follows links and unpacks data as the file says. A stranger's file could make it follow a circle
of links, or unpack a few bytes to gigabytes. So this module walks over all blocks first: each lies in the
file, no link leads back, and data unpack to what they announce, within bounds.

The layout of blocks is that of the published standard, ASAM MDF 4.1, from memory: each begins with its id
("##DG"), its length, the number of its links, and the links, which are positions in the file.
"""

from __future__ import annotations

import struct
import zlib
from typing import BinaryIO

from callint.model.errors import InputError

#: The first bytes of all measurement files, of finalized and other ones.
MARKS = (b"MDF     ", b"UnFinMF ")
#: Bounds on a file: its bytes, blocks, links, and bytes of data when they are unpacked.
MAX_BYTES, MAX_BLOCKS, MAX_LINKS, MAX_UNPACKED = 2**30, 200_000, 1_000_000, 2**30
#: Most bytes of data in one packed block, and of a text; the standard asks for 4 MiB and less of data.
_MAX_PACKED_BLOCK, _MAX_TEXT = 64 * 2**20, 2**20
_HEADER = struct.Struct("<4s4xQQ")
_FIRST_BLOCK = 64
#: Number of links that are followed, by id: the others lead back, or to what is not read.
_FOLLOWED = {b"##CN": 8, b"##CG": 4, b"##EV": 1, b"##CA": 1, b"##CH": 0, b"##SR": 0}
#: Blocks that several others may share: texts, sources, conversions.
_SHARED = frozenset((b"##TX", b"##MD", b"##SI", b"##CC"))
_TEXTS = frozenset((b"##TX", b"##MD"))

_AGAIN = "export the log again as MDF 4, or as CSV"


class _BlockError(Exception):
    """What is wrong with a block."""


def check_blocks(file: BinaryIO, size: int, path: str) -> None:
    """Raise InputError unless a file is a finalized, sorted MDF 4 whose blocks are sound."""
    head = file.read(_FIRST_BLOCK)
    if len(head) < _FIRST_BLOCK:
        raise InputError(f"{path}: the file ends within its first block; {_AGAIN}")
    if head[:8] != MARKS[0] or any(head[60:64]):  # the flags of what the logger left undone
        raise InputError(f"{path}: the logger did not finish the file; close it with the logger's software")
    version = int.from_bytes(head[28:30], "little")
    if not 400 <= version < 500:
        raise InputError(
            f"{path}: it is MDF {version / 100:.2f}, and only MDF 4 is read; export it as MDF 4, or as CSV"
        )
    if size > MAX_BYTES:
        raise InputError(f"{path}: the log is larger than {MAX_BYTES >> 20} MiB; split it, or export CSV")
    try:
        _BlockWalk(file, size).walk()
    except _BlockError as error:
        raise InputError(f"{path}: {error}; {_AGAIN}") from None


class _BlockWalk:
    """The walk over all blocks of a file, each once."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        self._file = file
        self._size = size
        self._unpacked = 0
        self._links = 0
        #: The id of each block that was seen, by its position.
        self._ids: dict[int, bytes] = {}

    def walk(self) -> None:
        """Raise _BlockError if a block is wrong."""
        # The blocks from the first to the present one, each with its links that are still to be followed.
        way = [(_FIRST_BLOCK, self._open(_FIRST_BLOCK))]
        if self._ids[_FIRST_BLOCK] != b"##HD":
            raise _BlockError("its first block is not a header")
        on_way = {_FIRST_BLOCK}
        while way:
            position, links = way[-1]
            if not links:
                way.pop()
                on_way.discard(position)
                continue
            target = links.pop()
            if target in on_way:
                raise _BlockError(f"its blocks refer to each other in a cycle, at 0x{target:X}")
            if target in self._ids:
                is_nested = self._ids[position] == self._ids[target] == b"##CC"
                if self._ids[target] not in _SHARED or is_nested:
                    raise _BlockError(f"two blocks refer to the block at 0x{target:X}")
                continue
            way.append((target, self._open(target)))
            on_way.add(target)

    def _open(self, position: int) -> list[int]:
        """The links of a block that are to be followed. Raises _BlockError for a wrong block."""
        place = f"the block at 0x{position:X}"
        if position + _HEADER.size > self._size:
            raise _BlockError(f"{place} lies behind the end of the file")
        self._file.seek(position)
        id_, length, count = _HEADER.unpack(self._read(_HEADER.size))
        if id_[:2] != b"##" or not _HEADER.size + 8 * count <= length <= self._size - position:
            raise _BlockError(f"{place} is damaged or cut off")
        self._ids[position] = id_
        self._links += count
        if len(self._ids) > MAX_BLOCKS or self._links > MAX_LINKS:
            raise _BlockError(f"it has more than {MAX_BLOCKS:,} blocks or {MAX_LINKS:,} links")
        links = list(struct.unpack(f"<{count}Q", self._read(8 * count)))
        if id_ == b"##DG" and self._read(1) not in (b"\0", b""):
            raise _BlockError("its records are not sorted")
        if id_ in _TEXTS and length > _MAX_TEXT:
            raise _BlockError(f"{place} is a text of more than {_MAX_TEXT >> 10} KiB")
        if id_ == b"##DZ":
            self._check_packed(place, length)
        return [link for link in links[: _FOLLOWED.get(id_, count)] if link]

    def _check_packed(self, place: str, length: int) -> None:
        """Raise _BlockError unless a packed block unpacks to the size that it announces."""
        form = self._read(24)
        if length < _HEADER.size + len(form):
            raise _BlockError(f"{place} is damaged or cut off")
        method, original, packed = form[2], *struct.unpack("<QQ", form[8:])
        if method not in (0, 1):  # deflate, plain or transposed
            raise _BlockError(f"{place} is packed in a way that is not read")
        self._unpacked += original
        if original > _MAX_PACKED_BLOCK or self._unpacked > MAX_UNPACKED:
            raise _BlockError(f"its data unpack to more than {MAX_UNPACKED >> 20} MiB")
        if packed > length - _HEADER.size - len(form):
            raise _BlockError(f"{place} is damaged or cut off")
        unpacker = zlib.decompressobj()
        try:
            unpacked = len(unpacker.decompress(self._read(packed), original + 1))
        except zlib.error:
            unpacked = -1
        if unpacked != original:
            raise _BlockError(f"{place} does not unpack to the {original} bytes that it announces")

    def _read(self, count: int) -> bytes:
        """The next bytes. Raises _BlockError if the file has become shorter."""
        data = self._file.read(count)
        if len(data) < count:
            raise _BlockError("the file ends within a block")
        return data
