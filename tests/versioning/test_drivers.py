"""Git's drivers with a policy in a subfolder, whatever the folder and the images are called."""

from __future__ import annotations

from pathlib import Path

import pytest

from callint.reading.tree import MAX_FILE
from tests.building import u16
from tests.running import (
    BAD,
    EGR,
    GOOD,
    POLICY,
    Result,
    Scratch,
    edited,
    fuel_cell,
    make_repository,
    make_repository_yard,
    make_yard,
    with_drivers,
)

FOLDER = "engine röom – 2"
NAMED = [f"{FOLDER}/boats/heron.bin", f"{FOLDER}/boats/-odd.bin"]
#: Above the policy's folder, one under a path that the policy names below it.
ABOVE = ["boats/-odd.bin", "-odd.bin"]
APART = edited(GOOD, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})
TUNED = edited(GOOD, {fuel_cell(1, 1): u16(460)})
TOGETHER = edited(TUNED, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})


class Room:
    """A repository with the yard in a subfolder, images beside it, and git with the drivers."""

    def __init__(self, scratch: Scratch, path: dict[str, str]) -> None:
        self.scratch = scratch
        self.path = path

    def write(self, data: bytes) -> None:
        for image in [*NAMED, *ABOVE]:
            self.scratch.write(image, data)

    def git(self, *arguments: str, folder: str = "") -> Result:
        return self.scratch.git(*arguments, folder=self.scratch.root / folder, env=self.path)

    def shown(self, *arguments: str, folder: str = "") -> str:
        done = self.git(*arguments, folder=folder)
        assert done.status == 0, (arguments, done)
        return done.stdout


@pytest.fixture
def room(tmp_path: Path) -> Room:
    """Two commits: honest images, then a slip in each."""
    scratch = make_repository(tmp_path / "repo")
    make_yard(scratch.root / FOLDER)
    scratch.write(".gitattributes", "*.bin diff=callint merge=callint\n")
    room = Room(scratch, with_drivers(scratch, tmp_path / "bin", "--policy", f"{FOLDER}/callint.toml"))
    room.write(GOOD)
    scratch.commit("The yard")
    room.write(BAD)
    scratch.commit("A slip")
    return room


@pytest.mark.parametrize("folder", ["", f"{FOLDER}/boats"])
def test_git_diff_finds_the_policy_from_everywhere(room: Room, folder: str) -> None:
    for image in NAMED:
        for arguments in (("diff", "HEAD~1", "--"), ("diff", "HEAD~1", "HEAD", "--")):
            printed = room.shown(*arguments, f":/{image}", folder=folder)
            assert printed.startswith(f"{image}\n"), arguments
            assert "45.0 → 999.0" in printed


@pytest.mark.parametrize("image", ABOVE)
def test_git_diff_reports_that_the_policy_does_not_name_an_image(room: Room, image: str) -> None:
    printed = room.shown("diff", "HEAD~1", "--", image)
    assert printed.startswith(f"{image}\n") and "no definition is known" in printed
    assert "bytes differ" in printed


@pytest.mark.parametrize("image", [*NAMED, *ABOVE])
def test_git_log_and_blame_read_the_text_form(room: Room, image: str) -> None:
    log = room.shown("log", "-p", "--", image)
    assert "-fuel at load 40 mg: 42  45  46  48" in log
    assert "+fuel at load 40 mg: 42  999  46  48" in log
    slip = room.shown("rev-parse", "--short=8", "HEAD").strip()
    lines = room.shown("blame", "--", image).splitlines()
    (line,) = (line for line in lines if "fuel at load 40 mg" in line)
    assert line.startswith(slip)


def test_git_log_continues_if_the_policy_is_not_checked_out(room: Room) -> None:
    (room.scratch.root / FOLDER / "callint.toml").unlink()
    log = room.shown("log", "-p", "--", NAMED[0])
    assert "the policy does not exist" in log and "bytes at 0x00000: sum" in log
    printed = room.shown("diff", "HEAD~1", "--", NAMED[0])
    assert "the policy does not exist" in printed and "bytes differ" in printed


def test_the_text_form_of_a_file_that_is_too_large_is_a_line(room: Room) -> None:
    with (room.scratch.root / NAMED[0]).open("r+b") as file:
        file.truncate(MAX_FILE + 1)
    result = room.scratch.call("show", "--plain", "--policy", f"{FOLDER}/callint.toml", "--", NAMED[0])
    assert (result.status, result.stderr) == (0, "")
    (line,) = result.lines
    assert line.startswith("heron.bin: it is larger than 256 MiB")
    assert "does not exist" in room.scratch.call("show", "--plain", "boats/none.bin").error


@pytest.mark.parametrize("folder", ["", f"{FOLDER}/boats"])
def test_git_merges_by_the_policy_of_the_subfolder(room: Room, folder: str) -> None:
    room.scratch.must("checkout", "--quiet", "-b", "theirs", "HEAD~1")
    room.write(APART)
    room.scratch.commit("Theirs")
    room.scratch.must("checkout", "--quiet", "-b", "ours", "HEAD~1")
    room.write(TUNED)
    room.scratch.commit("Ours")
    result = room.git("merge", "--no-edit", "theirs", folder=folder)
    for image in NAMED:
        assert (room.scratch.root / image).read_bytes() == TOGETHER
    # What the policy does not name is a conflict that git knows.
    assert result.status == 1
    for image in ABOVE:
        assert (room.scratch.root / image).read_bytes() == TUNED
        assert f"callint: ../{image} (ours) and ../{image} (theirs)" in result.stderr
    assert "no definition is known" in result.stderr
    unmerged = room.shown("ls-files", "--unmerged", "--full-name", ":/").splitlines()
    assert sorted({line.split("\t")[1] for line in unmerged}) == sorted(ABOVE)


def test_an_image_at_the_top_whose_name_starts_with_a_dash_is_merged(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "repo")
    make_yard(scratch.root)
    scratch.write("callint.toml", POLICY.replace("boats/*.bin", "*.bin"))
    scratch.write(".gitattributes", "*.bin diff=callint merge=callint\n")
    path = with_drivers(scratch, tmp_path / "bin")
    for branch, data in (("main", GOOD), ("theirs", APART), ("ours", TUNED)):
        scratch.git("checkout", "--quiet", "-b", branch, "main")
        scratch.write("-odd.bin", data)
        scratch.commit(branch)
    result = scratch.git("merge", "--no-edit", "theirs", env=path)
    assert result.status == 0, result
    assert (scratch.root / "-odd.bin").read_bytes() == TOGETHER
    assert "46.0 → 45.0" in scratch.git("diff", "HEAD", "main", "--", "-odd.bin", env=path).stdout


def test_a_conflict_is_listed_beside_the_image(room: Room) -> None:
    room.scratch.must("checkout", "--quiet", "-b", "ours", "HEAD~1")
    room.scratch.write(NAMED[1], TUNED)
    room.scratch.commit("Ours")
    result = room.git("merge", "--no-edit", "main")
    assert result.status == 1
    assert "at 1600 rpm, 40 mg  45.0  46.0   999.0" in result.stderr
    assert (room.scratch.root / FOLDER / "boats/-odd.bin.conflicts.txt").exists()


def test_a_merge_whose_conflicts_are_still_listed_is_not_committed(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    path = with_drivers(scratch, tmp_path / "bin")
    scratch.write(".gitattributes", "*.bin diff=callint merge=callint\n")
    scratch.commit("Drivers")
    scratch.must("checkout", "--quiet", "-b", "theirs")
    scratch.write("boats/heron.bin", edited(GOOD, {fuel_cell(0, 0): u16(130)}))
    scratch.commit("Theirs")
    scratch.must("checkout", "--quiet", "main")
    scratch.write("boats/heron.bin", edited(GOOD, {fuel_cell(0, 0): u16(125)}))
    scratch.commit("Ours")
    assert scratch.git("merge", "theirs", env=path).status == 1
    scratch.must("add", "boats/heron.bin")
    refused = scratch.staged()
    assert (refused.status, refused.stdout) == (2, "")
    assert "boats/heron.bin: it has unresolved conflicts" in refused.error
    sides = [f":{stage}:boats/heron.bin" for stage in (1, 2, 3)]
    scratch.git("checkout", "--merge", "--", "boats/heron.bin", env=path)
    assert scratch.call("merge", *sides, "--to", "boats/heron.bin", "--take", "theirs").status == 0
    scratch.must("add", "boats/heron.bin")
    assert scratch.staged().status == 0
