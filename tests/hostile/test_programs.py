"""No program that a repository names is started, and nobody on the network is asked."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from callint.versioning.git import blob_reader, process
from tests.hostile.repository import COMMANDS, HERON, WAYS, Hostile, hostile_repository
from tests.running import Scratch

pytestmark = pytest.mark.skipif(os.name == "nt", reason="the canary is a program of sh")

#: Settings whose value is a program, or a line for the shell.
PROGRAMS = (
    "alias.cat-file",
    "alias.check-attr",
    "alias.diff",
    "alias.log",
    "alias.ls-files",
    "core.alternateRefsCommand",
    "core.askPass",
    "core.editor",
    "core.fsmonitor",
    "core.gitProxy",
    "core.pager",
    "core.sshCommand",
    "credential.helper",
    "diff.evil.command",
    "diff.evil.textconv",
    "diff.external",
    "diff.guitool",
    "filter.evil.clean",
    "filter.evil.process",
    "filter.evil.smudge",
    "filter.lfs.clean",
    "filter.lfs.process",
    "filter.lfs.smudge",
    "gpg.program",
    "gpg.ssh.program",
    "gpg.ssh.defaultKeyCommand",
    "gpg.x509.program",
    "interactive.diffFilter",
    "merge.evil.driver",
    "pager.diff",
    "pager.log",
    "pager.ls-files",
    "sequence.editor",
    "ssh.variant",
    "trailer.evil.command",
    "uploadpack.packObjectsHook",
    "user.signingKey",
)

#: Variables whose value is a program.
VARIABLES = (
    "EDITOR",
    "GIT_ASKPASS",
    "GIT_EDITOR",
    "GIT_EXTERNAL_DIFF",
    "GIT_PAGER",
    "GIT_PROXY_COMMAND",
    "GIT_SEQUENCE_EDITOR",
    "GIT_SSH",
    "GIT_SSH_COMMAND",
    "PAGER",
    "SSH_ASKPASS",
    "VISUAL",
)

HOOKS = (
    "applypatch-msg",
    "commit-msg",
    "fsmonitor-watchman",
    "post-checkout",
    "post-commit",
    "post-index-change",
    "post-merge",
    "pre-commit",
    "pre-merge-commit",
    "pre-push",
    "prepare-commit-msg",
    "reference-transaction",
    "update",
)

#: The commands that ask git in ways of their own. Of the formats only those of forges ask for more than their
#: command does, namely where the repository lies.
ASKING = WAYS | {name: COMMANDS[name] for name in ("check as github", "check as gitlab")}


def arm(hostile: Hostile) -> None:
    """Name the program wherever git could be made to start it."""
    yard, program = hostile.yard, str(hostile.program)
    git = yard.root / ".git"
    hooks = git / "hooks"
    hooks.mkdir(exist_ok=True)
    for name in HOOKS:
        (hooks / name).write_text(f'#!/bin/sh\nexec "{program}" {name}\n', "utf-8")
        (hooks / name).chmod(0o755)
    (git / "info").mkdir(exist_ok=True)
    (git / "info" / "attributes").write_text("* diff=evil filter=evil merge=evil\n", "utf-8")
    (git / "evil-config").write_text(
        "".join(
            f"[{name.rpartition('.')[0].replace('.', ' ' + chr(34), 1)}"
            f"{chr(34) if name.count('.') == 2 else ''}]\n"
            f'\t{name.rpartition(".")[2]} = "{"!" if name.startswith("alias") else ""}{program}"\n'
            for name in PROGRAMS
        )
        + f"""\
[log]
\tshowSignature = true
[protocol]
\tallow = always
[protocol "ext"]
\tallow = always
[remote "origin"]
\turl = ext::{program} %S
\tpromisor = true
\tpartialCloneFilter = blob:none
[remote "net"]
\turl = {hostile.address}
\tpromisor = true
[url "ext::{program} "]
\tinsteadOf = https://
[core]
\tuntrackedCache = true
[diff]
\tignoreSubmodules = none
\tsubmodule = log
[status]
\tsubmoduleSummary = true
[safe]
\tdirectory = *
""",
        "utf-8",
    )
    with (git / "config").open("a", encoding="utf-8") as config:
        config.write("[include]\n\tpath = evil-config\n")


def test_the_traps_are_set(hostile: Hostile) -> None:
    arm(hostile)
    started = set()
    for arguments in (
        ("status",),
        ("diff",),
        ("add", "--all"),
        ("commit", "--message", "x"),
        ("log", "-p", "--ext-diff"),
    ):
        hostile.forget_calls()
        hostile.yard.git(*arguments)
        if hostile.calls:
            started.add(arguments[0])
    assert started >= {"status", "diff", "add", "commit"}


@pytest.mark.parametrize("arguments", COMMANDS.values(), ids=COMMANDS)
def test_no_command_starts_what_the_repository_names(hostile: Hostile, arguments: tuple[str, ...]) -> None:
    arm(hostile)
    result = hostile.tried(*arguments, **dict.fromkeys(VARIABLES, str(hostile.program)))
    # The hooks that are there already are in the way of init's own, which says so.
    assert result.status in (0, 1) or (arguments[0] == "init" and "this hook already exists" in result.error)


def seem_changed(yard: Scratch) -> None:
    """Let all files seem to have changed, so that git compares their contents, which it does by a filter."""
    yard.must("reset", "--quiet", "--hard")
    yard.stage("empty", b"")
    yard.stage(".gitattributes", "* filter=evil\n")
    # Git does so with what was written at the time of the index or later.
    for path in yard.root.rglob("*"):
        if ".git" not in path.parts and path.is_file():
            os.utime(path, (4_000_000_000, 4_000_000_000))
    yard.must("add", "--all")


def name_filter(hostile: Hostile) -> None:
    program = f'"{hostile.program}"'
    with (hostile.yard.root / ".git" / "config").open("a", encoding="utf-8") as config:
        config.write(f'[filter "evil"]\n\tclean = {program}\n\tsmudge = {program}\n\tprocess = {program}\n')


def test_git_looks_through_the_filter_into_files_that_seem_to_have_changed(tmp_path: Path) -> None:
    with hostile_repository(tmp_path, seem_changed) as hostile:
        name_filter(hostile)
        hostile.yard.git("diff-files", "--name-only")
        assert hostile.calls


@pytest.mark.parametrize("arguments", ASKING.values(), ids=ASKING)
def test_no_filter_looks_into_files_that_seem_to_have_changed(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    with hostile_repository(tmp_path, seem_changed) as hostile:
        name_filter(hostile)
        hostile.tried(*arguments)


@pytest.mark.parametrize("arguments", ASKING.values(), ids=ASKING)
def test_no_command_fetches_what_the_repository_lacks(hostile: Hostile, arguments: tuple[str, ...]) -> None:
    arm(hostile)
    plain = ("-c", "core.fsmonitor=false", "-c", "core.pager=cat")
    lacking = (f":{HERON}", f"HEAD:{HERON}", "HEAD:factory/base.bin")
    for blob in hostile.yard.must(*plain, "rev-parse", *lacking).split():
        (hostile.yard.root / ".git" / "objects" / blob[:2] / blob[2:]).unlink()
    with (hostile.yard.root / ".git" / "config").open("a", encoding="utf-8") as config:
        config.write("[core]\n\trepositoryFormatVersion = 1\n[extensions]\n\tpartialClone = origin\n")
    hostile.forget_calls()
    hostile.tried(*arguments)


@pytest.mark.parametrize("arguments", ASKING.values(), ids=ASKING)
def test_hooks_elsewhere_are_asked_by_no_command(hostile: Hostile, arguments: tuple[str, ...]) -> None:
    hooks = hostile.yard.root / "tools"
    hooks.mkdir()
    for name in HOOKS:
        (hooks / name).write_text(f'#!/bin/sh\nexec "{hostile.program}" {name}\n', "utf-8")
        (hooks / name).chmod(0o755)
    with (hostile.yard.root / ".git" / "config").open("a", encoding="utf-8") as config:
        config.write("[core]\n\thooksPath = tools\n")
    hostile.tried(*arguments)


@pytest.mark.parametrize("arguments", COMMANDS.values(), ids=COMMANDS)
def test_every_command_does_its_work_where_nothing_is_hostile_and_asks_git_nothing_twice(
    hostile: Hostile, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    asked = []
    start = process.start

    def noted(words: list[str], folder: Path, stdin: int, stderr: int) -> subprocess.Popen[bytes]:
        asked.append((*words, folder))
        return start(words, folder, stdin, stderr)

    monkeypatch.setattr(process, "start", noted)
    monkeypatch.setattr(blob_reader, "start", noted)
    assert hostile.tried(*arguments).status in (0, 1)
    assert len(set(asked)) == len(asked), asked
