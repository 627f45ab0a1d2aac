"""``callint diff`` with files in ASAM CDF 2.0: changes written for other tools, and compared with images."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest
from lxml import etree

from tests.building import definition_xml, image, s_file, u16
from tests.running import (
    CUT,
    GOOD,
    HULL,
    MONITOR,
    NOTHING,
    TRIM,
    Yard,
    edited,
    fuel_cell,
    make_repository_yard,
    make_yard,
    steering,
    too_wide,
    valid,
    yard_base,
)

BASE, HERON, AUK, FILE = "factory/base.bin", "boats/heron.bin", "boats/auk.bin", "change.cdfx"

#: A map, a scalar, a state, a switched-off cell, a shared axis, a text, and bytes that nothing explains.
CHANGES = {
    0x06: u16(3300),
    fuel_cell(1, 1): u16(450),
    CUT: u16(4300),
    MONITOR: b"\x00",
    TRIM: b"\xff",
    HULL: b"HERON-3     ",
    NOTHING: b"\xde\xad",
}
EVERYTHING = edited(yard_base(), CHANGES)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD, auk=EVERYTHING)


def write(yard: Yard, *arguments: str, old: str = BASE, new: str = HERON) -> str:
    """A written file; the standard error is the result."""
    result = yard.call("diff", old, new, "--format", "cdfx", "--output", FILE, *arguments)
    assert (result.status, result.stdout) == (1, ""), result
    return result.stderr


def names(yard: Yard) -> list[str]:
    root = etree.fromstring((yard.root / FILE).read_bytes())
    return [str(item.findtext("SHORT-NAME")) for item in root.iter("SW-INSTANCE")]


# Out


def test_the_changed_tables_are_written_as_they_are_in_the_new_image(yard: Yard) -> None:
    assert write(yard) == ""
    assert names(yard) == ["speed_4", "load_3", "fuel", "hull_number"]
    root = etree.fromstring((yard.root / FILE).read_bytes())
    fuel = next(item for item in root.iter("SW-INSTANCE") if item.findtext("SHORT-NAME") == "fuel")
    rows = [[item.text for item in group.iter("V")] for group in fuel.iter("VG")]
    assert rows == [["12", "14", "16", "18"], ["42", "45", "46", "48"], ["70", "72", "74", "76"]]


def test_a_file_is_the_same_bytes_as_the_standard_output(yard: Yard) -> None:
    write(yard)
    printed = yard.call("diff", BASE, HERON, "--format", "cdfx")
    assert (printed.status, printed.stderr) == (1, "")
    assert (yard.root / FILE).read_bytes() == printed.stdout.encode()


def test_only_the_tables_that_are_asked_for_are_written(yard: Yard) -> None:
    write(yard, "-t", "hull*")
    assert names(yard) == ["hull_number"]


def test_equal_images_make_a_file_without_tables_and_status_0(yard: Yard) -> None:
    result = yard.call("diff", HERON, HERON, "--format", "cdfx", "--output", FILE)
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    assert names(yard) == []
    assert yard.call("diff", BASE, FILE).status == 0


def test_differences_without_a_place_in_the_file_are_reported(yard: Yard) -> None:
    text = write(yard, new=AUK)
    assert text == (
        "callint: boats/auk.bin: not in the CDFX, which has tables, axes and texts alone: "
        "2 bytes not defined\n"
    )
    assert write(yard, "-t", "fuel", new=AUK) == "", "who chose tables knows that it is not everything"


def test_images_at_revisions_are_written_too(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repository", heron=yard_base())
    scratch.write(HERON, GOOD)
    write(scratch, old=f"HEAD:{HERON}")
    assert names(scratch) == ["speed_4", "load_3", "fuel", "hull_number"]


def test_json_goes_to_a_file_too(yard: Yard) -> None:
    printed = yard.call("diff", BASE, HERON, "--format", "json")
    assert yard.call("diff", BASE, HERON, "--format", "json", "--output", "change.json").stdout == ""
    assert (yard.root / "change.json").read_text("utf-8") == printed.stdout


# In


def test_a_file_equals_the_image_that_it_was_written_from_in_silence(yard: Yard) -> None:
    for new in (HERON, AUK):
        write(yard, new=new)
        result = yard.call("diff", new, FILE)
        assert (result.status, result.stdout, result.stderr) == (0, "", "")


def test_a_single_bit_makes_the_difference(yard: Yard) -> None:
    write(yard)
    yard.write(HERON, edited(GOOD, {fuel_cell(2, 1): u16(461)}))
    result = yard.call("diff", HERON, FILE)
    assert result.status == 1
    assert "46.1 → 46.0 mg" in result.flat and "at 2400 rpm, 40 mg" in result.flat
    assert result.lines[0] == "fuel: Fuel by speed and load (demand)"
    assert not too_wide(result.stdout) and not steering(result.stdout)


def test_beside_the_base_a_file_shows_the_change_itself_in_every_view(yard: Yard) -> None:
    write(yard, new=AUK)
    stat = yard.call("diff", BASE, FILE, "--stat")
    assert stat.status == 1
    assert re.findall(r"^(?:axis |text )?(\w+)  ", stat.stdout, re.MULTILINE) == [
        *("overspeed_cut", "monitor", "fuel", "trim"),
        *("speed_4", "hull_number"),
    ]
    whole = valid(yard.call("diff", BASE, AUK, "--format", "json").data, "changes.schema.json")
    result = valid(yard.call("diff", BASE, FILE, "--format", "json").data, "changes.schema.json")
    assert (result["old"], result["new"]) == (BASE, FILE)
    for part in ("tables", "axes", "texts"):
        assert result[part] == whole[part]
    assert result["unexplained"] == [], "the file does not hold what nothing defines"


def test_only_the_tables_that_are_asked_for_are_compared(yard: Yard) -> None:
    write(yard)
    assert yard.call("diff", BASE, FILE, "-t", "smoke_cap").status == 0
    assert yard.call("diff", BASE, FILE, "-t", "fuel").status == 1


def test_a_file_at_a_revision_is_compared_too(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repository", heron=GOOD)
    write(scratch)
    scratch.commit("The change, for others")
    (scratch.root / FILE).unlink()
    assert scratch.call("diff", HERON, f"HEAD:{FILE}").status == 0
    assert scratch.call("diff", BASE, f"HEAD:{FILE}").status == 1


def test_a_part_of_the_memory_is_compared_where_it_holds_the_tables(yard: Yard) -> None:
    write(yard, "-t", "fuel")
    yard.write(HERON, s_file({0x00: GOOD[:0x28]}))
    assert yard.call("diff", HERON, FILE).status == 0
    yard.write(HERON, s_file({0x00: GOOD[:0x20]}))
    assert "the image does not hold fuel whole" in yard.call("diff", HERON, FILE).error


# Wrong input


def test_a_wrong_line_is_reported_with_file_line_and_remedy(yard: Yard) -> None:
    write(yard)
    text = (yard.root / FILE).read_text("utf-8")
    line = text[: text.index("<V>45</V>")].count("\n") + 1
    yard.write(FILE, text.replace("<V>45</V>", "<V>45,0</V>"))
    error = yard.call("diff", HERON, FILE).error
    assert error == f"callint: {FILE}:{line}: '45,0' is not a number; write it with a point, as in 12.5"


def test_what_the_definition_lacks_is_listed_in_one_line_and_the_rest_is_compared(yard: Yard) -> None:
    write(yard, new=AUK)
    text = (yard.root / FILE).read_text("utf-8")
    yard.write(FILE, text.replace("<SHORT-NAME>fuel<", "<SHORT-NAME>feul<").encode("utf-16"))
    result = yard.call("diff", AUK, FILE)
    assert (result.status, result.stdout) == (0, "")
    assert result.stderr == f"callint: {FILE}: left out 1 instance that the definition lacks: feul\n"
    yard.write(FILE, re.sub("<SHORT-NAME>(?!Y|yard|change)", "<SHORT-NAME>x_", text))
    error = yard.call("diff", AUK, FILE).error
    assert "the definition has no instance of the file" in error


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((FILE, HERON), "it holds values, not an image; pass it second"),
        ((FILE, FILE), "it holds values, not an image; pass it second"),
        ((BASE, HERON, "--output", "out"), "--output needs --format json or cdfx"),
        ((BASE, HERON, "--format", "cdfx", "--stat"), "--format cdfx needs two images"),
        ((BASE, HERON, "--format", "cdfx", "--output", HERON), "would replace an input"),
        ((HERON, FILE, "--format", "json", "--output", FILE), "would replace an input"),
        ((BASE, HERON, "--format", "cdfx", "--output", "callint.toml"), "would replace an input"),
        ((BASE, HERON, "--format", "cdfx", "--output", "no/where"), "there is no folder no"),
        ((BASE, HERON, "--format", "cdfx", "--output", "out", "-t", "fule"), "did you mean 'fuel'?"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_wrong_call_is_refused_in_one_line_and_nothing_is_written(
    yard: Yard, arguments: tuple[str, ...], message: str
) -> None:
    write(yard)
    before = yard.files()
    assert message in yard.call("diff", *arguments).error
    assert yard.files() == before


def test_revisions_make_no_single_file(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repository", heron=GOOD)
    error = scratch.call("diff", "HEAD", "HEAD", "--format", "cdfx").error
    assert "--format cdfx needs two images" in error


def test_a_change_that_the_file_cannot_hold_is_refused_whole_and_the_old_file_stays(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", heron=image(at_16=struct.pack(">2f", 1, float("nan"))))
    tables = '<scalar name="{}" title="T" purpose="general" at="{}" type="float32"/>'
    yard.write("defs/yard.xml", definition_xml(tables.format("one", 16) + tables.format("other", 20)))
    yard.write(BASE, image())
    yard.write(FILE, "what stood here")
    before = yard.files()
    arguments = ("--format", "cdfx", "--output", FILE)
    error = yard.call("diff", BASE, HERON, *arguments).error
    assert error == (
        "callint: boats/heron.bin: other: it holds a value that is not finite, which CDFX cannot express; "
        "choose other tables with -t"
    )
    assert yard.files() == before
    assert yard.call("diff", BASE, HERON, *arguments, "-t", "one").status == 1
    assert names(yard) == ["one"]


def test_a_strangers_file_steers_no_terminal(yard: Yard) -> None:
    write(yard)
    text = (yard.root / FILE).read_text("utf-8")
    yard.write(FILE, text.replace("<SHORT-NAME>fuel<", "<SHORT-NAME>fu\u202eel<"))
    error = yard.call("diff", HERON, FILE).stderr
    assert not steering(error) and "fu\\u202eel" in error
    yard.write(FILE, text.replace("HERON-3", "\u009bHERON"))
    result = yard.call("diff", HERON, FILE)
    assert not steering(result.stdout + result.stderr)
