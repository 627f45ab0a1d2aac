"""OLD and NEW on the command line: two images, or all that differ between two revisions."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click

from callint.cli.image_loading import DefinitionResolver, read_content, stored_workspace
from callint.model.errors import InputError
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content

#: The names of files in ASAM CDF 2.0 end so.
VALUES = ".cdfx"


@dataclass(frozen=True, slots=True)
class ImagePair:
    """Two versions of an image; ``alone`` says that nothing else is compared."""

    old: Content | None
    new: Content | None
    alone: bool


def spelled_out(words: tuple[str, ...]) -> tuple[str, ...]:
    """The words with A..B as two revisions, and with REV FILE as the file at the revision and now.

    A...B is B since it parted from A.
    """
    if not words or Path(words[0]).exists():
        return words
    dots = "..." if "..." in words[0] else ".."
    old, found, new = words[0].partition(dots)
    if found and not new.startswith((".", "/")) and (old or new) and not old.endswith("/"):
        old, new = old or "HEAD", new or "HEAD"
        if dots == "...":
            from callint.versioning.ranges import parted

            old = parted(Path.cwd(), old, new)
        return old, new, *words[1:]
    is_file = len(words) == 2 and ":" not in words[0] and Path(words[1]).is_file()
    if is_file and not _names_revision(words[1]) and _names_revision(words[0]):
        # A path of a revision begins at the top, unless it begins with a dot.
        return f"{words[0]}:./{Path(os.path.relpath(words[1])).as_posix()}", words[1]
    return words


def is_range(words: tuple[str, ...]) -> bool:
    """Whether the words are revisions and not images: neither is REV:path, nor are both names of files.

    One of them may be the name of a file too, as HEAD is in a bare repository.
    """
    if any(":" in word for word in words[:2]):
        return False
    files = [Path(word).exists() for word in words[:2]]
    return not any(files) or (not all(files) and all(map(_names_revision, words[:2])))


def pairs(
    workspace: Workspace, definition: str | None, words: tuple[str, ...]
) -> tuple[Iterator[ImagePair], DefinitionResolver]:
    """What the words name, and the definitions of it."""
    if not is_range(words):
        workspace, old, new = two_images(workspace, definition, words)
        return iter([ImagePair(old, new, alone=True)]), DefinitionResolver(workspace, definition)
    from callint.versioning.revisions import changed_files, workspace_at

    demand_revisions(words)
    if not workspace.policy.path and definition is None:
        workspace = workspace_at(words[1])
    subjects = DefinitionResolver(workspace, definition)
    changed = changed_files(workspace, words[0], words[1], words[2:])
    named = definition is not None and words[2:]
    return (
        ImagePair(one.old, one.new, alone=False)
        for one in changed
        if named or any(subjects.knows(content.path) for content in (one.old, one.new) if content)
    ), subjects


def two_images(
    workspace: Workspace, definition: str | None, words: tuple[str, ...]
) -> tuple[Workspace, Content, Content]:
    """The two images, and the workplace: NEW's revision's where no policy lies on disk."""
    if len(words) > 2:
        raise click.UsageError("PATH needs two revisions, not two images.")
    if words[0].lower().endswith(VALUES):
        raise InputError(f"{words[0]}: it holds values, not an image; pass it second, after an image")
    if not workspace.policy.path and definition is None:
        workspace = stored_workspace(words[1]) or workspace
    old, new = (read_content(workspace, word) for word in words)
    return workspace, old, new


def demand_revisions(words: tuple[str, ...]) -> None:
    """InputError where one of two revisions is none."""
    missing = next((word for word in words[:2] if not _names_revision(word)), None)
    if missing is not None:
        raise InputError(f"{missing}: neither a file nor a git revision; check the path")


def _names_revision(word: str) -> bool:
    from callint.versioning.git.refs import is_revision
    from callint.versioning.git.repository import open_repository

    try:
        repo = open_repository(Path.cwd(), bare=True)
    except InputError:
        return False
    return is_revision(repo, word)
