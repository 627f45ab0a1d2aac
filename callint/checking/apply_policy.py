"""What a policy makes of findings: their severity, and whether somebody has accepted them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import date

from callint.decoding.digest import ContentDigest, Difference
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy, Waiver
from callint.rules.registry import RULES
from callint.rules.second_person import WaiverObjection
from callint.rules.waiver import WaiverStatus, WaiverUsage

#: Gives the digest of what a waiver of a finding accepts, None where that cannot be read.
Digest = Callable[[Finding], ContentDigest | None]
Doubting = Callable[[Finding, Waiver], WaiverObjection | None]


def no_doubt(finding: Finding, waiver: Waiver) -> WaiverObjection | None:
    """Any waiver is as good as another."""
    return None


class PolicyApplier:
    """Settles findings by one policy and keeps account of its waivers."""

    def __init__(self, policy: Policy, today: date) -> None:
        self.policy = policy
        self.today = today
        self._fates = dict.fromkeys(range(len(policy.waivers)), WaiverStatus.UNSEEN)
        self._digests: dict[Waiver, str] = {}
        self._differences: dict[Waiver, Difference] = {}
        self._doubts: dict[Waiver, WaiverObjection] = {}
        self._asked: dict[tuple[int, str], WaiverObjection | None] = {}
        self._waivers: dict[tuple[str, str, str], list[int]] = {}
        self._namesakes: dict[tuple[str, str], list[Waiver]] = {}
        self._alike: dict[Waiver, str] = {}
        for number, waiver in enumerate(policy.waivers):
            self._waivers.setdefault(waiver.subject, []).append(number)
            if waiver.image:
                self._namesakes.setdefault((waiver.rule, waiver.table), []).append(waiver)

    def settle(
        self,
        findings: Iterable[Finding],
        digest: Digest,
        image: str = "",
        definition: str = "",
        doubting: Doubting = no_doubt,
    ) -> Iterator[Finding]:
        """The findings as the policy has them; those of rules that are off are gone.

        ``digest`` gives the digest of the content that a finding is about, ``doubting`` what speaks against a
        waiver that holds for it.
        """
        for finding in findings:
            severity = self.policy.severity(finding.rule, RULES[finding.rule].severity_of(finding))
            if severity is None:
                continue
            if finding.inherited:
                severity = Severity.NOTE
            placed = replace(finding, image=image, definition=definition, severity=severity)
            waiver = self._waiver(placed, digest, doubting)
            yield replace(placed, waiver=waiver) if waiver else placed

    def _waiver(self, finding: Finding, digest: Digest, doubting: Doubting) -> Waiver | None:
        """The first waiver that accepts a finding."""
        accepted = None
        # All of them are met, so that a dead one is not called unused because a live one stands before it.
        for number in self._waivers.get((finding.rule, finding.image, finding.table), ()):
            waiver = self.policy.waivers[number]
            if self.is_outdated(number, digest(finding)):
                continue
            if waiver.until is not None and waiver.until < self.today:
                self._meet(number, WaiverStatus.EXPIRED)
            elif doubt := self._doubt(number, finding, doubting):
                self._doubts[waiver] = doubt
                self._meet(number, WaiverStatus.DOUBTED)
            else:
                self._meet(number, WaiverStatus.USED)
                accepted = accepted or waiver
        if accepted is None and finding.image:
            self._compare(finding, digest)
        return accepted

    def _compare(self, finding: Finding, digest: Digest) -> None:
        """Note which waivers of other images accept this very content: an image may have a new name."""
        others = [
            waiver
            for waiver in self._namesakes.get((finding.rule, finding.table), ())
            if waiver.image != finding.image and waiver not in self._alike
        ]
        if others:
            current = str(digest(finding))
            self._alike.update({waiver: finding.image for waiver in others if waiver.digest == current})

    def is_outdated(self, number: int, current: ContentDigest | None) -> bool:
        """Whether a waiver was written for other content than there is now; then note in what it differs."""
        waiver = self.policy.waivers[number]
        difference = Difference.CONTENT if current is None else current.difference(waiver.digest)
        if difference is None:
            return False
        self._digests[waiver] = "" if current is None else str(current)
        self._differences[waiver] = difference
        self._meet(number, WaiverStatus.OUTDATED)
        return True

    def meet_base(self, path: str, current: ContentDigest | None) -> None:
        """Judge the waivers of a changed base by its present content.

        They stay as a record of what was accepted, so that they are of use as long as the base is that one.
        """
        for number in self._waivers.get(("base/changed", path, ""), ()):
            if not self.is_outdated(number, current):
                self._meet(number, WaiverStatus.USED)

    def _doubt(self, number: int, finding: Finding, doubting: Doubting) -> WaiverObjection | None:
        """What speaks against a waiver, asked once: all that it covers is one table in one content."""
        key = number, finding.definition
        if key not in self._asked:
            self._asked[key] = doubting(finding, self.policy.waivers[number])
        return self._asked[key]

    def _meet(self, number: int, fate: WaiverStatus) -> None:
        if self._fates[number].value < fate.value:
            self._fates[number] = fate

    def mark_checked(self, image: str, rules: Iterable[str]) -> None:
        """Say that rules were run on an image ("" for the definitions): their waivers should be of use."""
        ids = set(rules)
        for number, waiver in enumerate(self.policy.waivers):
            if waiver.image == image and waiver.rule in ids:
                self._meet(number, WaiverStatus.UNUSED)

    def mark_complete(self, images: Iterable[str]) -> None:
        """Say that these are all images there are: a waiver that names another accepts nothing."""
        known, bases = {"", *images}, set(self.policy.bases)
        for number, waiver in enumerate(self.policy.waivers):
            if waiver.rule == "base/changed" and waiver.image in bases:
                continue  # it stays as a record of what was accepted
            if waiver.image not in known:
                self._meet(number, WaiverStatus.UNUSED)

    def waiver_usage(self) -> WaiverUsage:
        """How the waivers fared so far."""
        fates: list[tuple[Waiver, WaiverStatus]] = [
            (self.policy.waivers[number], fate) for number, fate in self._fates.items()
        ]
        return WaiverUsage(
            self.policy.path,
            tuple(fates),
            self._digests,
            self._differences,
            self.today,
            self._doubts,
            self._alike,
        )


def order(findings: Iterable[Finding]) -> list[Finding]:
    """The worst first, then by image, table and cell."""
    return sorted(findings, key=_order)


def _order(finding: Finding) -> tuple[object, ...]:
    cell = (finding.cell.y, finding.cell.x) if finding.cell else (-1, -1)
    return (
        finding.severity.rank,
        finding.image,
        finding.definition,
        finding.line or 0,
        finding.image_line or 0,
        finding.table,
        cell,
        finding.address or 0,
        finding.rule,
        finding.message,
    )
