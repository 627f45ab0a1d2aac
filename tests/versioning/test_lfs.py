"""Images that git-lfs stores: real git-lfs, its own filters, and a remote that is a path."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import pytest

from tests.building import hex_file, u16
from tests.running import (
    BAD,
    EGR,
    GOOD,
    HULL,
    Result,
    Scratch,
    call,
    copy_of,
    edited,
    folder_for_copies,
    fuel_cell,
    make_repository,
    make_repository_yard,
    make_yard,
    needs_git_lfs,
    refreshed,
    steering,
    too_wide,
    valid,
    with_drivers,
)

pytestmark = needs_git_lfs

HERON = "boats/heron.bin"
ATTRIBUTES = "boats/*.bin filter=lfs diff=callint merge=callint -text\n"
#: Contrary to BAD in nothing, so that both merge.
APART = edited(GOOD, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})
TUNED = edited(GOOD, {fuel_cell(1, 1): u16(460)})
TOGETHER = edited(TUNED, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})
CONTRARY = edited(APART, {fuel_cell(1, 1): u16(470)})


def pointer(content: bytes) -> str:
    """By the published git-lfs specification, version 1."""
    oid = hashlib.sha256(content).hexdigest()
    return f"version https://git-lfs.github.com/spec/v1\noid sha256:{oid}\nsize {len(content)}\n"


def place(content: bytes) -> str:
    """Where a content lies in the store of git-lfs, by the same specification."""
    oid = hashlib.sha256(content).hexdigest()
    return f"lfs/objects/{oid[:2]}/{oid[2:4]}/{oid}"


class Stored:
    """A repository whose images git-lfs stores, and git with callint's drivers in it."""

    def __init__(self, scratch: Scratch, path: dict[str, str]) -> None:
        self.scratch = scratch
        self.path = path
        self.root = scratch.root
        self.call = scratch.call

    def git(self, *arguments: str, **env: str) -> str:
        done = self.scratch.git(*arguments, env={**self.path, **env})
        assert done.status == 0, (arguments, done)
        return done.stdout

    def commit(self, data: bytes, message: str) -> None:
        self.scratch.write(HERON, data)
        self.git("commit", "--quiet", "--all", "--message", message)
        assert self.git("show", f"HEAD:{HERON}") == pointer(data)

    def branches(self, theirs: bytes, ours: bytes = TUNED) -> None:
        """A branch "theirs", and main, which both come from the present image."""
        self.git("checkout", "--quiet", "-b", "theirs")
        self.commit(theirs, "Theirs")
        self.git("checkout", "--quiet", "main")
        self.commit(ours, "Ours")

    def merge(self) -> Result:
        return self.scratch.git("merge", "--no-edit", "theirs", env=self.path)

    @property
    def heron(self) -> bytes:
        return (self.root / HERON).read_bytes()


def lfs(scratch: Scratch, tmp_path: Path) -> Stored:
    scratch.must("lfs", "install", "--local")
    return Stored(scratch, with_drivers(scratch, tmp_path / "bin"))


@cache
def _template(is_slipped: bool) -> Stored:
    """The yard with an honest heron; if slipped, a commit later, with a slip."""
    folder = folder_for_copies()
    stored = lfs(make_repository(folder / "repo"), folder)
    make_yard(stored.root)
    stored.git("lfs", "track", "boats/*.bin")
    assert "filter=lfs" in (stored.root / ".gitattributes").read_text("utf-8")
    stored.scratch.write(".gitattributes", ATTRIBUTES)
    stored.scratch.write(HERON, GOOD)
    stored.git("add", "--all")
    stored.commit(GOOD, "The yard")
    if is_slipped:
        stored.commit(BAD, "A slip")
    return stored


def _copied(tmp_path: Path, is_slipped: bool) -> Stored:
    template = _template(is_slipped)
    return Stored(refreshed(copy_of(template.root, tmp_path / "repo")), template.path)


@pytest.fixture
def stored(tmp_path: Path) -> Stored:
    """The yard with an honest heron."""
    return _copied(tmp_path, is_slipped=False)


@pytest.fixture
def slipped(tmp_path: Path) -> Stored:
    """A commit later, with a slip."""
    return _copied(tmp_path, is_slipped=True)


# callint's commands


def test_checks_judge_the_content_and_not_the_pointer(slipped: Stored) -> None:
    for arguments in (("check",), ("check", "--range", "HEAD~1..HEAD"), ("check", "--since", "HEAD~1")):
        result = slipped.call(*arguments)
        assert result.status == 1 and "999.0 mg" in result.flat, arguments
    assert slipped.scratch.staged().status == 0  # nothing is staged
    slipped.scratch.stage(HERON, edited(GOOD, {fuel_cell(2, 2): u16(9990)}))
    slipped.scratch.write(HERON, GOOD)
    assert "fuel at 2400 rpm, 70 mg" in slipped.scratch.staged().stdout


def test_revisions_are_compared_shown_and_followed_by_their_content(slipped: Stored) -> None:
    for arguments in ((f"HEAD~1:{HERON}", HERON), ("HEAD~1", "HEAD")):
        result = slipped.call("diff", *arguments)
        assert result.status == 1 and "45.0 → 999.0" in result.flat, arguments
    assert "999.0" in slipped.call("show", f"HEAD:{HERON}", "fuel").stdout
    assert "999.0" not in slipped.call("show", f"HEAD~1:{HERON}", "fuel").stdout
    document = valid(slipped.call("history", HERON, "fuel", "--format", "json").data, "history.schema.json")
    assert {commit["subject"] for commit in document["commits"]} == {"A slip", "The yard"}


def test_gits_own_commands_show_the_content(slipped: Stored) -> None:
    log = slipped.git("log", "-p", "--", HERON)
    assert "-fuel at load 40 mg: 42  45  46  48" in log
    assert "+fuel at load 40 mg: 42  999  46  48" in log
    assert "oid sha256" not in log
    slip = slipped.git("rev-parse", "--short=8", "HEAD").strip()
    # Without a revision git blame sends the text of the working tree's image through the filter of git-lfs.
    blame = slipped.git("blame", "HEAD", "--", HERON).splitlines()
    (line,) = (line for line in blame if "fuel at load 40 mg" in line)
    assert line.startswith(slip)
    slipped.scratch.write(HERON, GOOD)
    for arguments in (("diff",), ("diff", "HEAD~1", "HEAD", "--ext-diff")):
        shown = slipped.git(*arguments)
        assert "999.0" in shown and "→" in shown, arguments
        assert too_wide(shown) == [] and steering(shown) == []


# git merge


def test_a_merge_stores_the_merged_content_and_commits_its_pointer(stored: Stored) -> None:
    stored.branches(APART)
    result = stored.merge()
    assert result.status == 0, result
    assert stored.heron == TOGETHER
    assert stored.git("show", f"HEAD:{HERON}") == pointer(TOGETHER)
    assert (stored.root / ".git" / place(TOGETHER)).read_bytes() == TOGETHER
    assert stored.git("status", "--porcelain") == ""
    stored.git("lfs", "fsck")


def test_a_merge_of_records_stores_records(tmp_path: Path) -> None:
    stored = lfs(make_repository_yard(tmp_path / "repo"), tmp_path)
    stored.scratch.write(".gitattributes", ATTRIBUTES)
    stored.scratch.write(HERON, hex_file({0: GOOD}))
    stored.git("add", "--all")
    stored.commit(hex_file({0: GOOD}), "Records")
    stored.git("checkout", "--quiet", "-b", "theirs")
    stored.commit(hex_file({0: APART}), "Theirs")
    stored.git("checkout", "--quiet", "main")
    stored.commit(hex_file({0: TUNED}), "Ours")
    assert stored.merge().status == 0
    together = hex_file({0: TOGETHER})
    assert stored.heron == together
    assert stored.git("show", f"HEAD:{HERON}") == pointer(together)


def test_a_merge_can_be_pushed_and_cloned(stored: Stored, tmp_path: Path) -> None:
    stored.git("init", "--quiet", "--bare", str(tmp_path / "remote.git"))
    stored.git("remote", "add", "origin", str(tmp_path / "remote.git"))
    stored.branches(APART)
    assert stored.merge().status == 0
    stored.git("push", "--quiet", "origin", "main")
    assert (tmp_path / "remote.git" / place(TOGETHER)).read_bytes() == TOGETHER


def test_a_conflict_leaves_ours_as_a_content_to_settle(stored: Stored) -> None:
    stored.branches(CONTRARY)
    result = stored.merge()
    assert result.status == 1
    assert "at 1600 rpm, 40 mg  45.0  46.0    47.0" in result.stderr
    assert stored.heron == TOGETHER
    assert (stored.root / f"{HERON}.conflicts.txt").exists()
    assert stored.git("ls-files", "--unmerged").count(HERON) == 3
    stored.git("add", HERON)
    stored.git("commit", "--quiet", "--no-edit")
    assert stored.git("show", f"HEAD:{HERON}") == pointer(TOGETHER)
    stored.git("lfs", "fsck")


def test_a_merge_follows_the_side_that_moved_the_image_into_git_lfs(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    scratch.write(".gitattributes", "boats/*.bin merge=callint -text\n")
    scratch.commit("Attributes")
    stored = lfs(scratch, tmp_path)
    stored.git("checkout", "--quiet", "-b", "theirs")
    scratch.write(".gitattributes", ATTRIBUTES)
    stored.commit(APART, "Into git-lfs")
    stored.git("checkout", "--quiet", "main")
    scratch.write(HERON, TUNED)
    scratch.commit("Ours")
    result = stored.merge()
    assert result.status == 0, result
    assert stored.git("show", f"HEAD:{HERON}") == pointer(TOGETHER)
    assert (stored.root / ".git" / place(TOGETHER)).read_bytes() == TOGETHER


def test_a_merge_without_the_content_stays_a_conflict_with_ours(stored: Stored) -> None:
    stored.branches(APART)
    lost = stored.root / ".git" / place(APART)
    lost.chmod(0o644)
    lost.unlink()
    result = stored.merge()
    assert result.status == 1
    assert f"callint: {HERON} (theirs): it is stored by git-lfs and its content is not here" in result.stderr
    assert stored.heron == TUNED


def test_a_pointer_that_callint_cannot_write_stays_a_conflict(stored: Stored) -> None:
    # An extension of git-lfs stands in its own line of the pointer.
    yard = stored.scratch
    for name, data in ((".base", GOOD), (".ours", TUNED), (".theirs", APART)):
        extended = pointer(data).replace("oid ", "ext-0-odd sha256:" + "0" * 64 + "\noid ")
        yard.write(name, extended)
        yard.write(f".git/{place(data)}", data)
    before = yard.files()
    result = yard.call("merge", "--driver", ".base", ".ours", ".theirs", HERON)
    assert result.status == 1 and "its git-lfs pointer has extensions" in result.stderr
    assert yard.files() == before


# Contents that are not here


@pytest.fixture
def bare_clone(slipped: Stored, tmp_path: Path) -> Stored:
    """A clone with pointers in the working tree, and no contents."""
    remote = str(tmp_path / "remote.git")
    slipped.git("init", "--quiet", "--bare", "--initial-branch=main", remote)
    slipped.git("remote", "add", "origin", remote)
    slipped.git("push", "--quiet", "origin", "main")
    slipped.git("clone", "--quiet", "--no-checkout", remote, str(tmp_path / "clone"))
    clone = lfs(Scratch(tmp_path / "clone"), tmp_path)
    clone.git("checkout", "--quiet", "main", GIT_LFS_SKIP_SMUDGE="1")
    assert clone.heron == pointer(BAD).encode()
    return clone


ABSENT = "it is stored by git-lfs and its content is not here; git lfs pull fetches it"


def test_a_check_reports_that_the_content_is_not_here(bare_clone: Stored) -> None:
    for arguments in (("check",), ("check", "--range", "HEAD~1..HEAD"), ("check", "--since", "HEAD~1")):
        result = bare_clone.call(*arguments)
        assert result.status == 1, arguments
        assert "image/unreadable" in result.stdout and "git lfs pull" in result.flat
        assert "truncated" not in result.stdout


def test_an_untouched_image_without_content_is_not_reported(bare_clone: Stored) -> None:
    for arguments in (("--since", "HEAD"), ("--range", "HEAD..HEAD")):
        assert bare_clone.call("check", *arguments).status == 0


def test_diff_show_and_history_say_it_in_a_line(bare_clone: Stored) -> None:
    for arguments in (
        ("show", HERON),
        ("diff", f"HEAD~1:{HERON}", HERON),
        ("history", HERON),
        ("seal", HERON),
        ("set", HERON, "overspeed_cut", "--to", "4100"),
        ("restore", HERON, "--table", "fuel"),
    ):
        error = bare_clone.call(*arguments).error
        assert error.endswith(ABSENT), arguments
    for arguments in (("show", f"HEAD:{HERON}"), ("diff", "HEAD~1", "HEAD"), ("history", f"HEAD:{HERON}")):
        assert bare_clone.call(*arguments).error.endswith(ABSENT), arguments


def test_a_history_begins_where_the_content_is_not_here(bare_clone: Stored) -> None:
    bare_clone.commit(TUNED, "Tuned")
    result = bare_clone.call("history", HERON)
    assert result.status == 0 and f"the image could not be read: {ABSENT}" in result.flat


def test_gits_own_commands_say_it_and_go_on(bare_clone: Stored) -> None:
    skip = {"GIT_LFS_SKIP_SMUDGE": "1"}
    assert f"{HERON}: {ABSENT}" in bare_clone.git("diff", "HEAD~1", **skip).splitlines()
    log = bare_clone.git("log", "-p", "--", HERON, **skip)
    assert f" heron.bin: {ABSENT}" in log.splitlines(), "what did not change is no change"
    assert "bytes at 0x00000: sum" in log


def test_after_a_pull_all_is_well(bare_clone: Stored) -> None:
    bare_clone.git("lfs", "pull")
    assert bare_clone.heron == BAD
    assert "999.0 mg" in bare_clone.call("check").flat
    assert "999.0" in bare_clone.call("show", f"HEAD:{HERON}", "fuel").stdout
    bare_clone.git("lfs", "fetch", "--all")
    assert "45.0 → 999.0" in bare_clone.call("diff", "HEAD~1", "HEAD").flat


# Where the store is


def judged(root: Path, scratch: Scratch) -> None:
    """What is staged, in history and merged in a working tree is read from the store."""
    result = call("check", "--range", "HEAD~1..HEAD", cwd=root)
    assert result.status == 1 and "999.0 mg" in result.flat
    (root / HERON).write_bytes(edited(BAD, {HULL: b"NEXT        "}))
    scratch.must("add", HERON, folder=root)
    (root / HERON).write_bytes(GOOD)
    assert "999.0 mg" in call("check", "--staged", "--all", cwd=root).flat
    scratch.must("reset", "--quiet", "--hard", folder=root)


def test_a_linked_working_tree_shares_the_store(slipped: Stored, tmp_path: Path) -> None:
    linked = tmp_path / "linked"
    slipped.git("worktree", "add", "--quiet", "-b", "other", str(linked))
    judged(linked, slipped.scratch)
    slipped.git("checkout", "--quiet", "-b", "theirs")
    slipped.commit(edited(BAD, {EGR: b"\x1c"}), "Theirs")
    other = Stored(Scratch(linked), slipped.path)
    other.commit(TUNED, "Ours")
    result = other.merge()
    merged = edited(TUNED, {EGR: b"\x1c"})
    assert result.status == 0 and other.heron == merged
    assert (slipped.root / ".git" / place(merged)).read_bytes() == merged
    other.git("lfs", "fsck")


@pytest.mark.parametrize("kind", ["absolute", "relative", "tilde"])
def test_the_store_may_be_elsewhere(tmp_path: Path, stored: Stored, kind: str) -> None:
    storage, folder = {
        "absolute": (str(tmp_path / "a store"), tmp_path / "a store"),
        "relative": ("../a store", stored.root / "a store"),
        "tilde": ("~/store", stored.root / ".git/~/store"),
    }[kind]
    stored.git("config", "lfs.storage", storage)
    (stored.root / ".git/lfs").rename(tmp_path / "gone")
    stored.scratch.write(".git/info/exclude", "a store\n")
    stored.commit(TUNED, "Elsewhere")
    stored.commit(BAD, "A slip")
    assert (folder / place(BAD).removeprefix("lfs/")).read_bytes() == BAD
    judged(stored.root, stored.scratch)
    stored.branches(edited(BAD, {EGR: b"\x1c"}))
    assert stored.merge().status == 0
    merged = edited(TUNED, {EGR: b"\x1c"})
    assert stored.heron == merged
    assert (folder / place(merged).removeprefix("lfs/")).read_bytes() == merged
    assert not (stored.root / ".git/lfs/objects").exists()
