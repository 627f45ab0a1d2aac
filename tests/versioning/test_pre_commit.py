"""The hook that ``.pre-commit-hooks.yaml`` offers, run by the real pre-commit in a scratch repository."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.building import u16
from tests.commands.initiating import FRAMEWORK, done
from tests.running import (
    BAD,
    CUT,
    GOOD,
    REPOSITORY,
    Result,
    Scratch,
    edited,
    environment,
    launcher,
    make_repository,
    make_repository_yard,
)

HERON = "boats/heron.bin"
BETTER = edited(GOOD, {CUT: u16(4150)})


@dataclass(frozen=True)
class Consumer(Scratch):
    """A repository that uses the hook; commands in it see a ``callint`` on the PATH."""

    tools: Path

    def _environment(self) -> dict[str, str]:
        path = os.pathsep.join([str(self.tools / "bin"), os.environ.get("PATH", os.defpath)])
        return environment(PATH=path, PRE_COMMIT_HOME=str(self.tools / "home"), PRE_COMMIT_COLOR="never")

    def start(self, *arguments: str) -> Result:
        done = subprocess.run(
            arguments,
            cwd=self.root,
            env=self._environment(),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            encoding="utf-8",
            check=False,
        )
        return Result(done.returncode, done.stdout, done.stderr)

    def pre_commit(self, *arguments: str) -> Result:
        return self.start(sys.executable, "-m", "pre_commit", *arguments)

    def try_to_commit(self, *arguments: str) -> Result:
        return self.start("git", "commit", "--message", "Work", *arguments)

    def head(self) -> str:
        return self.must("rev-parse", "HEAD")


def put_on_path(folder: Path) -> None:
    """A ``callint`` to start by name, as an installation leaves one."""
    folder.mkdir(parents=True)
    if os.name == "nt":
        (folder / "callint.bat").write_text(f'@"{sys.executable}" -m callint %*\r\n', "utf-8")
        return
    (folder / "callint").symlink_to(launcher())


@pytest.fixture
def consumer(tmp_path: Path) -> Consumer:
    """A yard whose configuration names a repository with this project's own hook file."""
    hooks = make_repository(tmp_path / "hooks")
    shutil.copy(REPOSITORY / ".pre-commit-hooks.yaml", hooks.root / ".pre-commit-hooks.yaml")
    hooks.commit("The hook")
    revision = hooks.must("rev-parse", "HEAD").strip()
    tools = tmp_path / "tools"
    put_on_path(tools / "bin")
    scratch = make_repository_yard(tmp_path / "yard", heron=GOOD, petrel=GOOD)
    consumer = Consumer(scratch.root, tools)
    # Only the language is another than users have: installing callint would need a package index.
    consumer.write(
        ".pre-commit-config.yaml",
        f"""\
default_install_hook_types: [pre-commit, pre-merge-commit]
repos:
  - repo: {hooks.root.as_posix()}
    rev: {revision}
    hooks:
      - id: callint
        language: system
""",
    )
    consumer.commit("Check before every commit")
    install(consumer)  # both hooks, by the first line
    return consumer


def install(consumer: Consumer, *types: str) -> None:
    installed = consumer.pre_commit("install", *types)
    assert installed.status == 0, installed


def test_a_bad_cell_stops_the_commit_and_a_good_one_passes(consumer: Consumer) -> None:
    before = consumer.head()
    consumer.stage(HERON, BAD)
    stopped = consumer.try_to_commit()
    assert stopped.status != 0
    said = stopped.stdout + stopped.stderr
    assert "999.0 mg is above the limit of 90 mg" in said
    assert "Failed" in said
    assert consumer.head() == before
    consumer.stage(HERON, BETTER)
    passed = consumer.try_to_commit()
    assert passed.status == 0, passed
    assert consumer.head() != before


def test_a_partly_staged_file_is_judged_by_what_is_staged(consumer: Consumer) -> None:
    before = consumer.head()
    consumer.stage(HERON, BETTER)
    consumer.write(HERON, BAD)
    passed = consumer.try_to_commit()
    assert passed.status == 0, passed
    assert consumer.head() != before
    # The work that was not committed is back where it was.
    assert (consumer.root / HERON).read_bytes() == BAD
    before = consumer.head()
    consumer.stage(HERON, BAD)
    consumer.write(HERON, BETTER)
    assert consumer.try_to_commit().status != 0
    assert consumer.head() == before
    assert (consumer.root / HERON).read_bytes() == BETTER


def test_a_commit_that_changes_only_the_definition_is_checked_too(consumer: Consumer) -> None:
    before = consumer.head()
    strict = (consumer.root / "defs" / "yard.xml").read_bytes().replace(b'max="90"', b'max="44.5"')
    consumer.stage("defs/yard.xml", strict)
    stopped = consumer.try_to_commit()
    assert stopped.status != 0
    assert "above the limit" in stopped.stdout + stopped.stderr
    assert consumer.head() == before


def test_a_commit_with_a_path_and_a_run_by_hand_are_checked(consumer: Consumer) -> None:
    before = consumer.head()
    consumer.stage("boats/petrel.bin", BAD)
    by_hand = consumer.pre_commit("run", "callint")
    assert by_hand.status == 1
    assert "boats/petrel.bin" in by_hand.stdout
    consumer.write(HERON, BETTER)
    passed = consumer.try_to_commit(HERON)
    assert passed.status == 0, passed
    assert consumer.head() != before


def by_the_hook_file(consumer: Consumer) -> None:
    """The fixture's own configuration names the hook file."""


def by_init_with_the_framework(consumer: Consumer) -> None:
    # The hook must run at merges, whatever else the configuration says about the stages of hooks.
    consumer.write(".pre-commit-config.yaml", f"default_stages: [pre-commit]\n{FRAMEWORK}")
    initialized = done(consumer.run("init", "--pre-commit"))
    assert "--hook-type pre-merge-commit" not in initialized.flat  # they are installed
    consumer.commit("Set up")


def by_init(consumer: Consumer) -> None:
    for name in ("pre-commit", "pre-merge-commit"):
        (consumer.root / ".git" / "hooks" / name).unlink()
    done(consumer.run("init"))
    consumer.commit("Set up")


@pytest.mark.parametrize("set_up", [by_the_hook_file, by_init_with_the_framework, by_init])
def test_a_merge_that_brings_in_a_bad_cell_is_stopped(
    consumer: Consumer, set_up: Callable[[Consumer], None]
) -> None:
    set_up(consumer)
    consumer.must("checkout", "--quiet", "-b", "topic")
    consumer.write("boats/petrel.bin", BAD)
    consumer.commit("Unchecked")
    consumer.must("checkout", "--quiet", "main")
    consumer.write(HERON, BETTER)
    consumer.commit("Apart")
    before = consumer.head()
    stopped = consumer.start("git", "merge", "--no-edit", "topic")
    assert stopped.status != 0
    assert "999.0 mg is above the limit of 90 mg" in stopped.stdout + stopped.stderr
    assert consumer.head() == before
    consumer.must("merge", "--abort")
    consumer.must("checkout", "--quiet", "topic")
    consumer.write("boats/petrel.bin", GOOD)
    consumer.commit("Corrected")
    consumer.must("checkout", "--quiet", "main")
    merged = consumer.start("git", "merge", "--no-edit", "topic")
    assert merged.status == 0, merged
    assert consumer.must("rev-list", "--parents", "-1", "HEAD").split()[1] == before.strip()


def test_init_names_the_hooks_of_the_framework_that_are_not_installed(consumer: Consumer) -> None:
    (consumer.root / ".git" / "hooks" / "pre-merge-commit").unlink()
    for _ in range(2):
        text = done(consumer.run("init", "--pre-commit")).flat
        assert "pre-commit install --hook-type pre-commit --hook-type pre-merge-commit" in text
    install(consumer, "--hook-type", "pre-commit", "--hook-type", "pre-merge-commit")
    assert "pre-commit install" not in done(consumer.run("init", "--pre-commit")).flat


def test_the_hook_file_is_what_pre_commit_asks_for(consumer: Consumer) -> None:
    manifest = consumer.pre_commit("validate-manifest", str(REPOSITORY / ".pre-commit-hooks.yaml"))
    assert manifest.status == 0, manifest
    assert "warning" not in (manifest.stdout + manifest.stderr).lower()
