"""Images without a definition."""

from __future__ import annotations

from collections.abc import Sequence

from callint.model.definition import Memory
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image_file


def read_unknown(files: Sequence[tuple[str, bytes]]) -> tuple[Memory, list[Image]]:
    """The images in some files, by name and content, and the memory that holds them all.

    Addresses of raw images count from 0. InputError if an image is empty or damaged, or if raw images have
    different sizes.
    """
    images = []
    raw: dict[str, int] = {}
    for name, data in files:
        try:
            file = read_image_file(data, Memory(0, len(data), 0xFF, (), (), (), 0))
        except DamagedError as error:
            line = error.damages[0]
            raise InputError(
                f"{name}:{line.line}: {line.message}; get the file from its source again"
            ) from None
        if not file.image.size:
            raise InputError(f"{name}: the image is empty; read it out again")
        if file.records is None:
            raw[name] = len(data)
            if len(data) != next(iter(raw.values())):
                raise InputError(
                    f"{name}: it has {len(data):,} bytes, but {next(iter(raw))} has "
                    f"{next(iter(raw.values())):,}; give images of one control unit"
                )
        images.append(file.image)
    low = min(image.extents[0][0] for image in images)
    high = max(image.extents[-1][1] for image in images)
    return Memory(low, high - low, 0xFF, (), (), (), 0), images
