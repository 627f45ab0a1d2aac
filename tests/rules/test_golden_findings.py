"""Every field of every finding in the examples is as reviewed."""

from __future__ import annotations

import pytest

from callint.rules.registry import RULES
from tests.rules.golden_findings import findings_text, stored


def test_the_golden_findings_cover_all_rules() -> None:
    assert set(stored()) == set(RULES)


@pytest.mark.parametrize("rule", RULES)
def test_the_examples_of_a_rule_have_the_reviewed_findings(rule: str) -> None:
    assert findings_text(rule) == stored()[rule]
