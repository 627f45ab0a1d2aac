"""Image files: raw, Intel HEX or S-records."""

from __future__ import annotations

from dataclasses import dataclass, field

from callint.api.definition import CalibrationDefinition
from callint.api.source import NamedBytes, Readable, read_source
from callint.checking.own_image import read_own_image
from callint.model.errors import InputError
from callint.rules.context import CheckContext


@dataclass(frozen=True, eq=False)
class CalibrationImage:
    """The bytes of an image file. Only a definition tells their addresses in memory.

    ``start`` is the address of the first byte of a raw file of part of the memory.
    """

    source: NamedBytes = field(repr=False)
    start: int | None = None

    @property
    def name(self) -> str:
        """The path from the current folder, or the name of the bytes."""
        return self.source.name

    @property
    def data(self) -> bytes:
        """The file's content."""
        return self.source.data

    def __repr__(self) -> str:
        return f"CalibrationImage({self.name!r}, {len(self.data):,} bytes)"


def read_image(source: Readable, *, name: str | None = None, start: int | None = None) -> CalibrationImage:
    """Read an image file from a path or from bytes; ``name`` is the name of bytes in reports.

    The content decides whether the file is raw, Intel HEX or S-records. ``start`` is the address of the first
    byte of a raw file that holds part of the memory. Raises InputError if the file is unreadable, or if
    ``start`` is not an address; damaged content raises an error only together with a definition.
    """
    if start is not None and (not isinstance(start, int) or start < 0):
        raise InputError(f"start={start!r}: it is not an address; give an integer of 0 or more")
    return CalibrationImage(read_source(source, name, "image"), start)


def context_of(
    definition: CalibrationDefinition, image: CalibrationImage, base: CalibrationImage | None = None
) -> CheckContext:
    """An image, and its base if there is one, with their definition.

    Raises InputError if an image is damaged, empty, or of other software than the definition's.
    """
    loaded = definition.loaded()
    new, old = (
        None if file is None else read_own_image(loaded, file.name, file.data, file.start).image
        for file in (image, base)
    )
    return CheckContext(loaded, new, old)
