"""The pictures of a changed table in a browser: surfaces, plots, scales."""

from __future__ import annotations

from collections.abc import Callable
from operator import ne
from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from tests.browser.browsing import Page
from tests.browser.conftest import Opened
from tests.browser.documents import SPEEDS, Json, axis, document, image, smoke_limit, table, yard
from tests.running import needs_chromium

pytestmark = needs_chromium

CURVE = [10.0, 12.0, 15.0, 19.0, 24.0, 24.0, 22.0, 18.0]


def bound(kind: str, side: str, value: float) -> Json:
    return {"kind": kind, "side": side, "value": value, "text": f"{kind} {side} {value:g} mg"}


def wide() -> Json:
    """A map of 40 × 20 with values up to 600 in which one cell rose by 4 %."""
    nx, ny = 40, 20
    old = [100.0 + 10 * x + 5 * y for y in range(ny) for x in range(nx)]
    cell = 10 * nx + 30
    return table(
        "wide", old, {cell: round(1.04 * old[cell], 1)}, nx=nx, ny=ny,
        x=axis("a", "Engine speed", "rpm", [str(600 + 100 * n) for n in range(nx)]),
        y=axis("b", "Fuel quantity", "mg", [str(2 + 4 * n) for n in range(ny)]),
    )  # fmt: skip


def drawn() -> Json:
    """A map that stays below another one, a curve with all that can be drawn in, and scalars."""
    trim = table(
        "trim", CURVE, {3: 20.5, 6: 21.0}, nx=8,
        bounds=[bound("limit", "above", 26), bound("expected", "below", 9), bound("guard", "above", 500)],
        base={"cells": [[0, 1], [7, 1]], "values": [9.0, None]},
        relations=[{
            "kind": "at-most", "name": "cap", "title": "Cap", "text": "must not be above cap", "broken": True,
            "x": {"points": 3, "at": [800, 1800, 3400], "values": [25, 20, 25], "breaks": [[0, 1800, 20.5]]},
        }],
        logged={"share": "38 %", "never": 1, "cells": [0.0, 0.1, 0.4, 0.2, 0.1, 0.1, 0.1, 0.0]},
    )  # fmt: skip
    moved = table(
        "moved", CURVE, {}, nx=8, x=axis("a", "Engine speed", "rpm", SPEEDS, new=["900", *SPEEDS[1:]]),
        outputs={
            "x": [800, 900, *map(int, SPEEDS[1:])], "x_of": [1, 2, 3, 4, 5, 6, 7, 8],
            "differences": [0, -1, 0, 0, 0, 0, 0, 0, 0],
        },
    )  # fmt: skip
    unknown = table(
        "unknown", CURVE, {}, nx=8, x=axis("b", "Engine speed", "rpm", SPEEDS, new=[*SPEEDS[:7], "2040"])
    )
    row = {"points": 2, "at": [800, 3400], "values": [90] * 12, "breaks": [[2, 2200, 56]]}
    bounded = {
        **smoke_limit(),
        "relations": [{
            "kind": "at-most", "name": "cap", "title": "Cap", "text": "must not be above cap", "broken": True,
            "x": row,
        }],
    }  # fmt: skip
    cut = table(
        "cut", [4250.0], {0: 4550.0}, unit="rpm",
        bounds=[bound("limit", "above", 4600), bound("guard", "above", 4500), bound("limit", "below", -1000)],
    )  # fmt: skip
    plain = table("plain", [4250.0], {0: 4550.0}, unit="rpm")
    return document([image(0, "boats/heron.bin", [bounded, trim, moved, unknown, cut, plain])])


def numbers(path: str) -> list[float]:
    return [float(word) for word in path.replace("M", " ").replace("L", " ").split()]


def shown(page: Page, name: str) -> Page:
    """A table in sight with its pictures."""
    page.show(name)
    page.until(lambda: page.all(f"#{name} figure svg"))
    return page


def path_of(page: Page, css: str) -> list[float]:
    return numbers(page.run("return document.querySelector(arguments[0]).getAttribute('d')", css))


# Curves and cuts


def test_a_curve_is_plotted_old_dashed_and_new_solid(seen: Opened) -> None:
    page = shown(seen(yard()), "speed_trim")
    assert page.texts("#speed_trim .plot .name")[:2] == ["old", "new"]
    style = "return getComputedStyle(document.querySelector(arguments[0])).strokeDasharray"
    assert page.run(style, "#speed_trim .line.old") != "none"
    assert page.run(style, "#speed_trim .line.new") == "none"
    old, new = (path_of(page, f"#speed_trim .line.{item}") for item in ("old", "new"))
    # The last cell is off, and no number.
    assert len(old) == len(new) == 2 * 7
    assert old[7] > new[7]  # the raised cell stands higher on the picture


def test_no_value_axis_has_a_negative_nought(opened: Opened) -> None:
    made = table("trim", [-0.3, -0.1, 0.2, 4.0], {3: 4.5}, nx=4)
    page = shown(opened(document([image(0, "boats/heron.bin", [made])])), "trim")
    ticks = page.texts("#trim .plot text[text-anchor=end]")
    assert "0" in ticks
    assert "-0" not in ticks


def test_a_picture_draws_bounds_base_related_table_and_difference_in(seen: Opened) -> None:
    page = shown(seen(drawn()), "trim")
    names = page.texts("#trim .plot .name")
    # The guard is far above the values: words say so.
    assert sorted(names) == ["base", "difference", "expected", "limit", "new", "old", "other"]
    note = page.text("#trim .picture-note")
    assert note == (
        "The table must not be above cap (other in the pictures), but is not. "
        "Bounds: limit above 26 mg; expected below 9 mg; guard above 500 mg (outside the picture)."
    )
    assert page.text("#trim figcaption") == "Old dashed, new solid, base dotted. Crosses: broken relation."
    other, new = (path_of(page, f"#trim .line.{item}") for item in ("other", "new"))
    assert other[2] == pytest.approx(new[6], abs=0.1)  # 1800 rpm
    assert other[3] > new[7]  # the curve is above the other table there
    (cross,) = page.all("#trim .break")
    assert cross.is_displayed()
    assert len(path_of(page, "#trim .line.base")) == 2 * 7  # the base has no number in the last cell
    assert [len(page.all(f"#trim .tip.{item}")) for item in ("raised", "lowered")] == [1, 1]
    label = page.one("#trim .plot").get_attribute("aria-label")
    assert label == (
        "Trim: old and new values by Engine speed, rpm. Old from 10 mg to 24 mg, new from 10 mg to 24 mg; "
        "2 cells changed, 1800 rpm: 19.0 → 20.5 mg."
    )


def test_the_logged_time_lies_over_the_pictures_when_asked_for_and_cuts_follow_the_chosen_cell(
    opened: Opened,
) -> None:
    page = shown(opened(drawn()), "trim")
    assert page.all("#trim .times rect") == []
    page.press("t")
    heights = page.run(
        "return [...document.querySelectorAll('#trim .times rect')].map((bar) => bar.height.baseVal.value)"
    )
    assert [round(height / max(heights), 3) for height in heights] == [0.25, 1, 0.5, 0.25, 0.25, 0.25]
    assert "Bars: share of the logged time, at most 40.0 %." in page.text("#trim figcaption")
    shown(page, "smoke_limit")
    page.until(lambda: len(page.all("#smoke_limit .surface.new .times circle")) == 48)
    page.press("t")
    assert page.all("#smoke_limit .times circle") == []
    cuts_through_a_map_follow_the_chosen_cell(page)


def test_moved_breakpoints_show_the_difference_of_the_outputs(seen: Opened) -> None:
    page = shown(seen(drawn()), "moved")
    assert page.text("#moved figcaption") == "Old dashed, new solid. The difference is that of the outputs."
    line = path_of(page, "#moved .line.change")
    assert len(line) == 2 * 9
    assert line[3] > line[1] == line[5]  # lower at 900 rpm only
    shown(page, "unknown")
    assert page.texts("#unknown .changes text") == ["the difference of the outputs is unknown"]


def cuts_through_a_map_follow_the_chosen_cell(page: Page) -> None:
    page.click(page.cell("smoke_limit", 4, 2))
    cuts = "#smoke_limit .cut-x figcaption, #smoke_limit .cut-y figcaption"
    page.until(lambda: len(page.texts(cuts)) == 2)
    assert page.texts(cuts) == [
        "Cut at 30 mg; old dashed, new solid. Crosses: broken relation.",
        "Cut at 2200 rpm; old dashed, new solid.",
    ]
    ring = "return document.querySelector('#smoke_limit .surface.difference .here').getAttribute('cx')"
    before = page.run(ring)
    page.press(Keys.ARROW_DOWN)
    assert page.texts(cuts)[0] == "Cut at 45 mg; old dashed, new solid. A relation is broken at 30 mg."
    assert page.run(ring) != before
    page.press(Keys.ARROW_DOWN)
    assert page.texts("#smoke_limit .cut-x .changes .note") == ["no change in this row"]


def test_an_axis_that_no_longer_rises_is_plotted_by_place_on_both_sides(opened: Opened) -> None:
    fallen = axis("speed_axis", "Engine speed", "rpm", SPEEDS, new=[*SPEEDS[:6], "2040", SPEEDS[7]])
    made = table("fuel", [10.0 + n for n in range(48)], {9: 40.0}, nx=8, ny=6, x=fallen)
    curve = table("trim", [10.0 + n for n in range(8)], {7: 40.0}, nx=8, x=fallen)
    page = shown(opened(document([image(0, "boats/heron.bin", [made, curve])])), "fuel")
    old, new = (path_of(page, f"#fuel .cut-x .line.{item}")[::2] for item in ("old", "new"))
    assert old == new == sorted(old)
    assert page.texts("#fuel thead th.moved .mark") == ["▼"]
    # How far the output moved is unknown, and so is the surface of the difference.
    assert len(page.all("#fuel .surface")) == 2
    words = "The breakpoints of Engine speed do not all rise: they stand evenly spaced, not to scale."
    assert [words in text for text in page.texts("#fuel figcaption")] == [True, True, False]
    shown(page, "trim")
    assert [words in text for text in page.texts("#trim figcaption")] == [True]


def test_an_image_may_have_fewer_breakpoints_than_cells(opened: Opened) -> None:
    short = axis("speed_axis", "Engine speed", "rpm", SPEEDS, new=list(SPEEDS[:6]))
    made = table("fuel", [10.0 + n for n in range(48)], {15: 40.0}, nx=8, ny=6, x=short)
    curve = table("trim", [10.0 + n for n in range(8)], {7: 40.0}, nx=8, x=short)
    page = opened(document([image(0, "boats/heron.bin", [made, curve])]))
    for name, pictures in (("fuel", 4), ("trim", 1)):
        shown(page, name)
        assert len(page.all(f"#{name} figure svg[role=img]")) == pictures
        assert page.details(name)["Where"].startswith("– rpm")
    assert page.logged("browser") == []


# Surfaces

#: The boxes of the labels of each visible surface, and whether a face covers a label or two labels overlap.
COVERED = """
const svgs = [...document.querySelectorAll(`#${arguments[0]} .surface`)].filter((svg) => svg.clientWidth);
return svgs.flatMap((svg) => {
  const texts = [...svg.querySelectorAll("text")];
  const boxes = texts.map((text) => [text.textContent, text.getBoundingClientRect()]);
  const faces = [...svg.querySelectorAll(".face, .floor")];
  const frame = svg.getBoundingClientRect();
  const matrix = svg.getScreenCTM().inverse();
  return boxes.flatMap(([text, {left, right, top, bottom}], n) => {
    const places = [[left, top + 3], [right, top + 3], [left, bottom - 3], [right, bottom - 3],
      [(left + right) / 2, (top + bottom) / 2]];
    const points = places.map((place) => new DOMPoint(...place).matrixTransform(matrix));
    const isCovered = faces.some((face) => points.some((point) => face.isPointInFill(point)));
    const isOut = left < frame.left - 1 || right > frame.right + 1 || bottom > frame.bottom + 1;
    const overlaps = boxes.slice(n + 1).some(([, other]) => left < other.right - 1 && other.left < right - 1
      && top < other.bottom - 4 && other.top < bottom - 4);
    return isCovered || isOut || overlaps ? [[text, isCovered, isOut, overlaps]] : [];
  });
});
"""


def test_old_new_and_difference_are_surfaces_with_a_height_scale(opened: Opened) -> None:
    page = shown(opened(drawn(), width=1900), "smoke_limit")
    for kind in ("old", "new"):
        assert len(page.all(f"#smoke_limit .surface.{kind} .face")) == 7 * 5
    # Three cells changed, of which the first two share two faces, and the last two share two.
    assert len(page.all("#smoke_limit .surface.difference .face:not(.level)")) == 4 + 4 + 4 - 2 - 2
    ticks = {
        kind: page.texts(f"#smoke_limit .surface.{kind} .scale text[text-anchor=end]:not(.axis)")
        for kind in ("old", "new", "difference")
    }
    assert {"20", "40", "60"} <= set(ticks["old"])
    assert {"0", "+20", "+30"} <= set(ticks["difference"])
    titles = page.texts("#smoke_limit .stage p")
    assert titles == ["Old values in mg", "New values in mg", "Difference in mg"]
    names = [item.get_attribute("aria-label") for item in page.all("#smoke_limit .surface")]
    assert names == [
        "Smoke limit: old values as a surface. "
        "Lowest 20.0 mg at 800 rpm, 5 mg; highest 45.5 mg at 3400 rpm, 75 mg.",
        "Smoke limit: new values as a surface. "
        "Lowest 20.0 mg at 800 rpm, 5 mg; highest 62.0 mg at 2200 rpm, 30 mg.",
        "Smoke limit: difference of the values as a surface, from -1.5 mg to +30 mg. "
        "Cells: 2 raised, 1 lowered of 48; largest +30.0 mg at 2200 rpm, 30 mg.",
    ]


def test_nothing_covers_the_labels_of_a_surface_however_it_is_turned(opened: Opened) -> None:
    page = shown(opened(drawn()), "smoke_limit")
    turntable = page.one("#smoke_limit .turntable")
    steps = [Keys.ARROW_LEFT] * 5 + [Keys.ARROW_DOWN] * 3 + [Keys.ARROW_LEFT] * 5 + [Keys.ARROW_UP] * 8
    for key in steps:
        assert page.run(COVERED, "smoke_limit") == []
        turntable.send_keys(key)
    assert page.run(COVERED, "smoke_limit") == []


def a_change_of_four_percent_in_a_wide_map_is_plain_to_see(page: Page) -> None:
    boxes = page.run(
        "const box = (css) => document.querySelector(`#wide ${css}`).getBoundingClientRect();"
        "const plane = box('.surface.difference .nought');"
        "return [(plane.top + plane.bottom) / 2 - box('.surface.difference .here').bottom,"
        " box('.surface.difference').height, box('.cut-x .changes .bar').height, box('.cut-x .plot').height]"
    )
    peak, surface, bar, plot = boxes
    assert peak > 0.25 * surface  # above the middle of the plane of no change
    assert bar > 0.12 * plot  # most of the panel of differences


def test_the_surfaces_turn_together_by_pointer_keys_and_button(opened: Opened) -> None:
    page = shown(opened(yard()), "smoke_limit")
    shapes = (
        "return ['old', 'new', 'difference'].map((kind) =>"
        " document.querySelector(`#smoke_limit .surface.${kind} .face`).getAttribute('d'))"
    )
    turntable = page.one("#smoke_limit .turntable")
    drag = ActionChains(page.chrome).click_and_hold(turntable).move_by_offset(60, 10).release()
    ways: dict[str, Callable[[], Any]] = {
        "pointer": drag.perform,
        "keys": lambda: turntable.send_keys(Keys.ARROW_RIGHT),
        "button": lambda: page.click(page.all("#smoke_limit .turns button")[0]),
    }
    for way, turn in ways.items():
        before = page.until_still(shapes)
        turn()
        page.until(
            lambda before=before: all(map(ne, before, page.run(shapes))), f"the surfaces turn by {way}"
        )


def test_a_narrow_picture_shows_the_surface_that_the_reader_chooses_and_a_wide_one_all(
    opened: Opened,
) -> None:
    page = shown(opened(document([image(0, "boats/heron.bin", [wide()])]), width=1000), "wide")

    def seen() -> list[bool]:
        return [item.is_displayed() for item in page.all("#wide .surface")]

    assert seen() == [False, False, True]
    page.click("#wide .choice input[value^=old]")
    assert seen() == [True, False, False]
    page.screen(1400).show("wide")
    assert seen() == [True, True, True]
    assert not page.one("#wide .choice").is_displayed()
    a_change_of_four_percent_in_a_wide_map_is_plain_to_see(page)


def test_what_no_picture_can_show_is_left_out(opened: Opened) -> None:
    far = table("far", [0.0] * 8, {1: 1.0}, nx=8, bounds=[bound("limit", "above", 1e308)])
    far["old"] = ["1e308", "-1e308", "0", "not a number", "infinite", "5", "0", "1"]
    side = 81
    places = [str(n) for n in range(side)]
    large = table(
        "large", [float(n % 50) for n in range(side * side)], {7: 3.0}, nx=side, ny=side,
        x=axis("a", "Engine speed", "rpm", places), y=axis("b", "Fuel quantity", "mg", places),
    )  # fmt: skip
    page = opened(document([image(0, "boats/heron.bin", [far, large])])).show("far")
    shown(page, "large")
    assert page.all("#far svg, #large .surface") == []
    assert len(page.all("#large .plot")) == 2
    assert page.text("#large .picture-note") == "The map has too many cells for surfaces."
    assert page.logged("browser") == []


def test_breakpoints_that_fall_are_plotted_to_scale(opened: Opened) -> None:
    falling = axis("a", "Resistance", "ohm", ["2000", "1000", "400", "100"])
    rows = axis("b", "Fuel quantity", "mg", ["5", "15"])
    made = table(
        "sensor", [0.0, 20.0, 60.0, 110.0, 1.0, 21.0, 61.0, 111.0], {1: 25.0}, nx=4, ny=2, x=falling, y=rows
    )
    page = shown(opened(document([image(0, "boats/heron.bin", [made])]), width=2300), "sensor")
    places = path_of(page, "#sensor .cut-x .line.new")[::2]
    assert places == sorted(places, reverse=True)
    assert (places[0] - places[1]) / (places[1] - places[2]) == pytest.approx(1000 / 600, rel=0.01)
    assert "to scale" not in " ".join(page.texts("#sensor figcaption"))
    # Seen from above, the faces that are drawn first lie at the back, whichever way the surface is turned.
    turntable = page.one("#sensor .turntable")
    turntable.send_keys(*[Keys.ARROW_UP] * 10)
    for _ in range(3):
        tops = page.run(
            "const faces = document.querySelectorAll('#sensor .surface.new .face');"
            "return [...faces].map((face) => face.getBBox().y)"
        )
        assert tops == sorted(tops)
        assert tops[-1] - tops[0] > 2
        turntable.send_keys(*[Keys.ARROW_RIGHT] * 7)


# Scalars, and where pictures stand


def test_a_scalar_stands_on_a_scale_with_its_bounds(seen: Opened) -> None:
    page = shown(seen(drawn()), "cut")
    assert sorted(page.texts("#cut .scalar .name")) == ["guard", "limit", "new", "old"]
    assert page.one("#cut svg.scalar").get_attribute("aria-label") == (
        "Cut: old 4250 rpm, new 4550 rpm. "
        "Bounds: limit above 4600 mg; guard above 4500 mg; limit below -1000 mg (outside the picture)."
    )
    page.show("plain")
    assert page.all("#plain svg") == []  # nothing but two numbers


def test_names_are_not_plotted(seen: Opened) -> None:
    page = seen(yard()).show("monitor")
    assert page.values("monitor") == [["off"]]
    assert page.all("#monitor svg") == []


def test_pictures_are_beside_the_grid_where_the_window_is_wide(opened: Opened) -> None:
    page = shown(opened(drawn(), width=1580), "smoke_limit")  # wider ones show old and new side by side
    boxes: Any = (
        "return ['.scroll table', '.pictures'].map((css) => {"
        " const box = document.querySelector(`#smoke_limit ${css}`).getBoundingClientRect();"
        " return {left: box.left, right: box.right, top: box.top, bottom: box.bottom}; })"
    )
    grid, pictures = page.run(boxes)
    assert pictures["left"] > grid["right"]
    assert pictures["top"] < grid["bottom"]
    page.screen(900).show("smoke_limit")
    grid, pictures = page.run(boxes)
    assert pictures["top"] > grid["bottom"]


def test_axe_finds_nothing_in_pictures_with_all_that_can_be_drawn_in(opened: Opened) -> None:
    page = opened(drawn(), dark=True)
    for name in ("smoke_limit", "trim", "cut"):
        shown(page, name)
    assert page.violations() == []
