"""Navigation on the page of the demo's Petrel: filter, order, history, the list of tables, and steps."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any
from urllib.parse import urlencode

import pytest
from selenium import webdriver
from selenium.webdriver.common.keys import Keys

from tests.browser.browsing import IN_SIGHT, Page, forget
from tests.browser.conftest import Demo, Opened
from tests.browser.documents import document, finding, image
from tests.running import needs_chromium

pytestmark = needs_chromium

MISTAKES, TABLES = ".findings .cause:not([hidden])", ".list li:not([hidden]) .name"
TITLES = f"{MISTAKES} > .place > a"
SHOWN = ".outcome .status"
SAID = ".toolbar > .status"
FOCUSED = "return document.activeElement"

At = Callable[..., Page]


@pytest.fixture
def at(chrome: webdriver.Chrome, demo: Demo) -> At:
    """The page at a place and with a filter, in a window of some size; nothing is marked as read."""

    def open_page(place: str = "", width: int = 1440, height: int = 900, **filters: str) -> Page:
        query = f"?{urlencode(filters)}" if filters else ""
        return Page(chrome, demo.page).screen(width, height).open(f"#{place}{query}")

    forget(chrome)
    return open_page


@pytest.fixture
def review(demo: Demo) -> Any:
    return demo.review


def choose(page: Page, field: str, value: str) -> None:
    """A value of a field of the filter, chosen as a reader does."""
    (label,) = [item for item in page.all(".filters label") if item.text.startswith(field)]
    label.find_element("css selector", "input, select").send_keys(value)


# The filter


#: A field of the filter, a value, its name in a link, and the findings that it leaves.
FILTERS: list[tuple[str, str, str, Callable[[Any], bool]]] = [
    ("Severity", "warning", "severity", lambda finding: finding["severity"] == "warning"),
    ("Rule", "value/too-steep", "rule", lambda finding: finding["rule"] == "value/too-steep"),
    ("Text", "no longer RISES", "text", lambda finding: "no longer rises" in finding["message"]),
]


def test_the_filter_leaves_the_mistakes_and_tables_with_a_finding_that_matches(at: At, review: Any) -> None:
    page = at("~findings")
    for field, value, name, matches in FILTERS:
        choose(page, field, value)
        matching = [finding for finding in review["findings"] if matches(finding)]
        numbers = sorted({item["cause"] for item in matching})
        causes = [review["causes"][number]["title"] for number in numbers]
        assert 0 < len(causes) < len(review["causes"]), name
        assert page.texts(TITLES) == causes, name
        assert len(page.texts(".findings .cause li:not([hidden])")) >= len(matching), name
        tables = page.texts(TABLES)
        total = len(review["images"][0]["tables"])
        assert page.text(SHOWN) == (
            f"{value}: {len(causes)} of {len(review['causes'])} mistakes, "
            f"{len(tables)} of {total} tables shown."
        )
        assert page.texts("article:not([hidden]) h3 code") == page.run(_NAMES_IN_LIST), name
        assert page.run("return location.hash") == f"#~findings?{urlencode({name: value})}"
        page.click(".clear")
        assert page.link == "#~findings"


_NAMES_IN_LIST = """
const links = [...document.querySelectorAll(".list li:not([hidden]) a")];
return links.map((link) => link.getAttribute("href").slice(1));
"""


def test_a_link_carries_the_filter(at: At, review: Any) -> None:
    page = at("~findings", purpose="protection")
    tables = review["images"][0]["tables"]
    for field, value in (
        ("purpose", "protection"),
        ("group", "Rail pressure"),
        ("danger", "disabled protection"),
    ):
        page.run("location.hash = arguments[0]", f"#~findings?{urlencode({field: value})}")
        page.until(lambda value=value: page.text(SHOWN).startswith(f"{value}: "), value)
        if field == "danger":
            expected = [cause["title"] for cause in review["causes"] if cause.get("danger") == value]
            assert page.texts(TITLES) == expected
        else:
            assert page.texts(TABLES) == [table["title"] for table in tables if table.get(field) == value]
        assert value in page.run(
            "return [...document.querySelectorAll('.filters select')].map((one) => one.value)"
        )


def test_a_filter_without_matches_reports_that_and_one_step_clears_it(at: At) -> None:
    page = at("~findings", text="zebra", severity="error")
    for way in ("button", "Escape"):
        page.run("location.hash = '#~findings?text=zebra&severity=error'")
        said = "Nothing matches zebra, error: 0 of 8 mistakes, 0 of 16 tables shown."
        page.until(lambda said=said: page.text(SHOWN) == said, said)
        assert page.texts(".nothing:not([hidden])") == [
            "No mistake or finding matches the filter.",
            "No table matches the filter.",
        ]
        page.press("f")
        assert page.text(SAID) == "No mistake or open finding matches the filter."
        if way == "button":
            page.click(".clear")
        else:
            page.press("/", Keys.ESCAPE)
        assert page.text(SHOWN) == "", way
        assert (len(page.all(MISTAKES)), len(page.texts(TABLES))) == (8, 16), way
        assert page.link == "#~findings", way
        assert page.run(
            "return [...document.querySelectorAll('.filters input, .filters select')].every((f) => !f.value)"
        ), way
        assert not page.one(".clear").is_displayed(), way


def test_the_filter_stays_in_view(at: At) -> None:
    page = at("fan_off_at", severity="error", order="name")
    for width, height in ((1440, 900), (720, 450), (360, 640)):
        page.screen(width, height).until_still(_EDGES, ".toggle")
        page.run("document.querySelector('#cause-7').scrollIntoView()")
        for css in (".toggle", SHOWN, ".clear"):
            top, bottom = page.run(_EDGES, css)
            assert 0 <= top < bottom <= height, (css, width)


_EDGES = """
const {top, bottom} = document.querySelector(arguments[0]).getBoundingClientRect();
return [top, bottom];
"""


def test_a_table_that_is_read_leaves_the_filter_of_unread_ones(at: At) -> None:
    page = at(read="no")
    assert page.text(SHOWN) == "not read yet: 8 of 8 mistakes, 16 of 16 tables shown."
    page.press("j", "r")
    assert page.text(SHOWN).endswith("15 of 16 tables shown.")


def test_the_order_is_that_of_check_until_the_reader_sorts(at: At, review: Any) -> None:
    titles = [cause["title"] for cause in review["causes"]]
    amounts = {cause["title"]: len(cause["findings"]) for cause in review["causes"]}
    page = at("~findings")
    assert page.texts(TITLES) == titles
    choose(page, "Order", "most findings")
    sorted_titles = sorted(titles, key=lambda title: -amounts[title])
    assert page.texts(TITLES) == sorted_titles != titles
    assert page.link == "#~findings?order=findings"
    page.press(Keys.ESCAPE, "f")
    assert page.text(SAID) == f"Mistake 1 of 8: {sorted_titles[0]}."
    choose(page, "Order", "by name")
    names = page.texts(TABLES)
    assert names == sorted(names, key=str.lower)
    assert page.texts("article h3 code") == page.run(_NAMES_IN_LIST)


# Steps


def test_each_step_moves_the_view_or_the_mark(at: At, review: Any) -> None:
    page = at()
    seen = []
    for number, cause in enumerate([*review["causes"], review["causes"][0]]):
        page.press("f")
        assert page.text(SAID) == f"Mistake {1 + number % 8} of 8: {cause['title']}."
        marked = page.run("return document.querySelector('.findings .here').id")
        assert marked == f"cause-{cause['id']}"
        assert page.run("return [...document.querySelectorAll('.here')].some((item) => item.offsetParent)")
        seen.append((page.link, page.run("return scrollY")))
    assert all(before != after for before, after in pairwise(seen))
    margins = page.run(_SCROLL_MARGINS)
    page.press("j")
    assert page.texts(SAID) == [""]  # a mistake is not a heading of another table
    assert page.run(_SCROLL_MARGINS) == margins  # room for the next message, so that nothing moves for it


_SCROLL_MARGINS = """
return [...document.querySelectorAll("article")].map((article) => getComputedStyle(article).scrollMarginTop);
"""


def test_steps_keep_to_the_filter(at: At, review: Any) -> None:
    page = at(severity="warning")
    with_warnings = {item["cause"] for item in review["findings"] if item["severity"] == "warning"}
    amount = len(with_warnings)
    page.press(*("f" * amount))
    last = review["causes"][max(with_warnings)]
    assert page.text(SAID) == f"Mistake {amount} of {amount} shown: {last['title']}."
    shown = page.run("return location.hash").removeprefix("#finding-").partition("?")[0]
    assert review["findings"][int(shown)]["severity"] == "warning"
    assert page.link.endswith("?severity=warning")


# The list of tables


def test_the_list_marks_changed_faulty_and_read_tables_and_links_to_the_next_unread_one(
    at: At,
) -> None:
    page = at()
    first, second = page.texts(".list .tables a")[:2]
    assert first == "Overboost is watchedE, error1/1 cells changed"
    page.press("u", "r", "u")
    assert page.link == "#overspeed_cut"
    assert page.texts(".list .tables a")[0] == f"{first}✓, read"
    page.press("r", "k", "u")
    assert page.link == "#egr_speed_window"
    assert second in page.texts(".list .tables a")[1]
    page.press("ru" * 13, "r")
    page.click(".reading button")
    assert page.text(SAID) == "Every table is read."
    assert page.text(".reading .progress") == "16 of 16 tables read"


# Many findings, names


def test_of_very_many_findings_the_first_hundred_are_shown_and_steps_lead_to_all(opened: Opened) -> None:
    found = [finding(n, f"a/{n % 2}", "error", f"number {n}") for n in range(130)]
    page = opened(document([image(0, "boats/heron.bin", [])], found))
    shown = ".findings li:not([hidden])"
    assert len(page.all(shown)) == 100
    assert page.text(".findings button") == "Show 30 more"
    choose(page, "Rule", "a/1")
    assert len(page.all(shown)) == 65
    assert not page.one(".findings button").is_displayed()
    page.press(Keys.ESCAPE, "F")
    assert page.text(SAID) == "Finding 130 of 130: number 129."
    assert len(page.all(shown)) == 130
    assert page.run(f"{FOCUSED}.dataset.finding") == "129"
    assert page.run(IN_SIGHT)


def test_the_copied_review_names_branch_and_commit(opened: Opened) -> None:
    """Whoever reads it in a merge request a year later must know which commits it was about."""
    old, new = "0123456789abcdef" * 2 + "01234567", "fedcba9876543210" * 2 + "fedcba98"
    revisions = {"old": {"name": "main~3", "commit": old}, "new": {"name": new[:10], "commit": new}}
    made = document(
        [image(0, "boats/heron.bin", [])], old="HEAD~3:boats/heron.bin", new=new, revisions=revisions
    )
    page = opened(made)
    page.run("Object.defineProperty(navigator, 'clipboard', {value: undefined})")
    page.click(".copy")
    text = page.until(lambda: page.run("return document.querySelector('.markdown').value"))
    assert f"`main~3:boats/heron.bin (0123456789)` → `{new[:10]}`, review with" in text
    assert not any(whole in text for whole in (old, new, "HEAD"))


# Back and Forward


def test_back_returns_to_the_earlier_place_and_forward_to_the_later_one(at: At) -> None:
    page = at()
    page.click(".worst li:nth-child(4) a")
    places = [page.link]
    page.press("j")
    places.append(page.link)
    page.press("n")
    places.append(page.link)
    assert places[:2] == ["#finding-9", "#fuel_from_torque"] and places[2].startswith("#fuel_from_torque/")
    page.chrome.back()
    page.until(lambda: page.link == "#finding-9")
    assert page.run(f"{FOCUSED}.closest('article').id") == "rail_pressure_demand"
    page.chrome.back()
    page.until(lambda: page.link == "")
    page.until(lambda: page.run("return scrollY") == 0)
    assert page.run(f"{FOCUSED}.getAttribute('href')") == "#finding-9"
    page.chrome.forward()
    page.chrome.forward()
    page.until(lambda: page.link == places[2])
    x, y = places[2].rpartition("/")[2].split(",")
    cell = int(y) * 16 + int(x)
    assert page.run(f"{FOCUSED}.dataset.cell") == str(cell)


def test_back_restores_the_earlier_filter(at: At) -> None:
    page = at()
    page.click(".counts .warning a")
    assert page.link == "#~findings?severity=warning"
    few = len(page.all(MISTAKES))
    page.run("document.querySelectorAll('.cause:not([hidden]) > .place a')[2].focus()")
    link, scrolled = page.run("return [document.activeElement.hash, scrollY]")
    page.press(Keys.ENTER)
    assert page.link == f"{link}?severity=warning"
    page.chrome.back()
    page.until(lambda: page.run("return [document.activeElement.hash, scrollY]") == [link, scrolled])
    page.press("/", "rail", Keys.ENTER, "f")
    assert page.text(SAID).startswith("Mistake 1 of 2 shown: speed_12: ")
    page.chrome.back()
    assert len(page.all(MISTAKES)) < few < 8
    page.chrome.back()
    page.until(lambda: len(page.all(MISTAKES)) == few)
    assert page.text(SHOWN).startswith("warning: ")
    page.chrome.back()
    page.until(lambda: len(page.all(MISTAKES)) == 8)
    assert page.link == ""


def test_moving_within_a_table_adds_nothing_to_the_history(at: At) -> None:
    page = at("rail_pressure_demand")
    length = page.run("return history.length")
    page.press("n", Keys.ARROW_LEFT, Keys.ARROW_UP)
    assert page.link.startswith("#rail_pressure_demand/")
    page.click(page.cell("rail_pressure_demand", 11, 9))
    assert page.link == "#rail_pressure_demand/11,9"
    assert page.run("return history.length") == length
    # The pointer takes no details away from a reader who is in them.
    page.run("document.querySelector('#rail_pressure_demand .details a').focus()")
    link = page.run(f"{FOCUSED}.outerHTML")
    page.hover(page.all("#rail_pressure_demand td")[5])
    assert page.run(f"{FOCUSED}.outerHTML") == link


def test_a_link_of_the_first_screen_shows_what_the_filter_hid(at: At) -> None:
    page = at(text="rail")
    page.click(".worst li:nth-child(1) a")
    assert page.text(SAID) == "The filter is cleared: it hid this."
    assert page.link == "#finding-0"
    assert page.one("#overspeed_cut").is_displayed()
