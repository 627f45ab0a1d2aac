"""The demo's review in a browser, number by number against callint diff of the same change."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.browser.browsing import COLOURS, Page
from tests.browser.conftest import Demo, Opened
from tests.browser.documents import listed
from tests.running import needs_chromium

pytestmark = needs_chromium

CHANGE = ("factory/sk28-0412.bin", "boats/petrel.bin")


@pytest.fixture
def page(demo: Demo, opened: Opened) -> Page:
    return opened(demo.page)


@pytest.fixture
def review(demo: Demo) -> Any:
    return demo.review


def test_every_changed_cell_of_the_diff_is_in_the_page_with_its_numbers(demo: Demo, page: Page) -> None:
    diff = demo.yard.call("diff", *CHANGE, "--format", "json").data
    assert len(diff["tables"]) > 5
    for table in diff["tables"]:
        name = table["table"]
        shown = page.values(name)
        marked = set(page.cells(f"#{name} td.changed"))
        columns = len(shown[0])
        assert marked == {cell["y"] * columns + cell["x"] for cell in table["cells"]}
        for cell in table["cells"]:
            text = shown[cell["y"]][cell["x"]]
            digits = len(text.partition(".")[2])
            if text.lstrip("-")[:1].isdigit():
                assert float(text) == pytest.approx(cell["new"], abs=0.51 * 10**-digits)
        first = table["cells"][0]
        page.click(page.cell(name, first["x"], first["y"]))
        assert page.details(name)["Raw"] == f"{first['old_raw']} → {first['new_raw']}"
    assert page.logged("browser") == []


def test_all_values_old_and_new_are_those_of_the_review(page: Page, review: Any) -> None:
    for view in ("new", "old"):
        page.click(f"input[value={view}]")
        for table in review["images"][0]["tables"]:
            values = list(listed(table["old"], table["nx"] * table["ny"]))
            if view == "new":
                cells = [first + n for first, length in table["cells"] for n in range(length)]
                for cell, new in zip(cells, listed(table["new"], len(cells)), strict=True):
                    values[cell] = new
            assert [text for row in page.values(table["name"]) for text in row] == values, table["name"]


def test_each_finding_is_listed_once_and_explained_once(page: Page, review: Any) -> None:
    """List, panel and tables share the work: the list leads to the table, the table has the text."""
    for table in review["images"][0]["tables"]:
        page.show(table["name"])
    listed, texts = page.texts(".findings li:not(.cause)"), page.texts("main .message")
    assert len(listed) == len(texts) == len(review["findings"])
    for finding in review["findings"]:
        (text,) = [item for item in listed if finding["fingerprint"][:8] in item]
        assert finding["rule"] in text
    messages = [" ".join(finding["message"].split()) for finding in review["findings"]]
    assert sorted(text.rstrip(".") for text in texts) == sorted(message.rstrip(".") for message in messages)
    panels = page.texts(".details")
    assert [message for message in messages if any(message in panel for panel in panels)] == []


def test_each_mistake_has_a_line_and_folds_what_it_brings(page: Page, review: Any) -> None:
    """Nobody has to read ten findings to learn of one mistyped cell."""
    lines = page.texts(".findings .cause")
    assert len(lines) == len(review["causes"]) == review["counts"]["mistakes"]
    for line, cause in zip(lines, review["causes"], strict=True):
        assert cause["title"] in line
        assert f"It brings {len(cause['findings'])} finding" in line
        assert cause["hint"] in line
    assert page.all(".findings .cause details[open]") == []


def test_the_first_screen_has_the_verdict_and_the_worst_mistakes(
    demo: Demo, opened: Opened, review: Any
) -> None:
    for width, height in ((1440, 900), (390, 844)):
        page = opened(demo.page, width=width, height=height)
        for css in (".verdict", ".counts", ".worst li:nth-child(5)", ".worst li:last-child"):
            bottom = page.run(f"return document.querySelector({css!r}).getBoundingClientRect().bottom")
            assert 0 < bottom <= height, (css, width)
    assert page.texts(".worst li")[0].endswith(review["causes"][0]["title"])


def test_the_cell_of_a_scalar_links_to_all_its_findings(demo: Demo, opened: Opened, review: Any) -> None:
    (made,) = (item for item in review["findings"] if item["rule"] == "relation/mirror-differs")
    own = [item["rule"] for item in review["findings"] if item.get("table") == made["table"]]
    page = opened(demo.page, f"#{made['table']}")
    assert sorted(page.texts(f"#{made['table']} .details .finding code")) == sorted(own)


def test_the_keys_step_from_mistake_to_mistake(page: Page, review: Any) -> None:
    amount = len(review["causes"])
    page.press("f")
    page.press("f")
    status = ".toolbar > [role=status]"
    assert page.text(status) == f"Mistake 2 of {amount}: {review['causes'][1]['title']}."
    assert page.link == f"#finding-{review['causes'][1]['findings'][0]}"
    page.press("F", "F")
    assert page.text(status).startswith(f"Mistake {amount} of {amount}: ")


def test_the_paper_has_every_changed_table_and_all_its_new_values(page: Page, review: Any) -> None:
    paper = page.pdf()
    for table in review["images"][0]["tables"]:
        assert f"{table['title']} {table['name']}" in paper
        assert [value for value in listed(table["new"], table["changed"]) if value not in paper] == []
    for finding in review["findings"]:
        assert finding["fingerprint"][:8] in paper


def test_axe_finds_nothing_in_the_demo(page: Page, review: Any) -> None:
    for table in review["images"][0]["tables"][:6]:
        page.show(table["name"])
    page.keep_tables(6)
    for dark in (False, True):
        assert page.screen(dark=dark).violations(only=COLOURS if dark else ()) == [], dark


def test_a_range_of_several_images_is_one_page(fleet: Path, opened: Opened) -> None:
    page = opened(fleet)
    assert page.text("h1").startswith("3 images, ")
    assert {link.split(".")[0] for link in page.run(_LINKS)} == {"#1", "#2"}
    page.press("f")
    assert page.link == "#finding-0"
    assert page.keep_tables(1).violations() == []
    assert page.logged("browser") == []


_LINKS = "return [...document.querySelectorAll('.list .tables a')].map((one) => one.getAttribute('href'))"
