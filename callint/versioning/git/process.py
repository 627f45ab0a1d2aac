"""The git program: started without a shell, its words and its output as bytes.

A library would do as much, and takes longer to import than a commit hook has.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from callint.model.errors import InputError

_ENVIRONMENT = {
    # What git says is read, so that it must say it in one language.
    "LANGUAGE": "C",
    "LC_ALL": "C",
    # In a partial clone git fetches objects that are absent, by any program that a stranger's config names.
    # What is not here is not here.
    "GIT_NO_LAZY_FETCH": "1",
    "GIT_ALLOW_PROTOCOL": "none",
    # Anybody who may push may push a reference below refs/replace/, by which git gives the content of one
    # object for that of another. A judged commit has to be the commit that colleagues get.
    "GIT_NO_REPLACE_OBJECTS": "1",
    # info/grafts gives commits other parents. No file can have this name, so that there is none to read;
    # about an empty one git would complain.
    "GIT_GRAFT_FILE": f"{os.devnull}/none",
    # Nothing is written, and no lock is taken, only because it was convenient.
    "GIT_OPTIONAL_LOCKS": "0",
}
#: Only the repository's own file says where a shallow clone was cut off: callint reads that one.
_DROPPED = ("GIT_SHALLOW_FILE",)

#: What the settings of a repository, of its user or of a hook's caller must not change.
_SETTINGS = (
    # Before 2.42 a repository that sets this to true overrules GIT_NO_REPLACE_OBJECTS in some commands.
    "core.useReplaceRefs=false",
    # The commit-graph repeats the parents of commits, and nothing compares it with them.
    "core.commitGraph=false",
    # It may name a program.
    "core.fsmonitor=false",
    "i18n.logOutputEncoding=UTF-8",
    # A name that stands for two commits has to be told.
    "core.warnAmbiguousRefs=true",
    # Below zero git would wait for ever for a lock that somebody left behind.
    "core.filesRefLockTimeout=1000",
    "core.packedRefsTimeout=1000",
)
_WORDS = [word for setting in _SETTINGS for word in ("-c", setting)]


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


def start(words: list[str], folder: Path, stdin: int, stderr: int) -> subprocess.Popen[bytes]:
    """A git process with its output in a pipe, which reads the objects that are there and no others for them.

    Raises InputError where there is no git, and OSError where there is no such folder.
    """
    if sys.platform == "win32":
        # Windows would find a git.exe in a stranger's working tree before the installed one.
        os.environ.setdefault("NoDefaultCurrentDirectoryInExePath", "1")
    inherited = {name: value for name, value in os.environ.items() if name not in _DROPPED}
    try:
        return subprocess.Popen(
            ["git", *_WORDS, *words],
            cwd=folder,
            env={**inherited, **_ENVIRONMENT},
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=stderr,
        )
    except OSError:
        if not folder.is_dir():
            raise
        raise InputError("git: the program is not found; install git 2.39 or newer") from None


def output(words: list[str], folder: Path, patience: float | None = None) -> bytes:
    """What a git command prints when it is run in a folder.

    As ``answer``, without what it says besides.
    """
    return answer(words, folder, patience)[0]


def answer(words: list[str], folder: Path, patience: float | None = None) -> tuple[bytes, str]:
    """What a git command prints when it is run in a folder, and its warnings.

    Raises GitError where it fails, InputError where there is no git, OSError where there is no such folder,
    and subprocess.TimeoutExpired where it takes longer than ``patience`` in seconds; then it is ended.
    """
    with start(words, folder, subprocess.DEVNULL, subprocess.PIPE) as process:
        try:
            printed, said = process.communicate(timeout=patience)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    if process.returncode:
        raise GitError(os.fsdecode(said))
    return printed, os.fsdecode(said)
