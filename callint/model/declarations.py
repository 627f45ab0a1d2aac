"""What a definition file declares, and how: names, addresses in digits that look like a mistake, mistakes."""

from __future__ import annotations

from collections.abc import Iterable
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


@dataclass(frozen=True, slots=True)
class InvalidElement:
    """An element with a mistake in its form, which the definition lacks or has without the invalid part.

    ``space`` is that of a declaration; "relation" or "sensor"; or REPEATED for one that has the name of
    another one. ``names`` are its own name, or all that a relation or
    sensor names. ``at`` is the address of a table, text or axis, or where a checksum is
    stored, as far as it is known.
    """

    space: str
    names: tuple[str, ...]
    line: int
    at: int | None = None


#: The space of an element that has the name of another one, and so is left out.
REPEATED = "repeated"


class InvalidNames:
    """The names of invalid elements: whatever refers to one is right, and is judged when the element is."""

    def __init__(self, invalid: Iterable[InvalidElement]) -> None:
        self._names: dict[str, set[str]] = {}
        for element in invalid:
            self.add(element)

    def add(self, element: InvalidElement) -> None:
        """Enter an element."""
        self._names.setdefault(element.space, set()).update(element.names or ("",))

    def has(self, space: str, name: str) -> bool:
        """Whether an invalid element of a kind may have a name; it may have any if its name is invalid."""
        names = self._names.get(space, set())
        return name in names or "" in names

    def relates(self, *names: str) -> bool:
        """Whether an invalid relation may join tables of these names."""
        return not self._names.get("relation", set()).isdisjoint(names)
