"""The findings of the rules in one image, before a policy settles them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

from callint.checking.assignments import Assignment
from callint.checking.base_bytes import base_bytes
from callint.checking.content import FindingDigests, accepted_content
from callint.checking.identity import count_held_bytes, identity_mismatch
from callint.decoding.digest import ContentDigest
from callint.model import rule_ids
from callint.model.cause import Cause
from callint.model.finding import Finding
from callint.rules.context import CheckContext
from callint.rules.registry import in_scope
from callint.rules.rule import Rule, Scope


@dataclass(frozen=True, slots=True)
class FindingDetails:
    """The parts that findings get besides their message.

    ``contents`` are the digests of their contents, for a comparison with the findings of another state.
    ``causes`` are for findings that a person will read.
    """

    contents: bool = False
    causes: bool = True


#: The details of findings that a person reads and that are not compared with others.
FOR_READERS = FindingDetails()
#: The details of findings that only a program reads.
NO_DETAILS = FindingDetails(causes=False)


@dataclass(frozen=True, slots=True)
class ImageResult:
    """The findings of the rules about one image, before the policy settles them.

    ``digests`` are the digests of the content that findings are about, by rule, table and other table; only
    for findings that a waiver might accept. ``definition`` is the path of the definition, "" if there is
    none. ``rules`` are the ids of the rules that ran. ``causes`` are the causes of the findings by id.
    ``unread`` are the names of what is invalid in the definition, and of what builds on it.
    """

    assignment: Assignment
    definition: str = ""
    rules: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    digests: Mapping[tuple[str, str, str], ContentDigest | None] = field(default_factory=dict)
    tables: int = 0
    cells: int = 0
    causes: Mapping[str, Cause] = field(default_factory=dict)
    unread: frozenset[str] = frozenset()

    def digest(self, finding: Finding) -> ContentDigest | None:
        """The digest of the content that a finding of this image is about; None without a definition."""
        return self.digests.get(_content_key(finding))


def find_in_image(
    context: CheckContext,
    assigned: Assignment,
    waived: Collection[tuple[str, str]],
    details: FindingDetails = FOR_READERS,
) -> ImageResult:
    """The findings of the rules about one image. They depend on no other image.

    ``waived`` are the rules and tables of the policy's waivers.
    """
    rules = _applicable_rules(context)
    tables = cells = 0
    if any(rule.scope is Scope.IMAGE for rule in rules):
        tables, cells = len(context.layout.table_items), context.layout.table_cells
    findings = tuple(with_bytes(context, finding) for rule in rules for finding in rule.findings(context))
    if (wrong := _wrong_byte_order(context, findings)) is not None:
        rules = in_scope(Scope.FILE)
        # What seems wrong with the base is its checksum in the wrong byte order.
        files = {rule.id for rule in rules} - ({rule_ids.IMAGE_MISSING_BASE} if context.base else set())
        findings = (wrong, *(finding for finding in findings if finding.rule in files))
        tables = cells = 0
    digests = {
        _content_key(finding): accepted_content(context, replace(finding, image=assigned.image))
        for finding in findings
        if (finding.rule, finding.table) in waived
    }
    if details.contents:
        contents = FindingDigests(context)
        findings = tuple(replace(finding, content=contents.of(finding)) for finding in findings)
    causes: Mapping[str, Cause] = {}
    if details.causes and findings:
        from callint.checking.causes import find_causes  # most images have no findings

        findings, causes = find_causes(context, assigned.image, findings)
    rule_names = tuple(rule.id for rule in rules)
    unread = context.unread.names
    return ImageResult(
        assigned, context.file.path, rule_names, findings, digests, tables, cells, causes, unread
    )


def _applicable_rules(context: CheckContext) -> list[Rule]:
    """The rules for an image; only those about the file if it is not of the definition's software."""
    rules = in_scope(Scope.FILE)
    image, memory = context.image, context.definition.memory
    if image is None or identity_mismatch(image, memory) or not count_held_bytes(image, memory):
        return rules
    rules += in_scope(Scope.IMAGE)
    if context.base is not None:
        rules += in_scope(Scope.CHANGE)
    return rules


def _wrong_byte_order(context: CheckContext, findings: Iterable[Finding]) -> Finding | None:
    """The finding about a definition in the wrong byte order; looked for if axes are not in order."""
    if context.trusts_byte_order:
        return None
    about_axes = {finding.table for finding in findings if finding.rule == rule_ids.AXIS_NOT_INCREASING}
    if len(about_axes) < _FEW_AXES:
        return None
    from callint.rules.definition.byte_order import wrong_byte_order

    return wrong_byte_order(context)


#: The number of axes that are not in order from which the byte order is looked at.
_FEW_AXES = 2


def with_bytes(context: CheckContext, finding: Finding) -> Finding:
    """The finding with the place of its bytes in a raw image file, and with those of the base."""
    if finding.address is None or finding.size is None:
        return finding
    offset = finding.offset
    if offset is None:
        offset = context.offset(finding.address, finding.size)
    if offset is None:
        return finding
    return replace(finding, offset=offset, base_bytes=base_bytes(context, finding))


def _content_key(finding: Finding) -> tuple[str, str, str]:
    """The key of ``ImageResult.digests``: findings of one rule about the same tables share their content."""
    return finding.rule, finding.table, finding.other
