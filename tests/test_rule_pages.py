"""A rule is a page: its docstring is its documentation everywhere."""

from __future__ import annotations

import re

import pytest

from callint.decoding.digest import DigestDifference
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.image import Image
from callint.reading.definition import read_definition
from callint.rules import waiver
from callint.rules.context import CheckContext
from callint.rules.registry import MODULES, RULES, in_scope
from callint.rules.rule import Rule, Scope
from callint.rules.second_person import NO_AUTHORSHIP
from tests.building import TODAY, findings, image, u16
from tests.rules import test_broken_definition, test_findings
from tests.rules.example import IMAGE
from tests.rules.example import waiver as example_waiver

PARTS = ("Why it matters:", "Example:", "Fix:")

#: The scopes of rules that look at no single state of a definition or image.
COMPARISONS = (Scope.POLICY, Scope.DEFINITION_CHANGE, Scope.POLICY_CHANGE)

every_rule = pytest.mark.parametrize("rule", RULES.values(), ids=RULES)


@every_rule
def test_a_rule_has_an_id_of_its_family_and_of_what_is_wrong(rule: Rule) -> None:
    assert re.fullmatch("[a-z]+/[a-z-]+", rule.id)


def test_a_rule_lives_in_a_module_of_its_family() -> None:
    for module in MODULES:
        rules = [rule for rule in vars(module).values() if isinstance(rule, Rule)]
        assert rules
        for rule in rules:
            assert rule.family in module.__name__.split(".")
            assert rule.check.__module__ == module.__name__
            assert rule.id.partition("/")[2] == rule.check.__name__.replace("_", "-")


@every_rule
def test_a_page_begins_with_a_sentence_on_a_line_of_its_own(rule: Rule) -> None:
    lines = rule.page.splitlines()
    assert rule.title == lines[0]
    assert rule.title[0].isupper()
    assert rule.title.endswith(".")
    assert len(rule.title) <= 100
    assert lines[1] == ""


@every_rule
def test_a_page_has_a_paragraph_for_the_reason_the_example_and_the_fix(rule: Rule) -> None:
    paragraphs = rule.page.split("\n\n")[1:]
    starts = [part for paragraph in paragraphs for part in PARTS if paragraph.startswith(part)]
    assert tuple(starts) == PARTS
    for part in PARTS:
        (text,) = [
            paragraph.removeprefix(part).strip() for paragraph in paragraphs if paragraph.startswith(part)
        ]
        assert len(text) > 10


@every_rule
def test_a_page_ends_its_paragraphs_like_sentences(rule: Rule) -> None:
    for paragraph in rule.page.split("\n\n"):
        assert paragraph.rstrip().endswith((".", ":", "`"))


@every_rule
def test_a_page_has_no_indented_leftovers_of_its_source(rule: Rule) -> None:
    assert rule.page == rule.page.strip()
    assert "\t" not in rule.page
    prose = [paragraph for paragraph in rule.page.split("\n\n") if not paragraph.startswith("- ")]
    assert not any(line.startswith(" ") for paragraph in prose for line in paragraph.splitlines())


def test_every_rule_has_a_title_of_its_own() -> None:
    assert len({rule.title for rule in RULES.values()}) == len(RULES)


def test_every_rule_runs_in_one_scope() -> None:
    assert sorted(rule.id for scope in Scope for rule in in_scope(scope)) == sorted(RULES)


def test_a_rule_speaks_only_in_its_own_name() -> None:
    for xml, data, base in VARIED:
        case = made(xml, data, base)
        for rule in RULES.values():
            if rule.scope not in COMPARISONS:
                assert {actual.rule for actual in rule.check(case)} <= {rule.id}


# A rule is pure

CRASHED = image(at_0=u16(3000, 2000, 2000, 900, 1500, 900, 310, 305, 4, 5), at_22=b"\x02", at_48=b"SK28-0412")
VARIED = [
    (test_findings.GOOD, test_findings.GOOD_IMAGE, test_findings.GOOD_IMAGE),
    (test_findings.GOOD, CRASHED, test_findings.GOOD_IMAGE),
    (test_findings.GOOD, CRASHED[:40], test_findings.GOOD_IMAGE),
    (test_broken_definition.MANY.replace(b'"sixty"', b'"60"'), image(fill=0xFF), image()),
]


def made(xml: bytes, data: bytes, base: bytes) -> CheckContext:
    """A case of one image with its base."""
    file = read_definition(xml, "test.xml")
    assert file.definition is not None
    return CheckContext(LoadedDefinition(file, file.definition), Image.raw(data), Image.raw(base))


@pytest.mark.parametrize(
    ("xml", "data", "base"), VARIED, ids=["good", "bad", "truncated", "broken definition"]
)
def test_checking_twice_gives_the_same_findings(xml: bytes, data: bytes, base: bytes) -> None:
    case, other = made(xml, data, base), made(xml, data, base)
    for rule in (rule for rule in RULES.values() if rule.scope not in COMPARISONS):
        first = list(rule.check(case))
        assert list(rule.check(case)) == first
        assert list(rule.check(other)) == first
    assert findings(xml, data, base) == findings(xml, data, base)


@pytest.mark.parametrize(
    ("xml", "data", "base"), VARIED, ids=["good", "bad", "truncated", "broken definition"]
)
def test_no_rule_depends_on_those_that_ran_before_it(xml: bytes, data: bytes, base: bytes) -> None:
    checks = [rule for rule in RULES.values() if rule.scope not in COMPARISONS]
    item, other = made(xml, data, base), made(xml, data, base)
    forwards = {rule.id: list(rule.check(item)) for rule in checks}
    backwards = {rule.id: list(rule.check(other)) for rule in reversed(checks)}
    assert forwards == backwards


def test_the_varied_cases_are_not_all_silent() -> None:
    reported = {finding.rule for xml, data, base in VARIED for finding in findings(xml, data, base)}
    assert len(reported) >= 15


def test_checking_a_ledger_twice_gives_the_same_findings() -> None:
    fates = tuple(
        (example_waiver(f"value/{fate.name.lower()}", "", image=IMAGE), fate) for fate in waiver.WaiverStatus
    )
    digests, objections = {item: "" for item, _ in fates}, {item: NO_AUTHORSHIP for item, _ in fates}
    differences = dict.fromkeys(digests, DigestDifference.CONTENT)
    ledger = waiver.WaiverUsage("callint.toml", fates, digests, differences, TODAY, objections, {})
    for rule in in_scope(Scope.POLICY):
        first = list(rule.check(ledger))
        assert len(first) == 1
        assert list(rule.check(ledger)) == first
