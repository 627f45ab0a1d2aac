"""Image files into images."""

from __future__ import annotations

from callint.model.definition import Memory
from callint.model.image import Image


def read_raw(data: bytes, memory: Memory) -> Image:
    """A raw file: its bytes from the memory's first address on."""
    return Image.raw(data, memory.start)
