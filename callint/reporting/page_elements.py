"""Elements of pages for a browser: escaped texts, and the hashes of a content security policy."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Iterator
from html import escape


def policy_hash(text: str) -> str:
    """The hash of a text as the content security policy writes it."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


def element(name: str, text: str, class_name: str = "") -> str:
    """An element with a text, which is escaped."""
    return f"<{name}{class_attribute(class_name)}>{escape(text)}</{name}>"


def class_attribute(name: str) -> str:
    """A class behind a space; "" without one."""
    return f' class="{name}"' if name else ""


def items(texts: Iterable[str], class_name: str = "") -> Iterator[str]:
    """A list of texts; nothing without texts."""
    if lines := [element("li", text) for text in texts]:
        yield f"<ul{class_attribute(class_name)}>"
        yield from lines
        yield "</ul>"
