"""Findings that the command line names by fingerprint or by rule."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from callint.checking.content import is_about_demand
from callint.model.errors import InputError
from callint.model.finding import Finding, can_be_waived
from callint.rules.registry import RULES

#: The number of places or rules that an error lists.
_LISTED = 4


@dataclass(frozen=True, slots=True)
class FindingFilter:
    """Images, or definitions, and the table to which findings are restricted; empty or None for all."""

    images: frozenset[str]
    table: str | None

    def apply(self, findings: Iterable[Finding]) -> list[Finding]:
        return [
            finding
            for finding in findings
            if (not self.images or file_of(finding) in self.images)
            and (self.table is None or finding.table == self.table)
        ]


#: The id of a cause, or its first digits.
_CAUSE = re.compile(r"cause-([0-9a-f]+)", re.IGNORECASE)


def is_cause(name: str) -> bool:
    """Whether a name is that of a cause."""
    return _CAUSE.fullmatch(name) is not None


def select_findings(findings: Sequence[Finding], name: str, filter: FindingFilter) -> list[list[Finding]]:
    """The findings that each needed waiver accepts; the named finding is not always the first of them.

    ``name`` is as for ``named_findings``. InputError if it is ambiguous.
    """
    chosen = named_findings(findings, name, filter)
    if not can_be_waived(chosen[0]):
        raise InputError(
            f"{name}: a finding about a waiver cannot be waived; correct the waiver itself, "
            f"in line {chosen[0].line} of {chosen[0].policy}"
        )
    keys = dict.fromkeys(waived_key(finding) for finding in chosen)
    return [[finding for finding in findings if waived_key(finding) == key] for key in keys]


def named_findings(findings: Sequence[Finding], name: str, filter: FindingFilter) -> list[Finding]:
    """The findings that a name stands for; InputError if there are none or if it is ambiguous.

    ``name`` is a fingerprint or its first digits, the id of a cause or its first digits, or the id of a rule.
    """
    if is_cause(name):
        return _by_cause(findings, name.lower(), filter)
    if re.fullmatch(r"[0-9a-fA-F]+", name):
        return [_by_fingerprint(findings, name.lower(), filter)]
    if "/" in name:
        return [_by_rule(findings, name, filter)]
    raise InputError(
        f"{name}: it is neither a fingerprint nor the id of a cause or a rule; callint check prints "
        "fingerprints and causes, callint rules lists rules"
    )


def _by_cause(findings: Sequence[Finding], name: str, filter: FindingFilter) -> list[Finding]:
    """The findings of a cause that are not waived, or all of them if all are."""
    matching = [finding for finding in findings if finding.cause.startswith(name)]
    names = list(dict.fromkeys(finding.cause for finding in matching))
    if not names:
        raise InputError(f"{name}: no cause has this id; callint check prints the ids of causes")
    if len(names) > 1:
        raise InputError(f"{name}: {len(names)} causes start with it; give more digits: {_list_names(names)}")
    kept = filter.apply(matching)
    if not kept:
        places = _list_names(map(place_of, matching))
        raise InputError(f"{name}: it is about {places}; correct or remove --image and --table")
    return [finding for finding in kept if not finding.waived] or kept


def _by_fingerprint(findings: Sequence[Finding], digits: str, filter: FindingFilter) -> Finding:
    if not 6 <= len(digits) <= 16:
        raise InputError(f"{digits}: a fingerprint has 16 digits; give the first 6 of them or more")
    matching = {
        finding.fingerprint: finding for finding in findings if finding.fingerprint.startswith(digits)
    }
    if not matching:
        raise InputError(
            f"{digits}: no finding has this fingerprint; callint check --all prints all fingerprints"
        )
    if len(matching) > 1:
        raise InputError(
            f"{digits}: {len(matching)} fingerprints start with it; give more digits: {', '.join(matching)}"
        )
    (chosen,) = matching.values()
    if not filter.apply([chosen]):
        raise InputError(f"{digits}: it is about {place_of(chosen)}; correct or remove --image and --table")
    return chosen


def _by_rule(findings: Sequence[Finding], rule: str, filter: FindingFilter) -> Finding:
    if rule not in RULES:
        close = difflib.get_close_matches(rule, RULES, n=1)
        advice = f"did you mean {close[0]}?" if close else "callint rules lists them"
        raise InputError(f"{rule}: no rule has this id; {advice}")
    of_rule = [finding for finding in findings if finding.rule == rule]
    matching = filter.apply(of_rule)
    if not matching:
        raise InputError(f"{rule}: {_nothing_matches(findings, of_rule, filter)}")
    demands = {finding.content for finding in matching if is_about_demand(finding)}
    if len({finding.image or finding.definition for finding in matching}) > 1 and len(demands) != 1:
        files = _list_names(map(file_of, matching))
        raise InputError(f"{rule}: it has findings in {files}; select one with --image")
    if filter.table is None and any(finding.table for finding in matching):
        tables = _list_names(finding.table or "none" for finding in matching)
        file = file_of(matching[0])
        raise InputError(f"{rule}: it has findings about {tables} in {file}; select one with --table")
    return matching[0]


def _nothing_matches(findings: Sequence[Finding], of_rule: Sequence[Finding], filter: FindingFilter) -> str:
    """What callint found in place of the wanted finding, and what to do."""
    similar = [finding for finding in filter.apply(findings) if not finding.policy]
    if filter.table is not None and similar:
        rules = _list_names(finding.rule for finding in similar)
        message = f"{filter.table} has no such finding, but has findings of {rules}"
    elif filter.table is not None:
        message = f"there is no finding about {filter.table}"
    else:
        message = "there is no such finding"
    if of_rule:
        message += f"; the rule has findings about {_list_names(map(place_of, of_rule))}"
    return f"{message}; callint check --all prints all findings"


def waived_key(finding: Finding) -> tuple[str, ...]:
    """What a waiver covers: a rule on a table of an image, or of a definition; or one loosened demand."""
    if is_about_demand(finding):  # a child inherits it, so it may be in several definitions
        return finding.rule, finding.table, finding.content
    return finding.rule, finding.image, finding.table, "" if finding.image else finding.definition


def file_of(finding: Finding) -> str:
    """The file that a finding is about."""
    return finding.image or finding.definition or finding.policy


def place_of(finding: Finding) -> str:
    """The table and the file that a finding is about."""
    return " in ".join(part for part in (finding.table, file_of(finding)) if part)


def _list_names(names: Iterable[str]) -> str:
    """Each name once; after the first few, the number of the others."""
    distinct = list(dict.fromkeys(names))
    others = len(distinct) - _LISTED
    return ", ".join(distinct[:_LISTED]) + (f" and {others} more" if others > 0 else "")
