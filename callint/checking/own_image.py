"""Images that must be of the software that a definition describes."""

from __future__ import annotations

from callint.checking.checker import foreign_identity, held_bytes
from callint.model.errors import InputError
from callint.reading.images import DamagedError, ImageFile, read_image_file
from callint.rules.context import LoadedDefinition


def read_own_image(
    subject: LoadedDefinition, name: str, data: bytes, start: int | None, option: str = ""
) -> ImageFile:
    """An image of the definition's software; InputError where it is damaged, empty or a stranger.

    ``name`` is the image's in messages, and ``option`` is the one that gives another definition, if any.
    """
    found = read_sound_image(subject, name, data, start)
    if not found.image.size:
        raise InputError(f"{name}: the image is empty; read it out again")
    memory = subject.definition.memory
    if not held_bytes(found.image, memory):
        raise InputError(
            f"{name}: no byte of it lies in the memory that {subject.file.path} describes; correct "
            "its addresses, or give its own definition"
        )
    if words := foreign_identity(found.image, memory):
        remedy = f"give its own definition with {option}" if option else "give its own definition"
        raise InputError(f"{name}: {words}; {remedy}")
    return found


def read_sound_image(subject: LoadedDefinition, name: str, data: bytes, start: int | None) -> ImageFile:
    """An image of any software; InputError where its records are damaged."""
    try:
        return read_image_file(data, subject.definition.memory, start)
    except DamagedError as error:
        raise InputError(f"{name}:{_first_damage(error)}; get the file from its source again") from None


def _first_damage(error: DamagedError) -> str:
    """The first damaged line, and how many there are beside it."""
    first, *more = error.damages
    rest = f" (and {len(more)} more; run callint check to list them)" if more else ""
    return f"{first.line}: {first.message}{rest}"
