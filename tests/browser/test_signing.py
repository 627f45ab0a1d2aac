"""Signing off in a browser: what was read, remarks, a decision, and the review as Markdown."""

from __future__ import annotations

import re
from pathlib import Path

from markdown_it import MarkdownIt

from tests.browser.browsing import Page
from tests.browser.conftest import Opened
from tests.browser.documents import yard
from tests.running import needs_chromium

pytestmark = needs_chromium


def sign(page: Page, table: str, remark: str = "") -> None:
    """A table ticked as read, with a remark."""
    page.show(table).click(f"#{table} .signing input")
    page.one(f"#{table} .signing textarea").send_keys(remark)


def copied(page: Page) -> str:
    """The review that the button copied."""
    grant = {"permissions": ["clipboardReadWrite", "clipboardSanitizedWrite"]}
    page.chrome.execute_cdp_cmd("Browser.grantPermissions", grant)
    page.click(".copy")
    page.until(lambda: page.text(".signoff .status") == "Copied as Markdown.")
    reading = "navigator.clipboard.readText().then(arguments[0], (error) => arguments[0](String(error)))"
    return str(page.chrome.execute_async_script(reading))


def test_ticks_count_and_are_seen_in_the_list(opened: Opened) -> None:
    page = opened(yard())
    sign(page, "smoke_limit")
    page.press("j")
    assert page.text(".list .progress") == "1 of 4 tables read"
    assert page.one(".list progress").get_attribute("value") == "1"
    assert page.texts(".list .read .name") == ["Smoke limit"]
    assert page.texts(".list .read .done .aside") == [", read"]


def test_a_key_ticks_the_table_that_is_looked_at(opened: Opened) -> None:
    page = opened(yard(), "#speed_trim")
    page.press("r")
    assert page.texts(".list .read .name") == ["Speed trim"]
    page.press("r")
    assert page.text(".list .progress") == "0 of 4 tables read"


def test_ticks_remarks_and_the_decision_are_there_again_after_a_reload(opened: Opened) -> None:
    page = opened(yard())
    sign(page, "smoke_limit", "Why 62?")
    page.click(".signoff input[value=changes]")
    page.all(".signoff textarea")[0].send_keys("Not like this.")
    page.open().show("smoke_limit")
    assert page.one("#smoke_limit .signing input").is_selected()
    assert page.one("#smoke_limit .signing textarea").get_attribute("value") == "Why 62?"
    assert page.one(".signoff input[value=changes]").is_selected()
    assert page.all(".signoff textarea")[0].get_attribute("value") == "Not like this."


def test_the_page_keeps_remarks_for_its_own_document_only(opened: Opened) -> None:
    sign(opened(yard()), "smoke_limit")
    other = opened({**yard(), "digest": "f" * 16})
    assert other.text(".list .progress") == "0 of 4 tables read"


def test_the_page_works_in_a_browser_without_storage_and_says_so(opened: Opened) -> None:
    page = opened(yard())
    refuse = "Object.defineProperty(window, 'localStorage', {get() { throw new DOMException('no'); }})"
    added = page.chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": refuse})
    try:
        page.open()
        sign(page, "smoke_limit", "Kept in mind")
        assert page.text(".list .progress") == "1 of 4 tables read"
        assert page.text(".kept").startswith("This browser keeps nothing for this page")
        assert "Kept in mind" in copied(page)
        assert page.logged("browser") == []
    finally:
        page.chrome.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)


def test_data_that_another_page_left_in_the_browser_does_no_harm(opened: Opened) -> None:
    page = opened(yard())
    for left in ("no JSON", '{"read": 7, "remarks": null}', '["smoke_limit"]', "null"):
        page.run("localStorage.setItem('callint-review:0123456789abcdef', arguments[0])", left)
        page.open()
        assert page.text(".list .progress") == "0 of 4 tables read"
        assert page.text(".kept").startswith("What you tick and write stays in this browser")
        assert page.logged("browser") == []


def test_the_copied_review_says_what_was_decided_read_remarked_and_found(opened: Opened) -> None:
    page = opened(yard())
    sign(page, "smoke_limit", "Why 62?")
    page.click(".signoff input[value=changes]")
    text = copied(page)
    assert "**Changes asked for.** 1 of 4 tables read." in text
    read, unread = text.split("Not read:")
    assert "- [x] **Smoke limit** `smoke_limit`: 3 of 48 cells changed\n  > Why 62?" in read
    assert re.findall(r"- \[ \] \*\*(.*?)\*\*", unread) == ["Overspeed cut", "Speed trim", "Monitor"]
    result = unread.split("Findings open:")[1]
    assert [line.split("`")[1] for line in result.strip().splitlines()] == [
        "change/suspicious-cell",
        "change/unexplained-bytes",
        "axis/changed",
    ]


def test_the_copied_review_has_the_verdict_the_digest_and_how_much_is_waived(opened: Opened) -> None:
    text = copied(opened(yard()))
    assert "review with the digest `0123456789abcdef`" in text
    assert yard()["verdict"] in text
    assert "1 finding waived." in text
    assert "Warning" not in text


def test_the_copied_review_warns_of_an_agreement_with_unread_tables(opened: Opened) -> None:
    page = opened(yard())
    sign(page, "smoke_limit")
    page.click(".signoff input[value=agreed]")
    assert "**Warning: agreed with tables unread, 1 of 4 tables read.**" in copied(page)
    for table in ("overspeed_cut", "speed_trim", "monitor"):
        sign(page, table)
    page.run("document.querySelector('.signoff .status').textContent = ''")
    assert "Warning" not in copied(page)


def test_markup_in_a_remark_is_text_in_the_copied_review(opened: Opened) -> None:
    hostile = [
        "<b>bold</b>",
        "**bold**",
        "[link](https://yard.example)",
        "@ada fixes #12",
        "# Title",
        "- item",
        "a`b",
    ]
    page = opened(yard())
    sign(page, "smoke_limit", "\n".join(hostile))
    html = MarkdownIt("commonmark").render(copied(page).split("Not read:")[0])
    quote = html[html.index("<blockquote>") : html.index("</blockquote>")]
    assert set(re.findall(r"<(\w+)", quote)) <= {"blockquote", "p", "code", "br"}
    text = re.sub(r"<[^>]*>", "", quote).split("\n")
    assert [
        argument.replace("&lt;", "<").replace("&gt;", ">") for argument in text if argument.strip()
    ] == hostile


def test_the_page_shows_and_selects_the_text_if_the_browser_forbids_copying(opened: Opened) -> None:
    page = opened(yard())
    page.run("Object.defineProperty(navigator, 'clipboard', {value: undefined})")
    page.click(".copy")
    page.until(lambda: page.one(".markdown").is_displayed())
    selected = page.run(
        "const one = document.activeElement; return one.value.slice(one.selectionStart, one.selectionEnd)"
    )
    assert selected.startswith("### Review of boats/heron.bin")


def test_the_page_writes_no_file(opened: Opened, tmp_path: Path) -> None:
    page = opened(yard())
    sign(page, "smoke_limit", "Fine")
    page.click(".copy")
    assert {path.name for path in tmp_path.iterdir()} == {"review.html"}
