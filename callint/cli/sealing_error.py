"""The errors of checksums that cannot be recalculated."""

from __future__ import annotations

from callint.decoding.checksum_update import MissingBytesError, UnsealableError
from callint.model.errors import InputError


def sealing_error(error: UnsealableError, definition: str, image: str) -> InputError:
    """The line about it for people, with the names of the definition's file and of the image."""
    place = f"{definition}:{error.line}"
    if isinstance(error, MissingBytesError):
        remedy = f'export these bytes too, or write gaps="fill" in {place} if the control unit has fill there'
        return InputError(f"{image}: {error}; {remedy}")
    return InputError(f"{place}: {error}")
