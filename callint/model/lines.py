"""The files of a definition, and the lines of its elements in them.

A definition may take elements from other files. The model gives each element one number for its line, in one
count over all files; this module turns the number into a file and a line.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Source:
    """A file that a definition builds on: the number of one of its lines is ``first`` plus the line.

    ``reference`` is the line of the definition file that leads to this file, directly or through other files;
    0 for the definition file itself.
    """

    path: str
    first: int
    reference: int = 0


@dataclass(frozen=True, slots=True)
class Lines:
    """The files of a definition, rising by ``first``.

    ``changed_at`` has, by the number of an inherited element, the number of the last change to it.
    """

    sources: tuple[Source, ...] = ()
    changed_at: Mapping[int, int] = field(default_factory=dict)

    @property
    def path(self) -> str:
        """The path of the definition file itself; "" if the definition was not read from a file."""
        return next((source.path for source in self.sources if not source.reference), "")

    @property
    def parts(self) -> tuple[str, ...]:
        """The paths of the other files."""
        return tuple(source.path for source in self.sources if source.reference)

    @property
    def is_plain(self) -> bool:
        """Whether the number of an element is the line of the definition file that declares it."""
        return not self.changed_at and (
            not self.sources or (len(self.sources) == 1 and not self.sources[0].first)
        )

    def location(self, number: int) -> tuple[str, int]:
        """The file and line of an element; of the last change to it, if it is inherited and changed."""
        return self.declared_at(self.changed_at.get(number, number))

    def declared_at(self, number: int) -> tuple[str, int]:
        """The file and line that declare an element, whatever changes it afterwards."""
        source = self._source(number)
        return source.path, number - source.first

    def line_in_file(self, number: int) -> int:
        """The line of the definition file to which an element is due: its own, a change's, or a reference."""
        number = self.changed_at.get(number, number)
        source = self._source(number)
        return source.reference or number - source.first

    def origin(self, number: int) -> tuple[str, int]:
        """The other file and the line there that an element comes from; "" and 0 for one of this file."""
        source = self._source(self.changed_at.get(number, number))
        if not source.reference and number in self.changed_at:
            source = self._source(number)
            return source.path, number - source.first
        return self.location(number) if source.reference else ("", 0)

    def text(self, number: int) -> str:
        """The place of an element for people: "line 5", or "line 5 of parent.xml" in another file."""
        path, line = self.location(number)
        return f"line {line}" if path == self.path else f"line {line} of {path}"

    def _source(self, number: int) -> Source:
        place = bisect_right(self.sources, number - 1, key=lambda source: source.first)
        return self.sources[max(place - 1, 0)] if self.sources else Source("", 0)
