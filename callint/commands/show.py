"""callint show."""

from __future__ import annotations

import sys
import zlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.cli.git_file import read_git_file
from callint.cli.image_loading import (
    DefinitionResolver,
    read_content,
    table_selection,
    workspace_for,
)
from callint.decoding.decode import Decoded
from callint.fmt import address, clean
from callint.model.definition import Axis, FixedAxis, Table, Text
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.tree import POLICY
from callint.reading.workspace import open_workspace
from callint.rules.context import CheckContext
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # only what writes a file needs it
    from callint.reporting.files.destinations import Destination


@click.command()
@click.argument("image")
@click.argument("tables", nargs=-1, metavar="[TABLE]...")
@click.option(
    "--at",
    multiple=True,
    metavar="SIGNAL=VALUE,...",
    help="Show the output of the tables at an operating point, in base and rework.",
)
@click.option("--base", metavar="FILE", help="With --at: base image (default: from the policy).")
@click.option(
    "--format", "form", type=click.Choice(["text", "csv", "json"]), default="text", show_default=True
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
@click.option("--key", hidden=True, help="The state of the definitions, for the text forms that git keeps.")
@click.option("--list", "as_list", is_flag=True, help="List the tables only, one per line.")
def command(
    image: str,
    tables: tuple[str, ...],
    at: tuple[str, ...],
    base: str | None,
    form: str,
    output: str | None,
    log: str | None,
    definition: str | None,
    policy: str | None,
    plain: bool,
    key: str | None,
    as_list: bool,
) -> int:
    """Print the tables of IMAGE, or only the tables and axes that match one of the TABLE globs.

    IMAGE is a file, or REV:path for a file at a revision. The output includes the digest of each table, which
    a waiver needs. --format csv and --format json write every cell with its breakpoints, units and raw
    number, for spreadsheets and programs.
    """
    if log is not None and (plain or as_list or at):
        raise click.UsageError("--log needs whole tables, and excludes --at, --list and --plain.")
    if at and (plain or as_list):
        raise click.UsageError("--at excludes --plain and --list; use only one")
    if not at and base is not None:
        raise click.UsageError("--base needs --at SIGNAL=VALUE")
    if at and form == "csv":
        raise click.UsageError("--format csv needs whole tables; use --format text or json with --at")
    if form != "text" and (plain or as_list or log is not None):
        raise click.UsageError("--plain, --list and --log exclude --format csv and json; use only one")
    if output is not None and form == "text":
        raise click.UsageError("--output needs --format csv or json.")
    if plain:
        if key is not None:
            _renew(policy)
        return _print_plain(image, definition, policy)
    workspace = workspace_for(policy, definition, image)
    content = read_content(workspace, image)
    subjects = DefinitionResolver(workspace, definition)
    subject = subjects.of(content)
    destination = None if output is None else subjects.output(output).protecting(subjects.place(content))
    image_ = subjects.image(subject, content)
    if at:
        name, found = subjects.base_of(content, subject, image_, base)
        case = CheckContext(subject, image_, found, base_path=name)
        _print_point(case, tables, ",".join(at), content.name, form, destination)
        return 0
    decoded = CheckContext(subject, image_).new
    shown: list[Table | Text] = [*subject.definition.texts.values()]
    shown += [subject.definition.tables[table] for table in subject.layout.table_items]
    shown.sort(key=lambda table: table.line)
    axes: list[Axis] = []
    if tables:
        names = table_selection(subject.definition, tables)
        shown = [table for table in shown if table.name in names]
        axes = [axis for axis in subject.definition.axes.values() if axis.name in names]
        axes = [
            axis for axis in axes if isinstance(axis, FixedAxis) or axis.name in subject.layout.axis_items
        ]
    if form == "csv":
        from callint.reporting.files.atomic_write import write_output
        from callint.reporting.tables.csv import csv_lines

        write_output("".join(csv_lines(decoded, shown, axes)), destination)
    elif form == "json":
        from callint.reporting.files.atomic_write import write_output
        from callint.reporting.tables.json import tables_json

        write_output(tables_json(content.name, subject.file.path, decoded, shown, axes), destination)
    else:
        _print(decoded, shown, axes, as_list, log, workspace.policy)
    return 0


def _print(
    decoded: Decoded,
    shown: list[Table | Text],
    axes: list[Axis],
    as_list: bool,
    log: str | None,
    policy: Policy,
) -> None:
    """Tables and axes, or a list of the tables, for people."""
    from callint.reporting.tables.text import print_axes, print_table_list, print_tables
    from callint.reporting.terminal import console

    terminal = console(sys.stdout)
    if as_list:
        print_table_list(decoded, shown, terminal)
    else:
        logged = None
        if log is not None:
            from callint.cli.log_option import read_log
            from callint.decoding.surfaces import surfaces

            found_surfaces = surfaces(decoded, [one for one in shown if isinstance(one, Table)])
            logged = read_log(log, policy, decoded.layout.definition, found_surfaces)
        print_tables(decoded, shown, terminal, logged)
        print_axes(decoded, axes, terminal)


def _renew(policy: str | None) -> None:
    """Have git forget text forms of other definitions; where there is no repository, nothing is kept."""
    from callint.versioning.git.repository import open_repository
    from callint.versioning.textconv_cache import renew_key

    with suppress(InputError):
        workspace = open_workspace(policy)
        repo = open_repository(Path.cwd(), bare=True)
        renew_key(repo, workspace.root, workspace.policy.path or POLICY)


def _print_point(
    case: CheckContext, globs: tuple[str, ...], words: str, name: str, form: str, output: Destination | None
) -> None:
    """What tables put out at an operating point; all that depend on signals which it gives."""
    from callint.cli.operating_point_option import parse_point
    from callint.comparing.point_outputs import point_outputs

    point = parse_point(case.definition, words)
    names = table_selection(case.definition, globs) if globs else None
    if names is not None and not names & case.layout.table_items.keys():
        word = "an axis" if names & case.definition.axes.keys() else "a text"
        raise InputError(f"{' '.join(globs)}: {word} has no output; name tables with --at")
    outputs = point_outputs(case.new, case.old, point, names)
    if form == "json":
        from callint.reporting.files.atomic_write import write_output
        from callint.reporting.point.json import point_json

        write_output(point_json(case.file.path, case.definition, name, case.base_path, outputs), output)
    else:
        from callint.reporting.point.text import print_point
        from callint.reporting.terminal import console

        print_point(case.definition, name, case.base_path, outputs, console(sys.stdout))


def _print_plain(image: str, definition: str | None, policy: str | None) -> int:
    """The text form. git calls it on a copy under another name, so that any definition that fits serves.

    It must not fail on a file of whatever content, nor for want of a policy, or git shows nothing at all.
    """
    from callint.reporting.tables.textconv import plain_lines

    file, stored = Path(image), b""
    try:
        if file.exists():
            # git's names for its copies are never the same twice, and would show as a change.
            handed = read_git_file(file, file.name)
            stored = handed.stored
            workspace = workspace_for(policy, definition, image)
            content = Content(handed.name, workspace.label(file), handed.content)
        else:
            workspace = workspace_for(policy, definition, image)
            content = read_content(workspace, image)
        lines = plain_lines(CheckContext(*DefinitionResolver(workspace, definition).fitting(content)).new)
    except InputError as error:
        if not file.exists():
            raise
        lines = iter([error.lines[0], *_hexadecimal(stored)])
    for words in lines:
        sys.stdout.write(f"{clean(words)}\n")
    return 0


def _hexadecimal(data: bytes) -> Iterator[str]:
    """Sums of an image that nothing describes, a line for each stretch of 256 bytes."""
    for start in range(0, len(data), 256):
        yield f"bytes at {address(start)}: sum {zlib.crc32(data[start : start + 256]):08x}"
