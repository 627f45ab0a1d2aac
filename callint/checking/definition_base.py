"""Judges definitions against a factory image alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.checker import Checker
from callint.checking.identity import identity_mismatch
from callint.model import rule_ids
from callint.model.finding import Finding
from callint.rules.context import CheckContext
from callint.rules.registry import RULES, in_scope
from callint.rules.rule import Scope


def findings_against_base(
    checker: Checker, definitions: Sequence[str], base: str, named: Sequence[str] | None = None
) -> Iterator[Finding]:
    """The settled findings about definitions that the factory image ``base`` contradicts.

    ``named`` are the definitions that the user named (default: all). Other definitions are left out if they
    are of other software: they are children of named ones, and have factory images of their own.
    """
    assigned = assignment_of_named(checker.policy, base)
    start = assigned.start if assigned else None
    for path in definitions:
        context = checker.loader.context(Assignment(base, (path,), (), start))
        if context is None:
            continue  # the findings about the definition give the reason
        if named is not None and path not in named and _is_foreign(context):
            continue
        context = replace(context, base_path=base)
        findings = [finding for rule in in_scope(Scope.FACTORY) for finding in rule.findings(context)]
        yield from checker.settler.settle_definition_beside_base(path, context, findings)


def mirrors_in_bases(checker: Checker, images: Sequence[Assignment]) -> Iterator[Finding]:
    """The settled findings about tables that are equal in the bases which the policy assigns to images.

    The other findings that need a factory image are left out: a check of the images reports the faults of
    their bases in its own way.
    """
    seen: set[tuple[str, str]] = set()
    pairs = dict.fromkeys((path, base) for item in images for path in item.definitions for base in item.bases)
    for path, base in pairs:
        assigned = assignment_of_named(checker.policy, base)
        context = checker.loader.context(Assignment(base, (path,), (), assigned.start if assigned else None))
        if context is None or context.image is None or _is_foreign(context):
            continue
        context = replace(context, base_path=base)
        findings = []
        for finding in RULES[rule_ids.DEFINITION_UNSTATED_MIRROR].findings(context):
            if (path, finding.subject) not in seen:
                seen.add((path, finding.subject))
                findings.append(finding)
        if findings:
            yield from checker.settler.settle_definition_beside_base(path, context, findings)


def _is_foreign(context: CheckContext) -> bool:
    """Whether an image is of other software than the definition."""
    image = context.image
    return image is not None and identity_mismatch(image, context.definition.memory) is not None
