"""``callint import`` as its users meet it."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest

from tests.building import u16
from tests.describing import LAYOUTS, METHODS, SPEED_SIGNAL, axis, module, value
from tests.running import (
    Yard,
    valid,
)

CURVE = value(
    "FULL_LOAD", axis("COM_AXIS", 4, "AXIS_PTS_REF SPEEDS"), title="Full load fuel", type="CURVE", at="0x20"
)
SPEEDS = '/begin AXIS_PTS SPEEDS "Speeds" 0x10 N BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
PART = (
    '/begin MOD_PAR "" EPK "SK28-0412" ADDR_EPK 0x40 '
    '/begin MEMORY_SEGMENT CAL "" DATA FLASH INTERN 0 0x80 -1 -1 -1 -1 -1 /end MEMORY_SEGMENT /end MOD_PAR'
)
BLOCKS = (LAYOUTS, METHODS, SPEED_SIGNAL, PART, SPEEDS, CURVE)
WHOLE = module(*BLOCKS)
PARTLY = module(
    *BLOCKS,
    value("CUBE", type="CUBOID"),
    value("SHINY", "SHINE 1", at=0x50),
    '/begin GROUP G "" /end GROUP',
)


NO_AXES = "a CUBOID has 3 AXIS_DESCR, but it has 0"


def line_of(word: str) -> int:
    """The line of PARTLY in which a word first stands."""
    return PARTLY[: PARTLY.index(word)].count("\n") + 1


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path)
    yard.write("engine.a2l", WHOLE)
    yard.write("partly.a2l", PARTLY)
    return yard


def test_a_description_that_is_kept_whole_becomes_a_definition_beside_it(yard: Yard) -> None:
    result = yard.run("import", "engine.a2l")
    assert (result.status, result.stderr) == (0, "")
    assert result.flat.startswith(
        "engine.a2l: module SKERRY, ASAP2 version 1.61 "
        "engine.xml is written: 1 curve, 1 shared axis, 2 conversions, 1 signal, 1 region, 1 identity."
    )
    assert "Left out" not in result.stdout
    assert 'all are "general"' in result.flat
    assert max(map(len, result.lines)) <= 80


@pytest.mark.parametrize("is_frozen", [False, True])
def test_collections_of_garbage_go_on_after_an_import_and_frozen_objects_stay_so(
    yard: Yard, is_frozen: bool
) -> None:
    was_frozen = gc.get_freeze_count() > 0
    (gc.freeze if is_frozen else gc.unfreeze)()
    try:
        assert yard.call("import", "engine.a2l").status == 0
        assert gc.isenabled()
        assert (gc.get_freeze_count() > 0) is is_frozen
    finally:
        (gc.freeze if was_frozen else gc.unfreeze)()


def test_the_definition_serves_to_show_an_image(yard: Yard) -> None:
    yard.call("import", "engine.a2l", "--to", "made.xml", "--name", "skerry-28")
    image = bytearray(0x80)
    image[0x10:0x14] = bytes([40, 80, 120, 160])
    image[0x20:0x28] = u16(100, 300, 280, 250)
    image[0x40:0x49] = b"SK28-0412"
    yard.write("boat.bin", bytes(image))
    shown = yard.call("show", "boat.bin", "FULL_LOAD", "--definition", "made.xml")
    assert shown.status == 0
    assert "FULL_LOAD: Full load fuel (general)" in shown.stdout
    assert "800 1600 2400 3200" in shown.flat
    assert "10.0 30.0 28.0 25.0" in shown.flat
    assert yard.call("check", "boat.bin", "--definition", "made.xml").status == 0
    assert b'name="skerry-28"' in (yard.root / "made.xml").read_bytes()


def test_parts_that_import_leaves_out_are_reported_with_their_line_and_status_1(yard: Yard) -> None:
    result = yard.call("import", "partly.a2l")
    assert (result.status, result.stderr) == (1, "")
    assert f"Left out: 1 CHARACTERISTIC: {NO_AXES} (1) CUBE (line {line_of('CUBE')})" in result.flat
    assert f"SHINE in CHARACTERISTIC: 1, first in line {line_of('SHINE')}" in result.flat
    assert "Not in the standard" in result.stdout
    assert f"GROUP that nothing kept uses: 1, first in line {line_of('/begin GROUP')}" in result.flat
    assert (yard.root / "partly.xml").exists()
    assert max(map(len, result.lines)) <= 80


def test_much_of_one_kind_is_cut_short_and_all_shows_it(yard: Yard) -> None:
    cubes = [value(f"CUBE{number}", type="CUBOID") for number in range(20)]
    yard.write("cubes.a2l", module(*BLOCKS, *cubes))
    short = yard.call("import", "cubes.a2l", "--to", "a.xml")
    assert f"{NO_AXES} (20)" in short.flat and "and 17 more" in short.flat
    assert "CUBE19" not in short.stdout
    assert "CUBE19" in yard.call("import", "cubes.a2l", "--to", "b.xml", "--all").stdout


@pytest.mark.parametrize("name", ["engine", "partly"])
def test_the_json_report_keeps_to_its_schema(yard: Yard, name: str) -> None:
    result = yard.call("import", f"{name}.a2l", "--format", "json")
    report = valid(result.data, "import.schema.json")
    assert report["complete"] is (name == "engine") and report["written"] is True
    assert report["definition"] == f"{name}.xml"
    assert report["taken"]["curve"] == 1
    lost = [(item["name"], item["reason"], item["line"]) for item in report["lost"]]
    assert lost == ([] if name == "engine" else [("CUBE", NO_AXES, line_of("CUBE"))])


def test_nothing_is_written_where_nothing_could_be_kept(yard: Yard) -> None:
    yard.write("empty.a2l", module(value("CUBE", type="CUBOID")))
    result = yard.call("import", "empty.a2l")
    assert result.status == 1
    assert "Nothing is written: no table, axis or text could be kept." in result.flat
    assert not (yard.root / "empty.xml").exists()
    report = valid(yard.call("import", "empty.a2l", "--format", "json").data, "import.schema.json")
    assert (report["written"], report["taken"]) == (False, {})


def test_a_file_that_exists_is_never_written_over(yard: Yard) -> None:
    before = yard.files()
    assert "engine.a2l: it exists" in yard.call("import", "engine.a2l", "--to", "engine.a2l").error
    yard.write("engine.xml", "mine")
    assert yard.call("import", "engine.a2l").error == (
        "callint: engine.xml: it exists; remove it, or name another with --to"
    )
    assert yard.files() == {**before, "engine.xml": b"mine"}


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (("none.a2l",), "none.a2l: it cannot be read: it does not exist; check the name"),
        (("engine.a2l", "--module", "X"), "engine.a2l: it has no module 'X'; its modules are: SKERRY"),
        (("engine.a2l", "--name", "a b"), "--name a b: a name has letters, digits"),
        (("engine.a2l", "--to", "no/made.xml"), "no/made.xml: it cannot be written: there is no folder no"),
        ((".",), ".: it cannot be read: it is a folder; name a file"),
        (("",), ".: it cannot be read: it is a folder; name a file"),
        (("/",), "/: it cannot be read: it is a folder; name a file"),
        (("..",), "..: it cannot be read: it is a folder; name a file"),
        (("engine.a2l", "--module", "X", "--to", "engine.a2l"), "engine.a2l: it has no module 'X'"),
        (("broken.a2l",), "broken.a2l:2: the string that begins here has no end"),
    ],
)
def test_wrong_input_is_one_line_and_nothing_is_written(
    yard: Yard, arguments: tuple[str, ...], line: str
) -> None:
    yard.write("broken.a2l", 'ASAP2_VERSION 1 61\n/begin PROJECT P "')
    before = yard.files()
    assert yard.call("import", *arguments).error.startswith(f"callint: {line}")
    assert yard.files() == before


def test_a_strangers_names_do_not_steer_the_terminal(yard: Yard) -> None:
    yard.write("evil.a2l", module(*BLOCKS, value("\x1b[2J\x07", type="CUBOID"), name="\x1b]0;x"))
    result = yard.call("import", "evil.a2l", "--to", "made.xml")
    assert "\x1b" not in result.stdout and "\x07" not in result.stdout
    assert "\\x1b[2J\\x07" in result.stdout


def test_an_image_gives_the_breakpoints_that_a_record_stores_as_parameters(yard: Yard) -> None:
    layout = (
        "/begin RECORD_LAYOUT DIST OFFSET_X 1 UBYTE DIST_OP_X 2 UBYTE FNC_VALUES 3 UBYTE ROW_DIR DIRECT "
        "/end RECORD_LAYOUT"
    )
    curve = value(
        "FULL_LOAD", axis("FIX_AXIS", 3), type="CURVE", at="0x20", layout="DIST", method="NO_COMPU_METHOD"
    )
    yard.write("steps.a2l", module(LAYOUTS, METHODS, SPEED_SIGNAL, PART, layout, curve))
    rest = bytes(0x1B) + b"SK28-0412" + bytes(0x37)
    yard.write("base.bin", bytes(0x20) + bytes([50, 10, 1, 2, 3]) + rest)
    result = yard.call("import", "steps.a2l", "--image", "base.bin")
    assert (result.status, result.stderr) == (1, "")
    assert "follows from stored parameters; it keeps the breakpoints that base.bin gives" in result.flat
    shown = yard.call("show", "base.bin", "FULL_LOAD", "--definition", "steps.xml")
    assert "1000 1200 1400" in shown.flat
    # Another distance would move every breakpoint, so it must be that of the base.
    yard.write("boat.bin", bytes(0x20) + bytes([50, 11, 1, 2, 3]) + rest)
    checked = yard.call("check", "boat.bin", "--definition", "steps.xml", "--base", "base.bin")
    assert checked.status == 1 and "FULL_LOAD.dist_op_x" in checked.stdout


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (bytes(3), "the image has 3 bytes, but the memory of the description has 128 from 0x0"),
        (b":01000000AA00\n", "the records of the image are damaged"),
        (
            bytes(0x80),
            'its EPK is 00 00 00 00 00 00 00 00 00, not "SK28-0412"; give an image of this software',
        ),
        (None, "the image cannot be read"),
    ],
)
def test_an_image_that_does_not_fit_the_description_is_refused(
    yard: Yard, content: bytes | None, problem: str
) -> None:
    if content is not None:
        yard.write("base.bin", content)
    result = yard.call("import", "engine.a2l", "--image", "base.bin")
    assert problem in result.error
    assert not (yard.root / "engine.xml").exists()
