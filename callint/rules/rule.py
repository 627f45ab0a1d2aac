"""What a rule is."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Any

from callint.model.finding import Finding, Severity

Check = Callable[[Any], Iterator[Finding]]  # of a Case; of a Ledger in Scope.POLICY


class Scope(Enum):
    """What a rule looks at, and so when it runs."""

    DEFINITION = "definition"  # once a definition file
    FILE = "file"  # once an image, even one of other software
    IMAGE = "image"  # once an image that the definition describes
    CHANGE = "change"  # once an image that has a base
    POLICY = "policy"  # once a run


@dataclass(frozen=True, slots=True)
class Rule:
    """A check with an id; its docstring is its documentation everywhere."""

    id: str
    severity: Severity
    scope: Scope
    page: str
    check: Check

    @property
    def family(self) -> str:
        return self.id.partition("/")[0]

    @property
    def title(self) -> str:
        """The first line of its page."""
        return self.page.partition("\n")[0]


def rule(id: str, severity: Severity, scope: Scope) -> Callable[[Check], Rule]:
    """Make a rule of a function that yields its findings; the function's docstring is the rule's page."""

    def make(check: Check) -> Rule:
        return Rule(id, severity, scope, inspect.cleandoc(check.__doc__ or ""), check)

    return make
