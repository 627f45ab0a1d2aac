"""What the rules find in a definition file, which is the same until it changes: kept in the cache."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from callint.model.finding import Finding
from callint.reading import cache
from callint.reading.serialize import UnknownFormError, pack, unpack
from callint.rules.context import CheckContext, LoadedDefinition
from callint.rules.registry import in_scope
from callint.rules.rule import Rule, Scope

#: So many findings of one rule about a definition are told.
MOST_FINDINGS = 10_000

#: The kind of entry in the cache.
_KIND = "definition findings"


def definition_findings(subject: LoadedDefinition) -> tuple[Finding, ...]:
    """The findings about a definition itself, in the order of the rules, before any policy is applied."""
    parts = bytes.fromhex(subject.definition.digest), subject.file.path.encode("utf-8", "surrogateescape")
    kept = cache.load(_KIND, *parts)
    findings = None if kept is None else _unpacked(kept)
    if findings is None:
        case = CheckContext(subject)
        findings = tuple(finding for rule in in_scope(Scope.DEFINITION) for finding in _told(rule, case))
        cache.store(lambda: pack(findings), _KIND, *parts)
    return findings


def _told(rule: Rule, case: CheckContext) -> Iterator[Finding]:
    """The findings of a rule, of very many the first, and behind these that there are more."""
    findings = iter(rule.check(case))
    first = list(islice(findings, MOST_FINDINGS))
    yield from first
    if next(findings, None) is not None:
        yield Finding(
            rule=rule.id,
            subject="more",
            line=max(finding.line or 1 for finding in first),
            message=f"there are more such findings; no more than {MOST_FINDINGS:,} are told",
            hint="See to those that are told, then check again.",
        )


def _unpacked(kept: bytes) -> tuple[Finding, ...] | None:
    """The findings that an entry holds, or None where it holds something else."""
    try:
        findings = unpack(kept)
    except UnknownFormError:
        return None
    return findings if all(isinstance(finding, Finding) for finding in findings) else None
