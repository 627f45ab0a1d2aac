"""Tables, findings and changes as HTML for notebooks: what the terminal shows, and no scripts.

callint cleans and escapes all text of strangers: no text becomes markup.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from io import StringIO

from callint import fmt
from callint.checking.report import Report
from callint.comparing.softwares.result import SoftwareChange
from callint.fmt import clean
from callint.model.change import Grid, TableChange
from callint.model.definition import Definition
from callint.reporting.changes.text import in_reading_order, print_other_changes
from callint.reporting.changes.wording import change_parts
from callint.reporting.findings.summary import closing_line
from callint.reporting.findings.wording import headline, sentence
from callint.reporting.review.changed_cells import ChangedCells
from callint.reporting.review.changed_grid import changed_grid
from callint.reporting.review.tables import ReviewTables
from callint.reporting.tables.values import breakpoint_texts, cell_texts, signal_and_unit
from callint.reporting.terminal import QUIET, StyledLine, Terminal
from callint.rules.context import CheckContext

#: Larger tables and longer lists of findings are cut, because a notebook stores the HTML on disk.
_MOST_CELLS, _MOST_FINDINGS = 10_000, 200


def text_html(text: str) -> str:
    """A text as HTML without markup."""
    return escape(clean(text))


def grid_html(definition: Definition, grid: Grid) -> str:
    """A whole table with its breakpoints and units; only the number of cells of a very large table."""
    table = grid.table
    unit = fmt.with_unit("", definition.unit_of(table)).strip()
    caption = f"{table.name}: {table.title}{f', {unit}' if unit else ''}"
    if grid.raw.size > _MOST_CELLS:
        return f"<p>{text_html(caption)} ({grid.raw.size:,} cells; .values holds them)</p>"
    heads = [] if grid.x is None or table.x is None else breakpoint_texts(
        definition, definition.axes[table.x], grid.x.tolist()
    )  # fmt: skip
    labels = [] if grid.y is None or table.y is None else breakpoint_texts(
        definition, definition.axes[table.y], grid.y.tolist()
    )  # fmt: skip
    rows = []
    if heads:
        axes = (", ".join(filter(None, signal_and_unit(definition, axis))) for axis in (table.y, table.x))
        corner = " / ".join(filter(None, axes))
        cells = "".join(f'<th scope="col">{text_html(head)}</th>' for head in heads)
        lead = f"<th>{text_html(corner)}</th>"
        rows.append(f"<tr>{lead}{cells}</tr>")
    for number, texts in enumerate(cell_texts(definition, grid)):
        label = labels[number] if labels else ""
        lead = f'<th scope="row">{text_html(label)}</th>' if heads else ""
        rows.append(f"<tr>{lead}{''.join(f'<td>{text_html(text)}</td>' for text in texts)}</tr>")
    return _table(caption, rows)


def findings_html(report: Report) -> str:
    """The findings that are not waived, the worst first, and the number of checked images and tables."""
    findings = [finding for finding in report.findings if not finding.waived]
    rows = ["<tr><th>severity</th><th>where</th><th>finding</th><th>rule</th></tr>"] if findings else []
    for finding in findings[:_MOST_FINDINGS]:
        hint = f"<br><i>{text_html(finding.hint)}</i>" if finding.hint else ""
        cells = (
            text_html(finding.severity.value),
            text_html(headline(finding)),
            f"{text_html(sentence(finding))}{hint}",
            text_html(finding.rule),
        )
        rows.append(f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>")
    summary = f"{closing_line(report)}."
    if len(findings) > _MOST_FINDINGS:
        summary = f"Only {_MOST_FINDINGS} of {len(findings):,} are shown; .findings holds all. {summary}"
    return _table(summary, rows) if rows else f"<p>{text_html(summary)}</p>"


def changes_html(context: CheckContext) -> str:
    """Each changed table as its grid, then everything else as ``callint diff`` prints it."""
    changes, old, new = context.changes, context.old, context.new
    if changes.is_empty or old is None:
        return "<p>Nothing changed.</p>"
    tables = ReviewTables(changes, None)
    parts = []
    left = _MOST_CELLS
    for change in in_reading_order(changes):
        # A notebook stores its HTML, so that only the first tables have grids if very many cells changed.
        parts.append(_change_html(changes.definition, change, tables, has_grid=left > 0))
        left -= change.count
    terminal = _HtmlTerminal()
    print_other_changes(changes, old.image, new.image, terminal, everything=changes.cells <= _MOST_CELLS)
    return "".join(parts) + terminal.html


def change_html(change: TableChange, context: CheckContext) -> str:
    """The change of one table: what changed, and the grid around the changed cells."""
    return _change_html(context.definition, change, ReviewTables(context.changes, None))


def _change_html(
    definition: Definition, change: TableChange, tables: ReviewTables, has_grid: bool = True
) -> str:
    table = change.table
    title = f": {table.title} ({table.purpose.value})"
    summary = "; ".join(change_parts(definition, change, "→"))
    lead = f"<p><b>{text_html(table.name)}</b>{text_html(title)}<br>{text_html(summary)}</p>"
    if not table.axes:
        return lead
    if not has_grid:
        return f"{lead}<p>.tables holds the cells.</p>"
    return lead + changed_grid(ChangedCells(tables.entry(change)), text_html)


def software_html(change: SoftwareChange) -> str:
    """The comparison of two software versions as ``callint diff`` prints it."""
    if change.is_silent:
        return "<p>Nothing differs.</p>"
    from callint.reporting.softwares.text import print_software_change

    terminal = _HtmlTerminal()
    print_software_change(change, terminal)
    return terminal.html


def software_table_html(change: SoftwareChange, table: TableChange) -> str:
    """One table of a comparison of two software versions."""
    return _change_html(change.changes.definition, table, ReviewTables(change.changes, None))


class _HtmlTerminal(Terminal):
    """A terminal of 80 columns whose lines become preformatted HTML."""

    def __init__(self) -> None:
        super().__init__(StringIO(), colour=False)
        self._lines: list[str] = []

    def print(self, text: StyledLine | str = "") -> None:
        line = StyledLine((text, "")) if isinstance(text, str) else text
        self._lines.append("".join(_part(text, style) for text, style in line.parts))

    @property
    def html(self) -> str:
        return "<pre>" + "\n".join(self._lines) + "</pre>"


def _part(text: str, style: str) -> str:
    content = text_html(text)
    if "bold" in style:
        return f"<b>{content}</b>"
    return f'<span style="opacity: 0.7">{content}</span>' if style == QUIET else content


def _table(caption: str, rows: Iterable[str]) -> str:
    return f"<table><caption>{text_html(caption)}</caption>{''.join(rows)}</table>"
