"""A repository as an attacker would hand it over, made by real git, and what tells that it got somewhere.

Outside the repository lie canaries: a program that notes down every call, files whose contents no output may
show, and a port of this machine that nobody may connect to.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from unittest import mock

from callint.commands import COMMANDS as KNOWN
from callint.comparing.checksum_search.search import ChecksumSearch, find_checksums
from callint.model.definition import Memory
from callint.model.image import Image
from tests.commands.initiating import state
from tests.reviewing import signed_review
from tests.running import (
    BAD,
    GOOD,
    HULL,
    POLICY,
    Result,
    Scratch,
    copy_of,
    edited,
    folder_for_copies,
    make_repository_yard,
    refreshed,
    steering,
    yard_base,
    yard_definition,
)

HERON, BASE, DEFINITION = "boats/heron.bin", "factory/base.bin", "defs/yard.xml"
#: What lies in every canary file. It must never be seen.
SECRET = "LEAKEDSECRET"
WAIVED = ("waive", "value/out-of-range", "--image", HERON, "--table", "fuel", "--reason", "Measured twice.")
#: A safety net against a hang, in seconds; no command takes near as long.
_PATIENCE = 120
_DRIVEN = ("0" * 40, "100644")

#: Every command that looks into a repository, by a name for people.
COMMANDS: dict[str, tuple[str, ...]] = {
    "check": ("check", "--all"),
    "check a path": ("check", HERON),
    "check --staged": ("check", "--staged"),
    "check --since": ("check", "--since", "HEAD~1"),
    "check --range": ("check", "--range", "HEAD~1..HEAD"),
    "check --each": ("check", "--range", "HEAD~1..HEAD", "--each"),
    "check as JSON": ("check", "--format", "json"),
    "check as SARIF": ("check", "--format", "sarif"),
    "check as JUnit": ("check", "--format", "junit"),
    "check as Markdown": ("check", "--format", "markdown"),
    "check as lines": ("check", "--format", "lines"),
    "check as github": ("check", "--format", "github"),
    "check as gitlab": ("check", "--format", "gitlab"),
    "diff": ("diff", BASE, HERON),
    "diff of a revision": ("diff", f"HEAD~1:{HERON}", HERON),
    "diff of revisions": ("diff", "HEAD~1", "HEAD"),
    "diff of definitions": ("diff", f"HEAD~1:{DEFINITION}", DEFINITION, "--image", HERON),
    "diff driver of definitions": (
        "diff",
        "--driver",
        "--",
        DEFINITION,
        DEFINITION,
        *_DRIVEN,
        DEFINITION,
        *_DRIVEN,
    ),
    "diff at a point": ("diff", BASE, HERON, "--at", "speed=1700", "--at", "load=30"),
    "diff --as-carried": ("diff", "--as-carried", BASE, HERON, BASE, f"HEAD~1:{HERON}"),
    "diff as CDFX": ("diff", BASE, HERON, "--format", "cdfx"),
    "diff driver": ("diff", "--driver", "--", HERON, BASE, *_DRIVEN, HERON, *_DRIVEN),
    "show": ("show", HERON),
    "show of a revision": ("show", f"HEAD:{HERON}"),
    "show a definition": ("show", "--definition", DEFINITION),
    "show a definition of a revision": ("show", "--definition", f"HEAD:{DEFINITION}"),
    "show as CSV": ("show", HERON, "--format", "csv"),
    "show as grids in CSV": ("show", HERON, "--format", "csv", "--dialect", "semicolon"),
    "show as JSON": ("show", HERON, "--format", "json"),
    "show as git's text form": ("show", "--plain", "--", HERON),
    "show of a definition as git's text form": ("show", "--plain", "--", DEFINITION),
    "show at a point": ("show", HERON, "--at", "speed=1700", "--at", "load=30"),
    "identify": ("identify", HERON, f"HEAD:{HERON}"),
    "coverage": ("coverage", HERON, f"HEAD~1:{HERON}"),
    "coverage with suggestions": ("coverage", HERON, "--suggest"),
    "checksums": ("checksums", BASE, HERON, f"HEAD~1:{HERON}"),
    "whatif": ("whatif", HERON, "--true", "speed=1600", "--reads", "2000"),
    "fleet": ("fleet",),
    "fleet beside an image": ("fleet", "--differs-from", f"HEAD~1:{HERON}"),
    "history over the fleet": ("history", HERON, "overspeed_cut", "--values", "--fleet"),
    "history": ("history", HERON),
    "history of a table": ("history", HERON, "fuel"),
    "merge": ("merge", BASE, HERON, "boats/auk.bin", "--to", "merged.bin"),
    "merge of revisions": ("merge", f"HEAD~1:{HERON}", f"HEAD:{HERON}", f"HEAD:{BASE}", "--to", "merged.bin"),
    "merge of definitions": ("merge", DEFINITION, "ours.xml", "theirs.xml", "--to", "merged.xml"),
    "merge driver": ("merge", "--driver", "--", BASE, HERON, "boats/auk.bin", "boats/auk.bin"),
    "carry": ("carry", BASE, "boats/auk.bin", BASE, "--to", "carried.bin"),
    "relocate": ("relocate", BASE, "boats/auk.bin", "--to", "defs/relocated.xml"),
    "waive": WAIVED,
    "waive --from-review": ("waive", "--from-review", "heron.sign-off.json"),
    "set": ("set", HERON, "fuel", "--at", "speed=1600,load=40", "--to", "12 mg"),
    "apply": ("apply", HERON, "values.csv"),
    "restore": ("restore", HERON, "--table", "fuel"),
    "seal": ("seal", HERON),
    "init --dry-run": ("init", "--dry-run"),
    "init": ("init",),
    "init without hooks": ("init", "--no-hook"),
    "init --undo": ("init", "--undo"),
    "import": ("import", "engine.a2l", "--to", "imported.xml"),
    "export": ("export", DEFINITION, "--to", "exported.a2l"),
    "release": ("release", HERON, "--to", "release"),
    "verify": ("verify", HERON),
    "verify of another content": ("verify", "boats/auk.bin", "--format", "json"),
    "export of a revision": ("export", f"HEAD:{DEFINITION}", "--to", "exported.a2l"),
    "import of a list": (
        *("import", "list.csv", "--image", HERON, "--mapping", "columns.toml"),
        *("--to", "imported.xml"),
    ),
}
if "review" in KNOWN:
    COMMANDS["review"] = ("review", BASE, HERON, "--output", "review.html")
if "explain" in KNOWN:
    COMMANDS["explain"] = ("explain", BASE, HERON, "--output", "explained.html")
#: Those that look into it in ways of their own; the formats alone look no further.
WAYS = {name: arguments for name, arguments in COMMANDS.items() if " as " not in name or "text form" in name}

#: A description of one number, as small as can be.
A2L = """\
ASAP2_VERSION 1 60
/begin PROJECT p ""
  /begin MODULE m ""
    /begin RECORD_LAYOUT word FNC_VALUES 1 UWORD COLUMN_DIR DIRECT /end RECORD_LAYOUT
    /begin COMPU_METHOD one "" LINEAR "%4.0" "rpm" COEFFS_LINEAR 1 0 /end COMPU_METHOD
    /begin CHARACTERISTIC cut "" VALUE 0x30 word 0 one 0 5000 /end CHARACTERISTIC
  /end MODULE
/end PROJECT
"""
#: A file of values of one cell.
VALUES = "table,value\noverspeed_cut,4100\n"
#: A list of addresses of one number, and a mapping file for it.
LIST = "name;address;type;unit\ncut;0x30;uint16;rpm\n"
MAPPING = 'byte_order = "big"\n'


@dataclass(frozen=True)
class Hostile:
    """A yard in a repository, and the canaries around it."""

    yard: Scratch
    outside: Path
    port: socket.socket

    @property
    def program(self) -> Path:
        """An executable that notes down that it was called, and how."""
        return self.outside / "program"

    @property
    def calls(self) -> str:
        """The calls of the program so far."""
        path = self.outside.parent / "calls"
        return path.read_text("utf-8", "replace") if path.exists() else ""

    @property
    def address(self) -> str:
        """An address on the network that nobody may ask."""
        return f"http://127.0.0.1:{self.port.getsockname()[1]}/"

    def was_asked(self) -> bool:
        """Whether anybody connected to the address."""
        try:
            self.port.accept()[0].close()
        except BlockingIOError:
            return False
        return True

    def forget_calls(self) -> None:
        (self.outside.parent / "calls").unlink(missing_ok=True)

    def tried(self, *arguments: str, **env: str) -> Result:
        """A command that answered, with none of the canaries touched."""
        (result,) = self.tried_each([arguments], **env)
        return result

    def tried_each(self, commands: Iterable[tuple[str, ...]], **env: str) -> list[Result]:
        """Commands that answered, one after the other, each with none of the canaries touched."""
        before = state(self.outside, times=True)
        results = []
        for arguments in commands:
            result = self._answer(arguments, env)
            assert self.port.fileno() >= 0, f"{arguments}: no answer within {_PATIENCE} s"
            assert result.status in (0, 1, 2), result
            assert self.calls == ""
            assert not self.was_asked()
            assert state(self.outside, times=True) == before, arguments
            assert SECRET not in result.stdout + result.stderr
            assert steering(result.stdout.replace("\r", "")) == []
            assert steering(result.stderr) == []
            if result.status == 2:
                assert len(result.stderr.splitlines()) >= 1
                assert all(line.startswith("callint") for line in result.stderr.splitlines()), result.stderr
            results.append(result)
        return results

    def _answer(self, arguments: tuple[str, ...], env: dict[str, str]) -> Result:
        """What a command answers; if it hangs, the port is closed."""
        # Whoever asks for the address waits for an answer until then.
        net = threading.Timer(_PATIENCE, self.port.close)
        net.daemon = True
        net.start()
        try:
            return self.yard.call(*arguments, **env)
        finally:
            net.cancel()


@contextmanager
def hostile_repository(folder: Path, prepare: Callable[[Scratch], None] | None = None) -> Iterator[Hostile]:
    """A yard with two commits, a slip staged, and canaries beside it; nothing in it is hostile yet.

    What many tests ``prepare`` in it is made once and copied.
    """
    copy_of(_template() if prepare is None else _prepared(prepare), folder)
    if prepare is not None:
        refreshed(folder / "yard")
    program = folder / "outside" / "program"
    program.write_text(f'#!/bin/sh\necho "$0 $*" >> "{folder / "calls"}"\nexit 0\n', "utf-8")
    program.chmod(0o755)
    with (
        socket.create_server(("127.0.0.1", 0)) as port,
        mock.patch("callint.commands.checksums.find_checksums", _find_checksums_once),
    ):
        port.setblocking(False)
        yield Hostile(Scratch(folder / "yard"), folder / "outside", port)


def _find_checksums_once(images: list[Image], memory: Memory) -> ChecksumSearch:
    """What callint finds: it depends on bytes alone, and takes as long as ten other commands."""
    return _found_checksums(tuple(images), memory)


@cache
def _found_checksums(images: tuple[Image, ...], memory: Memory) -> ChecksumSearch:
    return find_checksums(images, memory)


@cache
def _prepared(prepare: Callable[[Scratch], None]) -> Path:
    folder = folder_for_copies()
    copy_of(_template(), folder)
    prepare(Scratch(folder / "yard"))
    return folder


@cache
def _template() -> Path:
    """The yard and the canaries, but for the program."""
    folder = folder_for_copies()
    yard = make_repository_yard(folder / "yard", heron=GOOD, auk=edited(GOOD, {HULL: b"AUK         "}))
    yard.write("engine.a2l", A2L)
    yard.write("list.csv", LIST)
    yard.write("values.csv", VALUES)
    yard.write("columns.toml", MAPPING)
    yard.write("ours.xml", yard_definition().replace(b'max="90"', b'max="91"'))
    yard.write("theirs.xml", yard_definition().replace(b'max="90"', b'max="92"'))
    yard.write(HERON, edited(GOOD, {HULL: b"HERON-4     "}))
    yard.commit("Another hull number")
    yard.stage(HERON, BAD)
    yard.write("heron.sign-off.json", signed_review(yard))
    outside = folder / "outside"
    outside.mkdir()
    secret = edited(yard_base(), {HULL: SECRET.encode()})
    (outside / "secret.bin").write_bytes(secret)
    (outside / "secret.xml").write_bytes(yard_definition().replace(b"Fuel by speed", SECRET.encode()))
    (outside / "secret.toml").write_text(f"{POLICY}# {SECRET}\n[{SECRET}]\n", "utf-8")
    (outside / "secret.csv").write_text(f"speed,{SECRET}\n1000,1\n", "utf-8")
    (outside / "secret.a2l").write_text(A2L.replace("cut", SECRET), "utf-8")
    (outside / "secret.csv").write_text(LIST.replace("cut", SECRET), "utf-8")
    (outside / "folder").mkdir()
    for name in ("yard.xml", "base.bin", "heron.bin"):
        (outside / "folder" / name).write_bytes((outside / f"secret{Path(name).suffix}").read_bytes())
    return folder
