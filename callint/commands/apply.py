"""callint apply."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from callint.cli.edit_check import judge_edit
from callint.cli.image_editing import CAUTION, EditableImage, EditOptions, edit_image, print_edit
from callint.cli.options import as_options
from callint.cli.revision_pairs import CDFX_SUFFIX
from callint.comparing.cell_writer import CellWriter
from callint.comparing.compare import changed_cells
from callint.model.image import Image
from callint.reading.workspace import open_workspace
from callint.reporting.edits.wording import edit_remarks
from callint.rules.registry import refuse_unknown_rules


@dataclass(frozen=True, slots=True)
class ApplyOptions:
    """The arguments and options of callint apply."""

    image: str
    values: str
    force: bool
    definition: str | None
    policy: str | None
    no_seal: bool
    dry_run: bool
    message: bool


@click.command()
@click.argument("image")
@click.argument("values")
@click.option(
    "--force", is_flag=True, help="Write values beyond limits, values that disable a protection, and bases."
)
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--no-seal", is_flag=True, help="Leave the stored checksums as they are.")
@click.option("--dry-run", is_flag=True, help="Print the changes; write nothing.")
@click.option("--message", is_flag=True, help="Print a message for the commit in place of the changes.")
@as_options(ApplyOptions)
def command(options: ApplyOptions) -> int:
    """Write the values of a file into IMAGE.

    VALUES is an edited CSV file from callint show, as CSV or saved as a workbook (.xlsx), or a file in the
    open standard ASAM CDF 2.0 (.cdfx). callint changes only cells whose value differs from IMAGE; a cell that
    VALUES does not name keeps its value. Tables that must equal a changed table change with it. Then callint
    recalculates the stored checksums.

    Refuses values outside the limits of the definition, and values that disable a protection; --force writes
    them, and callint check reports them. A value that callint accepts is not safe for that reason: the
    maker's limits, local law and licensed practice come first.
    """
    workspace = open_workspace(options.policy)
    refuse_unknown_rules(workspace.policy)
    edit_options = EditOptions(
        options.definition, not options.no_seal, options.dry_run, options.message, options.force
    )
    remarks: list[str] = []

    def apply(image: EditableImage) -> Image:
        after = _with_values(image, options.values, remarks)
        if verdict := judge_edit(image, after, is_forced=options.force):
            remarks.append(verdict)
        return after

    edit = edit_image(workspace, workspace.name(options.image), edit_options, apply)
    if edit.changes.is_empty:
        summary = f"{options.image} holds the values of {options.values} already; nothing changes."
    elif options.dry_run:
        summary = f"{options.values} would be applied to {options.image}; nothing was written."
    else:
        summary = f"{options.image}: applied {options.values}."
    if options.force:
        remarks.append(CAUTION)
    print_edit(
        edit,
        edit_options,
        f"Apply {Path(options.values).name} to {options.image}",
        " ".join([summary, *remarks]),
    )
    return 0


def _with_values(image: EditableImage, name: str, remarks: list[str]) -> Image:
    """The image with the values of a file; adds what was stored otherwise, and what was changed with it."""
    if name.lower().endswith(CDFX_SUFFIX):
        from callint.cli.cdfx import with_values

        after = image.loaded.decoded(with_values(image.decoded, image.resolver.read_named(name)))
        writer = CellWriter(after)
        writer.keep(changed_cells(image.decoded, after))
        applied = writer.image()
        remarks += edit_remarks(image.loaded.definition, applied.rounded, applied.mirrors)
        return applied.image
    from callint.comparing.apply_rows import apply_rows
    from callint.reading.value_rows import read_value_file

    applied = apply_rows(image.decoded, read_value_file(Path(name)))
    remarks += edit_remarks(image.loaded.definition, applied.rounded, applied.mirrors)
    return applied.image
