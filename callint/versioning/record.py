"""What callint init wrote in a clone, noted down inside git's own folder."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from callint.model.errors import InputError
from callint.reading.tree import read_file, reason
from callint.versioning import git
from callint.versioning.blocks import as_bytes, as_text, find

_FORMAT = "callint-init"


@dataclass(frozen=True, slots=True)
class FileStep:
    """A file that is written (``new``) or removed (None). ``old`` is its present content, None where absent.

    ``words`` say what it is about.
    """

    path: Path
    old: bytes | None
    new: bytes | None
    words: str
    executable: bool = False


@dataclass(slots=True)
class Written:
    """One file: the text that was put into it, None where the whole is ours; its digest; if it is new."""

    text: str | None
    digest: str
    created: bool


@dataclass(slots=True)
class Record:
    """What callint init wrote in a clone. ``files`` and ``folders`` are paths from git's own folder."""

    path: Path
    old: bytes | None
    files: dict[str, Written] = field(default_factory=dict)
    settings: dict[str, str] = field(default_factory=dict)
    folders: list[str] = field(default_factory=list)

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
                key: {"text": one.text, "digest": one.digest, "created": one.created}
                for key, one in sorted(self.files.items())
            },
            "settings": dict(sorted(self.settings.items())),
            "folders": sorted(self.folders),
        }
        is_empty = not (self.files or self.settings or self.folders)
        new = None if is_empty else (json.dumps(content, indent=1) + "\n").encode("ascii")
        return None if new == self.old else FileStep(self.path, self.old, new, "the record")


def read_record(repo: git.Repo) -> Record:
    path = git.common_folder(repo) / "callint" / "init.json"
    old = content_of(path)
    if old is None:
        return Record(path, None)
    try:
        content: Any = json.loads(old)
        if content["format"] != _FORMAT or content["version"] != 1:
            raise ValueError
        files = {
            str(key): Written(one["text"], str(one["digest"]), bool(one["created"]))
            for key, one in content["files"].items()
        }
        settings = {str(key): str(value) for key, value in content["settings"].items()}
        return Record(path, old, files, settings, [str(one) for one in content["folders"]])
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputError(f"{path}: this is no record of callint init; remove it, then call again") from None


def without(old: bytes, written: Written) -> bytes | None:
    """A file without what was written into it; ``old`` itself where that was edited.

    None where nothing is left of a file that was made for it.
    """
    text, newline = as_text(old)
    if written.text is None and digest_of(old) == written.digest:
        return None
    inserted = (written.text or "").replace("\r\n", "\n").replace("\n", newline)
    if inserted and text.count(inserted) == 1:
        rest = text.replace(inserted, "")
    else:
        found = find(text)
        if found is None or found.is_edited:
            return old
        rest = text[: found.start] + text[found.end :]
    return None if written.created and not rest else as_bytes(rest)


def content_of(path: Path) -> bytes | None:
    try:
        return read_file(path)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path}: it cannot be read: {reason(error)}; correct that first") from None


def digest_of(content: bytes) -> str:
    """Of a file's content, whatever line ends it has by now."""
    return hashlib.sha256(content.replace(b"\r\n", b"\n")).hexdigest()
