"""The review as one page for a browser: its first screen is plain HTML, and a script draws its tables.

The page is one file with its style, its script, and the review document, from which the script draws grids
and pictures. The page's content security policy forbids every request and allows only this style and this
script by their hashes, so no stranger's text in a title can run.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any

from callint import fmt
from callint.model.rule_ids import CHANGE_UNEXPLAINED_BYTES as UNEXPLAINED_BYTES
from callint.model.rule_ids import IMAGE_STALE_CHECKSUM as STALE_CHECKSUM
from callint.reporting import html_page
from callint.reporting.html_page import element, items
from callint.reporting.review import first_screen
from callint.reporting.review.first_screen import (
    SEVERITIES,
    link,
    linked_names,
    short,
    table_key,
    table_targets,
)
from callint.reporting.review.job_card import job_card, sheets_style
from callint.reporting.review.unscripted import Unscripted, unscripted_findings

#: The parts of the script in order; the last one starts it.
_SCRIPTS = (
    "elements", "tables", "columns", "folding", "grid", "overview", "scales", "plots", "scalar", "surface",
    "pictures", "sections", "findings", "signing", "signing_text", "signing_file", "signing_section",
    "filter", "list", "modes", "history", "keys", "print", "review",
)  # fmt: skip
#: The parts of the style in order.
_STYLES = ("list", "review", "grid", "pictures", "signing", "unscripted", "print")
_FOLDER = "reporting/review/browser"
#: The digits of a digest and of the id of a commit that are shown.
_DIGITS, _SHORT_ID = 16, 10
#: The sentence about an image that was not changed in place.
_STATES = {
    "added": "This image is new; it is compared with its base, if it has one.",
    "removed": "This image was removed.",
    "unreadable": "Nothing could be compared.",
}

Json = Mapping[str, Any]


def page(document: Json) -> str:
    """The whole page of a review document, which is valid by ``schemas/review.schema.json``.

    Equal documents give equal pages, byte for byte.
    """
    style, script = page_style() + sheets_style(document), page_script()
    title = f"{short(document['title'])}: review of a calibration change"
    body = [
        '<a class="skip" href="#~tables">Go to the tables</a>',
        *job_card(document),
        *_first_screen(document),
        '<div class="desk">',
        *_list(document),
        *_tables(document),
        "</div>",
        f'<script type="application/json" id="review">{_embedded(document)}</script>',
        f"<script>{script}</script>",
    ]
    return html_page.document(title, style, script, body)


def page_style() -> str:
    """The style of the page: all parts in one sheet."""
    return "".join(_resource(f"{name}.css") for name in _STYLES)


def page_script() -> str:
    """The script of the page: all parts in one scope."""
    parts = "".join(_resource(f"{name}.js") for name in _SCRIPTS)
    return f'(() => {{\n"use strict";\n{parts}}})();\n'


def _resource(name: str) -> str:
    return html_page.read_part(f"{_FOLDER}/{name}")


def _embedded(document: Json) -> str:
    """The document as JSON without a character that begins an end tag or a comment."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")


def _first_screen(document: Json) -> Iterator[str]:
    """What a reader must know in ten seconds."""
    yield '<header class="first">'
    parts = ["Review of a calibration change", document.get("date"), document.get("program")]
    parts.append(f"document {document['digest']}")
    yield element("p", " · ".join(filter(None, parts)), "kind")
    yield element("h1", short(document["title"]))
    yield first_screen.between(document)
    if len(document["images"]) == 1 and (digits := document["images"][0].get("sha256")):
        yield element("p", f"SHA-256 {_digests(digits)}", "between")
    if policy := document.get("policy"):
        yield element("p", f"Policy {policy['path']}, SHA-256 {policy['sha256'][:_DIGITS]}", "between")
    if paths := document.get("paths"):
        yield element("p", f"Only images below {' and '.join(paths)}.", "between")
    if diverged := document.get("parted"):
        yield element("p", f"{diverged['text']}.", "trouble")
    if commit := document.get("commit"):
        yield _commit(commit)
    yield from first_screen.verdict(document)
    yield from first_screen.mistakes(document)
    yield from _definitions(document)
    images = document["images"]
    yield from first_screen.matrix(document)
    for number, image in enumerate(images):
        if len(images) > 1:
            yield f'<section class="image" id="~facts-{number}">'
            yield element("h2", image["path"])
            yield '<div class="facts">'
            yield from _image(document, image, "h3")
            yield "</div></section>"
    yield '<div class="facts">'
    if len(images) == 1:
        yield from _image(document, images[0], "h2")
    yield from _waived(document)
    yield from _commits(document)
    yield '<section class="fact cautions"><h2>Caution</h2>'
    yield from (element("p", text) for text in document["cautions"])
    yield "</section>"
    yield "</div>"
    yield "</header>"


def _digests(digits: Json) -> str:
    """The first digits of the old and the new digest; one if they are equal."""
    sides = (digits[side][:_DIGITS] for side in ("old", "new") if side in digits)
    return " → ".join(dict.fromkeys(sides))


def _commit(commit: Json) -> str:
    subject = f"“{commit['subject']}”" if commit.get("subject") else ""
    text = ", ".join(filter(None, (commit.get("author"), commit.get("date"), subject)))
    return f'<p class="commit">{element("code", commit["id"][:_SHORT_ID])} {escape(text)}</p>'


def _definitions(document: Json) -> Iterator[str]:
    """What changed in the meaning of definitions; it comes before the images, whose verdicts rest on it."""
    for definition in document.get("definitions", []):
        yield '<section class="definition fact">'
        yield element("h2", f"Definition {definition['path']}")
        for part in definition["parts"]:
            yield element("h3", f"{part['title']}: {part['count']:,}", part["kind"])
            yield "<ul>"
            for change in part["changes"]:
                lines = f"line {change['lines']}: " if change["lines"] else ""
                yield element("li", f"{lines}{change['text']}")
            if more := part.get("more"):
                yield element("li", f"and {more:,} more; callint diff lists them")
            yield "</ul>"
        yield "</section>"


def _commits(document: Json) -> Iterator[str]:
    """The commits of a range, the newest first; nothing for a single commit, which is named already."""
    commits = document.get("commits", [])
    if len(commits) < 2:
        return
    yield '<section class="fact commits"><h2>Commits</h2>'
    yield from map(_commit, commits)
    if more := document.get("more_commits"):
        yield element("p", f"and {more:,} more", "commit")
    yield "</section>"


def _image(document: Json, image: Json, heading: str) -> Iterator[str]:
    """The facts about an image: what changed, and what it is."""
    if changed := list(_changed(document, image)):
        yield '<section class="fact changed">'
        yield element(heading, "What changed")
        yield from changed
        yield "</section>"
    if any(image.get(key) for key in ("base", "definition", "sha256", "software", "bytes", "checksums")):
        yield from _identity(document, image, heading)


def _changed(document: Json, image: Json) -> Iterator[str]:
    """What changed in an image."""
    if image["state"] in _STATES:
        yield element("p", _STATES[image["state"]])
    elif image["state"] == "same" and image.get("renamed"):
        yield "<p>No byte of this image changed, but its name did.</p>"
    # The same bytes have new findings only if a definition, a policy or a waiver changed.
    elif image["state"] == "same" and any(
        finding.get("image") == image["id"] and finding["state"] == "new" for finding in document["findings"]
    ):
        yield "<p>No byte of this image changed, but its definition, its policy or a waiver did.</p>"
    if image.get("trouble"):
        yield element("p", short(image["trouble"]), "trouble")
    groups = [sentence for sentence in image["sentences"] if "purpose" in sentence]
    if groups:
        yield '<dl class="groups">'
        for sentence in groups:
            yield _group(document, image, sentence)
        yield "</dl>"
    elif image["state"] == "changed":
        yield _unchanged(image)
    yield from (element("p", sentence["text"]) for sentence in image["sentences"] if sentence not in groups)
    yield from _axes(document, image)
    yield from items(image.get("log", []), "log")


def _group(document: Json, image: Json, sentence: Json) -> str:
    """What changed in a group of tables, with links to the group and to the tables that it names."""
    purpose, group = sentence["purpose"], sentence.get("group")
    filters = {"purpose": purpose, **({"group": group} if group else {})}
    if len(document["images"]) > 1:
        filters["image"] = image["path"]
    name = link(f"~image-{image['id']}", escape(group or "Other tables"), **filters)
    tables = [item for item in image["tables"] if (item["purpose"], item.get("group")) == (purpose, group)]
    text = linked_names(sentence["text"], table_targets(document, image, tables, "title"))
    return f"<div><dt>{name} {element('span', purpose, 'purpose')}</dt><dd>{text}</dd></div>"


def _identity(document: Json, image: Json, heading: str) -> Iterator[str]:
    """What an image is, and how many of its bytes changed."""
    yield '<section class="fact identity">'
    yield element(heading, "The image")
    yield "<dl>"
    names = {
        "renamed": "Taken for renamed",
        "base": "Base",
        "definition": "Definition",
        "old_definition": "Old definition",
    }
    targets = _rule_targets(document, image)
    yield from (_fact(name, image[key]) for key, name in names.items() if image.get(key))
    for key, name in (("title", "For"), ("old_title", "Old software")):
        if image.get(key):
            yield _fact(name, image[key])
    if digits := image.get("sha256"):
        if len(document["images"]) > 1:  # of a single image it is at the top
            yield _fact("SHA-256", _digests(digits))
        for key in ("base", "definition"):
            if key in digits:
                yield _fact(f"SHA-256 of the {key}", digits[key][:_DIGITS])
    is_pair = "old" in image and "new" in image
    for identity in image.get("software", []):
        yield _fact(identity["name"].capitalize(), _old_and_new(identity, is_pair))
    if "bytes" in image:
        yield _fact("Changed bytes", _explained(image["bytes"]))
        if runs := image["bytes"]["runs"]:
            yield _fact("Not explained", _runs(runs, image["bytes"]["more"]), targets.get(UNEXPLAINED_BYTES))
        for side in ("old", "new"):
            if one_sided := image["bytes"].get(f"only_{side}"):
                yield _fact(f"In {side.upper()} only", _runs(one_sided, 0))
    for checksum in image.get("checksums", []):
        state = "; it does not fit the contents" if checksum.get("stale") else ""
        text = f"{_old_and_new(checksum, is_pair)}{state}"
        yield _fact(f"Checksum {checksum['name']}", text, targets.get(STALE_CHECKSUM) if state else None)
    yield "</dl></section>"


def _rule_targets(document: Json, image: Json) -> dict[str, str]:
    """The place of the first finding of each rule in an image."""
    own = [finding for finding in document["findings"] if finding.get("image") == image["id"]]
    return {finding["rule"]: f"finding-{finding['id']}" for finding in reversed(own)}


def _fact(name: str, text: str, target: str | None = None) -> str:
    content = escape(text) if target is None else link(target, escape(text))
    return f"<div><dt>{escape(name)}</dt><dd>{content}</dd></div>"


def _old_and_new(entry: Json, is_pair: bool) -> str:
    """The old and the new value of an entry; one value if they are equal or there is only one image."""
    old, new = entry.get("old"), entry.get("new")
    if old is None and new is None:
        return "unknown"
    if old == new or not is_pair:
        return str(new if old is None else old)
    return f"{'not in OLD' if old is None else old} → {'not in NEW' if new is None else new}"


def _unchanged(image: Json) -> str:
    """That no table changed, or that no comparable table changed."""
    if image.get("uncompared"):
        return "<p>No table that could be compared changed.</p>"
    return "<p>No table changed.</p>"


def _explained(changed: Json) -> str:
    """The share of the changed bytes that the definition explains."""
    total, explained = changed["changed"], changed["explained"]
    if not total:
        return "none"
    # Rounded down, so that 100 % means all of them.
    share = (
        "100\N{NO-BREAK SPACE}%"
        if explained == total
        else f"{1000 * explained // total / 10}\N{NO-BREAK SPACE}%"
    )
    return f"{explained:,} of {total:,} explained ({share})"


def _runs(runs: Sequence[Json], more: int) -> str:
    parts = [f"{fmt.count(run['size'], 'byte')} at {run['address']}" for run in runs]
    return ", ".join([*parts, fmt.count(more, "more run")] if more else parts)


def _axes(document: Json, image: Json) -> Iterator[str]:
    """The moved breakpoints of each axis and their effects, with links to the tables on the axis."""
    targets = table_targets(document, image, image["tables"], "name")
    for axis in image.get("axes", []):
        unit = f" {axis['unit']}" if axis.get("unit") else ""
        pairs = zip(axis["old"], axis["new"], strict=False)
        moved = [f"{old} → {new}{unit}" for old, new in pairs if old != new]
        if "count" in axis:
            moved.append(f"{axis['count'][0]} → {axis['count'][1]} breakpoints")
        name = axis["name"] + (f" ({axis['signal']})" if axis.get("signal") else "")
        on_axis = [targets[table] for table in axis["tables"] if table in targets]
        heading = f"<strong>Axis {escape(name)}</strong>"
        heading = link(on_axis[0], heading) if on_axis else heading
        yield f'<p class="axis">{heading} {escape(", ".join(moved))}</p>'
        if effects := axis.get("effects", []):
            yield "<ul>"
            yield from (f"<li>{linked_names(text, targets)}</li>" for text in effects)
            yield "</ul>"


def _waived(document: Json) -> Iterator[str]:
    """The waived findings: who accepted them and why, with an entry for each reason."""
    groups: dict[tuple[str, str, str], dict[str, list[str]]] = {}
    titles: dict[tuple[int | None, str], str] = {}
    targets: dict[str, str] = {}
    for image in document["images"]:
        titles |= {(image["id"], table["name"]): table["title"] for table in image["tables"]}
        targets |= table_targets(document, image, image["tables"], "title")
    for finding in _in_order(document):
        if waiver := finding.get("waiver"):
            key = (waiver["who"], waiver["reason"], waiver.get("until", ""))
            table = finding.get("table", "")
            title = titles.get(_subject(finding)) or table
            groups.setdefault(key, {}).setdefault(title, []).append(finding["message"])
    if not groups:
        return
    yield '<section class="fact waived" id="~waived"><h2>Waived</h2>'
    for (author, reason, until), tables in groups.items():
        end = f", until {until}" if until else ""
        yield f"<p><strong>{escape(author)}</strong>{escape(end)}: {escape(reason)}</p>"
        yield "<ul>"
        for table, messages in tables.items():
            # Each finding is listed with its cell further down.
            text = escape(messages[0] if len(messages) == 1 else f"{len(messages):,} findings")
            name = link(targets[table], escape(table)) if table in targets else escape(table)
            yield f"<li>{f'{name}: {text}' if table else text}</li>"
        yield "</ul>"
    yield "</section>"


# The tables


def _title(table: Json) -> str:
    return str(table.get("title") or table["name"])


def _list(document: Json) -> Iterator[str]:
    """The list of the changed tables; the script adds filters."""
    yield '<nav class="list" aria-label="Changed tables">'
    yield '<div class="controls"></div>'
    worst = _worst(document)
    for image in document["images"]:
        if not (tables := image["tables"]):
            continue
        if len(document["images"]) > 1:
            yield element("p", image["path"], "path")
        yield '<ol class="tables">'
        for table in tables:
            severity = worst.get((image["id"], table["name"]), "")
            badge = (
                f'<span class="badge {severity}"><span aria-hidden="true">{severity[0].upper()}</span>'
                f'<span class="aside">, {severity}</span></span>'
                if severity
                else ""
            )
            link = escape(f"#{table_key(document, image, table)}")
            yield (
                f'<li><a href="{link}"><span class="name">{escape(_title(table))}</span>{badge}'
                f'<span class="size">{_extent(table)}</span></a></li>'
            )
        yield "</ol>"
    yield "</nav>"


def _extent(table: Json) -> str:
    """The number of changed cells of a table."""
    if not table["changed"]:
        return 'axis<span class="aside"> moved</span>'
    return f'{table["changed"]:,}/{table["nx"] * table["ny"]:,}<span class="aside"> cells changed</span>'


def _worst(document: Json) -> dict[tuple[int, str], str]:
    """The worst severity that is not waived, by image and table; findings of an axis count for its tables."""
    worst: dict[tuple[int, str], str] = {}
    order = list(SEVERITIES)
    tables_of = _concerned_tables(document)
    for finding in document["findings"]:
        if "waiver" in finding:
            continue
        for table in tables_of.get(_subject(finding), ()):
            key = (finding["image"], table["name"])
            severity = finding["severity"]
            worst[key] = min(worst.get(key, severity), severity, key=order.index)
    return worst


def _subject(finding: Json) -> tuple[int | None, str]:
    """The image and the table or axis of a finding."""
    return finding.get("image"), finding.get("table", "")


def _concerned_tables(document: Json) -> dict[tuple[int | None, str], list[Json]]:
    """The changed tables by image and by their own name or that of their axes."""
    tables_of: dict[tuple[int | None, str], list[Json]] = {}
    for image in document["images"]:
        for table in image["tables"]:
            axes = (table[side]["name"] for side in ("x", "y") if side in table)
            for name in dict.fromkeys((table["name"], *axes)):
                tables_of.setdefault((image["id"], name), []).append(table)
    return tables_of


def _in_order(document: Json) -> list[Json]:
    """The findings in the order of reading: that of the document, waived ones last."""
    return sorted(document["findings"], key=lambda finding: "waiver" in finding)


def _tables(document: Json) -> Iterator[str]:
    """The heading and the summary of each changed table; the script draws its grid and its pictures."""
    yield '<main id="~tables" tabindex="-1">'
    yield '<div class="toolbar" role="group" aria-label="Steps and view"></div>'
    yield '<div class="findings" id="~findings">'
    yield from unscripted_findings(document)
    yield "</div>"
    yield "<noscript><p>This browser runs no script: each table lists its changed cells in place of its grid."
    yield "</p></noscript>"
    unscripted = Unscripted()
    for number, image in enumerate(document["images"]):
        tables = image["tables"]
        has_several = len(document["images"]) > 1
        if has_several and not tables:
            continue
        yield f'<section class="changes" aria-labelledby="~image-{number}">'
        heading = f"Changed tables of {image['path']}" if has_several else "Changed tables"
        yield f'<h2 id="~image-{number}">{escape(heading)}</h2>'
        if not tables:
            yield _unchanged(image)
        for table in tables:
            key = escape(table_key(document, image, table))
            kind = " · ".join(filter(None, (table.get("purpose"), table.get("group"), _shape(table))))
            yield f'<article class="table" id="{key}" data-image="{number}" tabindex="-1">'
            yield f"<h3>{escape(_title(table))} <code>{escape(table['name'])}</code></h3>"
            yield element("p", kind, "kind")
            yield element("p", table["summary"], "summary")
            if table.get("movement"):
                yield element("p", table["movement"], "movement")
            yield from unscripted.table(table)
            yield '<div class="rest"></div>'
            yield "</article>"
        yield "</section>"
    yield "</main>"


def _shape(table: Json) -> str:
    unit = f", {table['unit']}" if table.get("unit") else ""
    size = {"map": f"map of {table['nx']} × {table['ny']}", "curve": f"curve of {table['nx']}"}
    return f"{size.get(table['kind'], table['kind'])}{unit}"
