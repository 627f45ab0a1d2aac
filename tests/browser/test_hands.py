"""Reading a review with a thumb, by keyboard, enlarged, in forced colours: on the demo's range of images."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from tests.browser.browsing import IN_SIGHT, Page, forget
from tests.running import needs_chromium

pytestmark = needs_chromium

PHONES = [(390, 844), (360, 640)]
#: A window of 1440 × 900 at 200 %.
ENLARGED = (720, 450)

At = Callable[..., Page]


@pytest.fixture
def at(chrome: webdriver.Chrome, fleet: Path) -> At:
    """The page at a place, in a window of some size and with some preferences of its reader."""

    def open_page(place: str = "", size: tuple[int, int] = (1440, 900), **preferences: str) -> Page:
        return Page(chrome, fleet).prefer(*size, **preferences).open(f"#{place}")

    forget(chrome)
    return open_page


_BOXES = """
return [...document.querySelectorAll(arguments[0])].filter((one) => one.offsetParent).map((one) => {
  const {top, bottom, left, right, width, height} = one.getBoundingClientRect();
  return {top, bottom, left, right, width, height, text: one.getAttribute("aria-label") ?? one.textContent};
});
"""
_OVERFLOW = "return document.documentElement.scrollWidth - innerWidth"

# A thumb


@pytest.mark.parametrize("size", PHONES)
def test_a_phone_has_compact_mistakes_and_one_row_of_labelled_buttons_of_44_pixels(
    at: At, size: tuple[int, int]
) -> None:
    page = at("~findings", size)
    mistakes_are_compact(page)
    page.run("scrollTo(0, 0)")
    grids_scroll_inside_themselves_and_the_page_never_sideways(page, size)
    page.run("scrollTo(0, 0)")
    bar_is_one_row(page, size)


def bar_is_one_row(page: Page, size: tuple[int, int]) -> None:
    buttons = page.run(_BOXES, ".toolbar button")
    assert [button["text"] for button in buttons] == [
        "Previous mistake or finding",
        "Next mistake or finding",
        "Previous changed cell",
        "Next changed cell",
        "Previous table",
        "Next table",
        "Filter",
    ]
    assert page.texts(".toolbar .steps > span") == ["mistake", "change", "table"]
    assert len({round(button["top"]) for button in buttons}) == 1
    assert min(min(button["width"], button["height"]) for button in buttons) >= 44
    assert page.run("return document.querySelector('.toolbar').offsetHeight") <= size[1] / 8
    # What there is no room for in the row lies behind the last button.
    page.click(".toggle")
    hidden = page.run(_BOXES, ".filters button, .filters select, .filters input[type=search], .views label")
    assert {"New", "Old", "Change", "Keys"} <= {item["text"] for item in hidden}
    assert min(item["height"] for item in hidden) >= 43.9


def grids_scroll_inside_themselves_and_the_page_never_sideways(page: Page, size: tuple[int, int]) -> None:
    assert page.run(_OVERFLOW) == 0
    matrix = "return ['scrollWidth', 'clientWidth'].map((name) => document.querySelector('.matrix')[name])"
    needed, has = page.run(matrix)
    assert needed > has or size == ENLARGED
    page.run("location.hash = '#2.rail_pressure_demand/11,9'")
    page.until(lambda: page.run("return document.activeElement.dataset.cell") == "155")
    scroll = (
        "return ['scrollWidth', 'clientWidth'].map((name) => document.activeElement.closest('.scroll')[name])"
    )
    needed, has = page.run(scroll)
    assert needed > has
    left, right = page.run(
        "const {left, right} = document.activeElement.getBoundingClientRect(); return [left, right]"
    )
    assert 0 <= left < right <= size[0]
    assert page.run(_OVERFLOW) == 0


def mistakes_are_compact(page: Page) -> None:
    boxes = page.run(_BOXES, ".findings .cause")
    assert len(boxes) == 10
    assert sum(box["height"] for box in boxes) / len(boxes) <= 125
    summaries = page.run(_BOXES, ".findings .cause summary")
    assert min(box["height"] for box in summaries) >= 44
    # What to do comes with what the mistake brings.
    assert page.run(_BOXES, "#cause-1 > .hint") == []
    page.click("#cause-1 details:not(.acceptance) summary")
    assert len(page.run(_BOXES, "#cause-1 > .hint")) == 1


# Several images


def test_a_count_in_the_matrix_shows_what_it_counts(at: At) -> None:
    page = at()
    page.click(".matrix tbody tr:nth-child(3) td:nth-child(5) a")
    shown = ".outcome .status"
    assert page.text(shown) == (
        "disabled protection, boats/petrel.bin: 2 of 10 mistakes, 2 of 23 tables shown."
    )
    assert [item.text for item in page.all(".list .path") if item.is_displayed()] == ["boats/petrel.bin"]
    assert [item.text for item in page.all("main h2") if item.is_displayed()] == [
        "Mistakes and findings", "Changed tables of boats/petrel.bin", "Signing off",
    ]  # fmt: skip
    page.click(".matrix tbody tr:nth-child(2) td:last-child a")
    assert [box["text"] for box in page.run(_BOXES, ".findings summary")] == ["7 findings waived"]
    assert len(page.run(_BOXES, ".findings details li")) == 7
    assert page.text(shown).endswith("7 of 7 waived findings shown.")
    page.press("f")
    assert page.text(".toolbar > .status") == "No mistake or open finding matches the filter."


def test_paper_has_everything_that_the_filter_hides(at: At) -> None:
    page = at("~findings?image=boats%2Fheron.bin&text=zebra")
    assert page.run(_BOXES, "article.table, .cause, .findings summary") == []
    page.chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    shown = page.run(_BOXES, "article.table, .findings .cause, .findings summary")
    page.chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert len([box for box in shown if box["text"].startswith(("7 findings waived", "It brings"))]) == 11
    assert len(shown) == 23 + 10 + 11


# Enlarged


def test_at_200_percent_most_of_the_window_is_left_for_the_table(at: At) -> None:
    page = at("", ENLARGED)
    grids_scroll_inside_themselves_and_the_page_never_sideways(page, ENLARGED)
    page.press("f", "f")
    bar = page.run("return document.querySelector('.toolbar').getBoundingClientRect().bottom")
    assert bar <= ENLARGED[1] / 4
    (table,) = page.run(_BOXES, "article.table:focus-within")
    assert bar <= table["top"] + 1
    assert page.run("return document.activeElement.getBoundingClientRect().bottom") <= ENLARGED[1]
    page.press("/")
    fields = page.run(_BOXES, ".filters input, .filters select")
    assert len({round(field["left"]) for field in fields}) >= 2
    assert page.run("return document.querySelector('.toolbar').getBoundingClientRect().bottom") <= ENLARGED[1]


# Forced colours, reduced motion


def test_in_forced_colours_every_meaning_has_a_shape(at: At) -> None:
    page = at("", forced_colors="active")
    assert page.run("return matchMedia('(forced-colors: active)').matches")
    page.press("f", "f")
    style = "return getComputedStyle(document.querySelector(arguments[0]))[arguments[1]]"
    for css in (".findings .here", "td.chosen:focus", ".tables a[aria-current]"):
        assert page.run(style, css, "outlineStyle") in {"solid", "dashed"}, css
    for css in (".badge.error", ".pin.error", "td.changed"):
        assert page.run(style, css, "borderTopStyle") == "solid", css
    views = (f"input[value={view}] + span" for view in ("new", "old"))
    chosen, other, canvas = (page.run(style, css, "backgroundColor") for css in (*views, "html"))
    assert chosen not in {other, canvas}
    # Not the rules of level AA: axe reads the page's own colours, which the forced ones replace.
    assert page.keep_tables(2).violations(("wcag2a", "wcag21a", "best-practice")) == []


def test_nothing_moves_for_a_reader_who_asked_for_rest(at: At) -> None:
    page = at("", prefers_reduced_motion="reduce")
    assert page.run(_MOVING) == 0
    assert page.prefer(1440, 900, prefers_reduced_motion="no-preference").run(_MOVING) > 0


#: How many elements move by themselves.
_MOVING = """
const styles = [...document.querySelectorAll("*")].map((one) => getComputedStyle(one));
return styles.filter((style) => style.scrollBehavior === "smooth" || style.animationName !== "none"
  || parseFloat(style.transitionDuration) > 0).length;
"""

# The keyboard, and the order for a screen reader


def test_a_whole_review_works_with_the_keyboard_alone(at: At) -> None:
    page = at()
    page.press(Keys.TAB)
    assert page.run("return document.activeElement.className") == "skip"
    page.press(Keys.ENTER)
    assert page.run("return document.activeElement.tagName") == "MAIN"
    amount = len(page.all(".findings .cause"))
    for _ in range(amount):
        page.press("f")
        # The page holds its place while it draws what lies above.
        page.until(lambda: page.run(IN_SIGHT))
    total = len(page.all("article.table"))
    page.press("ur" * total, "m")
    page.press("Seen on the bench", Keys.ESCAPE, Keys.TAB)
    assert page.text(".reading .progress") == f"{total} of {total} tables read"
    link = page.one(".to-signing")
    page.run("arguments[0].focus()", link)
    page.press(Keys.ENTER)
    assert page.run("return document.activeElement.closest('section').className") == "signoff"
    assert page.run(IN_SIGHT)
    tab_to(page, ".signoff input[type=radio]")
    page.press(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert page.run("return document.activeElement.value") == "changes"
    page.press(Keys.TAB, "Not fit for the trial")
    for field, text in (("name", "Ada Quay"), ("role", "second calibrator")):
        tab_to(page, f".person .{field}")
        page.press(text)
    tab_to(page, ".sign")
    page.press(Keys.ENTER)
    assert "Ada Quay" in page.text(".signature")
    assert page.logged("browser") == []


def tab_to(page: Page, css: str) -> None:
    """Press Tab until an element that matches has the focus."""
    for _ in range(80):
        page.press(Keys.TAB)
        if page.run("return document.activeElement.matches(arguments[0])", css):
            return
    raise AssertionError(f"Tab does not lead to {css}")


@pytest.mark.parametrize("size", [(1440, 900), (360, 640)])
def test_no_stop_of_the_tab_key_is_covered(at: At, size: tuple[int, int]) -> None:
    """Focus Not Obscured (Minimum), WCAG 2.2, 2.4.11."""
    page = at("~findings", size)
    for _ in range(45):
        page.press(Keys.TAB)
        page.until(lambda: page.run(_UNCOVERED))


@pytest.mark.parametrize("size", [(1440, 500), (360, 640)])
def test_the_tab_key_moves_to_a_cell_above_its_details(at: At, size: tuple[int, int]) -> None:
    """Focus Not Obscured (Minimum), WCAG 2.2, 2.4.11."""
    page = at("~findings", size)
    page.press("n", Keys.ARROW_DOWN)
    cell = page.run("return document.activeElement")
    assert cell.tag_name == "td"
    ActionChains(page.chrome).key_down(Keys.SHIFT).send_keys(Keys.TAB).key_up(Keys.SHIFT).perform()
    # At the end of the window, where the details appear once the focus is in the grid.
    page.run("scrollBy(0, arguments[0].getBoundingClientRect().bottom - innerHeight)", cell)
    tab_to(page, "td")
    assert page.run("return document.activeElement") == cell
    page.until(lambda: page.run(_UNCOVERED))


#: Whether some point of what has the focus belongs to it on the screen.
_UNCOVERED = """
const {activeElement} = document;
const points = [...activeElement.getClientRects()].flatMap(({left, right, top, bottom}) =>
  [0.1, 0.5, 0.9].map((share) => [(left + right) / 2, top + share * (bottom - top)]));
return points.map((point) => document.elementFromPoint(...point)).some((hit) =>
  hit && (activeElement.contains(hit) || hit.contains(activeElement)));
"""


def test_headings_and_landmarks_lead_a_screen_reader(at: At) -> None:
    page = at()
    levels = [int(name[1]) for name in page.run(_NAMES, "h1, h2, h3, h4, h5, h6")]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert page.run(_NAMES, "body > header, nav, main") == ["HEADER", "NAV", "MAIN"]
    headings = page.texts("main h2")
    assert headings[0] == "Mistakes and findings" and headings[-1] == "Signing off"
    # The verdict and the worst mistakes are read out before any detail.
    order = page.run(_NAMES, "h1, .verdict, .counts, .worst, .matrix, .image")
    assert order[:5] == ["H1", "P", "UL", "OL", "DIV"]
    assert page.run("return document.querySelector('.toolbar').getAttribute('role')") == "group"


_NAMES = (
    "return [...document.querySelectorAll(arguments[0])].filter((o) => o.offsetParent).map((o) => o.tagName)"
)
