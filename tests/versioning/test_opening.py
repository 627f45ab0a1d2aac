"""callint asks git once for what it needs to open a repository, and opens damaged ones too."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from callint.versioning.git import process
from callint.versioning.git.log import shallow_commits
from callint.versioning.git.refs import commit_id, is_revision
from callint.versioning.git.repository import LOCAL_VARIABLES, open_repository
from tests.running import BAD, EGR, GOOD, Scratch, edited, make_repository, make_repository_yard, make_yard

HERON = "boats/heron.bin"
SLIP = "999.0 mg is above the limit of 90 mg"
posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no such names")


def put_object(yard: Scratch, commit: str, content: bytes | None) -> None:
    """Give the file of a commit's object another content, or remove it."""
    place = yard.root / ".git/objects" / commit[:2] / commit[2:]
    place.chmod(0o644)
    if content is None:
        place.unlink()
    else:
        place.write_bytes(content)


def test_every_variable_that_points_git_to_a_repository_is_known(tmp_path: Path) -> None:
    listed = set(Scratch(tmp_path).must("rev-parse", "--local-env-vars").split())
    # Older versions of git set one more variable, for themselves alone.
    assert listed - {"GIT_INTERNAL_SUPER_PREFIX"} <= LOCAL_VARIABLES


@pytest.mark.parametrize("content", [None, b"", b"no object"], ids=["absent", "empty", "damaged"])
def test_an_unreadable_newest_commit_hinders_only_what_needs_it(
    tmp_path: Path, content: bytes | None
) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD)
    put_object(yard, yard.must("rev-parse", "HEAD").strip(), content)
    yard.write(HERON, BAD)
    result = yard.call("check")
    assert result.status == 1 and SLIP in result.flat
    error = yard.call("show", f"HEAD:{HERON}").error
    assert "HEAD: no such revision" in error


@posix
@pytest.mark.parametrize("end", ["", "\n", f"\nfalse\n{'a' * 40}", f"\n{'a' * 40}\nfalse"])
@pytest.mark.parametrize("is_committed", [False, True])
def test_no_part_of_a_folders_name_is_the_newest_commit(tmp_path: Path, end: str, is_committed: bool) -> None:
    yard = make_repository(tmp_path / f"yard{end}")
    make_yard(yard.root, heron=GOOD)
    if is_committed:
        yard.commit("The yard")
    repo = open_repository(yard.root)
    assert repo.working_tree_dir == yard.root and repo.git_dir == yard.root / ".git"
    assert is_revision(repo, "HEAD") == is_committed
    if is_committed:
        assert commit_id(repo, "HEAD") == yard.must("rev-parse", "HEAD").strip()


@posix
def test_a_working_tree_elsewhere_has_its_folders_and_its_commit(tmp_path: Path) -> None:
    """The names of the folders differ, so each has its own number of lines."""
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD)
    tree = tmp_path / f"tree\nfalse\n{'a' * 40}"
    yard.must("worktree", "add", "--quiet", "--detach", str(tree))
    repo = open_repository(tree)
    assert repo.working_tree_dir == tree and repo.common_dir == yard.root / ".git"
    assert commit_id(repo, "HEAD") == yard.must("rev-parse", "HEAD").strip()


@pytest.mark.parametrize("content", [b"no id\n", b"\xff\xfe\n"])
def test_a_damaged_list_of_where_a_clone_ends_is_named_in_one_line(tmp_path: Path, content: bytes) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD)
    (yard.root / ".git/shallow").write_bytes(content)
    assert yard.call("check").status == 0
    # Before the first commit callint reads no history, in which git would find the damage.
    assert all(len(line) < 40 for line in shallow_commits(open_repository(yard.root)))
    result = yard.call("history", HERON, "fuel", "--cell", "1600,40")
    assert result.status == 2 and len(result.stderr.splitlines()) == 1, result


def test_the_newest_commit_is_the_one_at_the_start_of_a_command(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD)
    first = yard.must("rev-parse", "HEAD").strip()
    repo = open_repository(yard.root)
    yard.must("commit", "--quiet", "--allow-empty", "--message", "Meanwhile")
    assert commit_id(repo, "HEAD") == first
    assert commit_id(open_repository(yard.root), "HEAD") != first


@pytest.fixture
def starts(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The arguments of the gits that callint starts in this process, without those that read contents."""
    started: list[list[str]] = []

    def start(arguments: list[str], *others: Any) -> subprocess.Popen[bytes]:
        started.append(arguments)
        return original(arguments, *others)

    original = process.start
    monkeypatch.setattr(process, "start", start)
    return started


def test_a_command_asks_git_nothing_twice(tmp_path: Path, starts: list[list[str]]) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD)
    for number in range(3):
        yard.write(HERON, edited(GOOD, {EGR: bytes([number])}))
        yard.commit(f"Change {number}")
    for arguments in (
        ("check", "--range", "HEAD~3..HEAD", "--each"),
        ("history", HERON),
        ("review", "HEAD~2", "HEAD", "--output", "review.html"),
    ):
        starts.clear()
        assert yard.call(*arguments).status == 0, arguments
        assert starts
        assert len(starts) == len(set(map(tuple, starts))), arguments
        ids = [words[-1] for words in starts if words[0] == "rev-parse"]
        assert "HEAD^{commit}" not in ids[1:]
        assert not [name for name in ids if re.match("[0-9a-f]{40}", name)]
