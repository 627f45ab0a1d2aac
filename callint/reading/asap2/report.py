"""What a definition cannot keep of a description, item by item, and the names of what it keeps."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field

from callint.reading.asap2.tokens import Place

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.\-\[\]]*")
_NO_NAME = re.compile(r"[^A-Za-z0-9_.\-\[\]]")
#: What XML 1.0 cannot hold.
_NO_TEXT = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_MAX_NAME, _MAX_LABEL = 128, 512


@dataclass(frozen=True, slots=True)
class Loss:
    """Something that is described and not kept as it is: what of it, and why.

    ``is_whole`` says that it is left out, and not kept in part.
    """

    kind: str
    name: str
    reason: str
    place: Place
    is_whole: bool = False


class LostError(Exception):
    """Why something cannot be kept at all."""


def is_name(text: str) -> bool:
    """Whether a definition can have such a name."""
    return _NAME.fullmatch(text) is not None and len(text) <= _MAX_NAME


def label(text: str, otherwise: str = "-") -> str:
    """One line of text as a definition can hold it."""
    words = " ".join(_NO_TEXT.sub("\ufffd", text).split())[:_MAX_LABEL].rstrip()
    return words or otherwise


def plain(number: float) -> str:
    """A number in few digits, for reasons."""
    return f"{number:.12g}".replace("e+", "e")


@dataclass
class ImportReport:
    """The losses so far, and the names in each space by the names that were given."""

    losses: list[Loss] = field(default_factory=list)
    names: dict[str, dict[str, str]] = field(default_factory=dict)
    taken: dict[str, set[str]] = field(default_factory=dict)
    repeats: dict[tuple[str, str], int] = field(default_factory=dict)

    def lose(self, kind: str, name: str, reason: str, place: Place) -> None:
        self.losses.append(Loss(kind, name, reason, place))

    # Names

    def name(self, space: str, given: str, place: Place | None, key: str | None = None) -> str:
        """A name as a definition can have it; one that had to be rewritten is listed where it has a place.

        What two ``key`` tell apart has two names.
        """
        known = self.names.setdefault(space, {})
        key = given if key is None else key
        if key in known:
            return known[key]
        taken = self.taken.setdefault(space, set())
        wanted = given
        if not _NAME.fullmatch(given):
            wanted = _NO_NAME.sub("_", given)
            wanted = wanted if _NAME.match(wanted) else f"_{wanted}"
        if len(wanted) > _MAX_NAME:
            # Long names differ at their ends as often as at their beginnings.
            wanted = f"{wanted[: _MAX_NAME - 9]}_{_digest(given)}"
        found = wanted
        while found in taken:
            number = self.repeats[space, wanted] = self.repeats.get((space, wanted), 1) + 1
            found = f"{wanted[: _MAX_NAME - 8]}_{number}"
        if found != given and place is not None:
            self.lose(space, given, f"its name is rewritten as {found}", place)
        known[key] = found
        taken.add(found)
        return found


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:8]
