"""Signing off in a browser: what was read and accepted, a signature, the review as Markdown and as a file."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from markdown_it import MarkdownIt

from tests.browser.browsing import IN_SIGHT, Page
from tests.browser.conftest import Opened
from tests.browser.documents import Json, document, finding, image, many, smoke_limit, yard
from tests.running import BAD, make_repository_yard, needs_chromium, valid

pytestmark = needs_chromium

REASON = "The bench run of 12 May allows it."
FILES = {"old": "1" * 64, "new": "2" * 64, "base": "3" * 64, "definition": "4" * 64}


def judged() -> Json:
    """The yard with digests of all files, and a mistake that disables a protection."""
    made = yard()
    made["images"][0]["sha256"] = dict(FILES)
    made["policy"] = {"path": "callint.toml", "sha256": "5" * 64}
    made["findings"][0]["cause"] = 0
    made["counts"]["mistakes"] = 1
    made["causes"] = [
        {"id": 0, "cause": "cause-00c0ffee", "image": 0, "title": "smoke_limit at 2200 rpm: 26.0 → 56.0 mg",
         "severity": "error", "danger": "disabled protection", "findings": [0]},
    ]  # fmt: skip
    return valid(made, "review.schema.json")  # type: ignore[no-any-return]


def sign(page: Page, table: str, remark: str = "") -> None:
    """A table ticked as read, with a remark."""
    page.show(table).click(f"#{table} .signing input")
    page.write(f"#{table} .signing textarea", remark)


def copied(page: Page) -> str:
    """The review that the button copied."""
    grant = {"permissions": ["clipboardReadWrite", "clipboardSanitizedWrite"]}
    page.chrome.execute_cdp_cmd("Browser.grantPermissions", grant)
    page.click(".copy")
    page.until(lambda: page.text(".signoff .status").startswith("Copied as Markdown."))
    reading = "navigator.clipboard.readText().then(arguments[0], (error) => arguments[0](String(error)))"
    return str(page.chrome.execute_async_script(reading))


def fill_in(page: Page, decision: str = "agreed") -> None:
    """The decision, and who decides."""
    page.click(f".signoff input[value={decision}]")
    page.write(".person .name", "Ada Quay")
    page.write(".person .role", "second calibrator")


def accept(page: Page, reason: str = REASON, at: str = "#cause-0") -> None:
    page.click(f"{at} .acceptance summary")
    page.click(f"{at} .acceptance input")
    page.write(f"{at} .acceptance textarea", reason)


def status(page: Page) -> str:
    return page.text(".signoff .status")


def saved(page: Page, folder: Path) -> Path:
    """The file that the page saves."""
    folder.mkdir()
    behaviour = {"behavior": "allow", "downloadPath": str(folder)}
    page.chrome.execute_cdp_cmd("Browser.setDownloadBehavior", behaviour)
    page.click(".exchange .save")
    return page.until(lambda: next(folder.glob("*.json"), None))  # type: ignore[no-any-return]


def read(page: Page, file: Path) -> str:
    """What the page says of a file that it is given."""
    page.run("document.querySelector('.signoff .status').replaceChildren()")
    page.one(".exchange input").send_keys(str(file))
    return str(page.until(lambda: status(page)))


def test_ticks_count_and_are_seen_in_the_list(opened: Opened) -> None:
    page = opened(yard())
    sign(page, "smoke_limit")
    page.press("j")
    assert page.text(".list .progress") == "1 of 4 tables read"
    assert page.one(".list progress").get_attribute("value") == "1"
    assert page.texts(".list .read .name") == ["Smoke limit"]
    assert page.texts(".list .read .done .aside") == [", read"]


def test_a_key_ticks_the_table_that_is_looked_at_and_nothing_that_is_out_of_sight(opened: Opened) -> None:
    page = opened(yard(), "#speed_trim")
    page.press("r")
    assert page.texts(".list .read .name") == ["Speed trim"]
    page.press("r")
    assert page.text(".list .progress") == "0 of 4 tables read"
    page.until(lambda: page.all(".list [aria-current]"))
    page.run(
        "window.dispatchEvent(new WheelEvent('wheel'))"
    )  # the page no longer holds the table in its place
    page.until_still("window.scrollTo(0, 0); return window.scrollY")
    page.press("r")
    assert page.text(".toolbar .status") == "No table is in view: nothing was ticked."
    assert page.text(".list .progress") == "0 of 4 tables read"


def test_ticks_remarks_and_the_decision_are_there_again_after_a_reload(opened: Opened) -> None:
    page = opened(yard())
    sign(page, "smoke_limit", "Why 62?")
    page.click(".signoff input[value=changes]")
    page.write(".signoff .closing", "Not like this.")
    page.open().show("smoke_limit")
    assert page.one("#smoke_limit .signing input").is_selected()
    assert page.one("#smoke_limit .signing textarea").get_attribute("value") == "Why 62?"
    assert page.one(".signoff input[value=changes]").is_selected()
    assert page.one(".signoff .closing").get_attribute("value") == "Not like this."


def test_the_page_keeps_remarks_for_its_own_document_only(opened: Opened) -> None:
    sign(opened(yard()), "smoke_limit")
    other = opened({**yard(), "digest": "f" * 16})
    assert other.text(".list .progress") == "0 of 4 tables read"


def test_the_page_works_in_a_browser_without_storage_and_reports_that(opened: Opened) -> None:
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
    for left in ("no JSON", '{"read": 7, "remarks": null}', '["smoke_limit"]', '{"signed": true}', "null"):
        page.run("localStorage.setItem('callint-review:0123456789abcdef', arguments[0])", left)
        page.open()
        assert page.text(".list .progress") == "0 of 4 tables read"
        assert page.text(".signature") == "Reviewed by, on:"
        assert page.text(".kept").startswith("What you tick and write stays in this browser")
        assert page.logged("browser") == []


def test_the_copied_review_lists_what_was_read_remarked_and_found(opened: Opened) -> None:
    page = opened(judged())
    sign(page, "smoke_limit", "Why 62?")
    page.click(".signoff .parts label:first-of-type input")
    page.click(page.cell("smoke_limit", 4, 2))
    page.write("#smoke_limit .cell-remarks textarea", "Beside its neighbours?")
    text = copied(page)
    assert "**Not signed.** 1 of 4 tables read. 1 error open, 1 of them a disabled protection." in text
    read, unread = text.split("Not read:")
    assert "- [x] **Smoke limit** `smoke_limit`: 3 of 48 cells changed\n  > Why 62?" in read
    assert "  - at 2200 rpm, 30 mg:\n    > Beside its neighbours?" in read
    assert "- [x] 2 bytes that no definition explains, at 0x01F00" in read
    assert re.findall(r"- \[ \] \*\*(.*?)\*\*", unread) == ["Overspeed cut", "Speed trim", "Monitor"]
    assert "- [ ] Checksum calibration: 0x1234 → 0x2345" in unread
    result = unread.split("Findings open:")[1].split("Signing says")[0]
    assert [line.split("`")[1] for line in result.strip().splitlines()] == [
        "change/suspicious-cell",
        "change/unexplained-bytes",
        "axis/changed",
    ]
    # The verdict and the digests of all files.
    assert "review with the digest `0123456789abcdef`" in text
    assert all(f"`{digits}`" in text for digits in (*FILES.values(), "5" * 64))
    assert yard()["verdict"] in text
    assert "1 finding waived." in text
    assert "It is not an approval by the maker or an authority" in text


# The signature


def test_nobody_can_agree_while_an_error_is_open(opened: Opened) -> None:
    page = opened(judged())
    assert page.texts(".signoff .open h3")[0] == "Open errors: 1"
    assert page.texts(".signoff .open button")[0].startswith("Disabled protection: smoke_limit at 2200 rpm")
    fill_in(page)
    page.click(".sign")
    assert status(page).startswith("Not signed. 1 error open, 1 of them a disabled protection. Accept each")
    page.click(".copy")
    page.until(lambda: "It is not signed. 1 error open" in status(page))
    accept(page, "too short")
    page.click(".sign")
    assert status(page).startswith("Not signed. 1 error open")
    page.write("#cause-0 .acceptance textarea", ", but now it is long enough")
    page.click(".sign")
    assert status(page).startswith("Signed.")


def test_a_signature_needs_a_decision_a_name_and_a_role(opened: Opened) -> None:
    page = opened(document([image(0, "boats/heron.bin", [])]))
    page.click(".sign")
    assert status(page) == "Not signed. Choose a decision. Your name and role are missing."


def test_each_open_item_links_to_the_place_where_it_is_settled(opened: Opened) -> None:
    page = opened(judged(), "#~signing?text=trim", height=500)
    assert page.texts(".signoff .open h3")[:2] == ["Open errors: 1", "Unread tables: 4"]
    page.click(".signoff .open ul:first-of-type button")
    focused = "const [css] = arguments; return document.activeElement.matches(css)"
    assert page.run(focused, "#cause-0 .acceptance[open] textarea")
    assert page.run(IN_SIGHT)
    page.click(".signoff .open ul:last-of-type li:nth-child(2) button")
    assert page.run(focused, "#overspeed_cut")
    assert page.run(IN_SIGHT)
    assert page.text(".list .status") == ""


def test_whoever_asks_for_changes_may_leave_errors_open_but_accepts_none_without_a_reason(
    opened: Opened,
) -> None:
    page = opened(judged())
    fill_in(page, "changes")
    page.click("#cause-0 .acceptance summary")
    page.click("#cause-0 .acceptance input")
    page.click(".sign")
    assert status(page) == "Not signed. 1 accepted item without a reason of 10 characters or more."
    page.click("#cause-0 .acceptance input")
    page.click(".sign")
    assert "**Changes asked for** by Ada Quay" in copied(page)
    assert page.run("return document.querySelector('.acceptance label').textContent").endswith(
        "Accept: smoke_limit at 2200 rpm: 26.0 → 56.0 mg"
    )


def test_what_is_unread_is_named_before_and_in_the_signature(opened: Opened) -> None:
    page = opened(judged())
    sign(page, "smoke_limit")
    accept(page)
    fill_in(page)
    assert page.texts(".signoff .open button") == ["Overspeed cut", "Speed trim", "Monitor"]
    unread = "with 3 tables unread and 2 items of bytes and checksums unread"
    assert page.text(".sign") == f"Sign: agreed, {unread}"
    page.one(".person .date").clear()
    page.write(".person .date", "2026-02-30")
    page.click(".sign")
    assert status(page) == "Not signed. The date is not a day; write YYYY-MM-DD."
    page.one(".person .date").clear()
    page.write(".person .date", "2026-11-27")
    page.click(".sign")
    assert page.text(".signature") == f"Agreed by Ada Quay, second calibrator, on 2026-11-27, {unread}."
    text = copied(page)
    assert "**Agreed** by Ada Quay, second calibrator, on 2026-11-27. 1 of 4 tables read." in text
    assert f"**Warning: signed {unread}.**" in text
    accepted = text.split("Accepted, with the reason:")[1]
    assert f"  > {REASON}" in accepted and "`cause-00c0ffee`" in accepted
    assert "change/suspicious-cell" not in text.split("Findings open:")[1]


def test_nobody_agrees_to_mistakes_that_the_page_cannot_list(opened: Opened) -> None:
    made = judged()
    made["counts"]["mistakes"] = 4
    page = opened(made)
    accept(page)
    fill_in(page)
    page.click(".sign")
    assert status(page).startswith("Not signed. 3 more mistakes cannot be listed here")


def test_a_change_ends_the_signature(opened: Opened) -> None:
    page = opened(judged())
    # The list of what is open leads there.
    page.click(".signoff .open ul:first-of-type button")
    assert page.run("return document.activeElement.closest('li').id") == "cause-0"
    fill_in(page, "changes")
    page.click(".sign")
    assert page.text(".signature").startswith("Changes asked for by Ada Quay, second calibrator, on ")
    assert page.open().text(".signature").startswith("Changes asked for by Ada Quay")
    page.click(".signoff input[value=agreed]")
    assert status(page) == "This changed after it was signed. Sign it again."
    assert page.text(".signature") == "Reviewed by, on:"
    assert "**Not signed.** Agreed is chosen." in copied(page)


def test_the_print_has_the_signature_and_the_reasons(opened: Opened) -> None:
    made = yard()
    made["counts"]["mistakes"] = 0
    page = opened(made)
    assert "Reviewed by, on:" in page.pdf()
    accept(page, at=".findings .error")
    fill_in(page)
    page.click(".sign")
    paper = page.pdf()
    assert f"Accepted: {REASON}" in paper
    assert "Agreed by Ada Quay, second calibrator, on" in paper


# The file


def test_a_saved_file_brings_everything_back_in_another_browser(opened: Opened, tmp_path: Path) -> None:
    page = opened(judged())
    sign(page, "smoke_limit", "Why 62?")
    page.click(page.cell("smoke_limit", 4, 2))
    page.write("#smoke_limit .cell-remarks textarea", "Beside its neighbours?")
    page.click(".signoff .parts label:first-of-type input")
    accept(page)
    fill_in(page)
    page.click(".sign")
    file = saved(page, tmp_path / "saved")
    data = valid(json.loads(file.read_text("utf-8")), "sign-off.schema.json")
    assert data["signed"] and data["review"]["digest"] == "0123456789abcdef"
    assert data["images"][0]["definition"] == {"path": "definitions/skerry-28.xml", "sha256": "4" * 64}
    assert data["accepted"][0]["findings"][0]["fingerprint"] == "0" * 16
    page.run("localStorage.clear()")
    page.open()
    assert page.text(".list .progress") == "0 of 4 tables read"
    page.show("smoke_limit")
    assert read(page, file).startswith("heron.bin.sign-off.json was read.")
    assert page.one("#smoke_limit .signing input").is_selected()
    assert page.one("#smoke_limit .signing textarea").get_attribute("value") == "Why 62?"
    assert page.text("#smoke_limit .cell-remarks ul") == "2200 rpm, 30 mg: Beside its neighbours?"
    assert page.one("#cause-0 .acceptance textarea").get_attribute("value") == REASON
    assert page.text(".signature").startswith("Agreed by Ada Quay")
    page.run("document.querySelector('.signoff .status button').click()")
    assert page.text(".list .progress") == "0 of 4 tables read"
    read(page, file)
    assert saved(page, tmp_path / "again").read_bytes() == file.read_bytes()


def test_a_saved_file_distinguishes_the_images_of_a_page(opened: Opened, tmp_path: Path) -> None:
    findings = [
        finding(n, "value/out-of-range", "error", "too high", table="smoke_limit", image=n) for n in (0, 1)
    ]
    images = [image(n, path, [smoke_limit()]) for n, path in enumerate(("boats/gull.bin", "boats/heron.bin"))]
    page = opened(document(images, findings, counts={**yard()["counts"], "mistakes": 0, "error": 2}))
    box = "return document.getElementById('1.smoke_limit').querySelector('.signing input')"
    page.until(lambda: page.run("document.getElementById('1.smoke_limit').scrollIntoView();" + box))
    page.run(f"{box}.click()")
    page.run("document.querySelectorAll('.acceptance input')[1].click()")
    page.all(".acceptance textarea")[1].send_keys(REASON)
    file = saved(page, tmp_path / "saved")
    data = json.loads(file.read_text("utf-8"))
    assert data["read"] == [{"image": "boats/heron.bin", "table": "smoke_limit"}]
    assert [entry["image"] for entry in data["accepted"]] == ["boats/heron.bin"]
    page.run("localStorage.clear()")
    page.open()
    read(page, file)
    assert page.text(".list .progress") == "1 of 2 tables read"
    assert saved(page, tmp_path / "again").read_bytes() == file.read_bytes()
    assert page.texts(".signoff .open button")[0] == "boats/gull.bin: smoke_limit: too high"


def test_a_file_of_another_page_or_state_is_refused_and_changes_nothing(
    opened: Opened, tmp_path: Path
) -> None:
    page = opened(judged())
    sign(page, "smoke_limit")
    file = saved(page, tmp_path / "saved")
    mine = json.loads(file.read_text("utf-8"))

    def refused(change: Any) -> str:
        data = json.loads(json.dumps(mine))
        change(data)
        file.write_text(json.dumps(data), "utf-8")
        said = read(page, file)
        assert page.text(".list .progress") == "1 of 4 tables read"
        return said.removeprefix("heron.bin.sign-off.json was not read: ").removesuffix(
            " Nothing changed here."
        )

    def of_other_state(data: Json) -> None:
        data["review"]["digest"] = "f" * 16
        data["images"][0]["new"] = data["policy"]["sha256"] = "6" * 64

    assert refused(of_other_state) == (
        "it belongs to another state of this review: it was signed with another content of the new image of "
        "boats/heron.bin, the policy."
    )
    assert "the files are the same, but their findings" in refused(
        lambda data: data["review"].update(digest="f" * 16)
    )

    def of_other_page(data: Json) -> None:
        data["review"].update(digest="f" * 16, title="<b>boats/gull.bin</b>\u202e")
        data["images"][0]["path"] = "boats/gull.bin"

    assert refused(of_other_page) == "it belongs to another review, of <b>boats/gull.bin</b>."
    for damage in (
        lambda data: data["read"].append({"image": "boats/heron.bin", "table": "no_table"}),
        lambda data: data["remarks"].append({"image": "boats/heron.bin", "table": "smoke_limit",
                                             "cell": [99, 0], "text": "x"}),
        lambda data: data["accepted"].append({"title": "", "remark": "", "findings": []}),
        lambda data: data.update(read=7),
        lambda data: data["reviewer"].update(name=["x"]),
        lambda data: data.update(version=2),
        lambda data: data.update(format="callint-review"),
    ):  # fmt: skip
        assert refused(damage).startswith(("it is", "it names", "another version"))


def test_a_signature_in_a_file_counts_only_if_the_page_would_have_allowed_it(
    opened: Opened, tmp_path: Path
) -> None:
    page = opened(judged())
    fill_in(page)
    file = saved(page, tmp_path / "saved")
    file.write_text(file.read_text("utf-8").replace('"signed": false', '"signed": true'), "utf-8")
    assert "its signature does not count: 1 error open" in read(page, file)
    assert page.text(".signature") == "Reviewed by, on:"


def test_a_reviewed_repository_gets_the_waivers_that_the_page_saved(opened: Opened, tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", heron=BAD)
    html = ("review", "factory/base.bin", "boats/heron.bin", "--output", "review.html")
    assert scratch.call(*html).status == 0
    page = opened(scratch.root / "review.html")
    amount = len(page.all(".acceptance"))
    assert amount
    page.run("document.querySelectorAll('.acceptance').forEach((details) => { details.open = true; })")
    for tick in page.all(".acceptance input"):
        page.run("arguments[0].click()", tick)
    for area in page.all(".acceptance textarea"):
        area.send_keys(REASON)
    fill_in(page)
    page.click(".sign")
    file = saved(page, tmp_path / "saved")
    assert scratch.call("waive", "--from-review", str(file)).status == 0
    assert scratch.call("check").status == 0


def test_markup_in_a_remark_is_text_in_the_copied_review(opened: Opened, tmp_path: Path) -> None:
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
    # The page writes no file unless asked.
    assert {path.name for path in tmp_path.iterdir()} == {"review.html"}


def test_the_page_shows_and_selects_the_text_if_the_browser_forbids_copying(opened: Opened) -> None:
    page = opened(yard())
    page.run("Object.defineProperty(navigator, 'clipboard', {value: undefined})")
    page.click(".copy")
    page.until(lambda: page.one(".markdown").is_displayed())
    selected = page.run(
        "const one = document.activeElement; return one.value.slice(one.selectionStart, one.selectionEnd)"
    )
    assert selected.startswith("### Review of boats/heron.bin")


def test_signing_off_is_quick_to_follow_for_many_tables(opened: Opened) -> None:
    page = opened(many(300, nx=4, ny=4, changed=1))
    assert page.texts(".signoff .open h3") == [
        "Unread tables: 300",
        "Unread bytes and checksums: 2",
    ]
    assert page.texts(".signoff .open li")[-1] == "and 280 more"


def test_signing_off_can_be_used_by_everybody(opened: Opened) -> None:
    page = opened(judged())
    accept(page, "short")
    page.click(".sign")
    assert page.keep_tables(1).violations() == []
