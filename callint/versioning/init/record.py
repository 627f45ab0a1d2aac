"""What callint init wrote in a clone, noted down inside git's own folder.

The record of a stranger's clone may say anything. What it names is only touched where it is callint init's
own work by its place and its look as well (``versioning/undoing.py``).
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from callint.model.errors import InputError
from callint.reading.tree import read_file, reason
from callint.versioning.git.repository import Repo, common_folder
from callint.versioning.init.managed_block import as_bytes, as_text, find
from callint.versioning.init.steps import FileStep

#: The settings that callint init makes.
SETTINGS = (
    "diff.callint.command",
    "diff.callint.textconv",
    "diff.callint.cachetextconv",
    "diff.callint.binary",
    "merge.callint.name",
    "merge.callint.driver",
)

_FORMAT = "callint-init"
#: What may stand between a file's own lines and a block.
_GAPS = ("\n", "\n\n", "\r\n", "\r\n\r\n")


@dataclass(frozen=True, slots=True)
class Written:
    """One file: its digest where the whole of it is ours, None where a block is; if the file is new.

    ``gap`` is what was put before the block.
    """

    digest: str | None
    gap: str
    created: bool


@dataclass(slots=True)
class Record:
    """What callint init wrote in a clone. ``files`` and ``folders`` are paths from git's own folder."""

    path: Path
    old: bytes | None
    files: dict[str, Written] = field(default_factory=dict)
    settings: dict[str, str] = field(default_factory=dict)
    folders: set[str] = field(default_factory=set)

    def key(self, path: Path) -> str:
        return Path(os.path.relpath(path, self.path.parent)).as_posix()

    def place(self, key: str) -> Path:
        return Path(os.path.normpath(self.path.parent / key))

    def step(self) -> FileStep | None:
        """Writing the record down, or removing it where it holds nothing; None where it is as it was."""
        content = {
            "format": _FORMAT,
            "version": 1,
            "files": {
                key: {"digest": one.digest, "gap": one.gap, "created": one.created}
                for key, one in sorted(self.files.items())
            },
            "settings": dict(sorted(self.settings.items())),
            "folders": sorted(self.folders),
        }
        is_empty = not (self.files or self.settings or self.folders)
        new = None if is_empty else (json.dumps(content, indent=1) + "\n").encode("ascii")
        return None if new == self.old else FileStep(self.path, self.old, new, "the record")


def read_record(repo: Repo) -> Record:
    """The record of a clone, empty where there is none; InputError where it cannot be one."""
    path = common_folder(repo) / "callint" / "init.json"
    if path.parent.is_symlink() or path.is_symlink():
        raise InputError(f"{path}: it lies behind a symbolic link; remove the link")
    old = content_of(path)
    if old is None:
        return Record(path, None)
    try:
        content: Any = json.loads(old)
        if content["format"] != _FORMAT or content["version"] != 1:
            raise ValueError
        files = {
            _path(key): Written(_text(one["digest"], None), _text(one["gap"]), one["created"] is True)
            for key, one in content["files"].items()
        }
        settings = {key: _text(value) for key, value in content["settings"].items() if key in SETTINGS}
        return Record(path, old, files, settings, {_path(one) for one in content["folders"]})
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise InputError(
            f"{path}: this is not a record of callint init; remove it and run callint init again"
        ) from None


def _text(value: Any, *others: object) -> Any:
    if not isinstance(value, str) and value not in others:
        raise TypeError
    return value


def _path(value: Any) -> str:
    if not isinstance(value, str) or "\0" in value:
        raise TypeError
    return value


def without(old: bytes, written: Written) -> bytes | None:
    """A file without what was written into it; ``old`` itself where that was edited.

    None where nothing is left of a file that was made for it.
    """
    if written.digest == digest_of(old):
        return None
    text, newline = as_text(old)
    found = find(text)
    if found is None or found.is_edited:
        return old
    before, after = text[: found.start], text[found.end :]
    # Git and editors may have changed the line ends since.
    for gap in (written.gap, written.gap.replace("\r\n", "\n").replace("\n", newline)):
        if gap in _GAPS and before.endswith(gap):
            rest = before.removesuffix(gap)
            # A single line end is an empty line, unless somebody wrote a line of their own there.
            if gap.count("\n") > 1 or rest.endswith("\n"):
                before = rest
                break
    if before and after and not before.endswith("\n"):
        before += newline
    rest = before + after
    return None if written.created and not rest else as_bytes(rest)


def content_of(path: Path) -> bytes | None:
    """The content of a file, None where there is none; InputError where it cannot be read."""
    try:
        return read_file(path)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path}: it cannot be read: {reason(error)}; correct that first") from None


def digest_of(content: bytes) -> str:
    """Of a file's content, whatever line ends it has by now."""
    return hashlib.sha256(content.replace(b"\r\n", b"\n")).hexdigest()
