"""Definitions in the page of a review: before the images, whose verdicts rest on them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import GOOD, Scratch, edited, fuel_cell, make_repository_yard, valid, yard_definition

DEFINITION, HERON = "defs/yard.xml", "boats/heron.bin"
XML = yard_definition().decode()
WIDER = XML.replace('<limits min="0" max="90"/>', '<limits min="0" max="95"/>').replace("Hull number", "Hull")


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    scratch.write(DEFINITION, WIDER)
    scratch.write(HERON, edited(GOOD, {fuel_cell(1, 1): u16(930)}))
    scratch.commit("A wider limit")
    return scratch


def review(scratch: Scratch) -> dict[str, Any]:
    """The document of the last commit, which keeps to its contract."""
    result = scratch.call("review", "HEAD~..HEAD", "--output", "review.json", "--format", "json")
    assert result.status == 0, result
    document: dict[str, Any] = json.loads((scratch.root / "review.json").read_bytes())
    return dict(valid(document, "review.schema.json"))


def test_the_page_has_what_changed_in_the_definition_before_the_images(scratch: Scratch) -> None:
    result = scratch.call("review", "HEAD~..HEAD", "--output", "review.html")
    assert result.status == 0, result
    page = (scratch.root / "review.html").read_text("utf-8")

    start = page.index(f"<h2>Definition {DEFINITION}</h2>")
    assert "fuel: limits max: 90 mg → 95 mg</li>" in page[start:]
    assert start < page.index('<section class="fact changed">')


def test_the_document_has_the_changes_by_kind_and_the_finding(scratch: Scratch) -> None:
    document = review(scratch)

    assert "defs/yard.xml has 2 changes in its meaning; 1 loosens a demand." in document["verdict"]
    (definition,) = document["definitions"]
    assert [(part["kind"], part["count"]) for part in definition["parts"]] == [
        ("asks-less", 1),
        ("wording", 1),
    ]
    assert (definition["old"], definition["new"]) == (f"HEAD~:{DEFINITION}", f"HEAD:{DEFINITION}")
    (finding,) = [item for item in document["findings"] if item["rule"] == "definition/loosened"]
    assert "boats/heron.bin has fuel at 1600 rpm, 40 mg: 93.0 mg is above" in finding["message"]


def test_a_definition_that_only_looks_different_has_no_section(scratch: Scratch) -> None:
    scratch.write(DEFINITION, WIDER.replace("<tables>", "<!-- tables -->\n<tables>"))
    scratch.commit("A comment")
    result = scratch.call("review", "HEAD~..HEAD", "--output", "review.json", "--format", "json")
    assert result.status == 0, result

    assert "definitions" not in valid(
        json.loads((scratch.root / "review.json").read_bytes()), "review.schema.json"
    )
