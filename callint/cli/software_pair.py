"""Images of two software versions on the command line."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.name_selection import names_matching
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.log_residency import LogSummary
from callint.decoding.surfaces import Surface, is_readable
from callint.model.change import TableChange
from callint.model.definition import Definition
from callint.model.image import Image

if TYPE_CHECKING:  # few calls compare software versions
    from callint.comparing.softwares.result import SoftwareChange


@dataclass(frozen=True, slots=True)
class SoftwarePair:
    """Two images with a definition each."""

    old: LoadedDefinition
    new: LoadedDefinition
    old_image: Image
    new_image: Image

    @property
    def definition_paths(self) -> tuple[str, str]:
        return self.old.file.path, self.new.file.path

    def compare(self, globs: tuple[str, ...], at: tuple[str, ...] = ()) -> SoftwareChange:
        """The change; ``globs`` select tables and texts, and ``at`` is an operating point.

        InputError if a glob matches nothing in either definition, or if the point is unusable.
        """
        from callint.comparing.softwares.compare import compare_softwares  # few calls need it

        names = None
        if globs:
            definitions: tuple[Definition, ...] = self.old.definition, self.new.definition
            known = [name for item in definitions for name in (*item.tables, *item.texts)]
            names = names_matching(dict.fromkeys(known), globs)
        point = None
        if at:
            from callint.cli.operating_point_option import parse_point

            old, new = self.old.definition, self.new.definition
            point = parse_point(replace(new, signals={**old.signals, **new.signals}), ",".join(at))
        images = self.old.decoded(self.old_image), self.new.decoded(self.new_image)
        return compare_softwares(*images, names, point)


def read_change_log(name: str, resolver: DefinitionResolver, change: SoftwareChange) -> LogSummary:
    """The logged time at the points of the tables that differ. InputError if the log is unusable."""
    from callint.cli.log_option import read_log

    definition = change.changes.definition
    surfaces = [
        Surface(table.new, signals)
        for table in change.changes.tables
        if (signals := _signals(definition, table)) is not None
    ]
    return read_log(name, resolver.policy, definition, surfaces)


def _signals(definition: Definition, change: TableChange) -> tuple[str, ...] | None:
    """The signals of a table; None if no operating point reaches every point of it."""
    signals = tuple(definition.axes[axis].signal for axis in change.table.axes)
    axes = (axis for axis in (change.new.x, change.new.y) if axis is not None)
    return signals if len(set(signals)) == len(signals) and all(map(is_readable, axes)) else None
