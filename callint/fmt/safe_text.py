"""Untrusted text and bytes, made safe for a terminal."""

from __future__ import annotations

import unicodedata


def clean(text: str) -> str:
    r"""Text without characters that control a terminal or reverse a line; they show as \uXXXX."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(character if is_harmless(character) else _escaped(character) for character in text)


def is_harmless(character: str) -> bool:
    """Whether a character neither controls a terminal nor is invisible."""
    # Cc are control characters, Cf invisible formatting such as bidirectional overrides, Co and Cs are
    # for private use and half characters.
    return unicodedata.category(character) not in {"Cc", "Cf", "Co", "Cs", "Zl", "Zp"}


def _escaped(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def byte_string(content: bytes) -> str:
    """Bytes in quotes if they are printable ASCII, else in hexadecimal."""
    text = content.decode("ascii", "replace")
    return f'"{text}"' if text.isprintable() and "\ufffd" not in text else content.hex(" ")
