"""Runs one command again and again and stops it one step later each time.

``python -m tests.crash_safety.faults FOLDER FAULT[,FAULT...] COMMAND...`` runs the command in copies of
``FOLDER/start``. A step is whatever changes the disk: a file that is opened for writing, written, synced,
renamed, removed or given a mode, a folder that is made, a program that is started. FAULT is what happens at
step N, from 1 on: ``kill`` ends the process by SIGKILL, half way through a write; ``ENOSPC`` and ``EACCES``
are errors that the system reports. ``kill:2`` happens at a step half way and at the last two steps, and
``EACCES:kinds`` at the first step of each kind.

SIGKILL leaves the disk as it is at that time. So one run is copied at each step, and one more run is really
killed, which has to leave the same. A program is started or not: no such error happens there.

States of the folder that are equal in every name, mode and byte are kept once, and the same command runs
once more without a fault in a copy of each. Prints a list of what happened for each fault as JSON: ``left``
is the folder with the state after the fault, ``after`` the one after the second run.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import signal
import stat
import sys
from collections.abc import Collection
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

from callint.__main__ import main

_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
#: Steps by the names of Python's audit events.
_STEPS = {
    "os.rename",
    "os.remove",
    "os.mkdir",
    "os.rmdir",
    "os.chmod",
    "os.link",
    "os.symlink",
    "os.truncate",
}
_MOST = 60
#: In place of a fault: the folder is copied.
COPIES = "copies"


class Faults:
    """Counts the steps of this process, and lets the fault happen at one of them."""

    def __init__(self) -> None:
        self.begin("", 0, Path())
        self.is_over = True
        real_sync, real_fdopen = os.fsync, os.fdopen
        sys.addaudithook(self.heard)

        def sync(handle: int) -> None:
            self.step("fsync")
            real_sync(handle)

        def opened(*arguments: Any, **more: Any) -> Any:
            return Writer(real_fdopen(*arguments, **more), self)

        os.fsync, os.fdopen = sync, opened  # type: ignore[assignment]

    def begin(self, fault: str, at: int, folder: Path, copied: Collection[int] = ()) -> None:
        """Count the steps of the next command from 1 on; the fault happens at one of them."""
        self.fault, self.at = fault, at
        self.steps: list[str] = []
        self.copies = Copies(folder, copied)
        self.is_over = False

    def heard(self, event: str, arguments: tuple[Any, ...]) -> None:
        if self.is_over:
            return
        if event == "open" and isinstance(arguments[2], int) and arguments[2] & _WRITING:
            if not isinstance(arguments[0], int) and str(arguments[0]) != os.devnull:
                self.step(f"open {Path(os.fsdecode(arguments[0])).name}")
        elif event in _STEPS:
            self.step(f"{event} {arguments[0]!s}")
        elif event == "subprocess.Popen":
            self.step(f"start {' '.join(map(str, arguments[1]))}"[:120], is_program=True)

    def step(self, what: str, is_program: bool = False) -> None:
        if self.is_over:
            return
        self.steps.append(what)
        if self.fault == COPIES:
            self.is_over = True
            self.copies.keep(len(self.steps))
            self.is_over = False
        elif len(self.steps) == self.at:
            self.is_over = True
            if self.fault == "kill":
                os.kill(os.getpid(), signal.SIGKILL)
            elif not is_program:
                number = getattr(errno, self.fault)
                raise OSError(number, os.strerror(number))


class Copies:
    """Copies of a folder at some steps, beside it, one of each of its states."""

    def __init__(self, folder: Path, wanted: Collection[int]) -> None:
        self.folder, self.wanted = folder, wanted
        #: The copy at each step, and that of each state.
        self.at: dict[int, str] = {}
        self.of: dict[str, str] = {}

    def keep(self, step: int) -> None:
        if step in self.wanted:
            state = state_of(self.folder)
            if state not in self.of:
                self.of[state] = str(step)
                shutil.copytree(self.folder, self.folder.with_name(str(step)), symlinks=True)
            self.at[step] = self.of[state]


def state_of(folder: Path) -> str:
    """A digest of every name, mode and byte in a folder."""
    digest = hashlib.sha256()
    for top, folders, files in os.walk(folder):
        folders.sort()
        for name in sorted([*folders, *files]):
            path = Path(top, name)
            mode = path.lstat().st_mode
            digest.update(f"{path.relative_to(folder).as_posix()!r} {mode} ".encode())
            if stat.S_ISLNK(mode):
                digest.update(os.fsencode(path.readlink()))
            elif stat.S_ISREG(mode):
                content = path.read_bytes()
                digest.update(b"%d " % len(content) + content)
    return digest.hexdigest()


class Writer:
    """A file whose every write is a step that may end half way."""

    def __init__(self, file: Any, faults: Faults) -> None:
        self.file, self.faults = file, faults

    def __enter__(self) -> Writer:
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)

    def writelines(self, parts: Any) -> None:
        for part in parts:
            half = len(part) // 2
            self.file.write(part[:half])
            self.file.flush()
            self.faults.step("write")
            self.file.write(part[half:])


class Run(NamedTuple):
    """What a run led to: its exit status, what it said, its steps, and the copies."""

    status: int
    said: str
    steps: list[str]
    copies: dict[int, str]


class Runs:
    """Runs of one command in folders beside each other."""

    def __init__(self, arguments: list[str]) -> None:
        self.arguments = arguments
        self.faults = Faults()

    def run(self, folder: Path, fault: str = "", at: int = 0, copied: Collection[int] = ()) -> Run:
        """Run the command in this process; with the fault COPIES, copy the folder at some steps."""
        out, err = (folder.with_name(f"{folder.name}.{name}") for name in ("out", "err"))
        with (
            out.open("w", encoding="utf-8") as output,
            err.open("w", encoding="utf-8") as errors,
            chdir(folder),
            redirect_stdout(output),
            redirect_stderr(errors),
        ):
            self.faults.begin(fault, at, folder, copied)
            try:
                status = main(self.arguments)
            finally:
                self.faults.is_over = True
        said = out.read_text("utf-8", "replace") + err.read_text("utf-8", "replace")
        return Run(status, said, self.faults.steps, self.faults.copies.at)

    def kill(self, folder: Path, at: int) -> int:
        """Run the command in a process that is killed at a step; its exit status, negative for a signal."""
        child = os.fork()
        if not child:
            try:
                self.run(folder, "kill", at)
            finally:
                os._exit(99)
        _, status = os.waitpid(child, 0)
        return os.waitstatus_to_exitcode(status)


def _chosen(steps: list[str], which: str) -> list[int]:
    """The steps at which a fault happens: all of a few; of many some, most of them near the end.

    ``which`` asks for fewer: it is "kinds" or the number of the last steps.
    """
    count = len(steps)
    if which == "kinds":
        kinds = [step.partition(" ")[0] for step in steps]
        return [at for at, kind in enumerate(kinds, 1) if kind not in kinds[: at - 1]]
    if which:
        return [count // 2, *range(count - int(which) + 1, count + 1)]
    if count <= _MOST:
        return list(range(1, count + 1))
    return sorted({1, 2, 3, *range(10, count, count // 4), *range(count - 7, count + 1)})


def all_faults(folder: Path, faults: list[str], arguments: list[str]) -> dict[str, list[dict[str, Any]]]:
    """What each fault led to, in the order of the steps; ``at`` is the number of the step."""
    runs = Runs(arguments)
    counted = folder / "counted"
    for place in (folder / "warm", counted):  # the first run imports what is imported late, which is no step
        shutil.copytree(folder / "start", place, symlinks=True)
        clean = runs.run(place)
    # What starts from the same state ends as the run without a fault did.
    ends = {"start": ("counted", clean.status)}
    results = {}
    for fault in faults:
        kind, _, which = fault.partition(":")
        chosen = _chosen(clean.steps, which)
        results[fault] = (_kills if kind == "kill" else _errors)(folder, kind, runs, clean.steps, chosen)
        for item in results[fault]:
            left = item["left"]
            if left not in ends:
                again = folder / f"{left}.again"
                shutil.copytree(folder / left, again, symlinks=True)
                ends[left] = again.name, runs.run(again).status
            item["after"], item["again"] = ends[left]
    return results


def _kills(folder: Path, _: str, runs: Runs, steps: list[str], chosen: list[int]) -> list[dict[str, Any]]:
    """What is on the disk when the command is killed at some steps; at one of them it is killed."""
    copied, killed = folder / "copied", folder / "killed"
    for copy in (copied, killed):
        shutil.copytree(folder / "start", copy, symlinks=True)
    copies = runs.run(copied, COPIES, copied=chosen).copies
    result = [
        {"at": at, "step": steps[at - 1], "status": -signal.SIGKILL, "said": "", "left": copies[at]}
        for at in chosen
    ]
    renames = [at for at in chosen if steps[at - 1].startswith("os.rename")]
    at = renames[-1] if renames else chosen[-1]
    return [*result, {**result[chosen.index(at)], "status": runs.kill(killed, at), "left": "killed"}]


def _errors(
    folder: Path, fault: str, runs: Runs, steps: list[str], chosen: list[int]
) -> list[dict[str, Any]]:
    """What errors at some steps lead to; the next run goes on in the same folder if nothing in it changed."""
    states = {state_of(folder / "start"): "start"}
    result = []
    current: Path | None = None
    for at in chosen:
        if steps[at - 1].startswith("start "):
            continue
        if current is None:
            current = folder / f"{fault} at {at}"
            shutil.copytree(folder / "start", current, symlinks=True)
        end = runs.run(current, fault, at)
        left = states.setdefault(state_of(current), current.name)
        result.append({"at": at, "step": steps[at - 1], "status": end.status, "said": end.said, "left": left})
        if left != "start":
            current = None
    return result


if __name__ == "__main__":
    sys.stdout.write(json.dumps(all_faults(Path(sys.argv[1]), sys.argv[2].split(","), sys.argv[3:])))
