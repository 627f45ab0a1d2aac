"""The differences between images of two software versions."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from callint.api.definition import CalibrationDefinition
from callint.api.html import software_html, software_table_html
from callint.api.image import CalibrationImage, context_of
from callint.comparing.softwares.compare import compare_softwares
from callint.comparing.softwares.result import SoftwareChange
from callint.model.change import Flags, Grid, Numbers, TableChange
from callint.reporting.softwares.json import software_changes_document
from callint.reporting.softwares.wording import closing_sentence


@dataclass(frozen=True, eq=False)
class ComparedTable:
    """A table that two software versions read differently, at the breakpoints of both.

    Its name, unit and signals are those of the new software.
    """

    software: SoftwareChange = field(repr=False)
    change: TableChange = field(repr=False)

    @property
    def name(self) -> str:
        return self.change.table.name

    @property
    def unit(self) -> str:
        """The unit of old and new values; "" if it has none."""
        return self.software.changes.definition.unit_of(self.change.table)

    @property
    def x(self) -> Numbers | None:
        """The breakpoints of both versions along x, shape (columns,); None for a scalar."""
        return _read_only(self.change.new.x)

    @property
    def y(self) -> Numbers | None:
        """The breakpoints of both versions along y, shape (rows,); None if it is not a map."""
        return _read_only(self.change.new.y)

    @property
    def old(self) -> Numbers:
        """The outputs of the old software in the new unit, shape (rows, columns); NaN if off or unknown."""
        return _values(self.change.old)

    @property
    def new(self) -> Numbers:
        """The outputs of the new software, shape (rows, columns); NaN if off or unknown."""
        return _values(self.change.new)

    @property
    def flags(self) -> Flags:
        """Whether the outputs differ by more than rounding, shape (rows, columns)."""
        flags = self.change.changed.view()
        flags.flags.writeable = False
        return flags

    @property
    def count(self) -> int:
        """The number of points that differ."""
        return self.change.count

    def __repr__(self) -> str:
        return f"ComparedTable({self.name!r}, {self.count:,} of {self.flags.size:,} points)"

    def _repr_html_(self) -> str:
        return software_table_html(self.software, self.change)


@dataclass(frozen=True, eq=False)
class SoftwareChanges:
    """All differences between images of two software versions; false if there are none.

    ``tables`` has the tables that the versions read differently by their new names, the most important first.
    """

    change: SoftwareChange = field(repr=False)
    names: tuple[str, str]
    definitions: tuple[str, str]
    tables: dict[str, ComparedTable]

    @property
    def renamed(self) -> dict[str, str]:
        """The new names of tables and texts by their old ones, of those whose name differs."""
        return {old.name: new.name for old, new in self.change.renamed}

    @property
    def only_old(self) -> tuple[str, ...]:
        """The names of tables and texts that only the old software has."""
        return tuple(item.name for item in self.change.only_old)

    @property
    def only_new(self) -> tuple[str, ...]:
        """The names of tables and texts that only the new software has."""
        return tuple(item.name for item in self.change.only_new)

    @property
    def summary(self) -> dict[str, int]:
        """The counts of the JSON document."""
        counts: dict[str, int] = self._document()["summary"]
        return counts

    def to_json(self) -> str:
        """The document that ``callint diff --format json`` prints for two software versions."""
        return json.dumps(self._document(), indent=1, allow_nan=False) + "\n"

    def __bool__(self) -> bool:
        return not self.change.is_empty

    def __repr__(self) -> str:
        return f"SoftwareChanges({closing_sentence(self.change).removesuffix('.')})"

    def _repr_html_(self) -> str:
        return software_html(self.change)

    def _document(self) -> dict[str, Any]:
        return software_changes_document(self.change, self.names, self.definitions)


def compare_images(
    images: tuple[CalibrationImage, CalibrationImage],
    definitions: tuple[CalibrationDefinition, CalibrationDefinition],
) -> SoftwareChanges:
    """The differences between the images of an old and a new software version."""
    old, new = images
    with definitions[0].lock:
        before = context_of(definitions[0], old).new
    with definitions[1].lock:
        after = context_of(definitions[1], new).new
    change = compare_softwares(before, after)
    tables = {item.table.name: ComparedTable(change, item) for item in change.changes.tables}
    return SoftwareChanges(change, (old.name, new.name), (definitions[0].path, definitions[1].path), tables)


def _values(grid: Grid) -> Numbers:
    values = np.where(grid.off | ~grid.present, np.nan, grid.physical)
    values.flags.writeable = False
    return values


def _read_only(breakpoints: Numbers | None) -> Numbers | None:
    if breakpoints is None:
        return None
    view = breakpoints.view()
    view.flags.writeable = False
    return view
