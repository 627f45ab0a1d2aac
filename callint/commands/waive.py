"""callint waive."""

from __future__ import annotations

import re
import sys
import unicodedata
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.checking.added_waiver import AddedWaiver
from callint.checking.assignments import Assignment, assigned_and_others
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
from callint.model.sign_off import SignOff
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
    text: str | None
    review: str | None
    on_behalf: bool
    until: str | None
    image: str | None
    table: str | None
    policy: str | None
    dry_run: bool


@click.command()
@click.argument("findings", nargs=-1, metavar="[FINDING]...")
@click.option("--reason", "text", metavar="TEXT", help="Reason for accepting the findings, in one sentence.")
@click.option(
    "--from-review",
    "review",
    metavar="FILE",
    help="Accept what a reviewer accepted on the page of callint review and saved as FILE.",
)
@click.option(
    "--on-behalf",
    is_flag=True,
    help="Accept under the reviewer's name in FILE if git knows you by another name.",
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

    With --from-review, the remarks in FILE are the reasons. The images, their definitions and bases must be
    those that were reviewed, you must be the reviewer, and have agreed to the change.

    A waiver does not make a change safe: the maker's limits, local law and licensed practice come first.
    """
    request = _request(options)
    for _ in range(_TRIES):
        with suppress(PolicyChangedError):
            entries = _waive(open_workspace(options.policy), request, options.dry_run)
            break
    else:
        name = options.policy or POLICY
        raise InputError(f"{name}: another process keeps changing it; run callint waive again later")

    from callint.reporting.terminal import console
    from callint.reporting.waiver.text import print_waivers

    sign_off = request.sign_off
    unread = 0 if sign_off is None else sign_off.unread
    print_waivers(entries, console(sys.stdout), is_written=not options.dry_run, unread=unread)
    return 0


@dataclass(frozen=True, slots=True)
class _WaiverRequest:
    """The findings to waive with the reason; the last day, the image and the table if given.

    With a ``sign_off``, from the file ``name``, the findings and reasons are those that a reviewer accepted.
    ``on_behalf`` says whether somebody else may write them.
    """

    findings: tuple[str, ...] = ()
    reason: str = ""
    until: date | None = None
    image: str | None = None
    table: str | None = None
    sign_off: SignOff | None = None
    name: str = ""
    on_behalf: bool = False


def _request(options: WaiveOptions) -> _WaiverRequest:
    """What the command line asks for; UsageError or InputError if that is impossible."""
    if options.review is None:
        if not options.findings:
            raise click.UsageError("Missing argument 'FINDING...'.")
        if options.text is None:
            raise click.UsageError("Missing option '--reason'.")
        if options.on_behalf:
            raise click.UsageError("--on-behalf needs --from-review.")
        return _WaiverRequest(
            findings=tuple(name.strip() for name in options.findings),
            reason=_reason(options.text),
            until=_last_day(options.until),
            image=options.image,
            table=options.table,
        )
    if options.findings or any(value is not None for value in (options.text, options.image, options.table)):
        raise click.UsageError("--from-review excludes FINDING, --reason, --image and --table.")
    from callint.cli.review_waivers import require_agreement
    from callint.reading.sign_off import open_sign_off

    until = _last_day(options.until)
    sign_off = open_sign_off(Path(options.review))
    require_agreement(sign_off, options.review)
    return _WaiverRequest(until=until, sign_off=sign_off, name=options.review, on_behalf=options.on_behalf)


def _waive(workspace: Workspace, request: _WaiverRequest, dry_run: bool) -> list[AddedWaiver]:
    """Check the images, and write the waivers.

    InputError if a waiver is impossible, PolicyChangedError if the policy changed in the meantime; then none
    is written.
    """
    policy = workspace.policy
    if not policy.path:
        raise InputError("no callint.toml in this folder or any parent; run callint init first")
    refuse_unknown_rules(policy)
    author = _author_name(workspace)
    authorship = AuthorshipFactory().for_tree(workspace, policy.path)
    needs_causes = request.sign_off is not None or any(is_cause(name) for name in request.findings)
    checker = Checker(
        workspace, policy, date.today(), authorship, details=FindingDetails(causes=needs_causes)
    )
    images, others = assigned_and_others(policy, workspace.tree)
    findings = _findings(checker, workspace, images, others)
    if request.sign_off is None:
        selected = [(group, request.reason) for group in _selected(findings, request, workspace)]
        accepting = author
    else:
        from callint.cli.review_waivers import ReviewedState

        accepting, note = _reviewer(request.sign_off, request, author)
        state = ReviewedState(request.sign_off, request.name, checker, images)
        selected = [
            (group, _remark(remark, request.name, group[0]) + note)
            for group, remark in state.accepted(findings)
        ]
    still_open = [item for item in selected if not all(finding.waived for finding in item[0])]
    if not still_open:
        raise _waived_already(selected[0][0][0], checker)
    waivers = [
        _waiver(group[0], checker, _Acceptance(accepting, reason, request.until))
        for group, reason in still_open
    ]
    added = add_waivers(workspace, waivers, dry_run)
    return [
        AddedWaiver(
            waiver=waiver,
            policy=policy.path,
            covered=len(group),
            content=_content_kind(checker.settler.context_of(group[0]), group[0]),
            dead=_ineffective_waivers(checker, waiver),
        )
        for waiver, (group, _) in zip(added, still_open, strict=True)
    ]


def _findings(
    checker: Checker, workspace: Workspace, images: list[Assignment], others: list[str]
) -> Sequence[Finding]:
    """All findings that callint check reports."""
    earlier = _earlier_checkers(workspace)
    report = checker.report(
        images,
        checker.policy.definitions,
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
    return report.findings


def _selected(
    findings: Sequence[Finding], request: _WaiverRequest, workspace: Workspace
) -> list[list[Finding]]:
    """The findings that each needed waiver accepts, by the names on the command line."""
    paths = set() if request.image is None else {request.image, workspace.label(Path(request.image))}
    filter = FindingFilter(frozenset(paths), request.table)
    selected = [group for name in request.findings for group in select_findings(findings, name, filter)]
    return list({waived_key(group[0]): group for group in selected}.values())


@dataclass(frozen=True, slots=True)
class _Acceptance:
    """Who accepts findings, why, and until when."""

    who: str
    reason: str
    until: date | None


def _waiver(finding: Finding, checker: Checker, acceptance: _Acceptance) -> Waiver:
    """The waiver of a finding; InputError if it would have no effect."""
    context = checker.settler.context_of(finding)
    waiver = Waiver(
        rule=finding.rule,
        image=finding.image,
        table=finding.table,
        reason=acceptance.reason,
        who=acceptance.who,
        until=acceptance.until,
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


def _reviewer(sign_off: SignOff, request: _WaiverRequest, author: str) -> tuple[str, str]:
    """The name of the waivers, and what their reasons say about another person who writes them.

    InputError if git knows the user by another name than the reviewer's, unless that is allowed.
    """
    from callint.cli.review_waivers import is_same_name

    reviewer = " ".join(sign_off.reviewer.split())
    if len(reviewer) < _MIN_NAME or not _is_plain_text(reviewer):
        raise InputError(
            f"{request.name}: it does not name the reviewer; sign it on the page and save it again"
        )
    if is_same_name(reviewer, author):
        return author, ""
    if request.on_behalf:
        return reviewer, f" (written by {author} from the sign-off of {reviewer})"
    raise InputError(
        f"{request.name}: {reviewer} signed it, but git knows you as {author}; let {reviewer} run this and "
        "commit the policy, or add --on-behalf"
    )


def _remark(text: str, name: str, finding: Finding) -> str:
    """The reviewer's remark as a reason in one line; InputError if it cannot be one."""
    reason = " ".join(text.split())
    if len(reason) < _MIN_REASON or not _is_plain_text(reason):
        raise InputError(
            f"{name}: the remark on {finding.rule} for {place_of(finding)} is not a reason of "
            f"{_MIN_REASON} characters or more in plain text; write one on the page and save it again"
        )
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
