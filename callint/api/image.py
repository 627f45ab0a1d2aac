"""Image files: raw, Intel HEX or S-records."""

from __future__ import annotations

from dataclasses import dataclass, field

from callint.api.definition import CalibrationDefinition
from callint.api.source import Readable, Source, read_source
from callint.checking.own_image import read_own_image
from callint.rules.context import CheckContext


@dataclass(frozen=True, eq=False)
class CalibrationImage:
    """The bytes of an image file. Where they lie in memory is known only with a definition.

    ``start`` is the address of the first byte of a raw file of part of the memory.
    """

    source: Source = field(repr=False)
    start: int | None = None

    @property
    def name(self) -> str:
        """The path as it was given, seen from the current folder, or the name of the bytes."""
        return self.source.name

    @property
    def data(self) -> bytes:
        """The file's content."""
        return self.source.data

    def __repr__(self) -> str:
        return f"CalibrationImage({self.name!r}, {len(self.data):,} bytes)"


def read_image(source: Readable, *, name: str | None = None, start: int | None = None) -> CalibrationImage:
    """Read an image file from a path or from bytes; ``name`` is what reports call bytes.

    The content tells whether it is raw, Intel HEX or S-records. ``start`` is the address of the first byte
    of a raw file that holds part of the memory. Raises InputError where the file cannot be read; whether its
    content is sound shows with a definition.
    """
    return CalibrationImage(read_source(source, name, "image"), start)


def context_of(
    definition: CalibrationDefinition, image: CalibrationImage, base: CalibrationImage | None = None
) -> CheckContext:
    """An image, and its base if there is one, with their definition.

    Raises InputError where an image is damaged, empty, or of other software than the definition's.
    """
    subject = definition.loaded()
    new, old = (
        None if one is None else read_own_image(subject, one.name, one.data, one.start).image
        for one in (image, base)
    )
    return CheckContext(subject, new, old)
