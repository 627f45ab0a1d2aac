"""callint restore."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

import click
import numpy as np

from callint import fmt
from callint.checking.checker import Checker
from callint.cli.cell_option import cell_indexes
from callint.cli.edit_check import assignment_for
from callint.cli.finding_selection import FindingFilter, named_findings
from callint.cli.image_editing import EditableImage, EditOptions, edit_image, print_edit, with_checksums
from callint.cli.name_selection import names_matching
from callint.cli.options import as_options
from callint.comparing.mirrors import with_mirrors
from callint.comparing.restore import restore
from callint.model.cause import Cause, CauseKind
from callint.model.change import Flags
from callint.model.definition import Memory, StoredAxis
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.workspace import Workspace, open_workspace
from callint.rules.registry import refuse_unknown_rules

_ADDRESS = r"0[xX][0-9a-fA-F]{1,16}"
_RANGE = re.compile(rf"({_ADDRESS})(?:-({_ADDRESS}))?")
#: The longest range of bytes; the memory of a control unit is smaller.
_MOST_BYTES = 1 << 30


@dataclass(frozen=True, slots=True)
class RestoreOptions:
    """The arguments and options of callint restore."""

    image: str
    causes: tuple[str, ...]
    globs: tuple[str, ...]
    cells: tuple[str, ...]
    axes: tuple[str, ...]
    ranges: tuple[str, ...]
    definition: str | None
    base: str | None
    policy: str | None
    no_seal: bool
    dry_run: bool
    message: bool


@click.command()
@click.argument("image")
@click.argument("causes", nargs=-1, metavar="[CAUSE]...")
@click.option(
    "-t", "--table", "globs", multiple=True, metavar="GLOB", help="Restore tables and texts that match GLOB."
)
@click.option(
    "--cell", "cells", multiple=True, metavar="X,Y", help="Of the table: only the cell at these breakpoints."
)
@click.option("--axis", "axes", multiple=True, metavar="GLOB", help="Restore stored axes that match GLOB.")
@click.option(
    "--bytes",
    "ranges",
    multiple=True,
    metavar="FIRST[-LAST]",
    help="Restore the bytes at these addresses, such as 0x4F200-0x4F207.",
)
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--base", metavar="FILE", help="Image to take the content from (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--no-seal", is_flag=True, help="Leave the stored checksums as they are.")
@click.option("--dry-run", is_flag=True, help="Print the changes; write nothing.")
@click.option("--message", is_flag=True, help="Print a message for the commit in place of the changes.")
@as_options(RestoreOptions)
def command(options: RestoreOptions) -> int:
    """Restore content of the base in IMAGE: the place that a CAUSE names, or named tables, axes or bytes.

    CAUSE is the id of a cause from callint check, or the fingerprint of a finding, which stands for its
    cause. A table that must equal another one is restored with it. Everything else in the image stays as it
    is. Then callint recalculates the stored checksums.

    Restoring part of a change can leave the rest inconsistent: run callint check afterwards.
    """
    workspace = open_workspace(options.policy)
    refuse_unknown_rules(workspace.policy)
    edit_options = EditOptions(options.definition, not options.no_seal, options.dry_run, options.message)
    job = _RestoreJob(workspace, options)
    edit = edit_image(workspace, workspace.name(options.image), edit_options, job.restore)
    names = fmt.list_names(job.names, 4)
    if edit.changes.is_empty:
        summary = f"{options.image}: {names}: nothing differs from {job.base}"
    elif job.restores_nothing:
        tense = "would be recalculated; nothing was written" if options.dry_run else "is recalculated"
        summary = f"{options.image}: {names}: the checksum {tense}"
    elif options.dry_run:
        summary = f"{options.image}: {names} would be restored from {job.base}; nothing was written"
    else:
        summary = f"{options.image}: restored {names} from {job.base}"
    print_edit(edit, edit_options, f"Restore {names} of {options.image}", f"{summary}.")
    return 0


class _RestoreJob:
    """What to restore in one image.

    Once ``restore`` was called, ``names`` are the restored causes and items for people, ``base`` is the name
    of the base, and ``restores_nothing`` says that only checksums are to be recalculated.
    """

    def __init__(self, workspace: Workspace, options: RestoreOptions) -> None:
        if options.cells and len(options.globs) != 1:
            raise click.UsageError("--cell needs one --table.")
        if not (options.causes or options.globs or options.axes or options.ranges):
            raise click.UsageError("Nothing to restore: pass a cause, --table, --axis or --bytes.")
        self._workspace = workspace
        self._options = options
        self.names: list[str] = []
        self.base = ""
        self.restores_nothing = False

    def restore(self, image: EditableImage) -> Image:
        """The image with the selected content of its base."""
        self.base, base = image.resolver.read_base(
            image.loaded, image.content, image.image, self._options.base
        )
        if base is None:
            raise InputError(f"{image.name}: the policy names no base that fits it; pass one with --base")
        layout = image.loaded.layout
        cells, ranges = np.zeros(layout.size, bool), self._ranges(image.loaded.definition.memory)
        self._select_tables(image, cells, ranges)
        self._select_axes(image, cells, ranges)
        for cause in self._causes(image):
            for place in cause.places:
                cells[list(place.cells)] = True
                ranges += place.ranges
        if self.restores_nothing:
            return with_checksums(image, image.image)
        return restore(layout, image.image, base, with_mirrors(layout, cells), ranges)

    # Causes

    def _causes(self, image: EditableImage) -> list[Cause]:
        """The causes that the command line names."""
        if not self._options.causes:
            return []
        checker = Checker(self._workspace, self._workspace.policy, date.today())
        findings = checker.check_image(assignment_for(image, self._options.base))
        every = FindingFilter(frozenset(), None)
        chosen: dict[str, Cause] = {}
        for name in self._options.causes:
            for finding in named_findings(findings, name.strip(), every):
                cause = checker.settler.causes[finding.cause]
                self._require_restorable(cause)
                chosen[cause.id] = cause
        self.names += [_cause_name(cause) for cause in chosen.values()]
        is_only_causes = not (self._options.globs or self._options.axes or self._options.ranges)
        self.restores_nothing = is_only_causes and all(
            cause.kind is CauseKind.CHECKSUM for cause in chosen.values()
        )
        return list(chosen.values())

    def _require_restorable(self, cause: Cause) -> None:
        """InputError if a cause is not a change of the image that can be reverted."""
        if cause.kind is CauseKind.CHECKSUM:
            if self._options.no_seal:
                raise InputError(f"{cause.id}: it is a stale checksum; run the command without --no-seal")
            return
        if not cause.is_change:
            raise InputError(
                f"{cause.id}: no change from the base brings it ({cause.title}); callint check "
                "says what to correct"
            )

    # Names

    def _select_tables(self, image: EditableImage, cells: Flags, ranges: list[tuple[int, int]]) -> None:
        """Flag the cells of the named tables, and add the bytes of the named texts."""
        layout, definition = image.loaded.layout, image.loaded.definition
        names = names_matching([*layout.table_items, *definition.texts], self._options.globs)
        for name in sorted(names):
            if name in definition.texts:
                ranges.append((definition.texts[name].at, definition.texts[name].length))
                continue
            item = layout.table_items[name]
            if not self._options.cells:
                cells[layout.cells(item)] = True
            for text in self._options.cells:
                x, y = cell_indexes(image.decoded, name, definition.tables[name].axes, text)
                cells[int(layout.first[item]) + y * layout.shape(item)[1] + x] = True
        self.names += sorted(names)

    def _select_axes(self, image: EditableImage, cells: Flags, ranges: list[tuple[int, int]]) -> None:
        """Flag the breakpoints of the named axes, and add the bytes of their stored counts."""
        layout = image.loaded.layout
        for derived in image.loaded.definition.derived_axes:
            if derived.name in self._options.axes:
                source = derived.curve
                raise InputError(f"{derived.name}: its breakpoints follow from {source}; restore that curve")
        names = names_matching(layout.axis_items, self._options.axes, "there is no stored axis {!r}")
        for name in sorted(names):
            item = layout.axis_items[name]
            cells[layout.cells(item)] = True
            axis = layout.items[item]
            if isinstance(axis, StoredAxis) and axis.stored_count:
                ranges.append((axis.stored_count.at, axis.stored_count.storage.type.size))
        self.names += [f"axis {name}" for name in sorted(names)]

    def _ranges(self, memory: Memory) -> list[tuple[int, int]]:
        """The ranges of bytes that the command line names; InputError if one leaves the memory."""
        ranges = []
        for text in self._options.ranges:
            match = _RANGE.fullmatch(text.strip())
            if match is None:
                raise InputError(f"--bytes {text}: write addresses as 0x4F200 or 0x4F200-0x4F207")
            first = int(match[1], 16)
            last = int(match[2] or match[1], 16)
            if not 0 <= last - first < _MOST_BYTES:
                raise InputError(f"--bytes {text}: the last address must not be before the first; swap them")
            if first < memory.start or last >= memory.end:
                ends = f"{fmt.address(memory.start)} to {fmt.address(memory.end - 1)}"
                raise InputError(f"--bytes {text}: the memory has the addresses {ends}; correct the range")
            ranges.append((first, last - first + 1))
            self.names.append(f"bytes {text.strip()}")
        return ranges


def _cause_name(cause: Cause) -> str:
    """The id of a cause with the tables and axes that it lies in."""
    names = list(dict.fromkeys(place.name for place in cause.places if place.name))
    return f"{cause.id} ({fmt.list_names(names, 2)})" if names else cause.id
