"""Rules about waivers that no longer count."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import Enum, auto

from callint.decoding.digest import DigestDifference
from callint.model import rule_ids
from callint.model.finding import Finding, Severity
from callint.model.waiver import Waiver
from callint.rules.rule import Scope, rule
from callint.rules.second_person import WaiverObjection


class WaiverStatus(Enum):
    """What became of a waiver in a run; of several findings, the last of these counts."""

    UNSEEN = auto()  # the rule did not run on the image
    UNUSED = auto()  # it did, and there was nothing to accept
    OUTDATED = auto()  # there was a finding, but the content is no longer what was accepted
    EXPIRED = auto()  # there was a finding, but the last day of the waiver has passed
    REJECTED = auto()  # there was a finding, but the waiver does not count as a second person's
    USED = auto()


@dataclass(frozen=True, slots=True)
class WaiverUsage:
    """What became of the waivers of one policy.

    - ``policy``: the policy's path.
    - ``digests``: by outdated waiver, the digest of the present content, "" if it cannot be read.
    - ``differences``: by outdated waiver, what differs.
    - ``objections``: by rejected waiver, the reason.
    - ``renamed``: by waiver, the path of another image that has the accepted content.
    """

    policy: str
    statuses: tuple[tuple[Waiver, WaiverStatus], ...]
    digests: dict[Waiver, str]
    differences: dict[Waiver, DigestDifference]
    today: date
    objections: dict[Waiver, WaiverObjection]
    renamed: dict[Waiver, str]

    def having(self, status: WaiverStatus) -> Iterator[Waiver]:
        """The waivers with a status."""
        return (waiver for waiver, actual in self.statuses if actual is status)

    def hint(self, waiver: Waiver, default: str) -> str:
        """What to do about a waiver that does not count: remove it if another one replaces it."""
        for used in self.having(WaiverStatus.USED):
            if used.subject == waiver.subject:
                return f"Remove this waiver: the waiver in line {used.line} replaces it."
        return default


def _finding(usage: WaiverUsage, rule_id: str, waiver: Waiver, message: str, hint: str) -> Finding:
    subject = f"{waiver.rule} {waiver.image} {waiver.table} {waiver.digest}"
    return Finding(
        rule=rule_id,
        policy=usage.policy,
        line=waiver.line,
        subject=subject,
        message=message,
        hint=hint,
    )


def _name(waiver: Waiver) -> str:
    """The waiver as the subject of a sentence."""
    place = " in ".join(part for part in (waiver.table, waiver.image) if part)
    return f"{waiver.who}'s waiver of {waiver.rule}" + (f" for {place}" if place else "")


@rule(rule_ids.WAIVER_EXPIRED, Severity.WARNING, Scope.POLICY)
def expired(usage: WaiverUsage) -> Iterator[Finding]:
    """A waiver has passed its last day, and its finding still exists.

    Why it matters: somebody accepted the finding for a limited time, to check it again. That time is over;
    the finding counts again.

    Example: `until = 2026-06-30`, and today is in July.

    Fix: fix the finding, or write a new waiver with a new reason.
    """
    for waiver in usage.having(WaiverStatus.EXPIRED):
        yield _finding(
            usage,
            rule_ids.WAIVER_EXPIRED,
            waiver,
            f"{_name(waiver)} expired on {waiver.until}",
            usage.hint(waiver, "Fix the finding, or write a new waiver."),
        )


#: Predicates for outdated waivers, by what differs.
_OUTDATED = {
    DigestDifference.CONTENT: "was written for different content",
    DigestDifference.MEANING: (
        "no longer holds: the bytes are unchanged, but the definition interprets them differently "
        "(address, type, byte order, conversion, axes)"
    ),
    DigestDifference.DEMANDS: (
        "no longer holds: the bytes are unchanged, but the definition demands something else of them "
        "(purpose, limits, guards, signal ranges)"
    ),
    DigestDifference.WRITTEN_BEFORE: (
        "no longer holds: the bytes are unchanged, but its digest has an older form, "
        "which does not cover the definition"
    ),
}


@rule(rule_ids.WAIVER_OUTDATED, Severity.WARNING, Scope.POLICY)
def outdated(usage: WaiverUsage) -> Iterator[Finding]:
    """The content of a waived finding has changed since the waiver was written.

    Why it matters: the accepted content is not what would be flashed, or the definition now reads or checks
    it differently. The finding counts again.

    How it is judged: a digest has three parts. The first covers the stored bytes, the second their meaning
    (address, type, byte order, conversion, axes), the third the demands of the definition (purpose, limits,
    guards, the signals' ranges). The message names the parts that changed. Digests of 40 digits are in an
    earlier format that did not cover the definition.

    Example: somebody changed two more cells of a waived table. Or its factor became ten times as large, and
    the same bytes mean another number.

    Fix: check the table again; if it is still acceptable, write the new digest.
    """
    for waiver in usage.having(WaiverStatus.OUTDATED):
        digest = usage.digests[waiver]
        yield _finding(
            usage,
            rule_ids.WAIVER_OUTDATED,
            waiver,
            f"{_name(waiver)} {_OUTDATED[usage.differences[waiver]]}; "
            + (f"the digest is now {digest}" if digest else "callint can no longer read the content"),
            usage.hint(waiver, "Review the content; if it is still acceptable, write the new digest."),
        )


@rule(rule_ids.WAIVER_SAME_PERSON, Severity.WARNING, Scope.POLICY)
def same_person(usage: WaiverUsage) -> Iterator[Finding]:
    """The author of a waiver may be an author of the change that it covers.

    Why it matters: the policy says `second-person = true`, so nobody can accept their own change to
    protection or emissions. The finding counts again. callint compares the authors of the commits, and uses
    the current git identity for uncommitted changes.

    Example: Tomas Rook raised the cut-off speed, and he committed the waiver too.

    Fix: ask a colleague to check the change, and to write and commit the waiver.
    """
    for waiver in usage.having(WaiverStatus.REJECTED):
        objection = usage.objections[waiver]
        yield _finding(
            usage,
            rule_ids.WAIVER_SAME_PERSON,
            waiver,
            f"{_name(waiver)} {objection.text}",
            usage.hint(waiver, objection.hint),
        )


@rule(rule_ids.WAIVER_UNUSED, Severity.WARNING, Scope.POLICY)
def unused(usage: WaiverUsage) -> Iterator[Finding]:
    """A waiver accepts a finding that does not exist.

    Why it matters: the waiver is a remnant, or it names the wrong rule, image or table, and its author
    believes that a finding is accepted that is not.

    Example: the change that the waiver covered was undone, or the image has a new name.

    Fix: remove the waiver, or correct its rule, image or table.
    """
    for waiver in usage.having(WaiverStatus.UNUSED):
        image = usage.renamed.get(waiver)
        hint = "Remove the waiver, or correct its rule, image or table."
        if image:
            hint = f"{image} has the accepted content: if the image was renamed, correct its name here."
        yield _finding(
            usage,
            rule_ids.WAIVER_UNUSED,
            waiver,
            f"{_name(waiver)} matches no finding",
            hint,
        )
