"""What a rule is."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any

from callint.model.finding import Finding, Severity

Check = Callable[[Any], Iterator[Finding]]  # of a Case; of a Ledger in Scope.POLICY


class Scope(Enum):
    """What a rule looks at, and so when it runs."""

    DEFINITION = auto()  # once a definition file
    FILE = auto()  # once an image, even one of other software
    IMAGE = auto()  # once an image that the definition describes
    CHANGE = auto()  # once an image that has a base
    BASE = auto()  # once a base that may differ from its earlier state
    POLICY = auto()  # once a run


@dataclass(frozen=True, slots=True)
class Rule:
    """A check with an id; its docstring is its documentation everywhere.

    ``in_protection`` is its severity in protection tables, where that is another one.
    """

    id: str
    severity: Severity
    scope: Scope
    page: str
    check: Check
    in_protection: Severity | None

    @property
    def family(self) -> str:
        return self.id.partition("/")[0]

    def severity_of(self, finding: Finding) -> Severity:
        """How bad a finding is where the policy says nothing."""
        return self.in_protection if self.in_protection and finding.protective else self.severity

    @property
    def title(self) -> str:
        """The first line of its page."""
        return self.page.partition("\n")[0]


def rule(
    id: str, severity: Severity, scope: Scope, in_protection: Severity | None = None
) -> Callable[[Check], Rule]:
    """Make a rule of a function that yields its findings; the function's docstring is the rule's page."""

    def make(check: Check) -> Rule:
        return Rule(id, severity, scope, inspect.cleandoc(check.__doc__ or ""), check, in_protection)

    return make
