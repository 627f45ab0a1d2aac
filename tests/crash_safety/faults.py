"""Runs one command again and again, each time in a new copy of a folder, and stops it one step later.

``python -m tests.crash_safety.faults FOLDER FAULT COMMAND...`` copies ``FOLDER/start`` to ``FOLDER/N`` for
each step N of the command, from 1 on, and runs the command there. A step is whatever changes the disk: a
file that is opened for writing, written, synced, renamed, removed or given a mode, a folder that is made, a
program that is started. FAULT is what happens at step N: ``kill`` ends the process by SIGKILL, half way
through a write; ``ENOSPC`` and ``EACCES`` are errors that the system reports. Each copy is kept as it was
then, and the same command runs once more without a fault in ``FOLDER/N.again``. Prints a list of what
happened as JSON.
"""

from __future__ import annotations

import errno
import gc
import json
import os
import shutil
import signal
import sys
from contextlib import chdir, redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

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


class Faults:
    """Counts the steps of this process, and lets the fault happen at one of them."""

    def __init__(self, fault: str, at: int, report: Path) -> None:
        self.fault, self.at, self.report = fault, at, report
        self.count = 0
        self.is_over = False
        real_sync, real_fdopen = os.fsync, os.fdopen
        sys.addaudithook(self.heard)

        def sync(handle: int) -> None:
            self.step("fsync")
            real_sync(handle)

        def opened(*arguments: Any, **more: Any) -> Any:
            return Writer(real_fdopen(*arguments, **more), self)

        os.fsync, os.fdopen = sync, opened  # type: ignore[assignment]

    def heard(self, event: str, arguments: tuple[Any, ...]) -> None:
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
        self.count += 1
        if self.count == self.at:
            self.is_over = True
            self.report.write_text(what)
            if self.fault == "kill":
                os.kill(os.getpid(), signal.SIGKILL)
            elif not is_program:
                number = getattr(errno, self.fault)
                raise OSError(number, os.strerror(number))


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


def run(folder: Path, arguments: list[str], fault: str = "", at: int = 0) -> tuple[int, str]:
    """Run a command in a process of its own; its exit status, negative for a signal, and what it said."""
    said = folder.with_name(f"{folder.name}.said")
    child = os.fork()
    if not child:
        status = 99
        try:
            os.chdir(folder)
            output = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(output, 1)
            os.dup2(output, 2)
            sys.stdout = os.fdopen(1, "w", closefd=False)
            sys.stderr = os.fdopen(2, "w", closefd=False)
            faults = Faults(fault, at, folder.with_name(f"{folder.name}.step")) if fault else None
            status = main(arguments)
            sys.stdout.flush()
            sys.stderr.flush()
            if faults:
                faults.is_over = True
                folder.with_name(f"{folder.name}.count").write_text(str(faults.count))
        finally:
            os._exit(status)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), said.read_text("utf-8", "replace")


def _warm(folder: Path, arguments: list[str]) -> None:
    """Run the command once in this process, so that those that are forked from it have all imports."""
    shutil.copytree(folder / "start", folder / "warm", symlinks=True)
    with chdir(folder / "warm"), redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        main(arguments)


def _chosen(count: int) -> list[int]:
    """The steps at which a fault happens: all of a few; of many some, most of them near the end."""
    if count <= _MOST:
        return list(range(1, count + 1))
    return sorted({1, 2, 3, *range(10, count, count // 4), *range(count - 7, count + 1)})


def all_faults(folder: Path, fault: str, arguments: list[str]) -> list[dict[str, Any]]:
    """What each fault led to, in the order of the steps; ``at`` is the number of the step."""
    _warm(folder, arguments)
    gc.collect()
    gc.freeze()
    counted = folder / "counted"
    shutil.copytree(folder / "start", counted, symlinks=True)
    run(counted, arguments, fault, sys.maxsize)
    result = []
    for at in _chosen(int((folder / "counted.count").read_text())):
        copy, again = folder / str(at), folder / f"{at}.again"
        shutil.copytree(folder / "start", copy, symlinks=True)
        status, said = run(copy, arguments, fault, at)
        shutil.copytree(copy, again, symlinks=True)
        second, _ = run(again, arguments)
        step = (folder / f"{at}.step").read_text()
        result.append({"at": at, "step": step, "status": status, "said": said, "again": second})
    return result


if __name__ == "__main__":
    sys.stdout.write(json.dumps(all_faults(Path(sys.argv[1]), sys.argv[2], sys.argv[3:])))
