"""The rules about what a definition or a policy demands less than before."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from callint.comparing.definitions.changed_values import guarded_readings
from callint.decoding import digest
from callint.model.definition_change import ChangeKind
from callint.model.finding import Finding, Severity
from callint.model.policy import ImageRule, Policy
from callint.model.waiver import Waiver
from tests.building import definition_xml, image, u16
from tests.definitions.test_changes import LESS, SINGLE, XML, diff, edited
from tests.rules.example import (
    BASE,
    DEFINITION,
    IMAGE,
    Example,
    Expected,
    all_examples,
    of_rule,
    table,
)

FUEL = definition_xml(table("scalar", "fuel", '<limits max="41"/>\n'))
WIDER = FUEL.replace(b'max="41"', b'max="41.1"')
NARROWER = FUEL.replace(b'max="41"', b'max="40.9"')


def protection(xml: bytes) -> bytes:
    return xml.replace(b'purpose="general"', b'purpose="protection"')


OF_DEFINITIONS = (
    Example(
        rule="definition/loosened",
        name="a limit of a protection",
        xml=protection(WIDER),
        policy=Policy(images=(ImageRule((IMAGE,), (DEFINITION,), (), 1),)),
        earlier_xml=protection(FUEL),
        expected=Expected(
            severity=Severity.ERROR,
            words=("fuel (protection) demands less",),
            table="fuel",
            line='<scalar name="fuel"',
        ),
    ),
    Example(
        rule="definition/loosened",
        name="a limit that is 0.1 mg higher",
        xml=WIDER,
        policy=Policy(images=(ImageRule((IMAGE,), (DEFINITION,), (), 1),)),
        earlier_xml=FUEL,
        expected=Expected(
            severity=Severity.WARNING,
            words=("fuel demands less: limits max: 41 mg became 41.1 mg",),
            table="fuel",
            line='<scalar name="fuel"',
        ),
    ),
    Example(
        rule="definition/loosened",
        name="a limit that is 0.1 mg lower",
        xml=NARROWER,
        policy=Policy(images=(ImageRule((IMAGE,), (DEFINITION,), (), 1),)),
        earlier_xml=FUEL,
    ),
)

ENTRY = ImageRule((IMAGE,), (DEFINITION,), (BASE,), 2)
STRICT = Policy(
    path="callint.toml",
    images=(ENTRY,),
    severities={"change/emissions": Severity.ERROR, "value": Severity.WARNING},
    fail_on=Severity.WARNING,
    second_person=True,
)
WAIVER = Waiver(
    rule="value/unexpected",
    image=IMAGE,
    table="fuel",
    reason="agreed at the quay",
    who="Ines Falk",
    until=date(2027, 1, 1),
    digest="sha256:00",
    line=9,
)


def changed_policy(
    name: str, new: Policy, words: str, severity: Severity = Severity.ERROR, line: int = 1
) -> Example:
    return Example(
        rule="policy/loosened",
        name=name,
        xml=FUEL,
        data=image(at_0=u16(400)),
        policy=new,
        earlier_policy=replace(STRICT, waivers=(WAIVER,)),
        expected=Expected(severity=severity, words=(words,), line=line),
    )


def passed_policy(name: str, new: Policy) -> Example:
    return Example(
        rule="policy/loosened",
        name=name,
        xml=FUEL,
        data=image(at_0=u16(400)),
        policy=new,
        earlier_policy=replace(STRICT, waivers=(WAIVER,)),
    )


LONGER = replace(WAIVER, until=date(2027, 1, 2))
OF_POLICIES = (
    changed_policy(
        "a rule that is a warning and was an error",
        replace(
            STRICT,
            severities={**STRICT.severities, "change/emissions": Severity.WARNING},
            severity_lines={"change/emissions": 7},
        ),
        "change/emissions is a warning, and was an error",
        line=7,
    ),
    changed_policy(
        "a rule that is switched off",
        replace(STRICT, severities={**STRICT.severities, "value/too-steep": None}),
        "value/too-steep is off, and was a warning",
        Severity.WARNING,
    ),
    changed_policy("fail-on", replace(STRICT, fail_on=Severity.ERROR), "fail-on is error, and was warning"),
    changed_policy("second-person", replace(STRICT, second_person=False), "second-person is off"),
    changed_policy(
        "an image that no entry reaches",
        replace(STRICT, images=(replace(ENTRY, paths=("other/*.bin",)),)),
        f"no entry of [[images]] reaches {IMAGE} any more",
    ),
    changed_policy(
        "an image without its base",
        replace(STRICT, images=(replace(ENTRY, bases=()),)),
        "lacks the base",
        line=2,
    ),
    changed_policy(
        "an image with another definition",
        replace(STRICT, images=(replace(ENTRY, definitions=("gone.xml",)),)),
        f"{IMAGE} lacks the definition {DEFINITION}",
        line=2,
    ),
    changed_policy(
        "a waiver that holds a day longer",
        replace(STRICT, waivers=(LONGER,)),
        "value/unexpected for fuel in new.bin holds until 2027-01-02, and held until 2027-01-01",
        Severity.WARNING,
        line=9,
    ),
    passed_policy("the same policy in other lines", replace(STRICT, images=(replace(ENTRY, line=20),))),
    passed_policy(
        "a policy that demands more in every part",
        replace(
            STRICT,
            severities={"change/emissions": Severity.ERROR, "value": Severity.ERROR},
            fail_on=Severity.NOTE,
            images=(replace(ENTRY, definitions=(DEFINITION, "other.xml")),),
            waivers=(replace(WAIVER, until=date(2026, 12, 31)),),
        ),
    ),
    passed_policy(
        "a waiver of other content", replace(STRICT, waivers=(replace(LONGER, digest="sha256:11"),))
    ),
)


@all_examples((*OF_DEFINITIONS, *OF_POLICIES))
def test_examples(example: Example) -> None:
    example.check()


def loosened(old: bytes, new: bytes, policy: Policy | None = None) -> list[Finding]:
    """The findings of a commit that changes the definition."""
    policy = policy or Policy(images=(ImageRule((IMAGE,), (DEFINITION,), (), 1),))
    report = Example(rule="", name="", xml=new, policy=policy, earlier_xml=old).report()
    return of_rule(report.findings, "definition/loosened")


@pytest.mark.parametrize(("old", "new", "kind"), [case[:3] for case in SINGLE])
def test_a_commit_gets_only_the_findings_about_demands_that_it_loosens(
    old: str, new: str, kind: ChangeKind
) -> None:
    findings = loosened(XML.encode(), edited((old, new)).encode())

    changes = diff((old, new)).of_kind(LESS)
    # Without an image, nobody can tell that a protection reads as before.
    readings = guarded_readings(diff((old, new)))
    assert bool(findings) == (kind is LESS or bool(readings))
    changes = (*changes, *readings)
    assert [" reads differently: " in finding.message for finding in findings] == [
        change.kind is ChangeKind.READS_DIFFERENTLY for change in changes
    ]
    severities = {finding.severity is Severity.ERROR for finding in findings}
    assert severities == {change.is_guarded for change in changes}


def test_a_loosened_demand_is_accepted_by_a_waiver_of_that_demand_alone() -> None:
    (finding,) = loosened(FUEL, WIDER)
    item = Waiver(
        rule="definition/loosened",
        image="",
        table="fuel",
        reason="the pump's new data sheet",
        who="Ines Falk",
        until=None,
        digest=str(digest.ContentDigest(digest.sha256(finding.content.encode()), *[digest.sha256(b"")] * 2)),
        line=5,
    )
    policy = Policy(images=(ImageRule((IMAGE,), (DEFINITION,), (), 1),), waivers=(item,))
    commented = WIDER.replace(b"<tables>", b"<!-- by the data sheet -->\n<tables>")

    assert [found.waived for found in loosened(FUEL, WIDER, policy)] == [True]
    assert [found.waived for found in loosened(FUEL, commented, policy)] == [True]
    assert [found.waived for found in loosened(NARROWER, WIDER, policy)] == [True]
    wider_still = FUEL.replace(b'max="41"', b'max="42"')
    assert [found.waived for found in loosened(FUEL, wider_still, policy)] == [False]


def test_a_waived_demand_stays_as_a_record() -> None:
    (finding,) = loosened(FUEL, WIDER)
    item = Waiver("definition/loosened", "", "fuel", "the data sheet", "Ines Falk", None, finding.content, 5)
    policy = Policy(images=(ImageRule((IMAGE,), (DEFINITION,), (), 1),), waivers=(item,))
    report = Example(rule="", name="", xml=WIDER, policy=policy).report()

    assert not [finding for finding in report.findings if finding.rule.startswith("waiver/")]
