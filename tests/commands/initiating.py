"""What the tests of callint init have in common."""

from __future__ import annotations

import os
import re
from pathlib import Path

from tests.running import Result, Scratch, steering, too_wide

KEYS = (
    "diff.callint.command",
    "diff.callint.textconv",
    "diff.callint.cachetextconv",
    "diff.callint.binary",
    "diff.callint-definition.command",
    "diff.callint-definition.textconv",
    "merge.callint.name",
    "merge.callint.driver",
)
DONE = "Everything is set up already."
FOREIGN_HOOK = "#!/bin/sh\necho mine\n"
FRAMEWORK = """\
# What is checked here.
default_language_version:
  python: python3
repos:
  - repo: local
    hooks:
      - id: nothing
        name: nothing
        entry: git --version
        language: system
"""


def state(folder: Path, times: bool = False) -> dict[str, object]:
    """Everything below a folder, git's own files and empty folders too: content, mode, time if asked."""
    actual: dict[str, object] = {}
    waiting = [(str(folder), "")]
    while waiting:
        place, above = waiting.pop()
        with os.scandir(place) as entries:  # a quarter of the time of Path.rglob
            for entry in entries:
                name = above + entry.name
                if entry.is_symlink():
                    actual[name] = Path(os.readlink(entry.path))  # noqa: PTH115 (quick)
                elif entry.is_dir():
                    actual[name] = "folder"
                    waiting.append((entry.path, f"{name}/"))
                else:
                    status = entry.stat()
                    with open(entry.path, "rb", buffering=0) as file:  # noqa: PTH123 (quick)
                        actual[name] = (file.read(), status.st_mode, status.st_mtime_ns if times else 0)
    return actual


def settings(scratch: Scratch) -> dict[str, str]:
    """The settings that are callint's."""
    fields = scratch.must("config", "--local", "--null", "--list").split("\0")
    pairs = (field.split("\n", 1) for field in fields if "\n" in field)
    return {key: value for key, value in pairs if re.search(r"\.callint[.-]", key)}


def attributes(scratch: Scratch, *paths: str) -> dict[str, tuple[str, str, str]]:
    """What git says of text, diff and merge for paths from the top."""
    fields = scratch.must("check-attr", "-z", "text", "diff", "merge", "--", *paths).split("\0")
    actual: dict[str, list[str]] = {}
    for path, value in zip(fields[0::3], fields[2::3], strict=False):
        actual.setdefault(path, []).append(value)
    return {path: (text, diff, merge) for path, (text, diff, merge) in actual.items()}


OURS = ("unset", "callint", "callint")
NOBODYS = ("unspecified", "unspecified", "unspecified")


def done(result: Result) -> Result:
    """A run that succeeded, readable on a terminal of 80 columns."""
    assert result.status == 0, result
    assert result.stderr == ""
    assert too_wide(result.stdout) == []
    assert steering(result.stdout) == []
    return result


def is_executable(path: Path) -> bool:
    return os.name == "nt" or os.access(path, os.X_OK)
