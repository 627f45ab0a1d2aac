"""Settles the findings about each kind of file by the policy, and records what its waivers accept."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import date
from functools import cache, partial

from callint.checking.apply_policy import PolicyApplier
from callint.checking.assignments import Assignment, assignment
from callint.checking.content import FindingDigests, accepted_content, demand_content
from callint.checking.float_errors import ignore_float_errors
from callint.checking.image_findings import ImageResult, with_bytes
from callint.checking.loading import DefinitionResult, ImageLoader
from callint.decoding.digest import base_digest
from callint.model import rule_ids
from callint.model.cause import Cause
from callint.model.finding import Finding
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.rules.context import CheckContext
from callint.rules.registry import in_scope
from callint.rules.rule import Scope
from callint.rules.second_person import (
    SECOND_PERSON,
    AuthorshipCheck,
    WaiverObjection,
    needs_second_person,
)
from callint.rules.waiver import WaiverUsage


class FindingSettler:
    """Settles the findings about the files of one tree by one policy.

    Settled findings have their place, their severity and the waiver that accepts them.
    """

    def __init__(
        self, loader: ImageLoader, policy: Policy, today: date, authorship: Callable[[], AuthorshipCheck]
    ) -> None:
        """``authorship`` is called only if the policy demands that a second person writes a waiver."""
        self.policy = policy
        self._loader = loader
        self._applier = PolicyApplier(policy, today)
        self._authorship = cache(authorship)
        self._causes: dict[str, Cause] = {}
        self._other_contexts: dict[str, CheckContext | None] = {}
        self._judged_bases: set[str] = set()

    @property
    def causes(self) -> Mapping[str, Cause]:
        """The causes of the findings that were settled so far, by id."""
        return self._causes

    def add_causes(self, causes: Mapping[str, Cause]) -> None:
        """Enter the causes of findings."""
        self._causes.update(causes)

    @property
    def waiver_usage(self) -> WaiverUsage:
        """The use of the policy's waivers by the findings settled so far."""
        return self._applier.waiver_usage()

    def context_of(self, finding: Finding) -> CheckContext | None:
        """The context of a settled finding; None if its files cannot be read."""
        if not finding.image:
            definition = self._loader.definitions.get(finding.definition)
            return CheckContext(definition.loaded) if definition and definition.loaded else None
        if finding.image in self._other_contexts:
            return self._other_contexts[finding.image]
        assigned = assignment(self.policy, finding.image)
        return None if assigned is None else self._loader.context(assigned)

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

    # Images and definitions

    def settle_image(self, result: ImageResult) -> list[Finding]:
        """The settled findings about one image."""
        assigned = result.assignment
        # With another definition or base, or an invalid one, what a waiver accepts may not be found.
        if self._is_as_assigned(assigned) and not self._is_invalid(result.definition):
            self._applier.mark_checked(assigned.image, result.rules)
        self._causes.update(result.causes)

        def objection(finding: Finding, waiver: Waiver) -> WaiverObjection | None:
            context = self._loader.context(assigned) if self.policy.second_person else None
            return None if context is None else self.objection(context, finding, waiver)

        settled = self._applier.settle(
            result.findings,
            result.digest,
            image=assigned.image,
            definition=result.definition,
            objection=objection,
            unread=result.unread,
        )
        return list(settled)

    def _is_as_assigned(self, checked: Assignment) -> bool:
        """Whether an image was checked with the definitions and bases of the policy, if that names it."""
        named = assignment(self.policy, checked.image)
        if named is None:
            return True
        given = {*checked.definitions, *checked.bases}
        return given <= {*named.definitions, *named.bases}

    def _is_invalid(self, path: str) -> bool:
        """Whether something in a definition file is invalid or refers to nothing."""
        definition = self._loader.definitions.get(path)
        if definition is None:
            return False
        return bool(definition.file.problems) or (
            definition.loaded is not None and bool(definition.loaded.unread)
        )

    def settle_definition(
        self, path: str, definition: DefinitionResult, findings: Iterable[Finding]
    ) -> list[Finding]:
        """The settled findings about a definition file itself."""
        if definition.loaded is None:
            # An unreadable file has no content by which a finding could be recognised.
            return list(self._applier.settle(findings, lambda finding: None, definition=path))
        context = CheckContext(definition.loaded)
        digest, objection = partial(accepted_content, context), partial(self.objection, context)
        return list(self._applier.settle(findings, digest, definition=path, objection=objection))

    def settle_definition_beside_base(
        self, path: str, context: CheckContext, findings: Iterable[Finding]
    ) -> list[Finding]:
        """The settled findings about a definition compared with a factory image."""
        if not self.policy.bases or context.base_path in self.policy.bases:
            self._applier.mark_checked("", (rule.id for rule in in_scope(Scope.FACTORY)))
        settled = self._applier.settle(
            (replace(finding, content=without_line_numbers(finding.message)) for finding in findings),
            partial(accepted_content, CheckContext(context.loaded)),
            definition=path,
            objection=partial(self.objection, CheckContext(context.loaded)),
        )
        return list(settled)

    # Earlier states: each of these findings is new

    def settle_changed_definition(
        self, path: str, context: CheckContext, findings: Iterable[Finding], causes: Iterable[Cause]
    ) -> list[Finding]:
        """The settled findings about a definition compared with its earlier state."""
        self._causes.update({cause.id: cause for cause in causes})
        settled = self._applier.settle(
            findings, demand_content, definition=path, objection=partial(self.objection, context)
        )
        return list(settled)

    def settle_changed_policy(self, findings: Iterable[Finding], causes: Iterable[Cause]) -> list[Finding]:
        """The settled findings about the policy compared with its earlier state."""
        self._causes.update({cause.id: cause for cause in causes})
        return list(self._applier.settle(findings, demand_content, objection=partial(self.objection, None)))

    def settle_base(
        self, path: str, context: CheckContext | None, findings: Iterable[Finding]
    ) -> list[Finding]:
        """The settled findings about a changed base.

        ``context`` has the changed base as its image, and is None if it cannot be read.
        """
        self._other_contexts[path] = context
        self._judged_bases.add(path)
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

    # Files compared with each other

    def settle_unassigned(
        self, path: str, context: CheckContext, findings: Iterable[Finding]
    ) -> list[Finding]:
        """The settled findings about a file that looks like an image."""
        self._other_contexts[path] = context
        return self._settle_alone(path, context, findings)

    def settle_unit(self, path: str, context: CheckContext, findings: Iterable[Finding]) -> list[Finding]:
        """The settled findings about the unit numbers in an image."""
        self._applier.mark_checked(path, (rule.id for rule in in_scope(Scope.UNIT)))
        return self._settle_alone(path, context, [with_bytes(context, finding) for finding in findings])

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

    # The waivers

    def judge_unchanged_bases(self) -> None:
        """Judge the waivers of bases without findings: they stay as a record of the acceptance."""
        for path in self.policy.bases:
            if path not in self._judged_bases:
                self._judged_bases.add(path)
                self._judge_unchanged_base(path)

    def _judge_unchanged_base(self, path: str) -> None:
        if not any(
            waiver.rule == rule_ids.BASE_CHANGED and waiver.image == path for waiver in self.policy.waivers
        ):
            return
        entry = next(entry for entry in self.policy.images if path in entry.bases)
        definitions = (self._loader.load(definition).loaded for definition in entry.definitions)
        loaded = next((definition for definition in definitions if definition is not None), None)
        image = None
        if loaded is not None:
            image = self._loader.bases.read(path, loaded.definition.memory, entry.start).image
        self._applier.judge_base_waivers(path, base_digest(image) if image is not None else None)

    def mark_complete(self, images: Iterable[str]) -> None:
        """Record that these are all images of the policy, and that its definitions were checked."""
        self._applier.mark_complete(images)
        if not any(map(self._is_invalid, self._loader.definitions)):
            self._applier.mark_checked("", (rule.id for rule in in_scope(Scope.DEFINITION)))

    def settle_waivers(self) -> list[Finding]:
        """The settled findings about the waivers of the policy."""
        usage = self.waiver_usage
        findings = [finding for rule in in_scope(Scope.POLICY) for finding in rule.check(usage)]
        return list(
            self._applier.settle(
                (replace(finding, content=finding.message) for finding in findings), lambda finding: None
            )
        )


def without_line_numbers(message: str) -> str:
    """A message about a definition, without its line numbers: any edit further up changes those."""
    return re.sub(r"\bline \d+", "line", message)
