"""The pages show what their commands print, and no page has a command block that nobody runs."""

from __future__ import annotations

import importlib.util
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

from tests.running import launcher

REPOSITORY = Path(__file__).resolve().parent.parent

#: Blocks with commands that no walk runs, by their page and their first line, and why.
NOT_RUN = {
    (
        "README.md",
        "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/callint demo",
    ): "asks a package index on the network",
    (
        "README.md",
        "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/pytest -q -n auto",
    ): "asks a package index on the network, and runs this test",
    ("README.md", "#!/bin/sh"): "the content of a hook; tests/commands/test_init.py lets git run such hooks",
    (
        "DEVELOPERS.md",
        "pip install -e '.[test]'",
    ): "runs this test, writes into the source, and takes minutes",
}

#: What a line of commands begins with, also behind another command.
_COMMAND = re.compile(
    r"^\s*(?:[$#>] |#!)|(?:^|[;&|] *|\bexec )(?:\S*/)?"
    r"(?:callint|git|python3?|pip|pytest|pre-commit|sh|bash|cd|cp|printf|dd)\b",
    re.MULTILINE,
)
#: What no shell reads.
_DATA = frozenset({"xml", "toml", "yaml", "json", "text"})
#: What Python reads; tests/test_api.py runs it.
_PYTHON = "python"


def _walker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("walk", REPOSITORY / "docs" / "walk.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


WALKER = _walker()
PAGES = {name: (REPOSITORY / name).read_text("utf-8") for name in WALKER.PAGES}


def fences(page: str) -> list[Token]:
    """Every block of code of a page, as a reader of Markdown finds it, inside of lists and quotes too."""
    return [item for item in MarkdownIt().parse(page) if item.type in ("fence", "code_block")]


def console(page: str) -> list[str]:
    return [block.content for block in fences(page) if block.info == "console"]


WALKS = {name: len(console(page)) for name, page in PAGES.items() if console(page)}


#: callint, for pages that nearly all begin with the same demo: what ``callint demo NAME`` wrote and printed
#: for one page is copied for the others. Git knows the copied files again, as if callint had written them.
_PROGRAM = """\
kept={folder}
if [ "$*" != "demo demo" ] && [ "$*" != "demo yard" ]; then
  exec {callint} "$@"
fi
if [ -e "$kept/$2.txt" ]; then
  cp -a "$kept/$2" "$2" && git -C "$2" update-index -q --refresh || exit 1
else
  {callint} demo "$2" > "$kept/part" 2>&1 || exit 1
  cp -a "$2" "$kept/$2" && mv "$kept/part" "$kept/$2.txt" || exit 1
fi
cat "$kept/$2.txt"
"""


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The shell command that starts callint in the pages."""
    folder = tmp_path_factory.mktemp("demos")
    script = folder / "program"
    text = _PROGRAM.format(folder=shlex.quote(str(folder)), callint=shlex.quote(str(launcher())))
    script.write_text(text, "utf-8")
    return f"/bin/sh {shlex.quote(str(script))}"


@pytest.mark.skipif(shutil.which("bash") is None, reason="the pages' commands are written for bash")
@pytest.mark.parametrize("name", [pytest.param(name, id=f"{name}, blocks: {n}") for name, n in WALKS.items()])
def test_a_page_shows_what_its_commands_print(name: str, tmp_path: Path, program: str) -> None:
    assert WALKER.walked(PAGES[name], tmp_path, program) == PAGES[name]


def test_the_walks_run_every_block_of_every_page() -> None:
    # The walker finds blocks by their fences alone; one inside of a list, say, would not be run.
    assert {name: WALKER.blocks(page) for name, page in PAGES.items()} == {
        name: console(page) for name, page in PAGES.items()
    }
    assert {"docs/tutorial.md", "docs/git.md", "docs/automation.md", "docs/slips.md"} <= set(WALKS)


def test_every_line_of_a_command_block_is_a_command_or_is_below_one() -> None:
    for name, page in PAGES.items():
        for block in console(page):
            assert block.startswith("$ "), (name, block)


def _others() -> Iterator[tuple[str, Token]]:
    for name, page in PAGES.items():
        for block in fences(page):
            # A directive of the site, such as {toctree}, is not a block of code.
            if block.info != "console" and not block.info.startswith("{"):
                yield name, block


def test_a_block_of_another_kind_has_no_commands_but_those_that_are_listed() -> None:
    result = [
        (name, other.content.splitlines()[0])
        for name, other in _others()
        if other.info not in {_PYTHON, *_DATA} and _COMMAND.search(other.content)
    ]
    assert sorted(result) == sorted(NOT_RUN)


def test_data_is_called_what_it_is() -> None:
    for name, other in _others():
        assert other.info in {"", _PYTHON, *_DATA}, (name, other.info)
        if other.info in _DATA:
            assert not re.search(r"^\$ ", other.content, re.MULTILINE), (name, other.content)


@pytest.mark.parametrize(
    "line", ["$ callint check", "callint check", "cd x && git add .", "exec callint check"]
)
def test_a_command_is_known_as_one(line: str) -> None:
    assert _COMMAND.search(line)


@pytest.mark.parametrize("name", WALKS)
def test_a_page_fits_a_terminal(name: str) -> None:
    assert [line for block in console(PAGES[name]) for line in block.splitlines() if len(line) > 80] == []
