"""Puts the content of a base back into an image."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from callint.comparing.compare import cell_bits
from callint.decoding.layout import Layout
from callint.model.change import Flags
from callint.model.image import Image


def restore(
    layout: Layout, image: Image, base: Image, cells: Flags, ranges: Iterable[tuple[int, int]] = ()
) -> Image:
    """The image with the content of the base in the flagged ``cells`` and in ranges of bytes.

    ``cells`` has the shape (cells,); ``ranges`` are first addresses with numbers of bytes. Bits of other
    cells in the same bytes stay, and so does what one of the images lacks.
    """
    bits = cell_bits(layout, base, image, cells)
    for start, size in ranges:
        addresses = np.arange(start, start + size)
        positions = image.positions(addresses, 1)
        bits[positions[(positions >= 0) & (base.positions(addresses, 1) >= 0)]] = 0xFF
    if image.extents == base.extents:
        return image.with_content(image.content ^ ((image.content ^ base.content) & bits))
    at = np.flatnonzero(bits)
    content = image.content.copy()
    before = base.content[base.positions(image.addresses(at), 1)]
    content[at] ^= (content[at] ^ before) & bits[at]
    return image.with_content(content)
