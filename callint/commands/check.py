"""callint check."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.checking.assignments import Assignment, assignment_of_named, assignments
from callint.checking.base_changes import base_findings
from callint.checking.checker import Checker, Find
from callint.checking.loading import Definitions
from callint.checking.new_findings import Key, KnownFindings, key_of, new_findings
from callint.checking.report import Report, merge_reports
from callint.cli.image_loading import AuthorshipFactory
from callint.cli.progress import progress
from callint.cli.workers import workers
from callint.model.errors import InputError
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from callint.reading.tree import CONFLICT_TEXT, Tree
from callint.reading.workspace import Workspace, open_workspace
from callint.rules.registry import refuse_unknown_rules

if TYPE_CHECKING:  # git and processes are slow to import, and most checks need none of them
    from callint.checking.parallel import WorkerPool
    from callint.reporting.files.destinations import Destination
    from callint.versioning.git.log import Commit
    from callint.versioning.ranges import Span
    from callint.versioning.staging import Staged, State

#: From so many images on the work is long enough for a progress bar.
_LONG = 4

#: For people, for programs, for code scanning, for build servers, for a review's comment, for editors.
_FORMATS = ("text", "json", "sarif", "junit", "markdown", "lines")


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
@click.option("--base", metavar="FILE", help="Base image to compare with (default: from the policy).")
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
def command(
    paths: tuple[str, ...],
    staged: bool,
    since: str | None,
    between: str | None,
    each: bool,
    definition: str | None,
    base: str | None,
    policy_path: str | None,
    form: str,
    output: str | None,
    fail_on: str | None,
    jobs: int | None,
    executor: str | None,
    everything: bool,
) -> int:
    """Check images and their definitions.

    PATH is an image, a definition (.xml) or a folder. Without PATH, callint checks every file that the policy
    names. Prints nothing if it finds nothing.
    """
    if each and not between:
        raise InputError("--each needs --range A..B; add a range")
    works = list(_works(paths, staged, since, between, each, definition, base, policy_path))
    levels = [Severity(fail_on) if fail_on else work.policy.fail_on for work in works]
    destination = None if output is None else _destination(output, works)
    witnesses = AuthorshipFactory(between.rpartition("..")[2] or "HEAD" if between and each else "")
    done, known, total = count(1), Definitions(), sum(len(work.images) for work in works)
    with workers(jobs, executor, total) as crew, progress("checking", total, _LONG) as step:
        judge = _RangeChecker(lambda path: step(next(done)), witnesses, known, crew, fail_on)
        reports = [judge.report(work, level) for work, level in zip(works, levels, strict=True)]
    if each and len(reports) > 1 and not works[-1].commit:
        *reports, in_sum = reports
        rest = _without_repeats(in_sum, reports)
        reports, levels = ([*reports, rest], levels) if rest.findings else (reports, levels[:-1])
    _print(reports, levels, form, destination, everything)
    return int(any(_fails(report, level) for report, level in zip(reports, levels, strict=True)))


def _fails(report: Report, level: Severity) -> bool:
    return any(not finding.waived and finding.severity.reaches(level) for finding in report.findings)


@dataclass(frozen=True, slots=True)
class _Work:
    """What is to be checked. ``place`` gives the path on disk of a file by its name in the tree.

    ``earlier`` are the states that it is compared with, each with its own policy. Where ``is_difference``,
    only what is new counts, beside each of these states. ``commit`` is the one commit that is judged.
    """

    tree: Tree
    policy: Policy
    images: Sequence[Assignment]
    definitions: Sequence[str]
    whole: bool
    place: Callable[[str], Path]
    earlier: Sequence[State] = ()
    is_difference: bool = False
    commit: Commit | None = None


def _works(
    paths: tuple[str, ...],
    staged: bool,
    since: str | None,
    between: str | None,
    each: bool,
    definition: str | None,
    base: str | None,
    policy_path: str | None,
) -> Iterator[_Work]:
    if sum(map(bool, (staged, since, between, paths))) > 1:
        raise InputError("--staged, --since, --range and paths exclude each other; use only one")
    if (staged or since or between) and (definition or base):
        raise InputError(
            "--staged, --since and --range read every file from git; remove --definition and --base"
        )
    if between and policy_path:
        raise InputError("--range reads the policy from git; remove --policy")
    if staged:
        yield _staged_work(policy_path)
    elif between:
        yield from _range_work(between, each)
    else:
        workspace = open_workspace(policy_path)
        if since:
            from callint.versioning import ranges

            if not workspace.policy.path:
                raise InputError("no callint.toml in this folder or any parent; run callint init first")
            yield _span_work(ranges.since(workspace.root, workspace.policy, workspace.tree, since))
        else:
            yield _work(workspace, paths, definition, base)


def _range_work(between: str, each: bool) -> Iterator[_Work]:
    from callint.versioning import ranges

    old, new = ranges.parse_range(between, Path.cwd())
    spans = ranges.each_commit(Path.cwd(), old, new) if each else [ranges.between(Path.cwd(), old, new)]
    yield from map(_span_work, spans)


def _span_work(span: Span) -> _Work:
    found, place = span.touched, span.folder.joinpath
    return _Work(
        span.new,
        span.policy,
        found.images,
        found.definitions,
        found.whole,
        place,
        span.earlier,
        True,
        span.commit,
    )


@dataclass(frozen=True, slots=True)
class _RangeChecker:
    """Checks one work after another with what they share.

    ``step`` is called for every image, ``definitions`` are those that were read already, ``fail_on`` is the
    severity that the command line gives in place of the policies'.
    """

    step: Callable[[str], None]
    witnesses: AuthorshipFactory
    definitions: Definitions
    crew: WorkerPool | None
    fail_on: str | None

    def report(self, work: _Work, fail_on: Severity) -> Report:
        """The findings of a work; only the new ones where it is a difference."""
        refuse_unknown_rules(work.policy)
        states = [(state.tree, state.policy) for state in work.earlier if state.policy is not None]
        earlier = [self._inspector(tree, policy, work.is_difference) for tree, policy in states]
        # Where an earlier state has no policy that can be read, its files are still to be compared with.
        before = [self._inspector(one.tree, one.policy or work.policy, False) for one in work.earlier]
        inspector = self._inspector(work.tree, work.policy, work.is_difference)
        report = inspector.report(
            work.images,
            work.definitions,
            work.whole,
            self.step,
            self._find(work.tree, work.policy, work.is_difference),
            partial(base_findings, earlier=before) if before else None,
        )
        if not work.is_difference:
            return report
        known = [self._known(work, one) for one in earlier]
        return new_findings(report, known, fail_on, work.commit.id if work.commit else "")

    def _known(self, work: _Work, earlier: Checker) -> KnownFindings:
        """What an earlier state has, judged by its own policy, of what a work looks at."""
        policy, stored = earlier.policy, set(earlier.tree.paths())
        images = assignments(policy, earlier.tree)
        if not work.whole:
            touched = {one.image for one in work.images}
            images = [one for one in images if one.image in touched]
        named = policy.definitions if work.whole else work.definitions
        definitions = [path for path in named if path in stored]
        find = self._find(earlier.tree, policy, True)
        report = earlier.report(images, definitions, work.whole, find=find)
        return KnownFindings(report, Severity(self.fail_on) if self.fail_on else policy.fail_on)

    def _inspector(self, tree: Tree, policy: Policy, is_compared: bool) -> Checker:
        witness = self.witnesses.of(tree, policy.path)
        return Checker(tree, policy, date.today(), witness, self.definitions, is_compared)

    def _find(self, tree: Tree, policy: Policy, is_compared: bool) -> Find | None:
        return None if self.crew is None else partial(self.crew.find, tree, policy, is_compared=is_compared)


def _without_repeats(whole: Report, commits: Sequence[Report]) -> Report:
    """What a range brings in sum that none of its commits was blamed for."""
    blamed = {_blame(finding) for report in commits for finding in report.findings}
    rest = tuple(finding for finding in whole.findings if _blame(finding) not in blamed)
    return replace(whole, findings=rest)


def _blame(finding: Finding) -> Key:
    """What tells findings of one range apart; those that cannot be read in two states are one."""
    return key_of(finding) or (finding.rule, finding.image, finding.definition, finding.message)


def _work(workspace: Workspace, paths: tuple[str, ...], definition: str | None, base: str | None) -> _Work:
    policy = workspace.policy
    definitions = (workspace.name(definition),) if definition else None
    bases = (workspace.name(base),) if base else None
    if paths:
        images, others = _named(workspace, paths, definitions)
    elif not policy.path:
        raise InputError(
            "no callint.toml in this folder or any parent; "
            "run callint init, or pass an image and --definition"
        )
    else:
        images, others = assignments(policy, workspace.tree), list(policy.definitions)
        if not images:
            words = "no file matches its paths; correct them"
            if not policy.images:
                words = "it names no images; add [[images]] entries"
            raise InputError(f"{policy.path}: {words}")
    images = [
        replace(one, definitions=definitions or one.definitions, bases=bases or one.bases) for one in images
    ]
    return _Work(workspace, policy, images, others, not paths, workspace.place)


def _named(
    workspace: Workspace, paths: tuple[str, ...], definitions: tuple[str, ...] | None
) -> tuple[list[Assignment], list[str]]:
    """The images and the definitions that the command line names."""
    images: list[Assignment] = []
    others: list[str] = []
    for path in paths:
        label = workspace.name(path)
        if Path(path).is_dir():
            del workspace.named[label]
            inside = "" if label == "." else f"{label}/"
            below = [
                one for one in assignments(workspace.policy, workspace.tree) if one.image.startswith(inside)
            ]
            definitions_below = [one for one in workspace.policy.definitions if one.startswith(inside)]
            if not below and not definitions_below:
                raise InputError(
                    f"{path}: the policy names no image below this folder; pass the images themselves"
                )
            images += below
            others += definitions_below
        elif label in workspace.policy.definitions or path.lower().endswith(".xml"):
            others.append(label)
        else:
            images.append(_assigned(workspace.policy, label, definitions))
    return images, others


def _assigned(policy: Policy, label: str, definitions: tuple[str, ...] | None) -> Assignment:
    found = assignment_of_named(policy, label)
    if found is not None:
        return found
    if definitions is None:
        where = policy.path or "a callint.toml"
        raise InputError(
            f"{label}: no definition is known for it; add the image to {where}, or pass --definition"
        )
    return Assignment(label, definitions, ())


def _staged_work(policy_path: str | None) -> _Work:
    from callint.versioning.staging import staged  # git is slow to import, and only a hook needs it

    state = staged(Path.cwd(), policy_path)
    found = state.touched
    if found.whole or found.definitions:
        from callint.versioning.textconv_cache import renew_key

        renew_key(state.repo, state.folder, state.policy.path)
    _refuse_unsettled(state)
    place = state.folder.joinpath
    images, definitions = found.images, found.definitions
    return _Work(state.tree, state.policy, images, definitions, found.whole, place, state.earlier)


def _refuse_unsettled(state: Staged) -> None:
    """InputError where an image is about to be committed whose conflicts are still listed.

    Unlike a text with conflict marks it looks like any image, and holds nothing of theirs in these cells.
    """
    from callint.versioning.git.entries import resolved_conflicts
    from callint.versioning.git.refs import is_concluding

    touched = {one.image for one in state.touched.images}
    # Not only what the commit touches: an image that was left as ours had it is touched by nothing.
    for one in assignments(state.policy, state.tree):
        listed = f"{one.image}{CONFLICT_TEXT}"
        if (state.folder / listed).is_file() and (
            one.image in touched
            or is_concluding(state.repo)
            or state.tree.from_top(one.image) in resolved_conflicts(state.repo)
        ):
            raise InputError(
                f"{one.image}: it has unresolved conflicts; resolve them with callint merge --take, "
                f"or remove {listed} if you resolved them by hand"
            )


def _destination(output: str, works: list[_Work]) -> Destination:
    """Where the findings go; InputError where that is an input, under whatever name."""
    from callint.reporting.files import destinations

    claims, inputs = [], set()
    for work in works:
        claims.append(Workspace(work.place("."), work.policy, work.tree))
        names = {*work.definitions}
        for one in work.images:
            names |= {one.image, *one.definitions, *one.bases}
        inputs |= {work.place(name) for name in names}
    return destinations.output(Path(output), *claims, inputs=inputs)


def _print(
    reports: list[Report], levels: list[Severity], form: str, output: Destination | None, everything: bool
) -> None:
    whole = merge_reports(reports)
    if form in ("text", "lines") and not output and not whole.findings:
        return
    from io import StringIO

    stream = StringIO() if output else sys.stdout
    if form == "text":
        from callint.reporting.findings.text import print_findings
        from callint.reporting.terminal import console

        for report in reports:
            print_findings(report, console(stream), everything)
    else:
        stream.write(_document(whole, reports, levels, form))
    if isinstance(stream, StringIO) and output:
        from callint.reporting.files.atomic_write import replace_file

        replace_file(output, stream.getvalue().encode())


def _document(whole: Report, reports: list[Report], levels: list[Severity], form: str) -> str:
    """The findings in one of the formats that are written in one go."""
    match form:
        case "sarif":
            from callint.reporting.findings.sarif import findings_sarif

            return findings_sarif(reports)
        case "junit":
            from callint.reporting.findings.junit import findings_junit

            return findings_junit(reports, levels)
        case "markdown":
            from callint.reporting.findings.markdown import findings_markdown

            return findings_markdown(whole)
        case "lines":
            from callint.reporting.findings.lines import findings_lines

            return findings_lines(whole)
        case _:
            from callint.reporting.findings.json import findings_json

            return findings_json(whole)
