"""Image files into images, and back.

The content of a file says what it is, not its name: Intel HEX and S-records are recognized by their lines,
and every other file is raw.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from callint.model.definition import Memory
from callint.model.image import Image
from callint.reading.records import Damage, DamagedError, Records, frame, kind_of, read_records, rewritten

__all__ = ["Damage", "DamagedError", "ImageFile", "read_image", "read_image_file"]


@dataclass(frozen=True)
class ImageFile:
    """An image and the file that holds it; ``records`` is None for a raw file."""

    image: Image
    data: bytes
    records: Records | None

    @cached_property
    def frame(self) -> bytes:
        """What a file of records says besides its data; empty for a raw file."""
        return b"" if self.records is None else frame(self.data, self.records)

    def with_content(self, image: Image) -> bytes:
        """The file with another content at the same addresses; only records whose data differ change."""
        if image.extents != self.image.extents:
            raise ValueError("the image does not hold the addresses of the file")
        if self.records is None:
            return image.content.tobytes()
        data = rewritten(self.data, self.records, self.image, image)
        # Never return records that do not read back as the image.
        if read_records(data, self.records.kind).segments != image.segments:
            raise AssertionError("the records that were made do not hold the image")
        return data


def read_image_file(data: bytes, memory: Memory, start: int | None = None) -> ImageFile:
    """The image in a file. ``start`` is the address of the first byte of a raw file of part of the memory.

    A raw file as large as the memory holds all of it. Raises DamagedError if the records of a file are wrong.
    """
    kind = kind_of(data)
    if kind is None:
        is_part = start is not None and len(data) != memory.size
        image = Image.raw(data, start if is_part and start is not None else memory.start, is_part)
        return ImageFile(image, data, None)
    records = read_records(data, kind)
    image = Image(records.segments)
    if image.extents != ((memory.start, memory.end),):
        image = Image(records.segments, is_part=True)
    return ImageFile(image, data, records)


def read_image(data: bytes, memory: Memory, start: int | None = None) -> Image:
    """As ``read_image_file``, but returns the image alone."""
    return read_image_file(data, memory, start).image
