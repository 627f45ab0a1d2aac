"""callint relocate."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import click

from callint.checking.relocation_report import RelocationReport
from callint.cli.options import as_options
from callint.cli.relocation import RelocationJob


@dataclass(frozen=True, slots=True)
class RelocateOptions:
    """The arguments and options of callint relocate."""

    old: str
    new: str
    definition: str | None
    output: str | None
    whole: bool
    name: str | None
    policy: str | None
    form: str
    everything: bool


@click.command()
@click.argument("old")
@click.argument("new")
@click.option("--definition", metavar="FILE", help="Definition file of OLD (default: from the policy).")
@click.option("--to", "output", metavar="FILE", help="Definition file to write (default: none, only report).")
@click.option("--whole", is_flag=True, help="Write a complete definition instead of a child.")
@click.option("--name", metavar="NAME", help="Name of the new definition (default: from the name of FILE).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="List every item with its address and evidence.")
@as_options(RelocateOptions)
def command(options: RelocateOptions) -> int:
    """Find the tables of OLD in NEW, the image of another software version, and write their definition.

    Each is a file, or REV:path for a file at a revision; FILE is always a file.

    callint aligns both images: it compares the content, the order and the neighbours of all tables, axes,
    texts, checksums and identities. It leaves out items without a certain address and lists their candidates.
    If it leaves out an axis, it leaves out the tables on that axis too. The new definition is a child of the
    definition of OLD: it extends that file and states the differences.

    Exits with 1 if anything is left out. Never overwrites an existing file. Check NEW with the new definition
    before you trust it.
    """
    job = RelocationJob.read(options.old, options.new, options.definition, options.policy)
    report = job.relocate(
        options.name, None if options.output is None else Path(options.output), options.whole
    )
    if options.form == "json":
        from callint.reporting.relocation.json import relocation_json

        sys.stdout.write(relocation_json(report))
    else:
        _print(report, options.everything)
    return int(bool(report.moved.left))


def _print(report: RelocationReport, everything: bool) -> None:
    from callint.reporting.relocation.text import print_relocation
    from callint.reporting.terminal import console

    print_relocation(report, console(sys.stdout), everything)
