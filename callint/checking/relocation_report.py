"""The result of callint relocate, with the names of all files."""

from __future__ import annotations

from dataclasses import dataclass

from callint.comparing.relocation.moved_definition import MovedDefinition


@dataclass(frozen=True, slots=True)
class RelocationReport:
    """A definition of another software; ``target`` is its file, "" if none is written.

    ``parent`` is the path of the definition that the file extends, "" if it is whole.
    """

    moved: MovedDefinition
    old: str
    new: str
    definition: str
    target: str
    parent: str
