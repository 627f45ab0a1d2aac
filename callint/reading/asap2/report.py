"""The log of an import: the losses of a description, and the names of the kept items."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field

from callint.reading.asap2.tokens import SourceLocation

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.\-\[\]]*")
_NOT_IN_NAME = re.compile(r"[^A-Za-z0-9_.\-\[\]]")
#: Characters that XML 1.0 cannot hold.
_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_MAX_NAME, _MAX_LABEL = 128, 512


@dataclass(frozen=True, slots=True)
class Loss:
    """An item of a description that is not kept as described, and the reason.

    ``is_whole`` is True if the whole item is left out; otherwise part of it is kept.
    """

    kind: str
    name: str
    reason: str
    place: SourceLocation
    is_whole: bool = False


class NotKeptError(Exception):
    """The reason why an item of a description cannot be kept at all."""


def is_name(text: str) -> bool:
    """Whether a text is a valid name in a definition."""
    return _NAME.fullmatch(text) is not None and len(text) <= _MAX_NAME


def label(text: str, default: str = "-") -> str:
    """A text as one line that a definition can hold; ``default`` if the line is empty."""
    if text and len(text) <= _MAX_LABEL and text.isprintable() and "  " not in text and text.strip() == text:
        return text
    line = " ".join(_NOT_IN_XML.sub("\ufffd", text).split())[:_MAX_LABEL].rstrip()
    return line or default


def plain(number: float) -> str:
    """A number in at most 12 digits, for the reasons of losses."""
    return f"{number:.12g}".replace("e+", "e")


@dataclass
class ImportLog:
    """The losses so far, and the names that a definition uses, by name space and name in the description."""

    losses: list[Loss] = field(default_factory=list)
    names: dict[str, dict[str, str]] = field(default_factory=dict)
    _taken: dict[str, set[str]] = field(default_factory=dict)
    _repeats: dict[tuple[str, str], int] = field(default_factory=dict)

    def change(self, kind: str, name: str, reason: str, place: SourceLocation) -> None:
        """Record that part of an item is not kept as described."""
        self.losses.append(Loss(kind, name, reason, place))

    def omit(self, kind: str, name: str, reason: str, place: SourceLocation) -> None:
        """Record that an item is left out."""
        self.losses.append(Loss(kind, name, reason, place, is_whole=True))

    # Names

    def name(self, space: str, given: str, place: SourceLocation | None, key: str | None = None) -> str:
        """The name in a definition for a name in a description.

        A name that is not valid is rewritten; with a ``place`` that is recorded. Two items of one name get
        different names if they have different ``key``.
        """
        known = self.names.setdefault(space, {})
        key = given if key is None else key
        if key in known:
            return known[key]
        taken = self._taken.setdefault(space, set())
        wanted = given
        if not _NAME.fullmatch(given):
            wanted = _NOT_IN_NAME.sub("_", given)
            wanted = wanted if _NAME.match(wanted) else f"_{wanted}"
        if len(wanted) > _MAX_NAME:
            # Long names differ at their ends as often as at their beginnings.
            wanted = f"{wanted[: _MAX_NAME - 9]}_{_digest(given)}"
        name = wanted
        while name in taken:
            number = self._repeats[space, wanted] = self._repeats.get((space, wanted), 1) + 1
            name = f"{wanted[: _MAX_NAME - 8]}_{number}"
        if name != given and place is not None:
            self.change(space, given, f"its name is rewritten as {name}", place)
        known[key] = name
        taken.add(name)
        return name


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:8]
