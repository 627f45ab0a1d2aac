"""``callint coverage`` shows what the definition does not describe, and what of that was changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.building import definition_xml
from tests.running import FUEL, GOOD, NOTHING, Yard, edited, make_yard, too_wide, valid, yard_base

#: By kind, the bytes of the region "calibration" (0x00 to 0x5F): see the definition of the yard.
DESCRIBED = 8 + 6 + 24 + 8 + 2 + 1 + 4 + 12 + 4


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    yard = make_yard(tmp_path_factory.mktemp("coverage") / "yard", heron=GOOD)
    yard.write("boats/auk.bin", edited(GOOD, {0x50: b"\x01\x02", NOTHING: b"\xde\xad\xbe\xef"}))
    return yard


def _parts(yard: Yard, *arguments: str) -> dict[str, dict[str, Any]]:
    result = yard.call("coverage", *arguments, "--format", "json")
    assert result.status == 0
    document = valid(result.data, "coverage.schema.json")
    return {part.get("region", ""): part for part in document["parts"]}


def test_every_byte_of_a_region_is_counted_once(yard: Yard) -> None:
    parts = _parts(yard, "boats/heron.bin")
    region, rest = parts["calibration"], parts[""]
    assert region["described"] == DESCRIBED
    assert (rest["described"], rest["other"]) == (0, 7 + 2)  # software number and sum
    kinds = ("described", "other", "fill", "missing", "undescribed")
    assert [sum(part[kind] for kind in kinds) for part in (region, rest)] == [0x60, 0x40]
    # The erased bytes of the yard's images are 0x00, but its memory has the fill 0xFF.
    assert region["undescribed"] == 0x60 - DESCRIBED


def test_ranges_have_the_bytes_that_each_rework_changed(yard: Yard) -> None:
    parts = _parts(yard, "boats/heron.bin", "boats/auk.bin")
    stretches = {stretch["start"]: stretch for stretch in parts["calibration"]["stretches"]}
    assert stretches[0x48]["size"] == 0x60 - 0x48
    assert stretches[0x48]["differing"] == {"boats/auk.bin": 2}
    assert stretches[0x0E] == {"start": 0x0E, "size": 2, "differing": {}}
    assert {item["start"]: item["differing"] for item in parts[""]["stretches"]}[0x60] == {"boats/auk.bin": 4}
    text = yard.call("coverage", "boats/heron.bin", "boats/auk.bin")
    assert not too_wide(text.stdout)
    first = text.stdout.splitlines().index("  3 undescribed ranges; 1 of them changed") + 1
    assert text.stdout.splitlines()[first] == "    0x00048  24 bytes: 2 changed in boats/auk.bin"


def test_fill_is_distinguished_from_data(tmp_path: Path) -> None:
    table = '<scalar name="cut" title="Cut" purpose="general" at="0x00" type="uint16"/>'
    yard = Yard(tmp_path)
    memory = '<region name="all" start="0x0" size="0x100"/>'
    yard.write("d.xml", definition_xml(table, size=0x100, memory=memory))
    content = bytearray(b"\xff" * 0x100)
    content[:2] = b"\x01\x02"
    content[0x40:0x50] = bytes(range(16))
    content[0x44:0x48] = b"\xff" * 4  # too short for fill: a table may hold it
    yard.write("image.bin", bytes(content))
    part = _parts(yard, "image.bin", "--definition", "d.xml")["all"]
    assert part["stretches"] == [{"start": 0x40, "size": 0x10}]
    assert part["fill"] == 0x100 - 2 - 0x10
    # What one image has as fill and another as data is not fill.
    content[0x80] = 7
    yard.write("other.bin", bytes(content))
    part = _parts(yard, "image.bin", "other.bin", "--definition", "d.xml")["all"]
    assert [(item["start"], item["size"]) for item in part["stretches"]] == [(0x40, 0x10), (0x80, 1)]


def test_bytes_that_no_image_holds_are_counted_apart(yard: Yard) -> None:
    yard.write("part.hex", _hex(FUEL, GOOD[FUEL : FUEL + 16]))
    parts = _parts(yard, "part.hex", "--definition", "defs/yard.xml")
    assert parts["calibration"]["missing"] == parts["calibration"]["size"] - DESCRIBED


def _hex(address: int, data: bytes) -> str:
    record = bytes([len(data), address >> 8, address & 0xFF, 0]) + data
    return f":{record.hex().upper()}{-sum(record) & 0xFF:02X}\n:00000001FF\n"


def test_many_ranges_are_shortened_in_the_text_and_listed_with_all(tmp_path: Path) -> None:
    tables = "".join(
        f'<scalar name="s{n}" title="S" purpose="general" at="0x{4 * n:X}" type="uint8"/>' for n in range(20)
    )
    yard = Yard(tmp_path)
    yard.write("d.xml", definition_xml(tables, size=0x50))
    yard.write("image.bin", bytes(range(1, 0x51)))
    short = yard.call("coverage", "image.bin", "--definition", "d.xml").stdout
    assert "20 undescribed ranges" in short and "and 8 more; --all shows them" in short
    assert yard.call("coverage", "image.bin", "--definition", "d.xml", "--all").stdout.count(" 3 bytes") == 20


def test_an_image_of_other_software_is_refused(yard: Yard) -> None:
    yard.write("boats/foreign.bin", edited(yard_base(), {0x80: b"YARD-77"}))
    assert 'its software number is "YARD-77"' in yard.call("coverage", "boats/foreign.bin").error
