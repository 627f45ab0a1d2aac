"""Rules about waivers that no longer count."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import Enum, auto

from callint.decoding.digest import Difference
from callint.model.finding import Finding, Severity
from callint.model.policy import Waiver
from callint.rules.rule import Scope, rule
from callint.rules.second_person import WaiverObjection


class WaiverStatus(Enum):
    """What became of a waiver in one run."""

    UNSEEN = auto()  # what it is about was not looked at
    UNUSED = auto()  # it was, and there was nothing to accept
    OUTDATED = auto()  # there was, but the content is no longer what was accepted
    EXPIRED = auto()  # there was, but its last day has passed
    DOUBTED = auto()  # there was, but it is not known to be a second person's, which the policy asks for
    USED = auto()


@dataclass(frozen=True, slots=True)
class WaiverUsage:
    """How the waivers of one policy fared.

    ``digests`` are the contents that outdated ones met, ``differences`` in what these differ, ``doubts`` what
    speaks against doubted ones, and ``alike`` images of other names that hold the content which was accepted.
    """

    policy: str
    fates: tuple[tuple[Waiver, WaiverStatus], ...]
    digests: dict[Waiver, str]
    differences: dict[Waiver, Difference]
    today: date
    doubts: dict[Waiver, WaiverObjection]
    alike: dict[Waiver, str]

    def having(self, fate: WaiverStatus) -> Iterator[Waiver]:
        return (waiver for waiver, met in self.fates if met is fate)

    def hint(self, waiver: Waiver, otherwise: str) -> str:
        """What to do about a waiver that does not count: remove it where another one does in its place."""
        for other in self.having(WaiverStatus.USED):
            if other.subject == waiver.subject:
                return f"Remove it: the waiver in line {other.line} replaces it."
        return otherwise


def _finding(waiver_usage: WaiverUsage, rule_id: str, waiver: Waiver, message: str, hint: str) -> Finding:
    subject = f"{waiver.rule} {waiver.image} {waiver.table} {waiver.digest}"
    return Finding(
        rule=rule_id,
        policy=waiver_usage.policy,
        line=waiver.line,
        subject=subject,
        message=message,
        hint=hint,
    )


def _about(waiver: Waiver) -> str:
    place = " in ".join(part for part in (waiver.table, waiver.image) if part)
    return f"{waiver.who}'s waiver of {waiver.rule}" + (f" for {place}" if place else "")


@rule("waiver/expired", Severity.WARNING, Scope.POLICY)
def expired(waiver_usage: WaiverUsage) -> Iterator[Finding]:
    """A waiver has passed its last day, and its finding still exists.

    Why it matters: somebody accepted the finding for a limited time, to check it again. That time is over;
    the finding counts again.

    Example: `until = 2026-06-30`, and today is in July.

    Fix: fix the finding, or write a new waiver with a new reason.
    """
    for waiver in waiver_usage.having(WaiverStatus.EXPIRED):
        yield _finding(
            waiver_usage,
            "waiver/expired",
            waiver,
            f"{_about(waiver)} expired on {waiver.until}",
            waiver_usage.hint(waiver, "Settle the finding, or write a new waiver."),
        )


#: What is said of a waiver, by what differs from what it was written for.
_OUTDATED = {
    Difference.CONTENT: "was written for different content",
    Difference.MEANING: (
        "no longer holds: the bytes are unchanged, but the definition interprets them differently "
        "(address, type, byte order, conversion, axes)"
    ),
    Difference.DEMANDS: (
        "no longer holds: the bytes are unchanged, but the definition demands something else of them "
        "(purpose, limits, guards, signal ranges)"
    ),
    Difference.WRITTEN_BEFORE: (
        "no longer holds: the bytes are unchanged, but its digest has an older form, "
        "which does not cover the definition"
    ),
}


@rule("waiver/outdated", Severity.WARNING, Scope.POLICY)
def outdated(waiver_usage: WaiverUsage) -> Iterator[Finding]:
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
    for waiver in waiver_usage.having(WaiverStatus.OUTDATED):
        digest = waiver_usage.digests[waiver]
        yield _finding(
            waiver_usage,
            "waiver/outdated",
            waiver,
            f"{_about(waiver)} {_OUTDATED[waiver_usage.differences[waiver]]}; "
            + (f"the digest is now {digest}" if digest else "callint can no longer read the content"),
            waiver_usage.hint(waiver, "Review the content; if it is still acceptable, write the new digest."),
        )


@rule("waiver/same-person", Severity.WARNING, Scope.POLICY)
def same_person(waiver_usage: WaiverUsage) -> Iterator[Finding]:
    """The author of a waiver may be an author of the change that it covers.

    Why it matters: the policy says `second-person = true`, so nobody can accept their own change to
    protection or emissions. The finding counts again. callint compares the authors of the commits, and uses
    the current git identity for uncommitted changes.

    Example: Tomas Rook raised the cut-off speed, and he committed the waiver too.

    Fix: ask a colleague to check the change, and to write and commit the waiver.
    """
    for waiver in waiver_usage.having(WaiverStatus.DOUBTED):
        doubt = waiver_usage.doubts[waiver]
        yield _finding(
            waiver_usage,
            "waiver/same-person",
            waiver,
            f"{_about(waiver)} {doubt.words}",
            waiver_usage.hint(waiver, doubt.hint),
        )


@rule("waiver/unused", Severity.WARNING, Scope.POLICY)
def unused(waiver_usage: WaiverUsage) -> Iterator[Finding]:
    """A waiver accepts a finding that does not exist.

    Why it matters: the waiver is a remnant, or it names the wrong rule, image or table, and its author
    believes that a finding is accepted that is not.

    Example: the change that the waiver covered was undone, or the image has a new name.

    Fix: remove the waiver, or correct its rule, image or table.
    """
    for waiver in waiver_usage.having(WaiverStatus.UNUSED):
        other = waiver_usage.alike.get(waiver)
        renamed = f"{other} has the accepted content: if the image was renamed, correct its name here."
        yield _finding(
            waiver_usage,
            "waiver/unused",
            waiver,
            f"{_about(waiver)} matches no finding",
            renamed if other else "Remove it, or correct its rule, image or table.",
        )
