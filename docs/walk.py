"""Runs the commands of the pages and puts down what they really print: python docs/walk.py [PAGE...]

A page's ``console`` blocks hold commands behind ``$`` and their output. All blocks of a page are one walk,
in one shell's folder after the other, so that a page makes one demo and goes on with it. No output is masked:
all commits have one date, git and callint know no configuration, and lines have 80 columns, so that the same
is printed on every machine, ids of commits included. The tests fail when a page does not show what is printed
today.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
#: Every page that users read, by its path from the top.
PAGES = tuple(
    path.relative_to(ROOT).as_posix()
    for path in (*sorted(ROOT.glob("*.md")), *sorted((ROOT / "docs").rglob("*.md")))
)

_BLOCK = re.compile(r"(?<=^```console\n).*?(?=^```$)", re.MULTILINE | re.DOTALL)
_DATE = "2026-04-08T07:30:00+0200"
#: Printed behind a command's output, to carry the shell's folder on to the next command.
_MARK = "\x1efolder "


def blocks(page: str) -> list[str]:
    """The console blocks of a page, without their fences."""
    return _BLOCK.findall(page)


def walked(page: str, folder: Path, program: str = f"'{sys.executable}' -m callint") -> str:
    """The page with the output of its commands as they print it now, run in an empty folder.

    ``program`` is how a shell starts callint.
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
    """What a command prints, on either stream, and the folder it leaves the shell in."""
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
