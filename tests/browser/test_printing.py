"""The page on paper: a job card, then every changed table, in a real Chromium's PDF."""

from __future__ import annotations

from contextlib import closing

import pypdfium2

from tests.browser.browsing import Page
from tests.browser.conftest import Opened
from tests.browser.documents import axis, document, image, listed, many, yard
from tests.browser.documents import table as table_of
from tests.running import needs_chromium

pytestmark = needs_chromium


def test_the_printed_page_has_all_changed_tables_with_old_and_new_values_and_the_remarks(
    opened: Opened,
) -> None:
    page = opened(yard()).show("smoke_limit")
    page.press("v")
    before = page.values("smoke_limit")
    page.write("#smoke_limit .signing textarea", "Measured twice")
    paper = page.pdf()
    for table in yard()["images"][0]["tables"]:
        assert f"{table['title']} {table['name']}" in paper
        assert table["summary"] in paper
        for value in {*listed(table["old"], 1), *listed(table["new"], 1)}:
            assert value in paper, (table["name"], value)
    assert paper.count("Remark") == len(yard()["images"][0]["tables"])
    assert "Measured twice" in paper
    for control in ("Filter", "Copy review", "Keys"):
        assert control not in paper
    # After printing, the view is as before.
    assert page.values("smoke_limit") == before


def test_the_printed_page_has_filtered_and_distant_tables_too(opened: Opened) -> None:
    page = opened(many(12, nx=8, ny=8))
    page.press("/")
    page.press("table_7")
    paper = page.pdf()
    assert [f"table_{n}" for n in range(12) if f"Table {n} table_{n}" not in paper] == []


def sheets(page: Page) -> list[str]:
    """The text of each sheet of the printed page."""
    with closing(pypdfium2.PdfDocument(page.paper())) as document:
        texts = []
        for sheet in document:
            with closing(sheet), closing(sheet.get_textpage()) as text:
                texts.append(" ".join(text.get_text_range().split()))
    return texts


def test_the_first_sheet_is_the_job_card_and_each_sheet_has_its_number_and_the_digest(opened: Opened) -> None:
    long = "A very long sentence about a change. " * 60
    causes = [
        {"id": n, "image": 0, "title": f"cause {n} {long}", "severity": "error", "findings": [0]}
        for n in range(40)
    ]
    made = {**yard(), "causes": causes, "title": '"} \\</style>' + long, "verdict": long}
    made["counts"]["mistakes"] = 40
    made["images"][0]["checksums"] *= 9
    made["images"][0]["checksums"][1] = {"name": long, "new": "0x1234", "stale": True}
    made["images"][0]["software"] = [{"name": long, "new": long}] * 9
    made["old"] = made["new"] = made["images"][0]["base"] = made["images"][0]["definition"] = long
    made["images"][0]["sha256"] = {"old": "a1" * 32, "new": "b2" * 32}
    card, *behind = sheets(opened(made))
    for text in (
        "Job card",
        "1. Error: cause 0",
        "32 more mistakes",
        "12 identities and checksums on the sheets behind",
        "a1" * 32,
        "b2" * 32,
        "Reviewed by, on",
    ):
        assert text in card
    assert "Not decided; 0 of 4 tables read." in card
    assert "Job card" not in " ".join(behind)
    for number, sheet in enumerate([card, *behind], 1):
        assert f"Sheet {number} of {1 + len(behind)}" in sheet
        assert "callint 0.1.0, document 0123456789abcdef" in sheet


def test_a_full_map_is_printed_whole_and_repeats_its_breakpoints_on_the_next_sheet(opened: Opened) -> None:
    made = many(2, changed=256)
    printed = sheets(opened(made))
    heads = " ".join(made["images"][0]["tables"][0]["x"]["old"])
    assert sum(sheet.count(heads) for sheet in printed) > 2
    paper = " ".join(printed)
    for table in made["images"][0]["tables"]:
        for value in {*listed(table["old"], 1), *listed(table["new"], 1)}:
            assert value in paper


def test_a_large_map_is_printed_around_its_changes_and_in_blocks_of_columns(opened: Opened) -> None:
    old = [1000.5 + cell for cell in range(60 * 40)]
    x = axis("speed_axis", "Engine speed", "rpm", [f"{900 + n}" for n in range(60)])
    y = axis("quantity_axis", "Fuel quantity", "mg", [f"{100 + n}" for n in range(40)])
    changed = {60 * 20 + column: 9.5 for column in range(30, 60)}
    made = table_of("wide", old, changed, nx=60, ny=40, x=x, y=y)
    paper = " ".join(sheets(opened(document([image(0, "boats/heron.bin", [made])]))))
    assert "Left out here: 37 rows and 29 columns with no change in or next to them." in paper
    for row, shown in ((18, False), (19, True), (21, True), (22, False)):
        assert (f"{old[60 * row + 40]}" in paper) is shown
    assert paper.count(" 119 ") == 2  # in both blocks
    assert f"{old[60 * 20 + 59]}" in paper


def test_only_the_first_tables_have_pictures_on_paper_and_the_others_say_so(opened: Opened) -> None:
    page = opened(many(62, nx=4, ny=4, changed=1))
    paper = " ".join(sheets(page))
    assert paper.count("Only the first 60 tables have pictures on paper.") == 2
    assert paper.count("Difference in mg") == 60
