"""The generated reference pages say what their sources say."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

from callint.__main__ import COMMANDS
from tests.running import call

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


def test_the_page_of_the_commands_is_what_they_say_of_themselves() -> None:
    # Where lines break is the business of the click that is installed; the words are not.
    page = (DOCS / "commands.md").read_text("utf-8")
    assert page.split() == _generator().pages()["commands.md"].split()


@pytest.mark.parametrize("name", COMMANDS)
def test_the_page_of_the_commands_has_what_a_command_prints(name: str, tmp_path: Path) -> None:
    printed = call(name, "--help", cwd=tmp_path).stdout
    assert printed.split() == _section(name).split()


def _section(name: str) -> str:
    """The block below the heading of a command."""
    page = (DOCS / "commands.md").read_text("utf-8")
    (found,) = re.findall(rf"^## callint {name}\n\n.*\n\n```text\n((?:.*\n)*?)```$", page, re.MULTILINE)
    return str(found)


def test_every_generated_page_is_held_against_its_source() -> None:
    assert set(_generator().pages()) == {"definition.md", "policy.md", "rules.md", "commands.md"}
