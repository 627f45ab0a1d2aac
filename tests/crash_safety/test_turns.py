"""Runs that change one file take turns: each reads what the one before it left, and nothing gets between."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from callint.reading import locks
from callint.reading.temp_files import temporary_name
from tests.crash_safety.test_nothing_lost import COMMANDS, Another, contents, is_litter, merged_before
from tests.hostile.repository import BASE, HERON
from tests.running import HULL, Result, call, edited, run

pytestmark = pytest.mark.skipif(os.name == "nt", reason="folders cannot be locked there")

#: The commands that read a file and replace it, or files that belong together, with the folder of their turn.
TURNS = {
    "init": ".git",
    "init --undo": ".git",
    "waive": ".",
    "waive --from-review": ".",
    "seal": "boats",
    "set": "boats",
    "apply": "boats",
    "restore": "boats",
    "merge": ".",
    "merge with conflicts": "boats",
    "merge with conflicts again": "boats",
    "merge whose conflicts are gone": "boats",
    "merge of definitions": ".",
    "merge driver": "boats",
}


def after_each(
    monkeypatch: pytest.MonkeyPatch, owner: ModuleType, name: str, deed: Callable[[], Any], times: int = 100
) -> None:
    """Do something after each of the first calls of a function."""
    real, numbers = getattr(owner, name), iter(range(times))

    def called(*arguments: Any, **more: Any) -> Any:
        result = real(*arguments, **more)
        if next(numbers, None) is not None:
            deed()
        return result

    monkeypatch.setattr(owner, name, called)


GONE = ("merge", BASE, "boats/owl.bin", BASE, "--to", "boats/new.bin")


@pytest.mark.parametrize("name", TURNS)
def test_a_command_waits_for_its_turn_and_keeps_it_until_all_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    make, arguments = {**COMMANDS, "merge whose conflicts are gone": (merged_before, GONE)}[name]
    make(tmp_path)
    folder, old = tmp_path / TURNS[name], contents(tmp_path)
    seen: list[dict[str, bytes]] = []
    Another(folder, monkeypatch, lambda: seen.append(contents(tmp_path)))
    free: list[bool] = []

    def could_lock() -> None:
        with locks.folder_lock(folder) as is_free:
            free.append(is_free)

    after_each(monkeypatch, os, "fsync", could_lock)
    after_each(monkeypatch, os, "unlink", could_lock)
    assert call(*arguments, cwd=tmp_path).status in (0, 1)
    assert seen == [old]
    assert contents(tmp_path) != old
    assert free and not any(free)
    with locks.folder_lock(folder) as is_free:
        assert is_free, "another run has its turn afterwards"


@pytest.mark.parametrize("name", ["set", "apply", "restore"])
def test_an_edit_is_made_in_the_image_that_another_run_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    make, arguments = COMMANDS[name]
    made = make(tmp_path / "start")
    left = edited((made.root / HERON).read_bytes(), {HULL: b"HERON-9     "}, seal=False)
    shutil.copytree(made.root, tmp_path / "later")
    (tmp_path / "later" / HERON).write_bytes(left)
    assert call(*arguments, cwd=tmp_path / "later").status == 0
    Another(made.root / "boats", monkeypatch, lambda: made.write(HERON, left))
    assert made.call(*arguments).status == 0
    assert contents(made.root) == contents(tmp_path / "later")


def test_a_repository_that_another_run_set_up_meanwhile_is_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make, arguments = COMMANDS["init"]
    made = make(tmp_path / "start")
    shutil.copytree(made.root, tmp_path / "other", symlinks=True)
    assert call(*arguments, cwd=tmp_path / "other").status == 0
    again = call(*arguments, cwd=tmp_path / "other")

    def set_up() -> None:
        shutil.copytree(tmp_path / "other", made.root, symlinks=True, dirs_exist_ok=True)

    Another(made.root / ".git", monkeypatch, set_up)
    assert made.call(*arguments) == again
    assert contents(made.root) == contents(tmp_path / "other")


@pytest.mark.parametrize(
    ("name", "owner", "moment"),
    [("diff --output", tempfile, "mkstemp"), ("diff --output", os, "fsync"), ("release", os, "fsync")],
)
def test_a_run_leaves_the_unfinished_files_of_another_run_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, owner: ModuleType, moment: str
) -> None:
    make, arguments = COMMANDS[name]
    make(tmp_path)
    others: list[tuple[Result, dict[str, bytes]]] = []

    def other_run() -> None:
        result = run(*arguments, cwd=tmp_path)
        others.append((result, contents(tmp_path)))

    after_each(monkeypatch, owner, moment, other_run, times=1)
    result = call(*arguments, cwd=tmp_path)
    ((other, left),) = others
    assert result == other and result.status in (0, 1)
    assert contents(tmp_path) == {path: data for path, data in left.items() if not is_litter(path)}


def test_a_second_demo_leaves_the_unfinished_one_alone(tmp_path: Path) -> None:
    prefix, suffix = temporary_name(Path("skerry-demo"))
    making = tmp_path / f"{prefix}a1b2c3d4{suffix}"
    making.mkdir()
    (making / "started").write_bytes(b"")
    with locks.folder_lock(making):
        result = run("demo", cwd=tmp_path)
    assert "skerry-demo: another callint demo is creating it; wait for it" in result.error
    assert contents(tmp_path) == {f"{making.name}/started": b""}
