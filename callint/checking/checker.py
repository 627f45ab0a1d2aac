"""Runs the rules on the images of a tree, and applies the policy to what they find."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache, cached_property, partial

from callint.checking.apply_policy import PolicyApplier
from callint.checking.assignments import Assignment, assignment
from callint.checking.base_bytes import base_bytes
from callint.checking.cause_order import sort_findings
from callint.checking.content import FindingDigests, accepted_content, demand_content
from callint.checking.definition_findings import definition_findings
from callint.checking.float_errors import ignore_float_errors
from callint.checking.identity import count_held_bytes, identity_mismatch
from callint.checking.loading import DefinitionResult, Definitions, ImageLoader
from callint.checking.report import Report
from callint.decoding.digest import ContentDigest, base_digest
from callint.model import rule_ids
from callint.model.cause import Cause
from callint.model.finding import Finding
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.reading.tree import Tree
from callint.rules.context import CheckContext
from callint.rules.registry import in_scope
from callint.rules.rule import Rule, Scope
from callint.rules.second_person import (
    SECOND_PERSON,
    AuthorshipCheck,
    NoAuthorship,
    WaiverObjection,
    needs_second_person,
)
from callint.rules.waiver import WaiverUsage


@dataclass(frozen=True, slots=True)
class ImageResult:
    """The findings of the rules about one image, before the policy settles them.

    ``digests`` are the digests of the content that findings are about, by rule, table and other table; only
    for findings that a waiver might accept. ``definition`` is the path of the definition, "" if there is
    none. ``rules`` are the ids of the rules that ran. ``causes`` are the causes of the findings by id.
    """

    assignment: Assignment
    definition: str = ""
    rules: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    digests: Mapping[tuple[str, str, str], ContentDigest | None] = field(default_factory=dict)
    tables: int = 0
    cells: int = 0
    causes: Mapping[str, Cause] = field(default_factory=dict)


#: Finds what there is in images, in their order.
Find = Callable[[Sequence[Assignment]], Iterable[ImageResult]]


class Checker:
    """Checks images of one tree by one policy."""

    def __init__(
        self,
        tree: Tree,
        policy: Policy,
        today: date,
        authorship: Callable[[], AuthorshipCheck] = NoAuthorship,
        definitions: Definitions | None = None,
        is_compared: bool = False,
        finds_causes: bool = True,
    ) -> None:
        """``authorship`` is called only if the policy demands that a second person writes a waiver.

        ``definitions`` are those that were read already; checkers of several trees share them.
        ``is_compared`` says that the findings will be compared with those of another state: then each gets
        the digest of what it was judged on. ``finds_causes`` says that somebody will read the findings: then
        each gets its cause.
        """
        self.policy = policy
        self.loader = ImageLoader(tree, definitions)
        self._applier = PolicyApplier(policy, today)
        self._authorship = cache(authorship)
        self._is_compared = is_compared
        self._other_contexts: dict[str, CheckContext | None] = {}
        self._finds_causes = finds_causes
        self._causes: dict[str, Cause] = {}
        self._images = self._tables = self._cells = 0

    @property
    def tree(self) -> Tree:
        return self.loader.tree

    @property
    def causes(self) -> Mapping[str, Cause]:
        """The causes of the findings about what was checked so far, by id."""
        return self._causes

    @property
    def waiver_usage(self) -> WaiverUsage:
        """The state of the policy's waivers after what was checked so far."""
        return self._applier.waiver_usage()

    @ignore_float_errors
    def report(
        self,
        images: Iterable[Assignment],
        definitions: Iterable[str] = (),
        whole: bool = False,
        step: Callable[[str], None] = lambda path: None,
        find: Find | None = None,
        bases: Callable[[Checker], Iterable[Finding]] | None = None,
        further: Iterable[Callable[[Checker], Iterable[Finding]]] = (),
    ) -> Report:
        """Check the images with their definitions, and further definitions by their paths.

        ``whole`` says that this is everything the policy names: then a waiver that matches no finding is
        unused, whatever image it names. ``step`` is called with the path of each image when it is done.
        ``find`` checks the images elsewhere (default: here). ``bases`` gives the findings about bases that
        differ from an earlier state, if there is one. ``further`` give more findings, such as those about
        files that the policy does not name.
        """
        images = list(images)
        findings: list[Finding] = []
        for result in find(images) if find else map(self.find, images):
            findings += self._settle(result)
            step(result.assignment.image)
        if bases is not None:
            findings += bases(self)
        elif whole:
            for path in self.policy.bases:
                self.judge_base_waivers(path)
        for find_more in further:
            findings += find_more(self)
        for path in definitions:
            self.loader.load(path)
        findings += self._check_definitions()
        if whole:
            self._applier.mark_complete(item.image for item in images)
            if all(definition.loaded for definition in self.loader.definitions.values()):
                self._applier.mark_checked("", (rule.id for rule in in_scope(Scope.DEFINITION)))
        findings += self._check_waivers()
        if self._finds_causes and findings:
            findings = self._with_own_causes(findings)
        return Report(
            findings=tuple(sort_findings(findings, self._causes)),
            images=self._images,
            tables=self._tables,
            cells=self._cells,
            files=tuple(dict.fromkeys([*(item.image for item in images), *self.loader.definitions])),
            policy=self.policy.path,
            causes=self._causes,
        )

    @ignore_float_errors
    def check_image(self, assigned: Assignment) -> list[Finding]:
        """The settled findings about one image, in the order of the rules."""
        return self._settle(self.find(assigned))

    @ignore_float_errors
    def find(self, assigned: Assignment) -> ImageResult:
        """The findings of the rules about one image. They depend on no other image."""
        context = self.loader.context(assigned)
        if context is None:
            return ImageResult(assigned)  # the findings about the definition say why
        rules = _applicable_rules(context)
        tables = cells = 0
        if any(rule.scope is Scope.IMAGE for rule in rules):
            tables, cells = len(context.layout.table_items), context.layout.table_cells
        findings = tuple(
            _with_bytes(context, finding) for rule in rules for finding in rule.findings(context)
        )
        digests = {
            _content_key(finding): accepted_content(context, replace(finding, image=assigned.image))
            for finding in findings
            if (finding.rule, finding.table) in self._waived
        }
        if self._is_compared:
            contents = FindingDigests(context)
            findings = tuple(replace(finding, content=contents.of(finding)) for finding in findings)
        causes: Mapping[str, Cause] = {}
        if self._finds_causes and findings:
            from callint.checking.causes import find_causes  # most images have no findings

            findings, causes = find_causes(context, assigned.image, findings)
        rule_names = tuple(rule.id for rule in rules)
        return ImageResult(assigned, context.file.path, rule_names, findings, digests, tables, cells, causes)

    def context_of(self, finding: Finding) -> CheckContext | None:
        """The context of a finding of this checker; None if nothing of it can be read."""
        if not finding.image:
            definition = self.loader.definitions.get(finding.definition)
            return CheckContext(definition.loaded) if definition and definition.loaded else None
        if finding.image in self._other_contexts:
            return self._other_contexts[finding.image]
        assigned = assignment(self.policy, finding.image)
        return None if assigned is None else self.loader.context(assigned)

    @ignore_float_errors
    def objection(
        self, context: CheckContext | None, finding: Finding, waiver: Waiver
    ) -> WaiverObjection | None:
        """The reason why a waiver does not count as a second person's; None if it counts.

        Only a second person may accept that the policy no longer demands one.
        """
        is_demanded = self.policy.second_person or finding.subject == SECOND_PERSON
        definition = None if context is None else context.definition
        if not is_demanded or not needs_second_person(finding, definition):
            return None
        return self._authorship().objection(waiver, finding, context)

    # Settling by the policy

    def _settle(self, result: ImageResult) -> list[Finding]:
        """The findings about one image with the severities and waivers of the policy."""
        assigned = result.assignment
        self._images += 1
        self._tables += result.tables
        self._cells += result.cells
        for path in assigned.definitions:  # a worker may have read them, and their findings belong here
            self.loader.load(path)
        self._applier.mark_checked(assigned.image, result.rules)
        self._causes.update(result.causes)

        def objection(finding: Finding, waiver: Waiver) -> WaiverObjection | None:
            context = self.loader.context(assigned) if self.policy.second_person else None
            return None if context is None else self.objection(context, finding, waiver)

        settled = self._applier.settle(
            result.findings,
            lambda finding: result.digests[_content_key(finding)],
            image=assigned.image,
            definition=result.definition,
            objection=objection,
        )
        return list(settled)

    def _check_definitions(self) -> Iterator[Finding]:
        """The settled findings about all definition files.

        A finding that a child takes over from its parent counts once, if both are checked.
        """
        known: set[tuple[str, str, str, str]] = set()
        kept: list[list[Finding]] = []
        for path, definition in self.loader.definitions.items():
            kept.append(self._check_definition(path, definition))
            known.update((path, finding.rule, finding.table, finding.subject) for finding in kept[-1])
        for findings in kept:
            for finding in findings:
                taken_over = finding.origin, finding.rule, finding.table, finding.subject
                if finding.waived or not finding.origin or taken_over not in known:
                    yield finding

    def _check_definition(self, path: str, definition: DefinitionResult) -> list[Finding]:
        """The settled findings about a definition file itself."""
        if definition.loaded is None:
            # An unreadable file has no content by which a finding could be known again.
            return list(self._applier.settle(definition.file.problems, lambda finding: None, definition=path))
        context = CheckContext(definition.loaded)
        findings: Iterable[Finding] = definition_findings(definition.loaded)
        if self._is_compared:
            findings = (
                replace(finding, content=_without_line_numbers(finding.message)) for finding in findings
            )
        digest, objection = partial(accepted_content, context), partial(self.objection, context)
        return list(self._applier.settle(findings, digest, definition=path, objection=objection))

    def _check_waivers(self) -> list[Finding]:
        """The settled findings about the waivers of the policy."""
        usage = self.waiver_usage
        findings = [finding for rule in in_scope(Scope.POLICY) for finding in rule.check(usage)]
        return list(
            self._applier.settle(
                (replace(finding, content=finding.message) for finding in findings), lambda finding: None
            )
        )

    def _with_own_causes(self, findings: Iterable[Finding]) -> list[Finding]:
        """The findings, of which those without a cause are causes of their own."""
        from callint.checking.causes import own_cause

        complete = []
        for finding in findings:
            if finding.cause:
                complete.append(finding)
                continue
            cause = own_cause(finding)
            self._causes.setdefault(cause.id, cause)
            complete.append(replace(finding, cause=cause.id))
        return complete

    @cached_property
    def _waived(self) -> frozenset[tuple[str, str]]:
        """The rules and tables of the policy's waivers."""
        return frozenset((waiver.rule, waiver.table) for waiver in self.policy.waivers)

    # Bases

    def settle_base(
        self, path: str, context: CheckContext | None, findings: Iterable[Finding]
    ) -> list[Finding]:
        """The settled findings about a changed base; each of them is new.

        ``context`` has the changed base as its image, and is None if it cannot be read.
        """
        self._other_contexts[path] = context
        digest = base_digest(context.image) if context is not None and context.image is not None else None
        self._applier.judge_base_waivers(path, digest)

        def objection(finding: Finding, waiver: Waiver) -> WaiverObjection | None:
            return None if context is None else self.objection(context, finding, waiver)

        settled = self._applier.settle(
            (replace(finding, content=f"{digest} {finding.message}") for finding in findings),
            lambda finding: digest,
            image=path,
            definition="" if context is None else context.file.path,
            objection=objection,
        )
        return list(settled)

    def settle_definition(
        self, path: str, context: CheckContext, findings: Iterable[Finding]
    ) -> list[Finding]:
        """The settled findings about a definition beside a factory image."""
        self._applier.mark_checked("", (rule.id for rule in in_scope(Scope.FACTORY)))
        settled = self._applier.settle(
            (replace(finding, content=_without_line_numbers(finding.message)) for finding in findings),
            partial(accepted_content, CheckContext(context.loaded)),
            definition=path,
            objection=partial(self.objection, CheckContext(context.loaded)),
        )
        return list(settled)

    def settle_changed_definition(
        self, path: str, context: CheckContext, findings: Iterable[Finding], causes: Iterable[Cause]
    ) -> list[Finding]:
        """The settled findings about a definition beside its earlier state; each of them is new."""
        self._causes.update({cause.id: cause for cause in causes})
        settled = self._applier.settle(
            findings, demand_content, definition=path, objection=partial(self.objection, context)
        )
        return list(settled)

    def settle_changed_policy(self, findings: Iterable[Finding], causes: Iterable[Cause]) -> list[Finding]:
        """The settled findings about the policy beside its earlier state; each of them is new."""
        self._causes.update({cause.id: cause for cause in causes})
        return list(self._applier.settle(findings, demand_content, objection=partial(self.objection, None)))

    # Files beside each other

    def settle_unassigned(
        self, path: str, context: CheckContext, findings: Iterable[Finding]
    ) -> list[Finding]:
        """The settled findings about a file that looks like an image."""
        self._other_contexts[path] = context
        return self._settle_alone(path, context, findings)

    def settle_unit(self, path: str, context: CheckContext, findings: Iterable[Finding]) -> list[Finding]:
        """The settled findings about the numbers of the unit in an image."""
        self._applier.mark_checked(path, (rule.id for rule in in_scope(Scope.UNIT)))
        return self._settle_alone(path, context, [_with_bytes(context, finding) for finding in findings])

    def settle_copy(self, path: str, context: CheckContext, findings: Iterable[Finding]) -> list[Finding]:
        """The settled findings about an image that became equal to another one."""
        self._applier.mark_checked(path, (rule.id for rule in in_scope(Scope.COPY)))
        return self._settle_alone(path, context, findings)

    def _settle_alone(self, path: str, context: CheckContext, findings: Iterable[Finding]) -> list[Finding]:
        contents = FindingDigests(context)
        settled = self._applier.settle(
            (replace(finding, content=contents.of(finding)) for finding in findings),
            partial(accepted_content, context),
            image=path,
            definition=context.file.path,
            objection=partial(self.objection, context),
        )
        return list(settled)

    def judge_base_waivers(self, path: str) -> None:
        """Judge the waivers of a base that did not change: they stay as a record of what was accepted."""
        if not any(
            waiver.rule == rule_ids.BASE_CHANGED and waiver.image == path for waiver in self.policy.waivers
        ):
            return
        entry = next(entry for entry in self.policy.images if path in entry.bases)
        definitions = (self.loader.load(definition).loaded for definition in entry.definitions)
        loaded = next((definition for definition in definitions if definition is not None), None)
        image = None
        if loaded is not None:
            image = self.loader.bases.read(path, loaded.definition.memory, entry.start).image
        self._applier.judge_base_waivers(path, base_digest(image) if image is not None else None)


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


def _with_bytes(context: CheckContext, finding: Finding) -> Finding:
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


def _without_line_numbers(message: str) -> str:
    """A message about a definition without line numbers, which any edit further up changes."""
    return re.sub(r"\bline \d+", "line", message)
