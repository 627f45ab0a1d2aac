"""The bytes that restore the base in the place of a finding, and the fix in SARIF that writes them."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import pytest

from tests.building import definition_xml, findings, image, u16
from tests.rules.example import table
from tests.running import BAD, GOOD, Yard, edited, fuel_cell, make_yard, valid_sarif

RPM = '<linear name="rpm" unit="rpm" factor="1" decimals="0"/>'


def fixes(yard: Yard) -> dict[str, list[Any]]:
    """The fixes of each rule in a valid SARIF log of the yard's check."""
    log = valid_sarif(yard.call("check", "--format", "sarif").data)
    result: dict[str, list[Any]] = {}
    for item in log["runs"][0]["results"]:
        result.setdefault(item["ruleId"], []).extend(item.get("fixes", ()))
    return result


def applied(data: bytes, fix: Any) -> bytes:
    """A file after a fix: each replacement deletes a region and inserts bytes (SARIF 2.1.0, section 3.57)."""
    (change,) = fix["artifactChanges"]
    assert change["artifactLocation"]["uri"] == "boats/petrel.bin"
    for replacement in change["replacements"]:
        region = replacement["deletedRegion"]
        start, end = region["byteOffset"], region["byteOffset"] + region["byteLength"]
        data = data[:start] + base64.b64decode(replacement["insertedContent"]["binary"]) + data[end:]
    return data


def test_the_fix_of_a_slip_restores_the_cell_of_the_base(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, petrel=edited(BAD, {fuel_cell(3, 2): u16(600)}))
    (fix,) = fixes(yard)["value/out-of-range"]
    base = (yard.root / "factory/base.bin").read_bytes()
    at = fuel_cell(1, 1)
    before = (yard.root / "boats/petrel.bin").read_bytes()
    after = applied(before, fix)
    assert before[at : at + 2] != base[at : at + 2]
    assert after == before[:at] + base[at : at + 2] + before[at + 2 :]
    assert fix["description"]["text"].startswith("Restore the bytes of the base (")
    yard.write("boats/petrel.bin", after)
    assert yard.call("seal", "boats/petrel.bin").status == 0
    assert "value/out-of-range" not in fixes(yard)


def test_a_stale_checksum_has_no_fix(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, petrel=edited(GOOD, {fuel_cell(1, 1): u16(432)}, seal=False))
    assert fixes(yard)["image/stale-checksum"] == []


def one(xml: bytes, data: bytes, base: bytes, rule: str) -> bytes:
    (finding,) = (item for item in findings(xml, data, base) if item.rule == rule)
    return finding.base_bytes


@pytest.mark.parametrize(("order", "at"), [("big", 1), ("little", 0)])
def test_the_bits_of_other_tables_in_a_byte_stay(order: str, at: int) -> None:
    tables = "".join(
        table("scalar", name, limits, at=8, type="uint16", conversion="rpm", mask=mask).replace(
            ' at="8"', f' at="8" byte-order="{order}"'
        )
        for name, limits, mask in (("low", '<limits max="9"/>', "0x000F"), ("high", "", "0x00F0"))
    )
    xml = definition_xml(tables, conversions=RPM)
    base, data = bytearray(2), bytearray(2)
    base[at], data[at] = 0x35, 0x6F
    restored = bytearray(2)
    restored[at] = 0x65
    result = one(xml, image(at_8=bytes(data)), image(at_8=bytes(base)), "value/out-of-range")
    assert result == bytes(restored)


def test_a_table_of_several_cells_is_not_restored_as_a_whole() -> None:
    curve = table("curve", "fuel", '<x><fixed-axis signal="speed" values="1 2"/></x><guard flat="true"/>',
                  purpose="protection", conversion="rpm")  # fmt: skip
    xml = definition_xml(curve, conversions=RPM)
    assert one(xml, image(at_0=u16(5, 5)), image(at_0=u16(4, 6)), "protection/flat") == b""
    scalar = table("scalar", "fuel", '<guard above="9"/>', purpose="protection", conversion="rpm")
    xml = definition_xml(scalar, conversions=RPM)
    assert one(xml, image(at_0=u16(10)), image(at_0=u16(4)), "protection/disabled") == u16(4)


def test_bytes_that_nothing_describes_are_restored_up_to_a_bound() -> None:
    xml = definition_xml(
        table("scalar", "fuel", conversion="rpm"),
        conversions=RPM,
        memory='<region name="calibration" start="0" size="8192"/>',
        size=8192,
    )
    for size, expected in ((4, b"\1" * 4), (4096, b"\1" * 4096), (4097, b"")):
        base = bytes(100) + b"\1" * size + bytes(8092 - size)
        data = bytes(100) + b"\2" * size + bytes(8092 - size)
        assert one(xml, data, base, "change/unexplained-bytes") == expected


def test_a_value_that_the_base_has_too_has_nothing_to_restore() -> None:
    xml = definition_xml(table("scalar", "fuel", '<limits max="9"/>', conversion="rpm"), conversions=RPM)
    assert one(xml, image(at_0=u16(10)), image(at_0=u16(10)), "value/out-of-range") == b""
    (alone,) = (item for item in findings(xml, image(at_0=u16(10))) if item.rule == "value/out-of-range")
    assert alone.base_bytes == b""
