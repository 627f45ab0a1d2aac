"""Mutants in a copy of the project, where whole files of tests run, with all processes that they start."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType

import psutil

from tests.mutation.trials import MutantStatus

#: What the tests there need.
_COPIED = ("callint", "tests", "schemas", "fixtures", "docs", "pyproject.toml", "README.md", "SECURITY.md")
#: They may take this many times as long as without a mutant, and these seconds more.
_TIMES, _MORE = 3, 30
#: They have this long without one.
_LONGEST = 900.0


class Copy:
    """A copy of the project, made when it is first asked for and removed at the end."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="callint-apart-"))
        self._usual: dict[tuple[str, ...], float | None] = {}

    def __enter__(self) -> Copy:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        shutil.rmtree(self._folder, ignore_errors=True)

    def fate(self, path: Path, text: str, tests: Sequence[str]) -> tuple[MutantStatus, str] | None:
        """Killed or timeout, with the test that noticed; None where none of these tests notices.

        Where they fail or hang without a mutant too, nothing can be said: it has survived.
        """
        if not self._usual:
            for name in _COPIED:
                take = shutil.copytree if Path(name).is_dir() else shutil.copy
                take(name, self._folder / name)
        asked = tuple(tests)
        if asked not in self._usual:
            began = time.monotonic()
            passed = self._run(asked, _LONGEST) == ""
            self._usual[asked] = time.monotonic() - began if passed else None
        usual = self._usual[asked]
        if usual is None:
            sys.stderr.write(f"{' '.join(asked)}: fail without any mutant\n")
            return None
        own = self._folder / path
        kept = own.read_bytes()
        own.write_text(text, "utf-8")
        try:
            said = self._run(asked, _MORE + _TIMES * usual)
        finally:
            own.write_bytes(kept)
        if said is None:
            return MutantStatus.TIMEOUT, ""
        return (MutantStatus.KILLED, said) if said else None

    def _run(self, tests: tuple[str, ...], seconds: float) -> str | None:
        """The test that fails first, "" where all pass, None where they take too long."""
        own = self._folder / "running"
        own.mkdir()
        with (own / "said").open("w+", encoding="utf-8") as said:
            process = subprocess.Popen(
                [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests],
                cwd=self._folder,
                # CI has hypothesis make the same examples each time; bytecode could be that of another text.
                env={
                    **os.environ,
                    "TMPDIR": str(own),
                    "PYTHONPATH": str(self._folder),
                    "PYTHONDONTWRITEBYTECODE": "1",
                    "CI": "1",
                },
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
            try:
                status = process.wait(seconds)
            except subprocess.TimeoutExpired:
                return None
            finally:
                _end(own)
                process.wait()
                said.seek(0)
                failed = [line for line in said if line.startswith(("FAILED", "ERROR"))]
                shutil.rmtree(own, ignore_errors=True)
        return "" if status == 0 else (failed or ["with another status"])[0].partition(" - ")[0].strip()


def _end(folder: Path) -> None:
    """End every process that has this folder for its temporary files, in whatever session it is."""
    for process in psutil.process_iter():
        with suppress(psutil.Error):
            if process.environ().get("TMPDIR") == str(folder):
                process.kill()
