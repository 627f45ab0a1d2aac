"""Checks whether an image belongs to the software that a definition describes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from callint import fmt
from callint.model.definition import Identity, Memory
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image


@dataclass(frozen=True, slots=True)
class IdentityMismatch:
    """An identity of a definition that an image contradicts; ``stored`` are the bytes in the image."""

    identity: Identity
    stored: bytes

    def __str__(self) -> str:
        """The mismatch as a clause: 'its software number is "A1", not "B1"'."""
        expected = fmt.byte_string(self.identity.content)
        return f"its {self.identity.name} is {fmt.byte_string(self.stored)}, not {expected}"


def identity_mismatch(image: Image, memory: Memory) -> IdentityMismatch | None:
    """The first identity that an image contradicts, or None.

    An identity whose bytes the image lacks is not contradicted.
    """
    for identity in memory.identities:
        content = image.read(identity.at, len(identity.content))
        if content is not None and content != identity.content:
            return IdentityMismatch(identity, content)
    return None


def is_foreign(data: bytes, memory: Memory, start: int | None) -> bool:
    """Whether a file holds an image of other software; False if the file is damaged, as it may be of any."""
    try:
        return identity_mismatch(read_image(data, memory, start), memory) is not None
    except DamagedError:
        return False


def holds_identity(image: Image, identity: Identity) -> bool:
    """Whether an image has all bytes of an identity, regardless of their values."""
    size = len(identity.content)
    return image.count_bytes(identity.at, identity.at + size) == size


def same_identity(first: Image, second: Image, identities: Iterable[Identity]) -> bool:
    """Whether two images have the same bytes at the places of the identities."""
    return all(
        first.read(identity.at, len(identity.content)) == second.read(identity.at, len(identity.content))
        for identity in identities
    )


def count_held_bytes(image: Image, memory: Memory) -> int:
    """The number of bytes of the memory that an image holds."""
    return image.count_bytes(memory.start, memory.end)


def size_problem(image: Image, memory: Memory) -> str | None:
    """A clause with the reason why an image does not fit the memory; a raw image must fill it."""
    if image.is_part:
        held_bytes = count_held_bytes(image, memory)
        return None if held_bytes else "no byte of it lies in the memory that the definition describes"
    if image.size == memory.size:
        return None
    return f"it has {image.size:,} bytes, but the memory has {memory.size:,}"
