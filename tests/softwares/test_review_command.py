"""``callint review`` of images of two software versions, as its users meet it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.commands.test_carry_command import CUT_2, NEWER, NEWER_POLICY, newer
from tests.running import CUT, GOOD, POLICY, Yard, edited, make_repository, make_yard, valid, yard_definition

OLD, NEW = "factory/base.bin", "factory/newer.bin"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard", heron=GOOD)
    yard.write("defs/newer.xml", NEWER)
    yard.write(NEW, newer())
    yard.write("callint.toml", POLICY + NEWER_POLICY)
    return yard


def review(yard: Yard, *more: str, old: str = OLD, new: str = NEW) -> Any:
    result = yard.call("review", old, new, "--output", "review.json", "--format", "json", *more)
    assert (result.status, result.stderr) == (0, ""), result

    return valid(json.loads((yard.root / "review.json").read_text()), "review.schema.json")


def test_the_page_compares_the_tables_of_two_software_versions(yard: Yard) -> None:
    document = review(yard)
    (image,) = document["images"]
    assert (image["definition"], image["old_definition"]) == ("defs/newer.xml", "defs/yard.xml")
    assert image["software"] == [{"name": "software number", "old": "YARD-01", "new": "YARD-02"}]
    assert {table["name"]: table["changed"] for table in image["tables"]} == {
        "smoke_cap": 1,
        "overspeed_cut": 1,
        "fuel": 14,
        "trim": 5,
    }
    fuel = next(table for table in image["tables"] if table["name"] == "fuel")
    assert fuel["points"] is True
    assert fuel["x"]["old"] == ["800", "1600", "2000", "2400", "3200"]
    assert (fuel["nx"], fuel["ny"]) == (5, 3)
    assert "speed has 5 breakpoints instead of 4" in fuel["summary"]
    assert "bytes" not in image
    assert "2 protection tables changed" in document["verdict"]


def test_items_of_only_one_version_are_reported(yard: Yard) -> None:
    (image,) = review(yard)["images"]
    texts = [sentence["text"] for sentence in image["sentences"] if "purpose" not in sentence]
    assert "Only in the old software: monitor (protection), egr (emissions)." in texts


def test_the_values_are_those_of_diff(yard: Yard) -> None:
    (image,) = review(yard)["images"]
    listed = yard.call("diff", OLD, NEW, "--format", "json").data["tables"]
    for table, expected in zip(
        sorted(image["tables"], key=lambda item: str(item["name"])),
        sorted(listed, key=lambda item: str(item["table"])),
        strict=True,
    ):
        new = table["new"].split(",") if isinstance(table["new"], str) else table["new"]
        assert [float(text) for text in new] == [cell["new"] for cell in expected["cells"]]
        numbers = [start + number for start, length in table["cells"] for number in range(length)]
        at = [
            {
                **({"speed": float(table["x"]["old"][cell % table["nx"]])} if "x" in table else {}),
                **({"load": float(table["y"]["old"][cell // table["nx"]])} if "y" in table else {}),
            }
            for cell in numbers
        ]
        assert at == [cell["at"] for cell in expected["cells"]]


def test_the_findings_are_those_of_new_without_a_cell_of_the_compared_points(yard: Yard) -> None:
    image = bytearray(newer())
    image[CUT_2 : CUT_2 + 2] = u16(4100)
    image[0x160:0x162] = u16(1700)  # 85 mg, above the new limit of 82 mg
    yard.write("newer/heron.bin", bytes(image))
    document = review(yard, new="newer/heron.bin")
    rules = {finding["rule"]: finding for finding in document["findings"]}
    assert "value/out-of-range" in rules
    assert "cell" not in rules["value/out-of-range"]
    assert rules["value/out-of-range"]["place"] == "800 rpm"
    assert document["counts"]["error"] >= 1
    assert document["images"][0]["base"] == NEW


def test_two_definitions_may_be_named(yard: Yard) -> None:
    expected = review(yard)["images"][0]["tables"]
    (yard.root / "callint.toml").unlink()
    both = ("--definition", "defs/yard.xml", "--definition", "defs/newer.xml")
    assert review(yard, *both)["images"][0]["tables"] == expected


def test_a_log_counts_at_the_compared_points(yard: Yard) -> None:
    yard.write("run.csv", "time,speed,load\n" + "".join(f"{n},2000,40\n" for n in range(11)))
    (image,) = review(yard, "--log", "run.csv")["images"]
    fuel = next(table for table in image["tables"] if table["name"] == "fuel")
    assert len(fuel["logged"]["cells"]) == 15
    assert fuel["logged"]["cells"][7] == 1  # 2000 rpm, which only the new version has, and 40 mg


def test_the_page_is_written_and_names_both_definitions(yard: Yard) -> None:
    assert yard.call("review", OLD, NEW, "--output", "page.html").status == 0
    page = (yard.root / "page.html").read_text("utf-8")
    assert "Old definition" in page and "defs/yard.xml" in page


def test_a_definition_is_not_an_output(yard: Yard) -> None:
    before = (yard.root / "defs/yard.xml").read_bytes()
    assert yard.call("review", OLD, NEW, "--output", "defs/yard.xml").status == 2
    assert (yard.root / "defs/yard.xml").read_bytes() == before


def test_an_image_whose_software_changed_between_two_revisions_is_compared(tmp_path: Path) -> None:
    yard = make_repository(tmp_path / "yard")
    yard.write("defs/yard.xml", yard_definition())
    yard.write("defs/newer.xml", NEWER)
    yard.write(
        "callint.toml",
        '[[images]]\npaths = ["boats/*.bin"]\ndefinition = ["defs/yard.xml", "defs/newer.xml"]\n',
    )
    yard.write("boats/heron.bin", GOOD)
    yard.commit("Old software")
    yard.write("boats/heron.bin", newer())
    yard.commit("New software")
    yard.write("run.csv", "time,speed,load\n" + "".join(f"{n},2000,40\n" for n in range(11)))
    document = review(yard, "--log", "run.csv", old="HEAD~1", new="HEAD")
    (image,) = document["images"]
    assert (image["state"], image["old_definition"]) == ("changed", "defs/yard.xml")
    assert {table["name"] for table in image["tables"]} == {"smoke_cap", "overspeed_cut", "fuel", "trim"}
    assert any("logged" in table for table in image["tables"])


def test_a_finding_that_the_old_software_has_too_is_known(yard: Yard) -> None:
    yard.write("boats/old.bin", edited(GOOD, {CUT: u16(4650)}))
    expects = '<expected min="3500" max="4600"/>'
    bare = re.search(r'<scalar name="overspeed_cut"[^>]*/>', NEWER.decode())
    assert bare is not None
    yard.write("defs/newer.xml", NEWER.decode().replace(bare[0], f"{bare[0][:-2]}>{expects}</scalar>"))

    for speed, expected in ((4650, "known"), (4651, "new")):
        new = bytearray(newer())
        new[CUT_2 : CUT_2 + 2] = u16(speed)
        yard.write("newer/new.bin", bytes(new))
        document = review(yard, old="boats/old.bin", new="newer/new.bin")
        states = {(item["rule"], item.get("table")): item["state"] for item in document["findings"]}
        assert states["value/unexpected", "overspeed_cut"] == expected
        assert states["image/stale-checksum", None] == "new"
