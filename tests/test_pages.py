"""The generated reference pages say what their sources say."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

DOCS = Path(__file__).resolve().parent.parent / "docs"


def _generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("generate", DOCS / "generate.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["definition.md", "policy.md", "rules.md"])
def test_a_reference_page_is_as_its_source_makes_it(name: str) -> None:
    assert (DOCS / name).read_text("utf-8") == _generator().pages()[name]
