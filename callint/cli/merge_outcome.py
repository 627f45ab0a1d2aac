"""What callint merge knows of a merge, whether it merges images or definitions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from callint.model.errors import InputError
from callint.reading.definition_sniff import begins_as_definition
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # loaded when something is printed
    from callint.reporting.terminal import Terminal


@dataclass(frozen=True, slots=True)
class MergeOutcome:
    """The merged content, and the numbers of open conflicts, of all decisions, and of new findings.

    ``print_merge`` takes a terminal, a sentence about the lists of conflicts, and the commands that settle
    them; ``print_list`` prints the list of conflicts.
    """

    data: bytes
    conflicts: int
    decisions: int
    broken: int
    print_merge: Callable[[Terminal, str, Sequence[str]], None]
    print_list: Callable[[Terminal], None]
    make_json: Callable[[], str]

    @property
    def status(self) -> int:
        """The exit status: 1 if conflicts remain or the result breaks a new rule."""
        return int(bool(self.conflicts or self.broken))


class MergeJob(Protocol):
    """One merge, ready to run; ``further_inputs`` are files that it reads besides the three versions."""

    @property
    def is_definition(self) -> bool:
        """Whether it merges definitions."""
        ...

    @property
    def further_inputs(self) -> tuple[str, ...]:
        """The names of files that it reads besides the three versions."""
        ...

    def run(self) -> MergeOutcome:
        """Merge, and check the result. InputError if that is not possible."""
        ...


def are_definitions(contents: Sequence[Content]) -> bool:
    """Whether contents are definitions, not images; InputError if only some of them are."""
    which = [begins_as_definition(content.data) for content in contents]
    if any(which) and not all(which):
        image, definition = contents[which.index(False)].name, contents[which.index(True)].name
        raise InputError(f"{image}: it is not a definition, but {definition} is one; merge files of one kind")
    return all(which)
