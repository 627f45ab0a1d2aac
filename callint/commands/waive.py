"""callint waive."""

from __future__ import annotations

import re
import sys
import unicodedata
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.checking.added_waiver import AddedWaiver
from callint.checking.assignments import assigned_and_others
from callint.checking.base_changes import base_findings
from callint.checking.checker import Checker
from callint.checking.content import accepted_content, demand_content, is_about_demand
from callint.checking.copies import copy_findings
from callint.checking.definition_changes import loosened_findings
from callint.checking.image_findings import NO_DETAILS, FindingDetails
from callint.checking.policy_changes import policy_findings
from callint.checking.unit_numbers import unit_findings
from callint.cli.authorship import AuthorshipFactory
from callint.cli.finding_selection import (
    FindingFilter,
    file_of,
    is_cause,
    place_of,
    select_findings,
    waived_key,
)
from callint.cli.options import as_options
from callint.cli.unassigned_check import unassigned_check
from callint.cli.waiver_adding import PolicyChangedError, add_waivers
from callint.decoding.digest import ContentDigest
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.reading.tree import POLICY
from callint.reading.workspace import Workspace, open_workspace
from callint.rules.context import CheckContext
from callint.rules.registry import refuse_unknown_rules
from callint.rules.waiver import WaiverStatus

if TYPE_CHECKING:  # git is slow to import
    from callint.versioning.git.trees import RevisionTree

#: The shortest reason and name that a policy accepts.
_MIN_REASON, _MIN_NAME = 10, 2
#: The number of times that a finding is checked if the policy keeps changing.
_TRIES = 5


@dataclass(frozen=True, slots=True)
class WaiveOptions:
    """The arguments and options of callint waive."""

    findings: tuple[str, ...]
    text: str
    until: str | None
    image: str | None
    table: str | None
    policy: str | None
    dry_run: bool


@click.command()
@click.argument("findings", nargs=-1, required=True, metavar="FINDING...")
@click.option(
    "--reason",
    "text",
    required=True,
    metavar="TEXT",
    help="Reason for accepting the findings, in one sentence.",
)
@click.option("--until", metavar="YYYY-MM-DD", help="Last day on which the waiver is valid.")
@click.option("--image", metavar="PATH", help="If FINDING is a rule: image of the finding.")
@click.option("--table", metavar="NAME", help="If FINDING is a rule: table or axis of the finding.")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--dry-run", is_flag=True, help="Print the waiver; write nothing.")
@as_options(WaiveOptions)
def command(options: WaiveOptions) -> int:
    """Accept findings: add waivers to the policy under your git user name.

    FINDING is a fingerprint from callint check (six digits or more), the id of a cause, which stands for all
    of its findings, or the id of a rule. With a rule, --table and --image select the finding. A waiver
    accepts all findings of one rule about one table of one image. It stops applying when that table changes.
    Several findings get waivers with the same reason, all of them or none.

    A waiver does not make a change safe: the maker's limits, local law and licensed practice come first.
    """
    request = _WaiverRequest(
        findings=tuple(name.strip() for name in options.findings),
        reason=_reason(options.text),
        until=_last_day(options.until),
        image=options.image,
        table=options.table,
    )
    for _ in range(_TRIES):
        with suppress(PolicyChangedError):
            entries = _waive(open_workspace(options.policy), request, options.dry_run)
            break
    else:
        name = options.policy or POLICY
        raise InputError(f"{name}: another process keeps changing it; run callint waive again later")

    from callint.reporting.terminal import console
    from callint.reporting.waiver.text import print_waivers

    print_waivers(entries, console(sys.stdout), is_written=not options.dry_run)
    return 0


@dataclass(frozen=True, slots=True)
class _WaiverRequest:
    """The findings to waive with the reason; the last day, the image and the table if given."""

    findings: tuple[str, ...]
    reason: str
    until: date | None
    image: str | None
    table: str | None


def _waive(workspace: Workspace, request: _WaiverRequest, dry_run: bool) -> list[AddedWaiver]:
    """Check the images, and write the waivers.

    InputError if a waiver is impossible, PolicyChangedError if the policy changed in the meantime; then none
    is written.
    """
    policy = workspace.policy
    if not policy.path:
        raise InputError("no callint.toml in this folder or any parent; run callint init first")
    refuse_unknown_rules(policy)
    authorship = AuthorshipFactory().for_tree(workspace, policy.path)
    needs_causes = any(is_cause(name) for name in request.findings)
    checker = Checker(
        workspace, policy, date.today(), authorship, details=FindingDetails(causes=needs_causes)
    )
    images, others = assigned_and_others(policy, workspace.tree)
    earlier = _earlier_checkers(workspace)
    report = checker.report(
        images,
        policy.definitions,
        whole=True,
        further=[
            partial(base_findings, earlier=earlier),
            partial(loosened_findings, earlier=earlier, images=images),
            partial(policy_findings, earlier=earlier),
            *unassigned_check(others, workspace),
            partial(unit_findings, images=images, earlier=partial(_parents, workspace)),
            partial(copy_findings, images=images, earlier=partial(_parents, workspace)),
        ],
    )
    paths = set() if request.image is None else {request.image, workspace.label(Path(request.image))}
    filter = FindingFilter(frozenset(paths), request.table)
    selected = [
        findings for name in request.findings for findings in select_findings(report.findings, name, filter)
    ]
    selected = list({waived_key(findings[0]): findings for findings in selected}.values())
    still_open = [findings for findings in selected if not all(finding.waived for finding in findings)]
    if not still_open:
        raise _waived_already(selected[0][0], checker)
    author = _author_name(workspace)
    waivers = [_waiver(findings[0], checker, request, author) for findings in still_open]
    added = add_waivers(workspace, waivers, dry_run)
    return [
        AddedWaiver(
            waiver=waiver,
            policy=policy.path,
            covered=len(findings),
            content=_content_kind(checker.settler.context_of(findings[0]), findings[0]),
            dead=_ineffective_waivers(checker, waiver),
        )
        for waiver, findings in zip(added, still_open, strict=True)
    ]


def _waiver(finding: Finding, checker: Checker, request: _WaiverRequest, author: str) -> Waiver:
    """The waiver of a finding; InputError if it would have no effect."""
    context = checker.settler.context_of(finding)
    waiver = Waiver(
        rule=finding.rule,
        image=finding.image,
        table=finding.table,
        reason=request.reason,
        who=author,
        until=request.until,
        digest=_digest(context, finding),
        line=0,
    )
    _require_second_person(checker, context, finding, waiver)
    return waiver


def _earlier_checkers(workspace: Workspace) -> list[Checker]:
    """The checkers of the next commit's parents; none without a commit."""
    trees = _parents(workspace)
    if not trees:
        return []
    from callint.versioning.staging import state_of

    states = [state_of(tree, workspace.policy.path) for tree in trees]
    return [
        Checker(state.tree, state.policy, date.today(), details=NO_DETAILS)
        for state in states
        if state.policy is not None
    ]


def _parents(workspace: Workspace) -> list[RevisionTree]:
    """The trees of the next commit's parents; none without a commit."""
    try:
        from callint.versioning.git.refs import next_parents
        from callint.versioning.git.repository import folder_of, open_repository
        from callint.versioning.git.trees import RevisionTree

        repo = open_repository(workspace.root)
        folder = folder_of(repo, workspace.root)
        return [RevisionTree(repo, commit, folder) for commit in next_parents(repo)]
    except InputError:
        return []


# Options


def _reason(text: str) -> str:
    """The reason in one line; InputError if it is too short or contains control characters."""
    if not _is_plain_text(text):
        raise InputError("--reason: it contains control characters; write plain text in one line")
    reason = " ".join(text.split())
    if len(reason) < _MIN_REASON:
        raise InputError(f"--reason: it needs at least {_MIN_REASON} characters; say why this is acceptable")
    return reason


def _is_plain_text(text: str) -> bool:
    """Whether a text is free of control characters and of bytes that are not UTF-8."""
    return not any(unicodedata.category(character) in ("Cc", "Cs") for character in text)


def _last_day(text: str | None) -> date | None:
    if text is None:
        return None
    day: date | None = None
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        with suppress(ValueError):  # such as a 30th of February
            day = date.fromisoformat(text)
    if day is None:
        raise InputError(f"--until: {text!r} is not a date; write YYYY-MM-DD")
    if day < date.today():
        raise InputError(f"--until: {text} is in the past; use a future date, or remove --until")
    return day


# The waiver


def _waived_already(finding: Finding, checker: Checker) -> InputError:
    usage = checker.settler.waiver_usage
    subject = (finding.rule, finding.image, finding.table)
    lines = [waiver.line for waiver in usage.having(WaiverStatus.USED) if waiver.subject == subject]
    return InputError(
        f"{usage.policy}:{lines[0]}: {finding.rule} for {place_of(finding)} is already waived here; "
        "do nothing more"
    )


def _digest(context: CheckContext | None, finding: Finding) -> str:
    digest: ContentDigest | None = None
    if is_about_demand(finding):
        digest = demand_content(finding)
    elif context is not None:
        digest = accepted_content(context, finding)
    if not digest:
        raise InputError(
            f"{file_of(finding)}: {finding.rule} is about unreadable content, which a waiver cannot cover; "
            "fix the finding itself"
        )
    return str(digest)


def _author_name(workspace: Workspace) -> str:
    """The author's name as git knows it."""
    from callint.versioning.git.authors import current_author  # git is slow to import

    name = current_author(workspace.root).name
    if len(name) < _MIN_NAME or not _is_plain_text(name):
        raise InputError(f"git: {name!r} cannot name the author of a waiver; set user.name with git config")
    return name


def _require_second_person(
    checker: Checker, context: CheckContext | None, finding: Finding, waiver: Waiver
) -> None:
    """InputError if the policy demands a second person and the author is none."""
    if context is None and not finding.policy:
        return
    objection = checker.settler.objection(context, finding, waiver)
    if objection is not None:
        hint = objection.hint.rstrip(".")
        raise InputError(
            f"{checker.policy.path}: it says second-person = true, so the waiver would have no effect: "
            f"it {objection.text}; {hint[:1].lower()}{hint[1:]}"
        )


def _content_kind(context: CheckContext | None, finding: Finding) -> str:
    """The kind of content whose change ends the waiver."""
    if is_about_demand(finding):
        return "demand"
    if not finding.image:
        return "definition"
    if context is not None and finding.table in context.layout.table_items:
        return "table"
    return "axis" if context is not None and finding.table in context.layout.axis_items else "image"


def _ineffective_waivers(checker: Checker, waiver: Waiver) -> tuple[Waiver, ...]:
    """Waivers of the same finding that no longer count."""
    ineffective = {WaiverStatus.OUTDATED, WaiverStatus.EXPIRED, WaiverStatus.REJECTED}
    return tuple(
        other
        for other, status in checker.settler.waiver_usage.statuses
        if status in ineffective and other.subject == waiver.subject
    )
