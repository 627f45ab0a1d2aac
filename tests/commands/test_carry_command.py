"""``callint carry`` as its users meet it."""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import Any

import pytest

from tests.building import definition_xml, u16
from tests.running import (
    CUT,
    HULL,
    MONITOR,
    NOTHING,
    POLICY,
    SMOKE,
    TRIM,
    Result,
    Scratch,
    Yard,
    edited,
    fuel_cell,
    make_repository,
    make_yard,
    not_as_root,
    steering,
    too_wide,
    valid,
    yard_base,
)

# The yard's newer software: another memory, finer steps, one breakpoint more, and no table "monitor".

SIZE, AXIS, FUEL_2, SMOKE_2, CUT_2, TRIM_2, HULL_2, SOFTWARE_2, SEAL_2 = (
    0x200,
    0x100,
    0x120,
    0x160,
    0x180,
    0x182,
    0x190,
    0x1E0,
    0x1F0,
)
NEWER = definition_xml(
    f"""
    <map name="fuel" title="Fuel by speed and load" purpose="demand" at="{FUEL_2}" type="uint16"
         byte-order="little" conversion="mg">
      <x axis="speed_5"/><y><fixed-axis signal="load" values="10 40 70"/></y>
      <limits min="0" max="90"/>
    </map>
    <curve name="smoke_cap" title="Most fuel without smoke" purpose="protection"
           at="{SMOKE_2}" type="uint16" conversion="mg">
      <x axis="speed_5"/>
      <limits min="0" max="82"/>
    </curve>
    <scalar name="overspeed_cut" title="Fuel cut-off speed" purpose="protection" signal="speed"
            at="{CUT_2}" type="uint16" conversion="rpm"/>
    <curve name="trim" title="Temperature trim" purpose="correction"
           at="{TRIM_2}" type="uint8" conversion="degrees">
      <x axis="speed_5"/>
    </curve>
    <text name="hull_number" title="Hull number" at="{HULL_2}" length="8" encoding="latin-1"
          purpose="general"/>
    """,
    axes=f'<axis name="speed_5" signal="speed" at="{AXIS}" type="uint16" conversion="rpm" count="5"/>',
    conversions="""
    <linear name="rpm" unit="rpm" factor="1" decimals="0"/>
    <linear name="mg" unit="mg" factor="0.05" decimals="2"/>
    <linear name="degrees" unit="degC" factor="1" offset="-40" decimals="0"/>
    """,
    memory=f"""
    <identity name="software number" at="{SOFTWARE_2}" text="YARD-02"/>
    <checksum name="sum" algorithm="sum16" start="0" size="{SOFTWARE_2}" stored-at="{SEAL_2}"/>
    """,
    size=SIZE,
)
NEWER_POLICY = """
[[images]]
paths = ["newer/*.bin"]
definition = "defs/newer.xml"
base = "factory/newer.bin"
"""


def newer(**at: bytes) -> bytes:
    """The newer factory image with other bytes, its checksum added up."""
    new = bytearray(SIZE)
    parts = {
        AXIS: u16(800, 1600, 2000, 2400, 3200),
        FUEL_2: struct.pack("<15H", *[260] * 5, *[860] * 5, *[1400] * 5),
        SMOKE_2: u16(1200, 1400, 1500, 1600, 1640),
        CUT_2: u16(4100),
        TRIM_2: bytes([50] * 5),
        HULL_2: b"FACTORY ",
        SOFTWARE_2: b"YARD-02",
        **{int(name.removeprefix("at_")): content for name, content in at.items()},
    }
    for start, content in parts.items():
        new[start : start + len(content)] = content
    new[SEAL_2 : SEAL_2 + 2] = u16(sum(new[:SOFTWARE_2]) & 0xFFFF)
    return bytes(new)


#: +1.0 mg in one cell of the fuel map, +100 rpm, a hull number.
REWORK = edited(yard_base(), {fuel_cell(1, 1): u16(450), CUT: u16(4300), HULL: b"HERON-3     "})
#: One thing of every kind that cannot go over.
STUCK = edited(
    REWORK,
    {
        0x08: u16(100, 410),  # the load axis, which the newer software has fixed
        SMOKE + 6: u16(880),  # +3.0 mg is more than the newer limit
        MONITOR: b"\x00",
        TRIM + 1: b"\xff",
        NOTHING: b"\x01",
    },
)
FILES = ("factory/base.bin", "boats/heron.bin", "factory/newer.bin")


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard", heron=REWORK, stuck=STUCK)
    yard.write("defs/newer.xml", NEWER)
    yard.write("factory/newer.bin", newer())
    yard.write("callint.toml", POLICY + NEWER_POLICY)
    return yard


def carry(yard: Yard, *more: str, rework: str = "heron", run: bool = False) -> Result:
    files = ("factory/base.bin", f"boats/{rework}.bin", "factory/newer.bin")
    go = yard.run if run else yard.call
    return go("carry", *files, "--to", "newer.bin", *more)


def report(yard: Yard, *more: str, rework: str = "heron") -> Any:
    return valid(carry(yard, "--format", "json", *more, rework=rework).data, "carry.schema.json")


def written(yard: Yard) -> bytes:
    return (yard.root / "newer.bin").read_bytes()


#: +1.0 mg at 1600 rpm and 40 mg, 20 steps of 0.05 mg; half of it at 2000 rpm; the rest of the row is kept.
EXPECTED = newer(
    **{
        f"at_{FUEL_2 + 10}": struct.pack("<5H", 860, 880, 870, 860, 860),
        f"at_{CUT_2}": u16(4200),
        f"at_{HULL_2}": b"HERON-3 ",
    }
)


def test_a_rework_goes_over_and_only_what_it_changed_differs(yard: Yard) -> None:
    result = carry(yard, run=True)
    assert (result.status, result.stderr) == (0, "")
    assert written(yard) == EXPECTED
    assert result.lines == [
        "fuel: Fuel by speed and load (map)",
        "  2 cells written, exactly",
        "overspeed_cut: Fuel cut-off speed (scalar)",
        "  1 cell written, exactly",
        "hull_number: Hull number (text)",
        "  written",
        "",
        "newer.bin is written: 2 tables, 1 text carried; 4 values differ from the new",
        "base.",
    ]


def test_the_carried_image_is_valid_for_the_new_software(yard: Yard) -> None:
    carry(yard)
    yard.write("newer/heron.bin", written(yard))
    checked = yard.call("check", "newer/heron.bin", "--format", "json").data
    assert not [result for result in checked["findings"] if result["rule"].startswith("image/")]


def test_the_report_is_also_json(yard: Yard) -> None:
    document = report(yard)
    assert document["written"] is True
    assert document["as"] == "delta"
    assert (document["old_definition"], document["new_definition"]) == ("defs/yard.xml", "defs/newer.xml")
    assert [document[name] for name in ("old_base", "reworked", "new_base", "image")] == [*FILES, "newer.bin"]
    assert document["tables"][0] == {"name": "fuel", "kind": "map", "unit": "mg", "cells": 2, "deviation": 0}
    assert document["summary"] == {"tables": 3, "cells": 4, "left_out": 0, "problems": 0, "broken": 0}
    assert document["broken"] == []
    (checksum,) = document["checksums"]
    assert checksum["new"] == int.from_bytes(written(yard)[SEAL_2 : SEAL_2 + 2], "big")


def test_a_ratio_or_the_values_themselves_are_carried_if_asked(yard: Yard) -> None:
    # 43.00 mg by 45/44 is 43.977..., stored as 44.00; by 1.01136... it is 43.4886..., stored as 43.50.
    document = report(yard, "--as", "ratio", "--leave-out", "overspeed_cut")
    assert struct.unpack_from("<5H", written(yard), FUEL_2 + 10) == (860, 880, 870, 860, 860)
    (table,) = [table for table in document["tables"] if table["name"] == "fuel"]
    assert table["deviation"] == pytest.approx(44 - 43 * 45 / 44)
    assert (table["cell"], table["at"]) == ({"x": 1, "y": 1}, {"speed": 1600, "load": 40})
    text = carry(yard, "--as", "ratio")
    assert "2 cells written, at most 0.0227 mg from the wanted value at 1600 rpm, 40 mg" in text.flat
    carry(yard, "--as", "value")
    # 45.0 at 1600 rpm; 45.5 at 2000 rpm, halfway to the 46.0 at 2400 rpm.
    assert struct.unpack_from("<5H", written(yard), FUEL_2 + 10) == (860, 900, 910, 860, 860)
    assert written(yard)[CUT_2 : CUT_2 + 2] == u16(4300)


def test_with_a_problem_nothing_is_written_and_every_problem_is_reported(yard: Yard) -> None:
    yard.write("newer.bin", b"what was there")
    before = yard.files()
    result = carry(yard, rework="stuck", run=True)
    assert (result.status, result.stderr) == (1, "")
    assert yard.files() == before
    assert "problem  load_3\n         the axis was re-spaced: carry it by hand, with fuel;" in result.stdout
    assert "problem  smoke_cap at 3200 rpm\n" in result.stdout
    assert "85.00 mg is above the new software's limit of 82 mg" in result.flat
    assert "problem  monitor\n         the new software has no such table\n" in result.stdout
    assert "problem  trim at 1600 rpm\n" in result.stdout
    assert "problem  unexplained-bytes\n" in result.stdout
    assert "overspeed_cut: Fuel cut-off speed (scalar)\n  1 cell would be written, exactly" in result.stdout
    assert "Nothing is written: " in result.stdout
    reasons = {problem["name"]: problem["reason"] for problem in report(yard, rework="stuck")["problems"]}
    assert reasons == {
        "load_3": "axis",
        "fuel": "axis",
        "smoke_cap": "outside-limits",
        "monitor": "no-partner",
        "trim": "off-code",
        "unexplained-bytes": "unexplained-bytes",
    }


def test_the_rest_is_written_where_the_problems_are_left_out(yard: Yard) -> None:
    names = ("load_3", "fuel", "smoke_*", "monitor", "trim", "unexplained-bytes")
    result = carry(yard, *(word for name in names for word in ("--leave-out", name)), rework="stuck")
    assert (result.status, result.stderr) == (0, "")
    assert written(yard) == newer(**{f"at_{CUT_2}": u16(4200), f"at_{HULL_2}": b"HERON-3 "})
    assert "left out smoke_cap\n         1 changed cell\n" in result.stdout
    assert "1 table, 1 text carried, 6 left out; 2 values differ from the new base" in result.flat


def with_rule(rule: str) -> bytes:
    """The newer definition with one more rule for the cut-off speed."""
    end = b'conversion="rpm"/>\n    <curve'
    assert NEWER.count(end) == 1
    return NEWER.replace(end, f'conversion="rpm">{rule}</scalar>\n    <curve'.encode())


#: The rework's +100 rpm are too much for the newer software.
STRICT = with_rule('<change max="50"/>')


def test_rules_that_the_written_image_breaks_are_reported(yard: Yard) -> None:
    yard.write("defs/newer.xml", STRICT)
    result = carry(yard, run=True)
    assert (result.status, result.stderr) == (1, "")
    assert written(yard) == EXPECTED
    start = result.lines.index("It breaks 1 rule that factory/newer.bin does not break:")
    assert result.lines[start + 2 : start + 5] == [
        "1 mistake in newer.bin.",
        "1 error in 1 image, 4 tables, 26 cells.",
        "",
    ]
    assert result.lines[start + 5] == "error    overspeed_cut: 4100 → 4200 rpm"
    assert result.lines[start + 6].endswith(" 4100 rpm became 4200 rpm, +100 rpm; at most 50 rpm is accepted")
    assert too_wide(result.stdout) == []
    document = report(yard)
    assert document["written"] is True and document["summary"]["broken"] == 1
    (broken,) = document["broken"]
    assert (broken["rule"], broken["table"]) == ("change/too-large", "overspeed_cut")
    (cause,) = document["causes"]
    assert (cause["id"], cause["findings"]) == (broken["cause"], [broken["fingerprint"]])
    assert cause["title"] == "overspeed_cut: 4100 → 4200 rpm"
    assert "change/too-large" in carry(yard, "--all").stdout
    assert carry(yard, "--leave-out", "overspeed_cut").status == 0


def test_an_error_that_the_new_base_shares_is_not_reported_for_the_rework(yard: Yard) -> None:
    # The newer factory image does not protect above 4050 rpm, and has a stale checksum, as no factory's has.
    yard.write("defs/newer.xml", with_rule('<guard above="4050"/>'))
    broken = bytearray(newer())
    broken[SEAL_2] ^= 0xFF
    yard.write("factory/newer.bin", bytes(broken))
    result = carry(yard, "--leave-out", "overspeed_cut")
    assert result.status == 0 and "breaks" not in result.stdout
    # The same cell with another value is the rework's.
    document = report(yard)
    assert [(finding["rule"], finding["table"]) for finding in document["broken"]] == [
        ("protection/disabled", "overspeed_cut")
    ]


def test_a_severity_in_the_policy_counts(yard: Yard) -> None:
    yard.write("defs/newer.xml", STRICT)
    yard.write("callint.toml", POLICY + NEWER_POLICY + '[severity]\n"change/too-large" = "warning"\n')
    assert carry(yard).status == 0
    yard.write("callint.toml", POLICY + NEWER_POLICY + '[severity]\n"change/too-late" = "warning"\n')
    before = yard.files()
    assert "change/too-late" in carry(yard).error
    assert yard.files() == before


def test_an_unchanged_rework_gives_the_new_base(yard: Yard) -> None:
    yard.write("boats/same.bin", yard_base())
    result = carry(yard, rework="same")
    assert result.lines == ["newer.bin equals the new base: nothing was carried."]
    assert written(yard) == newer()


def test_many_problems_of_one_kind_are_counted_unless_all_are_asked_for(yard: Yard) -> None:
    high = {fuel_cell(x, y): u16(1900) for x in range(4) for y in range(3)}
    yard.write("boats/high.bin", edited(yard_base(), high))
    result = carry(yard, rework="high")
    assert result.stdout.count("problem  fuel at ") == 5
    assert "and 10 more outside-limits problems in fuel; --all shows them" in result.flat
    result = carry(yard, "--all", rework="high")
    assert result.stdout.count("problem  fuel at ") == 15
    assert "--all" not in result.stdout


def test_definitions_can_be_named(yard: Yard) -> None:
    (yard.root / "callint.toml").unlink()
    assert "no definition is known" in carry(yard).error
    assert "--old-definition" in carry(yard, "--new-definition", "defs/newer.xml").error
    assert "--new-definition" in carry(yard, "--old-definition", "defs/yard.xml").error
    named = ("--old-definition", "defs/yard.xml", "--new-definition", "defs/newer.xml")
    assert carry(yard, *named).status == 0
    assert written(yard) == EXPECTED


def test_the_identity_decides_between_several_definitions_of_the_policy(yard: Yard) -> None:
    yard.write(
        "callint.toml",
        """[[images]]
        paths = ["boats/*.bin"]
        definition = ["defs/yard.xml", "defs/newer.xml"]
        base = ["factory/base.bin", "factory/newer.bin"]
        """,
    )
    assert carry(yard).status == 0
    assert written(yard) == EXPECTED


def in_repository(yard: Yard) -> Scratch:
    """The yard, committed and tagged v1."""
    scratch = make_repository(yard.root)
    scratch.commit("The yard")
    scratch.must("tag", "v1")
    return scratch


def test_versions_of_revisions_are_carried_into_a_file(yard: Yard) -> None:
    in_repository(yard)
    yard.write("boats/heron.bin", yard_base())
    arguments = ("v1:factory/base.bin", "v1:./boats/heron.bin", "factory/newer.bin")
    result = yard.call("carry", *arguments, "--to", "newer.bin", "--format", "json")
    document = valid(result.data, "carry.schema.json")
    assert [document[name] for name in ("old_base", "reworked", "new_base")] == list(arguments)
    assert written(yard) == EXPECTED


def test_a_bare_repository_is_enough_to_carry_from(yard: Yard, tmp_path: Path) -> None:
    in_repository(yard).must("clone", "--quiet", "--bare", ".", str(tmp_path / "bare.git"))
    bare, target = Yard(tmp_path / "bare.git"), tmp_path / "carried.bin"
    before = bare.files()
    names = [f"v1:{name}" for name in FILES]
    result = bare.call("carry", *names, "--to", str(target))
    assert (result.status, result.stderr) == (0, "")
    assert target.read_bytes() == EXPECTED
    assert bare.files() == before


def test_an_image_of_other_software_is_refused(yard: Yard) -> None:
    files = ("factory/base.bin", "factory/newer.bin", "factory/newer.bin")
    error = yard.call("carry", *files, "--to", "x.bin").error
    assert error.startswith("callint: factory/newer.bin: ")
    assert error.endswith("--old-definition")
    yard.write("factory/newer.bin", newer(**{f"at_{SOFTWARE_2}": b"YARD-03"}))
    error = carry(yard).error
    assert error.startswith("callint: factory/newer.bin: ")
    assert '"YARD-03"' in error
    assert error.endswith("--new-definition")
    assert not (yard.root / "x.bin").exists()


@pytest.mark.parametrize("which", [0, 1, 2])
@pytest.mark.parametrize("kind", ["itself", "hard link", "symbolic link"])
def test_no_input_is_written_over(yard: Yard, which: int, kind: str) -> None:
    target = yard.root / FILES[which]
    output = target if kind == "itself" else yard.root / "other.bin"
    if kind == "hard link":
        os.link(target, output)
    elif kind == "symbolic link":
        output.symlink_to(target)
    before = yard.files()
    error = yard.call("carry", *FILES, "--to", str(output)).error
    assert "the output would replace an input" in error
    assert yard.files() == before


@pytest.mark.parametrize("name", ["callint.toml", "defs/yard.xml", "defs/newer.xml"])
def test_neither_the_policy_nor_a_definition_is_written_over(yard: Yard, name: str) -> None:
    assert "would replace an input" in yard.call("carry", *FILES, "--to", name).error


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((*FILES, "--to", "boats"), "boats: it cannot be written: it is a folder; name a file"),
        ((*FILES, "--to", "no/such/folder.bin"), "it cannot be written"),
        ((*FILES, "--to", "x.bin", "--leave-out", "smok_cap"), "did you mean 'smoke_cap'?"),
        ((*FILES,), "--to"),
        ((*FILES, "--to", "x.bin", "--as", "guess"), "guess"),
        (("factory/none.bin", *FILES[1:], "--to", "x.bin"), "factory/none.bin: it does not exist"),
    ],
)
def test_a_wrong_call_is_one_line_and_writes_nothing(
    yard: Yard, arguments: tuple[str, ...], message: str
) -> None:
    before = yard.files()
    assert message in yard.call("carry", *arguments).error
    assert yard.files() == before


def test_an_image_of_the_wrong_size_is_refused(yard: Yard) -> None:
    yard.write("boats/heron.bin", REWORK[:-1])
    assert carry(yard).error.startswith("callint: boats/heron.bin: it has 159 bytes, but the memory has 160")
    yard.write("boats/heron.bin", REWORK)
    yard.write("factory/newer.bin", newer() + b"\0")
    assert carry(yard).error.startswith("callint: factory/newer.bin: it has 513 bytes")


def test_a_checksum_that_covers_itself_is_the_definitions_fault(yard: Yard) -> None:
    yard.write("defs/newer.xml", NEWER.replace(f'size="{SOFTWARE_2}"'.encode(), f'size="{SIZE}"'.encode()))
    error = carry(yard).error
    assert error.startswith("callint: defs/newer.xml:")
    assert "covers its own stored place" in error
    assert not (yard.root / "newer.bin").exists()


@not_as_root
def test_a_folder_without_permission_to_write_is_reported(yard: Yard) -> None:
    folder = yard.root / "shut"
    folder.mkdir(mode=0o500)
    assert "permission is missing" in yard.call("carry", *FILES, "--to", "shut/x.bin").error


def test_the_output_fits_a_terminal_and_a_strangers_text_cannot_steer_it(yard: Yard) -> None:
    yard.write("boats/heron.bin", edited(REWORK, {HULL: b"\x1b[31m\x07\x9b 12345"}))
    for more in ((), ("--leave-out", "hull_number")):
        result = carry(yard, *more)
        assert steering(result.stdout) == []
        assert too_wide(result.stdout) == []
    result = carry(yard, "--as", "value", rework="stuck")
    assert too_wide(result.stdout) == []


def test_every_colour_has_words_with_the_same_meaning(yard: Yard) -> None:
    assert "\x1b" not in carry(yard, rework="stuck", run=True).stdout
