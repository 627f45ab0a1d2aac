"""What the README shows is what callint does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from callint.reading.policy import read_policy
from tests.building import findings
from tests.running import run

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


def test_the_mistakes_are_those_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("8 mistakes "))
    printed = run("check", "boats/petrel.bin", cwd=demo).stdout
    assert printed.startswith(shown)
    headings = [line for line in printed.splitlines() if line.startswith("error ")]
    assert len(headings) == 8
    assert len(printed.splitlines()) <= 70
    assert max(map(len, printed.splitlines())) <= 80


def test_the_diff_is_one_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("rail_pressure_demand"))
    assert shown in run("diff", "factory/sk28-0412.bin", "boats/petrel.bin", cwd=demo).stdout


def test_the_outputs_at_a_point_are_those_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("boats/petrel.bin at "))
    point = ("--at", "engine_speed=2900,fuel_quantity=60")
    assert shown in run("show", "boats/petrel.bin", "rail_pressure_demand", *point, cwd=demo).stdout


def test_the_false_reading_is_one_of_the_demo(demo: Path) -> None:
    (shown,) = (block for block in _blocks("") if block.startswith("boats/heron.bin: "))
    (arguments,) = re.findall(r"`(--true [^`]* --series-resistor \d+)`", README)
    assert run("whatif", "boats/heron.bin", *arguments.split(), cwd=demo).stdout.startswith(shown)


def test_setting_up_takes_one_line_each_for_the_demo_and_the_tests() -> None:
    commands = [block for block in _blocks("") if block.startswith("python3 -m venv")]
    assert len(commands) == 2
    assert all(block.count("\n") == 1 for block in commands)
    assert "callint demo" in commands[0] and "pytest" in commands[1]
