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

from callint.checking.report import Report
from callint.cli.git_file import read_git_file
from callint.cli.image_loading import (
    DefinitionResolver,
    read_content,
    table_selection,
    workspace_for,
)
from callint.cli.result_check import ResultChecker
from callint.comparing.merge import AxisConflict, CellConflict, Conflict, Merge, Side, TextConflict, merge
from callint.decoding.checksum_update import UnsealableError
from callint.decoding.decode import decode
from callint.fmt import clean
from callint.model import rule_ids
from callint.model.definition import Definition
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.reading.locks import alone
from callint.reading.tree import CONFLICT_DATA, CONFLICT_TEXT, read_file, reason
from callint.reading.workspace import Workspace, open_workspace
from callint.reporting.merge.json import FORMAT, TITLE, MergeReport, merge_json
from callint.rules.context import LoadedDefinition
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # loaded when something is written
    from callint.reporting.files.destinations import Destination


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
def command(
    base: str,
    ours: str,
    theirs: str,
    path: str | None,
    output: str | None,
    takes: tuple[str, ...],
    globs: tuple[str, ...],
    definition: str | None,
    policy: str | None,
    form: str,
    driver: bool,
) -> int:
    """Merge two reworks, OURS and THEIRS, of the image BASE, cell by cell.

    Each is a file, or REV:path for a file at a revision; FILE is always a file.

    Two changes conflict if both sides set a cell to different values, or if one side moved an axis and the
    other edited a table on it. The merged image then keeps ours, and FILE.conflicts.txt and
    FILE.conflicts.json list the conflicts. To resolve them, use --take theirs --table GLOB or --take
    theirs:GLOB. You can repeat --take; the first match applies. To resolve a moved axis, name the axis or all
    its differing tables.

    Exits with 1 if conflicts remain, or if the merged image breaks a rule that neither side breaks alone.
    """
    from callint.reporting.files import destinations

    if driver:
        if path is None or output:
            raise click.UsageError("--driver needs BASE OURS THEIRS PATH, and excludes --to.")
        return _drive(base, ours, theirs, path, _MergeOptions.read(takes, globs), definition, policy)
    if output is None:
        raise click.UsageError("Missing --to FILE, the file to write the merged image to.")
    if path is not None:
        raise click.UsageError("A merge needs three images: BASE, OURS and THEIRS.")
    workspace = workspace_for(policy, definition, ours, theirs, base)
    contents = [read_content(workspace, word) for word in (base, ours, theirs)]
    target = Path(output)
    job = _Job(workspace, definition, workspace.label(target), contents, _MergeOptions.read(takes, globs))
    inputs = {*(one.name for one in contents), job.subject.file.path}
    # A link stays a link: the file that it leads to is what is written.
    places = map(workspace.place, inputs)
    destination = destinations.image(target, workspace, inputs=places, follows=True)
    lists = _Lists.beside(target, destination)
    report = job.run()
    _write(report, job.merged(report), destination, lists)
    if form == "json":
        sys.stdout.write(merge_json(report))
    elif report.merge.decisions or report.broken.findings:
        _tell(report, lists if report.merge.conflicts else None)
    return _status(report)


def _drive(
    base: str,
    ours: str,
    theirs: str,
    path: str,
    wishes: _MergeOptions,
    definition: str | None,
    policy: str | None,
) -> int:
    """Be git's merge driver: the result replaces OURS, and any status but 0 is a conflict to git."""
    from callint.reporting.files import destinations

    try:
        workspace = open_workspace(policy)
        label = workspace.label(Path(path))
        sides = (base, "base"), (ours, "ours"), (theirs, "theirs")
        handed = [read_git_file(Path(word), f"{label} ({side})") for word, side in sides]
        contents = [Content(one.name, label, one.content) for one in handed]
        if not contents[0].data:
            words = "both sides added it, so there is nothing to merge from; take one with git checkout"
            raise InputError(f"{label}: {words} --ours or --theirs")
        job = _Job(workspace, definition, label, contents, wishes)
        report = job.run()
        # Without a working tree there is no place for lists, and git shows what is printed.
        lists: _Lists | None = None
        image = Path(path)
        if image.parent.is_dir() and (beside := destinations.image_of_git(image, workspace)):
            lists = _Lists.beside(image, beside)
        # Where one side moved the image into git-lfs, or out of it, that is merged too.
        form = handed[2] if handed[1].is_pointer == handed[0].is_pointer else handed[1]
        _write(report, form.successor(job.merged(report)), destinations.handed_by_git(Path(ours)), lists)
    except InputError as error:
        sys.stderr.write("".join(f"callint: {clean(line)}\n" for line in error.lines))
        return 1
    if report.merge.conflicts or report.broken.findings:
        # Standard output may be that of a git command that programs read.
        commands = _settling(path, policy) if report.merge.conflicts else ()
        _tell(report, lists if report.merge.conflicts else None, to_errors=True, commands=commands)
    return _status(report)


def _status(report: MergeReport) -> int:
    return int(bool(report.merge.conflicts or report.broken.findings))


def _settling(path: str, policy: str | None) -> tuple[str, ...]:
    """The commands that settle a conflict which git has in its index."""
    sides = " ".join(quote(f":{stage}:{path}") for stage in (1, 2, 3))
    file = quote(path if not path.startswith("-") else f"./{path}")
    more = f" --policy {quote(policy)}" if policy else ""
    return (
        f"callint merge {sides} \\",
        f"  --to {file}{more} --take theirs",
        f"git add -- {file}",
    )


def _tell(
    report: MergeReport, lists: _Lists | None, to_errors: bool = False, commands: tuple[str, ...] = ()
) -> None:
    from callint.reporting.merge.text import print_merge
    from callint.reporting.terminal import console

    them = "it" if len(report.merge.conflicts) == 1 else "them"
    words = f"{lists.text.path} lists {them}." if lists else ""
    print_merge(report, console(sys.stderr if to_errors else sys.stdout), words, commands)


# Settling


@dataclass(frozen=True, slots=True)
class _MergeOptions:
    """For which side conflicts are to be settled: a side and globs, () for all; the first match counts."""

    takes: tuple[tuple[Side, tuple[str, ...]], ...]

    @staticmethod
    def read(takes: Sequence[str], globs: tuple[str, ...]) -> _MergeOptions:
        found: list[tuple[Side, tuple[str, ...]]] = []
        plain = []
        for take in takes:
            word, colon, glob = take.partition(":")
            if word not in list(Side) or (colon and not glob):
                raise InputError(f"--take {take}: write ours, theirs, ours:GLOB or theirs:GLOB")
            if colon:
                found.append((Side(word), (glob,)))
            else:
                plain.append(Side(word))
        if len(plain) > 1:
            raise InputError("use --take without a glob only once; write ours:GLOB and theirs:GLOB")
        if globs and not plain:
            raise InputError("--table needs a --take; add --take ours or --take theirs")
        # What is said of everything yields to what is said of some tables.
        return _MergeOptions((*found, *((side, globs) for side in plain)))

    def choice(self, definition: Definition) -> _Choice:
        """The wishes as names of a definition; InputError where a glob matches none."""
        return _Choice(
            tuple((side, table_selection(definition, globs) if globs else None) for side, globs in self.takes)
        )


@dataclass(frozen=True, slots=True)
class _Choice:
    """Sides and the names that they are for; None for every conflict, whatever it is about."""

    takes: tuple[tuple[Side, frozenset[str] | None], ...]

    def __call__(self, conflict: Conflict) -> Side | None:
        return next((side for side, names in self.takes if names is None or _is_meant(conflict, names)), None)


def _is_meant(conflict: Conflict, names: frozenset[str]) -> bool:
    match conflict:
        case CellConflict():
            return conflict.versions.table.name in names
        case AxisConflict():
            tables = {one.table.name for one in conflict.tables}
            return bool(names & {one.axis.name for one in conflict.axes} or (tables and tables <= names))
        case TextConflict():
            return conflict.text.name in names
        case _:
            return False


# Merging


class _Job:
    """One merge: three versions of an image that is reported and judged under the name ``image``."""

    def __init__(
        self,
        workspace: Workspace,
        definition: str | None,
        image: str,
        contents: list[Content],
        wishes: _MergeOptions,
    ) -> None:
        refuse_unknown_rules(workspace.policy)
        self.workspace = workspace
        self.image = image
        self.contents = contents
        self.wishes = wishes
        base, ours, theirs = contents
        candidates = (ours, replace(ours, path=image), theirs, base)
        subjects = DefinitionResolver(workspace, definition)
        self.subject: LoadedDefinition = subjects.whole(*candidates)
        self.files = [subjects.whole_file(self.subject, one) for one in contents]
        starts = (subjects.start_of(one) for one in contents)
        self.start = next((start for start in starts if start is not None), None)
        for one, file in zip(contents[1:], self.files[1:], strict=True):
            if file.image.extents != self.files[0].image.extents:
                words = f"it does not hold the addresses of {base.name}, so that they cannot be merged"
                raise InputError(f"{one.name}: {words}; have both written with the same ones")

    def merged(self, report: MergeReport) -> bytes:
        """The file with the merged image: in the form of ours, or of theirs where only they changed it."""
        base, ours, theirs = self.files
        form = theirs if ours.frame == base.frame else ours
        return form.holding(report.merge.image)

    def run(self) -> MergeReport:
        """Merge, and check the result."""
        subject = self.subject
        base, ours, theirs = (file.image for file in self.files)
        choice = self.wishes.choice(subject.definition)
        # Values from strangers' images may be infinite or no numbers.
        with np.errstate(all="ignore"):
            try:
                decoded = [decode(subject.layout, one) for one in (base, ours, theirs)]
                done = merge(decoded[0], decoded[1], decoded[2], choice)
            except UnsealableError as error:
                raise InputError(f"{subject.file.path}:{error.line}: {error}") from None
            broken = Report((), 0, 0, 0) if done.conflicts else self._broken(done)
        named = dict(zip(("base", "ours", "theirs"), (one.name for one in self.contents), strict=True))
        return MergeReport(
            merge=done,
            definition=subject.definition,
            path=subject.file.path,
            image=self.image,
            broken=broken,
            **named,
        )

    def _broken(self, done: Merge) -> Report:
        """The errors of the merged image against the base that neither side has alone."""
        base, ours, theirs = (one.data for one in self.contents)
        outcome = ResultChecker(self.workspace, self.subject, self.image, "the merge base", base, self.start)
        known = {_key(finding) for data in (ours, theirs) for finding in outcome.errors(data).findings}
        report = outcome.errors(self.files[1].holding(done.image))
        found = (finding for finding in report.findings if _key(finding) not in known)
        return replace(report, findings=tuple(found))


def _key(finding: Finding) -> tuple[object, ...]:
    """What makes errors of two images the same: rule, thing and cell, but not the value."""
    if finding.rule == rule_ids.CHANGE_UNEXPLAINED_BYTES:
        return (finding.rule,)  # stretches of both sides may join, but every byte is one of theirs
    return finding.rule, finding.table, finding.subject, finding.cell


# Files


@dataclass(frozen=True, slots=True)
class _Lists:
    """The lists of open conflicts beside an image."""

    text: Destination
    data: Destination

    @staticmethod
    def beside(image: Path, destination: Destination) -> _Lists:
        """The lists of an image; they are kept from where its ``destination`` is kept from."""
        text, data = (image.with_name(f"{image.name}{ending}") for ending in (CONFLICT_TEXT, CONFLICT_DATA))
        return _Lists(destination.elsewhere(text), destination.elsewhere(data))

    def refuse_strangers(self) -> None:
        """InputError where a file that callint did not write lies where a list belongs."""
        for path in (self.text.path, self.data.path):
            if (path.exists() or path.is_symlink()) and not self._is_own(path):
                words = "a list of conflicts belongs here, but this file is none; move it away"
                raise InputError(f"{path}: {words}")

    def contents(self, report: MergeReport) -> list[tuple[Destination, bytes]]:
        """The lists as files."""
        from io import StringIO

        from callint.reporting.merge.text import print_list
        from callint.reporting.terminal import console

        stream = StringIO()
        print_list(report, console(stream, colour=False))
        return [(self.text, stream.getvalue().encode()), (self.data, merge_json(report).encode())]

    def remove(self) -> None:
        """Take away the lists of an earlier merge."""
        for one in (self.text, self.data):
            path = one.path
            if path.is_file() and self._is_own(path):
                try:
                    path.unlink()
                except OSError as error:
                    words = (
                        f"{path}: the list is out of date and cannot be removed: {reason(error)}; remove it"
                    )
                    raise InputError(words) from None

    def _is_own(self, path: Path) -> bool:
        try:
            content = read_file(path)
            if path == self.text.path:
                return content.startswith(TITLE.encode())
            document = json.loads(content)
        except (OSError, ValueError, RecursionError):
            return False
        return isinstance(document, dict) and document.get("format") == FORMAT


def _write(report: MergeReport, data: bytes, image: Destination, lists: _Lists | None) -> None:
    """Write the merged image as it is to be stored, and its lists where conflicts are left.

    There are never conflicts without their lists, and no lists of a merge that is not there.
    """
    from callint.reporting.files.atomic_write import replace_file, replace_files

    place = image.place()
    # Of two merges at once the lists of one must not come beside the image of the other.
    with alone(place, str(image.path)):
        if lists is None:
            replace_file(image, data)
        elif report.merge.conflicts:
            lists.refuse_strangers()
            replace_files([*lists.contents(report), (image, data)])
        else:
            replace_file(image, data)
            lists.remove()
