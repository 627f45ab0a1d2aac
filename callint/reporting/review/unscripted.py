"""The parts of a review's page for readers without its script: causes, changed cells and a small picture.

The script removes them. They are bounded, because the page holds all values for the script already; what they
leave out is counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

from callint import fmt
from callint.reporting.html_page import element
from callint.reporting.review.changed_cells import LOWERED, RAISED, SWITCHED, ChangedCells
from callint.reporting.review.changed_grid import row_items

#: The most changed cells that are listed of one table, and of all tables.
_MOST_OF_TABLE, _MOST_CELLS = 64, 14_000
#: The number of cells that are listed of a table with more changed cells.
_FEW_CELLS = 5
#: The most mistakes, findings of a mistake, and findings without a mistake.
_MOST_CAUSES, _MOST_OF_CAUSE, _MOST_FINDINGS = 60, 6, 60
#: The largest number of points of a drawn curve.
_MOST_POINTS = 256
#: The width of a cell in a picture, and the largest width of a picture, in pixels.
_CELL_WIDTH, _PICTURE_WIDTH = 14, 420
#: The marks of cells in a square of side 1: an arrow up, an arrow down, a diamond.
_SHAPES = {
    RAISED: "M{x} {y1}h1l-.5-1z",
    LOWERED: "M{x} {y}h1l-.5 1z",
    SWITCHED: "M{x}.5 {y}l.5.5-.5.5-.5-.5z",
}
_LEVELS = 4

Json = Mapping[str, Any]


class Unscripted:
    """What readers without the script get; each table uses up some of the cells that all may list."""

    def __init__(self) -> None:
        self._left = _MOST_CELLS

    def table(self, table: Json) -> Iterator[str]:
        """The changed cells of a table and their picture; a scalar's summary has its values already."""
        cells = ChangedCells(table)
        if not cells.cells or len(cells.old) == 1:
            return
        most = _MOST_OF_TABLE if len(cells.cells) <= _MOST_OF_TABLE else _FEW_CELLS
        shown = cells.most_changed(min(most, self._left))
        self._left -= len(shown)
        yield '<div class="unscripted">'
        if cells.ny == 1 and shown:
            yield from _curve(cells)
        elif len(shown) == len(cells.cells):  # a picture of some of the changes would mislead
            yield from _heat_map(cells)
        if shown:
            yield "<ul>"
            yield from row_items(cells, shown, escape)
            yield "</ul>"
        if more := len(cells.cells) - len(shown):
            noun = fmt.count(more, "more changed cell" if shown else "changed cell")
            which = ", each changed less" if shown else ""
            yield f"<p>{noun}{which}: <code>callint diff OLD NEW --all</code> lists them.</p>"
        yield "</div>"


# Pictures


def _heat_map(cells: ChangedCells) -> Iterator[str]:
    """A mark for each changed cell of a map, the stronger the larger its difference."""
    paths: dict[int, list[str]] = {}
    for cell in cells.cells:
        size = min(cells.size(cell) / cells.largest, 1.0) if cells.largest and cells.size(cell) else 1.0
        level = max(1, -int(-_LEVELS * size // 1))
        y, x = divmod(cell, cells.nx)
        paths.setdefault(level, []).append(_SHAPES[cells.direction(cell)].format(x=x, y=y, y1=y + 1))
    width = min(_CELL_WIDTH * cells.nx, _PICTURE_WIDTH)
    height = min(max(width * cells.ny // cells.nx, 1), _PICTURE_WIDTH)
    label = (
        "Changed cells: arrow up raised, arrow down lowered, diamond changed otherwise; darker changed more"
    )
    yield (
        f'<svg role="img" aria-label="{label}" viewBox="0 0 {cells.nx} {cells.ny}" width="{width}" '
        f'height="{height}"><path fill="none" stroke="currentColor" stroke-width=".05" '
        f'd="M0 0h{cells.nx}v{cells.ny}h-{cells.nx}z"/>'
    )
    for level, marks in sorted(paths.items()):
        opacity = "" if level == _LEVELS else f' opacity="{(1 + level) / (1 + _LEVELS):.1f}"'
        yield f'<path fill="currentColor"{opacity} d="{"".join(marks)}"/>'
    yield "</svg>"


def _curve(cells: ChangedCells) -> Iterator[str]:
    """The old values of a curve as a dashed line, and the new ones as a solid line."""
    if not 1 < cells.nx <= _MOST_POINTS:
        return
    old = [_number(text) for text in cells.old]
    new = [_number(cells.new.get(cell, text)) for cell, text in enumerate(cells.old)]
    places = [_number(text) for text in cells.breakpoints("x")]
    values = [value for value in (*old, *new) if value is not None]
    if len(values) < 2 or len(places) != cells.nx or None in places:
        return
    low, span = min(values), max(values) - min(values) or 1.0
    first = min(place for place in places if place is not None)
    length = max(place for place in places if place is not None) - first or 1.0
    label = "Old values dashed, new values solid"
    yield f'<svg role="img" aria-label="{label}" viewBox="-1 -1 242 82" width="242" height="82">'
    for line, dashes in ((old, ' stroke-dasharray="4 3"'), (new, "")):
        points = [
            f"{240 * (place - first) / length:.0f},{80 - 80 * (value - low) / span:.0f}"
            for place, value in zip(places, line, strict=True)
            if place is not None and value is not None
        ]
        yield f'<polyline fill="none" stroke="currentColor"{dashes} points="{" ".join(points)}"/>'
    yield "</svg>"


def _number(text: str) -> float | None:
    """The number of a text; None for "off", "-", and what is not finite."""
    try:
        number = float(text)
    except ValueError:
        return None
    return number if abs(number) < 1e300 else None


# Findings


def unscripted_findings(document: Json) -> Iterator[str]:
    """All mistakes with their findings, then the findings that belong to none and are not waived."""
    causes, findings = document.get("causes", []), document["findings"]
    others = [item for item in findings if "cause" not in item and "waiver" not in item]
    if not causes and not others:
        return
    yield f"<h2>{'Mistakes and findings' if causes else 'Findings'}</h2>"
    yield '<ul class="all">'
    for cause in causes[:_MOST_CAUSES]:
        danger = element("strong", f"{cause['danger'].capitalize()}: ") if cause.get("danger") else ""
        title = f"{cause['severity'].capitalize()}: {danger}{escape(_path(document, cause) + cause['title'])}"
        yield f'<li class="cause {cause["severity"]}"><p class="place">{title}</p>'
        yield from (element("p", cause[key]) for key in ("effect", "hint") if cause.get(key))
        yield '<ul class="brought">'
        for number in cause["findings"][:_MOST_OF_CAUSE]:
            yield _finding(findings[number])
        if (more := len(cause["findings"]) - _MOST_OF_CAUSE) > 0:
            yield element("li", f"and {fmt.count(more, 'more finding')}: callint check lists them")
        yield "</ul></li>"
    yield from (_finding(item, _path(document, item)) for item in others[:_MOST_FINDINGS])
    for items, most, noun in (
        (causes, _MOST_CAUSES, "more mistake"),
        (others, _MOST_FINDINGS, "more finding"),
    ):
        if (more := len(items) - most) > 0:
            yield element("li", f"and {fmt.count(more, noun)}: callint check lists them")
    yield "</ul>"


def _path(document: Json, item: Json) -> str:
    """The file of a mistake or finding, if the page is about several."""
    if len(document["images"]) > 1 and "image" in item:
        return f"{document['images'][item['image']]['path']}: "
    return f"{item['source']}: " if "source" in item else ""


def _finding(finding: Json, path: str = "") -> str:
    place = ", ".join(filter(None, (finding.get("table"), finding.get("place"))))
    more = f" {fmt.count(finding['more'], 'finding')} more like this." if finding.get("more") else ""
    text = f"{path}{f'{place}: ' if place else ''}{finding['message']}{more}"
    return f"<li>{finding['severity'].capitalize()}: {escape(text)} {element('code', finding['rule'])}</li>"
