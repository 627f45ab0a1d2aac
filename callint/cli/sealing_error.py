"""The errors of checksums that cannot be recalculated."""

from __future__ import annotations

from callint.decoding.checksum_update import MissingBytesError, UnsealableError
from callint.model.definition import Definition
from callint.model.errors import InputError


def sealing_error(error: UnsealableError, definition: Definition, image: str) -> InputError:
    """The line about it for people, with the place of the checksum and the name of the image."""
    if isinstance(error, MissingBytesError):
        path, line = definition.location(error.line)
        place = f"{path}:{line}"
        remedy = f'export these bytes too, or write gaps="fill" in {place} if the control unit has fill there'
        return InputError(f"{image}: {error}; {remedy}")
    return InputError(error.located(definition))
