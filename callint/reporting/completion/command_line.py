"""A plain description of callint's command line, from which the scripts are made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from callint.fmt import clean

PROGRAM = "callint"


@dataclass(frozen=True, slots=True)
class Value:
    """A value on the command line: one of ``choices``, a file, or any text.

    ``name`` is its name on help pages.
    """

    name: str
    choices: tuple[str, ...] = ()
    is_file: bool = False


@dataclass(frozen=True, slots=True)
class Option:
    """An option with all its ``names``; ``value`` follows it, None for a flag."""

    names: tuple[str, ...]
    help: str
    value: Value | None = None
    is_repeatable: bool = False


@dataclass(frozen=True, slots=True)
class Command:
    """A command; ``argument`` describes its arguments, None if it takes none."""

    name: str
    title: str
    options: tuple[Option, ...]
    argument: Value | None


def one_line(text: str) -> str:
    """A text as one line without control characters."""
    return " ".join(clean(text).split())


def names_of(options: Iterable[Option]) -> list[str]:
    """All names of some options."""
    return [name for option in options for name in option.names]


def header(shell: str) -> str:
    """The comment with which a script begins."""
    return f"# Completes {PROGRAM} in {shell}; made by: {PROGRAM} completion {shell}"
