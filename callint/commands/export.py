"""callint export."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import click

from callint.cli.image_loading import read_content, workspace_for
from callint.cli.options import as_options
from callint.model.errors import InputError
from callint.reading.definition_cache import open_definition
from callint.reading.definition_file import problem_place
from callint.reading.definition_sniff import looks_like_xml
from callint.reporting.export.result import ExportResult


@dataclass(frozen=True, slots=True)
class ExportOptions:
    """The arguments and options of callint export."""

    definition: str
    output: str | None
    everything: bool


@click.command()
@click.argument("definition", metavar="DEFINITION")
@click.option(
    "--to", "output", metavar="FILE", help="Description to write (default: DEFINITION with the suffix .a2l)."
)
@click.option("--all", "everything", is_flag=True, help="List everything that the description lacks.")
@as_options(ExportOptions)
def command(options: ExportOptions) -> int:
    """Convert a definition to an ASAM MCD-2 MC (ASAP2) description of version 1.7.

    DEFINITION is a file, or REV:path for a file at a revision. The description contains the flattened
    definition, including what it takes from its parent and from shared files.

    Prints what the standard cannot express: purposes, guards, relations, checksums and the like. Keep the
    definition. callint import converts the description back, with the same addresses, types, conversions and
    limits.

    Exits with 1 if the standard cannot express part of the definition. Never overwrites an existing file.
    """
    workspace = workspace_for(None, options.definition)
    content = read_content(workspace, options.definition)
    if not looks_like_xml(content.data):
        raise InputError(f"{content.name}: it is not a definition; give a definition (.xml)")
    file = open_definition(content.data, content.path, content.tree or workspace)
    if file.problems or file.definition is None:
        problem = file.problems[0]
        raise InputError(f"{problem_place(problem)}: {problem.message}; run callint check for all problems")
    from callint.reporting.files.destinations import new_file

    target = Path(content.path).with_suffix(".a2l") if options.output is None else Path(options.output)
    destination = new_file(target)
    from callint.reporting.export.asap2 import description_lines
    from callint.reporting.export.text import print_export
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.terminal import console

    rows, losses = description_lines(file.definition)
    replace_file(destination, (row.encode() for row in rows))
    result = ExportResult(file.definition, options.definition, str(target), losses)
    print_export(result, console(sys.stdout), options.everything)
    return int(bool(losses))
