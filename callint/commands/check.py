"""callint check."""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.checking.assignments import (
    Assignment,
    assigned_and_others,
    assignment_of_named,
    assignments,
    definitions_on,
)
from callint.checking.base_changes import base_findings
from callint.checking.checker import Checker, Find
from callint.checking.definition_base import findings_against_base, mirrors_in_bases
from callint.checking.image_findings import NO_DETAILS, FindingDetails
from callint.checking.loading import Definitions
from callint.checking.new_findings import Key, KnownFindings, key_of, new_findings
from callint.checking.report import Report, merge_reports
from callint.checking.unit_numbers import no_trees, unit_findings
from callint.cli.authorship import AuthorshipFactory
from callint.cli.findings_document import findings_document
from callint.cli.options import as_options
from callint.cli.progress import progress
from callint.cli.unassigned_check import unassigned_check
from callint.cli.unresolved_conflicts import refuse_unresolved, warn_of_unresolved
from callint.cli.workers import workers
from callint.model import rule_ids
from callint.model.errors import InputError
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from callint.reading.family import is_shared
from callint.reading.tree import Tree
from callint.reading.workspace import Workspace, open_workspace
from callint.rules.registry import refuse_unknown_rules

if TYPE_CHECKING:  # git and processes are slow to import, and most checks need none of them
    from callint.checking.worker_pool import WorkerPool
    from callint.reporting.files.destinations import Destination
    from callint.versioning.git.log import Commit
    from callint.versioning.ranges import Span
    from callint.versioning.staging import TreeState

#: From this number of images on, a progress bar is useful.
_LONG = 4

#: For people, programs, code scanning, build servers, comments in reviews, editors, and two forges.
_FORMATS = ("text", "json", "sarif", "junit", "markdown", "lines", "github", "gitlab")
#: The formats that are empty without findings.
_SILENT = ("text", "lines", "github")
#: The details of the findings of an earlier state, with which those of the present one are compared.
_COMPARED = FindingDetails(contents=True, causes=False)


@dataclass(frozen=True, slots=True)
class CheckOptions:
    """The arguments and options of callint check."""

    paths: tuple[str, ...]
    staged: bool
    since: str | None
    between: str | None
    each: bool
    definition: str | None
    base: str | None
    policy_path: str | None
    form: str
    output: str | None
    fail_on: str | None
    jobs: int | None
    executor: str | None
    everything: bool
    without_waived: bool
    fix: bool


@click.command()
@click.argument("paths", nargs=-1, metavar="[PATH]...")
@click.option(
    "--staged", is_flag=True, help="Check everything that the next commit touches, as staged in the index."
)
@click.option("--since", metavar="REV", help="Report only findings that are new since REV.")
@click.option(
    "--range",
    "between",
    metavar="A..B",
    help="Report only findings that are new in B; A...B compares with the merge base.",
)
@click.option("--each", is_flag=True, help="With --range: report the new findings of each commit.")
@click.option(
    "--definition", metavar="FILE", help="Definition file of the images (default: from the policy)."
)
@click.option(
    "--base",
    metavar="FILE",
    help="Base image to compare with, or to judge a definition by (default: from the policy).",
)
@click.option(
    "--policy", "policy_path", metavar="FILE", help="Policy file (default: the nearest callint.toml)."
)
@click.option("--format", "form", type=click.Choice(_FORMATS), default="text", show_default=True)
@click.option("--output", metavar="FILE", help="Write the findings to a file.")
@click.option(
    "--fail-on",
    type=click.Choice([s.value for s in Severity]),
    help="Exit with 1 on findings of this severity or higher.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 1024),
    metavar="N",
    help="Number of worker processes (default: number of CPUs).",
)
@click.option("--executor", metavar="NAME", help="Run the checks on a Dask cluster: dask:ADDRESS.")
@click.option("--all", "everything", is_flag=True, help="List every finding in full.")
@click.option("--without-waived", is_flag=True, help="Leave out waived findings, and do not count them.")
@click.option("--fix", is_flag=True, help="Print the command that undoes each mistake; change nothing.")
@as_options(CheckOptions)
def command(options: CheckOptions) -> int:
    """Check images and their definitions.

    PATH is an image, a definition (.xml) or a folder. Without PATH, callint checks every file that the policy
    names. Prints nothing if it finds nothing.
    """
    _check_options(options)
    targets = list(_targets(options))
    levels = [Severity(options.fail_on) if options.fail_on else target.policy.fail_on for target in targets]
    destination = None if options.output is None else _destination(options.output, targets)
    reports = _check(targets, levels, options)
    if options.each and len(reports) > 1 and not targets[-1].commit:
        *reports, whole_range = reports
        rest = _without_repeats(whole_range, reports)
        reports, levels = ([*reports, rest], levels) if rest.findings else (reports, levels[:-1])
    if options.without_waived:
        reports = [_without_waived(report) for report in reports]
    _print(reports, levels, options, destination, targets[-1].place(".") if targets else Path.cwd())
    return int(any(_fails(report, level) for report, level in zip(reports, levels, strict=True)))


def _check_options(options: CheckOptions) -> None:
    """InputError if options exclude or need each other."""
    reads_git = bool(options.staged or options.since or options.between)
    if options.each and not options.between:
        raise InputError("--each needs --range A..B; add a range")
    if sum(map(bool, (options.staged, options.since, options.between, options.paths))) > 1:
        raise InputError("--staged, --since, --range and paths exclude each other; use only one")
    if reads_git and (options.definition or options.base):
        raise InputError(
            "--staged, --since and --range read every file from git; remove --definition and --base"
        )
    if options.fix and (options.form != "text" or reads_git or options.base):
        raise InputError(
            "--fix prints commands for files on disk; remove --format, --base, --staged, --since and --range"
        )
    if options.between and options.policy_path:
        raise InputError("--range reads the policy from git; remove --policy")


def _check(targets: list[_Target], levels: list[Severity], options: CheckOptions) -> list[Report]:
    """Check the targets one after another; ``levels`` are the severities at which they fail."""
    # With --each, the history of the range's end contains all commits.
    newest = (options.between or "").rpartition("..")[2] or "HEAD"
    authorship = AuthorshipFactory(newest if options.each else "")
    done, total = count(1), sum(len(target.images) for target in targets)
    with (
        workers(options.jobs, options.executor, total) as pool,
        progress("checking", total, _LONG) as step,
    ):
        checker = _TargetChecker(
            step=lambda path: step(next(done)),
            authorship=authorship,
            definitions=Definitions(),
            pool=pool,
            fail_on=options.fail_on,
        )
        return [checker.report(target, level) for target, level in zip(targets, levels, strict=True)]


def _fails(report: Report, level: Severity) -> bool:
    return any(not finding.waived and finding.severity.reaches(level) for finding in report.findings)


@dataclass(frozen=True, slots=True)
class _Target:
    """What to check. ``place`` returns the path on disk of a file by its name in the tree.

    ``is_complete`` says that images and definitions are everything that the policy names. ``unassigned`` are
    files that the policy does not name. ``previous`` gives the trees of the states before, if there are any.
    ``further`` give more findings. ``earlier`` are the states to compare with, each with its own policy.
    If ``is_difference``, only findings count that are new compared with each of these states. ``commit`` is
    the commit that is checked, if it is a single one.
    """

    tree: Tree
    policy: Policy
    images: Sequence[Assignment]
    definitions: Sequence[str]
    is_complete: bool
    place: Callable[[str], Path]
    unassigned: Sequence[str] = ()
    previous: Callable[[], Sequence[Tree]] = no_trees
    further: Sequence[Callable[[Checker], Iterable[Finding]]] = ()
    earlier: Sequence[TreeState] = ()
    is_difference: bool = False
    commit: Commit | None = None


def _targets(options: CheckOptions) -> Iterator[_Target]:
    """What the options select: one target, or one for each commit of a range."""
    if options.staged:
        yield _staged_target(options.policy_path)
    elif options.between:
        yield from _range_targets(options.between, options.each)
    else:
        workspace = open_workspace(options.policy_path)
        if options.since:
            from callint.versioning import ranges

            if not workspace.policy.path:
                raise InputError("no callint.toml in this folder or any parent; run callint init first")
            yield _span_target(ranges.since(workspace.root, workspace.policy, workspace.tree, options.since))
        else:
            yield _disk_target(workspace, options)


def _range_targets(between: str, each: bool) -> Iterator[_Target]:
    from callint.versioning import ranges

    old, new = ranges.parse_range(between, Path.cwd())
    spans = ranges.each_commit(Path.cwd(), old, new) if each else [ranges.between(Path.cwd(), old, new)]
    yield from map(_span_target, spans)


def _span_target(span: Span) -> _Target:
    return _Target(
        tree=span.new,
        policy=span.policy,
        images=span.scope.images,
        definitions=span.scope.definitions,
        is_complete=span.scope.is_complete,
        place=span.folder.joinpath,
        unassigned=span.scope.unassigned,
        previous=lambda: [state.tree for state in span.earlier],
        earlier=span.earlier,
        is_difference=True,
        commit=span.commit,
    )


@dataclass(frozen=True, slots=True)
class _TargetChecker:
    """Checks one target after another with what they share.

    ``step`` is called for every image. ``fail_on`` is the severity of the command line, which replaces those
    of the policies. Without a ``pool`` of workers this process checks the images.
    """

    step: Callable[[str], None]
    authorship: AuthorshipFactory
    definitions: Definitions
    pool: WorkerPool | None
    fail_on: str | None

    def report(self, target: _Target, fail_on: Severity) -> Report:
        """The findings of a target; for a difference, only the new ones."""
        refuse_unknown_rules(target.policy)
        # An earlier state without a readable policy still has the bases to compare with.
        earlier = [
            self._checker(state.tree, state.policy or target.policy, NO_DETAILS) for state in target.earlier
        ]
        details = FindingDetails(contents=target.is_difference)
        checker = self._checker(target.tree, target.policy, details)
        report = checker.report(
            target.images,
            target.definitions,
            target.is_complete,
            self.step,
            self._find(target.tree, target.policy, details),
            [
                *([partial(base_findings, earlier=earlier)] if earlier else []),
                *unassigned_check(target.unassigned, target.tree),
                partial(unit_findings, images=target.images, earlier=target.previous),
                *_copy_check(target),
                *_change_checks(earlier, target.images),
                *target.further,
            ],
        )
        if not target.is_difference:
            return report
        known = [
            self._known(
                target,
                self._checker(state.tree, state.policy, _COMPARED),
                _unassigned_paths(report),
            )
            for state in target.earlier
            if state.policy is not None
        ]
        return new_findings(report, known, fail_on, target.commit.id if target.commit else "")

    def _known(self, target: _Target, earlier: Checker, unassigned: Collection[str]) -> KnownFindings:
        """The findings of an earlier state, by its own policy, about the files of a target.

        ``unassigned`` are the files that look like images and that the target's policy does not name.
        """
        policy, stored = earlier.policy, set(earlier.tree.paths())
        images, others = assigned_and_others(policy, earlier.tree)
        others = [path for path in others if path in unassigned]
        if not target.is_complete:
            checked = {assignment.image for assignment in target.images}
            images = [assignment for assignment in images if assignment.image in checked]
        paths = policy.definitions if target.is_complete else target.definitions
        definitions = [path for path in paths if path in stored]
        find = self._find(earlier.tree, policy, _COMPARED)
        report = earlier.report(
            images,
            definitions,
            target.is_complete,
            find=find,
            further=[*unassigned_check(others), partial(unit_findings, images=images)],
        )
        return KnownFindings(report, Severity(self.fail_on) if self.fail_on else policy.fail_on)

    def _checker(self, tree: Tree, policy: Policy, details: FindingDetails) -> Checker:
        """A checker of one tree."""
        authorship = self.authorship.for_tree(tree, policy.path)
        return Checker(tree, policy, date.today(), authorship, self.definitions, details)

    def _find(self, tree: Tree, policy: Policy, details: FindingDetails) -> Find | None:
        if self.pool is None:
            return None
        return partial(self.pool.find, tree, policy, details=details)


def _copy_check(target: _Target) -> list[Callable[[Checker], Iterable[Finding]]]:
    """What looks for images that became equal to others; nothing without a state before."""
    if target.previous is no_trees or not target.images:
        return []
    from callint.checking.copies import copy_findings

    return [partial(copy_findings, images=target.images, earlier=target.previous)]


def _change_checks(
    earlier: list[Checker], images: Sequence[Assignment]
) -> Iterator[Callable[[Checker], Iterable[Finding]]]:
    """What compares the definitions and the policy with those of the states before, if there are any."""
    if earlier:
        from callint.checking.definition_changes import loosened_findings
        from callint.checking.policy_changes import policy_findings

        yield partial(loosened_findings, earlier=earlier, images=images)
        yield partial(policy_findings, earlier=earlier)


def _unassigned_paths(report: Report) -> set[str]:
    return {finding.image for finding in report.findings if finding.rule == rule_ids.IMAGE_UNASSIGNED}


def _without_waived(report: Report) -> Report:
    known = report.known
    return replace(
        report,
        findings=tuple(finding for finding in report.findings if not finding.waived),
        known=None if known is None else tuple(finding for finding in known if not finding.waived),
    )


def _without_repeats(whole_range: Report, commits: Sequence[Report]) -> Report:
    """The findings of a whole range without those that one of its commits has."""
    of_commits = {_comparison_key(finding) for report in commits for finding in report.findings}
    rest = tuple(finding for finding in whole_range.findings if _comparison_key(finding) not in of_commits)
    return replace(whole_range, findings=rest)


def _comparison_key(finding: Finding) -> Key:
    """The key of a finding within a range; a finding about an unreadable file has no other key."""
    return key_of(finding) or (finding.rule, finding.image, finding.definition, finding.message)


def _disk_target(workspace: Workspace, options: CheckOptions) -> _Target:
    """The files on disk that the command line names, or everything that the policy names."""
    policy = workspace.policy
    definitions = (workspace.name(options.definition),) if options.definition else None
    others: list[str] = []
    bases = (workspace.name(options.base),) if options.base else None
    if options.paths:
        images, named_definitions = _named_files(workspace, options.paths, definitions)
    else:
        images, named_definitions, others = _policy_files(workspace)
    images = [
        replace(image, definitions=definitions or image.definitions, bases=bases or image.bases)
        for image in images
    ]
    against = (
        [
            partial(
                findings_against_base,
                definitions=named_definitions,
                base=bases[0],
                named=tuple(map(workspace.name, options.paths)),
            )
        ]
        if bases and options.paths
        else []
    )
    if not options.paths:
        against.append(partial(mirrors_in_bases, images=images))
    warn_of_unresolved(workspace, [*(image.image for image in images), *named_definitions])
    return _Target(
        workspace,
        policy,
        images,
        named_definitions,
        not options.paths,
        workspace.place,
        unassigned=others,
        further=against,
    )


def _policy_files(workspace: Workspace) -> tuple[list[Assignment], list[str], list[str]]:
    """The images and definitions that the policy names, and all other files; InputError without images."""
    policy = workspace.policy
    if not policy.path:
        raise InputError(
            "no callint.toml in this folder or any parent; "
            "run callint init, or pass an image and --definition"
        )
    images, others = assigned_and_others(policy, workspace.tree)
    if not images:
        problem = "no file matches its paths; correct them"
        if not policy.images:
            problem = "it names no images; add [[images]] entries"
        raise InputError(f"{policy.path}: {problem}")
    return images, list(policy.definitions), others


def _named_files(
    workspace: Workspace, paths: tuple[str, ...], definitions: tuple[str, ...] | None
) -> tuple[list[Assignment], list[str]]:
    """The images and the definitions that the command line names."""
    images: list[Assignment] = []
    named_definitions: list[str] = []
    for path in paths:
        label = workspace.name(path)
        if Path(path).is_dir():
            del workspace.named[label]
            images_below, definitions_below = _files_below(workspace, path, label)
            images += images_below
            named_definitions += definitions_below
        elif label in workspace.policy.definitions or path.lower().endswith(".xml"):
            named_definitions.append(label)
        else:
            images.append(_assign(workspace.policy, label, definitions))
    return images, _with_children(workspace, named_definitions)


def _with_children(workspace: Workspace, definitions: list[str]) -> list[str]:
    """The named definitions, and those of the policy that build on one of them and may break with it.

    A file of shared parts is not a definition: the definitions that use it stand for it.
    """
    children = definitions_on(definitions, workspace.policy.definitions, workspace)
    kept = [path for path in definitions if not (children and is_shared(workspace.read_required(path)))]
    return list(dict.fromkeys([*kept, *children]))


def _files_below(workspace: Workspace, path: str, label: str) -> tuple[list[Assignment], list[str]]:
    """The policy's images and definitions below a folder; InputError if there are none."""
    prefix = "" if label == "." else f"{label}/"
    images = [
        image for image in assignments(workspace.policy, workspace.tree) if image.image.startswith(prefix)
    ]
    definitions = [definition for definition in workspace.policy.definitions if definition.startswith(prefix)]
    if not images and not definitions:
        raise InputError(f"{path}: the policy names no image below this folder; pass the images themselves")
    return images, definitions


def _assign(policy: Policy, label: str, definitions: tuple[str, ...] | None) -> Assignment:
    assignment = assignment_of_named(policy, label)
    if assignment is not None:
        return assignment
    if definitions is None:
        place = policy.path or "a callint.toml"
        raise InputError(
            f"{label}: no definition is known for it; add the image to {place}, or pass --definition"
        )
    return Assignment(label, definitions, ())


def _staged_target(policy_path: str | None) -> _Target:
    from callint.versioning.staging import read_staged  # git is slow to import, and only a hook needs it

    state = read_staged(Path.cwd(), policy_path)
    scope = state.scope
    if scope.is_complete or scope.definitions:
        from callint.versioning.textconv_cache import renew_key

        renew_key(state.repo, state.folder, state.policy.path)
    refuse_unresolved(state)
    return _Target(
        tree=state.tree,
        policy=state.policy,
        images=scope.images,
        definitions=scope.definitions,
        is_complete=scope.is_complete,
        place=state.folder.joinpath,
        unassigned=scope.unassigned,
        previous=state.parents,
        earlier=state.earlier,
    )


def _destination(output: str, targets: list[_Target]) -> Destination:
    """The destination of the findings; InputError if it is an input, under whatever name."""
    from callint.reporting.files import destinations

    workspaces, inputs = [], set()
    for target in targets:
        workspaces.append(Workspace(target.place("."), target.policy, target.tree))
        names = {*target.definitions}
        for assignment in target.images:
            names |= {assignment.image, *assignment.definitions, *assignment.bases}
        inputs |= {target.place(name) for name in names}
    return destinations.output(Path(output), *workspaces, inputs=inputs)


def _print(
    reports: list[Report],
    levels: list[Severity],
    options: CheckOptions,
    output: Destination | None,
    root: Path,
) -> None:
    """Print or write the findings; ``root`` is the folder that their paths are relative to."""
    merged = merge_reports(reports)
    if options.form in _SILENT and not output and not merged.findings:
        return
    from io import StringIO

    stream = StringIO() if output else sys.stdout
    if options.form == "text":
        from callint.reporting.findings.cause_text import print_causes
        from callint.reporting.terminal import console

        for number, report in enumerate(report for report in reports if report.findings):
            if number:
                print(file=stream)
            print_causes(report, console(stream), options.everything, has_commands=options.fix)
    else:
        stream.write(findings_document(merged, reports, levels, options.form, root))
    if isinstance(stream, StringIO) and output:
        from callint.reporting.files.atomic_write import replace_file

        replace_file(output, stream.getvalue().encode())
