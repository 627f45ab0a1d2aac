"""``callint history``: which commit last set each cell, whatever branches, renames and merges lie between."""

from __future__ import annotations

import hashlib
import os
import random
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import (
    CUT,
    FUEL,
    HULL,
    MONITOR,
    SMOKE,
    SOFTWARE,
    TRIM,
    Result,
    Scratch,
    call,
    edited,
    fuel_cell,
    make_repository,
    make_repository_yard,
    make_yard,
    steering,
    too_wide,
    valid,
    yard_base,
    yard_definition,
)

HERON = "boats/heron.bin"


class Boat:
    """A repository with one image, whose commits are known by their messages."""

    def __init__(self, scratch: Scratch, path: str = HERON) -> None:
        self.scratch = scratch
        self.path = path

    @property
    def data(self) -> bytes:
        return (self.scratch.root / self.path).read_bytes()

    def edit(self, at: dict[int, bytes]) -> None:
        self.scratch.write(self.path, edited(self.data, at))

    def commit(self, message: str, at: dict[int, bytes] | None = None) -> str:
        """Edit the image, commit everything, and return the commit's id."""
        self.edit(at or {})
        self.scratch.must("add", "--all")
        self.scratch.must("commit", "--quiet", "--allow-empty", "--message", message)
        return self.id()

    def id(self, revision: str = "HEAD") -> str:
        return self.scratch.must("rev-parse", revision).strip()

    def branch(self, name: str) -> None:
        self.scratch.must("checkout", "--quiet", "-b", name)

    def switch(self, name: str) -> None:
        self.scratch.must("checkout", "--quiet", name)

    def merge(self, other: str, data: bytes, message: str = "Merge") -> str:
        """Merge a branch; the image becomes what ``data`` says, as a merge by hand makes it."""
        self.scratch.git("merge", "--quiet", "--no-ff", "--no-commit", other)
        self.scratch.write(self.path, data)
        self.scratch.must("add", "--all")
        self.scratch.must("commit", "--quiet", "--message", message)
        return self.id()

    def call(self, *arguments: str, image: str | None = None) -> Result:
        result = self.scratch.call("history", image or self.path, *arguments)
        assert (result.status, result.stderr) == (0, ""), result
        assert too_wide(result.stdout) == [] and steering(result.stdout) == []
        return result

    def document(self, *arguments: str, image: str | None = None) -> Any:
        result = self.scratch.call("history", image or self.path, *arguments, "--format", "json")
        assert (result.status, result.stderr) == (0, ""), result
        return valid(result.data, "history.schema.json")

    def setters(self, table: str, *arguments: str) -> list[str]:
        """The message of the commit that set each cell of a table, x fastest; "" where there is none yet."""
        document = self.document(table, *arguments)
        subjects = {commit["id"]: commit["subject"] for commit in document["commits"]}
        (result,) = document["tables"]
        return [subjects[cell["commit"]] if "commit" in cell else "" for cell in result["cells"]]

    def values(self, table: str, *arguments: str) -> list[tuple[float, str]]:
        """Every value of a cell or scalar with its commit's message, newest first."""
        document = self.document(table, *arguments)
        subjects = {commit["id"]: commit["subject"] for commit in document["commits"]}
        ((cell,),) = (table["cells"] for table in document["tables"])
        return [(value["value"], subjects.get(value.get("commit", ""), "")) for value in cell["values"]]


@pytest.fixture
def boat(tmp_path: Path) -> Boat:
    return Boat(make_repository_yard(tmp_path / "repo", heron=yard_base()))


def cut(rpm: int) -> dict[int, bytes]:
    return {CUT: u16(rpm)}


# Who set what


def test_every_cell_belongs_to_the_commit_that_last_set_it(boat: Boat) -> None:
    boat.commit("More smoke", {SMOKE: u16(610, 710)})
    boat.commit("Even more", {SMOKE: u16(620)})
    boat.commit("Something else", {TRIM: b"\x01"})
    assert boat.setters("smoke_cap") == ["Even more", "More smoke", "The yard", "The yard"]
    assert boat.setters("trim") == ["Something else", "The yard", "The yard", "The yard"]


def test_a_value_that_was_changed_and_set_back_belongs_to_the_commit_that_set_it_back(boat: Boat) -> None:
    boat.commit("Away", cut(4100))
    boat.commit("Back", cut(4200))
    assert boat.setters("overspeed_cut") == ["Back"]


def test_history_lists_uncommitted_changes_as_such(boat: Boat) -> None:
    boat.commit("Lower", cut(4100))
    boat.edit({SMOKE: u16(610)})
    assert boat.setters("smoke_cap") == ["", *["The yard"] * 3]
    assert boat.setters("overspeed_cut") == ["Lower"]
    overview = boat.call()
    assert overview.lines[0].split() == ["smoke_cap", "1/4", "not", "committed", "yet"]
    assert "A  not committed yet" in boat.call("smoke_cap").stdout


def test_a_revision_may_take_the_place_of_the_working_tree(boat: Boat) -> None:
    boat.commit("Lower", cut(4100))
    boat.commit("Lower still", cut(4000))
    boat.edit(cut(3900))
    assert boat.setters("overspeed_cut", "--rev", "HEAD") == ["Lower still"]
    assert boat.setters("overspeed_cut", "--rev", "HEAD~1") == ["Lower"]
    overview = boat.scratch.call("history", f"./{HERON}", "--rev", "HEAD~1")
    assert overview.lines[-2].startswith(f"HEAD~1:{HERON}: 1 of 9 tables")
    at_revision = boat.document("overspeed_cut", image=f"HEAD~1:{HERON}")
    assert at_revision["tables"][0]["cells"][0]["value"] == 4100


def test_an_image_that_is_gone_from_the_working_tree_has_a_history_at_a_revision(boat: Boat) -> None:
    boat.commit("Lower", cut(4100))
    (boat.scratch.root / HERON).unlink()
    assert boat.setters("overspeed_cut", "--rev", "HEAD") == ["Lower"]
    assert "name a commit that has it, as --rev HEAD~1" in boat.scratch.call("history", HERON).error


def test_tables_that_share_a_byte_are_distinguished_by_their_bits(tmp_path: Path) -> None:
    xml = yard_definition(
        """
        <scalar name="low" title="Low" purpose="general" at="0x50" type="uint8" mask="0x0F"/>
        <scalar name="high" title="High" purpose="general" at="0x50" type="uint8" mask="0xF0"/>
        """
    )
    scratch = make_repository_yard(tmp_path, heron=yard_base())
    scratch.write("defs/yard.xml", xml)
    scratch.commit("Two halves of a byte")
    boat = Boat(scratch)
    boat.commit("The lower half", {0x50: b"\x07"})
    assert (boat.setters("low"), boat.setters("high")) == (["The lower half"], ["The yard"])


def test_a_change_outside_every_table_sets_no_cell(boat: Boat) -> None:
    boat.commit("Padding", {0x70: b"\x55"})
    assert boat.call().lines[0].startswith("boats/heron.bin: 0 of 9 tables, axes and texts changed since")


def test_axes_and_texts_have_setters_too(boat: Boat) -> None:
    boat.commit("A moved breakpoint", {0x02: u16(1700)})
    boat.commit("A name", {HULL: b"HERON-3"})
    axis = boat.call("speed_4")
    assert axis.lines[:2] == ["speed_4: axis of speed, rpm", "  800 ·  1700 A  2400 ·  3200 ·"]
    assert boat.call("hull_number").lines[0].startswith('hull_number  "HERON-3"  ')
    assert "A name" in boat.call("hull_number").flat
    document = boat.document("speed_4", "hull_number")
    assert [axis.get("commit") == boat.id("HEAD~1") for axis in document["axes"][0]["breakpoints"]] == [
        False,
        True,
        False,
        False,
    ]
    assert document["texts"] == [{"text": "hull_number", "value": "HERON-3", "commit": boat.id()}]


# Merges


def test_a_merged_cell_belongs_to_the_commit_on_its_own_side(boat: Boat) -> None:
    boat.branch("side")
    boat.commit("On the side", {TRIM: b"\x01"})
    boat.switch("main")
    boat.commit("On main", cut(4100))
    boat.merge("side", edited(boat.data, {TRIM: b"\x01"}))
    assert boat.setters("trim")[0] == "On the side"
    assert boat.setters("overspeed_cut") == ["On main"]
    assert "Merge" not in {commit["subject"] for commit in boat.document("*")["commits"]}


def test_a_cell_that_only_the_merge_has_belongs_to_the_merge(boat: Boat) -> None:
    boat.branch("side")
    boat.commit("On the side", cut(4000))
    boat.switch("main")
    boat.commit("On main", cut(4100))
    boat.merge("side", edited(boat.data, cut(4050)), "Settled by hand")
    assert boat.setters("overspeed_cut") == ["Settled by hand"]
    assert boat.values("overspeed_cut", "--values") == [
        (4050, "Settled by hand"),
        (4100, "On main"),
        (4200, "The yard"),
    ]


def test_a_cell_that_both_sides_set_alike_belongs_to_the_first_parents_side(boat: Boat) -> None:
    boat.branch("side")
    boat.commit("On the side", cut(4000))
    boat.switch("main")
    boat.commit("On main", cut(4000))
    boat.merge("side", boat.data)
    assert boat.setters("overspeed_cut") == ["On main"]


def test_an_image_that_a_branch_added_has_the_branchs_history(boat: Boat) -> None:
    boat.branch("side")
    boat.scratch.write("boats/tern.bin", yard_base())
    tern = Boat(boat.scratch, "boats/tern.bin")
    tern.commit("A new boat")
    tern.commit("Tuned", cut(4100))
    boat.switch("main")
    boat.commit("On main", cut(4150))
    boat.scratch.must("merge", "--quiet", "--no-ff", "--message", "Merge", "side")
    assert tern.setters("overspeed_cut") == ["Tuned"]
    assert tern.setters("monitor") == ["A new boat"]


def test_three_parents_are_followed_each_for_its_own_cells(boat: Boat) -> None:
    places = {"one": {TRIM: b"\x01"}, "two": {MONITOR: b"\x00"}, "three": cut(4100)}
    for name, at in places.items():
        boat.switch("main")
        boat.branch(name)
        boat.commit(f"On {name}", at)
    boat.switch("main")
    merged = edited(boat.data, {place: data for at in places.values() for place, data in at.items()})
    boat.scratch.write(HERON, merged)
    boat.scratch.must("add", "--all")
    tree = boat.scratch.must("write-tree").strip()
    parents = [word for name in ("main", *places) for word in ("-p", boat.id(name))]
    commit = boat.scratch.must("commit-tree", *parents, "-m", "Octopus", tree).strip()
    boat.scratch.must("reset", "--quiet", "--hard", commit)
    assert boat.setters("trim")[0] == "On one"
    assert boat.setters("monitor") == ["On two"]
    assert boat.setters("overspeed_cut") == ["On three"]


CELLS = {SMOKE + 2 * n: ("smoke_cap", n) for n in range(4)} | {FUEL + 2 * n: ("fuel", n) for n in range(12)}


@pytest.mark.parametrize("trial", range(4))
def test_history_agrees_with_git_blame_of_a_text_with_one_line_per_cell(boat: Boat, trial: int) -> None:
    chance = random.Random(trial)

    def twin() -> None:
        lines = [f"{name} {n} {boat.data[at : at + 2].hex()}\n" for at, (name, n) in CELLS.items()]
        boat.scratch.write("twin.txt", "".join(lines))

    def work(message: str) -> None:
        places = chance.sample(sorted(CELLS), 2)
        boat.edit({at: u16(chance.randrange(400, 404)) for at in places} | {0x70: os.urandom(4)})
        twin()
        boat.commit(message)

    twin()
    boat.commit("The twin")
    for turn in range(4):
        boat.switch("main")
        boat.branch(f"side{turn}")
        for n in range(3):
            work(f"Side {turn}.{n}")
        theirs = boat.data
        boat.switch("main")
        for n in range(3):
            work(f"Main {turn}.{n}")
        boat.scratch.git("merge", "--quiet", "--no-ff", "--no-commit", "--strategy", "ours", f"side{turn}")
        taken = chance.sample(sorted(CELLS), 8)
        boat.edit({at: theirs[at : at + 2] for at in taken})
        twin()
        boat.commit(f"Merge {turn}")
    blamed = boat.scratch.must("blame", "--line-porcelain", "twin.txt").splitlines()
    subjects = [line.removeprefix("summary ") for line in blamed if line.startswith("summary ")]
    expected = [subject.replace("The twin", "The yard") for subject in subjects]
    assert boat.setters("smoke_cap") + boat.setters("fuel") == expected
    assert len(set(expected)) > 5


# Renames


def test_renames_are_followed_and_named(boat: Boat) -> None:
    boat.commit("Tuned", cut(4100))
    boat.scratch.must("mv", HERON, "boats/grey heron.bin")
    renamed = Boat(boat.scratch, "boats/grey heron.bin")
    moved = renamed.commit("Another name")
    renamed.commit("And on", {TRIM: b"\x01"})
    assert renamed.setters("overspeed_cut") == ["Tuned"]
    assert renamed.setters("trim") == ["And on", *["The yard"] * 3]
    assert renamed.document()["renames"] == [{"commit": moved, "path": HERON}]
    assert f"Before {moved[:8]} the image was {HERON}." in renamed.call().flat


@pytest.mark.parametrize("renaming", ["main", "side"])
def test_a_rename_on_either_side_of_a_merge_is_followed_on_both(boat: Boat, renaming: str) -> None:
    tern = Boat(boat.scratch, "boats/tern.bin")
    images = {"main": boat, "side": boat, renaming: tern}

    def rename() -> None:
        # In a commit of its own: of so small an image an edit leaves too little for git to know it by.
        boat.scratch.must("mv", HERON, "boats/tern.bin")
        tern.commit("Another name")

    boat.branch("side")
    if renaming == "side":
        rename()
    images["side"].commit("On the side", {TRIM: b"\x01"})
    boat.switch("main")
    if renaming == "main":
        rename()
    images["main"].commit("On main", cut(4100))
    data = edited(images["main"].data, {TRIM: b"\x01"})
    boat.scratch.git("merge", "--quiet", "--no-ff", "--no-commit", "side")
    boat.scratch.must("rm", "--quiet", "--force", "--ignore-unmatch", HERON)
    boat.scratch.write("boats/tern.bin", data)
    boat.scratch.must("add", "--all")
    boat.scratch.must("commit", "--quiet", "--message", "Merge")
    assert tern.setters("trim")[0] == "On the side"
    assert tern.setters("overspeed_cut") == ["On main"]


def test_a_rename_that_is_staged_but_not_committed_is_followed(boat: Boat) -> None:
    boat.commit("Tuned", cut(4100))
    boat.scratch.must("mv", HERON, "boats/tern.bin")
    tern = Boat(boat.scratch, "boats/tern.bin")
    assert tern.setters("overspeed_cut") == ["Tuned"]


@pytest.mark.parametrize("name", ["-t.bin", "boats/måge 3.bin", "boats/--all.bin", ":top.bin", "HEAD"])
def test_any_name_will_do(boat: Boat, name: str) -> None:
    if os.name == "nt" and ":" in name:
        pytest.skip("Windows has no such names")
    boat.scratch.write(name, yard_base())
    odd = Boat(boat.scratch, name)
    odd.commit("An odd name")
    odd.commit("Tuned", cut(4100))
    arguments = ["--definition", "defs/yard.xml", "--format", "json", "--", name, "overspeed_cut"]
    result = boat.scratch.call("history", *arguments)
    assert result.status == 0, result
    document = valid(result.data, "history.schema.json")
    assert document["tables"][0]["cells"][0]["commit"] == boat.id()


def test_a_subfolder_is_as_good_a_place_as_the_top(boat: Boat) -> None:
    boat.commit("Tuned", cut(4100))
    for arguments in (["heron.bin"], ["heron.bin", "--rev", "HEAD"], ["../boats/heron.bin"]):
        result = call("history", *arguments, cwd=boat.scratch.root / "boats")
        assert result.status == 0, result
        assert result.lines[0].startswith("overspeed_cut  1/1  ")


# Where history ends


def test_history_ends_where_the_image_was_of_other_software(boat: Boat) -> None:
    foreign = edited(boat.data, {SOFTWARE: b"YARD-99", CUT: u16(4000)})
    boat.scratch.write(HERON, foreign)
    boat.scratch.commit("Another engine")
    boat.scratch.write(HERON, edited(foreign, {SOFTWARE: b"YARD-01"}))
    boat.scratch.commit("New software")
    update = boat.id()
    boat.commit("Tuned", cut(4100))
    text = f'Before {update[:8]} the image was of other software: its software number is "YARD-99"'
    assert text in boat.call().flat
    assert boat.setters("overspeed_cut") == ["Tuned"]
    assert boat.setters("monitor") == ["New software"]
    assert boat.values("overspeed_cut", "--values") == [(4100, "Tuned"), (4000, "New software")]


def test_history_ends_where_the_image_had_another_size(boat: Boat) -> None:
    boat.scratch.write(HERON, boat.data[:-8])
    boat.scratch.commit("Cut off")
    boat.scratch.write(HERON, yard_base())
    boat.scratch.commit("Whole again")
    assert "the image had 152 bytes and not 160" in boat.call().flat
    assert boat.setters("monitor") == ["Whole again"]


def test_an_image_that_was_removed_and_came_back_has_a_new_history(boat: Boat) -> None:
    data = boat.data
    boat.scratch.must("rm", "--quiet", HERON)
    boat.scratch.commit("Sold")
    boat.scratch.write(HERON, data)
    boat.scratch.commit("Bought back")
    assert boat.setters("monitor") == ["Bought back"]


def test_a_shallow_clone_reports_that_its_history_ends(boat: Boat, tmp_path: Path) -> None:
    boat.commit("Long ago", cut(4100))
    boat.commit("Lately", {TRIM: b"\x01"})
    boat.commit("Now", {MONITOR: b"\x00"})
    source = boat.scratch.root.as_uri()
    boat.scratch.must("clone", "--quiet", "--depth", "2", source, str(tmp_path / "shallow"))
    clone = Boat(Scratch(tmp_path / "shallow"))
    assert clone.setters("overspeed_cut") == ["Lately"]
    assert clone.document()["commits"][-1] == {**clone.document()["commits"][-1], "first": True}
    assert f"Before {boat.id('HEAD~1')[:8]} nothing is known: the clone is shallow" in clone.call().flat


def test_history_ends_where_content_is_missing(boat: Boat) -> None:
    lost = boat.scratch.must("rev-parse", f"HEAD:{HERON}").strip()
    boat.commit("Tuned", cut(4100))
    boat.scratch.write("factory/base.bin", boat.data)
    boat.commit("Another base")
    target = boat.scratch.root / ".git" / "objects" / lost[:2] / lost[2:]
    target.chmod(0o666)
    target.unlink()
    assert f"Before {boat.id('HEAD~1')[:8]} the image could not be read" in boat.call().flat
    assert boat.setters("overspeed_cut") == boat.setters("monitor") == ["Tuned"]


def test_files_that_a_partial_clone_lacks_do_not_hide_the_history_of_an_image(boat: Boat) -> None:
    boat.scratch.write("notes.txt", "Some words about the boat.\n" * 20)
    boat.scratch.commit("Notes")
    lost = boat.scratch.must("rev-parse", "HEAD:notes.txt").strip()
    (boat.scratch.root / "notes.txt").unlink()
    boat.scratch.write("more notes.txt", "Some words about the boat.\n" * 20 + "And more.\n")
    boat.commit("Tuned", cut(4100))
    target = boat.scratch.root / ".git" / "objects" / lost[:2] / lost[2:]
    target.chmod(0o666)
    target.unlink()
    boat.scratch.must("mv", HERON, "boats/tern.bin")
    boat.scratch.must("commit", "--quiet", "--message", "Another name")
    assert Boat(boat.scratch, "boats/tern.bin").setters("overspeed_cut") == ["Tuned"]


def test_an_image_that_git_lfs_stores_is_followed_through_its_pointers(boat: Boat) -> None:
    def commit_pointer(message: str, data: bytes) -> None:
        digest = hashlib.sha256(data).hexdigest()
        boat.scratch.write(f".git/lfs/objects/{digest[:2]}/{digest[2:4]}/{digest}", data)
        pointer = f"version https://git-lfs.github.com/spec/v1\noid sha256:{digest}\nsize {len(data)}\n"
        boat.scratch.stage(HERON, pointer)
        boat.scratch.must("commit", "--quiet", "--message", message)
        boat.scratch.write(HERON, data)  # as the filter of git-lfs leaves it

    commit_pointer("Into the store", boat.data)
    commit_pointer("Tuned", edited(boat.data, cut(4100)))
    assert boat.setters("overspeed_cut") == ["Tuned"]
    assert boat.setters("monitor") == ["The yard"]


def test_a_bare_repository_has_histories(boat: Boat, tmp_path: Path) -> None:
    boat.commit("Tuned", cut(4100))
    boat.scratch.must("clone", "--quiet", "--bare", str(boat.scratch.root), str(tmp_path / "bare.git"))
    bare = Boat(Scratch(tmp_path / "bare.git"))
    assert bare.setters("overspeed_cut") == ["Tuned"]
    assert bare.setters("overspeed_cut", "--rev", "HEAD~1") == ["The yard"]


# Every value of a cell


def test_the_history_of_a_cell_lists_every_value_that_it_ever_had(boat: Boat) -> None:
    boat.commit("First try", {fuel_cell(1, 1): u16(450)})
    boat.commit("Nothing here", {fuel_cell(2, 1): u16(470)})
    boat.commit("Second try", {fuel_cell(1, 1): u16(455)})
    boat.edit({fuel_cell(1, 1): u16(460)})
    result = boat.call("fuel", "--cell", "1600,40")
    day = boat.scratch.must("log", "-1", "--format=%ad", "--date=short").strip()
    assert result.lines == [
        "fuel at 1600 rpm, 40 mg: Fuel by speed and load (demand)",
        "  46.0 mg  not committed yet",
        f"  45.5 mg  {boat.id()[:8]}  {day}  Ada Quay: Second try",
        f"  45.0 mg  {boat.id('HEAD~2')[:8]}  {day}  Ada Quay: First try",
        f"  44.0 mg  {boat.id('HEAD~3')[:8]}  {day}  Ada Quay: The yard",
    ]
    assert boat.values("fuel", "--cell", "1600,40") == [
        (46, ""),
        (45.5, "Second try"),
        (45, "First try"),
        (44, "The yard"),
    ]


def test_a_scalar_a_curve_and_a_text_tell_their_values(boat: Boat) -> None:
    boat.commit("Off", {TRIM + 1: b"\xff", MONITOR: b"\x00", HULL: b"HERON  "})
    assert boat.call("trim", "--cell", "1600").lines[1].startswith("    off  ")
    assert boat.call("trim", "--cell", "1600").lines[2].startswith("  22 °C  ")
    assert [line.split()[0] for line in boat.call("monitor", "--values").lines[1:]] == ["off", "on"]
    assert [line.split()[0] for line in boat.call("hull_number", "--values").lines[1:]] == [
        '"HERON"',
        '"FACTORY"',
    ]
    valid(boat.document("hull_number", "--values"), "history.schema.json")


def test_a_value_shows_the_place_of_its_cell_on_the_former_axis(boat: Boat) -> None:
    boat.commit("Moved", {0x02: u16(1700)})
    boat.commit("Set", {fuel_cell(1, 1): u16(450)})
    lines = boat.call("fuel", "--cell", "1700,40").lines
    assert lines[0].startswith("fuel at 1700 rpm, 40 mg")
    assert "(at 1600 rpm, 40 mg then)" in " ".join(" ".join(lines[2:]).split())
    assert "then" not in lines[1]


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["fuel", "--cell", "1700,40"], "axis speed_4 has no breakpoint 1700; it has 800, 1600, 2400, 3200"),
        (["fuel", "--cell", "1600"], "--cell needs a breakpoint of speed_4 and one of load_3"),
        (["fuel", "--values"], "--cell needs a breakpoint of speed_4 and one of load_3"),
        (["overspeed_cut", "--cell", "1"], "it has only one value; use --values without --cell"),
        (["--cell", "1600,40"], "pass its name after the image"),
        (["*", "--cell", "1600,40"], "pass its name after the image"),
        (["speed_4", "--cell", "1600"], "it is an axis"),
        (["fule"], "did you mean 'fuel'?"),
        (["--rev", "nonsense"], "nonsense: no such revision"),
    ],
)
def test_an_impossible_call_names_the_remedy(boat: Boat, arguments: list[str], complaint: str) -> None:
    assert complaint in boat.scratch.call("history", HERON, *arguments).error


def test_an_axis_that_the_definition_fixes_has_no_history(boat: Boat) -> None:
    tables = (
        '<curve name="gear" title="Gear" purpose="general" at="0x50" type="uint8"><x axis="gears"/></curve>'
    )
    axes = '<fixed-axis name="gears" signal="speed" values="1 2 3"/>'
    boat.scratch.write("defs/yard.xml", yard_definition(tables, axes=axes))
    boat.scratch.commit("Gears")
    boat.commit("Second", {0x51: b"\x07"})
    assert boat.setters("gear") == ["The yard", "Second", "The yard"]
    assert boat.values("gear", "--cell", "2") == [(7, "Second"), (0, "The yard")]
    error = boat.scratch.call("history", HERON, "gears").error
    assert "gears: the definition fixes its breakpoints; no commit sets them" in error


def test_an_image_without_a_commit_has_no_history(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path)
    make_yard(tmp_path, heron=yard_base())
    assert "commit the image first" in scratch.call("history", HERON).error
    scratch.must("commit", "--quiet", "--allow-empty", "--message", "Nothing")
    assert f"{HERON}: HEAD has no such file; commit it first" in scratch.call("history", HERON).error


def test_an_image_outside_every_repository_has_no_history(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, heron=yard_base())
    assert "this is not a git repository" in yard.call("history", HERON).error


# How it reads


def test_the_overview_names_the_newest_change_first_and_counts_cells(boat: Boat) -> None:
    boat.commit("More smoke", {SMOKE: u16(610, 710)})
    boat.commit("Lower", cut(4100))
    lines = boat.call().lines
    day = boat.scratch.must("log", "-1", "--format=%ad", "--date=short").strip()
    assert lines[:3] == [
        f"overspeed_cut  1/1  {boat.id()[:8]}  {day}  Ada Quay: Lower",
        f"smoke_cap      2/4  {boat.id('HEAD~1')[:8]}  {day}  Ada Quay: More smoke",
        "",
    ]
    first = boat.id("HEAD~2")[:8]
    assert " ".join(lines[3:]) == (
        f"{HERON}: 2 of 9 tables, axes and texts changed since {first} of {day} (Ada Quay: The yard)."
    )


def test_all_lists_the_tables_that_never_changed_too(boat: Boat) -> None:
    boat.commit("Lower", cut(4100))
    names = [line.split("  ")[0] for line in boat.call("--all").lines if "Ada Quay: " in line][:9]
    assert names[0] == "overspeed_cut"
    assert {"fuel", "axis speed_4", "hull_number", "egr"} <= set(names)
    assert len(boat.document("--all")["tables"]) == 6


def test_a_map_shows_values_with_marks_and_what_the_marks_mean(boat: Boat) -> None:
    boat.commit("A row", {FUEL: u16(121, 141, 161, 181)})
    boat.commit("A cell", {fuel_cell(1, 1): u16(450)})
    day = boat.scratch.must("log", "-1", "--format=%ad", "--date=short").strip()
    assert boat.call("fuel").lines == [
        "fuel: Fuel by speed and load (demand)",
        "  load  speed, rpm",
        "    mg     800    1600    2400    3200",
        "    10  12.1 B  14.1 B  16.1 B  18.1 B",
        "    40  42.0 ·  45.0 A  46.0 ·  48.0 ·",
        "    70  70.0 ·  72.0 ·  74.0 ·  76.0 ·",
        f"  A  {boat.id()[:8]}  {day}   1 cell  Ada Quay: A cell",
        f"  B  {boat.id('HEAD~1')[:8]}  {day}  4 cells  Ada Quay: A row",
        f"  ·  {boat.id('HEAD~2')[:8]}  {day}  7 cells  Ada Quay: The yard",
        "",
    ]


def test_more_commits_than_letters_have_marks_of_two_letters(boat: Boat) -> None:
    tables = '<curve name="many" title="Many" purpose="general" at="0x50" type="uint8"><x axis="n"/></curve>'
    axes = f'<fixed-axis name="n" signal="speed" values="{" ".join(map(str, range(28)))}"/>'
    boat.scratch.write("defs/yard.xml", yard_definition(tables, axes=axes))
    boat.scratch.commit("Many cells")
    for number in range(28):
        boat.commit(f"Cell {number}", {0x50 + number: b"\x09"})
    text = boat.call("many").stdout
    assert "9 AB" in text and "9  A" in text


def test_a_scalar_takes_one_line(boat: Boat) -> None:
    boat.commit("Lower", cut(4100))
    lines = [line for line in boat.call("overspeed_cut").lines if line]
    assert lines[0].startswith("overspeed_cut  4100 rpm  ") and len(lines) == 1


def test_authors_and_messages_of_strangers_cannot_steer_the_terminal(boat: Boat) -> None:
    boat.edit(cut(4100))
    boat.scratch.must("add", "--all")
    done = boat.scratch.git(
        "commit", "--quiet", "--message", "red \x1b[31m\u202etxt", GIT_AUTHOR_NAME="Ada\x1b[2J Quay"
    )
    assert done.status == 0
    for arguments in ([], ["overspeed_cut"], ["overspeed_cut", "--values"]):
        assert "\\x1b[31m\\u202etxt" in "".join(boat.call(*arguments).stdout.split())


def test_a_long_message_is_cut_in_the_overview_and_whole_beside_the_table(boat: Boat) -> None:
    message = "A message that goes on and on about what was measured where on the brake and why"
    boat.commit(message, cut(4100))
    assert boat.call().lines[0].endswith("…")
    assert message in boat.call("overspeed_cut").flat


@pytest.mark.parametrize("zone", ["+0545", "-0330"])
def test_a_date_has_the_zone_of_the_author(boat: Boat, zone: str) -> None:
    boat.edit(cut(4100))
    boat.scratch.must("commit", "--quiet", "--all", "--message", "Lower", f"--date=2026-04-08T23:50:00{zone}")
    (commit, *_) = boat.document("overspeed_cut")["commits"]
    assert (commit["subject"], commit["date"]) == ("Lower", f"2026-04-08T23:50:00{zone[:3]}:{zone[3:]}")


def test_a_commit_without_message_date_or_sense_does_no_harm(boat: Boat) -> None:
    tree = boat.scratch.must("rev-parse", "HEAD^{tree}").strip()
    broken = f"tree {tree}\nparent {boat.id()}\nauthor  <> none\ncommitter  <> none\n\n"
    boat.scratch.write("commit.txt", broken)
    odd = boat.scratch.must("hash-object", "-t", "commit", "--literally", "-w", "commit.txt").strip()
    (boat.scratch.root / "commit.txt").unlink()
    boat.scratch.must("reset", "--quiet", "--hard", odd)
    boat.commit("Lower", cut(4100))
    assert boat.setters("overspeed_cut") == ["Lower"]
    assert boat.setters("monitor") == ["The yard"]


@pytest.mark.skipif(os.name == "nt", reason="the programs are shell scripts")
def test_no_program_that_a_repository_names_is_started(boat: Boat, tmp_path: Path) -> None:
    boat.commit("Lower", cut(4100))
    trap = tmp_path / "trap"
    trap.write_text(f"#!/bin/sh\ntouch '{tmp_path}/sprung'\n")
    trap.chmod(0o755)
    boat.scratch.write(".gitattributes", "*.bin diff=trap filter=trap\n")
    for key in (
        "diff.external",
        "diff.trap.command",
        "diff.trap.textconv",
        "filter.trap.clean",
        "filter.trap.smudge",
        "core.fsmonitor",
        "core.pager",
        "gpg.program",
        "core.sshCommand",
    ):
        boat.scratch.must("config", key, str(trap))
    boat.scratch.must("config", "log.showSignature", "true")
    boat.scratch.must("config", "log.follow", "true")
    boat.scratch.must("config", "log.showRoot", "false")
    boat.scratch.must("config", "diff.renames", "false")
    boat.scratch.must("config", "color.ui", "always")
    assert boat.setters("overspeed_cut") == ["Lower"]
    assert boat.setters("monitor") == ["The yard"]
    assert not (tmp_path / "sprung").exists()
