"""A waiver as an entry at the end of a policy."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from callint.model.waiver import Waiver

#: Control characters, which TOML forbids, and those that could turn a line round or are not to be seen.
_ESCAPED = {"Cc", "Cf", "Co", "Zl", "Zp"}


def entry(waiver: Waiver) -> str:
    """The entry; an image or table that is "" has no line."""
    return "".join(f"{line}\n" for line in _lines(waiver))


def with_entry(policy: bytes, waiver: Waiver) -> bytes:
    """A policy with a waiver behind everything that it holds, which stays as it is to the byte.

    Lines end as the policy's do. UnicodeEncodeError where a name holds what is no text.
    """
    windows = b"\r\n" in policy
    between = "" if not policy.strip(b"\xef\xbb\xbf") else "\n" if policy.endswith(b"\n") else "\n\n"
    added = between + entry(waiver)
    return policy + (added.replace("\n", "\r\n") if windows else added).encode()


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
    """A text as TOML's basic string."""
    return f'"{"".join(map(_character, text))}"'


def _character(character: str) -> str:
    if character in '"\\':
        return f"\\{character}"
    if unicodedata.category(character) not in _ESCAPED:
        return character
    code = ord(character)
    return f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"
