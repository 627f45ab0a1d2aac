"""Rules about axes that the definition gives."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.model import rule_ids
from callint.model.definition import (
    FixedAxis,
)
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_FIXED_AXIS_NOT_RISING, Severity.ERROR, Scope.DEFINITION)
def fixed_axis_not_rising(context: CheckContext) -> Iterator[Finding]:
    """The breakpoints of a fixed axis do not rise.

    Why it matters: people and callint would read the cells at the wrong operating points.

    Example: `values="1 2 4 3 5 6"`.

    Fix: put the values into rising order, as the control unit has them.
    """
    for axis in context.definition.axes.values():
        if not isinstance(axis, FixedAxis):
            continue
        steps = np.diff(axis.values)
        if (steps <= 0).any():
            index = int(np.flatnonzero(steps <= 0)[0])
            yield definition_finding(
                rule_ids.DEFINITION_FIXED_AXIS_NOT_RISING,
                axis.line,
                axis.name,
                f"the breakpoints of axis {axis.name} do not rise: {fmt.plain(axis.values[index + 1])} "
                f"follows {fmt.plain(axis.values[index])}",
                "Put the values in rising order.",
            )
