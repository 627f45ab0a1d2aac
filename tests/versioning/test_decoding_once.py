"""What is decoded: what a commit touches, and each content once, however many files hold it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from callint.decoding import loaded_definition
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Layout
from callint.model.image import Image
from tests.building import u16
from tests.running import CUT, GOOD, Scratch, edited, make_repository_yard, yard_base

BASE = yard_base()
#: Reworks that differ, and are honest.
FIRST, SECOND, THIRD = (edited(GOOD, {CUT: u16(4100 + 10 * number)}) for number in range(3))


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "repo", heron=GOOD, petrel=GOOD)


@pytest.fixture
def decoded(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """The contents of all images that are decoded."""
    result: list[bytes] = []

    def counted(layout: Layout, image: Image) -> Decoded:
        result.append(image.content.tobytes())
        return decode(layout, image)

    monkeypatch.setattr(loaded_definition, "decode", counted)
    return result


def test_a_commit_costs_the_decoding_of_what_it_touches(scratch: Scratch, decoded: list[bytes]) -> None:
    scratch.stage("boats/heron.bin", FIRST)
    assert scratch.call("check", "--staged").status == 0
    assert Counter(decoded) == {FIRST: 1, BASE: 1}


def test_a_commit_that_touches_no_image_costs_no_decoding(scratch: Scratch, decoded: list[bytes]) -> None:
    scratch.stage("notes.txt", "The petrel is in the water again.\n")
    assert scratch.call("check", "--staged").status == 0
    assert decoded == []


def test_a_commit_that_touches_a_definition_costs_the_decoding_of_its_images(
    scratch: Scratch, decoded: list[bytes]
) -> None:
    scratch.stage("boats/petrel.bin", FIRST)
    scratch.commit()
    text = (scratch.root / "defs/yard.xml").read_text("utf-8")
    scratch.stage("defs/yard.xml", text.replace("Fuel by speed and load", "Fuel"))
    assert scratch.call("check", "--staged").status == 0
    assert Counter(decoded) == {GOOD: 1, FIRST: 1, BASE: 1}


def test_one_content_under_several_names_is_decoded_once(scratch: Scratch, decoded: list[bytes]) -> None:
    for name in ("gull", "heron", "tern"):
        scratch.stage(f"boats/{name}.bin", FIRST)
    assert scratch.call("check", "--staged").status == 0
    assert Counter(decoded) == {FIRST: 1, BASE: 1}


def test_an_image_that_is_its_base_is_decoded_once(scratch: Scratch, decoded: list[bytes]) -> None:
    scratch.stage("boats/heron.bin", BASE)
    assert scratch.call("check", "--staged").status == 0
    assert Counter(decoded) == {BASE: 1}


def test_a_range_commit_by_commit_decodes_every_state_once(scratch: Scratch, decoded: list[bytes]) -> None:
    for state in (FIRST, SECOND, THIRD):
        scratch.write("boats/heron.bin", state)
        scratch.commit()
    assert scratch.call("check", "--range", "HEAD~3..HEAD", "--each").status == 0
    assert Counter(decoded) == {BASE: 1, GOOD: 1, FIRST: 1, SECOND: 1, THIRD: 1}


def test_a_range_in_sum_decodes_its_two_ends(scratch: Scratch, decoded: list[bytes]) -> None:
    for state in (FIRST, SECOND, THIRD):
        scratch.write("boats/heron.bin", state)
        scratch.commit()
    assert scratch.call("check", "--range", "HEAD~3..HEAD").status == 0
    assert Counter(decoded) == {BASE: 1, GOOD: 1, THIRD: 1}


def test_two_contents_are_not_taken_for_one(scratch: Scratch, decoded: list[bytes]) -> None:
    wrong = edited(FIRST, {CUT: u16(4790)})
    scratch.stage("boats/heron.bin", FIRST)
    scratch.stage("boats/petrel.bin", wrong)
    result = scratch.call("check", "--staged", "--format", "lines")
    assert Counter(decoded) == {FIRST: 1, wrong: 1, BASE: 1}
    assert "boats/petrel.bin" in result.stdout
    assert "boats/heron.bin" not in result.stdout
