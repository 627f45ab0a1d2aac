"""Checks of the project itself: types, style, the direction of imports, and what a start may import."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Collection, Iterator
from pathlib import Path

import pytest

from callint.commands import COMMANDS
from tests.building import u16
from tests.running import (
    BAD,
    CUT,
    GOOD,
    REPOSITORY,
    Scratch,
    edited,
    environment,
    make_repository_yard,
    run_python,
)

#: What takes long to import: numbers, XML, schemas, git, the terminal, option parsing.
HEAVY = {"numpy", "numpy.ma", "lxml", "jsonschema", "git", "rich", "click"}


def start(*arguments: str, cwd: Path = REPOSITORY, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=cwd,
        env=environment(**env),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


def passes(*arguments: str) -> None:
    done = start("-m", *arguments)
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


def test_no_module_that_mypy_skips_is_imported() -> None:
    # mypy would take whatever comes from such a module for anything.
    settings = tomllib.loads((REPOSITORY / "pyproject.toml").read_text("utf-8"))["tool"]["mypy"]
    skipped = [
        name.removesuffix(".*")
        for part in settings["overrides"]
        if part.get("follow_imports") == "skip"
        for name in part["module"]
    ]
    names = "|".join(map(re.escape, skipped))
    inner = [name.rpartition(".") for name in skipped if "." in name]
    parts = "|".join(
        rf"{re.escape(parent)}[ \t]+import\b[^)\n]*(?:\([^)]*)?\b{name}" for parent, _, name in inner
    )
    of_numpy = "|".join(name for parent, _, name in inner if parent == "numpy")
    imports = re.compile(
        rf"^[ \t]*(?:(?:from|import)[ \t]+(?:{names})|from[ \t]+(?:{parts}))\b|\bnp\.(?:{of_numpy})\b",
        re.MULTILINE,
    )
    sources = [path for folder in settings["files"] for path in (REPOSITORY / folder).rglob("*.py")]
    for example in (
        "import os\n    from tornado.web import Application\n",
        "from openpyxl import Workbook, chart\n",
        "from openpyxl import (\n    Workbook,\n    chart,\n)\n",
        ".".join(["values = np", "ma", "array([1])\n"]),
    ):
        assert imports.search(example)
    assert [str(path) for path in sources if imports.search(path.read_text("utf-8"))] == []


def test_imports_go_one_way() -> None:
    # lint-imports has no module to start with -m.
    program = (
        "from importlinter.cli import lint_imports_command; lint_imports_command(prog_name='lint-imports')"
    )
    done = start("-c", program, "--no-cache")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Data flows one way, and so do imports KEPT" in done.stdout
    assert "Formats for programs do not import printers for people KEPT" in done.stdout


# How large a part may be

#: The most lines of a module, a class and a function, and the most parameters of a function.
MOST_LINES = {"module": 600, "class": 300, "function": 60}
MOST_PARAMETERS = 7


def parts_over_a_bound(source: str) -> set[str]:
    """The parts of a module that are longer than allowed, or have too many parameters."""
    tree = ast.parse(source)
    over = {"module"} if len(source.splitlines()) > MOST_LINES["module"] else set()
    for node in _statements(tree):
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            kind = "class" if isinstance(node, ast.ClassDef) else "function"
            assert node.end_lineno is not None
            if node.end_lineno - node.lineno + 1 > MOST_LINES[kind] or _parameters(node) > MOST_PARAMETERS:
                over.add(f"{kind} {node.name}")
    return over


def _statements(part: ast.AST) -> Iterator[ast.AST]:
    """All statements inside a module or a statement; expressions, most of a tree, hold none."""
    for field in ("body", "orelse", "finalbody", "handlers", "cases"):
        for inner in getattr(part, field, ()):
            yield inner
            yield from _statements(inner)


def _parameters(node: ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """The number of parameters of a function, with ``self``."""
    if isinstance(node, ast.ClassDef):
        return 0
    return len(node.args.posonlyargs) + len(node.args.args) + len(node.args.kwonlyargs)


def test_no_module_class_or_function_is_too_large_to_be_read_at_once() -> None:
    modules = sorted((REPOSITORY / "callint").rglob("*.py"))
    over = {
        f"{path.relative_to(REPOSITORY).as_posix()} {part}"
        for path in modules
        for part in parts_over_a_bound(path.read_text(encoding="utf-8"))
    }
    assert len(modules) > 100
    assert over == set()


@pytest.mark.parametrize(
    ("source", "part"),
    [
        ("x = 1\n" * 601, "module"),
        ("class Large:\n" + "    x = 1\n" * 300, "class Large"),
        ("def long():\n" + "    pass\n" * 60, "function long"),
        ("def wide(a, b, c, d, *, e, f, g, h): ...\n", "function wide"),
    ],
)
def test_a_part_just_over_a_bound_is_named(source: str, part: str) -> None:
    assert parts_over_a_bound(source) == {part}


@pytest.mark.parametrize(
    "source",
    [
        "x = 1\n" * 600,
        "class Large:\n" + "    x = 1\n" * 299,
        "def long():\n" + "    pass\n" * 59,
        "def wide(a, b, c, d, *, e, f, g): ...\n",
    ],
)
def test_a_part_at_a_bound_is_not_named(source: str) -> None:
    assert parts_over_a_bound(source) == set()


# What a start may cost


_READING = {"click", "numpy"}

#: What a command that may import click and NumPy has imported when it starts: both, which take most of a
#: start, or all that a check imports as well, which most commands import too. What is imported for nothing
#: is in the lists of modules all the same, so that no command seems to load less than it does.
_PLAIN = ("click", "numpy")
_LIKE_A_CHECK = (*_PLAIN, "callint.commands.check")


def imported(
    *arguments: str,
    cwd: Path = REPOSITORY,
    cache: str = "",
    allowed: Collection[str] = (),
    before: tuple[str, ...] = _PLAIN,
) -> set[str]:
    """The heavy modules that a command has imported when it ends; "" stands for no cache."""
    return modules_of(*arguments, cwd=cwd, cache=cache, allowed=allowed, before=before) & HEAVY


def modules_of(
    *arguments: str,
    cwd: Path = REPOSITORY,
    cache: str = "",
    allowed: Collection[str] = (),
    before: tuple[str, ...] = _PLAIN,
) -> set[str]:
    """All modules that a command has imported when it ends.

    If the command may import both click and NumPy, it starts with the modules ``before``.
    """
    program = (
        "import json, sys\n"
        "from callint.__main__ import main\n"
        "status = main(sys.argv[1:])\n"
        "sys.stderr.write(json.dumps(sorted(sys.modules)))\n"
        "sys.exit(status)\n"
    )
    if set(allowed) >= _READING:
        env = environment(CALLINT_CACHE=cache)
        forked = run_python("-c", program, *arguments, cwd=cwd, env=env, imported=before)
        status, stderr = forked.status, forked.stderr
    else:
        done = start("-c", program, *arguments, cwd=cwd, CALLINT_CACHE=cache)
        status, stderr = done.returncode, done.stderr
    assert status in {0, 1}, stderr
    return set(json.loads(stderr.splitlines()[-1]))


@pytest.mark.parametrize("before", [_PLAIN, _LIKE_A_CHECK])
def test_a_start_with_click_and_numpy_has_nothing_else_that_is_heavy_and_of_callint_what_is_named(
    before: tuple[str, ...],
) -> None:
    program = "import sys; print(*sys.modules)"
    done = run_python("-c", program, cwd=REPOSITORY, env=environment(), imported=before)
    loaded = set(done.stdout.split())
    assert loaded & HEAVY == _READING
    assert any(name.partition(".")[0] == "callint" for name in loaded) is (before is _LIKE_A_CHECK)


#: What each command may load to say how it is called, which is all that it loads for every call.
STARTS = {
    "demo": _READING,
    "init": _READING,
    "import": {"click", "numpy", "lxml"},
    "export": _READING,
    "check": _READING,
    "diff": _READING,
    "review": _READING,
    "explain": _READING,
    "show": _READING,
    "identify": _READING,
    "coverage": _READING,
    "checksums": _READING,
    "whatif": _READING,
    "history": _READING,
    "fleet": _READING,
    "merge": _READING,
    "carry": _READING,
    "relocate": _READING,
    "waive": _READING,
    "set": _READING,
    "apply": _READING,
    "restore": _READING,
    "seal": _READING,
    "release": _READING,
    "verify": _READING,
    "rules": {"click"},
    "schema": {"click"},
    "completion": {"click"},
}

_IMAGE, _SLIP, _BASE = "boats/heron.bin", "boats/petrel.bin", "factory/base.bin"

#: What a call may load where the cache knows the policy and the definition.
WARM = {
    "check --staged": _READING,
    f"check {_IMAGE}": _READING,
    f"check {_SLIP}": _READING,
    f"check {_SLIP} --format json": _READING,
    f"check {_SLIP} --format sarif": _READING,
    "check --since HEAD": _READING,
    "check --range HEAD..HEAD --each": _READING,
    f"diff {_BASE} {_IMAGE}": _READING,
    f"diff {_BASE} {_IMAGE} --format json": _READING,
    f"diff HEAD:{_IMAGE} {_IMAGE}": _READING,
    f"review {_BASE} {_IMAGE} --output page.html": {"click", "numpy", "numpy.ma"},
    f"show {_IMAGE}": _READING,
    f"show {_IMAGE} --format csv": _READING,
    f"seal {_IMAGE}": _READING,
    f"history {_IMAGE}": {"click", "numpy", "numpy.ma"},
    f"whatif {_IMAGE} --true speed=1000 --reads 900": {"click", "numpy", "numpy.ma"},
    "rules": _READING,
    "schema policy": {"click"},
    "completion bash": {"click", "numpy", "numpy.ma", "rich", "lxml"},
}


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Scratch:
    """A yard with an honest image that is staged, and one with a slip that is not."""
    scratch = make_repository_yard(tmp_path_factory.mktemp("loads") / "yard", heron=GOOD, petrel=BAD)
    scratch.stage(_IMAGE, edited(GOOD, {CUT: u16(4150)}))
    return scratch


@pytest.mark.parametrize("argument", ["--help", "--version"])
def test_help_and_version_load_nothing_heavy(argument: str) -> None:
    assert imported(argument) == set()


def test_every_command_is_listed_with_what_it_may_load() -> None:
    assert list(STARTS) == list(COMMANDS)


@pytest.mark.parametrize("command", STARTS)
def test_a_command_loads_no_more_than_is_listed_for_its_start(command: str) -> None:
    allowed = STARTS[command]
    assert imported(command, "--help", allowed=allowed, before=_LIKE_A_CHECK) <= allowed


@pytest.mark.parametrize("message", WARM)
def test_a_call_loads_no_more_than_is_listed_once_the_cache_is_warm(
    message: str, scratch: Scratch, tmp_path: Path
) -> None:
    cache = str(tmp_path / "kept")
    allowed = WARM[message]
    # The first has nothing of callint when it starts: what it forgot to import is missing.
    cold, warm = (
        imported(*message.split(), cwd=scratch.root, cache=cache, allowed=allowed, before=before)
        for before in (_PLAIN, _LIKE_A_CHECK)
    )
    assert cold <= allowed | {"lxml", "jsonschema"}
    assert warm <= allowed


@pytest.mark.parametrize(
    "words",
    [
        f"diff {_BASE} {_IMAGE}",
        f"show {_IMAGE}",
        f"history {_IMAGE}",
        "fleet",
        f"whatif {_IMAGE} --true speed=1000 --reads 900",
    ],
)
def test_a_command_that_checks_nothing_loads_no_rule(words: str, scratch: Scratch) -> None:
    loaded = modules_of(*words.split(), cwd=scratch.root, allowed=_READING)
    assert not {
        name for name in loaded if name.startswith("callint.rules") or name == "callint.checking.checker"
    }


def test_a_check_loads_the_rules(scratch: Scratch) -> None:
    # So that the names above are right.
    loaded = modules_of("check", _IMAGE, cwd=scratch.root, allowed=_READING)
    assert {"callint.rules.registry", "callint.checking.checker"} <= loaded


def test_only_what_is_not_known_is_read_from_xml_and_held_against_schemas(
    scratch: Scratch, tmp_path: Path
) -> None:
    # This proves that the lists above have an effect.
    cache = str(tmp_path / "kept")
    assert {"lxml", "jsonschema"} <= imported("check", _IMAGE, cwd=scratch.root, cache=cache)
    assert imported("check", _IMAGE, cwd=scratch.root, cache=cache) == {"click", "numpy"}
    assert {"lxml", "jsonschema"} <= imported("check", _IMAGE, cwd=scratch.root)


def test_a_check_without_a_policy_loads_no_schemas(scratch: Scratch, tmp_path: Path) -> None:
    for path in (_SLIP, _BASE, "defs/yard.xml"):
        (tmp_path / Path(path).name).write_bytes((scratch.root / path).read_bytes())
    loaded = imported("check", "petrel.bin", "--definition", "yard.xml", "--base", "base.bin", cwd=tmp_path)
    assert loaded == {"numpy", "lxml", "click"}
