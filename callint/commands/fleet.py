"""callint fleet."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.cli.options import as_options
from callint.cli.progress import progress
from callint.cli.workers import workers
from callint.model.errors import InputError
from callint.reading.workspace import Workspace, open_workspace

if TYPE_CHECKING:  # loaded when something is read or written
    from callint.checking.fleet.report import FleetReport
    from callint.reporting.files.destinations import Destination


@dataclass(frozen=True, slots=True)
class FleetOptions:
    """The arguments and options of callint fleet."""

    paths: tuple[str, ...]
    tables: tuple[str, ...]
    where: str | None
    differs_from: str | None
    change: str | None
    definition: str | None
    policy: str | None
    form: str
    output: str | None
    jobs: int | None
    executor: str | None
    everything: bool


@click.command()
@click.argument("paths", nargs=-1, metavar="[PATH]...")
@click.option(
    "--table", "tables", multiple=True, metavar="GLOB", help="Show the values of these tables in all images."
)
@click.option(
    "--where",
    metavar="QUESTION",
    help="List the images whose tables meet a condition, such as 'overspeed_cut > 4400 rpm'.",
)
@click.option("--differs-from", metavar="IMAGE", help="List what differs from IMAGE, a file or REV:path.")
@click.option("--change", metavar="COMMIT", help="List the images that have the values that COMMIT set.")
@click.option(
    "--definition", metavar="FILE", help="Definition file of the images (default: from the policy)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv", "json", "html"]),
    default="text",
    show_default=True,
)
@click.option("--output", metavar="FILE", help="Write the CSV, JSON or HTML to a file.")
@click.option(
    "--jobs",
    type=click.IntRange(1, 1024),
    metavar="N",
    help="Number of worker processes (default: number of CPUs).",
)
@click.option("--executor", metavar="NAME", help="Read the images on a Dask cluster: dask:ADDRESS.")
@click.option("--all", "everything", is_flag=True, help="List all images, calibrations and tables in full.")
@as_options(FleetOptions)
def command(options: FleetOptions) -> int:
    """Compare many images: show which of them share a calibration of each table.

    PATH is an image or a folder. Without PATH, callint compares every image that the policy names. It lists
    the tables that differ, and for each the images with the same content; the most frequent content is A.

    QUESTION compares tables with values, such as 'overspeed_cut > 4400 rpm', or asks for a state, such as
    'egr_valve_position is off at engine_speed=1800'. "and", "or", "not" and parentheses join conditions.
    Every cell must meet a condition; after "any", one cell is enough. callint converts units.

    The exit status is 0, or 1 if an image cannot be compared.
    """
    _check_options(options)
    from callint.cli.fleet_builder import FleetBuilder, FleetRequest, fleet_images

    workspace = open_workspace(options.policy)
    images = fleet_images(workspace, options.paths, options.definition)
    destination = None
    if options.output is not None:
        destination = _destination(options.output, workspace, options)
    builder = FleetBuilder(workspace, images, options.definition)
    request = FleetRequest(options.tables, options.where, options.differs_from, options.change)
    with workers(options.jobs, options.executor, len(images)) as pool:
        report = builder.report(request, pool, progress)
        _print(report, options, destination)
    return int(bool(report.not_compared))


def _check_options(options: FleetOptions) -> None:
    """UsageError if options exclude or need each other."""
    questions = (options.where, options.differs_from, options.change)
    if sum(question is not None for question in questions) > 1:
        raise click.UsageError("--where, --differs-from and --change exclude each other; use only one")
    if options.tables and (options.where is not None or options.change is not None):
        raise click.UsageError("--table excludes --where and --change; remove it")
    if options.output is not None and options.form == "text":
        raise click.UsageError("--output needs --format csv, json or html.")
    if options.form == "html" and options.output is None:
        raise click.UsageError("--format html needs --output FILE.")
    if options.form == "html" and any(question is not None for question in questions):
        raise click.UsageError("--format html shows all tables; remove --where, --differs-from and --change")
    if options.everything and options.form != "text":
        raise click.UsageError("--all needs --format text.")


def _destination(path: str, workspace: Workspace, options: FleetOptions) -> Destination:
    """The destination of the report; InputError if it is an input, or if the policy names it."""
    from callint.reporting.files.destinations import output

    if path == "-":
        raise InputError("--output -: name a file, or leave --output out for the standard output")
    named = [options.definition, options.policy, options.differs_from]
    inputs = [*(Path(name) for name in named if name is not None), *workspace.named.values()]
    return output(Path(path), workspace, inputs=inputs)


def _print(report: FleetReport, options: FleetOptions, destination: Destination | None) -> None:
    if options.form == "text":
        from callint.reporting.fleet.text import FleetText
        from callint.reporting.terminal import console

        FleetText(report, console(sys.stdout), options.everything).print()
        return
    from callint.reporting.files.atomic_write import write_output

    if options.form == "csv":
        from callint.reporting.fleet.csv import csv_lines

        text = "".join(csv_lines(report))
    elif options.form == "json":
        from callint.reporting.fleet.json import fleet_json

        text = fleet_json(report)
    else:
        from callint.reporting.fleet.html import page

        text = page(report)
    write_output(text, destination)
