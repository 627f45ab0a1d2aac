"""Reading a change in a browser: numbers, views, keys, links."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from tests.browser import browsing
from tests.browser.conftest import Opened
from tests.browser.documents import (
    Json,
    axis,
    document,
    finding,
    image,
    many,
    smoke_limit,
    table,
    yard,
)
from tests.running import needs_chromium

pytestmark = needs_chromium

SMOKE = smoke_limit()
CHANGED = dict(zip((19, 20, 28), SMOKE["new"], strict=True))


def new_values() -> list[list[str]]:
    cells = [CHANGED.get(number, old) for number, old in enumerate(SMOKE["old"])]
    return [cells[8 * y : 8 * y + 8] for y in range(6)]


def old_values() -> list[list[str]]:
    return [SMOKE["old"][8 * y : 8 * y + 8] for y in range(6)]


#: Whether the cell with the focus is between the bar and the cell's own details.
IN_SIGHT = """
const cell = document.activeElement.getBoundingClientRect();
const article = document.activeElement.closest("article");
const bar = document.querySelector(".toolbar").getBoundingClientRect();
const details = article.querySelector(".details").getBoundingClientRect();
const bottom = Math.min(innerHeight, details.top);
return document.activeElement.matches("td.chosen") && cell.top >= bar.bottom && cell.bottom <= bottom;
"""

#: The text of an element without that of the elements in it.
OWN_TEXT = """
const nodes = [...document.querySelector(arguments[0]).childNodes];
return nodes.filter((node) => node.nodeType === Node.TEXT_NODE).map((node) => node.data).join("");
"""

#: Whether the bar leaves the breakpoints above the cell with the focus in sight.
HEAD_IN_SIGHT = """
const head = document.activeElement.closest("table").tHead.getBoundingClientRect();
return head.top >= document.querySelector(".toolbar").getBoundingClientRect().bottom - 1;
"""
#: Scrolls so that the cell with the focus lies right below the bar.
SCROLL_TO_BAR = """
window.dispatchEvent(new WheelEvent("wheel"));
const bar = document.querySelector(".toolbar").getBoundingClientRect();
window.scrollBy(0, document.activeElement.getBoundingClientRect().top - bar.bottom);
"""

# Numbers


def test_a_grid_shows_every_new_value_of_the_document(seen: Opened) -> None:
    assert seen(yard()).values("smoke_limit") == new_values()


def test_the_old_view_shows_every_old_value_and_the_change_view_nothing_but_signed_differences(
    opened: Opened,
) -> None:
    page = opened(yard())
    page.show("smoke_limit").click("input[value=old]")
    assert page.values("smoke_limit") == old_values()
    page.click("input[value=change]")
    shown = page.values("smoke_limit")
    assert {(x, y): text for y, row in enumerate(shown) for x, text in enumerate(row) if text != "·"} == {
        (3, 2): "+2.5",
        (4, 2): "+30.0",
        (4, 3): "-1.5",
    }


def test_the_heads_of_a_grid_are_the_breakpoints_with_signal_and_unit(seen: Opened) -> None:
    page = seen(yard()).show("smoke_limit")
    assert page.texts("#smoke_limit thead tr:first-child th") == ["Fuel quantity, mg", "Engine speed, rpm"]
    assert page.texts("#smoke_limit thead tr:last-child th[scope=col]") == SMOKE["x"]["old"]
    assert page.texts("#smoke_limit tbody th[scope=row]") == SMOKE["y"]["old"]


def test_the_frame_lies_around_the_operating_range(seen: Opened) -> None:
    page = seen(yard()).show("smoke_limit")
    edges = {}
    for edge in ("left", "right", "top", "bottom"):
        cells = page.cells(f"#smoke_limit .frame-{edge}")
        places = {cell % 8 if edge in {"left", "right"} else cell // 8 for cell in cells}
        edges[edge] = sorted(places)
    assert edges == {"left": [0], "right": [6], "top": [1], "bottom": [4]}
    assert "Framed is the operating range: 800 to 3000 rpm, 15 to 60 mg." in page.texts(
        "#smoke_limit .table-note"
    )


def test_a_changed_cell_is_marked_by_shape_and_words(seen: Opened) -> None:
    page = seen(yard()).show("smoke_limit")
    assert page.texts("#smoke_limit td[data-cell='19'] .mark") == ["▲"]
    assert page.texts("#smoke_limit td[data-cell='19'] .aside") == [", raised by 2.5 from 30.5"]
    assert page.texts("#smoke_limit td[data-cell='28'] .aside") == [", lowered by 1.5 from 35.0"]
    assert page.texts("#smoke_limit td[data-cell='28'] .mark") == ["▼"]
    page.show("monitor")
    assert page.texts("#monitor td .mark") == ["◆"]
    assert page.texts("#monitor td .aside") == [", changed from on"]


def test_a_cell_that_is_off_is_hatched_and_labelled(seen: Opened) -> None:
    page = seen(yard()).show("speed_trim")
    assert page.cells("#speed_trim td.off") == [7]
    assert ", switched off" in page.texts("#speed_trim td.off .aside")


def test_a_breakpoint_that_moved_shows_where_it_was_and_the_details_of_a_cell_say_so(opened: Opened) -> None:
    page = opened(yard()).show("speed_trim")
    assert page.text("#speed_trim th.moved .aside:not(.pin .aside)") == ", moved from 800"
    assert page.texts("#speed_trim th.moved .mark") == ["▲"]
    page.click(page.cell("speed_trim", 0, 0))
    details = page.details("speed_trim")
    assert details["Where"] == "800 → 850 rpm"
    assert details["New"] == "cell unchanged, its breakpoint moved"
    page.press("v")
    assert page.details("speed_trim") == details  # the same in every view, so that nothing moves below
    assert page.run("return document.querySelector('.views input:checked').value") == "old"
    assert page.texts("#speed_trim thead th[scope=col]")[1] == "1000"
    # The old breakpoint is shaded, as it moved since; no sign says so, as it has not moved there yet.
    assert page.run(OWN_TEXT, "#speed_trim th.moved") == "800"
    assert page.all("#speed_trim th.moved .mark") == []
    page.press(Keys.ARROW_RIGHT)
    assert page.details("speed_trim")["Where"] == "1000 rpm"
    assert page.details("speed_trim")["New"] == "unchanged"


def test_the_logged_time_lies_over_the_cells_when_asked_for(opened: Opened) -> None:
    page = opened(yard()).show("smoke_limit")
    text = "Changed cells are in use for 38 % of the logged time; 1 changed cell never reached."
    assert text in page.texts("#smoke_limit .logged")
    assert page.all("#smoke_limit .time") == []
    page.press("t")
    times = page.texts("#smoke_limit .time")
    assert (len(times), times[0], times[47]) == (48, ", 0.2 % of the time", ", 9.6 % of the time")


def test_lists_of_values_may_be_written_as_one_text(opened: Opened) -> None:
    page = opened(yard())
    assert isinstance(yard()["images"][0]["tables"][2]["old"], str)
    assert page.values("speed_trim") == [["10.0", "12.0", "15.0", "20.5", "24.0", "24.0", "22.0", "18.0"]]
    page.hover(page.cell("speed_trim", 3, 0))
    assert page.details("speed_trim")["Percent"] == "+7.9 %"


def test_tests_that_look_at_a_page_share_it_until_somebody_touches_it(seen: Opened) -> None:
    loaded = "return performance.timeOrigin"
    page = seen(yard())
    first = page.run(loaded)
    assert page.values("smoke_limit") == new_values()
    assert seen(yard()).run(loaded) == first
    page.press("v")
    page = seen(yard())
    assert page.run(loaded) > first
    assert page.values("smoke_limit") == new_values()
    assert seen(many(1)).texts(".list .name") == ["Table 0"]


# Details


def test_the_pointer_over_a_cell_shows_everything_about_it(opened: Opened) -> None:
    page = opened(yard())
    page.hover(page.cell("smoke_limit", 4, 3))
    assert page.details("smoke_limit") == {
        "Where": "2200 rpm, 45 mg",
        "Old": "35.0 mg",
        "New": "33.5 mg",
        "Difference": "-1.5 mg",
        "Percent": "-4.3 %",
        "Raw": "350 → 335",
        "Address": "0x0126C",
        "Logged time": "4.0 %",
    }


def test_an_address_follows_the_order_and_the_direction_in_which_cells_are_stored(opened: Opened) -> None:
    columns, rows = 8, 6
    # The fields that say how a table lies in memory, and how many cells precede that of column 4 in row 3;
    # an axis that falls in memory counts from its end.
    ways: list[tuple[str, Json, int]] = [
        ("by_columns", {"order": "y-first"}, 4 * rows + 3),
        ("falling", {"falling": "x"}, 3 * columns + columns - 1 - 4),
    ]
    tables = [{**smoke_limit(), "name": name, **how} for name, how, _ in ways]
    # A point of two software versions has no raw number and no address.
    tables.append({**smoke_limit(), "name": "compared", "points": True})
    page = opened(document([image(0, "boats/heron.bin", tables)]))
    for name, _, before in ways:
        page.hover(page.cell(name, 4, 3))
        assert page.details(name)["Address"] == f"0x{0x1234 + 2 * before:05X}", name
    page.hover(page.cell("compared", 4, 3))
    assert page.details("compared") == {
        "Where": "2200 rpm, 45 mg",
        "Old": "35.0 mg",
        "New": "33.5 mg",
        "Difference": "-1.5 mg",
        "Percent": "-4.3 %",
        "Logged time": "4.0 %",
    }


def test_a_finding_is_pinned_to_its_cell_which_links_to_its_message_and_hint(opened: Opened) -> None:
    page = opened(yard(), height=400)
    page.click(page.cell("smoke_limit", 4, 2))
    assert page.texts("#smoke_limit td.pinned .pin") == ["E error: 1 finding,"]
    assert page.text("#smoke_limit .details .finding") == "Eerror change/suspicious-cell"
    page.press(Keys.TAB, Keys.ENTER)
    focused = page.run("return document.activeElement.textContent")
    assert "56.0 mg stands among 25 and 29 mg.Compare with the neighbours." in focused
    assert page.run(browsing.IN_SIGHT)
    assert page.link == "#finding-0"


def test_a_finding_on_an_axis_is_pinned_to_its_breakpoint(seen: Opened) -> None:
    page = seen(yard()).show("speed_trim")
    assert page.texts("#speed_trim th .pin") == ["N note: 1 finding,"]


def test_a_waived_finding_is_shown_with_who_and_why(seen: Opened) -> None:
    page = seen(yard()).show("overspeed_cut")
    text = page.text("#overspeed_cut .own li")
    assert "Waived by Ada Quay until 2027-01-31: asked for by the skipper" in text


def broken_axis() -> Json:
    """An error on the axis of two of three changed tables, and a note on one of them."""
    tables = [
        table("fuel", [10.0 + n for n in range(48)], {9: 40.0}, nx=8, ny=6),
        table("trim", [10.0 + n for n in range(8)], {7: 40.0}, nx=8),
        table("idle", [800.0], {0: 850.0}, unit="rpm"),
    ]
    result = [
        finding(0, "axis/not-rising", "error", "it falls", table="speed_axis", cell=[6, 0], place="3000 rpm"),
        finding(1, "change/made", "note", "one cell", table="trim", cell=[7, 0]),
    ]
    return document([image(0, "boats/heron.bin", tables)], result)


def test_a_finding_on_an_axis_names_it_and_links_to_every_table_on_it(opened: Opened) -> None:
    page = opened(broken_axis())
    assert page.texts(".list a:has(.badge.error) .name") == ["Fuel", "Trim"]
    assert page.texts(".list a:has(.badge.note) .name") == []
    assert page.text(".findings li.error .place a") == "Axis speed_axis, 3000 rpm"
    assert page.text(".findings li.error .on-axis") == "Changed tables on it: Fuel, Trim."
    page.click(page.all(".findings .on-axis a")[1])
    assert page.link == "#trim"
    assert page.text("#trim .own .on-axis") == "Also on this axis: Fuel."
    assert page.texts("#trim .own .place a") == ["Axis speed_axis, 3000 rpm", "This table"]


def test_findings_keep_the_order_of_the_document(opened: Opened) -> None:
    tables = [
        table("fuel", [10.0, 11.0], {0: 12.0}, nx=2),
        table(
            "smoke", [10.0, 11.0], {0: 12.0}, nx=2, purpose="protection", x=axis("b", "Boost", "kPa", "12")
        ),
    ]
    result = [
        finding(0, "a/a", "error", "fuel", table="fuel"),
        finding(1, "a/b", "error", "smoke", table="smoke"),
        finding(2, "a/c", "warning", "fuel", table="fuel"),
        finding(3, "a/d", "warning", "axis", table="b"),
        finding(4, "a/e", "note", "smoke", table="smoke"),
    ]
    page = opened(document([image(0, "boats/heron.bin", tables)], result))
    assert page.texts(".findings .rule code[title]") == ["a/a", "a/b", "a/c", "a/d", "a/e"]
    seen = []
    for _ in result:
        page.press("f")
        seen.append(page.link)
    assert seen == [f"#finding-{number}" for number in range(5)]


@pytest.mark.parametrize(("state", "is_reported"), [("new", True), ("known", False)])
def test_an_unchanged_image_is_listed_only_if_its_judgement_changed(
    opened: Opened, state: str, is_reported: bool
) -> None:
    result = [finding(0, "a/a", "note", "fuel", state=state)]
    same = image(0, "boats/heron.bin", [], state="same", sentences=[])
    page = opened(document([same], result))
    texts = ["What changed No byte of this image changed, but its definition, its policy or a waiver did."]
    assert [text.replace("changedNo", "changed No") for text in page.texts(".fact.changed")] == (
        texts if is_reported else []
    )


# The keyboard


def test_arrow_keys_move_through_the_cells_and_the_link_goes_with_them(opened: Opened) -> None:
    page = opened(yard())
    page.click(page.cell("smoke_limit", 4, 2))
    page.press(Keys.ARROW_RIGHT, Keys.ARROW_DOWN, Keys.ARROW_DOWN)
    assert page.link == "#smoke_limit/5,4"
    assert page.details("smoke_limit")["Where"] == "2600 rpm, 60 mg"
    page.press(Keys.HOME, Keys.ARROW_LEFT)
    assert page.link == "#smoke_limit/0,4"
    tabbed = page.run("return [...document.querySelectorAll('#smoke_limit td[tabindex=\"0\"]')].length")
    assert tabbed == 1
    # One key goes through the three views.
    views = []
    for _ in range(3):
        page.press("v")
        views.append(page.run("return document.querySelector('#smoke_limit table').className"))
    assert views == ["old", "change", "new"]


def test_next_and_previous_change_go_from_cell_to_cell_and_on_to_the_next_table(opened: Opened) -> None:
    page = opened(yard(), "#smoke_limit")
    # To other tables and back, which visits no cell.
    for key, name in (("j", "overspeed_cut"), ("j", "speed_trim"), ("k", "overspeed_cut")):
        page.press(key)
        assert page.link == f"#{name}"
        assert page.run("return document.activeElement.id") == name
    assert page.texts(".list a[aria-current] .name") == ["Overspeed cut"]
    page.press("k")
    seen = []
    for key in "nnnnpp":
        page.press(key)
        seen.append(page.link)
    cells = ["#smoke_limit/3,2", "#smoke_limit/4,2", "#smoke_limit/4,3"]
    assert seen == [*cells, "#overspeed_cut/0,0", cells[2], cells[1]]


def test_each_next_change_is_another_one_in_its_table(opened: Opened) -> None:
    page = opened(many(12, changed=1))
    for number in range(8):
        page.press("n")
        assert page.link.startswith(f"#table_{number}/")
        assert page.run(IN_SIGHT)
        assert page.texts(".list a[aria-current] .name") == [f"Table {number}"]
    page.press("r")
    assert page.texts(".list .read .name") == ["Table 7"]


def test_the_chosen_cell_stays_in_sight_while_what_is_above_it_is_drawn(opened: Opened) -> None:
    page = opened(many(12), "#table_3")
    # Not every browser holds the page still by itself.
    page.run("document.documentElement.style.overflowAnchor = 'none'")
    page.run(
        "document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'n', bubbles: true}));"
        "document.querySelector('.legend').style.height = '3000px';"
    )
    page.until(lambda: page.run(IN_SIGHT))
    page.press("r")
    assert page.texts(".list .read .name") == ["Table 3"]


def test_keys_act_on_the_highlighted_table_which_goes_with_a_reader_who_scrolls(opened: Opened) -> None:
    page = opened(many(12), "#table_1")
    ActionChains(page.chrome).scroll_by_amount(0, 3000).perform()
    page.until(lambda: page.texts(".list a[aria-current] .name") != ["Table 1"])
    page.until_still("return [scrollY, document.querySelector('[aria-current]').hash]")
    current = page.texts(".list a[aria-current] .name")
    assert page.run("return document.querySelector('[aria-current]').hash") != "#table_0"
    page.press("r")
    assert page.texts(".list .read .name") == current


def test_the_highlight_goes_with_a_table_that_others_push_into_view(opened: Opened) -> None:
    page = opened(many(12), "#table_1")
    page.until(lambda: page.texts(".list a[aria-current] .name") == ["Table 1"])
    # Not every browser holds the page still by itself, and the page no longer does.
    page.run(
        "document.documentElement.style.overflowAnchor = 'none';"
        "window.dispatchEvent(new WheelEvent('wheel'));"
        "const [above, current] = document.querySelectorAll('article');"
        "const step = current.getBoundingClientRect().top - above.getBoundingClientRect().top;"
        "document.querySelector('.legend').style.height = `${step}px`;"
    )
    page.until(lambda: page.texts(".list a[aria-current] .name") == ["Table 0"])
    # As a window does that is entered again: the focus is still on the table that is out of view.
    page.run(
        "document.querySelectorAll('article')[1].dispatchEvent(new FocusEvent('focusin', {bubbles: true}));"
    )
    page.press("r")
    assert page.texts(".list .read .name") == ["Table 0"]


def test_the_table_that_is_ticked_by_pointer_is_the_highlighted_one(opened: Opened) -> None:
    page = opened(yard(), "#smoke_limit").show("speed_trim")
    page.click("#speed_trim .signing input")
    page.until(lambda: page.texts(".list a[aria-current] .name") == ["Speed trim"])


def test_next_and_previous_finding_go_through_all_of_them_worst_first(opened: Opened) -> None:
    page = opened(yard())
    seen = []
    for key in ("f", "f", "f", "F"):
        page.press(key)
        seen.append(page.link)
    assert seen == ["#finding-0", "#finding-1", "#finding-2", "#finding-1"]
    page.press("F")
    assert page.run("return document.activeElement.dataset.cell") == "20"


def test_keys_are_shown_and_can_be_switched_off(opened: Opened) -> None:
    page = opened(yard(), "#smoke_limit")
    page.press("?")
    assert page.one("dialog").is_displayed()
    assert len(page.texts("dialog kbd")) > 10
    page.click("dialog input")
    page.press(Keys.ESCAPE)
    page.press("j")
    assert page.link == "#smoke_limit"


def test_a_letter_in_a_remark_is_a_letter(opened: Opened) -> None:
    page = opened(yard(), "#smoke_limit")
    page.press("m")
    page.press("jvn")
    assert page.one("#smoke_limit .signing textarea").get_attribute("value") == "jvn"
    assert page.link == "#smoke_limit"


def test_the_chosen_cell_is_not_behind_its_own_details(opened: Opened) -> None:
    message = "One value stands far out among its neighbours, as nobody meant it to. " * 3
    result = [
        finding(n, "change/suspicious-cell", "error", message, table="smoke_limit", cell=[4, y], hint=message)
        for n, y in enumerate((4, 4, 4, 5, 5, 5))
    ]
    first, *others = [(1280, 720), (1366, 768), (1024, 600), (960, 540), (700, 500)]
    page = opened(
        document([image(0, "boats/heron.bin", [smoke_limit()])], result), "#smoke_limit/4,3", *first
    )
    for size in (first, *others):
        if size != first:
            page.press(Keys.HOME)
            page.screen(*size).run("location.hash = '#smoke_limit/4,3'")
            page.until(lambda: page.run("return document.activeElement.dataset.cell") == "28")
        for key in (Keys.ARROW_DOWN, Keys.ARROW_DOWN, Keys.ARROW_UP, Keys.ARROW_UP, Keys.ARROW_UP):
            assert page.run(IN_SIGHT), size
            page.press(key)
        assert page.run(IN_SIGHT), size
        assert page.link == "#smoke_limit/4,2"
        # A reader who scrolls as far as the cell stays in sight moves up to one that the bar covers.
        page.run(SCROLL_TO_BAR)
        page.press(Keys.ARROW_UP)
        assert page.run(IN_SIGHT), size
        assert page.run(HEAD_IN_SIGHT), size


# Links


def test_a_link_opens_a_cell(opened: Opened) -> None:
    page = opened(yard(), "#smoke_limit/4,3")
    assert page.run("return document.activeElement.dataset.cell") == "28"
    assert page.details("smoke_limit")["New"] == "33.5 mg"
    assert page.text(".toolbar .status") == ""


def test_a_link_opens_a_finding_with_its_cell_or_its_words(opened: Opened) -> None:
    page = opened(yard(), "#finding-0")
    assert page.run("return document.activeElement.dataset.cell") == "20"
    page.run("location.hash = '#finding-1'")  # which has no table
    text = "2 bytes are explained by nothing."
    focused = "return document.activeElement.closest('li')?.textContent ?? ''"
    page.until(lambda: text in page.run(focused), text)
    page.run("location.hash = '#0.speed_trim/3,0'")  # with its image, of which there is only one
    page.until(lambda: page.run("return document.activeElement.dataset.cell") == "3")
    assert page.run("return document.activeElement.closest('article').id") == "speed_trim"
    # A link to a finding that the filter hides shows it too.
    page.press("/", "trim")
    assert page.text(".list .status") == "trim: 1 of 3 findings, 1 of 4 tables shown."
    page.click("a[href='#finding-1']")
    assert text in page.run(focused)
    assert page.text(".toolbar > .status") == "The filter is cleared: it hid this."
    assert page.text(".list .status") == ""


def test_links_tell_the_tables_of_several_images_apart(opened: Opened) -> None:
    tables = [smoke_limit()]
    page = opened(
        document([image(0, "boats/gannet.bin", tables), image(1, "boats/heron.bin", tables)]),
        "#1.smoke_limit/0,1",
    )
    assert page.run("return document.activeElement.closest('article').dataset.image") == "1"
    page.press("j", "k", "k")
    assert page.link == "#0.smoke_limit"


def test_a_link_to_nothing_leaves_the_page_as_it_is(opened: Opened) -> None:
    page = opened(yard(), "#nowhere/9,9")
    assert page.text("h1") == "boats/heron.bin"
    assert page.text(".toolbar .status") == "This link names nothing here."
    assert page.logged("browser") == []


def test_a_dangling_link_is_reported_as_one(opened: Opened) -> None:
    page = opened(yard(), "#smoke_limit/9,9")
    no_cell, nothing = "This link names no cell of this table.", "This link names nothing here."
    assert page.text(".toolbar .status[role=status]") == no_cell
    # Each other link takes the message away or brings one.
    for link, message in (
        ("#monitor", ""),
        ("#nonsense", nothing),
        ("#smoke_limit/4,3", ""),
        ("#finding-99", nothing),
        ("#~tables", ""),
        ("#%zz", nothing),
        ("#", ""),
        ("#smoke_limit/9,9", no_cell),
    ):
        page.run("location.hash = arguments[0]", link)
        page.until(lambda message=message: page.text(".toolbar .status") == message, f"{link}: {message}")


# The list


def test_the_list_has_every_table_in_the_order_of_the_document(opened: Opened) -> None:
    page = opened(yard())
    assert page.texts(".list .name") == ["Smoke limit", "Overspeed cut", "Speed trim", "Monitor"]
    page.click(page.all(".list .tables a")[2])
    assert page.link == "#speed_trim"
    # A link to a table that the filter hides shows it.
    page.press("/")
    page.press("trim")
    assert page.text(".list .status").startswith("trim: ")
    page.run("location.hash = '#smoke_limit/4,2'")
    page.until(lambda: page.run("return document.activeElement.dataset.cell") == "20")
    assert page.text(".list .status") == ""
    page.press("/", "trim")
    page.click(".first a[href='#overspeed_cut']")
    assert page.run("return document.activeElement.id") == "overspeed_cut"
    assert page.one("#overspeed_cut").is_displayed()
    assert page.text(".list .status") == ""


def test_a_link_opens_a_cell_among_hundreds_of_tables(opened: Opened) -> None:
    page = opened(many(200, nx=4, ny=4, changed=2))
    page.run("location.hash = '#table_150/3,2'")
    page.until(lambda: page.run("return document.activeElement.dataset.cell") == "11")
    top = page.run("return document.getElementById('table_150').getBoundingClientRect().top")
    assert -1000 < top < 1000
    # Pictures are drawn near the window only.
    page.until(lambda: page.all("#table_150 .pictures svg"))
    assert page.all("#table_75 .pictures svg") == []
