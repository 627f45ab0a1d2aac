"""Record layouts of a description: how the numbers of a table and of its own axes follow each other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from callint.model.definition import NumberType
from callint.reporting.export.names import TYPES

#: The most bytes between two parts of a record; parts further apart become blocks of their own.
MOST_BYTES_BETWEEN = 32


@dataclass(frozen=True, slots=True)
class Part:
    """Numbers in a record: keyword, address, type, count, and the arguments after the type."""

    keyword: str
    at: int
    type: NumberType
    count: int
    arguments: str = ""

    @property
    def end(self) -> int:
        return self.at + self.count * self.type.size


def are_adjacent(parts: Iterable[Part]) -> bool:
    """Whether the parts lie behind each other in one record, in any order."""
    ordered = sorted(parts, key=lambda part: part.at)
    return all(0 <= after.at - before.end <= MOST_BYTES_BETWEEN for before, after in pairwise(ordered))


class RecordLayouts:
    """The RECORD_LAYOUT blocks of a description: one for each sequence of parts."""

    def __init__(self) -> None:
        self._names: dict[str, str] = {}

    def layout(self, parts: Iterable[Part]) -> str:
        """The name of the layout of the parts, which lie behind each other."""
        elements: list[str] = []
        before: Part | None = None
        for part in sorted(parts, key=lambda part: part.at):
            if before is not None:
                elements += ["RESERVED {} BYTE"] * (part.at - before.end)
            elements.append(f"{part.keyword} {{}} {TYPES[part.type]} {part.arguments}".rstrip())
            before = part
        return self.named(element.format(number) for number, element in enumerate(elements, 1))

    def named(self, elements: Iterable[str]) -> str:
        """The name of the layout with these elements."""
        return self._names.setdefault(" ".join(elements), f"RECORD_{len(self._names) + 1}")

    def rows(self) -> Iterator[str]:
        """The lines of all layouts."""
        for elements, name in self._names.items():
            yield f"/begin RECORD_LAYOUT {name} {elements} /end RECORD_LAYOUT"
