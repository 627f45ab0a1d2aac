"""The generated reference pages agree with their sources."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest
from markdown_it import MarkdownIt

from callint.commands import COMMANDS, MODULES
from callint.rules.registry import RULES
from tests.running import REPOSITORY, call

DOCS = REPOSITORY / "docs"


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
    (result,) = re.findall(rf"^## callint {name}\n\n.*\n\n```text\n((?:.*\n)*?)```$", page, re.MULTILINE)
    return str(result)


def test_every_generated_page_is_held_against_its_source() -> None:
    assert set(_generator().pages()) == {"definition.md", "policy.md", "rules.md", "commands.md"}


# What the pages name


def _named() -> Iterator[tuple[str, str, str]]:
    """Every call of a command within the text of a page: the page, the command, and the words after it."""
    for path in (*REPOSITORY.glob("*.md"), *DOCS.rglob("*.md")):
        for block in MarkdownIt().parse(path.read_text("utf-8")):
            for child in block.children or ():
                arguments = child.content.split()
                if child.type == "code_inline" and arguments[:1] == ["callint"] and arguments[1:]:
                    yield path.name, arguments[1], " ".join(arguments[2:])


def test_every_command_and_option_that_a_page_names_is_there() -> None:
    named = list(_named())
    assert len(named) > 50
    for page, command, arguments in named:
        if command in {"COMMAND", "--help", "--version"}:
            continue
        assert command in COMMANDS, (page, command)
        module = import_module(f"callint.commands.{MODULES.get(command, command)}")
        known = {option for parameter in module.command.params for option in parameter.opts} | {"--help"}
        options = set(re.findall(r"(?<!\S)--?[a-z][\w-]*", arguments.partition(" > ")[0]))
        assert options <= known, (page, command, options - known)


def test_every_rule_that_a_page_names_is_there() -> None:
    rule = re.compile(
        rf"(?:{'|'.join(sorted({value.family for value in RULES.values()}))})/[a-z]+(?:-[a-z]+)*"
    )
    for path in (*REPOSITORY.glob("*.md"), *DOCS.rglob("*.md")):
        for block in MarkdownIt().parse(path.read_text("utf-8")):
            for child in block.children or ():
                if child.type == "code_inline" and (result := rule.fullmatch(child.content)):
                    assert result[0] in RULES, (path.name, result[0])
