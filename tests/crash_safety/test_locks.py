"""Locks that git leaves behind where it is killed: callint names them, and removes none."""

from __future__ import annotations

import os
import signal
import subprocess
from pathlib import Path

import pytest

from tests.hostile.repository import COMMANDS, hostile_repository
from tests.running import GOOD, Result, Scratch, environment, make_repository_yard

HERON = "boats/heron.bin"
KEPT = "refs/notes/textconv/callint"
#: The locks of whatever git writes.
LOCKS = (
    ".git/HEAD.lock",
    ".git/config.lock",
    ".git/index.lock",
    ".git/objects/info/commit-graph.lock",
    ".git/packed-refs.lock",
    ".git/refs/heads/main.lock",
    ".git/shallow.lock",
)


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "yard", heron=GOOD)


def whole(yard: Scratch) -> dict[str, bytes]:
    """Every file of the repository, git's own ones too."""
    actual = {str(path): path.read_bytes() for path in yard.root.rglob("*") if path.is_file()}
    config = str(yard.root / ".git/config")
    # Settings that are put back stand in another order, which means nothing.
    actual[config] = b"".join(sorted(actual[config].splitlines(keepends=True)))
    return actual


def refused(yard: Scratch, result: Result, lock: str) -> None:
    """The lock is named in the one line of an error, with what to do about it."""
    assert f"callint: {yard.root / lock}: another git command is running" in result.error
    assert "remove the file if none is running" in result.error


@pytest.mark.parametrize("arguments", [("init",), ("init", "--no-hook")])
def test_settings_that_are_locked_are_not_changed_and_nothing_else_is(
    yard: Scratch, arguments: tuple[str, ...]
) -> None:
    yard.write(".git/config.lock", b"")
    before = whole(yard)
    refused(yard, yard.call(*arguments), ".git/config.lock")
    assert whole(yard) == before
    (yard.root / ".git/config.lock").unlink()
    assert yard.call(*arguments).status == 0


@pytest.mark.parametrize("arguments", [("init",), ("init", "--dry-run")])
def test_a_lock_that_is_left_is_named_where_there_is_nothing_to_set(
    yard: Scratch, arguments: tuple[str, ...]
) -> None:
    assert yard.call("init").status == 0
    assert "config.lock" not in yard.call(*arguments).stdout
    yard.write(".git/config.lock", b"")
    before = whole(yard)
    result = yard.call(*arguments)
    assert result.status == 0
    assert ".git/config.lock: another git command is running" in result.flat
    assert "remove the file if none is running." in result.flat
    assert whole(yard) == before


def test_settings_that_are_locked_are_not_taken_back(yard: Scratch) -> None:
    assert yard.call("init").status == 0
    yard.write(".git/config.lock", b"")
    before = whole(yard)
    refused(yard, yard.call("init", "--undo"), ".git/config.lock")
    assert whole(yard) == before
    (yard.root / ".git/config.lock").unlink()
    assert yard.call("init", "--undo").status == 0


@pytest.mark.parametrize("lock", [f".git/{KEPT}.lock", ".git/packed-refs.lock"])
@pytest.mark.parametrize("patience", ["", "-1"])
def test_text_forms_that_are_locked_stay(yard: Scratch, lock: str, patience: str) -> None:
    assert yard.call("init").status == 0
    yard.must("update-ref", KEPT, "HEAD")
    yard.must("pack-refs", "--all")
    yard.must("update-ref", KEPT, "HEAD")
    yard.write(lock, b"")
    if patience:  # by which git waits for ever
        yard.must("config", "core.filesRefLockTimeout", patience)
        yard.must("config", "core.packedRefsTimeout", patience)
    before = whole(yard)
    refused(yard, yard.call("init", "--undo"), lock)
    assert whole(yard) == before
    (yard.root / lock).unlink()
    assert yard.call("init", "--undo").status == 0


def test_the_lock_of_a_linked_working_tree_is_that_of_all(yard: Scratch, tmp_path: Path) -> None:
    yard.must("worktree", "add", "--quiet", str(tmp_path / "linked"))
    yard.write(".git/config.lock", b"")
    refused(yard, Scratch(tmp_path / "linked").call("init"), ".git/config.lock")


def test_a_commit_is_judged_though_its_text_forms_cannot_be_renewed(yard: Scratch) -> None:
    assert yard.call("init").status == 0
    yard.write(".git/config.lock", b"")
    policy = (yard.root / "callint.toml").read_bytes()
    yard.stage("callint.toml", policy + b"# Reviewed.\n")
    result = yard.staged()
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


@pytest.mark.skipif(os.name == "nt", reason="processes are stopped by signals")
def test_the_lock_of_a_living_git_is_not_touched(yard: Scratch) -> None:
    # git writes into the lock what its filter gives it, and waits for that.
    yard.write(".gitattributes", "slow filter=slow\n")
    yard.must("config", "filter.slow.clean", "echo started >&2; sleep 600")
    yard.write("slow", b"x")
    with subprocess.Popen(
        ["git", "add", "slow"],
        cwd=yard.root,
        env=environment(),
        stderr=subprocess.PIPE,
        start_new_session=True,
    ) as git:
        try:
            assert git.stderr is not None and git.stderr.readline() == b"started\n"
            assert (yard.root / ".git/index.lock").exists()
            assert yard.call("init").status == 0
            yard.write(".git/config.lock", b"")
            refused(yard, yard.call("init", "--undo"), ".git/config.lock")
            assert (yard.root / ".git/index.lock").exists()
            assert yard.staged().status == 0
        finally:
            os.killpg(git.pid, signal.SIGKILL)


@pytest.mark.parametrize("name", COMMANDS)
def test_no_lock_keeps_a_command_from_reading(tmp_path: Path, name: str) -> None:
    arguments = COMMANDS[name]
    with hostile_repository(tmp_path) as hostile:
        for lock in LOCKS:
            (hostile.yard.root / lock).parent.mkdir(parents=True, exist_ok=True)
            hostile.yard.write(lock, b"")
        result = hostile.tried(*arguments)
        if name in ("init", "init without hooks"):
            refused(hostile.yard, result, ".git/config.lock")
        else:
            assert result.status in (0, 1), result
        assert all((hostile.yard.root / lock).exists() for lock in LOCKS)
