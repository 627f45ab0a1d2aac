"""The findings after a single value of an image changes are as reviewed."""

from __future__ import annotations

import pytest

from tests.rules.single_value_changes import NEW_VALUES, findings_text, stored


def test_the_golden_findings_cover_all_addresses() -> None:
    assert [*stored()] == [str(at) for at in NEW_VALUES]


@pytest.mark.parametrize("at", NEW_VALUES)
def test_a_changed_value_has_the_reviewed_findings(at: int) -> None:
    assert findings_text(at) == stored()[str(at)]
