"""Reads images that must be of the software that a definition describes."""

from __future__ import annotations

from callint.checking.identity import count_held_bytes, identity_mismatch
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.errors import InputError
from callint.reading.images import DamagedError, ImageFile, read_image_file


def read_own_image(
    loaded: LoadedDefinition, name: str, data: bytes, start: int | None, option: str = ""
) -> ImageFile:
    """An image of the definition's software; InputError if it is damaged, empty or of other software.

    ``name`` is the image's name in messages. ``option`` is the option that gives another definition, if any.
    """
    file = read_sound_image(loaded, name, data, start)
    if not file.image.size:
        raise InputError(f"{name}: the image is empty; read it out again")
    memory = loaded.definition.memory
    if not count_held_bytes(file.image, memory):
        raise InputError(
            f"{name}: no byte of it lies in the memory that {loaded.file.path} describes; correct "
            "its addresses, or give its own definition"
        )
    if mismatch := identity_mismatch(file.image, memory):
        remedy = f"give its own definition with {option}" if option else "give its own definition"
        raise InputError(f"{name}: {mismatch}; {remedy}")
    return file


def read_sound_image(loaded: LoadedDefinition, name: str, data: bytes, start: int | None) -> ImageFile:
    """An image of any software; InputError if its records are damaged."""
    try:
        return read_image_file(data, loaded.definition.memory, start)
    except DamagedError as error:
        raise InputError(f"{name}:{_damage_text(error)}; get the file from its source again") from None


def _damage_text(error: DamagedError) -> str:
    """The first damaged line, and the number of further ones."""
    first, *others = error.damages
    more = f" (and {len(others)} more; run callint check to list them)" if others else ""
    return f"{first.line}: {first.message}{more}"
