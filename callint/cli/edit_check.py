"""Judges an edit before it is written."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from callint import fmt
from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.cause_order import sort_findings
from callint.checking.checker import Checker
from callint.checking.image_findings import FindingDetails
from callint.cli.image_editing import EditableImage
from callint.model import rule_ids
from callint.model.errors import InputError
from callint.model.finding import Finding, Severity
from callint.model.image import Image
from callint.reading.tree import OverlayTree, Tree

#: The rules whose errors an edit must not bring by mistake.
_DANGEROUS = frozenset(
    {
        rule_ids.AXIS_NOT_INCREASING,
        rule_ids.VALUE_OUT_OF_RANGE,
        rule_ids.VALUE_NOT_A_NUMBER,
        rule_ids.VALUE_UNKNOWN_STATE,
        rule_ids.VALUE_OFF_IN_OPERATING_RANGE,
        rule_ids.PROTECTION_DISABLED,
        rule_ids.PROTECTION_FLAT,
        rule_ids.PROTECTION_UNREACHABLE_THRESHOLD,
    }
)


def assignment_for(image: EditableImage, base: str | None = None) -> Assignment:
    """An image with its definition, and with the base that the command line or else the policy names."""
    workspace = image.resolver.workspace
    assigned = assignment_of_named(workspace.policy, image.name) or Assignment(image.name, (), ())
    bases = assigned.bases if base is None else (workspace.name(base),)
    return replace(assigned, definitions=(image.loaded.file.path,), bases=bases)


def judge_edit(image: EditableImage, after: Image, *, is_forced: bool) -> str:
    """A sentence about the errors and weakened protections that an edit brings, "" if it brings none.

    InputError if an edit that is not forced puts values outside their limits, if an axis no longer rises, if
    a table is switched off where it may not be, or if a protection no longer protects. What the image has
    already is not refused.
    """
    workspace = image.resolver.workspace
    known = {_key(finding) for finding in _serious_findings(image, workspace)}
    tree = OverlayTree(workspace, {image.name: image.file.with_content(after)})
    findings = [finding for finding in _serious_findings(image, tree) if _key(finding) not in known]
    dangers = [finding for finding in findings if finding.rule in _DANGEROUS]
    if dangers and not is_forced:
        more = f" (and {len(dangers) - 1} more)" if len(dangers) > 1 else ""
        raise InputError(f"{image.name}: {_text(dangers[0])}{more}; --force writes it nevertheless")
    if not findings:
        return ""
    error_count = sum(finding.severity is Severity.ERROR for finding in findings)
    counts = ((error_count, "new error"), (len(findings) - error_count, "new warning"))
    texts = [fmt.count(count, noun) for count, noun in counts if count]
    return f"callint check will report {' and '.join(texts)}; the first: {_text(findings[0])}."


def _serious_findings(image: EditableImage, tree: Tree) -> list[Finding]:
    """The errors in the image as a tree has it, and the warnings about its protections.

    The most dangerous come first. Checksums can be sealed later.
    """
    policy = image.resolver.policy
    checker = Checker(tree, policy, date.today(), details=FindingDetails(causes=False))
    findings = sort_findings(checker.check_image(assignment_for(image)), {})
    return [
        finding
        for finding in findings
        if finding.rule != rule_ids.IMAGE_STALE_CHECKSUM
        and (finding.severity is Severity.ERROR or _is_protection_warning(finding))
        and not finding.waived
    ]


def _is_protection_warning(finding: Finding) -> bool:
    return finding.severity is Severity.WARNING and finding.rule.startswith("protection/")


def _key(finding: Finding) -> tuple[object, ...]:
    return finding.rule, finding.table, finding.subject, finding.cell, finding.message


def _text(finding: Finding) -> str:
    """What would be wrong, with the table if the message does not name it."""
    if not finding.table or finding.table in finding.message:
        return finding.message
    return f"{finding.table}{f' {finding.place}' if finding.place else ''}: {finding.message}"
