"""Encodes arrays into an image: writes the bytes of changed cells, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.decode import Decoded
from callint.model.change import Flags
from callint.model.image import Image, Segment


def encode(decoded: Decoded, raw: Sequence[NDArray[Any]], cells: Flags, texts: Mapping[str, bytes]) -> Image:
    """The decoded image with other numbers in the flagged ``cells``, shape (cells,), and other ``texts``.

    ``raw`` is as in ``Decoded``. The image must hold the cells and the texts, which have full length. If
    items share bytes, the last one written wins; callers decode the result to find out.
    """
    image, layout = decoded.image, decoded.layout
    content = image.content.copy()
    for group, masks, numbers in zip(layout.groups, layout.masks, raw, strict=True):
        size = group.type.size
        flags = cells[group.cells].copy()
        positions = masks.cells - group.cells.start
        masked = flags[positions]
        flags[positions] = False
        at = _byte_positions(image, layout.address[group.cells][flags], size)
        content[at] = _bytes(numbers[flags], group.dtype)
        # Masked tables may share bytes, so their bits are cleared and set one after the other.
        chosen = positions[masked]
        at = _byte_positions(image, layout.address[group.cells][chosen], size)
        bits = masks.masks[masked]
        np.bitwise_and.at(content, at, ~_bytes(bits, group.dtype))
        values = numbers.view(bits.dtype)[chosen] << masks.shifts[masked]
        np.bitwise_or.at(content, at, _bytes(values & bits, group.dtype))
    for name, data in texts.items():
        start = np.array([layout.definition.texts[name].at], np.int64)
        content[_byte_positions(image, start, len(data))[0]] = np.frombuffer(data, np.uint8)
    return _with_content(image, content)


def _byte_positions(image: Image, addresses: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """The positions of ``size`` bytes at each address, which the image holds; shape (addresses, size)."""
    return image.positions(addresses, size)[:, None] + np.arange(size)


def _bytes(numbers: NDArray[Any], dtype: np.dtype[Any]) -> NDArray[np.uint8]:
    """The bytes of numbers in a stored type of their size; shape (numbers, size)."""
    stored = dtype if numbers.dtype.kind == dtype.kind else np.dtype(f"{dtype.byteorder}u{dtype.itemsize}")
    return np.ascontiguousarray(numbers.astype(stored)).view(np.uint8).reshape(-1, dtype.itemsize)


def _with_content(image: Image, content: NDArray[np.uint8]) -> Image:
    segments, first = [], 0
    for segment in image.segments:
        last = first + len(segment.data)
        segments.append(Segment(segment.start, content[first:last].tobytes()))
        first = last
    return Image(tuple(segments), image.is_part)
