"""The head of the review page: what was compared, the verdict, the worst mistakes, and the images.

Every count and name leads to what it counts or names. Such a link may carry a filter, which the page's script
adds to it; without the script it leads to the whole list.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from html import escape
from typing import Any
from urllib.parse import urlencode

from callint import fmt
from callint.checking.cause_order import Danger
from callint.reporting import html_page
from callint.reporting.html_page import class_attribute, element

Json = Mapping[str, Any]

#: The digits of the id of a commit that are shown.
_SHORT_ID = 10
_WHOLE_ID = re.compile(r"\b(?:[0-9a-f]{40}|[0-9a-f]{64})\b")
_FEWEST_IN_MATRIX = 2
#: The most mistakes on the first screen.
_MOST_MISTAKES = 5
#: The singular and the plural of a severity.
SEVERITIES = {"error": "errors", "warning": "warnings", "note": "notes"}
#: The list of mistakes and findings, and the waived findings.
_FINDINGS, _WAIVED = "~findings", "~waived"
#: All that the script draws, and the table of images.
_TABLES, _IMAGES = "~tables", "~images"


def short(text: str) -> str:
    """A text with the first digits of each whole id of a commit."""
    return _WHOLE_ID.sub(lambda match: match[0][:_SHORT_ID], text)


def link(target: str, content: str, **filters: str) -> str:
    """A link to a place of the page, with a filter; ``content`` is HTML."""
    return f'<a href="#{escape(target)}"{_chosen(filters)}>{content}</a>'


def _chosen(filters: Mapping[str, str]) -> str:
    """The attribute of a link for a filter, behind a space; nothing without a filter."""
    return f' data-filter="{escape(urlencode(filters))}"' if filters else ""


def linked_names(text: str, targets: Mapping[str, str]) -> str:
    """A text with a link for each name in it; ``targets`` has the place of each name."""
    if not targets:
        return escape(text)
    longest_first = sorted(targets, key=len, reverse=True)
    names = re.compile(rf"(?<!\w)({'|'.join(map(re.escape, longest_first))})(?!\w)")
    parts = names.split(text)  # every second part is a name
    return "".join(
        link(targets[part], escape(part)) if index % 2 else escape(part) for index, part in enumerate(parts)
    )


def between(document: Json) -> str:
    """OLD and NEW with the names and the short ids of their revisions."""
    old, new = (_side(document, side) for side in ("old", "new"))
    return (
        f'<p class="between">{old} <span aria-hidden="true">→</span><span class="aside">to</span> {new}</p>'
    )


def side_text(document: Json, side: str) -> str:
    """OLD or NEW with the name and the short id of its revision, as text."""
    text, revision = document[side], document.get("revisions", {}).get(side)
    if revision is None:
        return short(text)
    name, commit = revision["name"], revision["commit"][:_SHORT_ID]
    _, colon, path = text.partition(":")
    return f"{name}{colon}{path}" if name == commit else f"{name}{colon}{path} ({commit})"


def _side(document: Json, side: str) -> str:
    text, revision = document[side], document.get("revisions", {}).get(side)
    if revision is None:
        return element("code", short(text))
    name, commit = revision["name"], revision["commit"][:_SHORT_ID]
    path = text.partition(":")[2]
    named = element("code", f"{name}:{path}" if path else name)
    return named if name == commit else f"{named} ({element('code', commit)})"


# The verdict and the counts

#: What the verdict counts: a pattern, the place that has it, and the filter of that place.
_COUNTED: tuple[tuple[str, str, dict[str, str]], ...] = (
    (r"[\d,]+ (?:new )?mistakes?", _FINDINGS, {}),
    (
        r"[\d,]+ (?:is|are) (?:an image|images) of other software",
        _FINDINGS,
        {"danger": Danger.WRONG_SOFTWARE},
    ),
    (r"[\d,]+ disables? a protection", _FINDINGS, {"danger": Danger.DISABLED}),
    (r"[\d,]+ weakens? a protection", _FINDINGS, {"danger": Danger.WEAKENED}),
    (r"[\d,]+ errors?", _FINDINGS, {"severity": "error"}),
    (r"[\d,]+ warnings?", _FINDINGS, {"severity": "warning"}),
    (r"[\d,]+ notes?", _FINDINGS, {"severity": "note"}),
    (r"[\d,]+ of them (?:is|are) in OLD too", _FINDINGS, {"state": "known"}),
    (r"[\d,]+ (?:more|findings?) (?:is|are) waived", _WAIVED, {}),
    (r"[\d,]+ checksums? (?:does|do) not fit", _FINDINGS, {"rule": "image/stale-checksum"}),
    (r"[\d,]+ changed bytes? belongs? to nothing", _FINDINGS, {"rule": "change/unexplained-bytes"}),
    (r"[\d,]+ protection tables?", _TABLES, {"purpose": "protection"}),
    (r"[\d,]+ emissions tables?", _TABLES, {"purpose": "emissions"}),
    (
        r"[\d,]+ images? (?:could not be compared|was added|were added|was removed|were removed)",
        _IMAGES,
        {},
    ),
)
_ANY_COUNT = re.compile("|".join(f"({pattern})" for pattern, _, _ in _COUNTED))


def verdict(document: Json) -> Iterator[str]:
    """The verdict and the counts of mistakes and findings, each with a link to what it counts."""
    counts = document["counts"]
    worst = next((severity for severity in ("error", "warning") if counts.get(severity)), "calm")
    yield f'<p class="verdict {worst}">{_linked_counts(document["verdict"], document)}</p>'
    yield '<ul class="counts">'
    mistakes = counts["mistakes"]
    yield _count("mistakes", mistakes, "mistake" if mistakes == 1 else "mistakes", target=_FINDINGS)
    for severity, plural in SEVERITIES.items():
        number = counts.get(severity, 0)
        yield _count(severity, number, severity if number == 1 else plural, severity=severity)
    yield _count("waived", counts.get("waived", 0), "waived", target=_WAIVED)
    yield "</ul>"


def _linked_counts(text: str, document: Json) -> str:
    is_single = len(document["images"]) < _FEWEST_IN_MATRIX
    html, end = [], 0
    for match in _ANY_COUNT.finditer(text):
        _, target, filters = _COUNTED[(match.lastindex or 1) - 1]
        html.append(escape(text[end : match.start()]))
        end = match.end()
        counted = escape(match[0])
        if target == _TABLES:
            target = _first_tables(document, filters["purpose"])
        html.append(counted if target == _IMAGES and is_single else link(target, counted, **filters))
    return "".join([*html, escape(text[end:])])


def _first_tables(document: Json, purpose: str) -> str:
    """The heading of the first image with changed tables of a purpose."""
    images = (
        image["id"]
        for image in document["images"]
        if any(table["purpose"] == purpose for table in image["tables"])
    )
    return next((f"~image-{number}" for number in images), _TABLES)


def _count(class_name: str, number: int, noun: str, target: str = _FINDINGS, **filters: str) -> str:
    return html_page.count(class_name, number, noun, f"#{target}", _chosen(filters))


# The worst mistakes


def mistakes(document: Json) -> Iterator[str]:
    """The most dangerous mistakes, a line each, with links to their findings."""
    causes = document.get("causes", [])
    if not causes:
        return
    yield '<ol class="worst" aria-label="The most dangerous mistakes">'
    for cause in causes[:_MOST_MISTAKES]:
        severity = cause["severity"]
        badge = (
            f'<span class="badge {severity}"><span aria-hidden="true">{severity[0].upper()}</span>'
            f'<span class="aside">{severity}: </span></span>'
        )
        danger = element("strong", f"{cause['danger'].capitalize()}: ") if cause.get("danger") else ""
        path = ""
        if len(document["images"]) > 1 and "image" in cause:
            path = f"{document['images'][cause['image']]['path']}: "
        elif "source" in cause:
            path = f"{cause['source']}: "
        text = escape(f"{path}{cause['title']}")
        alarm = ' class="alarm"' if cause.get("danger") == Danger.WRONG_SOFTWARE else ""
        first = cause["findings"][0]
        yield f"<li{alarm}>{badge} {link(f'finding-{first}', f'{danger}{text}')}</li>"
    if (more := document["counts"]["mistakes"] - _MOST_MISTAKES) > 0:
        text = fmt.count(more, "more mistake")
        yield f"<li>{link(_FINDINGS, f'and {text}')}</li>"
    yield "</ol>"


# The images

#: The columns of mistakes in the matrix of images: a heading and the danger that they count.
_DANGERS = (
    ("Mistakes", ""),
    ("Disabled protections", Danger.DISABLED.value),
    ("Weakened protections", Danger.WEAKENED.value),
)


def matrix(document: Json) -> Iterator[str]:
    """The verdict for each of several images: state, mistakes, errors, warnings and waived findings."""
    images = document["images"]
    if len(images) < _FEWEST_IN_MATRIX:
        return
    headings = ["Image", "State", "Tables", *(name for name, _ in _DANGERS), "Errors", "Warnings", "Waived"]
    yield '<div class="matrix" id="~images" role="region" aria-label="Images" tabindex="0"><table><thead><tr>'
    yield from (f'<th scope="col">{heading}</th>' for heading in headings)
    yield "</tr></thead><tbody>"
    for number, image in enumerate(images):
        tables = f"~image-{number}" if image["tables"] else f"~facts-{number}"
        yield f'<tr><th scope="row">{link(tables, escape(image["path"]))}</th>'
        yield f"<td>{link(f'~facts-{number}', escape(image['state']))}</td>"
        yield _matrix_cell(len(image["tables"]), tables)
        for filters, count in _matrix_counts(document, image["id"]):
            yield _matrix_cell(count, _FINDINGS, image=image["path"], **filters)
        yield "</tr>"
    yield "</tbody></table></div>"


def _matrix_counts(document: Json, image: int) -> Iterator[tuple[dict[str, str], int]]:
    """The counts of an image, each with the filter that shows what it counts."""
    causes = [cause for cause in document.get("causes", []) if cause.get("image") == image]
    findings = [finding for finding in document["findings"] if finding.get("image") == image]
    for _, danger in _DANGERS:
        counted = [cause for cause in causes if not danger or cause.get("danger") == danger]
        yield ({"danger": danger} if danger else {}), len(counted)
    for severity in ("error", "warning"):
        yield (
            {"severity": severity},
            _amount(item for item in findings if item["severity"] == severity and "waiver" not in item),
        )
    yield {"state": "waived"}, _amount(item for item in findings if "waiver" in item)


def _amount(findings: Iterable[Json]) -> int:
    """The number of findings, those included that are folded into others."""
    return sum(1 + item.get("more", 0) for item in findings)


def _matrix_cell(count: int, target: str, **filters: str) -> str:
    if not count:
        return f"<td{class_attribute('none')}>0</td>"
    return f"<td>{link(target, f'{count:,}', **filters)}</td>"


# The names of tables


def table_key(document: Json, image: Json, table: Json) -> str:
    """The key of a table in links."""
    return f"{image['id']}.{table['name']}" if len(document["images"]) > 1 else str(table["name"])


def table_targets(document: Json, image: Json, tables: Sequence[Json], field: str) -> dict[str, str]:
    """The places of tables by their ``field``, "name" or "title"."""
    return {table.get(field) or table["name"]: table_key(document, image, table) for table in tables}
