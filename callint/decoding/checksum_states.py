"""The stored and the expected value of a checksum in two images."""

from __future__ import annotations

from dataclasses import dataclass

from callint.decoding import checksums
from callint.model.definition import Checksum
from callint.model.image import Image


@dataclass(frozen=True, slots=True)
class ChecksumState:
    """The stored values of a checksum, None if an image lacks its bytes.

    ``is_stale`` says whether the new value differs from the expected one; None if it cannot be computed.
    """

    checksum: Checksum
    old: int | None
    new: int | None
    is_stale: bool | None


def checksum_state(checksum: Checksum, old: Image | None, new: Image | None) -> ChecksumState | None:
    """The state of a checksum in two images, each of which may be absent; None for an unknown algorithm."""
    if not checksums.is_known(checksum.algorithm):
        return None
    old_value, new_value = (
        None if image is None else checksums.stored_value(checksum, image) for image in (old, new)
    )
    expected = None if new is None else checksums.expected_value(checksum, new)
    is_stale = None if new_value is None or expected is None else new_value != expected
    return ChecksumState(checksum, old_value, new_value, is_stale)
