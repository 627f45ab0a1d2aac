"""The decorator that makes a function a rule."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import Any

from callint.model import rule_ids
from callint.model.finding import Finding, Severity
from callint.model.lines import Lines

#: Of a CheckContext; of a WaiverUsage in Scope.POLICY, and of a comparison in scopes of changes.
Check = Callable[[Any], Iterator[Finding]]


class Scope(Enum):
    """What a rule looks at, which decides when it runs."""

    DEFINITION = auto()  # once for each definition file
    FACTORY = auto()  # once for each definition with a factory image to judge it by
    UNASSIGNED = auto()  # once for each file that no entry of the policy names
    FILE = auto()  # once for each image, even of other software
    IMAGE = auto()  # once for each image of the definition's software
    UNIT = auto()  # once for each image whose definition marks numbers of the unit
    COPY = auto()  # once for each image that became equal to another one
    CHANGE = auto()  # once for each image that has a base
    BASE = auto()  # once for each base that differs from its earlier state
    DEFINITION_CHANGE = auto()  # once for each definition that demands less than its earlier state
    POLICY_CHANGE = auto()  # once for a policy that demands less than its earlier state
    POLICY = auto()  # once for each run


@dataclass(frozen=True, slots=True)
class Rule:
    """A check with an id.

    ``page`` is the docstring of the check, its documentation everywhere. ``in_protection`` is its severity in
    protection tables, and ``if_severe`` that of findings which it marks as severe, if they differ.
    """

    id: str
    severity: Severity
    scope: Scope
    page: str
    check: Check
    in_protection: Severity | None
    if_severe: Severity | None = None

    @property
    def family(self) -> str:
        return self.id.partition("/")[0]

    def severity_of(self, finding: Finding) -> Severity:
        """The severity of a finding if the policy does not set one."""
        if self.if_severe and finding.severe:
            return self.if_severe
        return self.in_protection if self.in_protection and finding.protective else self.severity

    def findings(self, context: Any) -> Iterator[Finding]:
        """The findings of the check, each at its line of the definition file.

        If its subject comes from another file, a finding has the line that brings that in, and the other file
        and the line there as ``origin``.
        """
        lines = None if self.scope is Scope.POLICY else context.definition.lines
        # The problems of the form are found file by file, and have their lines already.
        if not lines or not lines.parts or self.id == rule_ids.DEFINITION_INVALID:
            return self.check(context)
        return (_placed(finding, lines) for finding in self.check(context))

    @property
    def title(self) -> str:
        """The first line of its page."""
        return self.page.partition("\n")[0]


def _placed(finding: Finding, lines: Lines) -> Finding:
    if not finding.line:
        return finding
    origin, line = lines.origin(finding.line)
    return replace(finding, line=lines.line_in_file(finding.line), origin=origin, origin_line=line or None)


def rule(
    id: str,
    severity: Severity,
    scope: Scope,
    in_protection: Severity | None = None,
    if_severe: Severity | None = None,
) -> Callable[[Check], Rule]:
    """Turn a function that yields findings into a rule; its docstring becomes the rule's page."""

    def make(check: Check) -> Rule:
        page = inspect.cleandoc(check.__doc__ or "")
        return Rule(id, severity, scope, page, check, in_protection, if_severe)

    return make
