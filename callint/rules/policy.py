"""The rule about a policy that demands less than its earlier state."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from callint.model import rule_ids
from callint.model.finding import Finding, Severity
from callint.rules.rule import Scope, rule


@dataclass(frozen=True, slots=True)
class PolicyLoosening:
    """One loosened demand of a policy: its subject, and the sentence about it.

    ``subject`` tells the loosenings of one policy apart, ``text`` says what changed. ``value`` is what the
    policy says now. ``is_severe`` says that an error, a protection or emissions may pass now.
    """

    subject: str
    text: str
    value: str
    line: int
    is_severe: bool


@dataclass(frozen=True, slots=True)
class PolicyComparison:
    """A policy beside its earlier state; ``path`` is that of the policy."""

    path: str
    loosenings: tuple[PolicyLoosening, ...]


@rule(rule_ids.POLICY_LOOSENED, Severity.WARNING, Scope.POLICY_CHANGE, if_severe=Severity.ERROR)
def loosened(comparison: PolicyComparison) -> Iterator[Finding]:
    """A policy demands less than its previous version in the repository.

    Why it matters: the policy says what counts as an error, which images are checked, and with what they are
    compared. An edit of it can silence every rule at once.

    How it is judged: the hook compares the index with its parent commit, and `check --since` and `--range`
    compare the two given states. Less is demanded if a rule has a lower severity or is switched off, for
    itself or with its family; if `fail-on` is higher or `second-person` is off; if no entry reaches an image
    any more, or an image no longer has a definition or base; and if a waiver holds longer than before.

    It is an error if an error became milder, if a rule about protection or emissions did, if an image is no
    longer checked or compared, and for `fail-on` and `second-person`; everything else is a warning. With
    `second-person`, another person must accept an error. A new waiver is no finding: it accepts one content,
    and the change that it covers shows in every review.

    Example: `"change/emissions" = "error"` becomes `"change/emissions" = "warning"`. From a warning to an
    error, it would demand more.

    Fix: restore the entry, or waive the finding with the decision that stands behind it. The waiver stays as
    a record.
    """
    for loosening in comparison.loosenings:
        yield Finding(
            rule=rule_ids.POLICY_LOOSENED,
            policy=comparison.path,
            message=f"the policy demands less: {loosening.text}",
            hint="Restore the entry, or waive the finding with the decision behind it.",
            line=loosening.line,
            subject=loosening.subject,
            severe=loosening.is_severe,
            content=f"{loosening.subject}: {loosening.value}",
        )
