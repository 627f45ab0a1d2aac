"""callint import."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from callint.cli.description_import import import_description
from callint.cli.options import as_options
from callint.model.errors import InputError
from callint.reading.asap2.report import is_name
from callint.reading.sheets import is_sheet_file
from callint.reading.tree import require_inside_repository
from callint.reporting.import_.json import import_json
from callint.reporting.import_.result import ImportResult


@dataclass(frozen=True, slots=True)
class ImportOptions:
    """The arguments and options of callint import."""

    file: str
    output: str | None
    module: str | None
    name: str | None
    mapping: str | None
    image: str | None
    byte_order: str | None
    form: str
    everything: bool


@click.command()
@click.argument("file")
@click.option(
    "--to", "output", metavar="FILE", help="Definition file to write (default: FILE with the suffix .xml)."
)
@click.option("--module", metavar="NAME", help="Module of a description, or sheet of a workbook, to read.")
@click.option(
    "--name", metavar="NAME", help="Name of the definition (default: the name of the module or list)."
)
@click.option("--mapping", metavar="FILE", help="TOML file that names the columns of a list.")
@click.option(
    "--image",
    metavar="FILE",
    help="Factory image; checks the rows of a list, or gives the breakpoints of axes.",
)
@click.option(
    "--byte-order",
    type=click.Choice(["big", "little"]),
    help="Byte order of list rows that do not give one.",
)
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="List every skipped item and all evidence.")
@as_options(ImportOptions)
def command(options: ImportOptions) -> int:
    """Convert FILE to a definition.

    FILE is an ASAM MCD-2 MC (ASAP2) description of version 1.5 to 1.7, or a list of addresses: a text file
    (.csv, .tsv) or a workbook (.xlsx) with one row per table.

    Prints what it imported, what it skipped and why. If a table has EXTENDED_LIMITS, they become its limits
    and its plain limits become its expected range; otherwise its plain limits become its limits. The standard
    has no purpose for a table: every table is "general" until you edit the definition.

    callint recognizes the columns of a list by their headers; callint schema addresses prints an empty list.
    It reports missing information by row, and leaves out a row whose address, type or shape is unknown. With
    --image, it checks the address of each row against the bytes there.

    With --image, axes of a description whose breakpoints follow from a stored offset and distance get the
    breakpoints that the image gives; without it, they count cells.

    Exits with 1 if the definition cannot hold part of the description, or if a row of the list is incomplete
    or doubtful. Never overwrites an existing file.
    """
    source, name = Path(options.file), options.name
    if name is not None and not is_name(name):
        raise InputError(
            f"--name {name}: a name has letters, digits, _ . - and [ ], and begins with a letter or _"
        )
    if options.file:
        require_inside_repository(source, options.file)
    from callint.reporting.files.destinations import new_file

    with _without_collections():
        # First, so that an invalid description or list is reported before an invalid --to.
        result = _imported_list(options) if is_sheet_file(source) else _imported_description(options)
        destination = new_file(Path(result.target))
        definition = result.imported.definition
        if definition is not None:
            from callint.reporting.definition.xml import definition_lines
            from callint.reporting.files.atomic_write import replace_file

            replace_file(destination, (line.encode() for line in definition_lines(definition)))
    if options.form == "json":
        sys.stdout.write(import_json(result))
    else:
        from callint.reporting.import_.text import print_import
        from callint.reporting.terminal import console

        print_import(result, console(sys.stdout), options.everything)
    return int(not result.is_complete)


def _target(options: ImportOptions) -> Path:
    """The definition file to write; FILE must have a name, as a file that was read has."""
    return Path(options.file).with_suffix(".xml") if options.output is None else Path(options.output)


def _imported_description(options: ImportOptions) -> ImportResult:
    for option, value in (
        ("--mapping", options.mapping),
        ("--byte-order", options.byte_order),
    ):
        if value is not None:
            raise InputError(f"{option} needs a list of addresses (.csv, .tsv or .xlsx) as FILE")
    source = Path(options.file)
    imported = import_description(source, options.module, options.name, options.image)
    return ImportResult(imported, str(source), str(_target(options)))


def _imported_list(options: ImportOptions) -> ImportResult:
    from callint.cli.list_import import ListImport, import_list

    return import_list(
        ListImport(
            Path(options.file),
            _target(options),
            name=options.name,
            sheet=options.module,
            mapping=options.mapping,
            image=options.image,
            byte_order=options.byte_order,
        )
    )


@contextmanager
def _without_collections() -> Iterator[None]:
    """Without Python's cyclic garbage collection: it takes long and finds nothing in a description."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if not gc.get_freeze_count():
            # All objects become old ones. The first collection would look at each of them otherwise.
            gc.freeze()
            gc.unfreeze()
        if was_enabled:
            gc.enable()
