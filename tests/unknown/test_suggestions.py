"""``callint coverage --suggest`` says what may lie in undescribed bytes, as lines that a person reviews."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks import coverage
from callint.decoding.table_suggestions import suggest
from tests.building import definition_xml, u16
from tests.running import Yard, too_wide, valid

#: The described axes lie at 0x20 and 0x40, their maps behind. The definition lacks two axes, each behind its
#: count, a map and two curves.
LOST = 0x200
X, Y, MAP, CURVE, BYTES = LOST + 2, LOST + 30, LOST + 48, LOST + 264, LOST + 290
AXES = """
    <axis name="x" signal="speed" at="0x20" type="uint16" count="10"/>
    <axis name="y" signal="load" at="0x40" type="uint16" count="7" count-at="0x3E" count-type="uint16"/>
"""
TABLES = "".join(
    f'<map name="m{n}" title="Map" purpose="general" at="{0x60 + 140 * n:#x}" type="uint16">'
    '<x axis="x"/><y axis="y"/></map>'
    for n in range(2)
)
SIZE = 0x600


def surface(rows: int, columns: int) -> list[int]:
    """A hill on a slope: 300 + 40 x + 25 y, and 400 exp(-(x - 5)² / 9 - (y - 3)² / 6)."""
    y, x = np.mgrid[:rows, :columns]
    hill = 400 * np.exp(-((x - 5) ** 2) / 9 - (y - 3) ** 2 / 6)
    return [int(value) for value in np.rint(300 + 40 * x + 25 * y + hill).ravel()]


def content() -> bytearray:
    data = bytearray(np.random.default_rng(3).integers(0, 256, SIZE).astype(np.uint8).tobytes())
    parts = {
        0x20: u16(*range(600, 600 + 10 * 350, 350)),
        0x3E: u16(7, 0, 10, 20, 35, 50, 70, 90),
        0x60: u16(*surface(7, 10)) + u16(*reversed(surface(7, 10))),
        LOST: u16(13, *range(500, 500 + 13 * 300, 300)),
        LOST + 28: u16(8, 0, 50, 100, 200, 300, 450, 600, 800),
        MAP: u16(*surface(8, 13)),
        MAP + 208: bytes(range(0xA0, 0xF0, 10)),  # 8 bytes beside the map
        CURVE: u16(*(5000 - 12 * (n - 4) ** 2 - 3 * n for n in range(13))),
        BYTES: bytes(int(150 + 70 * np.cos(n / 3)) for n in range(13)),
    }
    for at, part in parts.items():
        data[at : at + len(part)] = part
    return data


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    yard = Yard(tmp_path_factory.mktemp("suggestions"))
    memory = f'<region name="all" start="0x0" size="{SIZE:#x}"/>'
    yard.write("d.xml", definition_xml(TABLES, axes=AXES, size=SIZE, memory=memory))
    yard.write("image.bin", bytes(content()))
    changed = content()
    changed[MAP + 2 : MAP + 6] = u16(500, 510)
    yard.write("rework.bin", bytes(changed))
    return yard


def suggestions(yard: Yard, *arguments: str) -> dict[int, dict[str, Any]]:
    result = yard.call("coverage", *arguments, "--definition", "d.xml", "--suggest", "--format", "json")
    assert result.status == 0, result
    document = valid(result.data, "coverage.schema.json")
    return {item["at"]: item for item in document["suggestions"]}


def test_axes_with_counts_and_the_map_after_them_are_suggested_with_type_and_size(yard: Yard) -> None:
    found = suggestions(yard, "image.bin")
    kinds = {at: (item["kind"], item["type"], item["rows"], item["columns"]) for at, item in found.items()}
    assert kinds[X] == ("axis", "uint16", 1, 13)
    assert kinds[Y] == ("axis", "uint16", 1, 8)
    assert kinds[MAP] == ("map", "uint16", 8, 13)
    assert kinds[CURVE] == ("curve", "uint16", 1, 13)
    assert f"the number at 0x{LOST:05X} is its count" in found[X]["evidence"]
    assert found[MAP]["axes"] == [found[X]["name"], found[Y]["name"]]
    assert (found[MAP]["byte_order"], found[MAP]["other_type"]) == ("big", "int16")
    assert all(item["confidence"] >= 0.9 for item in found.values())


def test_nothing_is_suggested_for_described_bytes_and_for_noise(yard: Yard) -> None:
    assert all(LOST <= at < LOST + 0x140 for at in suggestions(yard, "image.bin"))


def test_the_cells_that_a_rework_changed_are_evidence(yard: Yard) -> None:
    found = suggestions(yard, "rework.bin", "--base", "image.bin")
    assert found[MAP]["changed"] == {"rework.bin": 2}
    assert "2 of 104 changed in rework.bin" in found[MAP]["evidence"]
    assert "changed" not in found[X]


def test_the_lines_load_once_a_person_pastes_them(yard: Yard) -> None:
    before = (yard.root / "d.xml").read_bytes()
    result = yard.call("coverage", "image.bin", "--definition", "d.xml", "--suggest")
    text, lines = result.stdout.split("Lines for the definition, which callint does not change:\n")
    assert result.status == 0 and not too_wide(text)
    assert (yard.root / "d.xml").read_bytes() == before
    signals, rest = lines.split("<!-- For axes:")
    axes, tables = rest.split("<!-- For tables:")
    xml = before.decode()
    for part, added in (("signals", signals), ("axes", f"<!--{axes}"), ("tables", f"<!--{tables}")):
        xml = xml.replace(f"</{part}>", f"{added}</{part}>")
    yard.write("pasted.xml", xml.encode())
    checked = yard.call("check", "image.bin", "--definition", "pasted.xml", "--format", "json")
    assert checked.status in (0, 1), checked
    messages = [item["message"] for item in checked.data["findings"]]
    assert not any("fits nowhere" in message or "unknown attribute" in message for message in messages)
    shown = yard.call("show", "image.bin", f"map_{MAP:X}", "--definition", "pasted.xml", "--format", "csv")
    assert shown.status == 0, shown
    # What is described once is suggested no more.
    again = yard.call("coverage", "image.bin", "--definition", "pasted.xml", "--suggest", "--format", "json")
    assert not {item["at"] for item in again.data["suggestions"]} & {X, Y, MAP, CURVE}


def test_a_memory_of_noise_has_no_suggestions(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("d.xml", definition_xml("", size=0x800))
    yard.write("image.bin", np.random.default_rng(5).integers(0, 256, 0x800).astype(np.uint8).tobytes())
    result = yard.call("coverage", "image.bin", "--definition", "d.xml", "--suggest")
    assert result.status == 0
    assert result.stdout.endswith("No axis, curve or map is suggested for the undescribed bytes.\n")


def test_bytes_beyond_the_bound_are_counted_and_reported(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(suggest, "MOST_BYTES", 300)
    arguments = ("coverage", "image.bin", "--definition", "d.xml", "--suggest")
    result = yard.call(*arguments)
    data = yard.call(*arguments, "--format", "json").data
    total = sum(stretch["size"] for part in data["parts"] for stretch in part["stretches"])
    assert data["unread"] == total - 300
    assert f"it left out {total - 300} undescribed bytes from" in " ".join(result.stdout.split())
    # What ends before the bound is found as without it; the curves lie behind it.
    assert X in (found := {item["at"] for item in data["suggestions"]}) and not found & {CURVE, BYTES}


def test_nine_of_ten_suggestions_are_right() -> None:
    # ``python -m benchmarks coverage`` prints the figures of many more images; these are two tuning ones.
    seeds = coverage.TUNING[:2]
    result = coverage.score(coverage.formula_pairs(seeds), seeds)
    assert sum(result.suggested.values()) >= 20
    assert sum(result.right.values()) >= 0.9 * sum(result.suggested.values())
