"""Restoring the base's bytes in the places of a cause makes its findings go, and no others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from hypothesis import event, given

from callint.checking.cause_order import CauseFindings, cause_groups
from callint.checking.content import FindingDigests
from callint.checking.loading import Definitions
from callint.checking.places import restored
from callint.checking.report import Report
from callint.model.cause import CauseKind, Effect, Place
from callint.model.finding import Finding
from callint.rules.context import CheckContext
from callint.rules.registry import RULES
from callint.rules.rule import Scope
from tests.building import inspect
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, pairs

#: Causes that are not places in a change, or whose bytes the seal of the image overwrites.
_NO_PLACES = {
    CauseKind.INHERITED,
    CauseKind.TABLE,
    CauseKind.IMAGE,
    CauseKind.IDENTITY,
    CauseKind.CHECKSUM,
    CauseKind.DEFINITION,
    CauseKind.POLICY,
}


class World:
    """A definition with a base and a rework of it, and what is found there.

    ``definitions`` are those that were read already: a rework with restored bytes has the same one.
    """

    def __init__(
        self, reference: Reference, base: bytes, rework: bytes, definitions: Definitions | None = None
    ) -> None:
        self.reference = reference
        self.base = base
        self.definitions = definitions or Definitions()
        loaded = self.definitions.load(reference.xml(), "test.xml").loaded
        assert loaded is not None
        self.context = CheckContext(loaded, reference.image(rework), reference.image(base))
        self.report = inspect(reference.xml(), rework, base, definitions=self.definitions)

    def groups(self) -> list[CauseFindings]:
        return cause_groups(self.report.findings, self.report.causes)

    def with_restored(self, places: Iterable[Place]) -> World:
        """The same world, whose rework has the base's bytes in some places."""
        with np.errstate(all="ignore"):
            content = restored(self.context, places).content.tobytes()
        return World(self.reference, self.base, self.reference.sealed(content), self.definitions)

    def digest(self, finding: Finding) -> str:
        """The digest of what a finding is judged on."""
        return FindingDigests(self.context).of(finding)


def key(finding: Finding) -> tuple[object, ...]:
    """What a finding is about, and where: the value may change while the finding stays."""
    at = tuple(sorted(finding.at.items()))
    return finding.rule, finding.table, finding.other, finding.subject, finding.cell, at


def keys(report: Report) -> set[tuple[object, ...]]:
    return {key(finding) for finding in report.findings if not finding.inherited}


def changed(groups: Sequence[CauseFindings]) -> list[CauseFindings]:
    """The causes that are places in the change."""
    return [group for group in groups if group.cause and group.cause.kind not in _NO_PLACES]


def is_echo(group: CauseFindings, finding: Finding) -> bool:
    """Whether a finding may stay, as a suspicious cell sticks out of an edit, before and after.

    The rule that finds the cell suspicious says so; its own finding goes.
    """
    return bool(group.cause and group.cause.explanation) and not finding.explanation


@property_examples
@given(pairs())
def test_every_finding_has_one_cause_and_none_is_left_when_all_causes_are_restored(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    world = World(*pair)
    report, groups = world.report, world.groups()
    assert [finding for group in groups for finding in group.findings] == list(report.findings)
    assert all(finding.cause in report.causes for finding in report.findings)
    assert len({finding.cause for finding in report.findings}) == len(groups)
    for finding in report.findings:
        if RULES[finding.rule].scope is Scope.CHANGE and finding.rule != "image/doubtful-table":
            assert report.causes[finding.cause].kind not in (CauseKind.TABLE, CauseKind.IMAGE)
    causes = changed(groups)
    after = world.with_restored(place for group in causes if group.cause for place in group.cause.places)
    left = keys(after.report)
    assert not [finding for group in causes for finding in group.findings if key(finding) in left]


@property_examples
@given(pairs())
def test_restoring_the_places_of_a_cause_makes_its_findings_go(pair: tuple[Reference, bytes, bytes]) -> None:
    world = World(*pair)
    for group in changed(world.groups()):
        assert group.cause is not None
        event(f"{group.cause.kind.value}, {group.cause.effect and group.cause.effect.value}")
        wanted = {key(finding) for finding in group.findings if not is_echo(group, finding)}
        places = group.cause.places
        assert wanted.isdisjoint(keys(world.with_restored(places).report)), group.cause.title
        if len(places) == 1:
            continue
        for place in places:
            left = wanted & keys(world.with_restored([place]).report)
            match group.cause.effect:
                case Effect.ONLY_TOGETHER:
                    assert left == set(), f"{place.text} alone brings it"
                case Effect.EACH_ALONE:
                    assert left == wanted, f"{place.text} does not bring it alone"
                case _:
                    assert group.cause.effect is Effect.UNRESOLVED


@property_examples
@given(pairs())
def test_restoring_the_places_of_a_cause_leaves_every_finding_that_was_judged_on_other_content(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    world = World(*pair)
    for group in changed(world.groups()):
        assert group.cause is not None
        after = world.with_restored(group.cause.places)
        left = keys(after.report)
        for finding in world.report.findings:
            if finding.cause == group.cause.id or finding.inherited or not finding.image:
                continue
            if world.digest(finding) == after.digest(finding):
                assert key(finding) in left, f"{finding.message}: goes with {group.cause.title}"
