"""Applies a policy to findings: their severity, and whether a waiver accepts them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import replace
from datetime import date

from callint.decoding.digest import ContentDigest, DigestDifference
from callint.model import rule_ids
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.rules.registry import RULES
from callint.rules.second_person import WaiverObjection
from callint.rules.waiver import WaiverStatus, WaiverUsage

#: Gives the digest of the content that a waiver of a finding accepts; None if the content cannot be read.
Digest = Callable[[Finding], ContentDigest | None]
#: Gives the reason why a waiver of a finding does not count as a second person's; None if it counts.
Objection = Callable[[Finding, Waiver], WaiverObjection | None]

#: The rules about what is invalid in a definition.
_INVALID = (
    rule_ids.DEFINITION_INVALID,
    rule_ids.DEFINITION_DUPLICATE_NAME,
    rule_ids.DEFINITION_UNKNOWN_REFERENCE,
)


def no_objection(finding: Finding, waiver: Waiver) -> WaiverObjection | None:
    """Every waiver counts."""
    return None


def refuses_invalid_definitions(policy: Policy) -> bool:
    """Whether what is invalid in a definition fails a check.

    Only then may the check leave out what follows from that: the definition is judged again when it is right.
    """
    return all(is_refused(policy, rule) for rule in _INVALID)


def is_refused(policy: Policy, rule: str) -> bool:
    """Whether an error of a rule always fails a check: the policy makes it no less, and waives none."""
    severity = policy.severity(rule, Severity.ERROR)
    is_waived = any(waiver.rule == rule for waiver in policy.waivers)
    return severity is not None and severity.reaches(policy.fail_on) and not is_waived


class PolicyApplier:
    """Settles findings by one policy, and records the use of its waivers."""

    def __init__(self, policy: Policy, today: date) -> None:
        self.policy = policy
        self.today = today
        # By the number of the waiver in the policy.
        self._statuses = dict.fromkeys(range(len(policy.waivers)), WaiverStatus.UNSEEN)
        self._digests: dict[Waiver, str] = {}
        self._differences: dict[Waiver, DigestDifference] = {}
        self._objections: dict[Waiver, WaiverObjection] = {}
        self._asked: dict[tuple[int, str], WaiverObjection | None] = {}
        self._numbers: dict[tuple[str, str, str], list[int]] = {}
        self._of_table: dict[tuple[str, str], list[Waiver]] = {}
        self._renamed: dict[Waiver, str] = {}
        for number, waiver in enumerate(policy.waivers):
            self._numbers.setdefault(waiver.subject, []).append(number)
            if waiver.image:
                self._of_table.setdefault((waiver.rule, waiver.table), []).append(waiver)

    def settle(
        self,
        findings: Iterable[Finding],
        digest: Digest,
        image: str = "",
        definition: str = "",
        objection: Objection = no_objection,
        unread: Collection[str] = (),
    ) -> Iterator[Finding]:
        """The findings with their place, severity and waiver; findings of rules that are off are left out.

        ``image`` and ``definition`` are the paths of the files that the findings are about. ``unread`` are
        the names of the elements that the definition has with a mistake: callint cannot tell whether a waiver
        of their findings still holds.
        """
        for finding in findings:
            severity = self.policy.severity(finding.rule, RULES[finding.rule].severity_of(finding))
            if severity is None:
                continue
            if finding.inherited or finding.unsure:
                severity = Severity.NOTE
            placed = replace(finding, image=image, definition=definition, severity=severity)
            if finding.table in unread and self._is_open(placed, digest):
                continue
            waiver = self._accepting_waiver(placed, digest, objection)
            yield replace(placed, waiver=waiver) if waiver else placed

    def _is_open(self, finding: Finding, digest: Digest) -> bool:
        """Whether a waiver was written for the bytes of a finding, but for another definition of them."""
        numbers = self._numbers.get((finding.rule, finding.image, finding.table), ())
        current = digest(finding) if numbers else None
        differences = (
            () if current is None else [current.difference(self.policy.waivers[n].digest) for n in numbers]
        )
        return any(item in (DigestDifference.MEANING, DigestDifference.DEMANDS) for item in differences)

    def _accepting_waiver(self, finding: Finding, digest: Digest, objection: Objection) -> Waiver | None:
        """The first waiver that accepts a finding."""
        accepting = None
        # Judge all waivers: one that does not count is not unused just because another one precedes it.
        for number in self._numbers.get((finding.rule, finding.image, finding.table), ()):
            waiver = self.policy.waivers[number]
            if self._is_outdated(number, digest(finding)):
                continue
            if waiver.until is not None and waiver.until < self.today:
                self._record(number, WaiverStatus.EXPIRED)
            elif reason := self._objection(number, finding, objection):
                self._objections[waiver] = reason
                self._record(number, WaiverStatus.REJECTED)
            else:
                self._record(number, WaiverStatus.USED)
                accepting = accepting or waiver
        if accepting is None and finding.image:
            self._find_renamed(finding, digest)
        return accepting

    def _find_renamed(self, finding: Finding, digest: Digest) -> None:
        """Record the waivers of other images that accept this content: the image may have been renamed."""
        candidates = [
            waiver
            for waiver in self._of_table.get((finding.rule, finding.table), ())
            if waiver.image != finding.image and waiver not in self._renamed
        ]
        if candidates:
            current = str(digest(finding))
            self._renamed.update({waiver: finding.image for waiver in candidates if waiver.digest == current})

    def _is_outdated(self, number: int, current: ContentDigest | None) -> bool:
        """Whether a waiver was written for other content; if so, record the difference."""
        waiver = self.policy.waivers[number]
        difference = DigestDifference.CONTENT if current is None else current.difference(waiver.digest)
        if difference is None:
            return False
        self._digests[waiver] = "" if current is None else str(current)
        self._differences[waiver] = difference
        self._record(number, WaiverStatus.OUTDATED)
        return True

    def judge_base_waivers(self, path: str, current: ContentDigest | None) -> None:
        """Judge the waivers of a changed base by its present content.

        They stay as a record of the acceptance, so they are in use as long as the base has that content.
        """
        for number in self._numbers.get((rule_ids.BASE_CHANGED, path, ""), ()):
            if not self._is_outdated(number, current):
                self._record(number, WaiverStatus.USED)

    def _objection(self, number: int, finding: Finding, objection: Objection) -> WaiverObjection | None:
        """The objection to a waiver, computed once: all its findings are about one table in one content."""
        key = number, finding.definition
        if key not in self._asked:
            self._asked[key] = objection(finding, self.policy.waivers[number])
        return self._asked[key]

    def _record(self, number: int, status: WaiverStatus) -> None:
        if self._statuses[number].value < status.value:
            self._statuses[number] = status

    def mark_checked(self, image: str, rules: Iterable[str]) -> None:
        """Record that rules ran on an image ("" for the definitions): their waivers should be in use."""
        ids = set(rules)
        for number, waiver in enumerate(self.policy.waivers):
            if waiver.image == image and waiver.rule in ids:
                self._record(number, WaiverStatus.UNUSED)

    def mark_complete(self, images: Iterable[str]) -> None:
        """Record that there are no other images: a waiver that names another one accepts nothing."""
        known, bases = {"", *images}, set(self.policy.bases)
        for number, waiver in enumerate(self.policy.waivers):
            if waiver.rule == rule_ids.BASE_CHANGED and waiver.image in bases:
                continue  # it stays as a record of the acceptance
            if waiver.image not in known:
                self._record(number, WaiverStatus.UNUSED)

    def waiver_usage(self) -> WaiverUsage:
        """The use of the waivers so far."""
        return WaiverUsage(
            policy=self.policy.path,
            statuses=tuple(
                (self.policy.waivers[number], status) for number, status in self._statuses.items()
            ),
            digests=self._digests,
            differences=self._differences,
            today=self.today,
            objections=self._objections,
            renamed=self._renamed,
        )
