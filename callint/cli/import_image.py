"""The bytes of the factory image that helps an import."""

from __future__ import annotations

from pathlib import Path

from callint.model.errors import InputError
from callint.reading.tree import error_with_remedy, read_file, require_inside_repository


def read_import_image(name: str) -> bytes:
    """The content of an image file. Raises InputError if it cannot be read."""
    path = Path(name)
    require_inside_repository(path, name)
    try:
        return read_file(path)
    except OSError as error:
        message = error_with_remedy(error, "check the path")
        raise InputError(f"{name}: the image cannot be read: {message}") from None
