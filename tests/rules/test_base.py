"""The base/ rules, and what counts as a changed base."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest

from callint.checking.assignments import assignments
from callint.checking.base_changes import base_findings
from callint.checking.checker import Checker
from callint.checking.report import Report
from callint.decoding.digest import base_digest
from callint.model.finding import Finding, Severity
from callint.model.image import Image
from callint.model.policy import ImageRule, Policy
from tests.building import TODAY, Files, definition_xml, image, s_file, u16
from tests.rules.example import (
    BASE,
    DEFINITION,
    IMAGE,
    Example,
    Expected,
    all_examples,
    of_rule,
    table,
    waiver,
)

XML = definition_xml(table("scalar", "idle_fuel", at=0) + table("scalar", "full_fuel", at=2))
OLD = image(at_0=u16(80, 410))
NEW = image(at_0=u16(80, 475))
POLICY = Policy(path="callint.toml", images=(ImageRule((IMAGE,), (DEFINITION,), (BASE,), 1),))


def changed_base(name: str, new: bytes, arguments: tuple[str, ...]) -> Example:
    expected = Expected(severity=Severity.ERROR, words=arguments)
    return Example(
        rule="base/changed",
        name=name,
        xml=XML,
        data=new,
        base=new,
        policy=POLICY,
        earlier_base=OLD,
        expected=expected,
    )


EXAMPLES = (
    changed_base("a base that was edited together with its image", NEW, ("1 cell of full_fuel",)),
    changed_base("a byte of a base that belongs to nothing", image(at_0=OLD[:4], at_40=b"X"), ("1 byte",)),
    changed_base("a base that became shorter", OLD[:48], ("16 bytes",)),
    Example(
        rule="base/changed",
        name="a base that is as it was, beside a changed image",
        xml=XML,
        data=NEW,
        base=OLD,
        policy=POLICY,
        earlier_base=OLD,
    ),
    Example(
        rule="base/changed",
        name="a check of one state alone",
        xml=XML,
        data=NEW,
        base=NEW,
        policy=POLICY,
    ),
)


@all_examples(EXAMPLES)
def test_an_example_has_the_finding_that_it_should_have(example: Example) -> None:
    example.check()


def judged(
    new: dict[str, bytes], *earlier: dict[str, bytes], policy: Policy = POLICY, before: Policy = POLICY
) -> Report:
    """What is said of a state beside others that have their own policy."""
    trees = []
    for files in (new, *earlier):
        tree = Files()
        tree.files.update({DEFINITION: XML, **files})
        trees.append(tree)
    states = [Checker(tree, before, TODAY) for tree in trees[1:]]
    inspector = Checker(trees[0], policy, TODAY)
    return inspector.report(
        assignments(policy, trees[0]),
        policy.definitions,
        whole=True,
        further=[partial(base_findings, earlier=states)],
    )


def changes(report: Report) -> list[Finding]:
    return of_rule(report.findings, "base/changed")


def test_a_merge_has_not_changed_the_base_that_one_of_its_parents_has() -> None:
    mine, theirs = {IMAGE: NEW, BASE: OLD}, {IMAGE: NEW, BASE: NEW}
    assert len(changes(judged(theirs, mine))) == 1
    assert changes(judged(theirs, mine, theirs)) == []
    assert len(changes(judged({IMAGE: NEW, BASE: image(at_0=u16(81, 475))}, mine, theirs))) == 1


def test_a_base_of_another_name_is_a_changed_one_where_it_has_the_same_identity() -> None:
    elsewhere = Policy(path="callint.toml", images=(ImageRule((IMAGE,), (DEFINITION,), ("new/b.bin",), 1),))
    (finding,) = changes(judged({IMAGE: NEW, "new/b.bin": NEW}, {IMAGE: NEW, BASE: OLD}, policy=elsewhere))
    assert finding.image == "new/b.bin"
    assert finding.message.startswith(f"it replaces {BASE}; ")
    assert changes(judged({IMAGE: NEW, "new/b.bin": OLD}, {IMAGE: NEW, BASE: OLD}, policy=elsewhere)) == []


def test_the_same_bytes_in_another_form_are_not_a_change() -> None:
    assert changes(judged({IMAGE: NEW, BASE: s_file({0: OLD})}, {IMAGE: NEW, BASE: OLD})) == []


def test_a_new_or_missing_base_is_not_a_changed_one() -> None:
    assert changes(judged({IMAGE: NEW, BASE: NEW}, {IMAGE: NEW})) == []
    missed = judged({IMAGE: NEW}, {IMAGE: NEW, BASE: NEW})
    assert changes(missed) == []
    assert len(of_rule(missed.findings, "image/missing-base")) == 1


def test_a_base_that_went_with_its_images_is_a_changed_one() -> None:
    (finding,) = changes(judged({}, {IMAGE: NEW, BASE: NEW}))
    assert "it is no longer there" in finding.message


IDENTITY = '<identity name="software number" at="40" text="A1"/>'


@pytest.mark.parametrize("number", [b"A1", b"B2"])
def test_a_second_base_of_one_software_is_a_changed_base_under_every_image_name(
    number: bytes,
) -> None:
    xml = definition_xml(table("scalar", "idle_fuel", at=0), memory=IDENTITY)
    other = Policy(path="callint.toml", images=(ImageRule(("other.bin",), (DEFINITION,), ("b.bin",), 1),))
    old, new = image(at_0=u16(80), at_40=b"A1"), image(at_0=u16(90), at_40=number)
    before = {IMAGE: old, BASE: old, DEFINITION: xml}
    report = judged({"other.bin": new, "b.bin": new, DEFINITION: xml}, before, policy=other)
    assert [finding.image for finding in changes(report)] == (["b.bin"] if number == b"A1" else [])


def test_one_more_identity_does_not_make_another_software_of_a_base() -> None:
    first = definition_xml(table("scalar", "idle_fuel", at=0), memory=IDENTITY)
    more = first.replace(b"</memory>", b'<identity name="issue" at="50" text="26"/></memory>')
    moved = Policy(path="callint.toml", images=(ImageRule((IMAGE,), (DEFINITION,), ("b.bin",), 1),))
    old, new = image(at_0=u16(80), at_40=b"A1"), image(at_0=u16(90), at_40=b"A1", at_50=b"26")
    report = judged(
        {IMAGE: new, "b.bin": new, DEFINITION: more}, {IMAGE: old, BASE: old, DEFINITION: first}, policy=moved
    )
    assert [finding.image for finding in changes(report)] == ["b.bin"]


def test_a_changed_base_that_cannot_be_compared_is_reported_all_the_same() -> None:
    damaged = s_file({0: NEW}).replace(b"S3", b"S9", 1)
    (finding,) = changes(judged({IMAGE: NEW, BASE: damaged}, {IMAGE: NEW, BASE: OLD}))
    assert "cannot be compared" in finding.message


ACCEPTED = waiver("base/changed", str(base_digest(Image.raw(NEW))), image=BASE)


@pytest.mark.parametrize("is_compared", [True, False])
def test_a_waiver_of_a_changed_base_stays_as_long_as_the_base_is_the_accepted_one(is_compared: bool) -> None:
    policy = replace(POLICY, waivers=(ACCEPTED,))
    states = [{IMAGE: NEW, BASE: OLD}] if is_compared else []
    report = judged({IMAGE: NEW, BASE: NEW}, *states, policy=policy)
    assert [finding.waived for finding in changes(report)] == [True] * is_compared
    assert not [finding for finding in report.findings if finding.rule.startswith("waiver/")]
    other = judged({IMAGE: NEW, BASE: image(at_0=u16(80, 476))}, *states, policy=policy)
    assert len(of_rule(other.findings, "waiver/outdated")) == 1
    assert not any(finding.waived for finding in changes(other))
