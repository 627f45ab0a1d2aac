"""The differences between two images."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, overload

from callint.api.definition import CalibrationDefinition
from callint.api.html import change_html, changes_html
from callint.api.image import CalibrationImage, context_of
from callint.api.table import CalibrationTable
from callint.model.change import ChangeSet, Flags, Numbers, TableChange
from callint.reporting.changes.json import changes_document
from callint.reporting.changes.wording import closing_line
from callint.rules.context import CheckContext

if TYPE_CHECKING:
    from callint.api.softwares import SoftwareChanges


@dataclass(frozen=True, eq=False)
class ChangedTable:
    """A table with changed cells; ``before`` and ``after`` are the whole table in either image."""

    change: TableChange = field(repr=False)
    before: CalibrationTable = field(repr=False)
    after: CalibrationTable = field(repr=False)

    @property
    def name(self) -> str:
        return self.after.name

    @property
    def unit(self) -> str:
        """The unit of old and new values; "" if it has none."""
        return self.after.unit

    @property
    def old(self) -> Numbers:
        """The old values, shape (rows, columns); NaN if a cell is off or absent."""
        return self.before.values

    @property
    def new(self) -> Numbers:
        """The new values, shape (rows, columns); NaN if a cell is off or absent."""
        return self.after.values

    @property
    def flags(self) -> Flags:
        """Whether the stored bits of each cell differ, shape (rows, columns)."""
        flags = self.change.changed.view()
        flags.flags.writeable = False
        return flags

    @property
    def count(self) -> int:
        """The number of changed cells."""
        return self.change.count

    def __repr__(self) -> str:
        return f"ChangedTable({self.name!r}, {self.count:,} of {self.flags.size:,} cells)"

    def _repr_html_(self) -> str:
        return change_html(self.change, self.after.context)


@dataclass(frozen=True, eq=False)
class ImageChanges:
    """All differences from an old image to a new one; false if there are none.

    ``tables`` has the tables with changed cells by name, in the order of the definition. ``names`` are the
    names of the old image, the new image and the definition.
    """

    context: CheckContext = field(repr=False)
    names: tuple[str, str, str]
    tables: dict[str, ChangedTable]

    @property
    def summary(self) -> dict[str, int]:
        """The number of ``tables``, ``cells`` and ``bytes`` that changed.

        ``unexplained_bytes`` counts changed bytes that the definition does not describe.
        """
        counts: dict[str, int] = self._document()["summary"]
        return counts

    def to_json(self) -> str:
        """The document that ``callint diff --format json`` prints: also axes, texts, sums and identities."""
        return json.dumps(self._document(), indent=1, allow_nan=False) + "\n"

    def __bool__(self) -> bool:
        return not self._changes.is_empty

    def __repr__(self) -> str:
        return f"ImageChanges({closing_line(self._changes).removesuffix('.')})"

    def _repr_html_(self) -> str:
        return changes_html(self.context)

    @property
    def _changes(self) -> ChangeSet:
        return self.context.changes

    def _document(self) -> dict[str, Any]:
        return changes_document(self._changes, *self.names)


@overload
def diff(
    old: CalibrationImage,
    new: CalibrationImage,
    definition: CalibrationDefinition,
    old_definition: None = None,
) -> ImageChanges: ...


@overload
def diff(
    old: CalibrationImage,
    new: CalibrationImage,
    definition: CalibrationDefinition,
    old_definition: CalibrationDefinition,
) -> SoftwareChanges: ...


def diff(
    old: CalibrationImage,
    new: CalibrationImage,
    definition: CalibrationDefinition,
    old_definition: CalibrationDefinition | None = None,
) -> ImageChanges | SoftwareChanges:
    """The differences between two images, as ``callint diff OLD NEW --definition FILE`` prints them.

    With the definition of the old software, OLD and NEW are images of two software versions: they are
    compared by table name, at the breakpoints of both and in the units of NEW. Raises InputError if an image
    is damaged, empty, or of other software than its definition's.
    """
    if old_definition is not None:
        from callint.api.softwares import compare_images  # few callers compare software versions

        return compare_images((old, new), (old_definition, definition))
    with definition.lock:
        context, before = context_of(definition, new, old), context_of(definition, old)
        tables = {
            change.table.name: ChangedTable(
                change,
                CalibrationTable(before, change.table, before.new.grid(change.table)),
                CalibrationTable(context, change.table, change.new),
            )
            for change in context.changes.tables
        }
    return ImageChanges(context, (old.name, new.name, definition.path), tables)
