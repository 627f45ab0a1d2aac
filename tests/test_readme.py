"""What the README shows is what callint does."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from callint.reading.policy import read_policy
from tests.building import findings, u16
from tests.running import GOOD, REPOSITORY, edited, environment, fuel_cell, make_repository_yard, run

README = (Path(__file__).resolve().parent.parent / "README.md").read_text("utf-8")


def _blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.DOTALL | re.MULTILINE)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("readme") / "demo"
    assert run("demo", "demo", cwd=folder.parent).status == 0
    return folder


def test_the_first_definition_is_without_a_finding() -> None:
    (definition,) = _blocks("xml")
    assert findings(definition.encode()) == []


def test_the_policy_is_a_valid_one() -> None:
    (policy,) = _blocks("toml")
    read = read_policy(policy.encode(), "callint.toml")
    assert [waiver.table for waiver in read.waivers] == ["full_load"]
    assert read.images[0].paths == ("boats/*.bin",)


def test_the_finding_is_one_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("error "))
    assert shown in run("check", "boats/petrel.bin", cwd=demo).stdout


def test_the_diff_is_one_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("rail_pressure_demand"))
    assert shown in run("diff", "factory/sk28-0412.bin", "boats/petrel.bin", cwd=demo).stdout


def test_the_outputs_at_a_point_are_those_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("boats/petrel.bin at "))
    point = ("--at", "engine_speed=2900,fuel_quantity=60")
    assert shown in run("show", "boats/petrel.bin", "rail_pressure_demand", *point, cwd=demo).stdout


def test_the_false_reading_is_one_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("boats/heron.bin: "))
    (words,) = re.findall(r"`(--true [^`]* --series-resistor \d+)`", README)
    assert run("whatif", "boats/heron.bin", *words.split(), cwd=demo).stdout.startswith(shown)


def test_setting_up_takes_one_line_each_for_the_demo_and_the_tests() -> None:
    commands = [block for block in _blocks("") if block.startswith("python3 -m venv")]
    assert len(commands) == 2
    assert all(block.count("\n") == 1 for block in commands)
    assert "callint demo" in commands[0] and "pytest" in commands[1]


GIT = (Path(__file__).resolve().parent.parent / "docs" / "git.md").read_text("utf-8")


def test_the_lines_of_the_git_page_make_git_speak_engineering_units(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    launcher = tmp_path / "bin" / "callint"
    launcher.parent.mkdir()
    launcher.write_text(f'#!/bin/sh\nPYTHONPATH="{REPOSITORY}" exec "{sys.executable}" -m callint "$@"\n')
    launcher.chmod(0o755)
    (lines,) = re.findall(r"^```\n(.*?)^```$", GIT, re.DOTALL | re.MULTILINE)
    done = subprocess.run(["sh", "-e", "-c", lines], cwd=scratch.root, env=environment(), check=False)
    assert done.returncode == 0
    scratch.commit("Attributes")
    path = {"PATH": f"{launcher.parent}:{environment()['PATH']}"}
    # Two people edit different cells of one table; the checksum differs on both sides.
    scratch.must("checkout", "-q", "-b", "topic")
    scratch.write("boats/heron.bin", edited(GOOD, {fuel_cell(0, 0): u16(130)}))
    scratch.commit("Topic")
    scratch.must("checkout", "-q", "main")
    scratch.write("boats/heron.bin", edited(GOOD, {fuel_cell(3, 2): u16(770)}))
    assert "76.0 → 77.0" in scratch.git("diff", env=path).stdout
    scratch.commit("Main")
    merged = scratch.git("merge", "--no-edit", "topic", env=path)
    assert merged.status == 0, merged
    both = edited(GOOD, {fuel_cell(0, 0): u16(130), fuel_cell(3, 2): u16(770)})
    assert (scratch.root / "boats/heron.bin").read_bytes() == both
    assert "+fuel at load 70 mg: 70  72  74  77" in scratch.git("log", "-p", "-1", "HEAD^1", env=path).stdout
