"""Writes numbers into golden files, and compares texts with them.

A golden file holds numbers as a reviewer can judge them: with six significant digits. Another processor or
another library of linear algebra may round the last of them differently.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import pytest

_NUMBER = re.compile(r"(?<![\w.])-?(?:\d+(?:\.\d+)?(?:e[+-]?\d+)?)(?![\w])")
#: One unit in the last of six significant digits is at most this part of the number.
LAST_DIGIT = 1e-5


def number(value: float) -> str:
    """A number with six significant digits; what arithmetic leaves of 0 is 0."""
    return f"{value:.6g}" if not abs(value) < 1e-14 else "0"


def point(at: Mapping[str, float]) -> str:
    """An operating point: "speed 1000, load 50"."""
    return ", ".join(f"{signal} {number(value)}" for signal, value in at.items())


def assert_as_reviewed(text: str, reviewed: str, tolerance: float = LAST_DIGIT) -> None:
    """Compare a text with a golden one: words and whole numbers exactly, others by relative tolerance."""
    lines, expected_lines = text.splitlines(), reviewed.splitlines()
    assert [_NUMBER.sub("#", line) for line in lines] == [_NUMBER.sub("#", line) for line in expected_lines]
    for line, expected_line in zip(lines, expected_lines, strict=True):
        for actual, expected in zip(_NUMBER.findall(line), _NUMBER.findall(expected_line), strict=True):
            assert _is_close(actual, expected, tolerance), (line, expected_line)


def _is_close(actual: str, expected: str, tolerance: float) -> bool:
    if _is_whole(actual) and _is_whole(expected):
        return int(actual) == int(expected)
    return bool(float(actual) == pytest.approx(float(expected), rel=tolerance))


def _is_whole(text: str) -> bool:
    return text.lstrip("-").isdigit()
