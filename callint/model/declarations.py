"""What a definition file declares, and how: names, and addresses in digits that look like a mistake."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Declaration:
    """A declared name. A list of these keeps repeats, which a mapping by name cannot."""

    space: str
    name: str
    line: int


@dataclass(frozen=True, slots=True)
class DecimalAddress:
    """An address in decimal digits, in a file that gives most addresses in hexadecimal ones.

    ``owner`` is the name of the element, or its tag if it has no name; ``text`` is the address as written.
    """

    owner: str
    attribute: str
    text: str
    line: int
