"""A check of a range finds what a check of its end finds and one of its beginning does not."""

from __future__ import annotations

import itertools
import tempfile
from dataclasses import fields
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from callint.checking.assignments import assignments
from callint.checking.checker import Checker
from callint.checking.report import Report
from callint.model.finding import Finding
from callint.rules.registry import RULES
from callint.rules.rule import Scope
from tests.building import Files
from tests.example_counts import MOST_RANGES, fewer_property_examples
from tests.properties.histories import TODAY, Commit, State, histories, import_history, plain_policy
from tests.running import call

#: Of these fields of a finding nothing depends on what was judged.
_ASIDE = {"line", "waiver", "commit", "evidence", "content", "hint", "severity"}


def plain(state: State) -> Report:
    """What ``callint check`` says of a state alone."""
    files = Files()
    files.files.update(state.files())
    policy = plain_policy(state)
    images = assignments(policy, files)
    return Checker(files, policy, TODAY).report(images, policy.definitions, whole=True)


def failing(state: State) -> dict[str, str]:
    """The messages of the findings on which a check of a state fails, by all that the findings say."""
    level = plain_policy(state).fail_on
    return {
        _said(finding): finding.message
        for finding in plain(state).findings
        if finding.severity.reaches(level) and not finding.waived
    }


def _said(finding: Finding) -> str:
    """All that a finding says. What the base has is judged only by the rules about changes."""
    aside = _ASIDE if RULES[finding.rule].scope is Scope.CHANGE else {*_ASIDE, "base", "base_physical"}
    names = [field.name for field in fields(Finding) if field.name not in aside]
    return repr([(name, getattr(finding, name)) for name in names])


@fewer_property_examples
@given(histories(), st.data())
def test_a_range_fails_if_its_end_has_a_failure_that_its_beginning_lacks(
    commits: list[Commit], data: st.DataObject
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "yard"
        ids = import_history(root, commits)
        failed = [failing(commit.state) for commit in commits]
        # In any order: a push may replace what was there.
        ranges = st.permutations(list(itertools.permutations(range(len(commits)), 2)))
        for old, new in data.draw(ranges)[:MOST_RANGES]:
            brought = {said: message for said, message in failed[new].items() if said not in failed[old]}
            if not brought:
                continue
            between = f"{ids[old]}..{ids[new]}"
            in_sum = call("check", "--range", between, "--format", "json", cwd=root)
            messages = {finding["message"] for finding in in_sum.data["findings"]}
            assert in_sum.status == 1
            assert messages.issuperset(brought.values())
            assert call("check", "--range", between, "--each", "--format", "lines", cwd=root).status == 1
