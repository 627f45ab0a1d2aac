"""callint diff --driver: git's external diff.

git calls it with ``path old-file old-hex old-mode new-file new-hex new-mode``; for a renamed file, the new
path and a description follow; for a file in conflict, the path is the only argument. The exit status must be
0 whatever the change: git takes any other status as a crash of the driver and stops its own output.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import click

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.git_file import read_git_file
from callint.cli.software_pair import SoftwarePair
from callint.comparing.compare import compare
from callint.fmt import clean
from callint.model.errors import InputError
from callint.reading.definition_sniff import looks_like_definition
from callint.reading.family import references
from callint.reading.workspace import Workspace, open_workspace
from callint.reporting.changes.text import undefined_changes
from callint.versioning.file_version import Content

#: The file that git names for a side without a file; git for Windows may pass "nul".
_NULL_FILES = {"/dev/null", "nul"}


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of a change; ``content`` is None if the file does not exist on this side.

    ``blob`` is the id of the content; zeros for a file of the working tree that git has not stored.
    """

    path: str
    mode: str
    content: Content | None
    blob: str


def drive(arguments: tuple[str, ...], definition: str | None, policy: str | None) -> int:
    """Print one file's change for git. Returns 0; raises UsageError if the call is not git's."""
    if len(arguments) == 1:
        path = clean(arguments[0])
        sys.stdout.write(f"{path}: in conflict; resolve it with callint merge or git checkout\n")
        return 0
    if len(arguments) not in (7, 9):
        raise click.UsageError("--driver is for git, which passes seven or nine arguments.")
    path, old_file, old_blob, old_mode, new_file, new_blob, new_mode = arguments[:7]
    new_path = arguments[7] if len(arguments) == 9 else path
    try:
        old = _Side(path, old_mode, _read(old_file, path), old_blob)
        new = _Side(new_path, new_mode, _read(new_file, new_path), new_blob)
    except InputError as error:
        sys.stdout.write(f"{clean(error.lines[0])}\n")
        return 0
    for line in _headings(old, new):
        sys.stdout.write(f"{clean(line)}\n")
    if old.content is None or new.content is None or old.content.data == new.content.data:
        return 0
    if looks_like_definition(old.content.data) and looks_like_definition(new.content.data):
        _print_definition_change(old, new)
    else:
        _print_change(old.content, new.content, definition, policy)
    return 0


def _read(file: str, path: str) -> Content | None:
    if file in _NULL_FILES:
        return None
    return Content(path, path, read_git_file(Path(file), path).content)


def _headings(old: _Side, new: _Side) -> list[str]:
    if old.content is None:
        return [f"{new.path}: added, {len(new.content.data) if new.content else 0:,} bytes"]
    if new.content is None:
        return [f"{old.path}: removed, {len(old.content.data):,} bytes"]
    lines = [old.path if old.path == new.path else f"{new.path}: renamed from {old.path}"]
    if old.mode != new.mode:
        lines.append(f"  mode {old.mode} became {new.mode}")
    return lines


def _print_definition_change(old_side: _Side, new_side: _Side) -> None:
    """Print what changed in the meaning of a definition, or that nothing did."""
    assert old_side.content is not None and new_side.content is not None
    from callint.cli.definition_diff import definition_diff, print_diff
    from callint.reporting.terminal import console

    terminal = console(sys.stdout, colour=_colour())
    try:
        workspace = open_workspace()
        # git runs its drivers at the top of the working tree, and names paths from there.
        old, new = (
            replace(side.content, path=workspace.label(Path(side.path)))
            for side in (old_side, new_side)
            if side.content is not None
        )
        if references(old.data) or references(new.data):
            old, new, is_known = _beside_their_parents(old_side, new_side, (old, new), workspace)
            if not is_known:
                terminal.print("  compared with the other files of the family in the working tree")
        diff = definition_diff(old, new, workspace)
        if diff.changes:
            print_diff(diff, None, terminal)
        else:
            terminal.print("  only layout, comments or spelling changed")
    except InputError as error:
        sys.stdout.write(f"  {clean(error.lines[0])}\n")
    terminal.print()


def _beside_their_parents(
    old_side: _Side, new_side: _Side, contents: tuple[Content, Content], workspace: Workspace
) -> tuple[Content, Content, bool]:
    """Both sides with the trees that they come from, and whether these are known.

    A side of the working tree has the files there.
    """
    from callint.versioning.blob_trees import trees_of_blobs
    from callint.versioning.git.repository import folder_of, open_repository

    sides = old_side, new_side
    blobs = old_side.blob, new_side.blob
    try:
        repo = open_repository(workspace.root, bare=True)
        folder = folder_of(repo, workspace.root)
        trees = trees_of_blobs(repo, (old_side.path, new_side.path), blobs)
    except InputError:
        return *contents, False
    old, new = (
        content if tree is None else replace(content, tree=tree.below(folder))
        for content, tree in zip(contents, trees, strict=True)
    )
    is_known = all(
        tree is not None or not side.blob.strip("0") for side, tree in zip(sides, trees, strict=True)
    )
    return old, new, is_known


def _print_change(old: Content, new: Content, definition: str | None, policy: str | None) -> None:
    """Print the change in engineering units, or in bytes with the reason why units are impossible."""
    from callint.reporting.changes.text import print_changes
    from callint.reporting.terminal import console

    terminal = console(sys.stdout, colour=_colour())
    try:
        workspace = open_workspace(policy)
        # git runs its drivers at the top of the working tree, and names paths from there.
        old, new = (replace(side, path=workspace.label(Path(side.path))) for side in (old, new))
        resolver = DefinitionResolver(workspace, definition)
        old_loaded, loaded = resolver.resolve_each(old, new)
        before, after = resolver.read_image(old_loaded, old), resolver.read_image(loaded, new)
        if old_loaded is loaded:
            print_changes(compare(loaded.decoded(before), loaded.decoded(after)), before, after, terminal)
        else:
            from callint.reporting.softwares.text import print_software_change

            print_software_change(SoftwarePair(old_loaded, loaded, before, after).compare(()), terminal)
    except InputError as error:
        sys.stdout.write(f"  {clean(error.lines[0])}\n")
        for line in undefined_changes(old.data, new.data):
            sys.stdout.write(f"  {line}\n")
    terminal.print()


def _colour() -> bool | None:
    """Whether git would colour this diff; None if the stream itself decides.

    The driver's output may go to git's pager, which shows colour although it is a pipe.
    """
    if os.environ.get("GIT_PAGER_IN_USE") != "true":
        return None
    from callint.versioning.git.config import wants_colour

    return wants_colour(Path.cwd())
