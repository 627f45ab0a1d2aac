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
from callint.reading.workspace import open_workspace
from callint.reporting.changes.text import undefined_changes
from callint.versioning.file_version import Content

#: The file that git names for a side without a file; git for Windows may pass "nul".
_NULL_FILES = {"/dev/null", "nul"}


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of a change; ``content`` is None if the file does not exist on this side."""

    path: str
    mode: str
    content: Content | None


def drive(arguments: tuple[str, ...], definition: str | None, policy: str | None) -> int:
    """Print one file's change for git. Returns 0; raises UsageError if the call is not git's."""
    if len(arguments) == 1:
        path = clean(arguments[0])
        sys.stdout.write(f"{path}: in conflict; resolve it with callint merge or git checkout\n")
        return 0
    if len(arguments) not in (7, 9):
        raise click.UsageError("--driver is for git, which passes seven or nine arguments.")
    path, old_file, _, old_mode, new_file, _, new_mode = arguments[:7]
    new_path = arguments[7] if len(arguments) == 9 else path
    try:
        old = _Side(path, old_mode, _read(old_file, path))
        new = _Side(new_path, new_mode, _read(new_file, new_path))
    except InputError as error:
        sys.stdout.write(f"{clean(error.lines[0])}\n")
        return 0
    for line in _headings(old, new):
        sys.stdout.write(f"{clean(line)}\n")
    if old.content is None or new.content is None or old.content.data == new.content.data:
        return 0
    if looks_like_definition(old.content.data) and looks_like_definition(new.content.data):
        _print_definition_change(old.content, new.content)
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


def _print_definition_change(old: Content, new: Content) -> None:
    """Print what changed in the meaning of a definition, or that nothing did."""
    from callint.cli.definition_diff import definition_diff, print_diff
    from callint.reporting.terminal import console

    terminal = console(sys.stdout, colour=_colour())
    try:
        workspace = open_workspace()
        # git runs its drivers at the top of the working tree, and names paths from there.
        old, new = (replace(side, path=workspace.label(Path(side.path))) for side in (old, new))
        diff = definition_diff(old, new, workspace)
        if diff.changes:
            print_diff(diff, None, terminal)
        else:
            terminal.print("  only layout, comments or spelling changed")
    except InputError as error:
        sys.stdout.write(f"  {clean(error.lines[0])}\n")
    terminal.print()


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
