"""A fleet as one page for a browser: a matrix of images by tables for each definition.

The page has no script. Images that are alike share a row, tables that divide the images alike share a column,
and what exceeds the bounds is counted in a sentence, so the page stays small for a fleet of any size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from callint import __version__, fmt
from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.report import FleetReport
from callint.reporting import html_page
from callint.reporting.fleet.wording import calibration, name_of
from callint.reporting.html_page import class_attribute, count, element, items

#: The most rows and columns of a matrix, the tables that are listed with their calibrations, the calibrations
#: of one table, and the images that are named of a row or of a calibration.
MAX_ROWS, MAX_COLUMNS, MAX_TABLES, MAX_CALIBRATIONS, MAX_NAMES = 60, 40, 200, 12, 40
#: The most calibrations of which the values are read.
_MAX_VALUES = 600
#: The most images of which the page says why they are not compared.
_MAX_PROBLEMS = 100
_LEGEND = (
    "A is the most frequent calibration of a table in the whole fleet, B the next one, and so on; "
    "a dash means that an image lacks the table."
)
_STYLES = (
    "reporting/review/browser/list.css",
    "reporting/review/browser/review.css",
    "reporting/review/browser/print.css",
    "reporting/fleet/browser/fleet.css",
)


def page(report: FleetReport) -> str:
    """The whole page. Equal reports give equal pages, byte for byte."""
    total = len(report.records)
    style = "".join(map(html_page.read_part, _STYLES))
    title = f"{fmt.count(total, 'image')}: calibrations of a fleet"
    return html_page.document(title, style, "", _body(report))


def _body(report: FleetReport) -> Iterator[str]:
    yield '<a class="skip" href="#tables">Go to the tables</a>'
    yield '<header class="first">'
    yield element("p", f"Calibrations of a fleet · callint {__version__}", "kind")
    yield element("h1", fmt.count(len(report.records), "image"))
    problems = report.not_compared
    yield f'<p class="verdict {"warning" if problems else "calm"}">{escape(_verdict(report))}</p>'
    yield '<ul class="counts">'
    yield count("images", sum(report.image_counts.values()), "compared")
    yield count("warning", len(problems), "not compared")
    yield count("differing", len(report.tables), "tables differ" if not report.is_selection else "tables")
    yield count("uniform", len(report.uniform), "tables the same")
    yield "</ul></header>"
    yield '<main class="fleet">'
    yield from _problems(report)
    for definition, images in report.image_counts.items():
        yield from _matrix(report, definition, images)
    yield from _tables(report)
    yield "</main>"


def _verdict(report: FleetReport) -> str:
    if report.is_selection:
        return f"{fmt.count(len(report.tables), 'table')} of the fleet."
    if not report.tables:
        return "All compared images have the same calibration of every table."
    names = fmt.list_names([name_of(groups.table) for groups in report.tables], 3)
    verb = "differs" if len(report.tables) == 1 else "differ"
    return f"{fmt.count(len(report.tables), 'table')} {verb}: {names}."


def _problems(report: FleetReport) -> Iterator[str]:
    problems = report.not_compared
    if problems:
        yield element("h2", "Not compared")
        yield from items(f"{record.path}: {record.problem}" for record in problems[:_MAX_PROBLEMS])
        if len(problems) > _MAX_PROBLEMS:
            yield element("p", f"and {len(problems) - _MAX_PROBLEMS:,} more")


# Matrices


@dataclass(frozen=True, slots=True)
class _Column:
    """Tables that divide the images of a definition alike; ``numbers`` (images of the definition)."""

    tables: list[TableGroups]
    numbers: NDArray[np.int32]


def _matrix(report: FleetReport, definition: str, images: int) -> Iterator[str]:
    """The matrix of the images of one definition by the tables that differ among them."""
    members = np.array(
        [
            n
            for n, record in enumerate(report.records)
            if record.definition == definition and not record.problem
        ]
    )
    columns = _columns(report.tables, members)
    yield element("h2", definition)
    if not columns:
        yield element("p", f"{fmt.count(images, 'image')}, all with the same calibration of every table.")
        return
    rows = _rows(columns, members)
    yield element("p", _matrix_sentence(columns, rows, images))
    yield element("p", _LEGEND)
    yield '<div class="matrix" tabindex="0" role="region" aria-label="Matrix of images by tables"><table>'
    yield '<thead><tr><th scope="col">Images</th>'
    for column in columns[:MAX_COLUMNS]:
        yield f'<th scope="col"><span>{escape(_column_name(column))}</span></th>'
    yield "</tr></thead><tbody>"
    for row in rows[:MAX_ROWS]:
        yield f'<tr><th scope="row">{_row_name(report, members[row])}</th>'
        numbers = (int(column.numbers[row[0]]) for column in columns[:MAX_COLUMNS])
        yield "".join(map(_cell, numbers))
        yield "</tr>"
    yield "</tbody></table></div>"
    shared = [column for column in columns[:MAX_COLUMNS] if len(column.tables) > 1]
    if shared:
        yield element("p", "Tables that share a column:")
        yield from items(
            fmt.list_names([groups.table.name for groups in column.tables], MAX_NAMES) for column in shared
        )


def _columns(tables: Sequence[TableGroups], members: NDArray[np.int64]) -> list[_Column]:
    """The tables that differ among some images, those that divide them alike in one column."""
    columns: dict[bytes, _Column] = {}
    for groups in tables:
        numbers = groups.numbers[members]
        if numbers.size and (numbers != numbers[0]).any():
            column = columns.setdefault(numbers.tobytes(), _Column([], numbers))
            column.tables.append(groups)
    return list(columns.values())


def _rows(columns: Sequence[_Column], members: NDArray[np.int64]) -> list[list[int]]:
    """The positions in ``members`` of images that are alike in all columns, the largest group first."""
    matrix = np.stack([column.numbers for column in columns[:MAX_COLUMNS]], axis=1)
    rows: dict[bytes, list[int]] = {}
    for position in range(len(members)):
        rows.setdefault(matrix[position].tobytes(), []).append(position)
    return sorted(rows.values(), key=lambda row: -len(row))


def _matrix_sentence(columns: Sequence[_Column], rows: Sequence[Sequence[int]], images: int) -> str:
    """The counts of a matrix, and what it leaves out."""
    tables = sum(len(column.tables) for column in columns)
    verb = "differs" if tables == 1 else "differ"
    text = f"{fmt.count(images, 'image')}; {fmt.count(tables, 'table')} {verb} among them."
    if more := len(rows) - MAX_ROWS:
        left_out = sum(map(len, rows[MAX_ROWS:]))
        if more > 0:
            text += f" {fmt.count(left_out, 'image')} in {fmt.count(more, 'further row')} are not shown."
    if len(columns) > MAX_COLUMNS:
        left_out = sum(len(column.tables) for column in columns[MAX_COLUMNS:])
        text += (
            f" {fmt.count(left_out, 'table')} of the least dangerous purposes are not shown in the matrix."
        )
    return text


def _column_name(column: _Column) -> str:
    more = len(column.tables) - 1
    return name_of(column.tables[0].table) + (f" and {more:,} more" if more else "")


def _row_name(report: FleetReport, numbers: NDArray[np.int64]) -> str:
    """The name of the only image of a row, or their number with a list of names."""
    paths = [report.records[number].path for number in numbers[:MAX_NAMES].tolist()]
    if len(numbers) == 1:
        return escape(paths[0])
    more = f" and {len(numbers) - len(paths):,} more" if len(numbers) > len(paths) else ""
    return (
        f"<details><summary>{escape(paths[0])} and {len(numbers) - 1:,} alike</summary>"
        f"{escape(', '.join(paths))}{more}</details>"
    )


def _cell(number: int) -> str:
    if number < 0:
        return '<td class="none">–<span class="aside">lacks the table</span></td>'
    return f"<td{class_attribute('odd' if number else '')}>{fmt.letter(number)}</td>"


# Tables


def _tables(report: FleetReport) -> Iterator[str]:
    """The calibrations of each table with their values and images."""
    yield '<h2 id="tables" tabindex="-1">Tables</h2>'
    values = _MAX_VALUES
    for groups in report.tables[:MAX_TABLES]:
        shown = min(len(groups.counts), MAX_CALIBRATIONS)
        values -= shown
        yield '<section class="calibrations">'
        title = f": {groups.table.title}" if groups.table.title else ""
        yield element("h3", f"{name_of(groups.table)}{title}")
        yield "<dl>"
        for number in range(shown):
            text = _images_and_value(report, groups, number, values >= 0)
            yield f"<div><dt>{fmt.letter(number)}</dt><dd>{escape(text)}</dd></div>"
        yield "</dl>"
        if more := len(groups.counts) - shown:
            images = fmt.count(int(groups.counts[shown:].sum()), "image")
            yield element("p", f"and {fmt.count(more, 'more calibration')} of {images}")
        yield "</section>"
    if len(report.tables) > MAX_TABLES:
        yield element(
            "p", f"and {len(report.tables) - MAX_TABLES:,} more tables; callint fleet --all lists them"
        )
    if report.uniform:
        yield element(
            "p", f"{fmt.count(len(report.uniform), 'table')} with one calibration in the whole fleet."
        )


def _images_and_value(report: FleetReport, groups: TableGroups, number: int, is_read: bool) -> str:
    images = groups.images(number)
    paths = ", ".join(report.records[image].path for image in images[:MAX_NAMES])
    more = f" and {len(images) - MAX_NAMES:,} more" if len(images) > MAX_NAMES else ""
    value = calibration(report.contents, groups, number, "→") if is_read else ""
    return f"{f'{value}; ' if value else ''}{fmt.count(len(images), 'image')}: {paths}{more}"
