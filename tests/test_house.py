"""The house rules: types, style, the direction of imports, and what a start may cost."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.running import BAD, POLICY, REPOSITORY, Yard, environment, yard_base, yard_definition

#: What takes long to import: numbers, XML, schemas, git, the terminal, option parsing.
HEAVY = {"numpy", "lxml", "jsonschema", "git", "rich", "click"}


def start(*words: str, cwd: Path = REPOSITORY) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *words],
        cwd=cwd,
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


def passes(*words: str) -> None:
    done = start("-m", *words)
    assert done.returncode == 0, (done.stdout + done.stderr)[-4000:]


def test_ruff_finds_nothing() -> None:
    passes("ruff", "check", "--no-cache", ".")


def test_every_file_is_formatted() -> None:
    passes("ruff", "format", "--check", "--no-cache", ".")


def test_mypy_finds_nothing_in_strict_mode(pytestconfig: pytest.Config) -> None:
    # The cache of the last run makes the next one quick; one of its own, so that nobody else writes to it.
    assert pytestconfig.cache is not None
    folder = pytestconfig.cache.mkdir("mypy")
    passes("mypy", "--strict", "--cache-dir", str(folder))


def test_imports_go_one_way() -> None:
    # lint-imports has no module to start with -m.
    program = (
        "from importlinter.cli import lint_imports_command; lint_imports_command(prog_name='lint-imports')"
    )
    done = start("-c", program, "--no-cache")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Data flows one way, and so do imports KEPT" in done.stdout


def imported(*arguments: str, cwd: Path = REPOSITORY) -> set[str]:
    """The top-level packages that a command has imported when it ends."""
    program = (
        "import json, sys\n"
        "from callint.__main__ import main\n"
        "status = main(sys.argv[1:])\n"
        "sys.stderr.write(json.dumps(sorted({name.partition('.')[0] for name in sys.modules})))\n"
        "sys.exit(status)\n"
    )
    done = start("-c", program, *arguments, cwd=cwd)
    assert done.returncode in {0, 1}, done
    return set(json.loads(done.stderr.splitlines()[-1]))


@pytest.mark.parametrize("argument", ["--help", "--version"])
def test_help_and_version_import_nothing_heavy(argument: str) -> None:
    assert imported(argument) & HEAVY == set()


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path)
    yard.write("yard.xml", yard_definition())
    yard.write("old.bin", yard_base())
    yard.write("new.bin", BAD)
    return yard


def test_a_check_without_a_policy_imports_neither_git_nor_jsonschema(yard: Yard) -> None:
    packages = imported("check", "new.bin", "--definition", "yard.xml", "--base", "old.bin", cwd=yard.root)
    assert packages & HEAVY == {"numpy", "lxml", "rich", "click"}


def test_a_check_that_finds_nothing_does_not_import_the_terminal(yard: Yard) -> None:
    packages = imported("check", "old.bin", "--definition", "yard.xml", cwd=yard.root)
    assert packages & {"git", "jsonschema", "rich"} == set()


def test_a_diff_a_review_and_a_list_of_rules_do_not_import_git(yard: Yard) -> None:
    named = ("old.bin", "new.bin", "--definition", "yard.xml")
    assert "git" not in imported("diff", *named, cwd=yard.root)
    assert imported("review", *named, "--output", "a.html", cwd=yard.root) & {"git", "webbrowser"} == set()
    assert imported("rules", cwd=yard.root) & {"git", "jsonschema"} == set()


def test_a_check_with_a_policy_does_not_import_git(yard: Yard) -> None:
    yard.write(
        "callint.toml",
        POLICY.replace("boats/*.bin", "new.bin").replace("defs/", "").replace("factory/base", "old"),
    )
    packages = imported("check", cwd=yard.root)
    assert "git" not in packages


def test_no_file_names_a_place_on_the_machine_where_it_was_written() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=REPOSITORY,
        env=environment(),
        capture_output=True,
        check=False,
    )
    if listed.returncode:
        pytest.skip("this copy of the project is no git repository")
    # Put together, so that this file does not name them either.
    places = re.compile(rb"(?<![\w.\-/])/(?:%s|%s|%s)/" % (b"wo" + b"rk", b"tmp" + b"/v", b"ro" + b"ot"))
    found = []
    for name in listed.stdout.decode().split("\0"):
        path = REPOSITORY / name
        if name and path.is_file() and places.search(path.read_bytes()):
            found.append(name)
    assert found == []
