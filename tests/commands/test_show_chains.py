"""``show --at`` through tables that put out signals, on the definition of the what-if.

The sensor's curve reads 60 and 40 °C at 2 and 3 V, so 50 °C at 2.5 V; there the fan has 20 %, the wanted
boost is 2000 hPa, and at that the torque share by boost is 80 %.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.commands.test_whatif import BOAT, TABLES, definition, degrees, filled, image
from tests.running import Yard, steering, too_wide, valid


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return filled(tmp_path / "yard")


def document(yard: Yard, *arguments: str) -> Any:
    result = yard.call("show", BOAT, *arguments, "--format", "json")
    assert (result.status, result.stderr) == (0, ""), result
    return valid(result.data, "point.schema.json")


def outputs(result: Any) -> dict[str, tuple[float | None, float | None]]:
    """New and old output by table."""
    return {table["table"]: (table["new"], table.get("old")) for table in result["tables"]}


def test_tables_behind_a_table_whose_output_is_a_signal_are_followed(yard: Yard) -> None:
    result = document(yard, "--at", "volts=2.5,speed=1000")
    assert outputs(result) == {
        "intake_curve": (50, 50), "fan": (20, 20), "boost_wish": (2000, 2000), "recirculation": (40, 40),
        "derate": (100, 100), "derate_by_boost": (80, 80), "idle": (800, 800), "friction": (10, 10),
    }  # fmt: skip
    assert result["made"] == {
        "temp": {"table": "intake_curve", "new": 50, "old": 50},
        "boost": {"table": "boost_wish", "new": 2000, "old": 2000},
    }
    via = {table["table"]: table["via"] for table in result["tables"]}
    assert (via["intake_curve"], via["fan"], via["derate_by_boost"]) == ([], ["temp"], ["boost"])
    assert result["at"] == {"volts": 2.5, "speed": 1000}
    assert result["wanting"] == {}


def test_image_and_base_each_follow_their_own_tables(yard: Yard) -> None:
    # 70 °C at 2 V make it 55 °C at 2.5 V: fan 28 %, boost 1900 hPa, and a torque share of 82 %.
    yard.write(BOAT, image({0x20: degrees(90, 70, 40, 0)}))
    result = document(yard, "fan", "derate_by_boost", "--at", "volts=2.5")
    assert outputs(result) == {"fan": (28, 20), "derate_by_boost": (pytest.approx(82), 80)}
    assert result["made"]["temp"] == {"table": "intake_curve", "new": 55, "old": 50}
    # The base is at another place of the table, whose cells have other weights there.
    assert not any("old" in cell for table in result["tables"] for cell in table["cells"])
    text = yard.call("show", BOAT, "fan", "--at", "volts=2.5")
    assert "intake_curve makes temp 55.0 °C; base 50.0 °C (+5.0)." in text.flat
    assert "boost" not in text.stdout
    assert not too_wide(text.stdout) and not steering(text.stdout)


def test_a_signal_that_is_given_is_not_made(yard: Yard) -> None:
    result = document(yard, "--at", "volts=2.5,temp=100")
    assert outputs(result)["fan"] == (100, 100)
    assert list(result["made"]) == ["boost"]


def test_a_table_that_is_off_or_unreadable_derives_no_signal(yard: Yard) -> None:
    tables = TABLES.replace(
        'produces="boost"><x axis="temp_3"/>', 'produces="boost"><x axis="temp_3"/><off raw="0"/>'
    )
    yard.write("defs/yard.xml", definition(tables))
    yard.write(BOAT, image({0x30: u16(0, 0, 1000)}))
    result = document(yard, "--at", "volts=2.5")
    assert outputs(result)["boost_wish"] == (None, 2000)
    assert "derate_by_boost" not in outputs(result)
    assert result["wanting"] == {"speed": 2, "boost": 1}
    # In the base it is off: then there is nothing to compare with.
    yard.write("factory/base.bin", image({0x30: u16(0, 0, 1000)}))
    yard.write(BOAT, image())
    result = document(yard, "--at", "volts=2.5")
    assert outputs(result)["derate_by_boost"] == (80, None)
    assert result["made"]["boost"] == {"table": "boost_wish", "new": 2000}
    yard.write(BOAT, image({0: u16(1000, 1000)}))
    assert document(yard, "--at", "volts=2.5")["unread"] == ["intake_curve"]


def test_another_table_that_makes_the_signal_too_is_named(yard: Yard) -> None:
    yard.write("defs/yard.xml", definition(TABLES.replace('name="idle"', 'name="idle" produces="boost"')))
    text = yard.call("show", BOAT, "--at", "volts=2.5").flat
    assert "boost 2000 hPa, as in the base; callint does not follow idle, which may also make it." in text


def test_tables_in_a_cycle_have_no_outputs(yard: Yard) -> None:
    tables = TABLES.replace('name="derate_by_boost"', 'name="derate_by_boost" produces="temp"')
    yard.write(
        "defs/yard.xml",
        definition(tables.replace(' produces="temp"><x axis="volts_4"', '><x axis="volts_4"')),
    )
    assert document(yard, "--at", "speed=1000")["made"] == {}
    assert outputs(document(yard, "--at", "temp=50"))["derate_by_boost"] == (80, 80)
