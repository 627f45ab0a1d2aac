"""Edits of image files in place."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.sealing_error import sealing_error
from callint.comparing.compare import compare
from callint.decoding.checksum_update import UnsealableError, seal
from callint.decoding.decode import Decoded
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.change import ChangeSet
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.images import ImageFile
from callint.reading.locks import exclusive_update
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content

CAUTION = (
    "What is forced is not safe for that reason: "
    "the maker's limits, local law and licensed practice come first."
)


@dataclass(frozen=True, slots=True)
class EditableImage:
    """An image file that a command edits, with its definition.

    ``name`` is the path of the image as the policy knows it.
    """

    name: str
    content: Content
    file: ImageFile
    loaded: LoadedDefinition
    resolver: DefinitionResolver

    @property
    def image(self) -> Image:
        return self.file.image

    @property
    def decoded(self) -> Decoded:
        return self.loaded.decoded(self.image)


@dataclass(frozen=True, slots=True)
class EditOptions:
    """The options that commands which edit an image share.

    ``definition`` is the file that the command line names. ``seals`` says that checksums are recalculated,
    ``is_forced`` that a base may be edited too.
    """

    definition: str | None
    seals: bool
    is_dry_run: bool
    prints_message: bool
    is_forced: bool = False


@dataclass(frozen=True, slots=True)
class ImageEdit:
    """The images before and after an edit, and what changed."""

    before: Image
    after: Image
    changes: ChangeSet


def edit_image(
    workspace: Workspace, name: str, options: EditOptions, edit: Callable[[EditableImage], Image]
) -> ImageEdit:
    """Read an image file, edit the image, seal it if that changed a byte, and replace the file then.

    No other run may write the file in between. InputError if the file cannot be read or written; then it
    stays as it is.
    """
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.files.destinations import in_place

    if name in workspace.policy.bases and not options.is_forced:
        raise InputError(f"{name}: it is a factory base, which must not change; edit a copy")
    destination = in_place(workspace.place(name))
    with nullcontext() if options.is_dry_run else exclusive_update(destination.place(), name):
        image = _read(workspace, name, options.definition)
        after = edit(image)
        if options.seals and after != image.image:
            after = with_checksums(image, after)
        changes = compare(image.decoded, image.loaded.decoded(after))
        if not options.is_dry_run and not changes.is_empty:
            replace_file(destination, image.file.with_content(after))
    return ImageEdit(image.image, after, changes)


def with_checksums(image: EditableImage, after: Image) -> Image:
    """The edited image with its checksums recalculated; InputError if they cannot be."""
    try:
        return seal(after, image.loaded.definition.memory).image
    except UnsealableError as error:
        raise sealing_error(error, image.loaded.definition, image.name) from None


def _read(workspace: Workspace, name: str, definition: str | None) -> EditableImage:
    content = Content(name, name, workspace.read_required(name))
    resolver = DefinitionResolver(workspace, definition)
    loaded = resolver.resolve_for_writing(content)
    return EditableImage(name, content, resolver.read_for_writing(loaded, content), loaded, resolver)


def print_edit(edit: ImageEdit, options: EditOptions, subject: str, summary: str) -> None:
    """Print what changed and the summary, or with ``prints_message`` a message for the commit of it."""
    if options.prints_message:
        from callint.reporting.edits.commit_message import commit_message

        sys.stdout.write(commit_message(subject, edit.changes))
        return
    from callint.reporting.edits import text
    from callint.reporting.terminal import console

    images, is_written = (edit.before, edit.after), not options.is_dry_run
    text.print_edit(edit.changes, images, summary, console(sys.stdout), is_written=is_written)
