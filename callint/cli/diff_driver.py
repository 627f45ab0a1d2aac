"""callint diff --driver: git's external diff.

git calls it with ``path old-file old-hex old-mode new-file new-hex new-mode``, for a renamed file with
``new-path`` and a description behind it, and for a file in conflict with the path alone. Whatever it says
must end with status 0: git takes any other for the driver's death and stops its own output.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

import click

from callint.cli.git_file import read_git_file
from callint.cli.image_loading import DefinitionResolver
from callint.fmt import clean
from callint.model.errors import InputError
from callint.reading.workspace import open_workspace
from callint.rules.context import CheckContext
from callint.versioning.file_version import Content

#: The file that git names where there is none on one side; "nul" is what git for Windows may pass.
_NOTHING = {"/dev/null", "nul"}


def drive(words: tuple[str, ...], definition: str | None, policy: str | None) -> int:
    """Print one file's change for git; always 0 but for a wrong call."""
    if len(words) == 1:
        sys.stdout.write(f"{clean(words[0])}: in conflict; resolve it with callint merge or git checkout\n")
        return 0
    if len(words) not in (7, 9):
        raise click.UsageError("--driver is for git, which passes seven or nine arguments.")
    path, old_file, _, old_mode, new_file, _, new_mode = words[:7]
    new_path = words[7] if len(words) == 9 else path
    try:
        old, new = _read(old_file, path), _read(new_file, new_path)
    except InputError as error:
        sys.stdout.write(f"{clean(error.lines[0])}\n")
        return 0
    for words_ in _headings(path, new_path, old, new, old_mode, new_mode):
        sys.stdout.write(f"{clean(words_)}\n")
    if old is not None and new is not None and old.data != new.data:
        _print_change(old, new, definition, policy)
    return 0


def _read(file: str, path: str) -> Content | None:
    if file in _NOTHING:
        return None
    return Content(path, path, read_git_file(Path(file), path).content)


def _headings(
    path: str, new_path: str, old: Content | None, new: Content | None, old_mode: str, new_mode: str
) -> list[str]:
    if old is None:
        return [f"{new_path}: added, {len(new.data) if new else 0:,} bytes"]
    if new is None:
        return [f"{path}: removed, {len(old.data):,} bytes"]
    lines = [path if path == new_path else f"{new_path}: renamed from {path}"]
    if old_mode != new_mode:
        lines.append(f"  mode {old_mode} became {new_mode}")
    return lines


def _print_change(old: Content, new: Content, definition: str | None, policy: str | None) -> None:
    """The change in engineering units, or by bytes with the reason where that cannot be."""
    from callint.reporting.changes.bytes_text import byte_summary
    from callint.reporting.changes.text import print_changes
    from callint.reporting.terminal import console

    terminal = console(sys.stdout, colour=_colour())
    try:
        workspace = open_workspace(policy)
        # git runs its drivers at the top of the working tree, and names paths from there.
        old, new = (replace(one, path=workspace.label(Path(one.path))) for one in (old, new))
        subjects = DefinitionResolver(workspace, definition)
        subject = subjects.of(new, old)
        before, after = (subjects.image(subject, one) for one in (old, new))
        print_changes(CheckContext(subject, after, before).changes, before, after, terminal)
    except InputError as error:
        sys.stdout.write(f"  {clean(error.lines[0])}\n")
        for line in byte_summary(old.data, new.data):
            sys.stdout.write(f"  {line}\n")
    terminal.print()


def _colour() -> bool | None:
    """Whether git would colour this diff; None where the stream itself tells.

    The driver's output may go to git's pager, which shows colour although it is a pipe.
    """
    if os.environ.get("GIT_PAGER_IN_USE") != "true":
        return None
    from callint.versioning.git.config import wants_colour

    return wants_colour(Path.cwd())
