"""callint waive."""

from __future__ import annotations

import difflib
import re
import sys
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.checking.assignments import assignments
from callint.checking.checker import Checker
from callint.checking.content import accepted_content
from callint.cli.image_loading import AuthorshipFactory
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.reading.locks import alone
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, read_file, reason
from callint.reading.workspace import Workspace, open_workspace
from callint.rules.context import CheckContext
from callint.rules.registry import RULES, refuse_unknown_rules
from callint.rules.waiver import WaiverStatus

if TYPE_CHECKING:  # loaded when something is written
    from callint.reporting.waiver.text import Written

#: The shortest reason and name that a policy takes.
_SHORTEST_REASON, _SHORTEST_NAME = 10, 2
#: So many places or rules are named where something else may have been meant.
_NAMED = 4
#: So often a finding is judged anew where the policy was changed in the meantime.
_TRIES = 5


@click.command()
@click.argument("finding")
@click.option(
    "--reason",
    "words",
    required=True,
    metavar="TEXT",
    help="Reason for accepting the finding, in one sentence.",
)
@click.option("--until", metavar="YYYY-MM-DD", help="Last day on which the waiver is valid.")
@click.option("--image", metavar="PATH", help="If FINDING is a rule: image of the finding.")
@click.option("--table", metavar="NAME", help="If FINDING is a rule: table or axis of the finding.")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--dry-run", is_flag=True, help="Print the waiver; write nothing.")
def command(
    finding: str,
    words: str,
    until: str | None,
    image: str | None,
    table: str | None,
    policy: str | None,
    dry_run: bool,
) -> int:
    """Accept a finding: add a waiver to the policy under your git user name.

    FINDING is a fingerprint from callint check (six digits or more) or the id of a rule. With a rule, --table
    and --image select the finding. The waiver accepts all findings of one rule about one table of one image.
    It stops applying when that table changes.

    A waiver does not make a change safe: the maker's limits, local law and licensed practice come first.
    """
    wish = _WaiveOptions(finding.strip(), _reason(words), _last_day(until), image, table)
    for _ in range(_TRIES):
        with suppress(_ChangedError):
            written = _waived(open_workspace(policy), wish, dry_run)
            break
    else:
        name = policy or POLICY
        raise InputError(f"{name}: another process keeps changing it; run callint waive again later")

    from callint.reporting.terminal import console
    from callint.reporting.waiver.text import print_waiver

    print_waiver(written, console(sys.stdout), is_written=not dry_run)
    return 0


@dataclass(frozen=True, slots=True)
class _WaiveOptions:
    """What is to be waived, and the reason; a last day, image and table where they were given."""

    finding: str
    reason: str
    until: date | None
    image: str | None
    table: str | None


class _ChangedError(Exception):
    """The policy has been changed since it was read, so that it may say something else of the finding."""


def _waived(workspace: Workspace, wish: _WaiveOptions, dry_run: bool) -> Written:
    """Judge, and write the waiver. InputError where it cannot be, _ChangedError where that has to be anew."""
    from callint.reporting.waiver.text import Written

    if not workspace.policy.path:
        raise InputError("no callint.toml in this folder or any parent; run callint init first")
    refuse_unknown_rules(workspace.policy)
    inspector = Checker(
        workspace, workspace.policy, date.today(), AuthorshipFactory().of(workspace, workspace.policy.path)
    )
    report = inspector.report(
        assignments(workspace.policy, workspace.tree),
        workspace.policy.definitions,
        whole=True,
        bases=_beside_the_last_commit(workspace),
    )
    images = set() if wish.image is None else {wish.image, workspace.label(Path(wish.image))}
    covered = _covered(report.findings, wish.finding, images, wish.table)
    first = covered[0]
    if all(one.waived for one in covered):
        raise _waived_already(first, inspector)
    case = inspector.context_of(first)
    digest, subject = _digest(case, first), (first.rule, first.image, first.table)
    waiver = Waiver(*subject, wish.reason, _who(workspace), wish.until, digest, line=0)
    _refuse_same_person(inspector, case, first, waiver)
    waiver = _write(workspace, waiver, dry_run)
    content, dead = _content(case, first), _dead(inspector, waiver)
    return Written(waiver, workspace.policy.path, len(covered), content, dead)


def _beside_the_last_commit(workspace: Workspace) -> Callable[[Checker], Iterable[Finding]] | None:
    """What finds the bases that differ from the last commit; None where there is none, as without git."""
    from callint.checking.base_changes import base_findings

    try:
        from callint.versioning import staging
        from callint.versioning.git.refs import next_parents
        from callint.versioning.git.repository import folder_of, open_repository
        from callint.versioning.git.trees import RevisionTree

        repo = open_repository(workspace.root)
        folder = folder_of(repo, workspace.root)
        trees = [RevisionTree(repo, commit, folder) for commit in next_parents(repo)]
    except InputError:
        return None
    states = [staging.state_of(tree, workspace.policy.path) for tree in trees]
    earlier = [Checker(one.tree, one.policy, date.today()) for one in states if one.policy is not None]
    return partial(base_findings, earlier=earlier) if earlier else None


# What the command line says


def _reason(words: str) -> str:
    """The reason in one line; InputError where it cannot be one."""
    if not _is_text(words):
        raise InputError("--reason: it contains control characters; write plain text in one line")
    given = " ".join(words.split())
    if len(given) < _SHORTEST_REASON:
        raise InputError(
            f"--reason: it needs at least {_SHORTEST_REASON} characters; say why this is acceptable"
        )
    return given


def _is_text(words: str) -> bool:
    """Whether words are free of control characters and of bytes that are no UTF-8."""
    return not any(unicodedata.category(character) in ("Cc", "Cs") for character in words)


def _last_day(until: str | None) -> date | None:
    if until is None:
        return None
    found: date | None = None
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", until):
        with suppress(ValueError):  # such as a 30th of February
            found = date.fromisoformat(until)
    if found is None:
        raise InputError(f"--until: {until!r} is not a date; write YYYY-MM-DD")
    if found < date.today():
        raise InputError(f"--until: {until} is in the past; use a future date, or remove --until")
    return found


# Which findings


def _covered(findings: Sequence[Finding], word: str, images: set[str], table: str | None) -> list[Finding]:
    """All findings that a waiver of the one that is meant accepts; InputError where it is not clear which."""
    if re.fullmatch(r"[0-9a-fA-F]+", word):
        chosen = _by_fingerprint(findings, word.lower(), images, table)
    elif "/" in word:
        chosen = _by_rule(findings, word, images, table)
    else:
        raise InputError(
            f"{word}: it is neither a fingerprint nor the id of a rule; callint check prints fingerprints, "
            "callint rules lists rules"
        )
    if chosen.policy:
        raise InputError(
            f"{word}: a finding about a waiver cannot be waived; settle the waiver itself, "
            f"in line {chosen.line} of {chosen.policy}"
        )
    return [one for one in findings if _subject(one) == _subject(chosen)]


def _by_fingerprint(findings: Sequence[Finding], word: str, images: set[str], table: str | None) -> Finding:
    if not 6 <= len(word) <= 16:
        raise InputError(f"{word}: a fingerprint has 16 digits; give the first 6 of them or more")
    found = {one.fingerprint: one for one in findings if one.fingerprint.startswith(word)}
    if not found:
        raise InputError(
            f"{word}: no finding has this fingerprint; callint check --all prints all fingerprints"
        )
    if len(found) > 1:
        raise InputError(
            f"{word}: {len(found)} fingerprints start with it; give more digits: {', '.join(found)}"
        )
    (chosen,) = found.values()
    if not _narrowed([chosen], images, table):
        raise InputError(f"{word}: it is about {_place(chosen)}; correct or remove --image and --table")
    return chosen


def _by_rule(findings: Sequence[Finding], rule: str, images: set[str], table: str | None) -> Finding:
    if rule not in RULES:
        close = difflib.get_close_matches(rule, RULES, n=1)
        advice = f"did you mean {close[0]}?" if close else "callint rules lists them"
        raise InputError(f"{rule}: no rule has this id; {advice}")
    of_rule = [one for one in findings if one.rule == rule]
    found = _narrowed(of_rule, images, table)
    if not found:
        raise InputError(f"{rule}: {_near(findings, of_rule, images, table)}")
    if len({one.image or one.definition for one in found}) > 1:
        raise InputError(f"{rule}: it has findings in {_listed(map(_file, found))}; select one with --image")
    if table is None and any(one.table for one in found):
        named = _listed(one.table or "none" for one in found)
        raise InputError(
            f"{rule}: it has findings about {named} in {_file(found[0])}; select one with --table"
        )
    return found[0]


def _narrowed(findings: Iterable[Finding], images: set[str], table: str | None) -> list[Finding]:
    """The findings in one of the images, or definitions, and about the table, as far as these are given."""
    return [
        one
        for one in findings
        if (not images or _file(one) in images) and (table is None or one.table == table)
    ]


def _near(
    findings: Sequence[Finding], of_rule: Sequence[Finding], images: set[str], table: str | None
) -> str:
    """What is found in place of what was asked for, and what to do."""
    around = [one for one in _narrowed(findings, images, table) if not one.policy]
    if table is not None and around:
        words = f"{table} has no such finding, but of {_listed(one.rule for one in around)}"
    elif table is not None:
        words = f"nothing is found about {table}"
    else:
        words = "there is no such finding"
    if of_rule:
        words += f"; the rule found {_listed(map(_place, of_rule))}"
    return f"{words}; callint check --all prints all findings"


def _subject(finding: Finding) -> tuple[str, ...]:
    """What a waiver covers: a rule on a table of an image, or of a definition."""
    return finding.rule, finding.image, finding.table, "" if finding.image else finding.definition


def _file(finding: Finding) -> str:
    return finding.image or finding.definition or finding.policy


def _place(finding: Finding) -> str:
    return " in ".join(part for part in (finding.table, _file(finding)) if part)


def _listed(words: Iterable[str]) -> str:
    """Some words, each once, the rest counted."""
    found = list(dict.fromkeys(words))
    more = len(found) - _NAMED
    return ", ".join(found[:_NAMED]) + (f" and {more} more" if more > 0 else "")


# What the waiver says


def _waived_already(finding: Finding, inspector: Checker) -> InputError:
    waiver_usage = inspector.waiver_usage
    subject = (finding.rule, finding.image, finding.table)
    lines = [one.line for one in waiver_usage.having(WaiverStatus.USED) if one.subject == subject]
    return InputError(
        f"{waiver_usage.policy}:{lines[0]}: {finding.rule} for {_place(finding)} is already waived here; "
        "do nothing more"
    )


def _digest(case: CheckContext | None, finding: Finding) -> str:
    found = ""
    if case is not None:
        found = str(accepted_content(case, finding) or "")
    if not found:
        raise InputError(
            f"{_file(finding)}: {finding.rule} is about unreadable content, which a waiver cannot cover; "
            "fix the finding itself"
        )
    return found


def _who(workspace: Workspace) -> str:
    """The author as git would name them."""
    from callint.versioning.git.authors import current_author  # git is slow to import

    name = current_author(workspace.root).name
    if len(name) < _SHORTEST_NAME or not _is_text(name):
        raise InputError(f"git: {name!r} cannot name the author of a waiver; set user.name with git config")
    return name


def _refuse_same_person(
    inspector: Checker, case: CheckContext | None, finding: Finding, waiver: Waiver
) -> None:
    """InputError where the policy asks for a second person and this is none."""
    if case is None:
        return
    doubt = inspector.objection(case, finding, waiver)
    if doubt is not None:
        path, hint = inspector.policy.path, doubt.hint.rstrip(".")
        raise InputError(
            f"{path}: it says second-person = true, so the waiver would have no effect: "
            f"it {doubt.text}; {hint[:1].lower()}{hint[1:]}"
        )


def _content(case: CheckContext | None, finding: Finding) -> str:
    if not finding.image:
        return "definition"
    if case is not None and finding.table in case.layout.table_items:
        return "table"
    return "axis" if case is not None and finding.table in case.layout.axis_items else "image"


def _dead(inspector: Checker, waiver: Waiver) -> tuple[Waiver, ...]:
    """Waivers of the same that met the finding and do not count."""
    waiver_usage = inspector.waiver_usage
    dead = {WaiverStatus.OUTDATED, WaiverStatus.EXPIRED, WaiverStatus.REJECTED}
    return tuple(one for one, fate in waiver_usage.statuses if fate in dead and one.subject == waiver.subject)


# Writing


def _write(workspace: Workspace, waiver: Waiver, dry_run: bool) -> Waiver:
    """Add the waiver to the policy; returns it with its line. Nothing else in the policy may change."""
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.files.destinations import in_place

    # A link stays a link: the file that it leads to is what is written.
    destination = in_place(workspace.root / workspace.policy.path)
    place, name = destination.place(), workspace.policy.path
    data = _read(place, name)
    content, added = _with_waiver(data, workspace.policy, waiver)
    if dry_run:
        return added
    # Two runs at once must not each write without the other's waiver. Little is left to do by now, as others
    # wait; where one of them was first it is done again.
    with alone(place, name):
        if (present := _read(place, name)) != data:
            content, added = _with_waiver(present, workspace.policy, waiver)
        replace_file(destination, content)
    return added


def _read(place: Path, name: str) -> bytes:
    try:
        return read_file(place)
    except OSError as error:
        raise InputError(f"{name}: {reason(error)}; correct that first") from None


def _with_waiver(data: bytes, judged: Policy, waiver: Waiver) -> tuple[bytes, Waiver]:
    """A policy's file with the waiver, and that with its line; ``judged`` is what it was judged by.

    _ChangedError where the file says something else of the finding by now.
    """
    from callint.reporting.waiver.toml import with_entry

    name = judged.path
    present = read_policy(data, name)
    if not _says_as_much(judged, present, waiver):
        raise _ChangedError
    try:
        content = with_entry(data, waiver)
    except UnicodeEncodeError:
        raise InputError(f"{waiver.image}: a policy cannot hold its name; rename it") from None
    try:
        policy = read_policy(content, name)
    except InputError:
        policy = Policy()
    if not _adds(present, policy, waiver):
        raise InputError(
            f"{name}: a waiver cannot be added at its end; give each waiver its own [[waivers]] heading first"
        )
    return content, policy.waivers[-1]


def _says_as_much(judged: Policy, present: Policy, waiver: Waiver) -> bool:
    """Whether a policy says of a waiver's finding what it said when that was judged.

    Others may have added waivers of other findings meanwhile.
    """
    known, now = (Counter(replace(one, line=0) for one in policy.waivers) for policy in (judged, present))
    is_about_others = all(one.subject != waiver.subject for one in now - known)
    return not known - now and is_about_others and _without_waivers(judged) == _without_waivers(present)


def _adds(old: Policy, new: Policy, waiver: Waiver) -> bool:
    """Whether a policy says what the old one says, and the waiver besides."""
    lineless = [replace(one, line=0) for one in new.waivers]
    is_last = lineless == [*(replace(one, line=0) for one in old.waivers), waiver]
    return is_last and _without_waivers(old) == _without_waivers(new)


def _without_waivers(policy: Policy) -> Policy:
    return replace(policy, waivers=())
