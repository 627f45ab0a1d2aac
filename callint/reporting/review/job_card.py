"""The job card of a review: the first sheet of its print, which two people sign.

A card holds one sheet, whatever the review is: long texts end in "…", and long lists say how many more there
are. The screen and readers without style do not show it, because the first screen says the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any

from callint import fmt
from callint.reporting.html_page import element
from callint.reporting.review.first_screen import short

#: The most mistakes, images, and facts of each kind about an image on the card.
_MOST_MISTAKES, _MOST_IMAGES, _MOST_FACTS = 8, 6, 3
#: The most characters of a text on the card, of its verdict and its warning, and of the title of a sheet.
_MOST_CHARACTERS, _MOST_IN_VERDICT, _MOST_IN_WARNING, _MOST_IN_TITLE = 118, 500, 300, 60

Json = Mapping[str, Any]


def job_card(document: Json) -> Iterator[str]:
    """The card: verdict, causes, identity, digests, signatures."""
    yield '<section class="card" hidden aria-label="Job card">'
    yield element("p", f"Job card: {_cut(document['title'])}", "title")
    subject = [document.get("date"), document["program"], f"document {document['digest']}"]
    yield element("p", " · ".join(filter(None, subject)), "kind")
    if diverged := document.get("parted"):
        yield element("p", f"{_cut(diverged['text'], _MOST_IN_WARNING)}.")
    yield element("p", _cut(document["verdict"], _MOST_IN_VERDICT), "verdict-on-card")
    yield from _mistakes(document)
    yield from _identity(document)
    yield element("h2", "Signatures")
    yield '<p class="decided"></p>'
    yield "<dl>"
    for role in ("Changed by, on", "Reviewed by, on", "Flashed by, on"):
        yield f'<div class="to-sign"><dt>{role}</dt><dd></dd></div>'
    yield "</dl>"
    yield "<p>The sheets behind this card carry the same document digest.</p>"
    yield "</section>"


def sheets_style(document: Json) -> str:
    """The style that puts title, digest and number on each sheet, in browsers that print in its margins."""
    title = _css_text(_cut(document["title"], _MOST_IN_TITLE))
    digest = _css_text(f"{document['program']}, document {document['digest']}")
    font = "font: 7.5pt sans-serif; color: #444;"
    return (
        "@page { size: A4; margin: 14mm 12mm 15mm;\n"
        f'  @top-left {{ content: "{title}"; {font} }}\n'
        f'  @bottom-left {{ content: "{digest}"; {font} }}\n'
        f'  @bottom-right {{ content: "Sheet " counter(page) " of " counter(pages); {font} }}\n'
        "}\n"
    )


def _css_text(text: str) -> str:
    """A text for a string of a style sheet: whatever could end the string is written as a number."""
    return re.sub(r"[^A-Za-z0-9 .,/_-]", lambda match: f"\\{ord(match[0]):x} ", text)


def _cut(text: str, most: int = _MOST_CHARACTERS) -> str:
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def _mistakes(document: Json) -> Iterator[str]:
    """The most dangerous mistakes with their values, and how many more there are."""
    causes: Sequence[Json] = document.get("causes", [])
    if not causes:
        return
    yield element("h2", fmt.count(document["counts"]["mistakes"], "mistake"))
    yield '<ol class="mistakes">'
    for cause in causes[:_MOST_MISTAKES]:
        danger = f"{cause['danger']}: " if cause.get("danger") else ""
        path = ""
        if len(document["images"]) > 1 and "image" in cause:
            path = f"{document['images'][cause['image']]['path']}: "
        elif "source" in cause:
            path = f"{cause['source']}: "
        yield element("li", _cut(f"{cause['severity'].capitalize()}: {path}{danger}{cause['title']}"))
    yield "</ol>"
    if (more := document["counts"]["mistakes"] - min(len(causes), _MOST_MISTAKES)) > 0:
        yield element("p", f"{fmt.count(more, 'more mistake')} on the sheets behind.")


def _identity(document: Json) -> Iterator[str]:
    """What was compared: names, software, checksums, and the digests of all bytes."""
    images: Sequence[Json] = document["images"]
    yield element("h2", "Identity and digests")
    yield '<dl class="identity">'
    yield from _row("Old", short(document["old"]))
    yield from _row("New", short(document["new"]))
    for image in images[:_MOST_IMAGES]:
        yield from _image(image, is_single=len(images) == 1)
    if policy := document.get("policy"):
        yield from _row("SHA-256, policy", policy["sha256"])
    yield "</dl>"
    if (more := len(images) - _MOST_IMAGES) > 0:
        yield element("p", f"{fmt.count(more, 'more image')} on the sheets behind.")


def _image(image: Json, is_single: bool) -> Iterator[str]:
    if is_single:
        yield from _row("Base", image.get("base", ""))
        yield from _row("Definition", image.get("definition", ""))
        for identity in image["software"][:_MOST_FACTS]:
            yield from _row(
                identity["name"].capitalize(), identity.get("new", identity.get("old", "unknown"))
            )
        for checksum in image["checksums"][:_MOST_FACTS]:
            state = "; it does not fit the contents" if checksum.get("stale") else ""
            yield from _row(f"Checksum {checksum['name']}", f"{checksum.get('new', 'unknown')}{state}")
        more = [max(len(image[key]) - _MOST_FACTS, 0) for key in ("software", "checksums")]
        if any(more):
            yield from _row("More", f"{sum(more)} identities and checksums on the sheets behind")
    else:
        yield from _row("Image", f"{image['path']} ({image['state']})")
    for side, digest in image.get("sha256", {}).items():
        yield from _row(f"SHA-256, {side}", digest)


def _row(name: str, text: str) -> Iterator[str]:
    if text:
        yield f"<div><dt>{escape(_cut(name, 24))}</dt><dd>{escape(_cut(text))}</dd></div>"
