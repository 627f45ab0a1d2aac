"""The image file of a release, in the format asked for."""

from __future__ import annotations

from pathlib import PurePosixPath

from callint import fmt
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.release import MANIFEST, PAGE, ImageFormat
from callint.reading.images import ImageFile
from callint.reading.records import RecordFormat, read_records

#: The formats of files of records, and the suffixes of files that change their format.
_RECORDS = {RecordFormat.HEX: ImageFormat.HEX, RecordFormat.SREC: ImageFormat.SREC}
_SUFFIXES = {ImageFormat.RAW: ".bin", ImageFormat.HEX: ".hex", ImageFormat.SREC: ".s19"}
#: The number of bytes in a record, and the end of what the addresses of records reach.
_RECORD_SIZE, _END = 32, 1 << 32


def format_of(file: ImageFile) -> ImageFormat:
    """The format of an image file."""
    return ImageFormat.RAW if file.records is None else _RECORDS[file.records.kind]


def image_name(path: str, form: ImageFormat | None) -> str:
    """The name of an image's file in a format that its file does not have; None for the one that it has."""
    return PurePosixPath(path).name if form is None else PurePosixPath(path).stem + _SUFFIXES[form]


def released_file(file: ImageFile, path: str, form: ImageFormat) -> tuple[str, bytes]:
    """The name and the content of an image in a format; unchanged if the image file has it already.

    ``path`` is the image's path in the repository. InputError if the format cannot hold the image.
    """
    name = image_name(path, None if format_of(file) is form else form)
    if format_of(file) is form:
        content = file.data
    else:
        content = _raw(file.image, path) if form is ImageFormat.RAW else _records(file.image, path, form)
    if name.casefold().startswith((MANIFEST, PAGE)):
        raise InputError(f"{path}: a release has a file {name} of its own; rename the image")
    return name, content


def _raw(image: Image, path: str) -> bytes:
    if len(image.segments) > 1:
        gap = fmt.address(image.segments[0].end)
        raise InputError(f"{path}: a raw file cannot hold the gap at {gap}; release the image as hex or srec")
    return image.segments[0].data


def _records(image: Image, path: str, form: ImageFormat) -> bytes:
    """The image as records with addresses of 32 bits, the lowest first."""
    import bincopy  # slow to import

    if image.segments[-1].end > _END:
        raise InputError(f"{path}: records cannot hold addresses above 32 bits; release the image as raw")
    records = bincopy.BinFile()
    for segment in image.segments:
        records.add_binary(segment.data, address=segment.start)
    make = records.as_ihex if form is ImageFormat.HEX else records.as_srec
    content: bytes = make(number_of_data_bytes=_RECORD_SIZE, address_length_bits=32).encode("ascii")
    kind = next(kind for kind, listed in _RECORDS.items() if listed is form)
    # Never return records that do not read back as the image.
    if read_records(content, kind).segments != image.segments:
        raise AssertionError("the records that were made do not hold the image")
    return content
