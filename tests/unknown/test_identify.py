"""``callint identify`` says which definition of the repository fits an image, or how far the nearest is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import GOOD, Yard, edited, make_yard, too_wide, valid, yard_base, yard_definition

SOFTWARE = 0x80
#: A rework of the second software: the same tables, each 16 bytes further on, and another identity.
MOVED = edited(bytes(16) + yard_base()[:0x80] + bytes(0x10), {SOFTWARE: b"YARD-02"}, seal=False)


def _other_definition() -> bytes:
    """The definition of YARD-02: every table lies 16 bytes further on, where the image is long enough."""
    text = yard_definition().decode().replace("YARD-01", "YARD-02").replace('name="yard"', 'name="yard-2"')
    for at in ("0x00", "0x08", "0x10", "0x28", "0x30", "0x32", "0x33", "0x38", "0x44"):
        text = text.replace(f'at="{at}"', f'at="#{int(at, 16) + 16:02X}"')
    return text.replace('at="#', 'at="0x').encode()


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    yard = make_yard(tmp_path_factory.mktemp("identify") / "yard", heron=GOOD)
    yard.write("other/second.xml", _other_definition())
    yard.write("boats/second.bin", MOVED)
    yard.write("boats/third.bin", edited(GOOD, {SOFTWARE: b"YARD-93"}))
    yard.write("boats/stale.bin", edited(GOOD, {0x28: u16(610)}, seal=False))
    yard.write("boats/part.bin", GOOD[:0x60])
    yard.write("boats/short.bin", GOOD[:0x90])
    yard.write("boats/noise.bin", edited(bytes(range(255, 95, -1)), {SOFTWARE: b"YARD-01"}, seal=False))
    return yard


def _document(yard: Yard, *names: str) -> tuple[int, list[dict[str, Any]]]:
    result = yard.call("identify", *names, "--format", "json")
    return result.status, valid(result.data, "identification.schema.json")["images"]


def test_the_definition_of_an_image_is_found_by_identity_and_content(yard: Yard) -> None:
    status, (heron, second) = _document(yard, "boats/heron.bin", "boats/second.bin")
    assert status == 0
    assert heron["fitting"] == ["defs/yard.xml"]
    # No policy names this definition: it is found by its content.
    assert second["fitting"] == ["other/second.xml"]
    own = heron["candidates"][0]
    assert own["axes"] == {"right": 2, "total": 2} and own["checksums"] == {"right": 1, "total": 1}
    # One cell of the fuel map and the hull number differ from the base, of 0x44 + 4 described bytes.
    differing = sum(a != b for a, b in zip(GOOD[:0x48], yard_base()[:0x48], strict=True))
    described = 8 + 6 + 24 + 8 + 2 + 1 + 4 + 12 + 4
    assert own["base"] == "factory/base.bin" and own["likeness"] == pytest.approx(1 - differing / described)


def test_without_a_fit_the_nearest_is_named_with_the_bytes_that_differ(yard: Yard) -> None:
    result = yard.call("identify", "boats/third.bin")
    assert result.status == 1 and not too_wide(result.stdout)
    assert "fits no definition; the nearest is defs/yard.xml" in result.stdout
    assert 'software number: "YARD-93", not "YARD-01"; 2 bytes differ (0x00085,' in result.stdout
    _, (third,) = _document(yard, "boats/third.bin")
    nearest, other = third["candidates"]
    assert nearest["identities"][0]["differing"] == [0x85, 0x86]
    assert nearest["checks"]["total"] - nearest["checks"]["right"] == 1
    assert other["checks"]["total"] - other["checks"]["right"] > 1


def test_a_stale_checksum_is_shown_but_does_not_matter(yard: Yard) -> None:
    status, (stale,) = _document(yard, "boats/stale.bin")
    assert status == 0 and stale["candidates"][0]["checksums"] == {"right": 0, "total": 1}


def test_an_image_with_the_identity_and_other_content_does_not_fit(yard: Yard) -> None:
    status, (noise,) = _document(yard, "boats/noise.bin")
    assert status == 1 and noise["fitting"] == []
    by_file = {candidate["definition"]: candidate for candidate in noise["candidates"]}
    assert by_file["defs/yard.xml"]["identities"][0]["differing"] == []


def test_a_raw_image_of_one_region_is_placed_at_that_region(yard: Yard) -> None:
    status, (part,) = _document(yard, "boats/part.bin")
    # The region lacks the identity, so content decides between the two definitions.
    assert status == 0 and part["fitting"] == ["defs/yard.xml"]
    assert part["candidates"][0]["start"] == 0 and part["candidates"][0]["regions"]["right"] == 1


def test_a_raw_image_of_no_fitting_size_does_not_fit(yard: Yard) -> None:
    result = yard.call("identify", "boats/short.bin")
    assert result.status == 1
    assert "size: 144 bytes, but the memory has 160" in result.stdout


def test_an_image_that_two_definitions_fit_is_not_decided(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, heron=GOOD)
    yard.write("copy.xml", yard_definition())
    result = yard.call("identify", "boats/heron.bin")
    assert result.status == 1
    assert "fits several definitions: defs/yard.xml and copy.xml" in " ".join(result.stdout.split())


def test_one_definition_can_be_named(yard: Yard) -> None:
    result = yard.call("identify", "boats/heron.bin", "--definition", "other/second.xml")
    assert result.status == 1 and "the nearest is other/second.xml" in " ".join(result.stdout.split())


def test_a_broken_definition_is_named_and_the_others_are_tried(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, heron=GOOD)
    yard.write("broken.xml", yard_definition()[:-20])
    result = yard.call("identify", "boats/heron.bin")
    assert result.status == 0 and "fits defs/yard.xml" in result.stdout
    assert "callint: broken.xml:" in result.stderr


def test_bad_input_is_one_line(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("image.bin", GOOD)
    yard.write("empty.bin", b"")
    yard.write("bad.hex", ":020000040000FA\n:0100000001FF\n")
    yard.write("data.xml", "<data/>")
    nothing = "no definition in this folder; run callint init, or name a definition with --definition"
    assert yard.call("identify", "image.bin").error == f"callint: {nothing}"
    yard.write("yard.xml", yard_definition())
    assert "empty.bin: the image is empty" in yard.call("identify", "empty.bin").error
    assert "bad.hex:2: " in yard.call("identify", "bad.hex").error
    assert "data.xml" in yard.call("identify", "image.bin", "--definition", "data.xml").error
