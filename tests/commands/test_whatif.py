"""``callint whatif`` as its users meet it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.building import definition_xml, u16
from tests.running import (
    POLICY,
    Result,
    Scratch,
    Yard,
    call,
    make_repository,
    steering,
    too_wide,
    valid,
)

# A sensor that a reader can reckon with: 90 °C at 1 V, 60 at 2 V, 40 at 3 V and 0 at 4 V, and 1000 ohms
# between it and 5 V. At 60 °C it has 666.67 ohms; with 1000 in series the control unit measures 3.125 V and
# reads 35 °C. All numbers below follow from that.

SIGNALS = """
    <signal name="speed" unit="rpm" plausible="0 6000" operating="700 4200">Engine speed</signal>
    <signal name="temp" unit="degC" plausible="-40 140" operating="0 100">Intake temperature</signal>
    <signal name="volts" unit="V">Intake sensor</signal>
    <signal name="boost" unit="hPa">Wanted boost</signal>
    <signal name="oil" unit="degC">Oil temperature</signal>
    <sensor signal="temp" curve="intake_curve" supply="5" pull-up="1000"/>
"""
CONVERSIONS = """
    <linear name="rpm" unit="rpm" factor="1" decimals="0"/>
    <linear name="volt" unit="V" factor="0.001" decimals="3"/>
    <linear name="degrees" unit="degC" factor="0.1" offset="-40" decimals="1"/>
    <linear name="share" unit="%" factor="1" decimals="0"/>
    <linear name="pressure" unit="hPa" factor="1" decimals="0"/>
    <states name="on_off"><state raw="0">off</state><state raw="1">on</state></states>
"""
AXES = """
    <axis name="volts_4" signal="volts" at="0x00" type="uint16" conversion="volt" count="4"/>
    <axis name="temp_3" signal="temp" at="0x10" type="uint16" conversion="degrees" count="3"/>
    <axis name="speed_2" signal="speed" at="0x18" type="uint16" conversion="rpm" count="2"/>
    <axis name="boost_2" signal="boost" at="0x1C" type="uint16" conversion="pressure" count="2"/>
"""
TABLES = """
    <curve name="intake_curve" title="Intake sensor" purpose="correction" at="0x20" type="uint16"
           conversion="degrees" produces="temp"><x axis="volts_4"/></curve>
    <curve name="fan" title="Fan by temperature" purpose="demand" at="0x28" type="uint16"
           conversion="share"><x axis="temp_3"/></curve>
    <curve name="boost_wish" title="Boost by temperature" purpose="demand" at="0x30" type="uint16"
           conversion="pressure" produces="boost"><x axis="temp_3"/></curve>
    <map name="recirculation" title="Recirculation" purpose="emissions" at="0x38" type="uint16"
         conversion="share"><x axis="temp_3"/><y axis="speed_2"/><off raw="65535" allowed="anywhere"/></map>
    <curve name="derate" title="Torque share when hot" purpose="protection" at="0x44" type="uint16"
           conversion="share"><x axis="temp_3"/></curve>
    <curve name="derate_by_boost" title="Torque share by boost" purpose="protection" at="0x4A" type="uint16"
           conversion="share"><x axis="boost_2"/></curve>
    <curve name="idle" title="Idle by temperature" purpose="general" at="0x50" type="uint16"
           conversion="rpm"><x axis="temp_3"/></curve>
    <curve name="friction" title="Friction" purpose="general" at="0x58" type="uint16"
           conversion="share"><x axis="speed_2"/></curve>
    <scalar name="hot_alarm" title="Hot air alarm" purpose="protection" at="0x5C" type="uint16"
            conversion="degrees" signal="temp"/>
    <scalar name="wire_broken" title="Intake sensor: broken above" purpose="diagnosis" at="0x5E" type="uint16"
            conversion="volt" signal="volts"/>
    <scalar name="boost_alarm" title="Boost alarm" purpose="protection" at="0x60" type="uint16"
            conversion="pressure" signal="boost"/>
"""
SIZE = 0x80
MEMORY = '<identity name="software number" at="0x70" text="INTAKE-1"/>'


def degrees(*values: float) -> bytes:
    return u16(*(round((value + 40) * 10) for value in values))


def image(changes: dict[int, bytes] | None = None) -> bytes:
    data = bytearray(SIZE)
    for at, content in {
        0x00: u16(1000, 2000, 3000, 4000),
        0x10: degrees(0, 50, 100),
        0x18: u16(1000, 3000),
        0x1C: u16(1000, 2000),
        0x20: degrees(90, 60, 40, 0),
        0x28: u16(0, 20, 100),
        0x30: u16(2000, 2000, 1000),
        0x38: u16(0xFFFF, 40, 20, 30, 30, 20),
        0x44: u16(100, 100, 60),
        0x4A: u16(100, 80),
        0x50: u16(800, 800, 800),
        0x58: u16(10, 30),
        0x5C: degrees(55),
        0x5E: u16(4800),
        0x60: u16(1900),
        0x70: b"INTAKE-1",
        **(changes or {}),
    }.items():
        data[at : at + len(content)] = content
    return bytes(data)


def definition(tables: str = TABLES, signals: str = SIGNALS, axes: str = AXES) -> bytes:
    xml = definition_xml(
        tables, axes=axes, signals=signals, conversions=CONVERSIONS, memory=MEMORY, size=SIZE
    )
    return xml.replace(b"<memory", b"<title>Intake demo, software INTAKE-1</title><memory", 1)


def filled(root: Path) -> Yard:
    yard = Yard(root)
    yard.write("callint.toml", POLICY)
    yard.write("defs/yard.xml", definition())
    yard.write("factory/base.bin", image())
    yard.write("boats/heron.bin", image())
    return yard


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return filled(tmp_path / "yard")


BOAT = "boats/heron.bin"
GIVEN = ("--true", "temp=100", "--reads", "35")
WIRED = ("--true", "temp=60", "--series-resistor", "1000")


def whatif(yard: Yard, *arguments: str) -> Result:
    result = yard.call("whatif", BOAT, *arguments)
    assert (result.status, result.stderr) == (0, ""), result
    return result


def document(yard: Yard, *arguments: str) -> Any:
    return valid(whatif(yard, *arguments, "--format", "json").data, "whatif.schema.json")


def effects(yard: Yard, *arguments: str) -> dict[str, Any]:
    return {argument["table"]: argument for argument in document(yard, *arguments)["effects"]}


# What it says


def test_both_readings_given_every_table_is_shown_protection_first_the_largest_effect_first(
    yard: Yard,
) -> None:
    assert whatif(yard, *GIVEN).lines == [
        "boats/heron.bin: Intake demo, software INTAKE-1",
        "Intake temperature (temp): 100 °C is read as 35 °C.",
        "",
        "protection",
        "  derate: Torque share when hot",
        "    60 becomes 100 % (+40, 100 % of its span)",
        "  derate_by_boost: Torque share by boost",
        "    100 becomes 80 % (-20, 100 % of its span); through boost_wish",
        "",
        "emissions",
        "  recirculation: Recirculation",
        "    switched off in part of the range: 20 % becomes off at speed 700 rpm",
        "",
        "demand",
        "  boost_wish: Boost by temperature",
        "    1000 becomes 2000 hPa (+1000, 100 % of its span)",
        "  fan: Fan by temperature",
        "    100 becomes 14 % (-86, 86 % of its span)",
        "",
        "thresholds",
        "  hot_alarm: Hot air alarm (protection)",
        "    55.0 °C is crossed: 35 °C is read in place of 100 °C; what it decides",
        "    changes",
        "  boost_alarm: Boost alarm (protection)",
        "    1900 hPa is crossed: 2000 hPa is read in place of 1000 hPa; what it decides",
        "    changes",
        "",
        "1 more table hardly changes; --all shows it.",
        "A table's span is the distance between its smallest and its largest cell. Each",
        "table is shown where it differs most within the operating ranges of the signals.",
        "This is arithmetic on the tables that the definition describes, not a test of",
        "the engine. A reading that is not true can defeat protection and emissions",
        "functions, which is unlawful in many places; the maker's limits, local law and",
        "licensed practice come first.",
    ]


def test_all_shows_also_the_tables_and_thresholds_that_do_not_notice(yard: Yard) -> None:
    text = whatif(yard, "--true", "temp=20", "--reads", "30", "--all").flat
    assert "idle: Idle by temperature no difference" in text
    assert "55.0 °C is not crossed; 30 °C is read in place of 20 °C" in text
    assert "more table" not in text


def test_a_resistor_in_the_line_is_worked_through_from_the_sensor_to_the_reading(yard: Yard) -> None:
    text = whatif(yard, *WIRED).flat
    assert "Intake temperature (temp): 60 °C is read as 35.0 °C." in text
    assert (
        "At 60 °C the sensor has 666.7 Ω; with 1,000 Ω in series the control unit sees 1,667 Ω, 3.125 V in "
        "place of 2.000 V behind its pull-up of 1,000 Ω at 5 V." in text
    )


@pytest.mark.parametrize(
    ("options", "reading", "volts", "message"),
    [
        (("--series-resistor", "1000"), 35.0, 3.125, "1,000 Ω in series"),
        (("--parallel-resistor", "2000"), 70.0, 5 / 3, "2,000 Ω in parallel"),
        (
            ("--parallel-resistor", "2000", "--series-resistor", "1000"),
            40.0,
            3.0,
            "2,000 Ω across the sensor alone and 1,000 Ω in the line to both the control unit sees 1,500 Ω",
        ),
        (("--open",), 0.0, 5.0, "a broken wire the control unit sees an open line"),
        (("--short",), 90.0, 0.0, "a shorted wire the control unit sees 0 Ω"),
    ],
)
def test_every_wiring_gives_its_reading_and_is_named(
    yard: Yard, options: tuple[str, ...], reading: float, volts: float, message: str
) -> None:
    (result,) = document(yard, "--true", "temp=60", *options)["readings"]
    assert result["true"] == 60
    assert result["false"] == pytest.approx(reading)
    assert result["seen_volts"] == pytest.approx(volts)
    assert result["ohms"] == pytest.approx(2000 / 3)
    assert (result["seen_ohms"] is None) == ("--open" in options)
    text = whatif(yard, "--true", "temp=60", *options).flat
    assert message in text
    assert ("which holds the reading at its end" in text) == (options[0] in ("--open", "--short"))


def test_a_broken_wire_crosses_the_threshold_that_notices_it(yard: Yard) -> None:
    text = whatif(yard, "--true", "temp=60", "--open").flat
    assert "4.800 V is crossed: 5 V is read in place of 2 V; a fault may be set" in text
    crossed = {item["table"]: item for item in document(yard, *WIRED)["thresholds"]}
    assert crossed["wire_broken"]["crossed"] is False
    assert crossed["wire_broken"]["false"] == pytest.approx([3.125, 3.125])
    assert crossed["hot_alarm"]["crossed"] is True
    assert "Threshold not crossed: wire_broken (4.800 V)." in whatif(yard, *WIRED).flat
    quiet = whatif(yard, "--true", "temp=40", "--reads", "45").flat
    assert "Thresholds not crossed: hot_alarm (55.0 °C), boost_alarm (1900 hPa)." in quiet


def test_with_signal_the_reading_is_worked_out_at_every_temperature_that_the_sensor_reads(
    yard: Yard,
) -> None:
    text = whatif(yard, "--signal", "temp", "--series-resistor", "1000").stdout
    assert [line.split() for line in text.splitlines() if line.startswith("    60 ")] == [
        ["60", "666.7", "1,667", "2.000", "3.125", "35.0"]
    ]
    assert [line.split() for line in text.splitlines() if line.startswith("    90 ")] == [
        # 250 + 1000 ohms; 5 V * 1250 / 2250 = 2.778 V; 60 - 0.778 * 20 = 44.4
        ["90", "250.0", "1,250", "1.000", "2.778", "44.4"]
    ]
    result = document(yard, "--signal", "temp", "--series-resistor", "1000")
    true = [item["true"] for item in result["readings"]]
    # Operating 0 to 100, of which the sensor reads 0 to 90.
    assert (true[0], true[-1]) == (0, 90)
    assert true == sorted(set(true))
    assert {0, 10, 37, 50, 90} <= set(true)
    derate = next(item for item in result["effects"] if item["table"] == "derate")
    assert true[derate["reading"]] == 90
    assert (derate["true"], derate["false"]) == (pytest.approx(68), 100)
    assert "at a true temp of 90 °C" in " ".join(text.split())


def test_very_many_true_values_are_bounded_in_print_and_number(yard: Yard) -> None:
    axes = AXES + '<fixed-axis name="fine" signal="temp" count="5000" start="0" step="0.01"/>'
    yard.write("defs/yard.xml", definition(axes=axes))
    arguments = ("--signal", "temp", "--series-resistor", "1000")
    readings = document(yard, *arguments)["readings"]
    assert 100 < len(readings) < 1200
    assert (readings[0]["true"], readings[-1]["true"]) == (0, 90)
    lines = yard.call("whatif", BOAT, *arguments).lines
    assert len(lines[: lines.index("")]) < 20


def test_other_signals_may_be_given(yard: Yard) -> None:
    text = whatif(yard, *GIVEN, "--at", "speed=2000").flat
    assert "At speed 2000 rpm." in text
    # Half way from 1000 to 3000 rpm an off cell still counts.
    assert "switched off: 20 % becomes off" in text
    assert effects(yard, *GIVEN, "--at", "speed=3000")["recirculation"]["switched"] == 0
    assert document(yard, *GIVEN, "--at", "speed=3000")["given"] == {"speed": 3000}
    text = whatif(yard, *GIVEN, "--at", "speed=3000").flat
    assert "20 becomes 30 % (+10, 50 % of its span)" in text
    assert "speed 3000 rpm" not in text.replace("At speed 3000 rpm.", ""), "said once"


def test_other_signals_may_be_given_in_several_parts(yard: Yard) -> None:
    whole = whatif(yard, *GIVEN, "--at", "speed=1000,oil=20")
    assert whatif(yard, *GIVEN, "--at", "speed=1000", "--at", "oil=20") == whole


def test_globs_select_tables_and_thresholds_even_without_an_effect(yard: Yard) -> None:
    text = whatif(yard, *GIVEN, "-t", "derate*", "-t", "idle").stdout
    assert "derate_by_boost" in text and "idle: " in text
    assert "fan" not in text and "hot_alarm" not in text
    assert list(effects(yard, *GIVEN, "-t", "*alarm")) == []
    result = document(yard, *GIVEN, "-t", "*alarm")["thresholds"]
    assert [item["table"] for item in result] == ["hot_alarm", "boost_alarm"]
    text = whatif(yard, *GIVEN, "-t", "friction").flat
    assert "temp reaches none of the selected tables." in text


def test_a_signal_that_feeds_nothing_reaches_no_table(yard: Yard) -> None:
    text = whatif(yard, "--true", "oil=80", "--reads", "20").flat
    assert "oil reaches no table." in text


def test_values_outside_the_plausible_range_are_remarked_on(yard: Yard) -> None:
    assert "plausible" not in whatif(yard, *GIVEN).flat
    text = whatif(yard, "--true", "temp=200", "--reads", "-60").flat
    assert "The true value is outside the plausible range of -40 to 140 °C; is this intended?" in text
    assert "The reading is outside the plausible range of -40 to 140 °C; the control unit may reject" in text


def test_other_signals_outside_their_plausible_range_are_remarked_on_too(yard: Yard) -> None:
    text = whatif(yard, *GIVEN, "--at", "speed=9000").flat
    assert "speed is given outside its plausible range of 0 to 6000 rpm; is this intended?" in text
    assert "is this intended" not in whatif(yard, *GIVEN, "--at", "speed=6000").flat


@pytest.mark.parametrize(
    ("wiring", "message"),
    [
        (("--open",), "The voltage is outside intake_curve, which holds the reading at its end."),
        (("--series-resistor", "1000"), "In part of this range the voltage is outside intake_curve, which"),
    ],
)
def test_a_voltage_beyond_the_curve_is_reported_for_a_range_of_temperatures(
    yard: Yard, wiring: tuple[str, ...], message: str
) -> None:
    assert message in whatif(yard, "--signal", "temp", *wiring).flat
    assert "outside intake_curve" not in whatif(yard, *WIRED).flat


def test_a_difference_that_the_conversion_would_round_away_is_shown(yard: Yard) -> None:
    # 100 - 40 * 0.01 = 99.6 and 100 - 40 * 0.015 = 99.4 of a table in whole percent.
    text = whatif(yard, "--true", "temp=50.5", "--reads", "50.75", "-t", "derate").flat
    assert "99.6 becomes 99.4 % (-0.2, less than 1 % of its span)" in text


def test_numbers_are_printed_as_they_were_given(yard: Yard) -> None:
    text = whatif(yard, "--true", "temp=98.7654", "--reads", "-1e1", "--at", "speed=1234.5").flat
    assert "98.7654 °C is read as -10 °C." in text
    assert "At speed 1234.5 rpm." in text


def test_a_table_that_cannot_be_read_is_named_with_those_behind_it(yard: Yard) -> None:
    yard.write(BOAT, image({0x10: degrees(0, 50, 50)}))
    result = document(yard, *GIVEN)
    assert result["effects"] == []
    assert set(result["unread"]) == {
        "fan",
        "boost_wish",
        "recirculation",
        "derate",
        "derate_by_boost",
        "idle",
    }
    text = whatif(yard, *GIVEN).flat
    message = ": the axis temp_3 does not rise throughout (50 °C follows 50 °C)."
    assert f"callint cannot evaluate fan, boost_wish, recirculation, derate, idle{message}" in text
    message = ": it depends on boost_wish, which cannot be evaluated."
    assert f"callint cannot evaluate derate_by_boost{message}" in text


def test_unreadable_tables_are_not_reported_as_out_of_reach(yard: Yard) -> None:
    yard.write(BOAT, image({0x10: degrees(0, 50, 40)}))
    for arguments in ((), ("-t", "fan", "-t", "friction")):
        text = whatif(yard, *GIVEN, *arguments).flat
        assert "temp_3 does not rise throughout (40 °C follows 50 °C)" in text
        assert "reaches none" not in text
        assert "reaches no table" not in text
    assert "temp reaches none of the selected tables" in whatif(yard, *GIVEN, "-t", "friction").flat


def test_an_image_that_was_cut_off_leaves_its_tables_unread(yard: Yard) -> None:
    yard.write(BOAT, image()[:0x46])
    result = document(yard, *GIVEN)
    assert [item["table"] for item in result["effects"]] == ["fan", "boost_wish", "recirculation"]
    assert result["unread"] == ["derate", "derate_by_boost", "idle"]
    assert result["thresholds"] == []


def test_a_second_maker_of_a_signal_is_named(yard: Yard) -> None:
    tables = TABLES.replace('name="friction"', 'name="friction" produces="boost"')
    yard.write("defs/yard.xml", definition(tables))
    assert document(yard, *GIVEN)["rivals"] == {"boost": ["friction"]}
    assert "callint does not follow friction, which may also make boost." in whatif(yard, *GIVEN).flat


def test_a_table_of_states_changes_its_state_and_has_no_difference(yard: Yard) -> None:
    tables = TABLES.replace(
        '<scalar name="hot_alarm"',
        '<curve name="heater" title="Heater" purpose="general" at="0x62" type="uint16" conversion="on_off">'
        '<x axis="temp_3"/></curve><scalar name="hot_alarm"',
    )
    yard.write("defs/yard.xml", definition(tables))
    yard.write(BOAT, image({0x62: u16(1, 0, 0)}))
    text = whatif(yard, "--true", "temp=0", "--reads", "50", "-t", "heater").flat
    assert "heater: Heater on becomes off A table's span" in text
    text = whatif(yard, "--true", "temp=0", "--reads", "25", "-t", "heater").flat
    assert "heater: Heater on becomes between off and on A table's span" in text


# JSON beside the text


def test_the_json_has_the_numbers_of_the_text(yard: Yard) -> None:
    result = effects(yard, *GIVEN)
    assert list(result) == ["fan", "boost_wish", "recirculation", "derate", "derate_by_boost", "idle"]
    assert (result["derate"]["true"], result["derate"]["false"], result["derate"]["share"]) == (60, 100, 1)
    assert (result["fan"]["true"], result["fan"]["false"], result["fan"]["share"]) == (100, 14, 0.86)
    assert result["derate_by_boost"]["via"] == ["boost_wish"]
    recirculation = result["recirculation"]
    assert (recirculation["true"], recirculation["false"]) == (20, None)
    assert recirculation["at"] == {"speed": 700}
    # Speeds are 700, 1000, 3000 and 4200; the cell at 0 °C and 1000 rpm is off.
    assert (recirculation["switched"], recirculation["points"]) == (2, 4)
    assert result["idle"]["share"] == 0
    whole = document(yard, *GIVEN)
    assert (whole["image"], whole["definition"]) == (BOAT, "defs/yard.xml")
    assert (whole["signal"], whole["unit"], whole["unread"], whole["rivals"]) == ("temp", "degC", [], {})
    assert whole["readings"] == [{"true": 100, "false": 35}]


# Where images come from


def test_a_definition_or_a_policy_may_be_named(yard: Yard) -> None:
    before = whatif(yard, *GIVEN).stdout
    (yard.root / "callint.toml").rename(yard.root / "rules.toml")
    assert "no definition is known" in yard.call("whatif", BOAT, *GIVEN).error
    assert whatif(yard, *GIVEN, "--definition", "defs/yard.xml").stdout == before
    assert whatif(yard, *GIVEN, "--policy", "rules.toml").stdout == before


def test_a_file_at_a_revision_is_looked_into_in_a_bare_repository_too(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "repo")
    filled(scratch.root)
    scratch.commit("First")
    scratch.write(BOAT, image({0x44: u16(100, 100, 100)}))
    scratch.commit("Second")
    old, new = (scratch.call("whatif", f"{rev}:{BOAT}", *GIVEN, "-t", "derate") for rev in ("HEAD^", "HEAD"))
    assert "60 becomes 100 %" in old.stdout and "no difference" in new.stdout
    bare = Scratch(tmp_path / "bare.git")
    scratch.must("clone", "--quiet", "--bare", str(scratch.root), str(bare.root))
    assert bare.call("whatif", f"HEAD^:{BOAT}", *GIVEN, "-t", "derate").stdout == old.stdout


# Refusals


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ((), "missing --true SIGNAL=VALUE or --signal SIGNAL"),
        (("--reads", "20"), "missing --true SIGNAL=VALUE or --signal SIGNAL"),
        (("--open",), "missing --true SIGNAL=VALUE or --signal SIGNAL"),
        (("--true", "temp=20"), "needs --reads VALUE, a resistor"),
        (("--signal", "temp"), "needs --reads VALUE, a resistor"),
        (("--signal", "temp", "--reads", "20"), "--true SIGNAL=VALUE needs --reads"),
        (("--true", "temp=20", "--signal", "temp", "--open"), "--true and --signal exclude each other"),
        (("--true", "temp=20", "--reads", "5", "--open"), "--reads excludes a resistor"),
        (("--true", "temp=20", "--open", "--short"), "exclude each other; use only one"),
        (("--true", "temp=20", "--open", "--series-resistor", "5"), "exclude each other"),
        (("--true", "temp=20", "--short", "--parallel-resistor", "5"), "exclude each other"),
        (("--true", "tmp=20", "--reads", "5"), "did you mean 'temp'?"),
        (("--true", "zzz=20", "--reads", "5"), "known signals are speed, temp, volts, boost, oil"),
        (("--signal", "tem", "--open"), "did you mean 'temp'?"),
        (("--true", "temp", "--reads", "5"), "--true temp: write SIGNAL=VALUE"),
        (("--true", "=5", "--reads", "5"), "write SIGNAL=VALUE"),
        (("--true", "temp=20,speed=700", "--reads", "5"), "only one signal can be false"),
        (("--true", "temp=20,temp=30", "--reads", "5"), "occurs twice"),
        (("--true", "temp=warm", "--reads", "5"), "'warm' is not a number"),
        (("--true", "temp=nan", "--reads", "5"), "'nan' is not a number"),
        (("--true", "temp=20", "--reads", "inf"), "--reads inf: 'inf' is not a number"),
        (("--true", "temp=20", "--reads", "20,5"), "write it with a point"),
        (("--true", "temp=20", "--reads", ""), "'' is not a number"),
        (("--true", "temp=20", "--series-resistor", "0"), "0: a resistor has 0.001 to 1,000,000,000 ohms"),
        (("--true", "temp=20", "--parallel-resistor", "-5"), "-5: a resistor has 0.001 to"),
        (("--true", "temp=20", "--series-resistor", "1e10"), "or give --open or --short"),
        (
            ("--true", "temp=20", "--series-resistor", "2k2"),
            "'2k2' is not a number; give the number alone, in ohms, as in 2200",
        ),
        (("--true", "temp=20", "--series-resistor", "2.2k"), "give the number alone, in ohms, as in 2200"),
        (("--true", "temp=20°C", "--reads", "5"), "'20°C' is not a number; give the number alone, in °C"),
        (
            ("--true", "temp=20", "--reads", "-5.5 C"),
            "'-5.5 C' is not a number; give the number alone, in °C",
        ),
        (("--true", "temp=20", "--series-resistor", ""), "'' is not a number"),
        (("--true", "temp=95", "--open"), "--true temp=95: the sensor's curve reads 0 to 90"),
        (("--true", "oil=20", "--open"), "oil: the definition does not describe its sensor; add a <sensor>"),
        ((*GIVEN, "--at", "temp=20"), "--at temp: this is the false signal itself"),
        ((*GIVEN, "--at", "boost=20"), "--at boost: boost_wish derives this signal from the reading"),
        ((*GIVEN, "--at", "sped=20"), "--at sped: no signal has this name; did you mean 'speed'?"),
        ((*GIVEN, "--at", ""), "write SIGNAL=VALUE"),
        ((*GIVEN, "--at", "speed=700", "--at", "speed=800"), "speed occurs twice"),
        (
            (*GIVEN, "--true", "temp=20"),
            "--true occurs 2 times; use it only once; callint whatif --help",
        ),
        ((*GIVEN, "--reads", "20", "--reads", "35"), "--reads occurs 3 times"),
        (("--signal", "temp", "--signal", "oil", "--open"), "--signal occurs 2 times"),
        ((*WIRED, "--series-resistor", "100"), "--series-resistor occurs 2 times"),
        (("--true", "temp=60", *("--parallel-resistor", "9") * 2), "--parallel-resistor occurs 2 times"),
        ((*GIVEN, "-t", "derat"), "did you mean 'derate'?"),
        ((*GIVEN, "--format", "xml"), "'xml' is not one of 'text', 'json'"),
        ((*GIVEN, "--definition", "none.xml"), "none.xml"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_call_that_cannot_be_meant_is_refused_in_one_line(
    yard: Yard, options: tuple[str, ...], message: str
) -> None:
    assert message in yard.call("whatif", BOAT, *options).error


def test_the_signals_that_a_word_may_stand_for_are_suggested_the_likeliest_first(yard: Yard) -> None:
    signals = "".join(f'<signal name="{name}" unit="-"/>' for name in ("cool_part", "oil_cool", "air_cool"))
    yard.write("defs/yard.xml", definition(signals=SIGNALS + signals))
    error = yard.call("whatif", BOAT, "--true", "Cool=1", "--reads", "2").error
    assert error.endswith("did you mean 'oil_cool' or 'air_cool' or 'cool_part'?")


def test_an_image_that_is_not_there_or_of_other_software_is_refused(yard: Yard) -> None:
    assert "boats/none.bin" in yard.call("whatif", "boats/none.bin", *GIVEN).error
    yard.write(BOAT, image({0x70: b"OTHER-01"}))
    assert "software number" in yard.call("whatif", BOAT, *GIVEN).error


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('conversion="volt" count', 'conversion="rpm" count', "intake_curve is not over V or mV"),
        ('curve="intake_curve"', 'curve="recirculation"', "recirculation has another unit"),
        ('curve="intake_curve"', 'curve="hot_alarm"', "hot_alarm cannot be read"),
        ('curve="intake_curve"', 'curve="nowhere"', "nowhere cannot be read"),
        ('supply="5"', 'supply="3.3"', "to the supply of 3.3 V"),
        (
            'at="0x20" type="uint16"\n           conversion="degrees"',
            'at="0x20" type="uint16"\n           conversion="pressure"',
            "intake_curve has another unit",
        ),
    ],
)
def test_a_sensor_that_is_described_wrongly_is_refused(yard: Yard, old: str, new: str, message: str) -> None:
    xml = definition().decode()
    assert old in xml
    yard.write("defs/yard.xml", xml.replace(old, new))
    error = yard.call("whatif", BOAT, *WIRED).stderr.splitlines()[-1]
    assert yard.call("whatif", BOAT, *WIRED).status == 2
    assert error.startswith("callint: temp: its curve ") and message in error
    assert error.endswith("correct the definition, or give --reads")


@pytest.mark.parametrize(
    ("cells", "message"),
    [((90, 60, 70, 0), "does not rise or fall"), ((90, 60, 60, 0), "does not rise or fall")],
)
def test_a_sensors_curve_that_turns_or_stands_still_is_refused(
    yard: Yard, cells: tuple[float, ...], message: str
) -> None:
    yard.write(BOAT, image({0x20: degrees(*cells)}))
    assert message in yard.call("whatif", BOAT, *WIRED).error


def test_tables_in_a_cycle_are_refused_with_their_names(yard: Yard) -> None:
    tables = TABLES.replace('name="derate_by_boost"', 'name="derate_by_boost" produces="temp"')
    yard.write("defs/yard.xml", definition(tables))
    error = yard.call("whatif", BOAT, *GIVEN).error
    assert "defs/yard.xml: boost_wish feeds derate_by_boost feeds boost_wish, in a cycle" in error


# The terminal


def test_no_line_is_wider_than_80_columns_and_a_pipe_gets_no_colour(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    long = "a_very_long_name_of_a_table_that_somebody_wrote_who_had_a_screen_as_wide_as_a_house"
    title = " ".join(["Very", "long", "title"] * 10)
    xml = definition(TABLES.replace("derate_by_boost", long).replace("Torque share by boost", title))
    yard.write("test.xml", xml.replace(b"Intake demo", title.encode()))
    yard.write("new.bin", image())
    for arguments in (GIVEN, WIRED, ("--signal", "temp", "--parallel-resistor", "123456.789")):
        result = call("whatif", "new.bin", *arguments, "--all", "--definition", "test.xml", cwd=yard.root)
        assert result.status == 0
        assert long in result.stdout.replace("\n", "").replace(" ", "")
        assert too_wide(result.stdout) == []
        assert steering(result.stdout) == []


def test_a_strangers_words_do_not_steer_the_terminal(yard: Yard) -> None:
    evil = "\u202egnp.exe\u009b31m"
    xml = definition().decode().replace("Hot air alarm", evil).replace("Intake temperature", evil)
    yard.write("defs/yard.xml", xml.replace("Intake demo", evil).replace("Fan by", evil))
    for arguments in (GIVEN, WIRED, ("--signal", "temp", "--open")):
        result = whatif(yard, *arguments, "--all")
        assert "\\u202egnp.exe" in result.stdout
        assert steering(result.stdout) == []
    error = yard.call("whatif", BOAT, "--true", "te\u202emp=5", "--reads", "\x1b[2J").error
    assert steering(error) == []


def test_without_unicode_the_ohms_are_spelled_out_and_nothing_fails(yard: Yard) -> None:
    result = yard.run("whatif", BOAT, *WIRED, PYTHONIOENCODING="ascii", PYTHONUTF8="0", LC_ALL="C")
    assert result.status == 0
    assert "666.7" in result.stdout
