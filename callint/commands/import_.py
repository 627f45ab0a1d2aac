"""callint import."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from callint.cli.options import as_options
from callint.model.errors import InputError
from callint.reading.asap2.build import make_definition
from callint.reading.asap2.parser import read_asap2
from callint.reading.asap2.report import is_name
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
    form: str
    everything: bool


@click.command()
@click.argument("file")
@click.option(
    "--to", "output", metavar="FILE", help="Definition file to write (default: FILE with the suffix .xml)."
)
@click.option("--module", metavar="NAME", help="Module to read if the description has several.")
@click.option("--name", metavar="NAME", help="Name of the definition (default: the name of the module).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="List every skipped item.")
@as_options(ImportOptions)
def command(options: ImportOptions) -> int:
    """Convert FILE, an ASAM MCD-2 MC (ASAP2) description, to a definition. Reads versions 1.5 to 1.7.

    Prints what it imported, what it skipped and why. If a table has EXTENDED_LIMITS, they become its limits
    and its plain limits become its expected range; otherwise its plain limits become its limits. The standard
    has no purpose for a table: every table is "general" until you edit the definition.

    Exits with 1 if the definition cannot hold part of the description. Never overwrites an existing file.
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
        # First, so that an invalid description or module is reported before an invalid --to.
        description = read_asap2(source, options.module)
        target = source.with_suffix(".xml") if options.output is None else Path(options.output)
        destination = new_file(target)
        imported = make_definition(description, name)
        if imported.definition is not None:
            from callint.reporting.definition.xml import definition_lines
            from callint.reporting.files.atomic_write import replace_file

            replace_file(destination, (line.encode() for line in definition_lines(imported.definition)))
    result = ImportResult(imported, str(source), str(target))
    if options.form == "json":
        sys.stdout.write(import_json(result))
    else:
        from callint.reporting.import_.text import print_import
        from callint.reporting.terminal import console

        print_import(result, console(sys.stdout), options.everything)
    return int(not imported.is_complete)


@contextmanager
def _without_collections() -> Iterator[None]:
    """Without Python's cyclic garbage collection: it takes long and finds nothing in a description."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()
