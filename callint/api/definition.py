"""Definitions: the places of tables in an image, and the demands on them."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from threading import RLock

from callint.api.source import NamedBytes, Readable, files_beside, read_source, workspace_here
from callint.checking.loading import Definitions
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.reading.definition_file import problem_place


@dataclass(frozen=True, eq=False)
class CalibrationDefinition:
    """A definition file, read once for all images of it, also by several threads.

    ``problems`` are the violations of the form of a definition; ``check`` reports them too.
    """

    source: NamedBytes
    known: Definitions = field(default_factory=Definitions, repr=False)
    #: All calls share decoded images; only one call at a time may add to them.
    lock: AbstractContextManager[bool] = field(default_factory=RLock, repr=False)

    def __repr__(self) -> str:
        return f"CalibrationDefinition({self.path!r})"

    @property
    def path(self) -> str:
        """The path from the current folder, or the name of the bytes."""
        return self.source.name

    @property
    def name(self) -> str:
        """The name inside the file."""
        return self.loaded().definition.name

    @property
    def title(self) -> str:
        return self.loaded().definition.title

    @property
    def revision(self) -> int:
        return self.loaded().definition.revision

    @property
    def problems(self) -> tuple[Finding, ...]:
        return self.loaded().file.problems

    def loaded(self, label: str = "") -> LoadedDefinition:
        """The loaded definition, with a path for reports; InputError if the file is not a definition."""
        with self.lock:
            name = label or self.source.name
            result = self.known.load(self.source.data, name, files_beside(self.source, name))
        if result.loaded is None:
            first = result.file.problems[0]
            place = problem_place(first) if first.line else self.source.name
            raise InputError(f"{place}: {first.message}; callint check shows all that is wrong with it")
        return result.loaded


def load_definition(source: Readable, *, name: str | None = None) -> CalibrationDefinition:
    """Read a definition from a path or from bytes; ``name`` is the name of bytes in reports.

    Raises InputError if the file is unreadable or not a definition. callint reads a definition with invalid
    lines as far as possible: see ``problems``.
    """
    definition = CalibrationDefinition(read_source(source, name, "definition.xml"))
    definition.loaded(definition.source.label(workspace_here()))
    return definition
