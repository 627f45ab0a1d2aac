"""Image files into images."""

from __future__ import annotations

from callint.model.definition import Memory
from callint.model.image import Image


def read_raw(data: bytes, memory: Memory) -> Image:
    """A raw file: its bytes from the memory's first address on."""
    return Image.raw(data, memory.start)


def file_offset(image: Image, memory: Memory, address: int, size: int) -> int | None:
    """Where in its raw file the bytes of an image begin that lie at an address; None where it lacks them."""
    return None if image.read(address, size) is None else address - memory.start
