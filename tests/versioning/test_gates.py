"""Which of git's commands ask callint before they commit, and that no unsettled conflict slips through any.

Real git, set up by ``callint init``; ``docs/git.md`` has the same as a table.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from tests.building import u16
from tests.running import (
    BAD,
    CUT,
    EGR,
    GOOD,
    HULL,
    Result,
    Scratch,
    copy_of,
    edited,
    folder_for_copies,
    fuel_cell,
    initialize,
    make_repository_yard,
    needs_git_lfs,
    refreshed,
)

HERON = "boats/heron.bin"
LIST = f"{HERON}.conflicts.txt"
SLIP = "999.0 mg is above the limit of 90 mg"
UNSETTLED = f"{HERON}: it has unresolved conflicts"
OURS = edited(GOOD, {fuel_cell(0, 0): u16(125)})
#: Contrary to ours in one cell, and with another one beside it, or without.
THEIRS = edited(GOOD, {fuel_cell(0, 0): u16(130), EGR: b"\x1c"})
ONLY_THEIRS = edited(GOOD, {fuel_cell(0, 0): u16(130)})
EDITORS = {"GIT_EDITOR": "true", "GIT_SEQUENCE_EDITOR": "true"}


class Room(Scratch):
    """A repository that callint init set up."""

    def try_git(self, *arguments: str, **env: str) -> Result:
        """A git command, whatever comes of it, with nobody at the editor."""
        return self.git(*arguments, env={**EDITORS, **env})

    def head(self) -> str:
        return self.must("rev-parse", "HEAD").strip()

    def put(self, data: bytes, message: str, path: str = HERON) -> str:
        """A commit past the hooks, and its id."""
        self.write(path, data)
        self.commit(message)
        return self.head()


@cache
def _start(is_in_lfs: bool) -> Path:
    """A repository that callint init set up, and in which git-lfs may store the images."""
    room = Room(make_repository_yard(folder_for_copies(), heron=GOOD).root)
    assert initialize(room).status == 0
    room.commit("Set up")
    if is_in_lfs:
        room.must("lfs", "install", "--local", "--skip-repo")
        attributes = (room.root / ".gitattributes").read_text("utf-8")
        room.write(".gitattributes", f"boats/*.bin filter=lfs\n{attributes}")
        room.must("add", "--all", "--renormalize")
        room.commit("Into git-lfs")
    room.must("tag", "start")
    return room.root


def _copied(template: Path, root: Path) -> Room:
    return Room(refreshed(copy_of(template, root)).root)


@pytest.fixture
def room(tmp_path: Path) -> Room:
    return _copied(_start(is_in_lfs=False), tmp_path / "repo")


@pytest.fixture
def room_in_lfs(tmp_path: Path) -> Room:
    return _copied(_start(is_in_lfs=True), tmp_path / "repo")


def said(result: Result) -> str:
    return " ".join((result.stdout + result.stderr).split())


def with_topic(root: Path, content: bytes, is_in_lfs: bool = False) -> Room:
    """A copy of the start with a branch "topic", one commit ahead of it; main has moved on."""
    return _copied(_topic(content, is_in_lfs), root)


@cache
def _topic(content: bytes, is_in_lfs: bool) -> Path:
    room = _copied(_start(is_in_lfs), folder_for_copies())
    room.must("checkout", "--quiet", "-b", "topic", "start")
    room.put(content, "Step")
    room.must("checkout", "--quiet", "main")
    room.put(b"", "Elsewhere", "note")
    return room.root


def patch(room: Room, span: str) -> str:
    """What git format-patch makes of commits, as a file."""
    return str(room.write("../patches", room.must("format-patch", "--stdout", span)))


# A bad image

#: A command of git's that brings an image into a commit.
Way = Callable[[Room, bytes], Result]


def by_am(room: Room, data: bytes) -> Result:
    return room.try_git("am", patch(room, "start..topic"))


def by_am_in_three_ways(room: Room, data: bytes) -> Result:
    return room.try_git("am", "-3", patch(room, "start..topic"))


def by_cherry_pick(room: Room, data: bytes) -> Result:
    return room.try_git("cherry-pick", "topic")


def by_cherry_pick_in_two_steps(room: Room, data: bytes) -> Result:
    picked = room.try_git("cherry-pick", "-n", "topic")
    assert picked.status == 0
    return room.try_git("commit", "-m", "Picked")


def by_cherry_pick_of_many(room: Room, data: bytes) -> Result:
    return room.try_git("cherry-pick", "start..topic")


def by_cherry_pick_of_a_merge(room: Room, data: bytes) -> Result:
    room.must("checkout", "--quiet", "--detach", "start")
    room.must("merge", "--quiet", "--no-verify", "--no-ff", "-m", "Both", "topic")
    merge = room.head()
    room.must("checkout", "--quiet", "main")
    return room.try_git("cherry-pick", "-m", "1", merge)


def by_rebase_with_patches(room: Room, data: bytes) -> Result:
    room.must("checkout", "--quiet", "topic")
    return room.try_git("rebase", "--apply", "main")


def by_rebase_with_a_check_after_each(room: Room, data: bytes) -> Result:
    room.must("checkout", "--quiet", "topic")
    call = f"{room_callint(room)} check --range HEAD~1..HEAD"
    return room.try_git("rebase", "--exec", call, "main")


def by_revert_in_two_steps(room: Room, data: bytes) -> Result:
    room.put(data, "A slip")
    room.put(GOOD, "Put right")
    assert room.try_git("revert", "--no-commit", "HEAD").status == 0
    return room.try_git("commit", "-m", "Back again")


def by_amending(room: Room, data: bytes) -> Result:
    room.write(HERON, data)
    return room.try_git("commit", "--all", "--amend", "--no-edit")


def by_rebase_that_stops_for_an_edit(room: Room, data: bytes) -> Result:
    room.must("checkout", "--quiet", "topic")
    room.put(b"x", "Something else", "other")
    stopped = room.try_git("rebase", "-i", "main", GIT_SEQUENCE_EDITOR="sed -i '1s/^pick/edit/;2!b'")
    assert stopped.status == 0, stopped
    room.stage(HERON, edited(data, {HULL: b"EDITED      "}))
    return room.try_git("rebase", "--continue")


def by_stash(room: Room, data: bytes) -> Result:
    room.write(HERON, data)
    room.must("stash", "--quiet")
    room.must("stash", "pop", "--quiet")
    return room.try_git("commit", "--all", "-m", "From the stash")


def by_squashing_merge(room: Room, data: bytes) -> Result:
    assert room.try_git("merge", "--squash", "topic").status == 0
    return room.try_git("commit", "-m", "Squashed")


def by_merge(room: Room, data: bytes) -> Result:
    return room.try_git("merge", "--no-edit", "topic")


def room_callint(room: Room) -> str:
    """How the hooks call callint."""
    line = next(
        hook for hook in (room.root / ".git/hooks/pre-commit").read_text().splitlines() if "--staged" in hook
    )
    return line.partition(" check ")[0]


ASKING = (
    by_am,
    by_am_in_three_ways,
    by_amending,
    by_cherry_pick,
    by_cherry_pick_of_a_merge,
    by_cherry_pick_of_many,
    by_cherry_pick_in_two_steps,
    by_merge,
    by_rebase_that_stops_for_an_edit,
    by_rebase_with_a_check_after_each,
    by_rebase_with_patches,
    by_revert_in_two_steps,
    by_squashing_merge,
    by_stash,
)


@pytest.mark.parametrize("way", ASKING)
def test_a_bad_image_is_stopped(tmp_path: Path, way: Way) -> None:
    # Of a rebase that stops by itself the first step is honest; the slip comes by hand.
    first = edited(GOOD, {CUT: u16(4150)}) if way is by_rebase_that_stops_for_an_edit else BAD
    room = with_topic(tmp_path / "repo", first)
    result = way(room, BAD)
    assert result.status != 0, result
    assert SLIP in said(result)
    if way is not by_rebase_with_a_check_after_each:  # which looks at what was committed
        assert SLIP not in said(room.call("check", "--range", "start..HEAD")) or way is by_revert_in_two_steps


@pytest.mark.parametrize("way", [item for item in ASKING if item is not by_rebase_with_a_check_after_each])
def test_a_good_image_passes_in_silence(tmp_path: Path, way: Way) -> None:
    good = edited(GOOD, {CUT: u16(4150)})
    room = with_topic(tmp_path / "repo", good)
    result = way(room, good)
    assert result.status == 0, result
    assert "callint" not in said(result)


#: What git leaves to do where a hook stopped it, so that nothing stays half done.
@pytest.mark.parametrize(
    ("way", "abort"),
    [
        (by_am, ("am", "--abort")),
        (by_cherry_pick, ("cherry-pick", "--abort")),
        (by_cherry_pick_of_many, ("cherry-pick", "--abort")),
        (by_rebase_with_patches, ("rebase", "--abort")),
        (by_rebase_that_stops_for_an_edit, ("rebase", "--abort")),
    ],
)
def test_a_stopped_operation_can_be_aborted(tmp_path: Path, way: Way, abort: tuple[str, ...]) -> None:
    room = with_topic(tmp_path / "repo", BAD)
    before = {item: room.must("rev-parse", item) for item in ("main", "topic")}
    if way is by_rebase_that_stops_for_an_edit:
        way(room, BAD)
        before["topic"] = room.must("rev-parse", "topic")
    else:
        assert way(room, BAD).status != 0
    assert room.try_git(*abort).status == 0
    assert {item: room.must("rev-parse", item) for item in ("main", "topic")} == before
    assert room.must("status", "--porcelain", "--untracked-files=no") == ""


def test_git_options_that_skip_hooks_skip_callint(tmp_path: Path) -> None:
    room = with_topic(tmp_path / "repo", BAD)
    ways: tuple[tuple[str, ...], ...] = (
        ("commit", "--all", "--no-verify", "-m", "Now"),
        ("commit", "--all", "--no-verify", "--amend", "--no-edit"),
    )
    for arguments in ways:
        room.write(HERON, edited(BAD, {HULL: arguments[-1][:1].encode()}))
        assert room.try_git(*arguments).status == 0
    span = patch(room, "start..topic")
    room.must("checkout", "--quiet", "--detach", "start")
    # Git before 2.40 knows no git am --no-verify.
    assert room.try_git("-c", "core.hooksPath=/dev/null", "am", span).status == 0
    room.must("checkout", "--quiet", "--detach", "start")
    assert room.try_git("-c", "core.hooksPath=/dev/null", "cherry-pick", "topic").status == 0
    room.must("checkout", "--quiet", "--detach", "start")
    room.must("cherry-pick", "-n", "topic")
    assert room.try_git("commit", "--no-verify", "-m", "Picked").status == 0


def test_a_rebase_can_be_forced_to_continue(tmp_path: Path) -> None:
    room = with_topic(tmp_path / "repo", edited(GOOD, {CUT: u16(4150)}))
    assert by_rebase_that_stops_for_an_edit(room, BAD).status != 0
    assert room.try_git("commit", "--no-verify", "--amend", "--no-edit").status == 0
    assert room.try_git("rebase", "--continue").status == 0


# What git does not ask about


def unasked_revert(room: Room) -> Result:
    room.put(BAD, "A slip")
    room.put(GOOD, "Put right")
    return room.try_git("revert", "--no-edit", "HEAD")


def unasked_rebase(room: Room) -> Result:
    room.must("checkout", "--quiet", "topic")
    return room.try_git("rebase", "main")


def unasked_autosquash(room: Room) -> Result:
    room.must("checkout", "--quiet", "topic")
    room.write(HERON, edited(BAD, {EGR: b"\x1d"}))
    room.must("commit", "--quiet", "--all", "--no-verify", "--fixup", "HEAD")
    return room.try_git("rebase", "-i", "--autosquash", "main")


def unasked_fast_forward(room: Room) -> Result:
    room.must("checkout", "--quiet", "--detach", "start")
    return room.try_git("merge", "topic")


def unasked_pull(room: Room) -> Result:
    room.must("checkout", "--quiet", "--detach", "start")
    return room.try_git("pull", "--quiet", ".", "topic")


def unasked_reset(room: Room) -> Result:
    return room.try_git("reset", "--hard", "topic")


def unasked_plumbing(room: Room) -> Result:
    made = room.must("commit-tree", "topic^{tree}", "-p", "main", "-m", "Made").strip()
    return room.try_git("update-ref", "refs/heads/main", made)


@pytest.mark.parametrize(
    "way",
    [
        unasked_autosquash,
        unasked_fast_forward,
        unasked_plumbing,
        unasked_pull,
        unasked_rebase,
        unasked_reset,
        unasked_revert,
    ],
)
def test_commits_that_git_makes_without_hooks_are_checked_in_the_range(
    tmp_path: Path, way: Callable[[Room], Result]
) -> None:
    room = with_topic(tmp_path / "repo", BAD)
    result = way(room)
    assert result.status == 0, "git asks now: docs/git.md says that it does not"
    assert SLIP in room.call("check", "--range", "start..HEAD", "--each").flat


# Conflicts


def conflicting(room: Room, theirs: bytes = THEIRS, ours: bytes = OURS) -> None:
    """Main and topic have the same cell with different values."""
    room.must("checkout", "--quiet", "-b", "topic", "start")
    room.put(theirs, "Theirs")
    room.must("checkout", "--quiet", "main")
    room.put(ours, "Ours")


@cache
def _conflicting(theirs: bytes) -> Path:
    room = _copied(_start(is_in_lfs=False), folder_for_copies())
    conflicting(room, theirs)
    return room.root


def conflict_of_merge(room: Room) -> tuple[str, ...]:
    assert room.try_git("merge", "topic").status == 1
    return "merge", "--continue"


def conflict_of_squash(room: Room) -> tuple[str, ...]:
    assert room.try_git("merge", "--squash", "topic").status == 1
    return "commit", "-m", "Squashed"


def conflict_of_cherry_pick(room: Room) -> tuple[str, ...]:
    assert room.try_git("cherry-pick", "topic").status == 1
    return "cherry-pick", "--continue"


def conflict_of_cherry_pick_by_hand(room: Room) -> tuple[str, ...]:
    assert room.try_git("cherry-pick", "-n", "topic").status == 1
    room.stage("note", "x")
    return "commit", "-m", "Picked"


def conflict_of_cherry_pick_of_a_merge(room: Room) -> tuple[str, ...]:
    room.must("checkout", "--quiet", "--detach", "start")
    room.must("merge", "--quiet", "--no-verify", "--no-ff", "-m", "Both", "topic")
    merge = room.head()
    room.must("checkout", "--quiet", "main")
    assert room.try_git("cherry-pick", "-m", "1", merge).status == 1
    return "cherry-pick", "--continue"


def conflict_of_rebase(room: Room) -> tuple[str, ...]:
    room.must("checkout", "--quiet", "topic")
    assert room.try_git("rebase", "main").status == 1
    return "rebase", "--continue"


def conflict_of_rebase_by_patches(room: Room) -> tuple[str, ...]:
    room.must("checkout", "--quiet", "topic")
    assert room.try_git("rebase", "--apply", "main").status == 1
    return "rebase", "--continue"


def conflict_of_rebase_that_is_committed(room: Room) -> tuple[str, ...]:
    conflict_of_rebase(room)
    return "commit", "--no-edit"


def conflict_of_pull(room: Room) -> tuple[str, ...]:
    room.must("checkout", "--quiet", "topic")
    assert room.try_git("pull", "--quiet", "--rebase", ".", "main").status == 1
    return "rebase", "--continue"


def conflict_of_revert(room: Room) -> tuple[str, ...]:
    room.must("reset", "--quiet", "--hard", "topic")
    theirs = room.head()
    room.put(edited(OURS, {HULL: b"LATER       "}), "Later")
    assert room.try_git("revert", "--no-edit", theirs).status == 1
    return "revert", "--continue"


def conflict_of_am(room: Room) -> tuple[str, ...]:
    assert room.try_git("am", "-3", patch(room, "start..topic")).status != 0
    return "am", "--continue"


def conflict_of_stash(room: Room) -> tuple[str, ...]:
    room.must("checkout", "--quiet", "start")
    room.write(HERON, (room.root / "../theirs").read_bytes())
    room.must("stash", "--quiet")
    room.must("checkout", "--quiet", "main")
    assert room.try_git("stash", "pop").status == 1
    room.stage("note", "x")
    return "commit", "-m", "From the stash"


def conflict_of_checkout(room: Room) -> tuple[str, ...]:
    room.must("checkout", "--quiet", "start")
    room.write(HERON, (room.root / "../theirs").read_bytes())
    room.try_git("checkout", "--quiet", "--merge", "main")
    room.stage("note", "x")
    return "commit", "-m", "Switched"


CONFLICTS = [
    conflict_of_am,
    conflict_of_checkout,
    conflict_of_cherry_pick,
    conflict_of_cherry_pick_by_hand,
    conflict_of_cherry_pick_of_a_merge,
    conflict_of_merge,
    conflict_of_pull,
    conflict_of_rebase,
    conflict_of_rebase_by_patches,
    conflict_of_rebase_that_is_committed,
    conflict_of_revert,
    conflict_of_squash,
    conflict_of_stash,
]


@pytest.mark.parametrize("theirs", [THEIRS, ONLY_THEIRS], ids=["with more", "conflict alone"])
@pytest.mark.parametrize("way", CONFLICTS)
def test_no_unsettled_conflict_is_committed(
    tmp_path: Path, way: Callable[[Room], tuple[str, ...]], theirs: bytes
) -> None:
    room = _copied(_conflicting(theirs), tmp_path / "repo")
    room.write("../theirs", theirs)
    result = way(room)
    assert (room.root / LIST).exists(), "the merge driver was not asked"
    asked = room.git("ls-files", "--unmerged", "--", HERON).lines
    sides = {int(stage): blob for _, blob, stage, _ in map(str.split, asked)}
    room.must("add", HERON)
    before = room.head()
    if theirs is ONLY_THEIRS and way in (conflict_of_rebase, conflict_of_pull):
        # There is nothing to commit, and git drops such a commit without asking anybody. The list stays.
        assert room.try_git(*result).status == 0, "git asks now: docs/git.md says that it does not"
        assert (room.root / LIST).exists()
        return
    if theirs is ONLY_THEIRS and way in (conflict_of_rebase_by_patches, conflict_of_am):
        assert room.try_git(*result).status != 0, "git drops it now: docs/git.md says that it does not"
        return
    refused = room.try_git(*result)
    assert refused.status != 0 and UNSETTLED in said(refused), refused
    assert room.head() == before
    # As the list says: one call settles it.
    contents = []
    for stage, blob in sorted(sides.items()):
        path = room.root / f"../side-{stage}.bin"
        path.write_bytes(room.git("cat-file", "blob", blob).stdout.encode("utf-8", "surrogateescape"))
        contents.append(str(path))
    settled = room.call("merge", *contents, "--to", HERON, "--take", "theirs")
    assert settled.status == 0, settled
    room.must("add", HERON)
    passed = room.try_git(*result)
    assert passed.status == 0, passed
    assert room.head() != before
    assert room.must("status", "--porcelain", "--untracked-files=no") == ""


def test_a_list_of_a_merge_without_git_keeps_the_image_from_being_committed(room: Room) -> None:
    room.put(edited(GOOD, {EGR: b"\x1d"}), "Another boat", "boats/other.bin")
    for name, data in (("base", GOOD), ("ours", OURS), ("theirs", THEIRS)):
        room.write(f"../{name}.bin", data)
    assert room.call("merge", "../base.bin", "../ours.bin", "../theirs.bin", "--to", HERON).status == 1
    room.must("add", HERON)
    refused = room.try_git("commit", "-m", "Merged by hand")
    assert refused.status != 0 and UNSETTLED in said(refused)
    # A commit of another image does not concern the list.
    room.must("reset", "--quiet", "--hard")
    room.stage("boats/other.bin", edited(GOOD, {EGR: b"\x1c"}))
    assert (room.root / LIST).exists()
    assert room.try_git("commit", "-m", "Another boat").status == 0


# With git-lfs


@needs_git_lfs
@pytest.mark.parametrize(
    "way", [conflict_of_merge, conflict_of_rebase, conflict_of_cherry_pick, conflict_of_am]
)
def test_no_unsettled_conflict_is_committed_where_git_lfs_stores_images(
    room_in_lfs: Room, way: Callable[[Room], tuple[str, ...]]
) -> None:
    room = room_in_lfs
    conflicting(room)
    result = way(room)
    assert (room.root / LIST).exists()
    room.must("add", HERON)
    refused = room.try_git(*result)
    assert refused.status != 0 and UNSETTLED in said(refused), refused
    room.stage(HERON, BAD)
    (room.root / LIST).unlink()
    (room.root / f"{HERON}.conflicts.json").unlink()
    stopped = room.try_git(*result)
    assert stopped.status != 0 and SLIP in said(stopped)


@needs_git_lfs
@pytest.mark.parametrize("way", [by_am, by_cherry_pick, by_rebase_with_patches, by_merge])
def test_a_bad_image_is_stopped_where_git_lfs_stores_it(tmp_path: Path, way: Way) -> None:
    room = with_topic(tmp_path / "repo", BAD, is_in_lfs=True)
    result = way(room, BAD)
    assert result.status != 0 and SLIP in said(result), result
