"""``callint rules``, and the help, as their users meet them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from callint import __version__
from callint.commands import COMMANDS
from callint.rules.registry import RULES
from tests.running import (
    call,
    call_in_encoding,
    run,
    too_wide,
)


def test_the_list_has_every_rule_once_with_its_severity(tmp_path: Path) -> None:
    result = call("rules", cwd=tmp_path)
    assert (result.status, result.stderr) == (0, "")
    listed = [match.groups() for line in result.lines if (match := re.match(r"(\w+) +(\w+/[\w-]+)$", line))]
    assert sorted(listed) == sorted((rule.severity.value, rule.id) for rule in RULES.values())
    assert too_wide(result.stdout) == []


def test_the_list_keeps_families_together(tmp_path: Path) -> None:
    ids = re.findall(r"^\w+ +(\w+)/[\w-]+$", call("rules", cwd=tmp_path).stdout, re.MULTILINE)
    seen = list(dict.fromkeys(ids))
    assert ids == sorted(ids, key=seen.index)


@pytest.mark.parametrize("rule", sorted(RULES))
def test_a_rules_page_explains_the_rule_its_reason_and_the_fix(tmp_path: Path, rule: str) -> None:
    result = call("rules", rule, cwd=tmp_path)
    assert (result.status, result.stderr) == (0, "")
    assert result.lines[0] == rule
    assert RULES[rule].title in result.flat
    for word in ("Why it matters:", "Example", "Fix:", "Waive:", f"Severity: {RULES[rule].severity.value}"):
        assert word in result.flat, word
    assert too_wide(result.stdout) == []


def test_a_family_is_all_of_its_pages(tmp_path: Path) -> None:
    result = call("rules", "protection", cwd=tmp_path)
    assert result.status == 0
    pages = [line for line in result.lines if re.fullmatch(r"\w+/[\w-]+", line)]
    assert pages == [rule for rule in RULES if rule.startswith("protection/")]
    assert pages


def test_an_unknown_rule_is_refused_with_a_suggestion(tmp_path: Path) -> None:
    error = call("rules", "value/out-of-rnage", cwd=tmp_path).error
    assert "'value/out-of-rnage'" in error
    assert "did you mean 'value/out-of-range'" in error
    assert "callint rules lists them" in call("rules", "zzz", cwd=tmp_path).error


def test_a_terminal_without_unicode_gets_every_page(tmp_path: Path) -> None:
    for family in dict.fromkeys(rule.family for rule in RULES.values()):
        result = call_in_encoding("ascii", "rules", family, cwd=tmp_path)
        assert result.status == 0, result


# The help


@pytest.mark.parametrize("arguments", [(), ("--help",), ("-h",), ("help",)])
def test_help_lists_the_commands_and_the_caution_and_succeeds(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    result = call(*arguments, cwd=tmp_path)
    assert (result.status, result.stderr) == (0, "")
    places = [result.stdout.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)
    assert "it does not approve" in result.flat
    assert too_wide(result.stdout) == []


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_explains_itself(tmp_path: Path, command: str) -> None:
    result = call(command, "--help", cwd=tmp_path)
    assert (result.status, result.stderr) == (0, "")
    assert result.stdout.startswith(f"Usage: callint {command} ")
    assert too_wide(result.stdout) == []
    assert call(command, "-h", cwd=tmp_path) == result


def test_version_is_one_line(tmp_path: Path) -> None:
    result = run("--version", cwd=tmp_path)
    assert (result.status, result.stdout) == (0, f"callint {__version__}\n")
