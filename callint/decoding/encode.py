"""Encodes arrays into an image: writes the bytes of changed cells, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.decode import Decoded
from callint.model.change import Flags
from callint.model.definition import Text
from callint.model.image import Image


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
        content[at] = group.stored(numbers[flags])
        # Masked tables may share bytes, so their bits are cleared and set one after the other.
        chosen = positions[masked]
        at = _byte_positions(image, layout.address[group.cells][chosen], size)
        bits = masks.masks[masked]
        np.bitwise_and.at(content, at, ~group.stored(bits))
        values = numbers.view(bits.dtype)[chosen] << masks.shifts[masked]
        np.bitwise_or.at(content, at, group.stored(values & bits))
    for name, data in texts.items():
        start = np.array([layout.definition.texts[name].at], np.int64)
        content[_byte_positions(image, start, len(data))[0]] = np.frombuffer(data, np.uint8)
    return image.with_content(content)


def _byte_positions(image: Image, addresses: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """The positions of ``size`` bytes at each address, which the image holds; shape (addresses, size)."""
    return image.positions(addresses, size)[:, None] + np.arange(size)


class UnstorableTextError(ValueError):
    """A text that its bytes cannot hold: the problem, and what to do."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(f"{problem}; {remedy}")
        self.problem, self.remedy = problem, remedy


def text_content(decoded: Decoded, text: Text, value: str) -> bytes:
    """The bytes of a text with another value, padded as they are now; the image must hold the text.

    UnstorableTextError if the encoding lacks a character, or if the value is too long.
    """
    present, stored = decoded.text(text), decoded.image.read(text.at, text.length)
    assert present is not None
    assert stored is not None
    if value == present:
        return stored
    try:
        content = value.encode(text.encoding)
    except UnicodeEncodeError:
        problem = f"the text cannot be written in {text.encoding}"
        raise UnstorableTextError(problem, "remove the characters that it lacks") from None
    if len(content) > text.length:
        raise UnstorableTextError(f"the text is longer than {text.length} bytes", "shorten it")
    is_padded = len(present.encode(text.encoding, "replace")) < text.length
    return content.ljust(text.length, stored[-1:] if is_padded else b" ")
