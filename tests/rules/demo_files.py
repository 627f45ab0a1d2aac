"""The files of the demo, for tests that check them in memory."""

from __future__ import annotations

from functools import cache

from tests.running import REPOSITORY

DEFINITION = "definitions/skerry-28.xml"


@cache
def demo() -> dict[str, bytes]:
    """The files of the demo by path, each in its last state."""
    files: dict[str, bytes] = {}
    for step in sorted((REPOSITORY / "fixtures/demo/steps").iterdir()):
        files |= {
            str(path.relative_to(step)): path.read_bytes() for path in step.rglob("*") if path.is_file()
        }
    return files
