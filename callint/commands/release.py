"""callint release."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import click

from callint.checking.report import Report
from callint.cli.options import as_options
from callint.model.release import ImageFormat
from callint.reading.workspace import open_workspace
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.release_gate import GateResult, ReleaseGate


@dataclass(frozen=True, slots=True)
class ReleaseOptions:
    """The arguments and options of callint release."""

    image: str
    output: str | None
    only_check: bool
    form: str | None
    signs: bool | None
    policy: str | None
    everything: bool


@click.command()
@click.argument("image")
@click.option("--to", "output", metavar="DIR", help="Folder to write the release to.")
@click.option("--check", "only_check", is_flag=True, help="Report what prevents a release; write nothing.")
@click.option(
    "--image-format",
    "form",
    type=click.Choice([form.value for form in ImageFormat]),
    help="Format of the released image (default: that of IMAGE).",
)
@click.option(
    "--sign/--no-sign",
    "signs",
    default=None,
    help="Sign the manifest as git signs commits (default: if commit.gpgSign or tag.gpgSign is set).",
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--all", "everything", is_flag=True, help="List every problem in full.")
@as_options(ReleaseOptions)
def command(options: ReleaseOptions) -> int:
    """Check whether IMAGE may be flashed, and write a release of it: image, review page and manifest.

    Refuses unless IMAGE, its definition, its base and the policy are as in the commit, every checksum is
    right, and every finding that fails callint check has a waiver. If the policy demands a second
    person, that person must also have accepted the warnings about protection and emissions.

    The manifest names the commit and the digests of all files, and lists the findings, the waivers and who
    accepted what. The same commit gives the same bytes. DIR must be new, empty, or the same release.

    Exits with 1 and writes nothing if something prevents the release.
    """
    from callint.cli.release_builder import file_names, release_files
    from callint.reporting.files.atomic_write import write_folder
    from callint.reporting.files.destinations import refuse_as_release

    if options.only_check == (options.output is not None):
        raise click.UsageError("Pass either --to DIR or --check.")
    workspace = open_workspace(options.policy)
    refuse_unknown_rules(workspace.policy)
    name = workspace.name(options.image)
    gate = ReleaseGate(workspace, name, date.today())
    form = ImageFormat(options.form) if options.form else None
    if options.output is not None:
        refuse_as_release(Path(options.output), file_names(name, form), workspace)
    result = gate.judge()
    if not result.is_open:
        _print_refusal(name, result, options.everything)
        return 1
    if options.output is None:
        return 0
    from callint.versioning import signatures

    signs = signatures.is_wanted(gate.repo.working_dir) if options.signs is None else options.signs
    files = release_files(gate, result.report, form, is_signed=signs)
    write_folder(Path(options.output), files)
    _print_release(name, gate, (options.output, list(files)), result.report)
    return 0


def _print_refusal(name: str, result: GateResult, everything: bool) -> None:
    from callint.reporting.release.text import print_refusal
    from callint.reporting.terminal import console

    print_refusal(name, result, console(sys.stdout), everything)


def _print_release(name: str, gate: ReleaseGate, target: tuple[str, list[str]], report: Report) -> None:
    from callint.reporting.release.text import print_release
    from callint.reporting.terminal import console

    print_release(name, gate.commit, target, report, console(sys.stdout))
