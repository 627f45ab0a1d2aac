"""Every field of every finding is as it was when somebody last read all of them over."""

from __future__ import annotations

import pytest

from callint.rules.registry import RULES
from tests.rules.complete import found, stored


def test_what_is_stored_is_of_all_rules() -> None:
    assert set(stored()) == set(RULES)


@pytest.mark.parametrize("rule", RULES)
def test_the_examples_of_a_rule_have_the_findings_that_were_read_over(rule: str) -> None:
    assert found(rule) == stored()[rule]
