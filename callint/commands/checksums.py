"""callint checksums."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import click

from callint.checking.own_image import read_sound_image
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.options import as_options
from callint.cli.unknown_images import read_unknown
from callint.comparing.checksum_search.search import FoundChecksum, find_checksums
from callint.fmt import count
from callint.model.definition import Memory
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reporting.checksum_search.json import checksum_search_document
from callint.versioning.file_version import Content

#: The largest memory that is searched, and the largest number of images.
MAX_MEMORY, MAX_IMAGES = 16 * 2**20, 16


@dataclass(frozen=True, slots=True)
class ChecksumsOptions:
    """The arguments and options of callint checksums."""

    images: tuple[str, ...]
    definition: str | None
    policy: str | None
    form: str


@click.command()
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...")
@click.option(
    "--definition", metavar="FILE", help="Definition file of the memory (default: from the policy)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@as_options(ChecksumsOptions)
def command(options: ChecksumsOptions) -> int:
    """Find the checksums of two IMAGEs or more that differ, such as a factory image and its reworks.

    Tries sums, exclusive or and every CRC of the published catalogue, with complements and both byte orders,
    over all ranges between plausible bounds: those of regions, identities, fill and blocks of the memory.
    Prints each checksum that is right in every image as a line of a definition, with the probability of a
    coincidence.

    The images may be of several softwares of one control unit, and need no definition: without one, the
    addresses of a raw image count from 0. callint does not find a checksum stored inside its own range.
    Exits with 1 if it finds none.
    """
    workspace = workspace_for(options.policy, options.definition or "", *options.images)
    contents = [read_content(workspace, name) for name in options.images]
    if not 2 <= len(contents) <= MAX_IMAGES:
        raise InputError(
            f"{contents[0].name}: {count(len(contents), 'image')}; give 2 to {MAX_IMAGES} that differ, "
            "such as a factory image and its reworks"
        )
    memory, images = _read(DefinitionResolver(workspace, options.definition), contents)
    if memory.size > MAX_MEMORY:
        raise InputError(
            f"{contents[0].name}: the memory is larger than {MAX_MEMORY >> 20} MiB; give parts of the images"
        )
    if all(image.segments == images[0].segments for image in images):
        raise InputError(f"{contents[0].name}: the images are equal; give images that differ")
    result = find_checksums(images, memory)
    described = {
        number: name
        for number, item in enumerate(result.found)
        if (name := _name_in(memory, item)) is not None
    }
    names = [content.name for content in contents]
    if options.form == "json":
        document = checksum_search_document(result, names, described)
        sys.stdout.write(json.dumps(document, indent=2, ensure_ascii=False) + "\n")
    else:
        from callint.reporting.checksum_search.text import print_checksum_search
        from callint.reporting.terminal import console

        print_checksum_search(result, names, described, console(sys.stdout))
    return int(not result.found)


def _read(resolver: DefinitionResolver, contents: Sequence[Content]) -> tuple[Memory, list[Image]]:
    """The memory by the first definition that is known, and the images, of whatever software."""
    known = next((content for content in contents if resolver.has_definition(content.path)), None)
    if known is None:
        return read_unknown([(content.name, content.data) for content in contents])
    loaded = resolver.resolve(known)
    memory = loaded.definition.memory
    images = []
    for content in contents:
        start = resolver.start_of(content)
        image = read_sound_image(loaded, content.name, content.data, start).image
        if not image.is_part and image.size != memory.size:
            raise InputError(
                f"{content.name}: it has {image.size:,} bytes, but the memory has {memory.size:,}; give "
                "images of one control unit"
            )
        images.append(image)
    return memory, images


def _name_in(memory: Memory, item: FoundChecksum) -> str | None:
    """The name under which a definition has a found checksum."""
    stretches = {(item.checksum.start, item.checksum.size), *item.alternatives}
    for checksum in memory.checksums:
        is_there = checksum.stored_at == item.checksum.stored_at
        if is_there and (checksum.start, checksum.size) in stretches:
            return checksum.name
    return None
