"""callint merge."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from shlex import quote

import click

from callint.cli.conflict_lists import ConflictLists, write_merged
from callint.cli.git_file import read_git_file
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.merge_outcome import MergeJob, MergeOutcome, are_definitions
from callint.cli.merge_takes import Takes
from callint.cli.options import as_options
from callint.fmt import clean
from callint.model.errors import InputError
from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.file_version import Content

#: The most characters of a command in one line: an indented line has 80.
_WIDEST = 78


@dataclass(frozen=True, slots=True)
class MergeOptions:
    """The arguments and options of callint merge."""

    base: str
    ours: str
    theirs: str
    path: str | None
    output: str | None
    takes: tuple[str, ...]
    globs: tuple[str, ...]
    definition: str | None
    policy: str | None
    form: str
    driver: bool


@click.command()
@click.argument("base")
@click.argument("ours")
@click.argument("theirs")
@click.argument("path", required=False)
@click.option("--to", "output", metavar="FILE", help="File to write the result to.")
@click.option(
    "--take",
    "takes",
    multiple=True,
    metavar="SIDE[:GLOB]",
    help="Resolve conflicts with ours or theirs: all, or those in tables and other items that match GLOB.",
)
@click.option(
    "-t", "--table", "globs", multiple=True, metavar="GLOB", help="Tables the plain --take applies to."
)
@click.option(
    "--definition", metavar="FILE", help="Definition file of the images (default: from the policy)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--driver", is_flag=True, help="Run as git's merge driver (set up by callint init).")
@as_options(MergeOptions)
def command(options: MergeOptions) -> int:
    """Merge two reworks, OURS and THEIRS, of the image or definition BASE.

    Each is a file, or REV:path for a file at a revision; FILE is always a file. Images merge cell by cell,
    definitions by element and attribute.

    Two changes of an image conflict if both sides set a cell to different values, or if one side moved an
    axis and the other edited a table on it. Two changes of a definition conflict if both sides set an
    attribute or a text to different values, or if one side removed what the other changed. The merged file
    then keeps ours, and FILE.conflicts.txt and FILE.conflicts.json list the conflicts. To resolve them, use
    --take theirs --table GLOB or --take theirs:GLOB. You can repeat --take; the first match applies. To
    resolve a moved axis, name the axis or all its differing tables. In a definition, GLOB matches the names
    of tables, axes, signals and all other items.

    Exits with 1 if conflicts remain, or if the merged file breaks a rule that neither side breaks alone.
    """
    if options.driver:
        if options.path is None or options.output:
            raise click.UsageError("--driver needs BASE OURS THEIRS PATH, and excludes --to.")
        return _drive(options, options.path)
    if options.output is None:
        raise click.UsageError("Missing --to FILE, the file to write the result to.")
    if options.path is not None:
        raise click.UsageError("A merge needs three files: BASE, OURS and THEIRS.")
    return _merge(options, Path(options.output))


def _merge(options: MergeOptions, target: Path) -> int:
    """Merge three files of the command line and write the result."""
    from callint.reporting.files import destinations

    names = (options.base, options.ours, options.theirs)
    workspace = workspace_for(options.policy, options.definition, options.ours, options.theirs, options.base)
    contents = [read_content(workspace, name) for name in names]
    takes = Takes.parse(options.takes, options.globs)
    job = _job(options, workspace, workspace.label(target), contents, takes)
    inputs = {*(content.name for content in contents), *job.further_inputs}
    # callint writes to the target of a symbolic link, so that the link stays.
    make = destinations.definition if job.is_definition else destinations.image
    destination = make(target, workspace, inputs=map(workspace.place, inputs), follows_links=True)
    lists = ConflictLists.of_file(target, destination)
    outcome = job.run()
    write_merged(destination, outcome, outcome.data, lists)
    if options.form == "json":
        sys.stdout.write(outcome.make_json())
    elif outcome.decisions or outcome.broken:
        _print(outcome, lists if outcome.conflicts else None)
    return outcome.status


def _drive(options: MergeOptions, path: str) -> int:
    """Act as git's merge driver: the result replaces OURS, and any status but 0 is a conflict to git."""
    from callint.reporting.files import destinations

    takes = Takes.parse(options.takes, options.globs)
    try:
        workspace = open_workspace(options.policy)
        label = workspace.label(Path(path))
        sides = (options.base, "base"), (options.ours, "ours"), (options.theirs, "theirs")
        base, ours, theirs = (read_git_file(Path(file), f"{label} ({side})") for file, side in sides)
        contents = [Content(file.name, label, file.content) for file in (base, ours, theirs)]
        if not contents[0].data:
            problem = "both sides added it, so there is nothing to merge from; take one with git checkout"
            raise InputError(f"{label}: {problem} --ours or --theirs")
        job = _job(options, workspace, label, contents, takes)
        outcome = job.run()
        # Without a working tree there is no folder for conflict lists, and git shows what is printed.
        lists: ConflictLists | None = None
        file = Path(path)
        if file.parent.is_dir() and (
            destination := destinations.merge_driver_file(file, workspace, job.is_definition)
        ):
            lists = ConflictLists.of_file(file, destination)
        # If one side moved the file into git-lfs or out of it, the result moves too.
        stored = theirs if ours.is_pointer == base.is_pointer else ours
        output = destinations.merge_driver_result(Path(options.ours))
        write_merged(output, outcome, stored.successor(outcome.data), lists)
    except InputError as error:
        sys.stderr.write("".join(f"callint: {clean(line)}\n" for line in error.lines))
        return 1
    if outcome.status:
        # Standard output may be that of a git command, which programs parse.
        commands = _resolving_commands(path, options.policy) if outcome.conflicts else ()
        _print(outcome, lists if outcome.conflicts else None, to_errors=True, commands=commands)
    return outcome.status


def _job(
    options: MergeOptions, workspace: Workspace, label: str, contents: list[Content], takes: Takes
) -> MergeJob:
    """The merge of three contents: of images or of definitions. InputError if they cannot be merged."""
    if are_definitions(contents):
        if options.definition is not None:
            raise InputError("--definition needs images; remove it to merge definitions")
        from callint.cli.definition_merging import DefinitionMergeJob

        return DefinitionMergeJob(workspace, label, contents, takes)
    from callint.cli.image_merging import ImageMergeJob

    return ImageMergeJob(workspace, label, contents, options.definition, takes)


def _resolving_commands(path: str, policy: str | None) -> tuple[str, ...]:
    """The commands that resolve a conflict in git's index."""
    sides = [quote(f":{stage}:{path}") for stage in (1, 2, 3)]
    file = quote(path if not path.startswith("-") else f"./{path}")
    policy_option = f" --policy {quote(policy)}" if policy else ""
    merge = f"callint merge {' '.join(sides)} \\"
    merge_lines = (
        [merge] if len(merge) <= _WIDEST else ["callint merge \\", *(f"  {side} \\" for side in sides)]
    )
    return (*merge_lines, f"  --to {file}{policy_option} --take theirs", f"git add -- {file}")


def _print(
    outcome: MergeOutcome,
    lists: ConflictLists | None,
    to_errors: bool = False,
    commands: tuple[str, ...] = (),
) -> None:
    from callint.reporting.terminal import console

    them = "it" if outcome.conflicts == 1 else "them"
    sentence = f"{lists.text.path} lists {them}." if lists else ""
    outcome.print_merge(console(sys.stderr if to_errors else sys.stdout), sentence, commands)
