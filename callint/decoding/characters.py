"""Tells texts from other bytes that were read as a text."""

from __future__ import annotations


def written_part(text: str) -> str:
    """A text up to its first NUL: what follows that is left from longer texts, or belongs to nothing."""
    return text.partition("\0")[0]


def count_strange_characters(text: str) -> int:
    """The number of characters of a decoded text, up to its first NUL, that nobody writes.

    These are control characters and what stands for bytes that are invalid in the encoding.
    """
    return sum(char == "\ufffd" or not (char.isprintable() or char.isspace()) for char in written_part(text))
