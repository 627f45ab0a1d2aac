"""Checksums of the bytes of an image that its definition does not explain."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

import numpy as np

from callint.comparing.compare import explained_bits
from callint.decoding.decode import Decoded
from callint.decoding.statistics import distinct

#: The number of bytes in a block.
_BLOCK = 1024


def unexplained_blocks(decoded: Decoded) -> Iterator[tuple[int, int]]:
    """The address and the CRC-32 of each block with bytes that nothing explains and that are not fill bytes.

    Explained bytes count as fill bytes, so that a checksum changes only with unexplained bytes.
    """
    image, layout = decoded.image, decoded.layout
    fill = layout.definition.memory.fill
    explained = explained_bits(layout, image, image, np.ones(len(layout.address), bool))
    unexplained = (explained == 0) & (image.content != fill)
    positions = np.flatnonzero(unexplained)
    if not len(positions):
        return
    masked = np.where(unexplained, image.content, fill).astype(np.uint8)
    for block in distinct(positions // _BLOCK).tolist():
        start = block * _BLOCK
        (address,) = image.addresses(np.array([start], np.int64)).tolist()
        yield address, zlib.crc32(masked[start : start + _BLOCK].tobytes())
