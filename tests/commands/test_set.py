"""``callint set`` as its users meet it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.building import u16
from tests.running import (
    CUT,
    EGR,
    FUEL,
    GOOD,
    HULL,
    MONITOR,
    TRIM,
    Yard,
    edited,
    fuel_cell,
    make_yard,
    yard_base,
    yard_definition,
)

IMAGE = "boats/heron.bin"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD)


def read(yard: Yard) -> bytes:
    return (yard.root / IMAGE).read_bytes()


@pytest.mark.parametrize(
    ("arguments", "content"),
    [
        (("fuel", "--at", "speed=1600,load=40", "--to", "47.5 mg"), {fuel_cell(1, 1): u16(475)}),
        (("fuel", "--at", "load=40,speed=1600", "--to", "47.5"), {fuel_cell(1, 1): u16(475)}),
        (("fuel", "--at", "speed=1600", "--to", "20"), {fuel_cell(1, y): u16(200) for y in range(3)}),
        (("fuel", "--at", "load=10", "--by", "+1 mg"), {FUEL: u16(130, 150, 170, 190)}),
        (
            ("fuel", "--at", "speed=1000..2500,load=30..", "--by", "+10 %"),
            {fuel_cell(1, 1): u16(495, 506), fuel_cell(1, 2): u16(792, 814)},
        ),
        (("fuel", "--at", "speed=800,load=10", "--by", "*2"), {FUEL: u16(240)}),
        (("fuel", "--at", "speed=800,load=10", "--to", "0.000012 kg"), {FUEL: u16(120)}),
        (("overspeed_cut", "--to", "4300 rpm"), {CUT: u16(4300)}),
        (("overspeed_cut", "--by", "-1 1/s"), {CUT: u16(4140)}),
        (("trim", "--at", "speed=800", "--to", "68 degF"), {TRIM: bytes([60])}),
        (("trim", "--at", "speed=800", "--by", "+9 degF"), {TRIM: bytes([65])}),
        (("trim", "--at", "speed=800", "--to", "off"), {TRIM: b"\xff"}),
        (("speed_4", "--at", "speed=3200", "--to", "3300"), {0x06: u16(3300)}),
        (("egr", "--at", "speed=800", "--by", "*0.5"), {EGR: bytes([15])}),
        (("hull_number", "--to", "HERON-12"), {HULL: b"HERON-12    "}),
    ],
)
def test_a_value_is_stored_where_and_as_the_definition_says(
    yard: Yard, arguments: tuple[str, ...], content: dict[int, bytes]
) -> None:
    result = yard.call("set", IMAGE, *arguments)
    assert (result.status, result.stderr) == (0, "")
    assert read(yard) == edited(GOOD, content)


def test_the_change_and_the_place_are_printed(yard: Yard) -> None:
    result = yard.run("set", IMAGE, "fuel", "--at", "speed=1600,load=40", "--to", "47.5 mg")
    assert "45.0 → 47.5 mg (+2.5, +5.6 %) at 1600 rpm, 40 mg" in result.flat
    assert result.flat.endswith(f"{IMAGE}: set fuel.")


def test_the_nearest_value_is_named_if_people_see_the_difference(yard: Yard) -> None:
    result = yard.call("set", IMAGE, "fuel", "--at", "speed=1600,load=40", "--to", "47.53")
    assert "47.53 mg is stored as 47.5 mg, the nearest value that fuel can hold" in result.flat
    assert read(yard) == edited(GOOD, {fuel_cell(1, 1): u16(475)})


def test_cells_that_are_off_stay_off_when_values_are_changed(yard: Yard) -> None:
    image = edited(GOOD, {TRIM: b"\xff"})
    yard.write(IMAGE, image)
    result = yard.call("set", IMAGE, "trim", "--at", "speed=..3200", "--by", "+1 degC")
    assert "1 cell is switched off and stays off" in result.flat.lower()
    assert read(yard) == edited(image, {TRIM: bytes([255, 63, 65, 67])})


def test_tables_that_must_be_equal_are_set_together(yard: Yard) -> None:
    tables = "".join(
        f'<scalar name="{name}" title="T" purpose="general" at="{at}" type="{type_}" conversion="rpm"/>'
        for name, at, type_ in (("first", "0x20", "uint16"), ("second", "0x30", "uint32"))
    )
    yard.write("defs/yard.xml", yard_definition(tables, relations='<equal table="second" mirror="first"/>'))
    result = yard.call("set", IMAGE, "first", "--to", "1234")
    assert "changed with it, as it must be equal: second" in result.flat.lower()
    assert read(yard) == edited(GOOD, {0x20: u16(1234), 0x30: u16(0, 1234)})


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("overspeed_cut", "--to", "4750"),
            "overspeed_cut is 4750 rpm, above 4700 rpm: it no longer protects",
        ),
        (("monitor", "--to", "off"), 'monitor is "off": it no longer protects'),
        (("fuel", "--at", "speed=800,load=10", "--to", "95"), "95.0 mg is above the limit of 90 mg"),
        (("speed_4", "--at", "speed=1600", "--to", "2500"), "the axis no longer rises"),
    ],
)
def test_danger_is_refused_unless_it_is_forced(yard: Yard, arguments: tuple[str, ...], message: str) -> None:
    refused = yard.call("set", IMAGE, *arguments)
    assert refused.status == 2
    assert message in " ".join(refused.stderr.split())
    assert "--force writes it nevertheless" in " ".join(refused.stderr.split())
    assert read(yard) == GOOD
    forced = yard.call("set", IMAGE, *arguments, "--force")
    assert "local law and licensed practice come first" in forced.flat
    assert read(yard) != GOOD
    assert message in yard.call("check", IMAGE, "--all").flat


def test_an_off_code_where_the_table_must_act_is_refused(yard: Yard) -> None:
    text = yard_definition().replace(b'allowed="anywhere"', b'allowed="nowhere"')
    yard.write("defs/yard.xml", text)
    refused = yard.call("set", IMAGE, "trim", "--at", "speed=1600", "--to", "off")
    assert refused.status == 2
    assert "raw 255 switches the function off here" in " ".join(refused.stderr.split())
    assert read(yard) == GOOD


def test_danger_that_is_there_already_does_not_stop_other_edits(yard: Yard) -> None:
    image = edited(GOOD, {MONITOR: b"\x00", CUT: u16(4750)})
    yard.write(IMAGE, image)
    yard.call("set", IMAGE, "fuel", "--at", "speed=800,load=10", "--to", "12.5")
    assert read(yard) == edited(image, {FUEL: u16(125)})
    assert yard.call("set", IMAGE, "overspeed_cut", "--to", "4790").status == 2


def test_a_dry_run_writes_nothing_and_so_does_a_value_that_is_there(yard: Yard) -> None:
    result = yard.call("set", IMAGE, "overspeed_cut", "--to", "4300", "--dry-run")
    assert f"{IMAGE}: overspeed_cut would be set; nothing was written." in result.flat
    result = yard.call("set", IMAGE, "overspeed_cut", "--to", "4200")
    assert result.flat == f"{IMAGE}: overspeed_cut already holds what would be stored; nothing changes."
    assert read(yard) == GOOD


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("fuel", "--at", "speed=1600,load=40"), "pass either --to or --by"),
        (("fuel", "--at", "speed=1600,load=40", "--to", "1", "--by", "+1"), "pass either --to or --by"),
        (("fuel", "--to", "10"), "fuel: it has several cells; select them with --at speed=...,load=..."),
        (
            ("fuel", "--at", "speed=1700", "--to", "10"),
            "fuel: axis speed_4 has no breakpoint 1700; it has 800",
        ),
        (("fuel", "--at", "speed=10..20", "--to", "10"), "axis speed_4 has no breakpoint between 10 and 20"),
        (("fuel", "--at", "speed=2400..800", "--to", "10"), "2400..800 falls; write the lower value first"),
        (
            ("fuel", "--at", "speed=800,speed=1600", "--to", "10"),
            "speed occurs twice; write a range as LOW..HIGH",
        ),
        (("fuel", "--at", "sped=800", "--to", "10"), "sped: no signal has this name; did you mean 'speed'?"),
        (("fuel", "--at", "800", "--to", "10"), "write SIGNAL=VALUE or SIGNAL=LOW..HIGH"),
        (("smoke_cap", "--at", "load=10", "--to", "10"), "smoke_cap has no axis of load"),
        (("fuel", "--at", "speed=800", "--to", "10 bar"), "bar cannot be converted to mg"),
        (("fuel", "--at", "speed=800", "--by", "+2"), "give a unit, as in +2 mg or +2 %"),
        (("fuel", "--at", "speed=800", "--to", "9,5"), "thousands without a comma"),
        (("fuel", "--at", "speed=800", "--to", "ten"), "it is not a number; write it as 12.5 mg"),
        (("fuel", "--at", "speed=800", "--to", "1e9"), "does not fit the uint16 that it is stored in"),
        (
            ("fuel", "--at", "speed=800", "--to", "off"),
            "fuel has no off code in the definition; give a value",
        ),
        (("fuel", "--at", "speed=800", "--by", "3 %"), "write a sign before the number"),
        (("egr", "--at", "speed=800", "--by", "+3 %"), "egr is in % itself; write +3 for percentage points"),
        (("fuel", "--at", "speed=800", "--by", "*1.1 mg"), "a factor has no unit; remove 'mg'"),
        (("trim", "--at", "speed=800", "--to", "215"), "would be stored as the off code 255"),
        (("monitor", "--to", "maybe"), "monitor has no such state; it has off, on"),
        (("monitor", "--by", "+1"), "monitor has states, not numbers; give one with --to"),
        (("hull_number", "--to", "HERON-NUMBER-12"), "the text is longer than 12 bytes; shorten it"),
        (("hull_number", "--by", "+1"), "it is a text; give all of it with --to"),
        (("feul", "--to", "1"), "there is no table, axis or text 'feul'; did you mean 'fuel'?"),
    ],
)
def test_a_mistake_is_one_line_and_nothing_is_written(
    yard: Yard, arguments: tuple[str, ...], message: str
) -> None:
    result = yard.call("set", IMAGE, *arguments)
    assert result.status == 2
    assert message in " ".join(result.stderr.split())
    assert read(yard) == GOOD


def test_setting_what_is_there_changes_no_byte_of_the_base(yard: Yard) -> None:
    yard.write(IMAGE, yard_base())
    for row, load in enumerate((10, 40, 70)):
        for column, speed in enumerate((800, 1600, 2400, 3200)):
            raw = int.from_bytes(yard_base()[fuel_cell(column, row) :][:2], "big")
            yard.call("set", IMAGE, "fuel", "--at", f"speed={speed},load={load}", "--to", f"{raw / 10}")
    assert read(yard) == yard_base()


def test_the_findings_that_a_check_of_the_edit_will_have_are_reported(yard: Yard) -> None:
    result = yard.call("set", IMAGE, "egr", "--at", "speed=3200", "--to", "59 %")
    assert "callint check will report 1 new error; the first: egr" in result.flat
    assert yard.call("check", IMAGE).status == 1


def test_a_protection_that_an_edit_weakens_is_reported(yard: Yard) -> None:
    result = yard.call("set", IMAGE, "overspeed_cut", "--to", "4300")
    assert result.status == 0
    assert "callint check will report 1 new warning; the first: overspeed_cut" in result.flat
    assert "the table protects later than the base" in result.flat


def test_a_value_that_is_there_seals_nothing(yard: Yard) -> None:
    stale = edited(GOOD, {FUEL: u16(130)}, seal=False)
    yard.write(IMAGE, stale)
    result = yard.call("set", IMAGE, "overspeed_cut", "--to", "4200")
    assert result.flat == f"{IMAGE}: overspeed_cut already holds what would be stored; nothing changes."
    assert read(yard) == stale


def test_a_factory_base_is_edited_by_force_alone(yard: Yard) -> None:
    base = "factory/base.bin"
    for command in (
        ("set", base, "overspeed_cut", "--to", "4300"),
        ("restore", base, "-t", "fuel", "--base", IMAGE),
    ):
        result = yard.call(*command)
        assert (result.status, "it is a factory base, which must not change" in result.stderr) == (2, True)
    assert (yard.root / base).read_bytes() == yard_base()
    yard.call("set", base, "overspeed_cut", "--to", "4300", "--force")
    assert (yard.root / base).read_bytes() != yard_base()
