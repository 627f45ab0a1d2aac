"""``callint relocate`` as its users meet it, and the definitions that it writes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks.shapes import shapes
from benchmarks.siblings import Sibling, sibling
from callint.comparing.relocation.child import child_content
from callint.comparing.relocation.moved_definition import MovedDefinition, move_definition
from callint.comparing.relocation.relocate import relocate
from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.model.definition import Definition, StoredAxis, Text
from callint.model.image import Image
from callint.reading.definition import read_definition
from callint.reading.tree import WorkingTree
from callint.reporting.definition.child import child_lines
from callint.reporting.definition.xml import definition_lines
from tests.building import Files, definition_xml, read, u16
from tests.running import (
    SIZE,
    Result,
    Yard,
    call,
    make_demo,
    make_yard,
    too_wide,
    valid,
    yard_base,
)
from tests.test_definition_xml import bare

OLD, NEW = "factory/sk28-0412.bin", "factory/sk28-0431.bin"


# The demo's two softwares


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo, in which definitions/found.xml was made from the first software."""
    return make_demo(tmp_path_factory.mktemp("relocate") / "yard").root


@pytest.fixture(scope="module")
def report(demo: Path) -> Result:
    return call("relocate", OLD, NEW, "--to", "definitions/found.xml", "--all", cwd=demo)


def definition_of(folder: Path, path: str) -> Definition:
    file = read_definition((folder / path).read_bytes(), path, WorkingTree(folder))
    assert file.definition is not None and file.problems == (), file.problems[:3]
    return file.definition


def test_the_demos_second_software_is_found_from_its_first(demo: Path, report: Result) -> None:
    assert report.status == 1
    found = definition_of(demo, "definitions/found.xml")
    right = definition_of(demo, "definitions/skerry-28-0431.xml")
    old = definition_of(demo, "definitions/skerry-28.xml")
    # The second software has other names for this scalar and this axis.
    names = {"overspeed_ramp": "overspeed_return_time", "speed_12": "speed_14"}
    assert len(found.tables) > 130
    for name, table in found.tables.items():
        assert table.at == right.tables[names.get(name, name)].at, name
    for axis in found.stored_axes:
        other = right.axes[names.get(axis.name, axis.name)]
        assert isinstance(other, StoredAxis)
        assert (axis.at, axis.count) == (other.at, other.count), axis.name
    assert (found.axes["speed_12"].count, old.axes["speed_12"].count) == (14, 12)
    assert "speed_12: 12 points before, 14 now." in report.lines
    assert [item.content for item in found.memory.identities] == [b"SK28-0431"]
    assert found.title == right.title
    assert [bare(item) for item in found.memory.checksums] == [bare(item) for item in right.memory.checksums]


def test_every_item_is_reported_with_how_it_was_found(demo: Path, report: Result) -> None:
    old = definition_of(demo, "definitions/skerry-28.xml")
    for name in (*old.tables, *old.texts, *(axis.name for axis in old.stored_axes)):
        assert any(f"{name} (" in line for line in report.lines), name
    assert "0x40700 → 0x41600  governor_cut (" in report.stdout or "→" in report.stdout
    assert "definitions/found.xml is written, a child of definitions/skerry-28.xml" in report.flat
    assert too_wide(report.stdout) == []


def test_protections_that_are_left_out_come_before_other_tables(demo: Path, report: Result) -> None:
    rows = [line for line in report.lines if line.endswith("before") and "(axis)" not in line]
    purposes = [row.partition("(")[2].split()[0] for row in rows]
    assert purposes == sorted(
        purposes, key=["protection", "emissions", "demand", "correction", "scalar),"].index
    )
    assert purposes[0] == "protection"


def test_the_new_definition_has_a_finding_about_the_table_with_another_conversion_alone(
    demo: Path, report: Result
) -> None:
    policy = (demo / "callint.toml").read_text().replace("skerry-28-0431.xml", "found.xml")
    (demo / "found.toml").write_text(policy)
    checked = call("check", "definitions/found.xml", "--base", NEW, cwd=demo)
    assert checked.status == 0
    assert [line for line in checked.lines if line.startswith("warning")] == [
        "warning  line 3, from definitions/skerry-28.xml line 569: pilot_quantity"
    ]
    checked = call("check", NEW, "--policy", "found.toml", cwd=demo)
    assert checked.status == 0
    assert [line for line in checked.lines if line.startswith("warning")] == ["warning  pilot_quantity"]


def test_diff_and_carry_take_the_two_softwares_at_once(demo: Path, report: Result) -> None:
    policy = (demo / "callint.toml").read_text().replace("skerry-28-0431.xml", "found.xml")
    (demo / "found.toml").write_text(policy)
    changes = call("diff", OLD, NEW, "--policy", "found.toml", "--format", "json", cwd=demo)
    data = valid(changes.data, "software-changes.schema.json")
    assert len(data["tables"]) < 10
    new = Image.raw((demo / NEW).read_bytes())
    found = definition_of(demo, "definitions/found.xml")
    name, table = next((name, table) for name, table in found.tables.items() if table.kind.value == "scalar")
    reworked = bytearray((demo / OLD).read_bytes())
    at = definition_of(demo, "definitions/skerry-28.xml").tables[name].at
    reworked[at + table.storage.type.size - 1] ^= 1
    (demo / "reworked.bin").write_bytes(reworked)
    carried = call(
        *("carry", OLD, "reworked.bin", NEW, "--to", "carried.bin", "--policy", "found.toml"),
        *("--old-definition", "definitions/skerry-28.xml", "--new-definition", "definitions/found.xml"),
        cwd=demo,
    )
    image = Image.raw((demo / "carried.bin").read_bytes())
    assert f"{name}:" in carried.stdout
    assert image.read(table.at, table.storage.type.size) != new.read(table.at, table.storage.type.size)


def test_json_has_the_same_content_as_the_text(demo: Path, report: Result) -> None:
    result = call("relocate", OLD, NEW, "--format", "json", cwd=demo)
    assert result.status == 1
    data = valid(result.data, "relocation.schema.json")
    summary = data["summary"]
    assert (data["written"], data["complete"]) == (False, False)
    assert summary["items"] == len(data["items"])
    assert summary["placed"] == sum("new_at" in item for item in data["items"])
    counts = f"{summary['placed']} of {summary['items']} items are placed, {summary['left_out']} are left out"
    assert counts in report.flat
    (identity,) = (item for item in data["items"] if item["kind"] == "identity")
    assert identity["new_at"] == 0x5FFE0


def test_without_an_output_nothing_is_written(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, heron=yard_base())
    before = yard.files()
    result = yard.call("relocate", "factory/base.bin", "boats/heron.bin")
    assert result.status == 0
    assert "Nothing is written without --to" in result.flat
    assert yard.files() == before


# What is written


def moved_of(pair: Sibling) -> MovedDefinition:
    old, new = Image.raw(pair.old), Image.raw(pair.new)
    return move_definition(pair.definition, relocate(pair.definition, old, new), new, "newer")


def read_child(parent: Definition, moved: MovedDefinition) -> Definition:
    """What is read of the child that is written."""
    tree = Files()
    tree.files["old.xml"] = "".join(definition_lines(parent)).encode()
    lines = child_lines(moved.definition, "old.xml", child_content(moved), {})
    file = read_definition("".join(lines).encode(), "new.xml", tree)
    assert file.definition is not None and file.problems == (), file.problems[:3]
    return file.definition


@pytest.mark.parametrize("seed", range(4))
def test_a_child_and_a_whole_definition_say_the_same(seed: int) -> None:
    moved = moved_of(sibling(seed, 150, 0, shapes(seed), ""))
    whole = read("".join(definition_lines(moved.definition)).encode())
    child = read_child(moved.old, moved)
    assert len(child.tables) > 50
    assert (bare(child), bare(whole)) == (bare(moved.definition), bare(moved.definition))


def test_a_child_of_the_demo_moves_own_axes_and_counts(demo: Path, report: Result) -> None:
    old = definition_of(demo, "definitions/skerry-28.xml")
    images = [Image.raw((demo / name).read_bytes()) for name in (OLD, NEW)]
    moved = move_definition(old, relocate(old, *images), images[1], "newer")
    assert bare(read_child(old, moved)) == bare(moved.definition)
    before = {axis.name: axis.at for axis in old.stored_axes}
    own = [axis for axis in moved.definition.stored_axes if "/" in axis.name]
    assert any(axis.at != before[axis.name] for axis in own)


def placed(kind: ItemKind, name: str, old: int, new: int | None) -> Placement:
    evidence = RelocationEvidence.ABSENT if new is None else RelocationEvidence.SAME
    return Placement(kind, name, old, new, 1.0, evidence, ())


CURVES = definition_xml(
    """
    <curve name="a" title="A" purpose="general" at="0x10" type="uint8"><x axis="x"/></curve>
    <curve name="b" title="B" purpose="general" at="0x14" type="uint8">
      <x><axis signal="speed" at="0x21" type="uint8" count="4" count-at="0x20"/></x>
    </curve>
    <scalar name="s" title="S" purpose="general" at="0x30" type="uint8"/>
    <text name="t" title="T" purpose="general" at="0x32" length="4"/>
    """,
    axes='<axis name="x" signal="speed" at="0x8" type="uint8" count="4" count-at="0x7"/>',
    memory='<region name="data" start="0" size="0x38"/><identity name="software" at="0x0" text="OLD"/>'
    '<checksum name="sum" algorithm="sum16" start="0x4" size="0x30" stored-at="0x3C"/>',
    relations='<at-most table="a" bound="b"/>',
)
KINDS = {
    "a": ItemKind.CURVE,
    "b": ItemKind.CURVE,
    "s": ItemKind.SCALAR,
    "t": ItemKind.TEXT,
    "x": ItemKind.AXIS,
}
PLACES = {"a": 0x10, "b": 0x14, "s": 0x30, "t": 0x32, "x": 0x8, "b/x": 0x21}


def moved_by(new: dict[str, int | None], image: bytes = bytes(64)) -> MovedDefinition:
    """The definition of CURVES with items at new addresses, the others where they were."""
    definition = read(CURVES)
    placements = [
        placed(KINDS.get(name, ItemKind.AXIS), name, at, new.get(name, at)) for name, at in PLACES.items()
    ]
    placements.append(placed(ItemKind.IDENTITY, "software", 0, new.get("software", 0)))
    return move_definition(definition, placements, Image.raw(image), "newer")


def test_an_axis_that_is_left_out_takes_its_tables_and_their_relations_along() -> None:
    moved = moved_by({"x": None})
    reasons = {item.name: item.evidence for item in moved.left}
    assert reasons["a"] is RelocationEvidence.AXIS_LEFT
    assert set(reasons) == {"x", "a", "sum"}
    assert (moved.definition.relations, "b" in moved.definition.tables) == ((), True)
    child = read_child(read(CURVES), moved)
    assert bare(child) == bare(moved.definition)
    assert child.memory.checksums == ()


def test_a_table_that_is_left_out_takes_its_own_axis_along() -> None:
    moved = moved_by({"b": None})
    assert {item.name: item.evidence for item in moved.left}["b/x"] is RelocationEvidence.TABLE_LEFT
    assert "b/x" not in read_child(read(CURVES), moved).axes


def test_an_identity_that_is_left_out_is_gone() -> None:
    assert read_child(read(CURVES), moved_by({"software": None})).memory.identities == ()


def test_an_identity_has_the_bytes_of_the_new_image() -> None:
    image = bytes(4) + b"NEW" + bytes(57)
    moved = moved_by({"software": 4}, image)
    assert [item.content for item in read_child(read(CURVES), moved).memory.identities] == [b"NEW"]


@pytest.mark.parametrize(
    ("moves", "expected"),
    [
        ({"a": 0x11}, (0x0, 0x38)),  # everything still lies in the region
        ({"t": 0x3A}, (0x0, 0x40)),
    ],
)
def test_a_region_stays_as_long_as_it_holds_its_items(moves: dict[str, int | None], expected: Any) -> None:
    moved = moved_by(moves)
    (region,) = moved.definition.memory.regions
    assert (region.start, region.start + region.size) == expected
    assert moved.moved_regions == (() if expected == (0x0, 0x38) else ("data",))


def test_neighbours_that_moved_alike_are_one_shift_and_single_ones_are_not() -> None:
    content = child_content(moved_by({"a": 0x12, "b": 0x16, "b/x": 0x21, "t": 0x30}))
    assert [(item.start, item.size, item.by) for item in content.ranges] == [(0x10, 5, 2)]
    assert [(item.name, dict(item.addresses)) for item in content.places] == [("t", {"at": 0x30})]


def test_a_placement_outside_the_memory_is_left_out() -> None:
    moved = moved_by({"s": 64, "t": 62})
    outside = {item.name for item in moved.left if item.evidence is RelocationEvidence.OUTSIDE}
    assert outside == {"s", "t"}


def test_what_the_old_image_lacks_is_left_out() -> None:
    moved = move_definition(read(CURVES), [], Image.raw(bytes(64)), "newer")
    assert len(moved.left) == len(moved.placements) == 8
    assert {item.evidence for item in moved.left} == {RelocationEvidence.LACKED}


def test_the_title_names_the_new_software_if_it_named_the_old_one() -> None:
    named = read(CURVES.replace(b"<memory", b"<title>Yard, software OLD</title><memory", 1))
    image = Image.raw(b"NEW" + bytes(61))
    moved = move_definition(named, [placed(ItemKind.IDENTITY, "software", 0, 0)], image, "newer")
    assert moved.definition.title == "Yard, software NEW"


# A software in which everything moved


def larger_yard(root: Path, by: int = 0x40) -> Yard:
    """A yard whose boats/new.bin has ``by`` more bytes in front."""
    yard = make_yard(root)
    noise = np.random.default_rng(5).integers(0, 256, by, np.uint8).tobytes()
    content = noise + yard_base().replace(b"YARD-01", b"YARD-02")
    covered = content[by : by + 0x80]
    at = by + 0x90
    yard.write("boats/new.bin", content[:at] + u16(sum(covered) & 0xFFFF) + content[at + 2 :])
    return yard


def test_a_software_in_which_all_moved_is_placed_whole(tmp_path: Path) -> None:
    yard = larger_yard(tmp_path)
    result = yard.call("relocate", "factory/base.bin", "boats/new.bin", "--whole", "--to", "new.xml")
    assert (result.status, result.stderr) == (0, "")
    definition = definition_of(tmp_path, "new.xml")
    old = definition_of(tmp_path, "defs/yard.xml")
    assert definition.memory.size == SIZE + 0x40
    assert {name: table.at - 0x40 for name, table in definition.tables.items()} == {
        name: table.at for name, table in old.tables.items()
    }
    (text,) = definition.texts.values()
    assert isinstance(text, Text) and text.at == 0x78
    (checksum,) = definition.memory.checksums
    assert (checksum.start, checksum.size, checksum.stored_at) == (0x40, 0x80, 0xD0)
    assert definition.lines.parts in ((), ("new.xml",))


def test_a_child_beside_its_parent_is_checked_clean(tmp_path: Path) -> None:
    yard = larger_yard(tmp_path)
    result = yard.call("relocate", "factory/base.bin", "boats/new.bin", "--to", "defs/new.xml")
    assert result.status == 0
    assert 'extends="yard.xml"' in (tmp_path / "defs/new.xml").read_text()
    checked = yard.call("check", "boats/new.bin", "--definition", "defs/new.xml", "--base", "boats/new.bin")
    assert (checked.status, checked.stdout) == (0, "")
    assert "regions that follow their items (calibration)" in result.flat


# What is refused


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--to", "defs/yard.xml"), "defs/yard.xml: it exists; remove it, or name another with --to"),
        (("--to", "defs/2nd.xml"), "the name of the file is not one of a definition; give --name"),
        (("--to", "defs/new.xml", "--name", "a b"), "--name a b: a name has letters"),
        (("--to", "../other/new.xml"), "or write it with --whole"),
        (("--to", "defs/new.txt/x.xml"), "there is no folder"),
        (("--definition", "absent.xml"), "absent.xml: it does not exist; check the path"),
    ],
)
def test_a_wrong_option_is_one_line_and_nothing_is_written(
    tmp_path: Path, arguments: tuple[str, ...], message: str
) -> None:
    yard = make_yard(tmp_path / "yard", heron=yard_base())
    (tmp_path / "other").mkdir()
    before = yard.files()
    assert message in yard.call("relocate", "factory/base.bin", "boats/heron.bin", *arguments).error
    assert yard.files() == before


def test_an_image_of_other_software_is_not_the_old_one(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, new=yard_base().replace(b"YARD-01", b"YARD-02"))
    error = yard.call("relocate", "boats/new.bin", "factory/base.bin").error
    assert 'its software number is "YARD-02", not "YARD-01"' in error


def test_an_empty_or_too_large_new_image_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    yard = make_yard(tmp_path, empty=b"", large=bytes(2 * SIZE))
    assert "the image is empty" in yard.call("relocate", "factory/base.bin", "boats/empty.bin").error
    monkeypatch.setattr("callint.comparing.relocation.relocate.MAX_BYTES", SIZE)
    error = yard.call("relocate", "factory/base.bin", "boats/large.bin").error
    assert f"boats/large.bin: it spans {2 * SIZE} bytes" in error


def test_an_image_without_any_of_the_tables_gives_no_definition(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, noise=np.random.default_rng(3).integers(0, 256, 999, np.uint8).tobytes())
    result = yard.call("relocate", "factory/base.bin", "boats/noise.bin", "--to", "defs/new.xml")
    assert result.status == 1
    assert "Nothing is written" in result.flat
    assert not (tmp_path / "defs/new.xml").exists()


def test_the_old_image_may_be_at_a_revision_of_its_parent_on_disk(demo: Path, report: Result) -> None:
    result = call("relocate", f"HEAD:{OLD}", NEW, "--to", "definitions/again.xml", cwd=demo)
    assert result.status == 1
    text = (demo / "definitions/again.xml").read_text()
    assert text.replace('name="again"', 'name="found"') == (demo / "definitions/found.xml").read_text()


# Tables with another size


def resized(axis: str, count: int, count_at: int | None = None) -> MovedDefinition:
    """The definition of CURVES with everything in its place, but an axis that has another size."""
    definition = read(CURVES)
    placements = [
        placed(KINDS.get(name, ItemKind.AXIS), name, at, at)
        if name != axis
        else replace(placed(ItemKind.AXIS, name, at, at), count=count, count_at=count_at)
        for name, at in PLACES.items()
    ]
    return move_definition(definition, placements, Image.raw(bytes(64)), "newer")


@pytest.mark.parametrize(("axis", "table"), [("x", "a"), ("b/x", "b")])
def test_a_child_declares_a_resized_axis_again(axis: str, table: str) -> None:
    moved = resized(axis, 3, 0x3)
    child = read_child(moved.old, moved)
    assert bare(child) == bare(moved.definition)
    assert child.shape_of(child.tables[table]) == (1, 3)
    found = child.axes[axis]
    assert isinstance(found, StoredAxis) and found.stored_count is not None
    assert (found.count, found.stored_count.at) == (3, 0x3)


def test_a_table_that_no_longer_fits_into_the_memory_is_left_out() -> None:
    definition = read(CURVES.replace(b'at="0x10"', b'at="0x3C"'))
    placements = [
        placed(ItemKind.CURVE, "a", 0x3C, 0x3C),
        replace(placed(ItemKind.AXIS, "x", 8, 8), count=5),
    ]
    moved = move_definition(definition, placements, Image.raw(bytes(64)), "newer")
    assert {item.name: item.evidence for item in moved.left}["a"] is RelocationEvidence.OUTSIDE
