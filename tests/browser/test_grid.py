"""Tables in a browser: views, side by side, headers, folded rows, overview, and search."""

from __future__ import annotations

from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from tests.browser.browsing import Page
from tests.browser.conftest import Opened
from tests.browser.documents import Json, axis, document, finding, image, joined, many, table, yard
from tests.running import needs_chromium

pytestmark = needs_chromium

VIEWS = ("new", "old", "change")


def map_of(nx: int, ny: int, changed: dict[int, float], name: str = "fuel", **more: Any) -> Json:
    """A map of any size with breakpoints in steps of 100 rpm and 2 mg; no two of its cells are equal."""
    old = [1000.0 + cell for cell in range(nx * ny)]
    x = axis("speed_axis", "Engine speed", "rpm", [str(600 + 100 * n) for n in range(nx)])
    y = axis("quantity_axis", "Fuel quantity", "mg", [str(2 + 2 * n) for n in range(ny)])
    return table(name, old, changed, nx=nx, ny=ny, **{"x": x, "y": y, **more})


def folding() -> Json:
    """Two maps of 20 rows, in which a change, findings, and an operating range keep rows in sight."""
    y = axis("q_axis", "Fuel quantity", "mg", [str(2 + 2 * n) for n in range(20)], operating=[6, 18])
    made = map_of(6, 20, {6 * 12 + 3: 2000.0}, y=y)
    other = map_of(6, 20, {2: 2000.0}, "other", y={**y, "name": "r_axis"})
    places = [("fuel", 2), ("other", 12), ("other", 9)]
    findings = [
        finding(number, "value/out-of-range", "warning", "too much", table=name, cell=[1, row])
        for number, (name, row) in enumerate(places)
    ]
    return document([image(0, "boats/heron.bin", [joined(made), joined(other)])], findings)


def shown_rows(page: Page, name: str = "fuel") -> list[int]:
    """The rows of a grid that eyes see."""
    return page.run(  # type: ignore[no-any-return]
        "return [...document.querySelectorAll(`#${arguments[0]} .scroll:not(.beside) tr`)].filter((row) =>"
        " row.querySelector('td[data-cell]') && row.checkVisibility({contentVisibilityAuto: false}))"
        ".map((row) => Math.floor(row.querySelector('td').dataset.cell / arguments[1]))",
        name, 6,
    )  # fmt: skip


# Views


#: The edges of everything in a table, from its upper left corner; and the cells whose text is cut off.
_PLACES = """
const article = document.getElementById(arguments[0]);
const {left, top} = article.getBoundingClientRect();
const parts = [...article.querySelectorAll(".scroll :is(th, td), .scroll, .details, .signing")];
return [parts.map((part) => {
  const box = part.getBoundingClientRect();
  const edges = [box.left - left, box.top - top, box.right - left, box.bottom - top];
  return edges.map((edge) => Math.round(4 * edge));
}), parts.filter((part) => part.matches("th, td") && part.scrollWidth > part.clientWidth + 1)
  .map((part) => part.outerHTML)];
"""


@pytest.mark.parametrize("width", [1400, 360, 1800])
def test_no_view_moves_a_column_a_row_or_what_is_below_them(opened: Opened, width: int) -> None:
    wide_states = {
        **table("mode", [0.0], {0: 1.0}, unit="", states=True),
        "old": ["on"], "new": ["limited by the coolant temperature"], "difference": [""], "percent": [""],
    }  # fmt: skip
    made = yard()
    made["images"][0]["tables"].append(wide_states)
    page = opened(made, width=width)
    for name in ("smoke_limit", "overspeed_cut", "speed_trim", "monitor", "mode"):
        page.show(name)
        page.until_still(_PLACES, name)
        for times in range(2):
            places = []
            for _ in VIEWS:
                edges, cut_off = page.run(_PLACES, name)
                places.append(edges)
                assert cut_off == []
                page.press("v")
            assert places[0] == places[1] == places[2], (name, times)
            page.press("t")


def test_a_held_key_shows_the_old_values_until_it_is_let_go(opened: Opened) -> None:
    page = opened(yard())

    def value() -> str:
        return page.values("smoke_limit")[2][4]

    def hold() -> None:
        ActionChains(page.chrome).key_down("o").perform()

    def release() -> None:
        ActionChains(page.chrome).key_up("o").perform()

    assert value() == "62.0"
    hold()
    assert value() == "32.0"
    assert page.run("return document.querySelector('.views input:checked').value") == "old"
    release()
    assert value() == "62.0"
    page.click("input[value=old]")  # the same without holding a key
    assert value() == "32.0"
    hold()
    assert value() == "62.0"
    page.run("window.dispatchEvent(new Event('blur'))")
    assert value() == "32.0"
    release()


def test_a_view_keeps_the_cell_that_has_the_focus(opened: Opened) -> None:
    page = opened(yard(), "#smoke_limit/4,3")
    for _ in VIEWS:
        page.press("v")
        assert page.run("return document.activeElement.dataset.cell") == "28"


# Side by side


def test_a_wide_window_shows_old_and_new_side_by_side_which_scroll_and_mark_together(opened: Opened) -> None:
    made = map_of(40, 40, {40 * 20 + 20: 2000.0})
    page = opened(document([image(0, "boats/heron.bin", [made])]), "#fuel/20,20", width=1800)
    changed = page.texts("#fuel td.changed")
    assert [text.split(",")[0] for text in changed] == ["1820.0", "▲2000.0"]
    assert page.texts("#fuel caption") == ["Fuel, old values in mg", "Fuel, new values in mg"]
    old, new = page.run(_BOXES)
    assert old["right"] < new["left"]
    assert old["top"] == new["top"]
    tops = page.run(_ROW_TOPS)
    assert tops[0] == tops[1]
    page.press("e")
    opened_tops = page.run(_ROW_TOPS)
    assert opened_tops[0] == opened_tops[1]
    assert len(opened_tops[0]) > len(tops[0])
    page.run("document.querySelectorAll('#fuel .scroll')[1].scrollTo(700, 300)")
    page.until(lambda: page.run(_SCROLLED)[0] == page.run(_SCROLLED)[1] != [0, 0])
    page.run("document.querySelectorAll('#fuel .scroll')[0].scrollTo(0, 50)")
    page.until(lambda: page.run(_SCROLLED) == [[0, 50], [0, 50]])
    page.click(page.all("#fuel .beside td[data-cell='120']")[0])
    assert page.link == "#fuel/0,3"
    assert len(page.all("#fuel td.chosen[data-cell='120']")) == 2
    page.hover(page.all("#fuel .beside td[data-cell='121']")[0])
    assert len(page.all("#fuel td.pointed[data-cell='121']")) == 2
    page.click("label.beside input")
    assert [box.is_displayed() for box in page.all("#fuel .scroll")] == [False, True]
    page.click("label.beside input")
    page.screen(1400, 1000)
    page.until(lambda: [box.is_displayed() for box in page.all("#fuel .scroll")] == [False, True])


def test_axe_finds_nothing_in_a_wide_window(opened: Opened) -> None:
    made = map_of(4, 22, {5: 2000.0})
    page = opened(document([image(0, "boats/heron.bin", [made])]), "#fuel", width=1800)
    assert len(page.all("#fuel .overview, #fuel .fold, #fuel .beside")) == 4
    assert page.small_targets() == []
    assert page.violations() == []


_EACH = "return [...document.querySelectorAll('#fuel .scroll')].map((box) =>"
_BOXES = f"{_EACH} box.getBoundingClientRect().toJSON())"
_SCROLLED = f"{_EACH} [box.scrollLeft, box.scrollTop])"
_ROW_TOPS = """
return [...document.querySelectorAll("#fuel .scroll")].map((box) => [...box.querySelectorAll("tr")].filter(
  (row) => row.checkVisibility({contentVisibilityAuto: false}))
  .map((row) => Math.round(row.lastChild.getBoundingClientRect().top)));
"""


# Headers


@pytest.mark.parametrize(("width", "height"), [(1400, 1000), (360, 640)])
def test_both_headers_of_a_large_grid_stay_in_sight(opened: Opened, width: int, height: int) -> None:
    made = map_of(50, 50, dict.fromkeys(range(0, 50 * 50, 51), 9000.0))
    page = opened(document([image(0, "boats/heron.bin", [made])]), "#fuel/46,46", width=width, height=height)
    page.until_still(_HEADERS)
    for keys in ((), [*[Keys.ARROW_LEFT] * 9, *[Keys.ARROW_UP] * 20]):
        page.press(*keys)
        edges = page.run(_HEADERS)
        assert edges["scrolled"][0] > 500
        assert edges["scrolled"][1] > 500
        assert edges["head"]["top"] == pytest.approx(edges["box"]["top"], abs=1)
        assert edges["row"]["left"] == pytest.approx(edges["box"]["left"], abs=1)
        assert edges["corner"]["left"] == pytest.approx(edges["box"]["left"], abs=1)
        # The chosen cell is behind neither header nor the bar of the page.
        assert edges["cell"]["left"] >= edges["row"]["right"] - 1
        assert edges["cell"]["top"] >= edges["head"]["bottom"] - 1
        assert edges["cell"]["bottom"] <= height
        assert edges["head"]["top"] >= edges["bar"]["bottom"] - 1
    assert page.link == "#fuel/37,26"


_HEADERS = """
const edges = (css) => document.querySelector(css).getBoundingClientRect().toJSON();
const box = document.querySelector("#fuel .scroll");
const cell = document.querySelector("#fuel td.chosen");
const row = cell.closest("tr").querySelector("th").getBoundingClientRect().toJSON();
return {box: edges("#fuel .scroll"), head: edges("#fuel thead"), row, bar: edges(".toolbar"),
  corner: edges("#fuel th.signal"), cell: cell.getBoundingClientRect().toJSON(),
  scrolled: [box.scrollLeft, box.scrollTop]};
"""


# Folded rows


def test_runs_of_unchanged_rows_fold_to_a_line_with_their_number_and_breakpoints(opened: Opened) -> None:
    page = opened(folding()).show("fuel")
    # In sight are the finding in row 2, the change in row 12 with its neighbours, and the ends of the frame.
    assert shown_rows(page) == [0, 1, 2, 6, 11, 12, 13, 18, 19]
    assert page.texts("#fuel .fold button") == [
        "rows 8 to 12 mg: 3 unchanged",
        "rows 16 to 22 mg: 4 unchanged",
        "rows 30 to 36 mg: 4 unchanged",
    ]
    page.show("other")
    assert shown_rows(page, "other") == [0, 1, 6, 7, 8, 9, 10, 11, 12, 18, 19]


def test_folded_rows_open_by_a_button_and_by_keys_and_stay_open(opened: Opened) -> None:
    page = opened(folding()).show("fuel")
    button = page.all("#fuel .fold button")[1]
    assert button.get_attribute("aria-expanded") == "false"
    button.send_keys(Keys.ENTER)
    with_second = [0, 1, 2, 6, 7, 8, 9, 10, 11, 12, 13, 18, 19]
    assert shown_rows(page) == with_second
    assert button.get_attribute("aria-expanded") == "true"
    page.press("v", "t", "j", "k", "v")
    assert shown_rows(page) == with_second
    page.click(page.cell("fuel", 2, 13))
    page.press(Keys.ARROW_DOWN)  # into folded rows
    assert page.link == "#fuel/2,14"
    assert shown_rows(page) == [*with_second[:-2], 14, 15, 16, 17, 18, 19]
    page.press("e")
    assert shown_rows(page) == list(range(20))
    page.press("e")
    assert shown_rows(page) == [0, 1, 2, 6, 11, 12, 13, 18, 19]


def test_a_link_to_a_folded_cell_opens_its_rows(opened: Opened) -> None:
    page = opened(folding(), "#fuel/4,15")
    assert shown_rows(page) == [0, 1, 2, 6, 11, 12, 13, 14, 15, 16, 17, 18, 19]
    assert page.run("return document.activeElement.dataset.cell") == str(6 * 15 + 4)


def test_nothing_folds_where_a_column_moved_and_no_moved_row_does(opened: Opened) -> None:
    x = axis("speed_axis", "Engine speed", "rpm", ["600", "700"], new=["600", "750"])
    quantities = [str(2 + 2 * n) for n in range(12)]
    y = axis("q_axis", "Fuel quantity", "mg", quantities, new=[*quantities[:8], "19", *quantities[9:]])
    tables = [map_of(2, 12, {0: 2.0}, "moved_column", x=x), map_of(2, 12, {0: 2.0}, "moved_row", y=y)]
    page = opened(document([image(0, "boats/heron.bin", tables)])).show("moved_row")
    assert page.texts("#moved_column .fold") == []
    assert page.texts("#moved_row .fold button") == ["rows 6 to 14 mg: 5 unchanged"]


def test_the_printed_page_has_the_folded_rows(opened: Opened) -> None:
    page = opened(folding())
    paper = page.pdf()
    assert [cell for cell in range(120) if cell != 75 and f"{1000 + cell}.0" not in paper] == []
    assert "unchanged" not in paper
    assert len(page.show("fuel").all("#fuel .fold button[aria-expanded=false]")) == 3


# The overview


def test_an_overview_of_a_large_grid_links_to_places_in_it(opened: Opened) -> None:
    made = map_of(40, 40, dict.fromkeys(range(0, 40 * 40, 41), 9000.0))
    small = map_of(6, 6, {3: 2000.0}, "small")
    page = opened(document([image(0, "boats/heron.bin", [made, small])]), "#fuel")
    assert page.all("#small .overview") == []
    pad = page.one("#fuel .overview .pad")
    assert page.texts("#fuel .overview p")[0] == "All 1,600 cells, 40 changed cells dark."
    path = page.one("#fuel .overview path.changed").get_attribute("d") or ""
    assert path.count("M") == 40
    assert path.startswith("M0 0h1v1h-1zM1 1")
    width, height = pad.size["width"], pad.size["height"]
    ActionChains(page.chrome).move_to_element_with_offset(pad, 0.4 * width, -0.4 * height).click().perform()
    x, y = (int(index) for index in page.link.removeprefix("#fuel/").split(","))
    assert x == pytest.approx(36, abs=2)
    assert y == pytest.approx(4, abs=2)
    part = page.until_still(_PART)
    assert part["x"] <= x < part["x"] + part["width"]
    assert part["y"] <= y < part["y"] + part["height"]
    assert part["width"] < 30
    pad.send_keys(Keys.HOME)
    page.until(lambda: (page.run(_PART)["x"], page.run(_PART)["y"]) == (0, 0))
    pad.send_keys(Keys.ARROW_RIGHT)
    page.until(lambda: page.run(_PART)["x"] > 3)
    pad.send_keys(Keys.END)
    page.until(lambda: page.run(_PART)["x"] + page.run(_PART)["width"] == 40)
    part = page.until_still(_PART)
    first, last = (600 + 100 * (part["x"] + n) for n in (0, part["width"] - 1))
    assert f"In sight: {first:.0f} to {last:.0f} rpm, " in page.text("#fuel .overview .place")
    pad.send_keys(Keys.ENTER)
    x, y = (int(index) for index in page.link.removeprefix("#fuel/").split(","))
    assert part["x"] < x < 39
    assert part["y"] < y <= 39
    assert page.run("return document.activeElement.dataset.cell") == str(40 * y + x)


_PART = """
const part = document.querySelector("#fuel .overview .visible");
const names = ["x", "y", "width", "height"];
return Object.fromEntries(names.map((name) => [name, Number(part.getAttribute(name))]));
"""


# Search


def test_the_search_of_the_browser_finds_values_in_distant_tables_and_folded_rows(opened: Opened) -> None:
    """A link to a text finds it as the browser's search does, and opens what is hidden until it is found."""
    tables = [map_of(6, 12, {cell: 2.0}, f"map_{cell}") for cell in range(30)]
    tables.append(map_of(6, 12, {0: 2.0}, "last", y=axis("q", "Fuel", "mg", [str(n) for n in range(12)])))
    cells = [f"{7000 + cell}.0" for cell in range(72)]
    tables[-1] = {**tables[-1], "old": cells}
    page = opened(document([image(0, "boats/heron.bin", tables)]))
    page.until(lambda: len(page.all("article .scroll table")) == 31)
    assert page.texts("#last .fold button") == ["rows 2 to 11 mg: 10 unchanged"]
    # Only grids are drawn ahead: a picture waits for a reader who comes near.
    drawn = page.until_still("return document.querySelectorAll('.pictures svg').length")
    assert drawn > 0 and page.all("#last .pictures svg") == []
    page.chrome.get(f"{page.file.as_uri()}#:~:text=7070.0")
    page.until(lambda: page.texts("#last .fold.open button") == ["rows 2 to 11 mg: 10 unchanged"])
    page.until(lambda: 0 < page.run(_TOP_OF, "7070.0") < 1000)


_TOP_OF = """
const cells = [...document.querySelectorAll("td")].filter((cell) => cell.textContent === arguments[0]);
return cells[0].getBoundingClientRect().top;
"""


def test_all_values_of_hundreds_of_tables_can_be_found_once_a_search_begins(opened: Opened) -> None:
    page = opened(many(120, nx=4, ny=4, changed=2))
    drawn = "return document.querySelectorAll('article .scroll table').length"
    # All at once, before the browser is idle and before its search opens.
    page.run(
        "document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'f', ctrlKey: true, bubbles: true}))"
    )
    assert page.run(drawn) == 120
    assert page.all("#table_119 .surface") == []  # pictures wait for the reader
    page.press("v")
    page.until(lambda: page.run("return document.querySelectorAll('article table.old').length") == 120)
