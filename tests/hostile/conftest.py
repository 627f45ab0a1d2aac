from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.hostile.repository import Hostile, hostile_repository


@pytest.fixture
def hostile(tmp_path: Path) -> Iterator[Hostile]:
    with hostile_repository(tmp_path) as made:
        yield made
