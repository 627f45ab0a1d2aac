"""What every page keeps to: no request, nothing of a stranger's that runs, readable by all, printable."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from callint.fmt import clean
from tests.browser.browsing import COLOURS, Page
from tests.browser.conftest import Opened
from tests.browser.documents import Json, document, image, smoke_limit, yard
from tests.running import needs_chromium

pytestmark = needs_chromium


def walk_through(page: Page, tables: list[str]) -> None:
    """Everything that a reader can do to a page, so that all of it has been drawn."""
    for table in tables:
        page.show(table)
    page.press("v", "v", "t", "n", "f", "j", "?")
    page.run("document.querySelector('dialog').close()")
    for details in page.all("details"):
        page.run("arguments[0].open = true", details)
    page.until(lambda: page.all(".surface"))


TABLES = ["smoke_limit", "overspeed_cut", "speed_trim", "monitor"]


def test_nothing_is_asked_for_but_the_page_itself_and_the_console_stays_empty(opened: Opened) -> None:
    page = opened(yard())
    walk_through(page, TABLES)
    page.pdf()
    assert page.requests() == {page.file.as_uri()}
    assert page.logged("browser") == []
    # The page's own policy forbids requests.
    blocked = page.chrome.execute_async_script(
        "const done = arguments[0]; document.addEventListener('securitypolicyviolation', (event) =>"
        " done(event.effectiveDirective)); fetch('https://yard.example/').catch(() => {});"
    )
    assert blocked == "connect-src"


# Everybody can read it


@pytest.mark.parametrize(("width", "schemes"), [(1400, ("light", "dark")), (360, ("light",))])
def test_axe_finds_nothing(opened: Opened, width: int, schemes: tuple[str, ...]) -> None:
    page = opened(yard(), width=width)
    walk_through(page, TABLES)
    if width == 360:
        assert page.run("return document.documentElement.scrollWidth") == 360
    assert page.small_targets() == []
    for view, within in (("shown first", "html"), ("old", "article")):
        if view == "old":
            page.run("document.querySelector('input[value=old]').click()")
        for scheme in schemes:
            is_dark = scheme == "dark"
            page.screen(width, dark=is_dark)
            assert page.violations(only=COLOURS if is_dark else (), within=within) == [], (view, scheme)


def test_axe_finds_nothing_in_the_list_of_keys(opened: Opened) -> None:
    page = opened(yard())
    page.press("?")
    assert page.keep_tables(1).violations() == []


def test_axe_finds_nothing_on_a_page_of_several_images(opened: Opened) -> None:
    images = [
        image(0, "boats/gannet.bin", [], state="unreadable", trouble="it is too short"),
        image(1, "boats/heron.bin", [smoke_limit()]),
    ]
    page = opened(document(images, title="2 images, v1..v2"))
    assert page.violations() == []


# Strangers' texts

HOSTILE = "<script>window.hit=1</script><img src=x onerror=window.hit=1></script><!--'\"`& \u202egnp.exe"
#: What the schema fixes, and what names a table in links.
_FIXED = {
    "format", "digest", "date", "severity", "state", "fingerprint", "address", "until", "purpose", "kind",
    "order", "name", "table",
}  # fmt: skip


def poisoned(value: Any, key: str = "") -> Any:
    """The document with something hostile in every text that a stranger may have written."""
    if isinstance(value, dict):
        return {name: poisoned(item, name) for name, item in value.items()}
    if isinstance(value, list):
        return [poisoned(item, key) for item in value]
    if isinstance(value, str) and key not in _FIXED and not value.replace(".", "").lstrip("+-").isdigit():
        return value if value.startswith("0x") else clean(f"{value} {HOSTILE}")
    return value


def poisoned_yard() -> Json:
    made = poisoned(copy.deepcopy(yard()))
    made["rules"] = {rule: clean(HOSTILE) for rule in made["rules"]}
    return made  # type: ignore[no-any-return]


def test_script_and_markup_in_every_text_stay_text(opened: Opened) -> None:
    page = opened(poisoned_yard())
    walk_through(page, TABLES)
    page.show("smoke_limit").write("#smoke_limit .signing textarea", HOSTILE)
    page.run("document.querySelector('.copy').click()")
    assert page.run("return window.hit") is None
    assert page.run("return document.querySelectorAll('img, iframe, object, base, form').length") == 0
    assert page.run("return document.scripts.length") == 2
    assert page.run("return document.querySelectorAll('[onerror], [style*=url]').length") == 0
    assert page.requests() == {page.file.as_uri()}
    assert page.logged("browser") == []
    assert clean(HOSTILE) in page.text("h1")
    for part in (".findings .message", "#smoke_limit h3", "#smoke_limit .summary", "#smoke_limit caption"):
        assert "<script>window.hit=1</script>" in page.texts(part)[0]


def test_a_long_text_of_a_strangers_breaks_and_does_not_widen_the_page(opened: Opened) -> None:
    made = json.loads(json.dumps(yard()).replace("Smoke limit", "Smoke" * 90))
    page = opened(made, width=360)
    walk_through(page, TABLES)
    assert page.run("return document.documentElement.scrollWidth") == 360


def test_a_table_may_be_called_like_anything_in_the_page(opened: Opened) -> None:
    names = ["review", "finding-0", "constructor", "__proto__", "location", "toString"]
    tables = [{**smoke_limit(), "name": name} for name in names]
    page = opened(document([image(0, "boats/heron.bin", tables)]), "#__proto__/3,2")
    assert page.run("return document.activeElement.closest('article').id") == "__proto__"
    page.run("location.hash = '#constructor/4,2'")
    page.until(lambda: page.run("return document.activeElement.closest('article')?.id") == "constructor")
    page.press("r")
    assert page.texts(".list .progress") == ["1 of 6 tables read"]
    assert page.open().texts(".list .progress") == ["1 of 6 tables read"]
    assert page.logged("browser") == []


# Without a script


def test_without_javascript_the_first_screen_and_the_list_can_be_read(opened: Opened) -> None:
    page = opened(yard())
    page.chrome.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        page.open()
        message = page.one("body").text
    finally:
        page.chrome.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    for text in (
        yard()["verdict"],
        "1 error",
        "Ada Quay",
        "118 of 120 explained",
        "callint reports; it does not approve.",
        "3 of 48 cells changed",
        "This browser runs no script",
    ):
        assert text in message
