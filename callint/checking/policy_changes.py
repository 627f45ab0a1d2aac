"""Finds the demands of a policy that were loosened since an earlier state of the repository."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from callint import fmt
from callint.checking.assignments import assignment
from callint.checking.causes import cause_id
from callint.checking.checker import Checker
from callint.comparing.definitions.elements import is_same_software
from callint.model import rule_ids
from callint.model.cause import Cause, CauseKind, Place
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.reading.tree import content_or_reason
from callint.rules.policy import PolicyComparison, PolicyLoosening
from callint.rules.registry import RULES, in_scope
from callint.rules.rule import Rule, Scope
from callint.rules.second_person import SECOND_PERSON

#: Families and rules about protection, emissions and the checks themselves.
_GUARDED = (
    "protection",
    "policy",
    "base",
    rule_ids.CHANGE_EMISSIONS,
    rule_ids.DEFINITION_LOOSENED,
    rule_ids.WAIVER_SAME_PERSON,
)
#: The largest number of images that a message names.
_MOST_NAMES = 3


def policy_findings(checker: Checker, earlier: Sequence[Checker]) -> Iterator[Finding]:
    """The settled findings about demands of the policy that are looser than in every earlier state."""
    if not earlier or any(state.policy == checker.policy for state in earlier):
        return
    by_state = [
        {(item.subject, item.value): item for item in _loosenings(checker, state)} for state in earlier
    ]
    first, *others = by_state
    common = tuple(item for key, item in first.items() if all(key in known for known in others))
    comparison = PolicyComparison(checker.policy.path, common)
    findings, causes = [], []
    for rule in in_scope(Scope.POLICY_CHANGE):
        for finding in rule.check(comparison):
            place = Place(CauseKind.POLICY, "", finding.message)
            cause = Cause(cause_id(comparison.path, [rule.id, finding.subject]), CauseKind.POLICY, (place,))
            findings.append(replace(finding, cause=cause.id))
            causes.append(cause)
    yield from checker.settler.settle_changed_policy(findings, causes)


def _loosenings(checker: Checker, state: Checker) -> Iterator[PolicyLoosening]:
    old, new = state.policy, checker.policy
    yield from _severities(old, new)
    if new.fail_on.rank < old.fail_on.rank:
        text = f"fail-on is {new.fail_on.value}, and was {old.fail_on.value}"
        yield PolicyLoosening("fail-on", text, new.fail_on.value, 1, is_severe=True)
    if old.second_person and not new.second_person:
        text = "second-person is off: the author of a change may waive its findings"
        yield PolicyLoosening(SECOND_PERSON, text, "off", 1, is_severe=True)
    if old.images != new.images:
        yield from _images(checker, state)
    yield from _waivers(old, new)


# Severities


def _severities(old: Policy, new: Policy) -> Iterator[PolicyLoosening]:
    for rule in RULES.values():
        for default in _defaults(rule):
            before, after = old.severity(rule.id, default), new.severity(rule.id, default)
            if _rank(after) <= _rank(before):
                continue
            names = _severity_name(before), _severity_name(after)
            key = next((key for key in (rule.id, rule.family) if key in new.severities), "")
            by_family = f" with its family {rule.family}" if key == rule.family else ""
            yield PolicyLoosening(
                subject=f"severity {rule.id}",
                text=f"{rule.id} is {names[1]}{by_family}, and was {names[0]}",
                value=names[1],
                line=new.severity_lines.get(key, 1),
                is_severe=before is Severity.ERROR or rule.id in _GUARDED or rule.family in _GUARDED,
            )
            break


def _defaults(rule: Rule) -> list[Severity]:
    """The severities that findings of a rule may have, the worst first."""
    severities = {rule.severity, rule.in_protection, rule.if_severe} - {None}
    return sorted((item for item in severities if item is not None), key=lambda severity: severity.rank)


def _rank(severity: Severity | None) -> int:
    return len(Severity) if severity is None else severity.rank


def _severity_name(severity: Severity | None) -> str:
    if severity is None:
        return "off"
    return f"an {severity.value}" if severity is Severity.ERROR else f"a {severity.value}"


# Images


def _images(checker: Checker, state: Checker) -> Iterator[PolicyLoosening]:
    """Images that no entry covers any more, and definitions, bases and starts that entries lost."""
    unreached: list[str] = []
    dropped: dict[tuple[str, str], list[str]] = {}
    lines: dict[str, int] = {}
    for path in checker.tree.paths():
        before, after = assignment(state.policy, path), assignment(checker.policy, path)
        if before is None:
            continue
        if after is None:
            unreached.append(path)
            continue
        for noun, old, new in (
            ("definition", before.definitions, after.definitions),
            ("base", before.bases, after.bases),
        ):
            for name in old:
                if name not in new and not _is_replaced(checker, state, noun, name, new):
                    dropped.setdefault((noun, name), []).append(path)
        if before.start != after.start:
            dropped.setdefault(("start", str(before.start)), []).append(path)
        lines[path] = _entry_line(checker.policy, path)
    for path in unreached:
        text = f"no entry of [[images]] reaches {path} any more"
        yield PolicyLoosening(f"image {path}", text, "unreached", 1, is_severe=True)
    for (noun, name), paths in dropped.items():
        images = fmt.list_names(paths, _MOST_NAMES)
        verb = "lack" if len(paths) > 1 else "lacks"
        text = f"{images} {verb} the {noun} {name}"
        yield PolicyLoosening(f"{noun} {name}", text, images, lines[paths[0]], is_severe=True)


def _is_replaced(checker: Checker, state: Checker, noun: str, name: str, others: Sequence[str]) -> bool:
    """Whether another file has replaced a definition or base.

    A base may have another path. A definition of the same software is compared with its predecessor by
    definition/loosened.
    """
    if noun == "base":
        content = content_or_reason(state.tree, name)
        return any(content_or_reason(checker.tree, other) == content for other in others)
    old = state.loader.peek(name)
    if old is None:
        return False
    successors = (checker.loader.peek(other) for other in others)
    return any(
        successor is not None and is_same_software(old.definition, successor.definition)
        for successor in successors
    )


def _entry_line(policy: Policy, path: str) -> int:
    entry = assignment(policy, path)
    return next(
        (
            item.line
            for item in policy.images
            if entry is not None
            and (item.definitions, item.bases, item.start) == (entry.definitions, entry.bases, entry.start)
        ),
        1,
    )


# Waivers


def _waivers(old: Policy, new: Policy) -> Iterator[PolicyLoosening]:
    """The waivers of the same content that now last longer."""
    earlier: dict[tuple[object, ...], Waiver] = {
        (*waiver.subject, waiver.digest): waiver for waiver in old.waivers
    }
    for waiver in new.waivers:
        before = earlier.get((*waiver.subject, waiver.digest))
        if before is None or before.until is None:
            continue
        if waiver.until is not None and waiver.until <= before.until:
            continue
        until = "without end" if waiver.until is None else f"until {waiver.until}"
        place = " in ".join(part for part in (waiver.table, waiver.image) if part)
        subject = f"{waiver.rule} for {place}" if place else waiver.rule
        yield PolicyLoosening(
            subject=f"waiver {waiver.rule} {waiver.image} {waiver.table} {waiver.digest}",
            text=f"the waiver of {subject} holds {until}, and held until {before.until}",
            value=until,
            line=waiver.line,
            is_severe=waiver.rule in _GUARDED or waiver.rule.partition("/")[0] in _GUARDED,
        )
