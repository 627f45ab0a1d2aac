"""Definitions: what lies where in an image, and what must hold for it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from threading import RLock

from callint.api.source import Readable, Source, read_source, workspace_here
from callint.checking.loading import Definitions
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.errors import InputError
from callint.model.finding import Finding


@dataclass(frozen=True, eq=False)
class CalibrationDefinition:
    """A definition file, read once for all images that it is used with, also by several threads.

    ``problems`` are the places where the file breaks the form of a definition; ``check`` reports them too.
    """

    source: Source
    known: Definitions = field(default_factory=Definitions, repr=False)
    #: Decoded images are shared by all calls; one call at a time may add to them.
    lock: AbstractContextManager[bool] = field(default_factory=RLock, repr=False)

    def __repr__(self) -> str:
        return f"CalibrationDefinition({self.path!r})"

    @property
    def path(self) -> str:
        """The path as it was given, seen from the current folder, or the name of the bytes."""
        return self.source.name

    @property
    def name(self) -> str:
        """The name that the file gives itself."""
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
        """What the engine works with, under a path for reports; InputError where it is no definition."""
        with self.lock:
            result = self.known.load(self.source.data, label or self.source.name)
        if result.loaded is None:
            first = result.file.problems[0]
            place = f"{first.definition}:{first.line}" if first.line else self.source.name
            raise InputError(f"{place}: {first.message}; callint check shows all that is wrong with it")
        return result.loaded


def load_definition(source: Readable, *, name: str | None = None) -> CalibrationDefinition:
    """Read a definition from a path or from bytes; ``name`` is what reports call bytes.

    Raises InputError where the file cannot be read or is no definition at all. One that is not valid in every
    line is read as far as it goes: see ``problems``.
    """
    definition = CalibrationDefinition(read_source(source, name, "definition.xml"))
    definition.loaded(definition.source.label(workspace_here()))
    return definition
