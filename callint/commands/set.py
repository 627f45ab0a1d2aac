"""callint set."""

from __future__ import annotations

from dataclasses import dataclass
from glob import escape

import click

from callint import fmt
from callint.cli.edit_check import judge_edit
from callint.cli.image_editing import CAUTION, EditableImage, EditOptions, edit_image, print_edit
from callint.cli.name_selection import names_matching
from callint.cli.options import as_options
from callint.cli.value_option import parse_cells, parse_change, parse_value
from callint.comparing.cell_writer import CellWriter
from callint.comparing.set_values import set_values
from callint.model.definition import FixedAxis, Text
from callint.model.derived_axis import DerivedAxis
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.workspace import open_workspace
from callint.reporting.edits.wording import edit_remarks
from callint.rules.registry import refuse_unknown_rules


@dataclass(frozen=True, slots=True)
class SetOptions:
    """The arguments and options of callint set."""

    image: str
    table: str
    at: str | None
    to: str | None
    by: str | None
    force: bool
    definition: str | None
    policy: str | None
    no_seal: bool
    dry_run: bool
    message: bool


@click.command()
@click.argument("image")
@click.argument("table")
@click.option(
    "--at", metavar="SIGNAL=VALUE,...", help="Cells at these breakpoints, or in ranges such as 2000..2800."
)
@click.option("--to", metavar="VALUE", help='New value, such as "1210 bar"; a state; or off.')
@click.option("--by", metavar="CHANGE", help='Change of the values, such as "+3 %", "-20 bar" or "*1.05".')
@click.option(
    "--force", is_flag=True, help="Write values beyond limits, values that disable a protection, and bases."
)
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--no-seal", is_flag=True, help="Leave the stored checksums as they are.")
@click.option("--dry-run", is_flag=True, help="Print the changes; write nothing.")
@click.option("--message", is_flag=True, help="Print a message for the commit in place of the changes.")
@as_options(SetOptions)
def command(options: SetOptions) -> int:
    """Set cells of TABLE in IMAGE, in engineering units.

    TABLE is a table or a stored axis. --at selects cells by their breakpoints:
    engine_speed=2800 is the whole column or row at 2800, engine_speed=2000..2800 all from 2000 to 2800.
    callint writes the nearest value that the table can store, and prints it if it differs from the given
    value. Tables that must equal TABLE change with it. Then callint recalculates the stored checksums.

    Refuses values outside the limits of the definition, breakpoints with which an axis no longer rises, off
    codes where the definition forbids them, and values that disable a protection; --force writes them, and
    callint check reports them. A value that callint accepts is not safe for that reason: the
    maker's limits, local law and licensed practice come first.
    """
    if (options.to is None) == (options.by is None):
        raise click.UsageError("Pass either --to or --by.")
    workspace = open_workspace(options.policy)
    refuse_unknown_rules(workspace.policy)
    edit_options = EditOptions(
        options.definition, not options.no_seal, options.dry_run, options.message, options.force
    )
    job = _SetJob(options)
    edit = edit_image(workspace, workspace.name(options.image), edit_options, job.set)
    if edit.changes.is_empty:
        summary = f"{options.image}: {options.table} already holds what would be stored; nothing changes"
    elif options.dry_run:
        summary = f"{options.image}: {options.table} would be set; nothing was written"
    else:
        summary = f"{options.image}: set {options.table}"
    sentences = [*job.remarks, *([CAUTION] if options.force else [])]
    print_edit(
        edit, edit_options, f"Set {options.table} of {options.image}", " ".join([f"{summary}.", *sentences])
    )
    return 0


class _SetJob:
    """What to set in one image. Once ``set`` was called, ``remarks`` say what was not written as asked."""

    def __init__(self, options: SetOptions) -> None:
        self._options = options
        self.remarks: list[str] = []

    def set(self, image: EditableImage) -> Image:
        """The image with the values; InputError if they are refused."""
        name, definition = self._options.table, image.loaded.definition
        if name in definition.texts:
            after = self._with_text(image, definition.texts[name])
        else:
            after = self._with_values(image, _item_number(image, name))
        if verdict := judge_edit(image, after, is_forced=self._options.force):
            self.remarks.append(verdict)
        return after

    def _with_values(self, image: EditableImage, number: int) -> Image:
        options, definition, item = self._options, image.loaded.definition, image.loaded.layout.items[number]
        cells = parse_cells(image.decoded, number, options.at)
        if options.to is not None:
            setting = parse_value(definition, item, options.to)
        else:
            setting = parse_change(definition, item, options.by or "")
        result = set_values(image.decoded, number, cells, setting)
        rounded = () if options.to is None else result.written.rounded
        self.remarks += edit_remarks(definition, rounded, result.written.mirrors)
        if result.off_cells:
            verbs = ("is", "stays") if result.off_cells == 1 else ("are", "stay")
            count = fmt.count(result.off_cells, "cell")
            self.remarks.append(f"{count} {verbs[0]} switched off and {verbs[1]} off.")
        return result.written.image

    def _with_text(self, image: EditableImage, text: Text) -> Image:
        options = self._options
        if options.to is None or options.at is not None:
            raise InputError(f"{text.name}: it is a text; give all of it with --to, without --at and --by")
        writer = CellWriter(image.decoded)
        writer.store_text(text, options.to)
        return writer.image().image


def _item_number(image: EditableImage, name: str) -> int:
    """The number of the table or stored axis of a name; InputError if there is none."""
    layout, definition = image.loaded.layout, image.loaded.definition
    number = layout.table_items.get(name, layout.axis_items.get(name))
    if number is not None:
        return number
    if isinstance(definition.axes.get(name), FixedAxis):
        raise InputError(f"{name}: the definition fixes its breakpoints; no image stores them")
    axis = definition.axes.get(name)
    if isinstance(axis, DerivedAxis):
        raise InputError(f"{name}: its breakpoints follow from {axis.curve}; change that curve")
    names_matching(
        [*layout.table_items, *layout.axis_items, *definition.texts],
        (escape(name),),
        "there is no table, axis or text {!r}",
    )
    raise AssertionError(name)
