"""Signals by the names that people give."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from callint.model.definition import Definition, Signal
from callint.model.errors import InputError

#: So many signals are suggested for a name that is none.
_MOST_LIKELY = 3


def signal_named(definition: Definition, name: str, option: str) -> Signal:
    """A signal of the definition; InputError where there is none of the name."""
    if name not in definition.signals:
        likely = " or ".join(map(repr, _likely(name, definition.signals)))
        advice = f"did you mean {likely}?" if likely else f"known are {_listed(definition.signals)}"
        raise InputError(f"{option} {name}: no signal has this name; {advice}")
    return definition.signals[name]


def _likely(name: str, known: Iterable[str]) -> list[str]:
    """The signals that a word may stand for: that end with it, that have it in them, or else the nearest."""
    word, names = name.casefold(), list(known)
    having = [known_name for known_name in names if len(word) > 1 and word in known_name.casefold()]
    having.sort(key=lambda known_name: not known_name.casefold().endswith(f"_{word}"))
    return having[:_MOST_LIKELY] or difflib.get_close_matches(name, names, n=1)


def _listed(names: Iterable[str]) -> str:
    known = list(names)
    return ", ".join(known[:8]) + (" and more" if len(known) > 8 else "") if known else "none"
