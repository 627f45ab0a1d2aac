"""Imports a description for callint import, with the breakpoints that an image gives if there is one."""

from __future__ import annotations

from pathlib import Path

from callint.model.definition import Memory
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.asap2.build import Imported, make_definition
from callint.reading.asap2.parser import read_asap2


def import_description(source: Path, module: str | None, name: str | None, image: str | None) -> Imported:
    """The definition of a description. Raises InputError if a file is not what it should be."""
    imported = make_definition(read_asap2(source, module), name)
    if image is None or imported.definition is None:
        return imported
    from callint.decoding.computed_axes import with_computed_axes

    return with_computed_axes(imported, _image(image, imported.definition.memory), image)


def _image(name: str, memory: Memory) -> Image:
    from callint.checking.identity import identity_mismatch
    from callint.cli.import_image import read_import_image
    from callint.reading.images import read_image
    from callint.reading.records import DamagedError, kind_of

    data = read_import_image(name)
    if kind_of(data) is None and len(data) != memory.size:
        raise InputError(
            f"{name}: the image has {len(data):,} bytes, but the memory of the description has "
            f"{memory.size:,} from 0x{memory.start:X}; give the image as Intel HEX or S-records"
        )
    try:
        image = read_image(data, memory)
    except DamagedError:
        raise InputError(f"{name}: the records of the image are damaged; export it again") from None
    if mismatch := identity_mismatch(image, memory):
        raise InputError(f"{name}: {mismatch}; give an image of this software")
    return image
