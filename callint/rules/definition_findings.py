"""What the rules find in a definition file, which is the same until it changes: kept in the cache."""

from __future__ import annotations

from callint.model.finding import Finding
from callint.reading import cache
from callint.reading.packing import UnknownFormError, pack, unpack
from callint.rules.case import Case, Subject
from callint.rules.catalogue import in_scope
from callint.rules.rule import Scope

#: The kind of entry in the cache.
_KIND = "definition findings"


def definition_findings(subject: Subject) -> tuple[Finding, ...]:
    """The findings about a definition itself, in the order of the rules, before any policy is applied."""
    parts = bytes.fromhex(subject.definition.digest), subject.file.path.encode("utf-8", "surrogateescape")
    kept = cache.load(_KIND, *parts)
    findings = None if kept is None else _unpacked(kept)
    if findings is None:
        case = Case(subject)
        findings = tuple(finding for rule in in_scope(Scope.DEFINITION) for finding in rule.check(case))
        cache.store(lambda: pack(findings), _KIND, *parts)
    return findings


def _unpacked(kept: bytes) -> tuple[Finding, ...] | None:
    """The findings that an entry holds, or None where it holds something else."""
    try:
        findings = unpack(kept)
    except UnknownFormError:
        return None
    return findings if all(isinstance(finding, Finding) for finding in findings) else None
