"""The pages that walk through commands show what the commands print."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path
from types import ModuleType

import pytest

DOCS = Path(__file__).resolve().parent.parent / "docs"


def _walker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("walk", DOCS / "walk.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


WALKER = _walker()


@pytest.mark.skipif(shutil.which("bash") is None, reason="the pages' commands are written for bash")
@pytest.mark.parametrize("name", WALKER.PAGES)
def test_a_page_shows_what_its_commands_print(name: str, tmp_path: Path) -> None:
    page = (DOCS / name).read_text("utf-8")
    assert "```console\n$ " in page
    assert WALKER.walked(page, tmp_path) == page


@pytest.mark.parametrize("name", WALKER.PAGES)
def test_a_page_fits_a_terminal(name: str) -> None:
    for block in WALKER._BLOCK.findall((DOCS / name).read_text("utf-8")):
        assert [line for line in block.splitlines() if len(line) > 80] == []
