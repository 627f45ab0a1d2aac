"""No output becomes git's own, the policy, what the policy names or what was read, however it is called."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path

import click
import pytest

from callint.commands import COMMANDS, MODULES
from callint.model.errors import InputError
from callint.reporting.files import destinations
from tests.commands.initiating import state
from tests.hostile.repository import A2L, BASE, DEFINITION, HERON, LIST, MAPPING, VALUES, WAIVED
from tests.running import (
    BAD,
    GOOD,
    HULL,
    REPOSITORY,
    Result,
    Scratch,
    copy_of,
    edited,
    environment,
    folder_for_copies,
    make_repository,
    make_repository_yard,
    refreshed,
    run_python,
    yard_definition,
)

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need a right on Windows")

AUK = "boats/auk.bin"
_JSON = ("--format", "json")

#: Every way to name a file that is to be written; OUTPUT stands for its path.
WRITERS: dict[str, tuple[str, ...]] = {
    "check --output": ("check", *_JSON, "--output", "OUTPUT"),
    "check --staged --output": ("check", "--staged", *_JSON, "--output", "OUTPUT"),
    "check --range --output": ("check", "--range", "HEAD~1..HEAD", "--each", *_JSON, "--output", "OUTPUT"),
    "diff --output": ("diff", BASE, HERON, *_JSON, "--output", "OUTPUT"),
    "fleet --output": ("fleet", *_JSON, "--output", "OUTPUT"),
    "diff --output as CDFX": ("diff", BASE, AUK, "--format", "cdfx", "--output", "OUTPUT"),
    "diff --output as carried": (
        "diff",
        "--as-carried",
        BASE,
        HERON,
        BASE,
        AUK,
        *_JSON,
        "--output",
        "OUTPUT",
    ),
    "diff --output of revisions": ("diff", "HEAD~1", "HEAD", *_JSON, "--output", "OUTPUT"),
    "diff --output of definitions": (
        "diff",
        f"HEAD~1:{DEFINITION}",
        DEFINITION,
        *_JSON,
        "--output",
        "OUTPUT",
    ),
    "diff --output of nothing": ("diff", "HEAD", "HEAD", *_JSON, "--output", "OUTPUT"),
    "show --output": ("show", HERON, *_JSON, "--output", "OUTPUT"),
    "show --output at a point": ("show", HERON, "--at", "speed=1700,load=30", *_JSON, "--output", "OUTPUT"),
    "show --definition --output": ("show", "--definition", "defs/yard.xml", "--output", "OUTPUT"),
    "review --output": ("review", BASE, HERON, "--output", "OUTPUT"),
    "review --output of revisions": ("review", "--range", "HEAD~1..HEAD", "--output", "OUTPUT"),
    "explain --output": ("explain", BASE, HERON, "--output", "OUTPUT"),
    "merge --to": ("merge", BASE, AUK, BASE, "--to", "OUTPUT"),
    "merge --to with conflicts": ("merge", BASE, HERON, AUK, "--to", "OUTPUT"),
    "carry --to": ("carry", BASE, AUK, BASE, "--to", "OUTPUT"),
    "relocate --to": ("relocate", BASE, AUK, "--whole", "--to", "OUTPUT"),
    "import --to": ("import", "engine.a2l", "--to", "OUTPUT"),
    "import --to of a list": ("import", "list.csv", "--byte-order", "big", "--to", "OUTPUT"),
    "export --to": ("export", DEFINITION, "--to", "OUTPUT"),
    "demo": ("demo", "OUTPUT"),
    "release --to": ("release", AUK, "--to", "OUTPUT"),
    "merge --to of definitions": ("merge", "twin-2.xml", "twin-3.xml", "twin-3.xml", "--to", "OUTPUT"),
}
#: What these commands make is an image, which the policy may name as one.
IMAGES = {name for name in WRITERS if name.startswith(("merge", "carry")) and "definitions" not in name}
#: What these make is a definition, which the policy may name as one.
DEFINITIONS = {"merge --to of definitions"}
#: These make what is new.
NEW = {"relocate --to", "import --to", "import --to of a list", "export --to", "demo", "release --to"}

#: Why an output is refused, and not the rest of a call.
_REASONS = (
    "it lies in git's own folder",
    "the output would replace an input",
    "this is the name of a policy",
    "names it as an image",
    "it is a folder; name a file",
    "it exists; remove it",
    "it exists and is not empty",
    "a link leads out of the repository",
)

#: What is git's own, by paths from the yard.
GITS = (
    ".git",
    ".git/config",
    ".git/new",
    ".git/hooks/pre-commit",
    "boats/../.git/config",
    ".GIT/config",
    ".Git/new",
    ".git./new",
    "GIT~1/new",
    ".g\u200cit/new",
    "to-hooks/pre-commit",
    "to-hooks/../config",
    "to-config",
    "to-nothing-yet",
    ".git/worktrees/linked/HEAD",
    "../linked/.git",
    ".git/modules/inner/hooks/pre-commit",
    "inner/.git",
    "../bare.git/config",
    "../bare.git/hooks/pre-commit",
    "../store/hooks/pre-commit",
    "to-store/new",
    ".hooks/pre-commit",
    ".hooks/new",
)
#: What the policy rests on, and what may not be one.
POLICIES = (
    "callint.toml",
    "boats/../callint.toml",
    "CALLINT.TOML",
    "defs/callint.toml",
    "to-policy",
    "twin.toml",
)
NAMED = (
    DEFINITION,
    "defs/absent.xml",
    "boats/../defs/yard.xml",
    "to-definition",
    "twin.xml",
    BASE,
    "to-factory/base.bin",
    "twin.bin",
)
BOATS = ("boats/owl.bin", "to-boats/owl.bin", "to-owl", "boats/new.bin", "to-boats/new.bin")


#: These are tried with every output, the others with some.
_THOROUGH = {
    "check --output",
    "review --output of revisions",
    "merge --to",
    "carry --to",
    "import --to",
    "demo",
}


def pairs(outputs: tuple[str, ...], without: Iterable[str] = ()) -> list[tuple[str, str]]:
    """Each way to write with each output, or with every fifth of them, another one each time."""
    names = [name for name in WRITERS if name not in without]
    return [
        (name, output)
        for at, name in enumerate(names)
        for output in (outputs if name in _THOROUGH else outputs[at % 5 :: 5])
    ]


@dataclass
class Place:
    """A repository with links, other repositories beside it, and what is outside of all of them."""

    yard: Scratch
    #: All files after the last call that was refused, which changed none of them.
    known: dict[str, object] | None = None

    def refused(self, *arguments: str, **env: str) -> Result:
        """A call that says in a line why, and changes nothing."""
        before, self.known = self.known or state(self.yard.root.parent), None
        result = self.yard.call(*arguments, **env)
        after = state(self.yard.root.parent)
        assert after == before, arguments
        self.known = after
        assert any(reason in result.error for reason in _REASONS), result
        return result


def writing(name: str, output: str) -> tuple[str, ...]:
    return tuple(output if word == "OUTPUT" else word for word in WRITERS[name])


def write_definitions(yard: Scratch) -> None:
    """Two versions of a definition that no policy names."""
    yard.write("twin-2.xml", yard_definition())
    yard.write("twin-3.xml", yard_definition().replace(b"Fuel by", b"Fuel over"))


def link(place: Path, target: str) -> None:
    place.symlink_to(target)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    folder = tmp_path_factory.mktemp("destinations")
    images = {"auk": edited(GOOD, {HULL: b"AUK         "}), "owl": GOOD}
    yard = make_repository_yard(folder / "yard", heron=GOOD, **images)
    root = yard.root
    yard.write("engine.a2l", A2L)
    yard.write("list.csv", LIST)
    yard.write("values.csv", VALUES)
    other = make_repository(folder / "other")
    other.write("a.txt", "a")
    other.commit()
    yard.must(
        "-c", "protocol.file.allow=always", "submodule", "--quiet", "add", "--name", "inner",
        str(other.root), "inner",
    )  # fmt: skip
    yard.write("callint.toml", (root / "callint.toml").read_text() + EXTRA)
    yard.commit("A submodule")
    yard.write(HERON, BAD)
    yard.commit("A slip")
    yard.must("worktree", "add", "--quiet", str(folder / "linked"))
    make_repository(folder / "bare.git", "--bare")
    make_repository(folder / "apart", f"--separate-git-dir={folder / 'store'}")
    yard.must("config", "core.hooksPath", ".hooks")
    for name in (".hooks", ".GIT", ".Git", ".git.", "GIT~1", ".g\u200cit"):
        (root / name).mkdir()
    write_definitions(yard)
    link(root / "to-hooks", ".git/hooks")
    link(root / "to-config", ".git/config")
    link(root / "to-nothing-yet", ".git/hooks/post-checkout")
    link(root / "to-store", "../store")
    link(root / "to-policy", "callint.toml")
    link(root / "to-definition", DEFINITION)
    link(root / "to-factory", "factory")
    link(root / "to-boats", "boats")
    link(root / "to-owl", "boats/owl.bin")
    for name, twin in (("callint.toml", "twin.toml"), (DEFINITION, "twin.xml"), (BASE, "twin.bin")):
        os.link(root / name, root / twin)
    return Place(yard)


#: An image by itself whose definition is not there.
EXTRA = """
[[images]]
paths = ["tugs/*.bin"]
definition = "defs/absent.xml"
"""


@pytest.mark.parametrize(("name", "output"), pairs(GITS))
def test_no_output_replaces_files_of_git(place: Place, name: str, output: str) -> None:
    place.refused(*writing(name, output))


@pytest.mark.parametrize(("name", "output"), pairs((*POLICIES, *NAMED), NEW | DEFINITIONS))
def test_nothing_is_written_over_the_policy_and_what_it_names(place: Place, name: str, output: str) -> None:
    place.refused(*writing(name, output))


@pytest.mark.parametrize(
    "output", [*POLICIES, "twin-2.xml", "twin-3.xml", BASE, "to-factory/base.bin", "twin.bin"]
)
def test_a_merged_definition_replaces_no_input_policy_or_image(place: Place, output: str) -> None:
    place.refused(*writing("merge --to of definitions", output))


@pytest.mark.parametrize("output", POLICIES)
def test_no_definition_takes_the_name_of_a_policy(place: Place, output: str) -> None:
    place.refused(*writing("import --to", output))


@pytest.mark.parametrize(("name", "output"), pairs(BOATS, NEW | IMAGES))
def test_no_report_becomes_an_image(place: Place, name: str, output: str) -> None:
    place.refused(*writing(name, output))


def test_every_place_is_of_its_named_kind(place: Place) -> None:
    place.known = None
    root = place.yard.root
    (root / "free").mkdir(exist_ok=True)
    for name in sorted(WRITERS.keys() - {"demo"}):
        result = place.yard.call(*writing(name, "free/output"))
        assert result.status in (0, 1), (name, result)
        for path in (root / "free").iterdir():
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()
    for name in (*GITS, *POLICIES, *NAMED, *BOATS):
        assert (root / name).parent.is_dir(), name


@pytest.mark.parametrize(
    ("variable", "value", "output"),
    [
        ("GIT_DIR", "../alone", "../alone/new"),
        ("GIT_DIR", "../alone", "../hooks-of-alone/pre-commit"),
        ("GIT_INDEX_FILE", "{}/next-index", "next-index"),
        ("GIT_OBJECT_DIRECTORY", "{}/free-objects", "free-objects/new"),
    ],
)
@pytest.mark.parametrize("name", ["check --output", "merge --to", "carry --to", "import --to"])
def test_nothing_is_written_into_what_the_environment_gives_to_git(
    tmp_path: Path, name: str, variable: str, value: str, output: str
) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=BAD, auk=GOOD)
    yard.write("engine.a2l", A2L)
    yard.write("list.csv", LIST)
    yard.write("values.csv", VALUES)
    (yard.root / "free-objects").mkdir()
    alone = make_repository(tmp_path / "alone", "--bare")
    alone.must("config", "core.bare", "false")
    alone.must("config", "core.worktree", str(yard.root))
    alone.must("config", "core.hooksPath", str(tmp_path / "hooks-of-alone"))
    (tmp_path / "hooks-of-alone").mkdir()
    value = value.format(yard.root)
    assert "git's own folder" in Place(yard).refused(*writing(name, output), **{variable: value}).error


@pytest.mark.parametrize("output", ["/dev/stdout", "/dev/new", "/dev/fd/1", "/proc/self/fd/1", "/proc/new"])
def test_a_file_in_the_devices_of_the_system_is_not_an_output(output: str) -> None:
    # Only asked, as whoever may write there would do it to the whole machine.
    for ask in (destinations.output, destinations.image, destinations.in_place):
        with pytest.raises(InputError, match="not a regular file"):
            ask(Path(output))


# Inputs of the same call

#: Calls in which INPUT is read and OUTPUT is written.
READING = {
    "check an image": ("check", "INPUT", "--definition", DEFINITION, *_JSON, "--output", "OUTPUT"),
    "check --definition": ("check", HERON, "--definition", "INPUT", *_JSON, "--output", "OUTPUT"),
    "check --base": ("check", HERON, "--base", "INPUT", *_JSON, "--output", "OUTPUT"),
    "check --policy": ("check", "--policy", "INPUT", *_JSON, "--output", "OUTPUT"),
    "diff OLD": ("diff", "INPUT", HERON, *_JSON, "--output", "OUTPUT"),
    "diff NEW": ("diff", BASE, "INPUT", *_JSON, "--output", "OUTPUT"),
    "diff --definition": ("diff", BASE, HERON, "--definition", "INPUT", *_JSON, "--output", "OUTPUT"),
    "diff OLD definition": ("diff", "INPUT", DEFINITION, *_JSON, "--output", "OUTPUT"),
    "diff --image": ("diff", DEFINITION, DEFINITION, "--image", "INPUT", *_JSON, "--output", "OUTPUT"),
    "diff --policy": ("diff", BASE, HERON, "--policy", "INPUT", *_JSON, "--output", "OUTPUT"),
    "diff --log": ("diff", BASE, HERON, "--log", "INPUT", *_JSON, "--output", "OUTPUT"),
    "fleet PATH": ("fleet", "INPUT", "--definition", DEFINITION, *_JSON, "--output", "OUTPUT"),
    "fleet --definition": ("fleet", HERON, "--definition", "INPUT", *_JSON, "--output", "OUTPUT"),
    "fleet --differs-from": (
        *("fleet", HERON, "--definition", DEFINITION, "--differs-from", "INPUT"),
        *(*_JSON, "--output", "OUTPUT"),
    ),
    "fleet --policy": ("fleet", "--policy", "INPUT", *_JSON, "--output", "OUTPUT"),
    "show IMAGE": ("show", "INPUT", "--definition", DEFINITION, *_JSON, "--output", "OUTPUT"),
    "show --definition": ("show", HERON, "--definition", "INPUT", *_JSON, "--output", "OUTPUT"),
    "show --policy": ("show", HERON, "--policy", "INPUT", *_JSON, "--output", "OUTPUT"),
    "show --base": ("show", HERON, "--at", "speed=1700", "--base", "INPUT", *_JSON, "--output", "OUTPUT"),
    "review OLD": ("review", "INPUT", HERON, "--output", "OUTPUT"),
    "review NEW": ("review", BASE, "INPUT", "--definition", DEFINITION, "--output", "OUTPUT"),
    "review --definition": ("review", BASE, HERON, "--definition", "INPUT", "--output", "OUTPUT"),
    "review --policy": ("review", BASE, HERON, "--policy", "INPUT", "--output", "OUTPUT"),
    "review --log": ("review", BASE, HERON, "--log", "INPUT", "--output", "OUTPUT"),
    "explain OLD": ("explain", "INPUT", HERON, "--output", "OUTPUT"),
    "explain NEW": ("explain", BASE, "INPUT", "--definition", DEFINITION, "--output", "OUTPUT"),
    "explain --definition": ("explain", BASE, HERON, "--definition", "INPUT", "--output", "OUTPUT"),
    "explain --policy": ("explain", BASE, HERON, "--policy", "INPUT", "--output", "OUTPUT"),
    "release --policy": ("release", AUK, "--policy", "INPUT", "--to", "OUTPUT"),
    "merge BASE": ("merge", "INPUT", AUK, BASE, "--definition", DEFINITION, "--to", "OUTPUT"),
    "merge OURS": ("merge", BASE, "INPUT", BASE, "--definition", DEFINITION, "--to", "OUTPUT"),
    "merge THEIRS": ("merge", BASE, BASE, "INPUT", "--definition", DEFINITION, "--to", "OUTPUT"),
    "merge --definition": ("merge", BASE, AUK, BASE, "--definition", "INPUT", "--to", "OUTPUT"),
    "merge of definitions BASE": ("merge", "INPUT", DEFINITION, DEFINITION, "--to", "OUTPUT"),
    "merge of definitions OURS": ("merge", DEFINITION, "INPUT", DEFINITION, "--to", "OUTPUT"),
    "merge of definitions THEIRS": ("merge", DEFINITION, DEFINITION, "INPUT", "--to", "OUTPUT"),
    "merge --policy": ("merge", BASE, AUK, BASE, "--policy", "INPUT", "--to", "OUTPUT"),
    "carry OLD_BASE": ("carry", "INPUT", AUK, BASE, "--old-definition", DEFINITION, "--to", "OUTPUT"),
    "carry REWORKED": ("carry", BASE, "INPUT", BASE, "--old-definition", DEFINITION, "--to", "OUTPUT"),
    "carry NEW_BASE": ("carry", BASE, AUK, "INPUT", "--new-definition", DEFINITION, "--to", "OUTPUT"),
    "carry --old-definition": ("carry", BASE, AUK, BASE, "--old-definition", "INPUT", "--to", "OUTPUT"),
    "carry --new-definition": ("carry", BASE, AUK, BASE, "--new-definition", "INPUT", "--to", "OUTPUT"),
    "carry --policy": ("carry", BASE, AUK, BASE, "--policy", "INPUT", "--to", "OUTPUT"),
    "relocate OLD": ("relocate", "INPUT", BASE, "--definition", DEFINITION, "--to", "OUTPUT"),
    "relocate NEW": ("relocate", BASE, "INPUT", "--to", "OUTPUT"),
    "relocate --definition": ("relocate", BASE, BASE, "--definition", "INPUT", "--to", "OUTPUT"),
    "relocate --policy": ("relocate", BASE, BASE, "--policy", "INPUT", "--to", "OUTPUT"),
    "import FILE": ("import", "INPUT", "--to", "OUTPUT"),
    "export definition": ("export", "INPUT", "--to", "OUTPUT"),
    "import --mapping": ("import", "list.csv", "--mapping", "INPUT", "--to", "OUTPUT"),
    "import --image": ("import", "list.csv", "--byte-order", "big", "--image", "INPUT", "--to", "OUTPUT"),
}
_LOG = "time,speed,load\n0,1000,20\n1,1200,30\n"


@pytest.mark.parametrize("name", READING)
def test_a_call_does_not_write_its_inputs(tmp_path: Path, name: str) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD, auk=edited(GOOD, {HULL: b"AUK         "}))
    read = "other/input.bin"
    content: bytes | str = GOOD
    if "definition" in name:
        read, content = "other/input.xml", yard_definition()
    elif "policy" in name:
        read, content = "policy-2.toml", (yard.root / "callint.toml").read_text()
    elif "log" in name:
        read, content = "other/input.csv", _LOG
    elif name == "import FILE":
        read, content = "other/input.a2l", A2L
    elif name == "import --mapping":
        read, content = "other/input.toml", MAPPING
    yard.write("list.csv", LIST)
    yard.write("values.csv", VALUES)
    (yard.root / "other").mkdir()
    path = yard.write(read, content)
    link(yard.root / "a-link", read)
    os.link(path, yard.root / "a-twin")
    link(yard.root / "a-folder", "other" if "other" in read else ".")
    spellings = {
        "itself": read,
        "link": "a-link",
        "hard link": "a-twin",
        "dots": f"boats/../{read}",
        "absolute": str(path),
        "link to folder": f"a-folder/{path.name}",
    }
    place = Place(yard)
    for output in spellings.values():
        place.refused(*({"INPUT": read, "OUTPUT": output}.get(word, word) for word in READING[name]))
    arguments = [{"INPUT": read, "OUTPUT": "other/output"}.get(word, word) for word in READING[name]]
    assert yard.call(*arguments).status in (0, 1)


def test_a_file_is_rewritten_in_place_except_in_gits_folder(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=BAD)
    stale = edited(GOOD, {0x90: b"\0\0"}, seal=False)
    yard.write(HERON, stale)
    yard.write(".git/hooks/image", stale)
    link(yard.root / "to-hooks", ".git/hooks")
    for name in (".git/hooks/image", "to-hooks/image"):
        for in_place in (
            ("seal", name),
            ("set", name, "overspeed_cut", "--to", "4100"),
            ("restore", name, "--table", "fuel", "--base", BASE),
        ):
            refused = Place(yard).refused(*in_place, "--definition", DEFINITION)
            assert "git's own folder" in refused.error
        arguments: tuple[str, ...] = (
            "merge",
            "--driver",
            "--definition",
            DEFINITION,
            "--",
            BASE,
            name,
            BASE,
            HERON,
        )
        assert yard.call(*arguments).status == 1
        assert (yard.root / name).read_bytes() == stale
    assert yard.call("seal", HERON).status == 0
    yard.write(".git/callint.toml", (yard.root / "callint.toml").read_bytes())
    arguments = ("check", "--policy", ".git/callint.toml", "--output", "report.json")
    assert yard.call(*arguments).status == 2
    yard.write(HERON, BAD)
    (yard.root / "policy").symlink_to(".git/p.toml")
    assert yard.call(*WAIVED).status == 0


# Nobody forgets it


def options(name: str) -> Iterator[click.Parameter]:
    yield from import_module(f"callint.commands.{MODULES.get(name, name)}").command.params


def is_output(option: click.Option) -> bool:
    """Whether an option names a file or folder to write; --to of ``callint set`` is a value."""
    return bool({"--to", "--output"} & set(option.opts)) and option.metavar != "VALUE"


def test_every_option_for_a_file_that_is_written_is_tried_here() -> None:
    known = {" ".join(name.split()[:2]) for name in WRITERS}
    for name in COMMANDS:
        for option in options(name):
            if isinstance(option, click.Option) and is_output(option):
                tried = {f"{name} {opt}" for opt in option.opts}
                assert tried & known, f"{tried} is missing in WRITERS"


def test_every_option_for_a_file_that_is_read_is_tried_with_an_output() -> None:
    for name in COMMANDS:
        names = [option for option in options(name) if isinstance(option, click.Option)]
        writes = [option for option in names if is_output(option)]
        for option in names if writes else []:
            is_file = option.metavar == "FILE" and option not in writes
            # A log goes with text alone where tables are shown.
            if is_file and (name, option.name) != ("show", "log"):
                assert {f"{name} {opt}" for opt in option.opts} & READING.keys(), (name, option.opts)


#: Modules that change the disk by themselves, and why.
_OWN_WAYS = {
    "callint/reporting/files/atomic_write.py": "through which all else goes",
    "callint/reading/cache.py": "the cache of the user",
    "callint/reading/temp_files.py": "what killed runs left",
    "callint/versioning/demo.py": "a new folder, of which the command asks first",
    "callint/commands/init.py": "what init wrote is removed",
    "callint/versioning/signatures.py": "a temporary file outside of the repository, for ssh-keygen and gpg",
    "callint/cli/conflict_lists.py": "lists of an earlier merge are removed",
    "callint/cli/git_file.py": "folders in the store of git-lfs",
    "callint/__main__.py": "the null device",
}
#: Who may write without asking, at a place that no user gives.
_OWN_FILES = {
    "callint/commands/init.py",
    "callint/cli/git_file.py",
    "callint/reporting/files/destinations.py",
}
_CHANGING = {
    *("write_text", "write_bytes", "touch", "mkdir", "makedirs", "rmdir", "unlink", "rename", "renames"),
    *("symlink_to", "hardlink_to", "mkstemp", "mkdtemp", "NamedTemporaryFile", "TemporaryDirectory"),
    *("rmtree", "copytree", "copyfile", "copy2", "fdopen"),
}
#: Names that other things have too.
_OF_MODULES = {("os", item) for item in ("remove", "replace", "link", "symlink", "truncate")} | {
    ("shutil", "move")
}


def changes(tree: ast.Module) -> Iterator[str]:
    """The calls in a module that may change the disk."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        function = node.func
        name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
        of = getattr(getattr(function, "value", None), "id", "")
        given = [*node.args, *(keyword.value for keyword in node.keywords)]
        modes = [item.value for item in given if isinstance(item, ast.Constant)]
        is_opened = name == "open" and any(
            isinstance(item, str) and set(item) & set("wax+") for item in modes
        )
        if is_opened or name in _CHANGING or (of, name) in _OF_MODULES:
            yield name


def may_change(text: str) -> bool:
    """Whether a module holds the words of a call that may change the disk; others need not be parsed."""
    words = set(re.findall(r"\w+", text))
    return not words.isdisjoint({"open", *_CHANGING}) or any(words.issuperset(pair) for pair in _OF_MODULES)


def test_only_one_module_writes_files() -> None:
    actual = {}
    for path in sorted((REPOSITORY / "callint").rglob("*.py")):
        text = path.read_text("utf-8")
        if may_change(text) and (names := set(changes(ast.parse(text)))):
            actual[path.relative_to(REPOSITORY).as_posix()] = names
    assert actual.keys() == _OWN_WAYS.keys(), actual


def test_only_what_callint_places_itself_is_written_unasked() -> None:
    actual = {
        path.relative_to(REPOSITORY).as_posix()
        for path in sorted((REPOSITORY / "callint").rglob("*.py"))
        if "own_file" in path.read_text("utf-8") or "is_own=True" in path.read_text("utf-8")
    }
    assert actual == _OWN_FILES


#: Run in a process of its own, as a hook of this kind cannot be taken back.
_LISTENER = """
import json, os, sys, traceback
from callint.__main__ import main
found = []
def heard(event, words):
    is_open = event == "open" and isinstance(words[2], int) and words[2] & (os.O_WRONLY | os.O_RDWR)
    if is_open and isinstance(words[0], int):
        return
    if is_open or event in ("os.rename", "os.link", "os.symlink", "os.truncate"):
        frame, files = sys._getframe(1), set()
        while frame is not None:
            files.add(frame.f_code.co_filename)
            frame = frame.f_back
        if not any(one.endswith(("reporting/files/atomic_write.py", "reading/cache.py")) for one in files):
            found.append([event, str(words[0])])
status = 0
sys.addaudithook(heard)
status = main(sys.argv[1:])
sys.stderr.write("\\n" + json.dumps([status, [one for one in found if one[1] != os.devnull]]))
"""


@cache
def _written_by_all() -> Path:
    """A yard in which every command has something to write."""
    yard = make_repository_yard(folder_for_copies(), heron=GOOD, auk=edited(GOOD, {HULL: b"AUK         "}))
    yard.write("engine.a2l", A2L)
    yard.write("list.csv", LIST)
    yard.write("values.csv", VALUES)
    write_definitions(yard)
    yard.write(HERON, edited(BAD, {0x90: b"\0\0"}, seal=False))
    yard.commit("A slip")
    return yard.root


@pytest.mark.parametrize(
    "name",
    [
        *sorted(WRITERS.keys() - {"demo"}),
        *("seal", "set", "apply", "restore", "waive", "merge driver", "init", "init --undo"),
    ],
)
def test_no_command_writes_by_another_way(tmp_path: Path, name: str) -> None:
    yard = refreshed(copy_of(_written_by_all(), tmp_path / "yard"))
    if name == "init --undo":
        assert yard.call("init").status == 0
    options = {
        "seal": ("seal", HERON),
        "set": ("set", HERON, "overspeed_cut", "--to", "4100"),
        "apply": ("apply", HERON, "values.csv"),
        "restore": ("restore", HERON, "--table", "fuel"),
        "waive": WAIVED,
        "merge driver": ("merge", "--driver", "--", BASE, HERON, AUK, AUK),
        "init": ("init",),
        "init --undo": ("init", "--undo"),
    }.get(name) or writing(name, "free-output")
    before = state(yard.root)
    done = run_python("-c", _LISTENER, *options, cwd=yard.root, env=environment(CALLINT_CACHE=""))
    status, result = json.loads(done.stderr.splitlines()[-1])
    assert status in (0, 1), done
    assert state(yard.root) != before
    assert result == []
