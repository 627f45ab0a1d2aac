"""``callint review --format html-fragment``: HTML for the comment of a merge request, within a limit."""

from __future__ import annotations

import re
from typing import Any

import pytest
from lxml import html
from markdown_it import MarkdownIt

from callint.reporting.review.fragment import DEFAULT_BYTES, FEWEST_BYTES, fragment
from tests.browser.documents import axis, document, finding, image, many, table, yard

#: Common practice, no source: what the sanitizers of the usual servers keep.
KEPT = {
    "h3", "p", "b", "strong", "br", "ul", "li", "code", "details", "summary", "table", "tr", "th", "td",
    "del",
}  # fmt: skip


def tree(text: str) -> html.HtmlElement:
    return html.fragment_fromstring(text, create_parent="div")


def words(text: str) -> str:
    return " ".join(tree(text).text_content().split())


def with_mistakes(amount: int, message: str = "56.0 mg stands among 25 and 29 mg") -> Any:
    """The yard with a number of mistakes of one finding each, and many changed tables."""
    findings = [finding(n, "change/suspicious-cell", "error", message, cause=n) for n in range(amount)]
    causes = [
        {"id": n, "image": 0, "title": f"cause number {n}", "severity": "error", "findings": [n]}
        for n in range(amount)
    ]
    made = document(many(60)["images"], findings, **({"causes": causes} if causes else {}))
    made["counts"]["mistakes"] = amount
    return made


def test_a_fragment_has_verdict_mistakes_and_the_grid_around_each_change() -> None:
    text = fragment({**with_mistakes(2), "images": yard()["images"]})
    for part in (
        yard()["verdict"],
        "Error cause number 0",
        "It brings 1 finding",
        "2200 rpm",
        "▲ 62.032.0",
        "Overspeed cut overspeed_cut",
    ):
        assert part in words(text)
    # Changes at 30 and 45 mg, and their neighbours at 15 and 60 mg.
    grid = tree(text).cssselect("table")[0]
    assert [row[0].text_content() for row in grid[1:]] == ["15 mg", "30 mg", "45 mg", "60 mg"]
    assert "Left out: 2 rows and 4 columns" in words(text)


def test_a_fragment_needs_no_attribute_and_only_tags_that_servers_keep() -> None:
    elements = list(tree(fragment(with_mistakes(30))).iter())[1:]
    assert {str(item.tag) for item in elements} <= KEPT
    assert [item.attrib for item in elements if item.attrib] == []


def test_markdown_leaves_a_fragment_as_it_is() -> None:
    """By CommonMark's reference rules, through markdown-it."""
    made = yard()
    made["images"][0]["tables"][0]["title"] = "a\n\n# heading\n* item"
    text = fragment(made)
    assert MarkdownIt("commonmark").render(text) == text


@pytest.mark.parametrize("limit", [FEWEST_BYTES, 20_000, DEFAULT_BYTES])
@pytest.mark.parametrize("amount", [0, 3, 400])
def test_a_fragment_keeps_to_its_limit_and_counts_what_does_not_fit(limit: int, amount: int) -> None:
    made = with_mistakes(amount)
    text = fragment(made, limit)
    assert len(text.encode()) <= limit
    shown = re.findall(r"cause number (\d+)", text)
    assert shown == [str(n) for n in range(len(shown))]  # the most dangerous first
    tables = re.findall(r"<code>(table_\d+)</code>", text)
    assert tables == [f"table_{n}" for n in range(len(tables))]
    assert tables and (shown or not amount)
    for total, count, noun in ((amount, len(shown), "mistake"), (60, len(tables), "changed table")):
        more = total - count
        assert (f"{more:,} more {noun}" in text) is (more > 0)


def test_the_longest_names_fit_the_smallest_limit() -> None:
    quotes = '"' * 5_000
    made = {**with_mistakes(1, quotes), "title": quotes, "old": quotes, "new": quotes, "verdict": quotes}
    text = fragment(made, FEWEST_BYTES)
    assert len(text.encode()) <= FEWEST_BYTES
    assert "Left out here: 1 more mistake, 59 more changed tables." in text


def test_a_large_map_lists_its_largest_changes() -> None:
    x = axis("speed_axis", "Engine speed", "rpm", [f"{n}" for n in range(100)])
    y = axis("quantity_axis", "Fuel quantity", "mg", [f"{n}" for n in range(20)])
    made = table("wide", [1.0] * 2000, {n: 2.0 + n for n in range(2000)}, nx=100, ny=20, x=x, y=y)
    text = fragment(document([image(0, "boats/heron.bin", [made])]))
    assert "<table>" not in text
    assert "99 rpm: 1.0 → 2001.0" in text
    assert "1,936 more changed cells, each changed less" in text


@pytest.mark.parametrize(
    "text", ["<img src=x>", "@everybody", "#12", "www.example.org", "a_b*c", "0123abcdef"]
)
def test_strangers_texts_are_neither_markup_nor_links_nor_mentions(text: str) -> None:
    made = with_mistakes(1, text)
    made["images"][0]["tables"][0]["title"] = text
    root = tree(fragment(made))
    assert text in root.text_content()
    if text != "a_b*c":
        places = [item for item in root.iter() if item.text and text in item.text]
        assert {item.tag for item in places} == {"code"}


def test_equal_documents_give_equal_fragments() -> None:
    assert fragment(with_mistakes(9)) == fragment(with_mistakes(9))
