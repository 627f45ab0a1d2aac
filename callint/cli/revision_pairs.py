"""OLD and NEW on the command line: two images, or all that differ between two revisions."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import click

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, stored_workspace
from callint.model.errors import InputError
from callint.reading.definition_sniff import begins_as_definition, looks_like_definition
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content

#: The suffixes of files in ASAM CDF 2.0, and of definitions.
CDFX_SUFFIX, DEFINITION_SUFFIX = ".cdfx", ".xml"


@dataclass(frozen=True, slots=True)
class ImagePair:
    """Two versions of an image, or of a definition; ``is_single`` says that no other pair is compared.

    ``old`` is None for an added file, ``new`` for a removed one.
    """

    old: Content | None
    new: Content | None
    is_single: bool
    is_definition: bool = False


def expand_range(arguments: tuple[str, ...]) -> tuple[str, ...]:
    """The arguments with A..B as two revisions, and REV FILE as the file at the revision and on disk.

    A...B stands for the merge base of A and B, and B.
    """
    if not arguments or Path(arguments[0]).exists():
        return arguments
    first, *others = arguments
    dots = "..." if "..." in first else ".."
    old, separator, new = first.partition(dots)
    if separator and not new.startswith((".", "/")) and (old or new) and not old.endswith("/"):
        old, new = old or "HEAD", new or "HEAD"
        if dots == "...":
            from callint.versioning.ranges import require_merge_base

            old = require_merge_base(Path.cwd(), old, new)
        return old, new, *others
    is_file = len(arguments) == 2 and ":" not in first and Path(others[0]).is_file()
    if is_file and not _names_revision(others[0]) and _names_revision(first):
        # git counts the path of REV:path from the top, unless it begins with a dot.
        return f"{first}:./{Path(os.path.relpath(others[0])).as_posix()}", others[0]
    return arguments


def is_range(arguments: tuple[str, ...]) -> bool:
    """Whether the first two arguments are revisions: neither is REV:path, nor are both names of files.

    One of them may be the name of a file too, like HEAD in a bare repository.
    """
    if any(":" in argument for argument in arguments[:2]):
        return False
    files = [Path(argument).exists() for argument in arguments[:2]]
    return not any(files) or (not all(files) and all(map(_names_revision, arguments[:2])))


def pairs(
    workspace: Workspace, definition: str | None, arguments: tuple[str, ...]
) -> tuple[Iterator[ImagePair], DefinitionResolver]:
    """The image pairs that the arguments select, and the resolver of their definitions."""
    if not is_range(arguments):
        workspace, before, after = two_images(workspace, definition, arguments)
        pair = ImagePair(before, after, is_single=True, is_definition=_are_definitions(before, after))
        return iter([pair]), DefinitionResolver(workspace, definition)
    from callint.versioning.revisions import changed_files, workspace_at

    require_revisions(arguments)
    if not workspace.policy.path and definition is None:
        workspace = workspace_at(arguments[1])
    resolver = DefinitionResolver(workspace, definition)
    old, new, *paths = arguments
    definitions = (
        ImagePair(file.old, file.new, is_single=False, is_definition=True)
        for file in changed_files(workspace, old, new, paths, _is_definition_name)
        if all(looks_like_definition(content.data) for content in (file.old, file.new) if content)
    )
    changed = changed_files(workspace, old, new, paths, lambda path: not _is_definition_name(path))
    if definition is None or not paths:
        changed = (
            file
            for file in changed
            if any(resolver.has_definition(content.path) for content in (file.old, file.new) if content)
        )
    images = (ImagePair(file.old, file.new, is_single=False) for file in changed)
    return chain(definitions, images), resolver


def _is_definition_name(path: str) -> bool:
    return path.lower().endswith(DEFINITION_SUFFIX)


def _are_definitions(old: Content, new: Content) -> bool:
    """Whether two files are definitions; InputError if one of them is, and the other is an image."""
    if new.name.lower().endswith(CDFX_SUFFIX):
        return False
    sides = [_is_definition_name(side.name) or begins_as_definition(side.data) for side in (old, new)]
    if sides[0] != sides[1]:
        names = [side.name for side in ((old, new) if sides[0] else (new, old))]
        raise InputError(f"{names[0]}: it is a definition, and {names[1]} is not; pass two definitions")
    return sides[0]


def two_images(
    workspace: Workspace, definition: str | None, arguments: tuple[str, ...]
) -> tuple[Workspace, Content, Content]:
    """The workspace and the two images; without a policy on disk, the workspace of NEW's revision."""
    if len(arguments) > 2:
        raise click.UsageError("PATH needs two revisions, not two images.")
    if arguments[0].lower().endswith(CDFX_SUFFIX):
        raise InputError(f"{arguments[0]}: it holds values, not an image; pass it second, after an image")
    if not workspace.policy.path and definition is None:
        workspace = stored_workspace(arguments[1]) or workspace
    old, new = (read_content(workspace, argument) for argument in arguments)
    return workspace, old, new


def require_revisions(arguments: tuple[str, ...]) -> None:
    """InputError if one of the first two arguments is not a revision."""
    missing = next((argument for argument in arguments[:2] if not _names_revision(argument)), None)
    if missing is not None:
        raise InputError(f"{missing}: neither a file nor a git revision; check the path")


def _names_revision(argument: str) -> bool:
    from callint.versioning.git.refs import is_revision
    from callint.versioning.git.repository import open_repository

    try:
        repo = open_repository(Path.cwd(), bare=True)
    except InputError:
        return False
    return is_revision(repo, argument)
