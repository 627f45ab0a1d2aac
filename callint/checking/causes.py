"""Finds the place in a change that causes each finding.

The evidence is counterfactual: which findings would remain if one place held the base's bytes again? A
finding names the evidence that it depends on. If only one place lies in the evidence, restoring that place
restores all of it, and no rule needs to run. Otherwise callint restores one place after the other and runs
the rule again. It restores places at once if no such finding shares them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import combinations

import numpy as np

from callint.checking.places import Places, restored
from callint.model import rule_ids
from callint.model.cause import Cause, CauseKind, Effect, Place
from callint.model.definition import Table
from callint.model.finding import Finding
from callint.rules.context import CheckContext
from callint.rules.registry import RULES
from callint.rules.rule import Scope

#: The largest numbers of places of a finding that are restored one by one, and then in pairs.
_MOST_PLACES = 4
#: The largest number of images that are judged again; a finding still open then gets all places as its cause.
_MOST_RUNS = 8
#: The number of hexadecimal digits of an id.
_DIGITS = 8

#: Rules about the definition or a file, whatever their scope: no place in a change causes their findings.
_NO_PLACE = frozenset(
    {rule_ids.IMAGE_DOUBTFUL_TABLE, rule_ids.IMAGE_MISSING_BASE, rule_ids.CHANGE_MISSING_BYTES}
)
#: Rules about changes that report only changed cells.
_OF_CELL = frozenset(
    {
        rule_ids.CHANGE_TOO_LARGE,
        rule_ids.CHANGE_SUSPICIOUS_CELL,
        rule_ids.CHANGE_SHIFTED_BLOCK,
        rule_ids.AXIS_CHANGED,
        rule_ids.AXIS_SHARED_AXIS_CHANGED,
    }
)
_KINDS = {
    rule_ids.IMAGE_STALE_CHECKSUM: CauseKind.CHECKSUM,
    rule_ids.IMAGE_UNCOVERED_CHECKSUM: CauseKind.CHECKSUM,
    rule_ids.IMAGE_WRONG_IDENTITY: CauseKind.IDENTITY,
    rule_ids.IMAGE_UNKNOWN_IDENTITY: CauseKind.IDENTITY,
    rule_ids.CHANGE_IDENTITY: CauseKind.IDENTITY,
    rule_ids.IMAGE_DOUBTFUL_TABLE: CauseKind.DEFINITION,
}

Causes = dict[str, Cause]


def find_causes(
    context: CheckContext, image: str, findings: Sequence[Finding]
) -> tuple[tuple[Finding, ...], Causes]:
    """The findings of one image with the ids of their causes, and the causes by id.

    ``image`` is the path of the image. Findings that no place in the change causes are causes of their own.
    """
    attributions: dict[int, _Attribution] = {}
    places = None
    if context.old is not None and any(_may_have_place(finding) for finding in findings):
        places = Places(context, _lone_cells(context, findings))
        attributions = _Attributor(context, places, findings).attributions()
    causes: Causes = {}
    of_places: dict[_Attribution, Cause] = {}
    attributed: list[Finding] = []
    for number, finding in enumerate(findings):
        attribution = attributions.get(number)
        if attribution is None or places is None:
            cause = own_cause(finding, image)
        elif attribution not in of_places:
            cause = of_places[attribution] = _cause(image, places, attribution)
        else:
            cause = of_places[attribution]
        explained = causes.setdefault(cause.id, cause)
        if finding.explanation and explained.kind is CauseKind.CELL:
            causes[cause.id] = replace(explained, explanation=finding.explanation)
        attributed.append(replace(finding, cause=cause.id))
    return tuple(attributed), causes


def own_cause(finding: Finding, image: str) -> Cause:
    """The cause of a finding that no place in a change causes: the subject of the finding.

    ``image`` is the path of the image that the finding is about, "" without one.
    """
    kind, name = _own_kind(finding, image), finding.table
    text = finding.table or finding.message
    key: list[object] = [kind.value, finding.table]
    ranges: tuple[tuple[int, int], ...] = ()
    if not finding.table and finding.address is not None and finding.size is not None:
        ranges = ((finding.address, finding.size),)
    if not finding.table:
        name = finding.subject if kind is CauseKind.CHECKSUM else ""
        key += [finding.rule, finding.subject or finding.message]
    file = image or finding.definition or finding.policy
    return Cause(cause_id(file, key), kind, (Place(kind, name, text, ranges=ranges),))


def _own_kind(finding: Finding, image: str) -> CauseKind:
    if finding.policy:
        return CauseKind.POLICY
    if not image:
        return CauseKind.DEFINITION
    if finding.inherited:
        return CauseKind.INHERITED
    if finding.rule in _KINDS:
        return _KINDS[finding.rule]
    return CauseKind.TABLE if finding.table else CauseKind.IMAGE


def cause_id(file: str, key: Sequence[object]) -> str:
    """The id of a cause: it depends on the file and the places, and not on values."""
    return f"cause-{hashlib.sha256(json.dumps([file, *key]).encode()).hexdigest()[:_DIGITS]}"


def _may_have_place(finding: Finding) -> bool:
    scope = RULES[finding.rule].scope
    is_about_image = scope in (Scope.IMAGE, Scope.CHANGE)
    return is_about_image and not finding.inherited and finding.rule not in {*_NO_PLACE, *_KINDS}


def _lone_cells(context: CheckContext, findings: Iterable[Finding]) -> list[int]:
    """The suspicious cells."""
    return [
        context.cell_number(context.definition.tables[finding.table], finding.cell.x, finding.cell.y)
        for finding in findings
        if finding.rule == rule_ids.CHANGE_SUSPICIOUS_CELL and finding.cell
    ]


@dataclass(frozen=True, slots=True)
class _Attribution:
    """The sorted numbers of the places that cause a finding, and how several of them work together."""

    places: tuple[int, ...]
    effect: Effect | None = None


def _cause(image: str, places: Places, attribution: _Attribution) -> Cause:
    numbers = attribution.places
    merged = places.merged(numbers) if len(numbers) > 1 else None
    described = (merged,) if merged else tuple(places.describe(number) for number in numbers)
    kind = described[0].kind if len(described) == 1 else CauseKind.TOGETHER
    key = [[place.kind.value, place.name, list(place.cells[:1]), list(place.ranges)] for place in described]
    return Cause(
        id=cause_id(image, [attribution.effect, *key]),
        kind=kind,
        places=described,
        effect=attribution.effect if len(described) > 1 else None,
        explanation=places.explanation(numbers[0]) if len(numbers) == 1 else "",
        share=max(map(places.share, numbers)),
    )


class _Result(IntEnum):
    """The state of a finding after places are restored."""

    STAYS = 0
    MOVES = 1  # the rule reports the same at another operating point
    VANISHES = 2


#: Asks for the state of a finding after places are restored; returns the places that cause it.
_Trial = Generator[tuple[int, ...], _Result, _Attribution]


class _Attributor:
    """Attributes the findings of one image to places."""

    def __init__(self, context: CheckContext, places: Places, findings: Sequence[Finding]) -> None:
        self._context = context
        self._places = places
        self._findings = findings
        self._touched: dict[int, tuple[int, ...]] = {}
        self._runs = 0

    def attributions(self) -> dict[int, _Attribution]:
        """The places that cause each finding, by its number; findings without a place are left out."""
        known: dict[int, _Attribution] = {}
        trials: dict[int, _Trial] = {}
        for number, finding in enumerate(self._findings):
            if not _may_have_place(finding):
                continue
            touched = self._touched[number] = self._touched_places(finding)
            own = self._own_place(finding)
            if len(touched) == 1:
                known[number] = _Attribution(touched)
            elif own is not None and finding.rule in _OF_CELL:
                known[number] = _Attribution((own,))
            elif touched:
                trials[number] = self._trial(finding, touched, own)
        return self._without_echoes({**known, **self._run(trials)})

    def _without_echoes(self, known: dict[int, _Attribution]) -> dict[int, _Attribution]:
        """Attribute findings of a suspicious cell and of the edit around it to the cell, if both are causes.

        The cell deviates from the edit. With the base's value it deviates to the other side, and may break
        the same demand by less; so restoring a single place does not remove the finding.
        """
        alone = {attribution.places[0] for attribution in known.values() if len(attribution.places) == 1}
        for number, attribution in known.items():
            lone_places = [place for place in attribution.places if self._places.is_lone(place)]
            is_echo = len(attribution.places) > 1 and not self._findings[number].other
            if is_echo and len(lone_places) == 1 and alone.issuperset(attribution.places):
                known[number] = _Attribution((lone_places[0],))
        return known

    # The evidence of a finding

    def _touched_places(self, finding: Finding) -> tuple[int, ...]:
        """The sorted numbers of the places that lie in the evidence of a finding."""
        places, evidence = self._places, finding.evidence
        if evidence is None:
            numbers = [n for name in (finding.table, finding.other) for n in places.of_table(name)]
            return tuple(sorted(set(numbers)))
        touched: set[int] = set()
        for cell in evidence.cells:
            item, _, _ = self._context.layout.place(cell)
            if (own := places.of_cell(cell)) is not None:
                touched.add(own)
            for axis in item.axes if isinstance(item, Table) else ():
                for source in self._context.definition.axis_sources(axis):
                    touched.update(places.of_item(source))
        for name in evidence.tables:
            touched.update(places.of_table(name))
        for start, size in evidence.ranges:
            touched.update(places.of_range(start, size))
        return tuple(sorted(touched))

    def _own_place(self, finding: Finding) -> int | None:
        """The place of the cell that a finding names."""
        layout, cell = self._context.layout, finding.cell
        item = layout.table_items.get(finding.table, layout.axis_items.get(finding.table))
        if cell is None or item is None:
            return None
        return self._places.of_cell(int(layout.first[item]) + cell.y * layout.shape(item)[1] + cell.x)

    def _nearest_first(self, finding: Finding, touched: Sequence[int], own: int | None) -> list[int]:
        """The places, likeliest causes first: the finding's own, those at its operating point, large ones."""
        near = {own} | {
            self._places.of_cell(cell)
            for name in (finding.table, finding.other)
            for cell in self._cells_around(name, finding.at)
        }
        places = self._places.places
        return sorted(touched, key=lambda number: (number != own, number not in near, -places[number].size))

    def _cells_around(self, name: str, at: Mapping[str, float]) -> list[int]:
        """The cells of a table between which an operating point lies."""
        table = self._context.definition.tables.get(name)
        if table is None or name not in self._context.layout.table_items or not at:
            return []
        indexes: list[list[int]] = [[0], [0]]
        for along, axis in enumerate(table.axes):
            breakpoints = self._context.new.breakpoints(axis)
            value = at.get(self._context.definition.axes[axis].signal)
            if value is None:
                return []
            after = int(np.clip(np.searchsorted(breakpoints, value), 0, len(breakpoints) - 1))
            indexes[along] = [after] if breakpoints[after] == value else [max(after - 1, 0), after]
        return [self._context.cell_number(table, x, y) for x in indexes[0] for y in indexes[1]]

    # What the rules would report

    def _trial(self, finding: Finding, touched: tuple[int, ...], own: int | None) -> _Trial:
        """Restore one place, then others, until the places that cause a finding are known."""
        candidates = self._nearest_first(finding, touched, own)[:_MOST_PLACES]
        results: dict[int, _Result] = {}
        for number in candidates:
            results[number] = yield (number,)
            if number == own and not finding.other and results[number] is not _Result.STAYS:
                return _Attribution((number,))
        for result in (_Result.VANISHES, _Result.MOVES):
            curing = tuple(number for number in candidates if results[number] is result)
            if len(curing) == 1 or (curing and result is _Result.MOVES):
                return _Attribution(curing[:1])
            if curing:
                return _Attribution(tuple(sorted(curing)), Effect.ONLY_TOGETHER)
        for pair in combinations(candidates, 2):
            if (yield pair) is not _Result.STAYS:
                return _Attribution(tuple(sorted(pair)), Effect.EACH_ALONE)
        return _Attribution(touched, Effect.UNRESOLVED)

    def _run(self, trials: Mapping[int, _Trial]) -> dict[int, _Attribution]:
        """Run the trials; those that share no place run at once."""
        known: dict[int, _Attribution] = {}
        next_trials = {number: next(trial) for number, trial in trials.items()}
        while next_trials and self._runs < _MOST_RUNS:
            numbers = self._batch(next_trials)
            results = self._judge({number: next_trials[number] for number in numbers})
            for number, result in results.items():
                try:
                    next_trials[number] = trials[number].send(result)
                except StopIteration as stop:
                    known[number] = stop.value
                    del next_trials[number]
        for number in next_trials:
            known[number] = _Attribution(self._touched[number], Effect.UNRESOLVED)
        return known

    def _batch(self, trials: Mapping[int, tuple[int, ...]]) -> list[int]:
        """Findings whose places can be restored at once: no finding depends on a place of another one."""
        batch: list[int] = []
        places: set[int] = set()
        judged: set[int] = set()
        for number, trial in trials.items():
            touched = self._touched[number]
            is_undisturbed = places.intersection(touched) <= set(trial)
            if is_undisturbed and judged.isdisjoint(set(trial) - places):
                batch.append(number)
                places.update(trial)
                judged.update(touched)
        return batch

    def _judge(self, trials: Mapping[int, tuple[int, ...]]) -> dict[int, _Result]:
        """The state of findings after all their places are restored."""
        self._runs += 1
        numbers = sorted({number for trial in trials.values() for number in trial})
        image = restored(self._context, [self._places.places[number] for number in numbers])
        context = self._context.with_image(image)
        rules = dict.fromkeys(self._findings[number].rule for number in trials)
        points: dict[tuple[object, ...], list[Mapping[str, float]]] = {}
        for rule in rules:
            for finding in RULES[rule].check(context):
                if not finding.inherited:
                    points.setdefault(_key(finding), []).append(finding.at)
        return {number: _result(self._findings[number], points) for number in trials}


def _key(finding: Finding) -> tuple[object, ...]:
    """The subject of a finding, independent of its values."""
    return finding.rule, finding.table, finding.other, finding.subject, finding.cell


def _result(
    finding: Finding, points_by_key: Mapping[tuple[object, ...], Sequence[Mapping[str, float]]]
) -> _Result:
    points = points_by_key.get(_key(finding))
    if points is None:
        return _Result.VANISHES
    return _Result.STAYS if finding.at in points else _Result.MOVES
