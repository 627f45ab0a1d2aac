"""A review as a fragment of HTML for the comment of a merge request, within a number of bytes.

Servers read comments as Markdown and strip most of HTML. The fragment has only tags that they keep, no
attribute, no blank line, which would end the HTML, and each text that could become a link, a mention or an
emoji is code.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any

from callint import fmt
from callint.reporting.findings.markdown import is_plain
from callint.reporting.review.changed_cells import ChangedCells
from callint.reporting.review.changed_grid import changed_grid, changed_list
from callint.reporting.review.first_screen import side_text

#: The number of bytes that all usual servers take, and the smallest that holds a verdict.
DEFAULT_BYTES, FEWEST_BYTES = 60_000, 8_000
#: The bytes for the lines that say what does not fit.
_RESERVE = 400
#: The most characters of a name and of the verdict at the top; FEWEST_BYTES hold them if all are escaped.
_MOST_IN_NAME, _MOST_IN_VERDICT = 200, 500
#: The number of cells listed if a grid does not fit, and of findings listed of a mistake.
_FEW_CELLS, _FEW_FINDINGS = 8, 5

Json = Mapping[str, Any]


def fragment(document: Json, most_bytes: int = DEFAULT_BYTES) -> str:
    """The fragment of at most ``most_bytes`` bytes of UTF-8: verdict, mistakes, findings, then tables.

    Each list has the most dangerous first; what does not fit is counted. Equal documents give equal texts.
    """
    head = list(_head(document))
    left = most_bytes - _RESERVE - _size(head)
    causes = document.get("causes", [])
    others = [item for item in document["findings"] if "cause" not in item and "waiver" not in item]
    # Tables keep half of the room at least.
    items = [*(_cause(document, cause) for cause in causes), *(_other(document, item) for item in others)]
    shown = _fitting(([item] for item in items), left // 2)
    left -= _size(shown) + len("<ul>\n</ul>\n")
    entries = [(image, table) for image in document["images"] for table in image["tables"]]
    tables = _fitting((_forms(document, image, table) for image, table in entries), left)
    lines = [*head, *(["<ul>", *shown, "</ul>"] if shown else []), *tables]
    mistakes = max(document["counts"]["mistakes"] - min(len(shown), len(causes)), 0)
    lines += _left_out(mistakes, len(others) - max(len(shown) - len(causes), 0), len(entries) - len(tables))
    return "\n".join(lines) + "\n"


def _fitting(candidates: Any, most_bytes: int) -> list[str]:
    """The texts until one does not fit; of each, the first form that does."""
    shown: list[str] = []
    for forms in candidates:
        fitting = next((form for form in forms if _size([form]) <= most_bytes), None)
        if fitting is None:
            break
        shown.append(fitting)
        most_bytes -= _size([fitting])
    return shown


def _size(lines: Sequence[str]) -> int:
    return sum(len(line.encode()) + 1 for line in lines)


def prose(text: str) -> str:
    """A text as HTML that no server turns into a link or mention: plain, or as code."""
    line = " ".join(text.split())
    return escape(line) if is_plain(line) else f"<code>{escape(line)}</code>"


def _cut(text: str, most: int = _MOST_IN_NAME) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _head(document: Json) -> Iterator[str]:
    """What was compared, and the verdict."""
    yield f"<h3>Review of {prose(_cut(document['title']))}</h3>"
    old, new = (prose(_cut(side_text(document, side))) for side in ("old", "new"))
    yield f"<p>{old} → {new}, review with the digest <code>{escape(document['digest'])}</code></p>"
    yield f"<p><b>{prose(_cut(document['verdict'], _MOST_IN_VERDICT))}</b></p>"


def _cause(document: Json, cause: Json) -> str:
    """A mistake with what to do, and its findings folded below it."""
    danger = f"{cause['danger'].capitalize()}: " if cause.get("danger") else ""
    title = prose(f"{danger}{_path(document, cause)}{cause['title']}")
    texts = "".join(f"<br>{prose(cause[key])}" for key in ("effect", "hint") if cause.get(key))
    findings = [document["findings"][number] for number in cause["findings"]]
    total = sum(1 + finding.get("more", 0) for finding in findings)
    brought = "".join(f"<li>{_finding(finding)}</li>" for finding in findings[:_FEW_FINDINGS])
    if (more := total - min(len(findings), _FEW_FINDINGS)) > 0:
        brought += f"<li>and {fmt.count(more, 'more finding')}</li>"
    summary = f"<summary>It brings {fmt.count(total, 'finding')}</summary>"
    severity = f"<b>{cause['severity'].capitalize()}</b>"
    return f"<li>{severity} {title}{texts}<details>{summary}<ul>{brought}</ul></details></li>"


def _other(document: Json, finding: Json) -> str:
    path = _path(document, finding)
    return f"<li>{f'{prose(path.strip())} ' if path else ''}{_finding(finding)}</li>"


def _path(document: Json, item: Json) -> str:
    if len(document["images"]) > 1 and "image" in item:
        return f"{document['images'][item['image']]['path']}: "
    return f"{item['source']}: " if "source" in item else ""


def _finding(finding: Json) -> str:
    place = ", ".join(filter(None, (finding.get("table"), finding.get("place"))))
    where = f"{prose(place)}: " if place else ""
    return f"{finding['severity']}: {where}{prose(finding['message'])} <code>{escape(finding['rule'])}</code>"


def _forms(document: Json, image: Json, table: Json) -> Iterator[str]:
    """A changed table, folded: with its grid, or if that does not fit, with its largest changes."""
    cells = ChangedCells(table)
    path = f"{prose(image['path'])}: " if len(document["images"]) > 1 else ""
    unit = f", {table['unit']}" if table.get("unit") else ""
    lead = f"{path}{prose(table['title'] or table['name'])} <code>{escape(table['name'])}</code>"
    texts = [f"{table['purpose']}{unit}: {table['summary']}", table.get("movement", "")]
    summary = f"{lead} {'; '.join(prose(text) for text in texts if text)}"
    if not cells.cells or len(cells.old) == 1:
        yield f"<p>{summary}</p>"
        return
    for content in (changed_grid(cells, prose), changed_list(cells, prose, _FEW_CELLS)):
        yield f"<details><summary>{summary}</summary>{content}</details>"


def _left_out(mistakes: int, findings: int, tables: int) -> Iterator[str]:
    counts = ((mistakes, "more mistake"), (findings, "more finding"), (tables, "more changed table"))
    if texts := [fmt.count(number, noun) for number, noun in counts if number]:
        lead = f"Left out here: {fmt.list_names(texts, 3)}."
        yield f"<p>{lead} The page of <code>callint review</code> has all.</p>"
