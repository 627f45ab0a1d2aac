"""callint show."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.name_selection import table_selection
from callint.cli.options import as_options
from callint.decoding.decode import Decoded
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.change import ChangeSet
from callint.model.definition import Axis, FixedAxis, Table, Text
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.policy import Policy
from callint.reading.definition_cache import open_definition
from callint.reading.definition_file import problem_place
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # only what writes a file needs it
    from callint.reporting.files.destinations import Destination
    from callint.reporting.tables.text import BaseMarks


@dataclass(frozen=True, slots=True)
class ShowOptions:
    """The arguments and options of callint show."""

    image: str | None
    tables: tuple[str, ...]
    at: tuple[str, ...]
    base: str | None
    form: str
    dialect: str | None
    output: str | None
    log: str | None
    definition: str | None
    policy: str | None
    plain: bool
    key: str | None
    as_list: bool
    changes: bool
    shade: bool


#: The options without any option.
_NO_OPTIONS = ShowOptions(
    image=None,
    tables=(),
    at=(),
    base=None,
    form="text",
    dialect=None,
    output=None,
    log=None,
    definition=None,
    policy=None,
    plain=False,
    key=None,
    as_list=False,
    changes=False,
    shade=False,
)


@click.command()
@click.argument("image", required=False)
@click.argument("tables", nargs=-1, metavar="[TABLE]...")
@click.option(
    "--at",
    multiple=True,
    metavar="SIGNAL=VALUE,...",
    help="Show the output of the tables at an operating point, in base and rework.",
)
@click.option("--base", metavar="FILE", help="Base image to compare with (default: from the policy).")
@click.option(
    "--format", "form", type=click.Choice(["text", "csv", "json"]), default="text", show_default=True
)
@click.option(
    "--dialect",
    type=click.Choice(["comma", "semicolon", "tab"]),
    help="Write CSV as grids with this field separator; semicolon writes decimal commas.",
)
@click.option("--output", metavar="FILE", help="Write the CSV or JSON to a file.")
@click.option("--log", metavar="FILE", help="Driving log; show the weighted share of its time in each cell.")
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option(
    "--plain",
    is_flag=True,
    help="Print one line per row of cells, the form that git compares (see callint init).",
)
@click.option("--key", hidden=True, help="Digest of policy and definitions, for git's cache of text forms.")
@click.option("--list", "as_list", is_flag=True, help="List the tables only, one per line.")
@click.option("--changes", is_flag=True, help="Show only what differs from the base.")
@click.option("--shade", is_flag=True, help="Show maps as shades from the lowest to the highest value.")
@as_options(ShowOptions)
def command(options: ShowOptions) -> int:
    """Print the tables of IMAGE, or only the tables and axes that match one of the TABLE globs.

    Without IMAGE, --definition FILE prints the flattened definition, including what it takes from its parent
    and from shared files.

    IMAGE is a file, or REV:path for a file at a revision. A sign marks each cell that differs from the base:
    raised, lowered, or changed in another way. The output includes the digest of each table, which
    a waiver needs. --format csv and --format json write every cell with its breakpoints, units and raw
    number, for spreadsheets and programs.
    """
    if options.image is None:
        return _print_definition(options)
    _check_options(options)
    if options.plain:
        from callint.cli.textconv import print_text_form, renew_cache_key

        if options.key is not None:
            renew_cache_key(options.policy)
        return print_text_form(options.image, options.definition, options.policy)
    workspace = workspace_for(options.policy, options.definition, options.image)
    content = read_content(workspace, options.image)
    resolver = DefinitionResolver(workspace, options.definition)
    loaded = resolver.resolve(content)
    destination = None
    if options.output is not None:
        destination = resolver.output(options.output).protecting(resolver.path_on_disk(content))
    image = resolver.read_image(loaded, content)
    needs_base = options.form == "text" and (options.changes or not options.as_list)
    base_name, base = "", None
    if options.at or needs_base:
        base_name, base = resolver.read_base(loaded, content, image, options.base)
    if options.at:
        _print_outputs(loaded, content.name, image, base_name, base, options, destination)
        return 0
    if options.changes and base is None:
        raise InputError(f"{content.name}: it has no base to compare with; name one with --base")
    comparison = None
    if base is not None:
        from callint.comparing.compare import compare

        comparison = base_name, compare(loaded.decoded(base), loaded.decoded(image))
    _print_tables(loaded, content, image, options, destination, workspace.policy, comparison)
    return 0


def _print_definition(options: ShowOptions) -> int:
    """Print a definition as a single file, without comments; UsageError with options for images."""
    given = replace(options, definition=None, output=None, policy=None)
    if options.definition is None or given != _NO_OPTIONS:
        raise click.UsageError("name an IMAGE, or give --definition FILE alone to print the definition")
    workspace = workspace_for(options.policy, options.definition)
    content = read_content(workspace, options.definition)
    file = open_definition(content.data, content.path, content.tree or workspace)
    if file.problems or file.definition is None:
        problem = file.problems[0]
        raise InputError(f"{problem_place(problem)}: {problem.message}; run callint check for all problems")
    from callint.reporting.definition.xml import definition_lines, with_references
    from callint.reporting.files.atomic_write import write_output
    from callint.reporting.files.destinations import output

    destination = None
    if options.output is not None:
        destination = output(Path(options.output), workspace)
    write_output("".join(map(with_references, definition_lines(file.definition))), destination)
    return 0


def _check_options(options: ShowOptions) -> None:
    """UsageError if options exclude each other."""
    if options.log is not None and (options.plain or options.as_list or options.at):
        raise click.UsageError("--log needs whole tables, and excludes --at, --list and --plain.")
    if options.at and (options.plain or options.as_list):
        raise click.UsageError("--at excludes --plain and --list; use only one")
    is_whole_text = options.form == "text" and not (options.plain or options.at)
    if (
        options.base is not None
        and not options.at
        and not (is_whole_text and (options.changes or not options.as_list))
    ):
        raise click.UsageError("--base needs whole tables as text, or --at SIGNAL=VALUE")
    if options.changes and not is_whole_text:
        raise click.UsageError("--changes excludes --at, --plain and --format csv and json.")
    if options.shade and (options.as_list or options.log is not None or not is_whole_text):
        raise click.UsageError("--shade excludes --at, --list, --log, --plain and --format csv and json.")
    if options.at and options.form == "csv":
        raise click.UsageError("--format csv needs whole tables; use --format text or json with --at")
    if options.form != "text" and (options.plain or options.as_list or options.log is not None):
        raise click.UsageError("--plain, --list and --log exclude --format csv and json; use only one")
    if options.dialect is not None and options.form != "csv":
        raise click.UsageError("--dialect needs --format csv.")
    if options.output is not None and options.form == "text":
        raise click.UsageError("--output needs --format csv or json.")


def _print_tables(
    loaded: LoadedDefinition,
    content: Content,
    image: Image,
    options: ShowOptions,
    destination: Destination | None,
    policy: Policy,
    comparison: tuple[str, ChangeSet] | None,
) -> None:
    """Print whole tables, texts and axes, or write them to a file."""
    decoded = loaded.decoded(image)
    tables, axes = _select(loaded, options.tables)
    if options.form == "csv":
        from callint.reporting.files.atomic_write import write_output

        if options.dialect is None:
            from callint.reporting.tables.csv import csv_lines

            lines = csv_lines(decoded, tables, axes)
        else:
            from callint.reporting.tables.grid_csv import BYTE_ORDER_MARK, DIALECTS, grid_csv

            # A terminal or a program that reads the output has no use for the mark.
            mark = "" if destination is None else BYTE_ORDER_MARK
            lines = chain([mark], grid_csv(decoded, tables, axes, DIALECTS[options.dialect]))
        write_output("".join(lines), destination)
    elif options.form == "json":
        from callint.reporting.files.atomic_write import write_output
        from callint.reporting.tables.json import tables_json

        write_output(tables_json(content.name, loaded.file.path, decoded, tables, axes), destination)
    else:
        marks = None
        if comparison is not None:
            from callint.reporting.tables.text import BaseMarks

            base_name, changes = comparison
            changed = {change.table.name: change for change in changes.tables}
            marks = BaseMarks(base_name, changed, options.changes)
            if options.changes:
                tables, axes = _changed_items(loaded, changes, tables, options.tables)
        _print_text(decoded, tables, axes, options, policy, marks)


def _select(loaded: LoadedDefinition, globs: tuple[str, ...]) -> tuple[list[Table | Text], list[Axis]]:
    """The readable tables and texts by line; with globs, the tables, texts and axes that match."""
    definition, layout = loaded.definition, loaded.layout
    tables: list[Table | Text] = [*definition.texts.values()]
    tables += [definition.tables[table] for table in layout.table_items]
    tables.sort(key=lambda table: table.line)
    if not globs:
        return tables, []
    names = table_selection(definition, globs)
    axes = [
        axis
        for axis in definition.axes.values()
        if axis.name in names and (isinstance(axis, FixedAxis) or layout.sources_of(axis.name))
    ]
    return [table for table in tables if table.name in names], axes


def _changed_items(
    loaded: LoadedDefinition, changes: ChangeSet, tables: list[Table | Text], globs: tuple[str, ...]
) -> tuple[list[Table | Text], list[Axis]]:
    """Those of the tables and texts whose contents changed, and the changed axes that the globs select."""
    names = {change.table.name for change in changes.tables} | {change.text.name for change in changes.texts}
    selected = table_selection(loaded.definition, globs) if globs else None
    axes: list[Axis] = [
        change.axis for change in changes.axes if selected is None or change.axis.name in selected
    ]
    return [table for table in tables if table.name in names], axes


def _print_text(
    decoded: Decoded,
    tables: list[Table | Text],
    axes: list[Axis],
    options: ShowOptions,
    policy: Policy,
    marks: BaseMarks | None,
) -> None:
    """Print tables and axes, or a list of the tables."""
    from callint.reporting.tables.text import print_axes, print_table_list, print_tables
    from callint.reporting.terminal import console

    terminal = console(sys.stdout)
    if options.as_list:
        if options.changes and not tables:
            return
        print_table_list(decoded, tables, terminal)
        return
    log = None
    if options.log is not None:
        from callint.cli.log_option import read_log
        from callint.decoding.surfaces import surfaces

        logged_tables = [table for table in tables if isinstance(table, Table)]
        log = read_log(options.log, policy, decoded.layout.definition, surfaces(decoded, logged_tables))
    print_tables(decoded, tables, terminal, log, marks, options.shade)
    print_axes(decoded, axes, terminal)


def _print_outputs(
    loaded: LoadedDefinition,
    name: str,
    image: Image,
    base_name: str,
    base: Image | None,
    options: ShowOptions,
    destination: Destination | None,
) -> None:
    """Print the output of tables at an operating point; by default all that depend on its signals."""
    from callint.cli.operating_point_option import parse_point
    from callint.comparing.point_outputs import point_outputs

    definition, globs = loaded.definition, options.tables
    point = parse_point(definition, ",".join(options.at))
    names = table_selection(definition, globs) if globs else None
    if names is not None and not names & loaded.layout.table_items.keys():
        kind = "an axis" if names & definition.axes.keys() else "a text"
        raise InputError(f"{' '.join(globs)}: {kind} has no output; name tables with --at")
    new, old = loaded.decoded(image), None if base is None else loaded.decoded(base)
    outputs = point_outputs(new, old, point, names)
    if options.form == "json":
        from callint.reporting.files.atomic_write import write_output
        from callint.reporting.point.json import point_json

        write_output(point_json(loaded.file.path, definition, name, base_name, outputs), destination)
    else:
        from callint.reporting.point.text import print_point
        from callint.reporting.terminal import console

        print_point(definition, name, base_name, outputs, console(sys.stdout))
