"""Whatever a path on the command line leads to, a command answers: it never hangs, and never fails itself."""

from __future__ import annotations

import json
import os
import socket
import stat
import tempfile
from collections.abc import Iterator
from contextlib import chdir
from functools import cache
from importlib import import_module
from pathlib import Path

import click
import pytest

from callint.commands import COMMANDS, MODULES
from tests.building import hex_file
from tests.hostile.repository import A2L, BASE, DEFINITION, HERON, LIST, VALUES
from tests.reviewing import signed_review
from tests.running import (
    BAD,
    GOOD,
    HULL,
    Scratch,
    copy_of,
    edited,
    environment,
    folder_for_copies,
    make_repository_yard,
    refreshed,
    run_python,
    yard_base,
    yard_definition,
)

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need a right on Windows")

AUK = "boats/auk.bin"
_PAGE = ("--output", "page.html")
_JSON = ("--format", "json")
_MERGED = ("--to", "merged.bin")
_WAIVED = ("waive", "value/out-of-range", "--table", "fuel", "--reason", "Measured twice.")
_HEX = ("0" * 40, "100644")

#: Every place of a path on a command line, where PATH stands.
CALLS: dict[str, tuple[str, ...]] = {
    "check paths": ("check", "PATH"),
    "check --definition": ("check", HERON, "--definition", "PATH"),
    "check --base": ("check", HERON, "--base", "PATH"),
    "check --policy": ("check", "--policy", "PATH"),
    "check --staged --policy": ("check", "--staged", "--policy", "PATH"),
    "check --output": ("check", *_JSON, "--output", "PATH"),
    "diff arguments": ("diff", "PATH", HERON),
    "diff NEW": ("diff", BASE, "PATH"),
    "diff of revisions": ("diff", "HEAD~1", "HEAD", "PATH"),
    "diff --definition": ("diff", BASE, HERON, "--definition", "PATH"),
    "diff --policy": ("diff", BASE, HERON, "--policy", "PATH"),
    "diff --log": ("diff", BASE, HERON, "--log", "PATH"),
    "diff --image": ("diff", DEFINITION, DEFINITION, "--image", "PATH"),
    "diff --output": ("diff", BASE, HERON, *_JSON, "--output", "PATH"),
    "diff --driver": ("diff", "--driver", "--", HERON, "PATH", *_HEX, HERON, *_HEX),
    "review arguments": ("review", "PATH", HERON, *_PAGE),
    "review NEW": ("review", BASE, "PATH", *_PAGE),
    "review --definition": ("review", BASE, HERON, *_PAGE, "--definition", "PATH"),
    "review --policy": ("review", BASE, HERON, *_PAGE, "--policy", "PATH"),
    "review --log": ("review", BASE, HERON, *_PAGE, "--log", "PATH"),
    "review --output": ("review", BASE, HERON, "--output", "PATH"),
    "explain old": ("explain", "PATH", HERON, *_PAGE),
    "explain new": ("explain", BASE, "PATH", *_PAGE),
    "explain --releases": ("explain", BASE, HERON, *_PAGE, "--releases", "PATH"),
    "explain --definition": ("explain", BASE, HERON, *_PAGE, "--definition", "PATH"),
    "explain --policy": ("explain", BASE, HERON, *_PAGE, "--policy", "PATH"),
    "explain --output": ("explain", BASE, HERON, "--output", "PATH"),
    "show image": ("show", "PATH"),
    "show of a revision": ("show", "HEAD:PATH"),
    "show --plain": ("show", "--plain", "--", "PATH"),
    "show --definition": ("show", HERON, "--definition", "PATH"),
    "show --policy": ("show", HERON, "--policy", "PATH"),
    "show --base": ("show", HERON, "--at", "speed=1700,load=30", "--base", "PATH"),
    "show --log": ("show", HERON, "--log", "PATH"),
    "show --output": ("show", HERON, *_JSON, "--output", "PATH"),
    "identify images": ("identify", HERON, "PATH"),
    "identify --definition": ("identify", HERON, "--definition", "PATH"),
    "identify --policy": ("identify", HERON, "--policy", "PATH"),
    "coverage images": ("coverage", HERON, "PATH"),
    "coverage --definition": ("coverage", HERON, "--definition", "PATH"),
    "coverage --policy": ("coverage", HERON, "--policy", "PATH"),
    "coverage --base": ("coverage", HERON, "--base", "PATH"),
    "checksums images": ("checksums", BASE, "PATH"),
    "checksums --definition": ("checksums", BASE, HERON, "--definition", "PATH"),
    "checksums --policy": ("checksums", BASE, HERON, "--policy", "PATH"),
    "whatif image": ("whatif", "PATH", "--true", "speed=1600", "--reads", "2000"),
    "whatif --definition": (
        *("whatif", HERON, "--true", "speed=1600", "--reads", "2000"),
        *("--definition", "PATH"),
    ),
    "whatif --policy": ("whatif", HERON, "--true", "speed=1600", "--reads", "2000", "--policy", "PATH"),
    "fleet paths": ("fleet", "PATH", "--definition", DEFINITION),
    "fleet --definition": ("fleet", HERON, "--definition", "PATH"),
    "fleet --policy": ("fleet", "--policy", "PATH"),
    "fleet --differs-from": ("fleet", HERON, "--definition", DEFINITION, "--differs-from", "PATH"),
    "fleet --output": ("fleet", *_JSON, "--output", "PATH"),
    "history image": ("history", "PATH"),
    "history --definition": ("history", HERON, "--definition", "PATH"),
    "history --policy": ("history", HERON, "--policy", "PATH"),
    "merge base": ("merge", "PATH", HERON, AUK, *_MERGED),
    "merge ours": ("merge", BASE, "PATH", AUK, *_MERGED),
    "merge theirs": ("merge", BASE, HERON, "PATH", *_MERGED),
    "merge --to": ("merge", BASE, HERON, AUK, "--to", "PATH"),
    "merge --to without conflicts": ("merge", BASE, AUK, BASE, "--to", "PATH"),
    "merge --definition": ("merge", BASE, HERON, AUK, *_MERGED, "--definition", "PATH"),
    "merge --policy": ("merge", BASE, HERON, AUK, *_MERGED, "--policy", "PATH"),
    "merge path": ("merge", "--driver", "--", BASE, HERON, AUK, "PATH"),
    "merge --driver": ("merge", "--driver", "--", BASE, "PATH", AUK, HERON),
    "carry old_base": ("carry", "PATH", AUK, BASE, "--to", "carried.bin"),
    "carry reworked": ("carry", BASE, "PATH", BASE, "--to", "carried.bin"),
    "carry new_base": ("carry", BASE, AUK, "PATH", "--to", "c.bin", "--new-definition", DEFINITION),
    "carry --to": ("carry", BASE, AUK, BASE, "--to", "PATH"),
    "carry --old-definition": ("carry", BASE, AUK, BASE, "--to", "c.bin", "--old-definition", "PATH"),
    "carry --new-definition": ("carry", BASE, AUK, BASE, "--to", "c.bin", "--new-definition", "PATH"),
    "carry --policy": ("carry", BASE, AUK, BASE, "--to", "carried.bin", "--policy", "PATH"),
    "relocate old": ("relocate", "PATH", BASE, "--definition", DEFINITION),
    "relocate new": ("relocate", BASE, "PATH"),
    "relocate --definition": ("relocate", BASE, BASE, "--definition", "PATH"),
    "relocate --to": ("relocate", BASE, BASE, "--to", "PATH"),
    "relocate --policy": ("relocate", BASE, BASE, "--policy", "PATH"),
    "waive --image": (*_WAIVED, "--image", "PATH"),
    "waive --policy": (*_WAIVED, "--policy", "PATH"),
    "waive --from-review": ("waive", "--from-review", "PATH"),
    "set image": ("set", "PATH", "overspeed_cut", "--to", "4100"),
    "set --definition": ("set", HERON, "overspeed_cut", "--to", "4100", "--definition", "PATH"),
    "set --policy": ("set", HERON, "overspeed_cut", "--to", "4100", "--policy", "PATH"),
    "apply image": ("apply", "PATH", "values.csv"),
    "apply values": ("apply", HERON, "PATH"),
    "apply values in CDFX": ("apply", HERON, "PATH.cdfx"),
    "apply --definition": ("apply", HERON, "values.csv", "--definition", "PATH"),
    "apply --policy": ("apply", HERON, "values.csv", "--policy", "PATH"),
    "restore image": ("restore", "PATH", "--table", "fuel"),
    "restore --base": ("restore", HERON, "--table", "fuel", "--base", "PATH"),
    "restore --definition": ("restore", HERON, "--table", "fuel", "--definition", "PATH"),
    "restore --policy": ("restore", HERON, "--table", "fuel", "--policy", "PATH"),
    "seal image": ("seal", "PATH"),
    "seal --definition": ("seal", HERON, "--definition", "PATH"),
    "seal --policy": ("seal", HERON, "--policy", "PATH"),
    "init images": ("init", "PATH", "--definition", DEFINITION, "--dry-run"),
    "init --definition": ("init", "boats/*.bin", "--definition", "PATH", "--dry-run"),
    "init --base": ("init", "boats/*.bin", "--definition", DEFINITION, "--base", "PATH", "--dry-run"),
    "import file": ("import", "PATH"),
    "import --to": ("import", "engine.a2l", "--to", "PATH"),
    "import --mapping": ("import", "list.csv", "--mapping", "PATH"),
    "import --image of a description": ("import", "engine.a2l", "--image", "PATH"),
    "import --image": ("import", "list.csv", "--byte-order", "big", "--image", "PATH"),
    "export definition": ("export", "PATH", "--to", "exported.a2l"),
    "export --to": ("export", DEFINITION, "--to", "PATH"),
    "release image": ("release", "PATH", "--to", "release"),
    "release --to": ("release", AUK, "--to", "PATH"),
    "release --policy": ("release", AUK, "--check", "--policy", "PATH"),
    "verify image": ("verify", "PATH"),
    "verify --releases": ("verify", HERON, "--releases", "PATH"),
    "verify --definition": ("verify", AUK, "--definition", "PATH"),
    "verify --policy": ("verify", HERON, "--policy", "PATH"),
    "demo folder": ("demo", "PATH"),
}

#: What paths may lead to, beside nothing.
PATHS = {
    "a link to itself": "loop",
    "below a link to itself": "loop/x",
    "two links to each other": "to-there",
    "a long name": "a" * 300,
    "a long path": "a/" * 2048 + "x",  # by a character longer than Linux takes
    "below a file": "callint.toml/x",
    "a pipe": "pipe",
    "a link to a pipe": "to-pipe",
    "a device without an end": "zero",
    "a full device": "full",
    "memory": "/proc/self/mem",
    "a folder": "folder",
    "the top": "/",
    "nothing": "",
    "a null character": "a\0b",
    "below what is missing": "missing/x",
    "bytes that are no text": "\udcff/x",
    "a socket": "socket",
}

#: Calls main in one process for all calls: the status and what was said, for each.
_PROGRAM = """
import io, json, os, resource, sys
from contextlib import redirect_stderr, redirect_stdout
from callint.__main__ import main
calls, first, user, is_gone = json.load(sys.stdin)
top = os.getcwd()
answers = {}
if user:
    import gzip, jsonschema, pprint
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        for words in first:  # what is loaded late is loaded, as nobody may read no module
            main(words)
    os.setgroups([])
    os.setgid(user)
    os.setuid(user)
walk = os.walk
def walk_in_bounds(top, *arguments, **options):
    # Below the top lies the whole disk of this machine; these two folders of it are in bounds. On a disk at
    # work files vanish before anyone looks at them.
    for folder, folders, names in walk(top, *arguments, **options):
        if folder in ("/", "/dev"):
            folders[:] = {"dev"}.intersection(folders) if folder == "/" else ()
            names.append("vanished")
        yield folder, folders, names
os.walk = walk_in_bounds
for name, words in calls.items():
    sys.stderr.write(name + "\\n")
    sys.stderr.flush()
    out, said = io.StringIO(), io.StringIO()
    if is_gone:
        os.chdir(top)
        os.mkdir("gone")
        os.chdir("gone")
        os.rmdir("../gone")
    with redirect_stdout(out), redirect_stderr(said):
        status = main(words)
    answers[name] = status, said.getvalue()
sys.stdout.write(json.dumps(answers))
"""


def answers(
    root: Path, calls: dict[str, tuple[str, ...]], user: int = 0, is_gone: bool = False
) -> dict[str, tuple[int, str]]:
    """What calls are answered, also in a current folder that is gone.

    One that hangs ends the test with its name; no other takes nearly so long.
    """
    first = [[word.replace("PATH", "nothing-there") for word in words] for words in CALLS.values()]
    done = run_python(
        *("-c", _PROGRAM),
        cwd=root,
        env=environment(CALLINT_CACHE="") if user else environment(),  # who may read nothing has no cache
        text=json.dumps([calls, first, user, is_gone]).encode(),
        patience=300,
    )
    assert done.status == 0, done.stderr[-2000:]
    return {name: (status, said) for name, (status, said) in done.data.items()}


def yard_of(root: Path) -> Scratch:
    """A yard with files of every kind, and a slip in its second commit."""
    return refreshed(copy_of(_template(), root))


@cache
def _template() -> Path:
    yard = make_repository_yard(folder_for_copies(), heron=GOOD, auk=edited(GOOD, {HULL: b"AUK         "}))
    yard.write("engine.a2l", A2L)
    yard.write("list.csv", LIST)
    yard.write("values.csv", VALUES)
    yard.write(HERON, BAD)
    yard.commit("A slip")
    return yard.root


@pytest.mark.parametrize("path", PATHS)
def test_a_path_that_is_not_a_file_is_refused_in_one_line(tmp_path: Path, path: str) -> None:
    root = yard_of(tmp_path / "yard").root
    for name, target in (("loop", "loop"), ("to-there", "to-here"), ("to-here", "to-there")):
        (root / name).symlink_to(target)
    os.mkfifo(root / "pipe")
    (root / "to-pipe").symlink_to("pipe")
    (root / "folder").mkdir()
    for name, minor in (("zero", 5), ("full", 7)):
        # Devices of its own: whoever may replace those of the machine would, if this went wrong.
        if os.geteuid() == 0:
            os.mknod(root / name, 0o666 | stat.S_IFCHR, os.makedev(1, minor))
        else:
            (root / name).symlink_to(f"/dev/{name}")
    with socket.socket(socket.AF_UNIX) as made, chdir(root):  # the path of a socket is short
        made.bind("socket")
    given = PATHS[path]
    calls = {
        name: tuple(word.replace("PATH", given) for word in arguments) for name, arguments in CALLS.items()
    }
    for name, (status, said) in answers(root, calls).items():
        # A definition can be shown without an image, and an empty folder takes a release.
        if name in MUST and (name, path) not in {("show image", "nothing"), ("release --to", "a folder")}:
            assert status == 2, (name, said)
        assert_answered(name, status, said)


def assert_answered(name: str, status: int, said: str) -> None:
    """That a command did what it could, or said in one line why not."""
    assert status in (0, 1, 2), (name, said)
    if status == 2:
        assert len(said.splitlines()) == 1, (name, said)
        assert said.startswith("callint"), (name, said)


#: Those that cannot go without the file: what a check cannot read is a finding, and git's drivers go on.
MUST = {name for name in CALLS if name.endswith(("--to", "--output", "--policy", "--log", "conflicts"))} | {
    *(name for name in CALLS if name.endswith("--definition") and not name.startswith(("check", "init"))),
    *(
        "seal image",
        "import file",
        "export definition",
        "import --mapping",
        "import --image",
        "merge base",
        "merge ours",
        "merge theirs",
        "carry old_base",
        "relocate old",
        "relocate new",
    ),
    "waive --from-review",
    *("identify images", "coverage images", "coverage --base", "checksums images"),
    *("carry reworked", "carry new_base", "review NEW", "explain new", "show image", "show of a revision"),
}


@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="only the superuser can become nobody")
def test_a_path_without_permission_is_one_line() -> None:
    with tempfile.TemporaryDirectory(prefix="callint-nobody-") as folder:
        Path(folder).chmod(0o755)
        root = yard_of(Path(folder) / "yard").root
        for top, names, files in os.walk(root):
            for name in (*names, *files, "."):
                os.chown(Path(top) / name, 65534, 65534)
        (root / "closed").mkdir()
        (root / "closed" / "file").write_bytes(GOOD)
        (root / "closed").chmod(0o700)
        (root / "unreadable").write_bytes(GOOD)
        (root / "unreadable").chmod(0o600)
        calls = {
            f"{name} {path}": tuple(word.replace("PATH", path) for word in arguments)
            for path in ("closed/file", "closed", "unreadable")
            for name, arguments in CALLS.items()
            if name != "demo folder" or path != "closed"
        }
        for name, (status, said) in answers(root, calls, 65534).items():
            assert_answered(name, status, said)


def test_a_current_folder_that_is_gone_is_one_line(tmp_path: Path) -> None:
    calls = {name: tuple(word.replace("PATH", "x") for word in words) for name, words in CALLS.items()}
    for name, (status, said) in answers(tmp_path, calls, is_gone=True).items():
        if "--driver" in CALLS[name]:
            assert status in (0, 1, 2), (name, said)
        else:
            assert status == 2, (name, said)
            assert len(said.splitlines()) == 1, (name, said)


def parameters() -> Iterator[tuple[str, click.Parameter]]:
    for name in COMMANDS:
        for item in import_module(f"callint.commands.{MODULES.get(name, name)}").command.params:
            yield name, item


#: Arguments that are not paths.
_WORDS = {"tables", "findings", "causes", "rule", "rules", "shell", "name", "table"}


def test_every_path_on_a_command_line_is_tried() -> None:
    missing = []
    for name, parameter in parameters():
        if isinstance(parameter, click.Option):
            is_path = parameter.metavar in ("FILE", "PATH", "DIR")
            tried = any(f"{name} {option}" in CALLS for option in parameter.opts)
        else:
            is_path = parameter.name not in (
                "tables",
                "findings",
                "causes",
                "rule",
                "rules",
                "shell",
                "name",
                "table",
            )
            tried = f"{name} {parameter.name}" in CALLS
        if is_path and not tried:
            missing.append(f"{name} {parameter.name}")
    assert missing == []


def test_the_paths_are_tried_in_calls_that_work_with_a_file(tmp_path: Path) -> None:
    yard = yard_of(tmp_path / "yard")
    changes = yard.call("diff", BASE, HERON, "--format", "cdfx").stdout
    fitting = {
        "definition": yard_definition(),
        "policy": (yard.root / "callint.toml").read_bytes(),
        "log": b"time,speed,load\n0,1000,20\n1,1200,30\n",
        "file": A2L.encode(),
        "mapping": b'byte_order = "big"\n',
        "base": yard_base(),
        "values": VALUES.encode(),
        "--from-review": signed_review(yard).encode(),
        "CDFX": changes.encode(),
        # The description is of two bytes alone.
        "image of a description": hex_file({0x30: GOOD[0x30:0x32]}),
    }
    for name, arguments in CALLS.items():
        content = next((data for kind, data in fitting.items() if name.endswith(kind)), GOOD)
        path = HERON if "image" in name or name == "check paths" else "given"
        if name.endswith("--releases"):
            (yard.root / path).mkdir()
        elif not name.endswith(("--to", "--output", "conflicts", "folder", "merge path")):
            yard.write(path, BAD if path == HERON and content is GOOD else content)
        if name == "show of a revision" or name.startswith("init") or "staged" in name:
            continue
        if name.endswith("CDFX"):
            (yard.root / path).rename(yard.root / f"{path}.cdfx")
        result = yard.call(*(word.replace("PATH", path) for word in arguments))
        yard.must("checkout", "--quiet", "--", ".")
        yard.must("clean", "--quiet", "--force", "-d")
        assert result.status in (0, 1), (name, result)
