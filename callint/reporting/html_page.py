"""What all pages for a browser have in common: one file, no request, no text of a stranger as HTML."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Iterator
from html import escape

from callint.reading.resources import resource


def document(title: str, style: str, script: str, body: Iterable[str], language: str = "en") -> str:
    """A whole page. Its content security policy forbids every request.

    It allows only this style and this script by their hashes; ``body`` has the script, unless it is "".
    ``language`` is the tag of the language of its texts.
    """
    policy = ["default-src 'none'", f"style-src '{_hash(style)}'"]
    if script:
        policy.append(f"script-src '{_hash(script)}'")
    policy += ["base-uri 'none'", "form-action 'none'"]
    return "\n".join(
        [
            "<!doctype html>",
            f'<html lang="{language}">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{escape("; ".join(policy))}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="color-scheme" content="light dark">',
            '<meta name="referrer" content="no-referrer">',
            element("title", title),
            f"<style>{style}</style>",
            "</head>",
            "<body>",
            *body,
            "</body>",
            "</html>",
            "",
        ]
    )


def read_part(path: str) -> str:
    """A part of a style or script that ships with callint, by its path below the package."""
    return resource(path).read_text("utf-8")


def _hash(text: str) -> str:
    """The hash of a text as the content security policy writes it."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


def element(name: str, text: str, class_name: str = "") -> str:
    """An element with a text, which is escaped."""
    return f"<{name}{class_attribute(class_name)}>{escape(text)}</{name}>"


def class_attribute(name: str) -> str:
    """The attribute for a class, behind a space; nothing for ""."""
    return f' class="{name}"' if name else ""


def items(texts: Iterable[str], class_name: str = "") -> Iterator[str]:
    """A list of texts; nothing without texts."""
    if lines := [element("li", text) for text in texts]:
        yield f"<ul{class_attribute(class_name)}>"
        yield from lines
        yield "</ul>"


def count(class_name: str, number: int, noun: str, target: str = "", chosen: str = "") -> str:
    """An amount in the list of counts, with a link to the target unless it is 0.

    ``chosen`` are further attributes of the link as HTML.
    """
    text, empty = f"<strong>{number:,}</strong> {noun}", " none" if not number else ""
    content = f'<a href="{target}"{chosen}>{text}</a>' if number and target else text
    return f'<li class="{class_name}{empty}">{content}</li>'
