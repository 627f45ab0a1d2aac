"""Checksums of the new image, by computing them."""

from __future__ import annotations

from dataclasses import replace

from callint.comparing.relocation.result import Candidate
from callint.decoding.checksums import expected_value, stored_value
from callint.model.definition import Checksum
from callint.model.image import Image


def checksum_candidates(
    checksum: Checksum, candidates: tuple[Candidate, ...], new: Image
) -> tuple[Candidate, ...]:
    """The first address at which the stored value is right for its range; none if there is no such address.

    The range is the old one, or one that moved with the stored value, or whose end did.
    """
    for at in dict.fromkeys([checksum.stored_at, *(candidate.at for candidate in candidates)]):
        shift = at - checksum.stored_at
        for start, size in (
            (checksum.start, checksum.size),
            (checksum.start + shift, checksum.size),
            (checksum.start, checksum.size + shift),
        ):
            if start < 0 or size <= 0:
                continue
            moved = replace(checksum, start=start, size=size, stored_at=at)
            value = stored_value(moved, new)
            if value is not None and value == expected_value(moved, new):
                return (Candidate(at, 1.0),)
    return ()
