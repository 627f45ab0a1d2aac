"""No rule without files that fail it and files that barely pass it."""

from __future__ import annotations

from collections import Counter

import pytest

from callint.model import rule_ids
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.rules.registry import RULES, refuse_unknown_rules
from tests.rules import (
    test_axis,
    test_base,
    test_change,
    test_contradicts_base,
    test_definition,
    test_definition_lint,
    test_image,
    test_loosened,
    test_off_codes,
    test_protection,
    test_relation,
    test_suspicious,
    test_value,
    test_waiver,
)
from tests.rules.example import Example, waiver

BY_FAMILY: dict[str, tuple[Example, ...]] = {
    "definition": (
        *test_definition_lint.EXAMPLES,
        *test_definition.EXAMPLES,
        *test_contradicts_base.EXAMPLES,
        *test_loosened.OF_DEFINITIONS,
    ),
    "image": test_image.EXAMPLES,
    "axis": test_axis.EXAMPLES,
    "value": test_value.EXAMPLES,
    "protection": test_protection.EXAMPLES,
    "relation": test_relation.EXAMPLES,
    "change": (*test_change.EXAMPLES, *test_off_codes.EXAMPLES, *test_suspicious.EXAMPLES),
    "base": test_base.EXAMPLES,
    "policy": test_loosened.OF_POLICIES,
    "waiver": test_waiver.EXAMPLES,
}
EXAMPLES = [example for examples in BY_FAMILY.values() for example in examples]


def test_every_rule_has_an_example_that_fails_it() -> None:
    assert {example.rule for example in EXAMPLES if example.expected} == set(RULES)


def test_every_rule_has_an_example_that_barely_passes_it() -> None:
    assert {example.rule for example in EXAMPLES if not example.expected} == set(RULES)


def test_every_id_is_that_of_a_rule() -> None:
    assert tuple(RULES) == rule_ids.ALL


def test_every_family_has_examples_of_its_own_rules_only() -> None:
    assert set(BY_FAMILY) == {rule.family for rule in RULES.values()}
    for family, examples in BY_FAMILY.items():
        assert {example.rule.partition("/")[0] for example in examples} == {family}


def test_every_example_has_a_name_of_its_own() -> None:
    assert not [name for name, times in Counter(map(str, EXAMPLES)).items() if times > 1]


def test_the_examples_show_every_rule_at_the_severity_that_it_has_by_default() -> None:
    shown = {example.rule: example.expected.severity for example in EXAMPLES if example.expected}
    assert shown == {rule.id: rule.severity for rule in RULES.values()}


@pytest.mark.parametrize(
    ("named", "advice"),
    [
        ("value/out-of-rage", "did you mean 'value/out-of-range'?"),
        ("protecton", "did you mean 'protection'?"),
        ("weather/rain", "callint rules lists them"),
    ],
)
def test_a_severity_of_an_unknown_rule_is_refused_with_a_suggestion(named: str, advice: str) -> None:
    with pytest.raises(InputError) as refused:
        refuse_unknown_rules(Policy(path="callint.toml", severities={named: None}))
    assert str(refused.value).startswith("callint.toml")
    assert repr(named) in str(refused.value)
    assert advice in str(refused.value)


def test_a_waiver_of_an_unknown_rule_is_refused_with_its_line_and_a_suggestion() -> None:
    misspelled = waiver("change/emission", f"sha256:{'0' * 40}")
    with pytest.raises(InputError) as refused:
        refuse_unknown_rules(Policy(path="callint.toml", waivers=(misspelled,)))
    assert "12" in str(refused.value)
    assert "did you mean 'change/emissions'?" in str(refused.value)


def test_every_rule_and_every_family_may_have_a_severity() -> None:
    known = {*RULES, *(rule.family for rule in RULES.values())}
    refuse_unknown_rules(Policy(path="callint.toml", severities=dict.fromkeys(known)))
