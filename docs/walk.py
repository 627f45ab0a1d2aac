"""Run the commands of the pages and write their real output below them.

``python docs/walk.py [PAGE...]`` runs all pages by default.

A page's ``console`` blocks hold commands after ``$`` and their output. The blocks of a page run in order,
and each command starts in the folder where the one before ended, so that a page creates one demo and keeps
using it. No output is masked: all commits have one date, git and callint have no configuration, and lines
have 80 columns. So every machine prints the same, ids of commits included. The tests fail if a page does not
show today's output.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
#: Every page for users, by its path from the top.
PAGES = tuple(
    path.relative_to(ROOT).as_posix()
    for path in (*sorted(ROOT.glob("*.md")), *sorted((ROOT / "docs").rglob("*.md")))
)

_BLOCK = re.compile(r"(?<=^```console\n).*?(?=^```$)", re.MULTILINE | re.DOTALL)
_DATE = "2026-04-08T07:30:00+0200"
#: Printed after a command's output, to pass the shell's folder to the next command.
_MARK = "\x1efolder "


def blocks(page: str) -> list[str]:
    """The console blocks of a page, without their fences."""
    return _BLOCK.findall(page)


def walked(page: str, folder: Path, program: str = f"'{sys.executable}' -m callint") -> str:
    """The page with the current output of its commands, run in an empty folder.

    ``program`` is the shell command that starts callint.
    """
    (folder / "bin").mkdir()
    (folder / "home").mkdir()
    (folder / "work").mkdir()
    launcher = folder / "bin" / "callint"
    launcher.write_text(f'#!/bin/sh\nexec {program} "$@"\n', "utf-8")
    launcher.chmod(0o755)
    place = folder / "work"

    def run(block: re.Match[str]) -> str:
        nonlocal place
        lines = []
        for command in re.findall(r"^\$ (.*(?:\n> .*)*)$", block[0], re.MULTILINE):
            output, place = _run(command.replace("\n> ", "\n"), place, folder)
            lines += [f"$ {command}\n", output]
        return "".join(lines)

    return _BLOCK.sub(run, page)


def _run(command: str, place: Path, folder: Path) -> tuple[str, Path]:
    """The output of a command, on both streams, and the folder in which it leaves the shell."""
    done = subprocess.run(
        ["bash", "-c", f'{command}\nprintf "{_MARK}%s" "$PWD"'],
        cwd=place,
        env=_environment(folder),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    output, _, now = done.stdout.decode("utf-8", "backslashreplace").rpartition(_MARK)
    lines = [line.rstrip() for line in output.splitlines()]
    return "".join(f"{line}\n" for line in lines), Path(now)


def _environment(folder: Path) -> dict[str, str]:
    foreign = ("GIT_", "PYTHON", "CALLINT_", "LC_", "XDG_")
    kept = {name: value for name, value in os.environ.items() if not name.startswith(foreign)}
    return {
        **kept,
        "PATH": os.pathsep.join([str(folder / "bin"), kept.get("PATH", os.defpath)]),
        "HOME": str(folder / "home"),
        "LANG": "C.UTF-8",
        "TERM": "dumb",
        "PYTHONPATH": str(ROOT),
        "PYTHONUTF8": "1",
        "PYTHONDONTWRITEBYTECODE": "1",
        "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_CONFIG_NOSYSTEM": "1",
        "GIT_PAGER": "cat",
        "GIT_EDITOR": "true",
        "GIT_AUTHOR_DATE": _DATE,
        "GIT_COMMITTER_DATE": _DATE,
    }


if __name__ == "__main__":
    for name in sys.argv[1:] or PAGES:
        path = ROOT / name
        text = path.read_text("utf-8")
        if blocks(text):
            with tempfile.TemporaryDirectory() as scratch:
                path.write_text(walked(text, Path(scratch)), "utf-8")
