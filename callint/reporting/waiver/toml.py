"""A waiver as an entry of a policy in TOML."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from callint.model.waiver import Waiver

#: The categories of control characters, which TOML forbids, and of characters that are invisible or that
#: reverse a line.
_ESCAPED = {"Cc", "Cf", "Co", "Zl", "Zp"}


def entry(waiver: Waiver) -> str:
    """The entry; an image or a table that is "" is left out."""
    return "".join(f"{line}\n" for line in _lines(waiver))


def with_entry(policy: bytes, waiver: Waiver) -> bytes:
    """A policy with a waiver at its end; the existing bytes do not change.

    The new lines end as those of the policy. UnicodeEncodeError if a name is not valid text.
    """
    has_crlf = b"\r\n" in policy
    gap = "" if not policy.strip(b"\xef\xbb\xbf") else "\n" if policy.endswith(b"\n") else "\n\n"
    added = gap + entry(waiver)
    return policy + (added.replace("\n", "\r\n") if has_crlf else added).encode()


def _lines(waiver: Waiver) -> Iterator[str]:
    yield "[[waivers]]"
    yield f"rule = {_string(waiver.rule)}"
    if waiver.image:
        yield f"image = {_string(waiver.image)}"
    if waiver.table:
        yield f"table = {_string(waiver.table)}"
    yield f"reason = {_string(waiver.reason)}"
    yield f"who = {_string(waiver.who)}"
    if waiver.until is not None:
        yield f"until = {waiver.until.isoformat()}"
    yield f"digest = {_string(waiver.digest)}"


def _string(text: str) -> str:
    """A text as a basic string of TOML."""
    return f'"{"".join(map(_character, text))}"'


def _character(character: str) -> str:
    if character in '"\\':
        return f"\\{character}"
    if unicodedata.category(character) not in _ESCAPED:
        return character
    code = ord(character)
    return f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"
