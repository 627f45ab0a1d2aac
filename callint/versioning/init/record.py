"""The record of what callint init wrote in a clone, in git's own folder.

The record in a stranger's clone may say anything. callint only touches what it names if the place and the
content also show that callint init wrote it (``versioning/init/undo.py``).
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

#: The settings that callint init writes.
SETTINGS = (
    "diff.callint.command",
    "diff.callint.textconv",
    "diff.callint.cachetextconv",
    "diff.callint.binary",
    "diff.callint-definition.command",
    "diff.callint-definition.textconv",
    "merge.callint.name",
    "merge.callint.driver",
)

_FORMAT = "callint-init"
#: What may separate a file's own lines from a block.
_GAPS = ("\n", "\n\n", "\r\n", "\r\n\r\n")


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """A file that callint init wrote: its digest, or None if callint init wrote only a block of it.

    ``gap`` is the text before the block. ``created`` says that callint init created the file.
    """

    digest: str | None
    gap: str
    created: bool


@dataclass(slots=True)
class Record:
    """The files, settings and folders of callint init in a clone.

    ``files`` and ``folders`` are paths from git's own folder. ``old`` is the record's present content.
    """

    path: Path
    old: bytes | None
    files: dict[str, RecordedFile] = field(default_factory=dict)
    settings: dict[str, str] = field(default_factory=dict)
    folders: set[str] = field(default_factory=set)

    def key(self, path: Path) -> str:
        return Path(os.path.relpath(path, self.path.parent)).as_posix()

    def place(self, key: str) -> Path:
        return Path(os.path.normpath(self.path.parent / key))

    def step(self) -> FileStep | None:
        """The step that writes the record, or removes an empty one; None if the record stays the same."""
        content = {
            "format": _FORMAT,
            "version": 1,
            "files": {
                key: {"digest": file.digest, "gap": file.gap, "created": file.created}
                for key, file in sorted(self.files.items())
            },
            "settings": dict(sorted(self.settings.items())),
            "folders": sorted(self.folders),
        }
        is_empty = not (self.files or self.settings or self.folders)
        new = None if is_empty else (json.dumps(content, indent=1) + "\n").encode("ascii")
        return None if new == self.old else FileStep(self.path, self.old, new, "the record")


def read_record(repo: Repo) -> Record:
    """The record of a clone, empty if the file does not exist; InputError if the file is not a record."""
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
            _path(key): RecordedFile(_text(file["digest"], None), _text(file["gap"]), file["created"] is True)
            for key, file in content["files"].items()
        }
        settings = {key: _text(value) for key, value in content["settings"].items() if key in SETTINGS}
        return Record(path, old, files, settings, {_path(folder) for folder in content["folders"]})
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise InputError(
            f"{path}: this is not a record of callint init; remove it and run callint init again"
        ) from None


def _text(value: Any, *alternatives: object) -> Any:
    if not isinstance(value, str) and value not in alternatives:
        raise TypeError
    return value


def _path(value: Any) -> str:
    if not isinstance(value, str) or "\0" in value:
        raise TypeError
    return value


def remove_own_content(old: bytes, recorded: RecordedFile) -> bytes | None:
    """A file without what callint init wrote into it; ``old`` itself if somebody edited that.

    None if callint init created the file and nothing else is left in it.
    """
    if recorded.digest == digest_of(old):
        return None
    text, newline = as_text(old)
    own_block = find(text)
    if own_block is None or own_block.is_edited:
        return old
    before, after = text[: own_block.start], text[own_block.end :]
    # Git and editors may have changed the line ends since.
    for gap in (recorded.gap, recorded.gap.replace("\r\n", "\n").replace("\n", newline)):
        if gap in _GAPS and before.endswith(gap):
            rest = before.removesuffix(gap)
            # A single line end is an empty line, unless somebody wrote a line of their own in its place.
            if gap.count("\n") > 1 or rest.endswith("\n"):
                before = rest
                break
    if before and after and not before.endswith("\n"):
        before += newline
    rest = before + after
    return None if recorded.created and not rest else as_bytes(rest)


def content_of(path: Path) -> bytes | None:
    """The content of a file, None if it does not exist; InputError if it is unreadable."""
    try:
        return read_file(path)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path}: it cannot be read: {reason(error)}; correct that first") from None


def digest_of(content: bytes) -> str:
    """The digest of a file's content, independent of its line ends."""
    return hashlib.sha256(content.replace(b"\r\n", b"\n")).hexdigest()
