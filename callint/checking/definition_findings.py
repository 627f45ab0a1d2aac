"""The findings about a definition file, which the cache keeps until the file changes."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.finding import Finding
from callint.reading import cache
from callint.reading.serialize import UnknownFormError, pack, unpack
from callint.rules.context import CheckContext
from callint.rules.registry import in_scope
from callint.rules.rule import Rule, Scope

#: The largest number of findings that one rule reports about a definition.
MOST_FINDINGS = 10_000

#: The kind of entry in the cache.
_KIND = "definition findings"


def definition_findings(loaded: LoadedDefinition) -> tuple[Finding, ...]:
    """The findings about a definition itself, in the order of the rules, before any policy is applied."""
    paths = (loaded.file.path, *loaded.definition.lines.parts)
    parts = (
        bytes.fromhex(loaded.definition.digest),
        *(path.encode("utf-8", "surrogateescape") for path in paths),
    )
    entry = cache.load(_KIND, *parts)
    findings = None if entry is None else _unpacked(entry)
    if findings is None:
        context = CheckContext(loaded)
        findings = tuple(
            finding for rule in in_scope(Scope.DEFINITION) for finding in _bounded_findings(rule, context)
        )
        cache.store(lambda: pack(findings), _KIND, *parts)
    return findings


def _bounded_findings(rule: Rule, context: CheckContext) -> Iterator[Finding]:
    """The findings of a rule up to the bound; a further finding reports that there are more."""
    findings = iter(rule.findings(context))
    first = list(islice(findings, MOST_FINDINGS))
    yield from first
    if next(findings, None) is not None:
        yield Finding(
            rule=rule.id,
            subject="more",
            line=max(finding.line or 1 for finding in first),
            message=f"there are more such findings; callint reports only the first {MOST_FINDINGS:,}",
            hint="Fix these, then check again.",
        )


def _unpacked(entry: bytes) -> tuple[Finding, ...] | None:
    """The findings in an entry of the cache; None if it holds something else."""
    try:
        findings = unpack(entry)
    except UnknownFormError:
        return None
    return findings if all(isinstance(finding, Finding) for finding in findings) else None
