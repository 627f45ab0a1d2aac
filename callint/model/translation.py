"""Titles of a definition in other languages."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Titled(StrEnum):
    """The kinds of elements whose titles can be translated; tables and texts share their names."""

    DEFINITION = "definition"
    TABLE = "table"
    GROUP = "group"
    SIGNAL = "signal"


@dataclass(frozen=True, slots=True)
class Translation:
    """The title of an element in another language, a tag of BCP 47; ``name`` is "" for the definition's."""

    language: str
    kind: Titled
    name: str
    title: str
    line: int
