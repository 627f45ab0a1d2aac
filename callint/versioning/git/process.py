"""The git program, started without a shell, its output as bytes.

A library would do the same, but takes longer to import than a commit hook has.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from callint.model.errors import InputError

_ENVIRONMENT = {
    # callint reads git's messages, so they must be in one language.
    "LANGUAGE": "C",
    "LC_ALL": "C",
    # In a partial clone git would fetch missing objects, by any program that a stranger's config names.
    # callint treats a missing object as missing.
    "GIT_NO_LAZY_FETCH": "1",
    "GIT_ALLOW_PROTOCOL": "none",
    # Anybody who may push may push a reference below refs/replace/, which makes git return one object in
    # place of another. callint must judge the commit that colleagues get.
    "GIT_NO_REPLACE_OBJECTS": "1",
    # info/grafts gives commits other parents. No file can have this name, so git reads none; git would warn
    # about an empty file.
    "GIT_GRAFT_FILE": f"{os.devnull}/none",
    # Git must not take a lock or write a file for its own convenience.
    "GIT_OPTIONAL_LOCKS": "0",
}
#: callint reads where a shallow clone ends from the repository's own file; this variable names another.
_DROPPED = ("GIT_SHALLOW_FILE",)

#: Settings that override those of a repository, of its user or of a hook's caller.
_SETTINGS = (
    # Before 2.42 a repository that sets this to true overrides GIT_NO_REPLACE_OBJECTS in some commands.
    "core.useReplaceRefs=false",
    # The commit-graph repeats the parents of commits, and git does not verify it.
    "core.commitGraph=false",
    # It may name a program.
    "core.fsmonitor=false",
    "i18n.logOutputEncoding=UTF-8",
    # Git must warn about a name that stands for two commits.
    "core.warnAmbiguousRefs=true",
    # With a value below zero git would wait forever for a lock that somebody left behind.
    "core.filesRefLockTimeout=1000",
    "core.packedRefsTimeout=1000",
)
_OPTIONS = [argument for setting in _SETTINGS for argument in ("-c", setting)]


class GitError(Exception):
    """Git exited with a status other than 0; ``stderr`` is what it wrote to its standard error."""

    def __init__(self, stderr: str) -> None:
        super().__init__(stderr)
        self.stderr = stderr

    @property
    def reason(self) -> str:
        """The last line of its standard error."""
        lines = self.stderr.strip().splitlines()
        return lines[-1].strip() if lines else "failed"


def start(arguments: list[str], folder: Path, stdin: int, stderr: int) -> subprocess.Popen[bytes]:
    """Start git in a folder with its output in a pipe. It reads only objects that are present, unreplaced.

    Raises InputError if git is not installed, and OSError if the folder does not exist.
    """
    if sys.platform == "win32":
        # Windows would find a git.exe in a stranger's working tree before the installed one.
        os.environ.setdefault("NoDefaultCurrentDirectoryInExePath", "1")
    inherited = {name: value for name, value in os.environ.items() if name not in _DROPPED}
    try:
        return subprocess.Popen(  # noqa: S603 - git alone, without a shell; its arguments are checked above
            ["git", *_OPTIONS, *arguments],  # noqa: S607 - the git of the user
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


def require() -> None:
    """InputError if git is not installed, or if it does not even print its version."""
    try:
        output(["version"], Path.cwd())
    except GitError as error:
        raise InputError(
            f"git: the program does not run ({error.reason}); correct its settings or its installation"
        ) from None


def output(arguments: list[str], folder: Path, timeout: float | None = None) -> bytes:
    """The standard output of a git command that runs in a folder; errors as ``output_and_warnings``."""
    return output_and_warnings(arguments, folder, timeout)[0]


def output_and_warnings(
    arguments: list[str], folder: Path, timeout: float | None = None
) -> tuple[bytes, str]:
    """The standard output and the standard error of a git command that runs in a folder.

    Raises GitError if the command fails, InputError if git is not installed, OSError if the folder does not
    exist, and subprocess.TimeoutExpired after ``timeout`` seconds, when it kills the command.
    """
    with start(arguments, folder, subprocess.DEVNULL, subprocess.PIPE) as process:
        try:
            printed, stderr = process.communicate(timeout=timeout)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    if process.returncode:
        raise GitError(os.fsdecode(stderr))
    return printed, os.fsdecode(stderr)
