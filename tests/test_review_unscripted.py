"""The page of a review in a browser or mail program that runs no script."""

from __future__ import annotations

import re

import pytest
from lxml import html

from callint.reporting.review import unscripted
from tests.browser.documents import axis, document, image, many, table, text_of, yard


def part(made: object, name: str) -> html.HtmlElement:
    tree = html.fromstring(text_of(made))  # type: ignore[arg-type]
    return tree.get_element_by_id(name)


def words(element: html.HtmlElement) -> str:
    return " ".join(element.text_content().split())


def test_every_changed_cell_is_listed_with_its_old_and_new_value() -> None:
    article = part(yard(), "smoke_limit")
    assert [words(item) for item in article.cssselect(".unscripted li")] == [
        "30 mg 1800 rpm: 30.5 → 33.0; 2200 rpm: 32.0 → 62.0",
        "45 mg 2200 rpm: 35.0 → 33.5",
    ]
    curve = part(yard(), "speed_trim")
    assert [words(item) for item in curve.cssselect(".unscripted li")] == ["1800 rpm: 19.0 → 20.5"]


def test_the_picture_of_a_map_points_up_where_it_was_raised_and_down_where_it_was_lowered() -> None:
    paths = part(yard(), "smoke_limit").xpath(".//svg/path/@d")
    # Cells 19 and 20 are raised, cell 28 is lowered; the largest change is the last, strongest path.
    assert paths[1:] == ["M3 3h1l-.5-1zM4 3h1l-.5 1z", "M4 3h1l-.5-1z"]


def test_the_picture_of_a_curve_has_the_old_values_dashed_and_the_new_ones_solid() -> None:
    old, new = part(yard(), "speed_trim").cssselect("svg polyline")
    assert (old.get("stroke-dasharray"), new.get("stroke-dasharray")) == ("4 3", None)
    assert old.get("points") != new.get("points")


def test_a_huge_change_lists_its_largest_steps_and_counts_the_rest() -> None:
    x = axis("speed_axis", "Engine speed", "rpm", [f"{n}" for n in range(100)])
    made = table("wide", [1.0] * 100, {n: 2.0 + n for n in range(100)}, nx=100, x=x)
    article = part(document([image(0, "boats/heron.bin", [made])]), "wide")
    assert words(article.cssselect(".unscripted li")[0]).startswith("95 rpm: 1.0 → 97.0; 96 rpm")
    assert "95 more changed cells, each changed less: callint diff OLD NEW --all lists them" in words(article)


def test_the_cells_of_all_tables_are_bounded_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unscripted, "_MOST_CELLS", 12)
    made = many(2)
    assert part(made, "table_0").cssselect(".unscripted li")
    assert words(part(made, "table_1").cssselect(".unscripted")[0]).startswith(
        "12 changed cells: callint diff"
    )


def test_the_page_shows_each_mistake_with_its_values_and_findings_without_a_script() -> None:
    cause = {
        "id": 0, "image": 0, "title": "smoke_limit: 32.0 → 62.0 mg", "severity": "error",
        "danger": "weakened protection", "effect": "it moves two tables", "hint": "Enter it again.",
        "findings": [0],
    }  # fmt: skip
    made = yard()
    made["findings"][0]["cause"] = 0
    found = words(part({**made, "causes": [cause]}, "~findings"))
    for text in (
        "Error: Weakened protection: smoke_limit: 32.0 → 62.0 mg it moves two tables Enter it again.",
        "smoke_limit, 2200 rpm, 30 mg: 56.0 mg stands among 25 and 29 mg",
        "Warning: 2 bytes are explained by nothing",
    ):
        assert text in found
    assert "asked for by the skipper" not in found  # waived findings are on the first screen


def test_without_styles_and_scripts_the_text_has_no_empty_promise() -> None:
    """What a mail program keeps that drops scripts, styles and pictures."""
    text = re.sub(r"(?s)<(script|style|svg|noscript)\b.*?</\1>", "", text_of(yard()))
    body = words(html.fromstring(text))
    for promised in (yard()["verdict"], "30.5 → 33.0", "56.0 mg stands among", "Ada Quay"):
        assert promised in body


def test_strangers_texts_stay_text_in_what_is_listed() -> None:
    x = axis("speed_axis", "Speed", "<b>rpm</b>", ["1", "2"])
    made = {**table("trim", [1.0, 2.0], {0: 3.0}, nx=2, x=x), "old": ["<i>", "2"], "new": ["<script>"]}
    article = part(document([image(0, "boats/heron.bin", [made])]), "trim")
    assert words(article.cssselect(".unscripted li")[0]) == "1 <b>rpm</b>: <i> → <script>"


def test_the_parts_for_other_readers_add_less_than_half_to_the_page() -> None:
    made = many(16)
    tree = html.fromstring(text_of(made))
    own = sum(len(html.tostring(item)) for item in tree.cssselect(".unscripted"))
    assert 0 < own < 0.5 * (len(text_of(made)) - own)
