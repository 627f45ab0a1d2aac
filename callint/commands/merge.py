"""callint merge."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

import click
import numpy as np

from callint import fmt
from callint.checking.merge_report import MergeReport
from callint.checking.report import Report
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.git_file import read_git_file
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.name_selection import table_selection
from callint.cli.options import as_options
from callint.cli.result_check import ResultChecker
from callint.cli.sealing_error import sealing_error
from callint.comparing.completion import UnknownBytesError, completed, cut_to
from callint.comparing.merge import (
    AxisConflict,
    CellConflict,
    Conflict,
    MergeResult,
    Side,
    TextConflict,
    merge,
)
from callint.decoding.checksum_update import UnsealableError
from callint.decoding.decode import decode
from callint.decoding.loaded_definition import LoadedDefinition
from callint.fmt import clean
from callint.model import rule_ids
from callint.model.definition import Definition
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.image import Image
from callint.reading.images import ImageFile
from callint.reading.locks import exclusive_update
from callint.reading.tree import CONFLICT_DATA, CONFLICT_TEXT, read_file, reason
from callint.reading.workspace import Workspace, open_workspace
from callint.reporting.merge.json import merge_json
from callint.reporting.merge.lists import FORMAT, TITLE
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # loaded when something is written
    from callint.reporting.files.destinations import Destination


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
@click.option("--to", "output", metavar="FILE", help="File to write the merged image to.")
@click.option(
    "--take",
    "takes",
    multiple=True,
    metavar="SIDE[:GLOB]",
    help="Resolve conflicts with ours or theirs: all, or those in tables, axes and texts that match GLOB.",
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
    """Merge two reworks, OURS and THEIRS, of the image BASE, cell by cell.

    Each is a file, or REV:path for a file at a revision; FILE is always a file.

    Two changes conflict if both sides set a cell to different values, or if one side moved an axis and the
    other edited a table on it. The merged image then keeps ours, and FILE.conflicts.txt and
    FILE.conflicts.json list the conflicts. To resolve them, use --take theirs --table GLOB or --take
    theirs:GLOB. You can repeat --take; the first match applies. To resolve a moved axis, name the axis or all
    its differing tables.

    Exits with 1 if conflicts remain, or if the merged image breaks a rule that neither side breaks alone.
    """
    if options.driver:
        if options.path is None or options.output:
            raise click.UsageError("--driver needs BASE OURS THEIRS PATH, and excludes --to.")
        return _drive(options, options.path)
    if options.output is None:
        raise click.UsageError("Missing --to FILE, the file to write the merged image to.")
    if options.path is not None:
        raise click.UsageError("A merge needs three images: BASE, OURS and THEIRS.")
    return _merge(options, Path(options.output))


def _merge(options: MergeOptions, target: Path) -> int:
    """Merge three images of the command line and write the result."""
    from callint.reporting.files import destinations

    names = (options.base, options.ours, options.theirs)
    workspace = workspace_for(options.policy, options.definition, options.ours, options.theirs, options.base)
    contents = [read_content(workspace, name) for name in names]
    takes = _Takes.parse(options.takes, options.globs)
    job = _MergeJob(workspace, workspace.label(target), contents, options.definition, takes)
    inputs = {*(content.name for content in contents), job.loaded.file.path}
    # callint writes to the target of a symbolic link, so that the link stays.
    paths = map(workspace.place, inputs)
    destination = destinations.image(target, workspace, inputs=paths, follows_links=True)
    lists = _ConflictLists.of_image(target, destination)
    report = job.run()
    _write(report, job.merged(report), destination, lists)
    if options.form == "json":
        sys.stdout.write(merge_json(report))
    elif report.merge.decisions or report.broken.findings:
        _print(report, lists if report.merge.conflicts else None)
    return _status(report)


def _drive(options: MergeOptions, path: str) -> int:
    """Act as git's merge driver: the result replaces OURS, and any status but 0 is a conflict to git."""
    from callint.reporting.files import destinations

    takes = _Takes.parse(options.takes, options.globs)
    try:
        workspace = open_workspace(options.policy)
        label = workspace.label(Path(path))
        sides = (options.base, "base"), (options.ours, "ours"), (options.theirs, "theirs")
        base, ours, theirs = (read_git_file(Path(file), f"{label} ({side})") for file, side in sides)
        contents = [Content(file.name, label, file.content) for file in (base, ours, theirs)]
        if not contents[0].data:
            problem = "both sides added it, so there is nothing to merge from; take one with git checkout"
            raise InputError(f"{label}: {problem} --ours or --theirs")
        job = _MergeJob(workspace, label, contents, options.definition, takes)
        report = job.run()
        # Without a working tree there is no folder for conflict lists, and git shows what is printed.
        lists: _ConflictLists | None = None
        image = Path(path)
        if image.parent.is_dir() and (destination := destinations.merge_driver_image(image, workspace)):
            lists = _ConflictLists.of_image(image, destination)
        # If one side moved the image into git-lfs or out of it, the result moves too.
        stored = theirs if ours.is_pointer == base.is_pointer else ours
        output = destinations.merge_driver_result(Path(options.ours))
        _write(report, stored.successor(job.merged(report)), output, lists)
    except InputError as error:
        sys.stderr.write("".join(f"callint: {clean(line)}\n" for line in error.lines))
        return 1
    if report.merge.conflicts or report.broken.findings:
        # Standard output may be that of a git command, which programs parse.
        commands = _resolving_commands(path, options.policy) if report.merge.conflicts else ()
        _print(report, lists if report.merge.conflicts else None, to_errors=True, commands=commands)
    return _status(report)


def _status(report: MergeReport) -> int:
    return int(bool(report.merge.conflicts or report.broken.findings))


def _resolving_commands(path: str, policy: str | None) -> tuple[str, ...]:
    """The commands that resolve a conflict in git's index."""
    sides = " ".join(quote(f":{stage}:{path}") for stage in (1, 2, 3))
    file = quote(path if not path.startswith("-") else f"./{path}")
    policy_option = f" --policy {quote(policy)}" if policy else ""
    return (
        f"callint merge {sides} \\",
        f"  --to {file}{policy_option} --take theirs",
        f"git add -- {file}",
    )


def _print(
    report: MergeReport,
    lists: _ConflictLists | None,
    to_errors: bool = False,
    commands: tuple[str, ...] = (),
) -> None:
    from callint.reporting.merge.text import print_merge
    from callint.reporting.terminal import console

    them = "it" if len(report.merge.conflicts) == 1 else "them"
    sentence = f"{lists.text.path} lists {them}." if lists else ""
    print_merge(report, console(sys.stderr if to_errors else sys.stdout), sentence, commands)


# Resolving


@dataclass(frozen=True, slots=True)
class _Takes:
    """Sides that resolve conflicts, each with its globs, () for all conflicts; the first match applies."""

    takes: tuple[tuple[Side, tuple[str, ...]], ...]

    @staticmethod
    def parse(takes: Sequence[str], globs: tuple[str, ...]) -> _Takes:
        """From the options --take and --table; InputError if they do not fit together."""
        selective: list[tuple[Side, tuple[str, ...]]] = []
        plain = []
        for take in takes:
            side, colon, glob = take.partition(":")
            if side not in list(Side) or (colon and not glob):
                raise InputError(f"--take {take}: write ours, theirs, ours:GLOB or theirs:GLOB")
            if colon:
                selective.append((Side(side), (glob,)))
            else:
                plain.append(Side(side))
        if len(plain) > 1:
            raise InputError("use --take without a glob only once; write ours:GLOB and theirs:GLOB")
        if globs and not plain:
            raise InputError("--table needs a --take; add --take ours or --take theirs")
        # A --take for some tables comes before the plain one.
        return _Takes((*selective, *((side, globs) for side in plain)))

    def choice(self, definition: Definition) -> _Choice:
        """The sides with names of a definition in place of globs; InputError if a glob matches none."""
        return _Choice(
            tuple((side, table_selection(definition, globs) if globs else None) for side, globs in self.takes)
        )


@dataclass(frozen=True, slots=True)
class _Choice:
    """The sides that resolve conflicts, each with the names it applies to; None for every conflict."""

    takes: tuple[tuple[Side, frozenset[str] | None], ...]

    def __call__(self, conflict: Conflict) -> Side | None:
        return next((side for side, names in self.takes if names is None or _selects(names, conflict)), None)


def _selects(names: frozenset[str], conflict: Conflict) -> bool:
    """Whether names select a conflict; for a moved axis, the axis or all tables that differ on it."""
    match conflict:
        case CellConflict():
            return conflict.versions.table.name in names
        case AxisConflict():
            tables = {versions.table.name for versions in conflict.tables}
            axes = {versions.axis.name for versions in conflict.axes}
            return bool(names & axes or (tables and tables <= names))
        case TextConflict():
            return conflict.text.name in names
        case _:
            return False


# Merging


class _MergeJob:
    """One merge of the contents base, ours and theirs; ``image`` is the name of the merged image."""

    def __init__(
        self,
        workspace: Workspace,
        image: str,
        contents: list[Content],
        definition: str | None,
        takes: _Takes,
    ) -> None:
        refuse_unknown_rules(workspace.policy)
        self._workspace = workspace
        self._image = image
        self._contents = contents
        self._takes = takes
        base, ours, theirs = contents
        candidates = (ours, replace(ours, path=image), theirs, base)
        resolver = DefinitionResolver(workspace, definition)
        self.loaded: LoadedDefinition = resolver.resolve_for_writing(*candidates)
        self._files = [resolver.read_for_writing(self.loaded, content) for content in contents]
        starts = (resolver.start_of(content) for content in contents)
        self._start = next((start for start in starts if start is not None), None)
        fill = self.loaded.definition.memory.fill
        try:
            self._images = completed([file.image for file in self._files], fill)
        except UnknownBytesError as error:
            lacking, holding = contents[error.lacking].name, contents[error.holding].name
            raise InputError(
                f"{lacking}: it lacks the byte at {fmt.address(error.address)}, which is not fill in "
                f"{holding}, so they cannot be merged; write both with the same addresses"
            ) from None

    def merged(self, report: MergeReport) -> bytes:
        """The merged image file: in the file format of ours, or of theirs if only they changed it."""
        base, ours, theirs = self._files
        template = theirs if ours.frame == base.frame else ours
        return self._written(template, report.merge.image)

    def _written(self, template: ImageFile, image: Image) -> bytes:
        """An image in the form of a file, which may lack addresses that hold fill."""
        cut = cut_to(image, template.image.extents, self.loaded.definition.memory.fill)
        if cut is None:
            raise InputError(
                f"{self._image}: the merged image has bytes at addresses that the file of one side lacks; "
                "write all three with the same addresses"
            )
        return template.with_content(cut)

    def run(self) -> MergeReport:
        """Merge, and check the result."""
        loaded = self.loaded
        base, ours, theirs = self._images
        choice = self._takes.choice(loaded.definition)
        # Values from strangers' images may be infinite or NaN.
        with np.errstate(all="ignore"):
            try:
                decoded = [decode(loaded.layout, image) for image in (base, ours, theirs)]
                result = merge(decoded[0], decoded[1], decoded[2], choice)
            except UnsealableError as error:
                raise sealing_error(error, loaded.definition, self._image) from None
            broken = Report((), 0, 0, 0) if result.conflicts else self._new_errors(result)
        return MergeReport(
            merge=result,
            definition=loaded.definition,
            path=loaded.file.path,
            image=self._image,
            broken=broken,
            base=self._contents[0].name,
            ours=self._contents[1].name,
            theirs=self._contents[2].name,
        )

    def _new_errors(self, result: MergeResult) -> Report:
        """The errors of the merged image, compared with the base, that neither side has alone."""
        base, ours, theirs = self._contents
        merge_base = replace(base, name="the merge base")
        checker = ResultChecker(self._workspace, self.loaded, self._image, merge_base, self._start)
        known = {_key(finding) for side in (ours, theirs) for finding in checker.errors(side.data).findings}
        report = checker.errors(self._written(self._files[1], result.image), finds_causes=True)
        new = (finding for finding in report.findings if _key(finding) not in known)
        return replace(report, findings=tuple(new))


def _key(finding: Finding) -> tuple[object, ...]:
    """The key by which two images have the same error: rule, table, subject and cell, without the value."""
    if finding.rule == rule_ids.CHANGE_UNEXPLAINED_BYTES:
        return (finding.rule,)  # ranges of both sides may join, but each byte comes from one side
    return finding.rule, finding.table, finding.subject, finding.cell


# Files


@dataclass(frozen=True, slots=True)
class _ConflictLists:
    """The files next to an image that list its open conflicts: ``text`` for people, ``data`` in JSON."""

    text: Destination
    data: Destination

    @staticmethod
    def of_image(image: Path, destination: Destination) -> _ConflictLists:
        """The lists of an image; the restrictions of its ``destination`` apply to them too."""
        text, data = (image.with_name(f"{image.name}{suffix}") for suffix in (CONFLICT_TEXT, CONFLICT_DATA))
        return _ConflictLists(destination.with_path(text), destination.with_path(data))

    def refuse_foreign_files(self) -> None:
        """InputError if a file that callint did not write is in the place of a list."""
        for path in (self.text.path, self.data.path):
            if (path.exists() or path.is_symlink()) and not self._is_own(path):
                raise InputError(
                    f"{path}: a list of conflicts belongs here, but this file is none; move it away"
                )

    def contents(self, report: MergeReport) -> list[tuple[Destination, bytes]]:
        """The lists with their destinations."""
        from io import StringIO

        from callint.reporting.merge.text import print_list
        from callint.reporting.terminal import console

        stream = StringIO()
        print_list(report, console(stream, colour=False))
        return [(self.text, stream.getvalue().encode()), (self.data, merge_json(report).encode())]

    def remove(self) -> None:
        """Remove the lists of an earlier merge."""
        for path in (self.text.path, self.data.path):
            if path.is_file() and self._is_own(path):
                try:
                    path.unlink()
                except OSError as error:
                    raise InputError(
                        f"{path}: the list is out of date and cannot be removed: {reason(error)}; remove it"
                    ) from None

    def _is_own(self, path: Path) -> bool:
        try:
            content = read_file(path)
            if path == self.text.path:
                return content.startswith(TITLE.encode())
            document = json.loads(content)
        except (OSError, ValueError, RecursionError):
            return False
        return isinstance(document, dict) and document.get("format") == FORMAT


def _write(report: MergeReport, data: bytes, image: Destination, lists: _ConflictLists | None) -> None:
    """Write the merged image, and its lists if conflicts remain.

    At no time do conflicts lack their lists, nor do lists exist of a merge that was not written.
    """
    from callint.reporting.files.atomic_write import replace_file, replace_files

    place = image.place()
    # If two merges run at once, the lists of one must not join the image of the other.
    with exclusive_update(place, str(image.path)):
        if lists is None:
            replace_file(image, data)
        elif report.merge.conflicts:
            lists.refuse_foreign_files()
            replace_files([*lists.contents(report), (image, data)])
        else:
            replace_file(image, data)
            lists.remove()
