"""callint carry."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import click

from callint.checking.carry_report import CarryReport
from callint.checking.new_findings import KnownFindings, new_findings
from callint.checking.report import Report
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, stored_workspace
from callint.cli.name_selection import names_matching
from callint.cli.options import as_options
from callint.cli.result_check import ResultChecker
from callint.cli.sealing_error import sealing_error
from callint.comparing.carry.apply import carry
from callint.comparing.carry.result import UNEXPLAINED, CarriedQuantity, CarryResult
from callint.decoding.checksum_update import UnsealableError
from callint.decoding.decode import decode
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.finding import Severity
from callint.model.image import Image
from callint.reading.images import ImageFile
from callint.reading.workspace import Workspace, open_workspace
from callint.reporting.carry.json import carry_json
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content

_OLD, _NEW = "--old-definition", "--new-definition"


@dataclass(frozen=True, slots=True)
class CarryOptions:
    """The arguments and options of callint carry."""

    old_base: str
    reworked: str
    new_base: str
    output: str
    how: str
    globs: tuple[str, ...]
    old_definition: str | None
    new_definition: str | None
    policy: str | None
    form: str
    everything: bool


@click.command()
@click.argument("old_base")
@click.argument("reworked")
@click.argument("new_base")
@click.option("--to", "output", metavar="FILE", required=True, help="File to write the carried image to.")
@click.option(
    "--as",
    "how",
    type=click.Choice([how.value for how in CarriedQuantity]),
    default=CarriedQuantity.DELTA.value,
    show_default=True,
    help="Carry the difference, the factor, or the reworked values themselves.",
)
@click.option(
    "--leave-out",
    "globs",
    multiple=True,
    metavar="GLOB",
    help="Do not carry tables, axes and texts that match GLOB.",
)
@click.option(_OLD, "old_definition", metavar="FILE", help="Definition file of OLD_BASE and REWORKED.")
@click.option(_NEW, "new_definition", metavar="FILE", help="Definition file of NEW_BASE.")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="List every problem in full.")
@as_options(CarryOptions)
def command(options: CarryOptions) -> int:
    """Apply the changes from OLD_BASE to REWORKED to NEW_BASE, the factory image of another software version.

    Each is a file, or REV:path for a file at a revision; FILE is always a file.

    callint matches tables by name and reads values in engineering units at the breakpoints of the new tables.
    Addresses, axes, types and conversions can differ. Everything else stays as it is in NEW_BASE.

    Exits with 1 and writes nothing if a change does not fit. To drop changed bytes that the definition does
    not cover, use --leave-out unexplained-bytes. Also exits with 1 if the new image breaks a rule that
    NEW_BASE does not break. This command reports errors only: run callint check on the new image.
    """
    from callint.reporting.files import destinations

    workspace = _workspace(options)
    job = _CarryJob.read(workspace, options)
    target = Path(options.output)
    destination = destinations.image(target, workspace, inputs=map(workspace.place, job.inputs))
    carried = job.carry(CarriedQuantity(options.how), options.globs)
    image, broken = workspace.label(target), Report((), 0, 0, 0)
    if carried.image is not None:
        from callint.reporting.files.atomic_write import replace_file

        data = job.new_file.with_content(carried.image)
        broken = job.new_errors(image, data)
        replace_file(destination, data)
    _print(job.report(carried, image, broken), options)
    return int(carried.image is None or bool(broken.findings))


def _workspace(options: CarryOptions) -> Workspace:
    """The workspace of the policy; without a policy on disk, that of the first revision among the images."""
    workspace = open_workspace(options.policy)
    refuse_unknown_rules(workspace.policy)
    if not workspace.policy.path and None in (options.old_definition, options.new_definition):
        return stored_workspace(options.new_base, options.reworked, options.old_base) or workspace
    return workspace


@dataclass(frozen=True, slots=True)
class _CarryJob:
    """The three images of a carry with their definitions: ``source`` for two, ``target`` for the new base."""

    workspace: Workspace
    old_base: Content
    reworked: Content
    new_base: Content
    source: LoadedDefinition
    target: LoadedDefinition
    old_image: Image
    reworked_image: Image
    new_file: ImageFile
    start: int | None

    @staticmethod
    def read(workspace: Workspace, options: CarryOptions) -> _CarryJob:
        """Read the images and definitions; InputError if one is unusable."""
        old_base, reworked, new_base = (
            read_content(workspace, name) for name in (options.old_base, options.reworked, options.new_base)
        )
        sources = DefinitionResolver(workspace, options.old_definition, _OLD)
        targets = DefinitionResolver(workspace, options.new_definition, _NEW)
        source = sources.resolve_for_writing(old_base, reworked)
        target = targets.resolve_for_writing(new_base)
        return _CarryJob(
            workspace=workspace,
            old_base=old_base,
            reworked=reworked,
            new_base=new_base,
            source=source,
            target=target,
            old_image=sources.read_for_writing(source, old_base).image,
            reworked_image=sources.read_for_writing(source, reworked).image,
            new_file=targets.read_for_writing(target, new_base),
            start=targets.start_of(new_base),
        )

    @property
    def inputs(self) -> set[str]:
        """The names of all files that were read."""
        images = (self.old_base.name, self.reworked.name, self.new_base.name)
        return {*images, self.source.file.path, self.target.file.path}

    def carry(self, how: CarriedQuantity, left_out: tuple[str, ...]) -> CarryResult:
        """Carry the changes; ``left_out`` are globs of what stays as it is in the new base."""
        old, reworked = (decode(self.source.layout, image) for image in (self.old_image, self.reworked_image))
        new = decode(self.target.layout, self.new_file.image)
        try:
            return carry(old, reworked, new, how, self._names(left_out))
        except UnsealableError as error:
            raise sealing_error(error, self.target.definition, self.new_base.name) from None

    def _names(self, globs: tuple[str, ...]) -> frozenset[str]:
        """The names that globs match; InputError if a glob matches nothing in either definition."""
        names = [UNEXPLAINED]
        for definition in (self.source.definition, self.target.definition):
            names += [*definition.tables, *definition.texts, *definition.axes]
        return names_matching(names, globs, "--leave-out {}: there is no such table, axis or text")

    def new_errors(self, image: str, data: bytes) -> Report:
        """The errors of the carried image that the new base does not have in the same way."""
        checker = ResultChecker(self.workspace, self.target, image, self.new_base, self.start)
        known = KnownFindings(checker.errors(self.new_base.data), Severity.ERROR)
        return new_findings(checker.errors(data, finds_causes=True), [known], Severity.ERROR)

    def report(self, carried: CarryResult, image: str, broken: Report) -> CarryReport:
        return CarryReport(
            carried=carried,
            old_base=self.old_base.name,
            reworked=self.reworked.name,
            new_base=self.new_base.name,
            old_definition=self.source.file.path,
            new_definition=self.target.file.path,
            image=image,
            broken=broken,
        )


def _print(report: CarryReport, options: CarryOptions) -> None:
    if options.form == "json":
        sys.stdout.write(carry_json(report))
    else:
        from callint.reporting.carry.text import print_carry
        from callint.reporting.terminal import console

        print_carry(report, console(sys.stdout), options.everything)
