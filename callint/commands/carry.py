"""callint carry."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from callint.checking.new_findings import KnownFindings, new_findings
from callint.checking.report import Report
from callint.cli.image_loading import (
    DefinitionResolver,
    names_matching,
    read_content,
    stored_workspace,
)
from callint.cli.result_check import ResultChecker
from callint.comparing.carry import UNEXPLAINED, Carried, How, carry
from callint.decoding.checksum_update import UnsealableError
from callint.decoding.decode import decode
from callint.model.errors import InputError
from callint.model.finding import Severity
from callint.model.image import Image
from callint.reading.workspace import open_workspace
from callint.reporting.carry.json import CarryReport, carry_json
from callint.rules.context import LoadedDefinition
from callint.rules.registry import refuse_unknown_rules

_OLD, _NEW = "--old-definition", "--new-definition"


@click.command()
@click.argument("old_base")
@click.argument("reworked")
@click.argument("new_base")
@click.option("--to", "output", metavar="FILE", required=True, help="File to write the carried image to.")
@click.option(
    "--as",
    "how",
    type=click.Choice([how.value for how in How]),
    default=How.DELTA.value,
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
def command(
    old_base: str,
    reworked: str,
    new_base: str,
    output: str,
    how: str,
    globs: tuple[str, ...],
    old_definition: str | None,
    new_definition: str | None,
    policy: str | None,
    form: str,
    everything: bool,
) -> int:
    """Apply the changes from OLD_BASE to REWORKED to NEW_BASE, the factory image of another software version.

    Each is a file, or REV:path for a file at a revision; FILE is always a file.

    callint matches tables by name and reads values in engineering units at the breakpoints of the new tables.
    Addresses, axes, types and conversions can differ. Everything else stays as it is in NEW_BASE.

    Exits with 1 and writes nothing if a change does not fit. To drop changed bytes that the definition does
    not cover, use --leave-out unexplained-bytes. Also exits with 1 if the new image breaks a rule that
    NEW_BASE does not break. This command reports errors only: run callint check on the new image.
    """
    from callint.reporting.files import destinations

    workspace = open_workspace(policy)
    refuse_unknown_rules(workspace.policy)
    if not workspace.policy.path and None in (old_definition, new_definition):
        workspace = stored_workspace(new_base, reworked, old_base) or workspace
    old, changed, new = (read_content(workspace, word) for word in (old_base, reworked, new_base))
    sources, targets = (
        DefinitionResolver(workspace, old_definition, _OLD),
        DefinitionResolver(workspace, new_definition, _NEW),
    )
    before, after = sources.whole(old, changed), targets.whole(new)
    target = Path(output)
    inputs = {old.name, changed.name, new.name, before.file.path, after.file.path}
    destination = destinations.image(target, workspace, inputs=map(workspace.place, inputs))
    old_images = [sources.whole_file(before, one).image for one in (old, changed)]
    new_file = targets.whole_file(after, new)
    done = _carried(
        before,
        after,
        old_images,
        new_file.image,
        How(how),
        _names(before, after, globs),
    )
    image, broken = workspace.label(target), Report((), 0, 0, 0)
    if done.image is not None:
        from callint.reporting.files.atomic_write import replace_file

        data = new_file.holding(done.image)
        outcome = ResultChecker(workspace, after, image, new.name, new.data, targets.start_of(new))
        known = KnownFindings(outcome.errors(new.data), Severity.ERROR)
        broken = new_findings(outcome.errors(data), [known], Severity.ERROR)
        replace_file(destination, data)
    report = CarryReport(
        carried=done,
        old_base=old.name,
        reworked=changed.name,
        new_base=new.name,
        old_definition=before.file.path,
        new_definition=after.file.path,
        image=image,
        broken=broken,
    )
    if form == "json":
        sys.stdout.write(carry_json(report))
    else:
        from callint.reporting.carry.text import print_carry
        from callint.reporting.terminal import console

        print_carry(report, console(sys.stdout), everything)
    return int(done.image is None or bool(broken.findings))


def _carried(
    before: LoadedDefinition,
    after: LoadedDefinition,
    olds: list[Image],
    new: Image,
    how: How,
    unwanted: frozenset[str],
) -> Carried:
    old, reworked = (decode(before.layout, image) for image in olds)
    try:
        return carry(old, reworked, decode(after.layout, new), how, unwanted)
    except UnsealableError as error:
        raise InputError(f"{after.file.path}:{error.line}: {error}") from None


def _names(before: LoadedDefinition, after: LoadedDefinition, globs: tuple[str, ...]) -> frozenset[str]:
    """What is to be left out, by name; InputError where a glob matches nothing in either definition."""
    names = [UNEXPLAINED]
    for definition in (before.definition, after.definition):
        names += [*definition.tables, *definition.texts, *definition.axes]
    return names_matching(names, globs, "--leave-out")
