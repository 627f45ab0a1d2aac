"""The git program: started without a shell, its words and its output as bytes.

A library would do as much, and takes longer to import than a commit hook has.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

from callint.model.errors import InputError

#: What git says is read, so that it must say it in one language.
_LANGUAGE = {"LANGUAGE": "C", "LC_ALL": "C"}


class GitError(Exception):
    """Git ended with another status than 0; ``said`` is what it wrote to its standard error."""

    def __init__(self, said: str) -> None:
        super().__init__(said)
        self.said = said

    @property
    def reason(self) -> str:
        """The last line of what it said."""
        lines = self.said.strip().splitlines()
        return lines[-1].strip() if lines else "failed"


def start(
    words: list[str], folder: Path, environment: Mapping[str, str], stdin: int, stderr: int
) -> subprocess.Popen[bytes]:
    """A git process with its output in a pipe; ``environment`` is beside that of this process.

    Raises InputError where there is no git, and OSError where there is no such folder.
    """
    if sys.platform == "win32":
        # Windows would find a git.exe in a stranger's working tree before the installed one.
        os.environ.setdefault("NoDefaultCurrentDirectoryInExePath", "1")
    try:
        return subprocess.Popen(
            ["git", *words],
            cwd=folder,
            env={**os.environ, **_LANGUAGE, **environment},
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=stderr,
        )
    except OSError:
        if not folder.is_dir():
            raise
        raise InputError("git: the program is not found; install git 2.39 or newer") from None


def output(
    words: list[str], folder: Path, environment: Mapping[str, str], patience: float | None = None
) -> bytes:
    """What a git command prints when it is run in a folder.

    Raises GitError where it fails, InputError where there is no git, OSError where there is no such folder,
    and subprocess.TimeoutExpired where it takes longer than ``patience`` in seconds; then it is ended.
    """
    with start(words, folder, environment, subprocess.DEVNULL, subprocess.PIPE) as process:
        try:
            printed, said = process.communicate(timeout=patience)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    if process.returncode:
        raise GitError(os.fsdecode(said))
    return printed
