"""What is printed for people: the same words on a terminal and in a pipe, colours on a terminal only."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest

from callint.reporting.terminal import StyledLine, console, line, width
from tests.running import BAD, Yard, make_yard, run

_STYLE = re.compile(r"\x1b\[[0-9;]*m")


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard")
    yard.write("boats/heron.bin", BAD)
    return yard


WORDS = [
    ("check",),
    ("diff", "factory/base.bin", "boats/heron.bin"),
    ("show", "boats/heron.bin"),
    ("show", "boats/heron.bin", "--at", "speed=1700", "--at", "load=30"),
    ("whatif", "boats/heron.bin", "--true", "speed=1000", "--reads", "900"),
    ("rules", "value/out-of-range"),
]


@pytest.mark.parametrize("arguments", WORDS, ids=" ".join)
def test_colours_add_nothing_to_the_words(yard: Yard, arguments: tuple[str, ...]) -> None:
    plain, styled = (
        run(*arguments, cwd=yard.root),
        run(*arguments, cwd=yard.root, FORCE_COLOR="1", COLUMNS="80"),
    )
    assert "\x1b" not in plain.stdout
    assert "\x1b[" in styled.stdout
    assert _STYLE.sub("", styled.stdout) == plain.stdout
    assert styled.status == plain.status


def test_no_color_is_honoured(yard: Yard) -> None:
    said = run("check", cwd=yard.root, FORCE_COLOR="1", NO_COLOR="1", COLUMNS="80").stdout
    assert not re.search(r"\x1b\[[0-9;]*3[0-7]", said)


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_has_the_width_that_it_reports_and_a_pipe_has_80_columns(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "123")
    assert width(console(Screen())) == 123
    assert width(console(io.StringIO())) == 80
    assert width(console(io.StringIO(), colour=True)) == 123
    monkeypatch.setenv("COLUMNS", "7")
    assert width(console(Screen())) == 40


def test_a_line_is_indented_stripped_and_styled_part_by_part() -> None:
    item = line(("rpm ", "bold"), "  ", ("", "dim"))
    assert item.plain == "rpm   "
    assert item.stripped().parts == (("rpm", "bold"),)
    assert item.indented("  ").plain == "  rpm   "
    assert item.styled("dim").parts[0] == ("rpm ", "bold dim")
    assert StyledLine(("  ", "")).stripped().plain == ""


def test_what_would_steer_a_terminal_is_spelled_out_in_lines() -> None:
    assert line("a\x1b[2Jb").plain == "a\\x1b[2Jb"
