"""Finds signals by the names that users give."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from callint.model.definition import Definition, Signal
from callint.model.errors import InputError

#: The largest number of signals to suggest for an unknown name.
_MOST_LIKELY = 3


def signal_named(definition: Definition, name: str, option: str) -> Signal:
    """The signal of this name in the definition; raises InputError if there is none."""
    if name not in definition.signals:
        suggestions = " or ".join(map(repr, _suggestions(name, definition.signals)))
        advice = (
            f"did you mean {suggestions}?"
            if suggestions
            else f"known signals are {_list_of(definition.signals)}"
        )
        raise InputError(f"{option} {name}: no signal has this name; {advice}")
    return definition.signals[name]


def _suggestions(name: str, known: Iterable[str]) -> list[str]:
    """The signals that a word may mean: those that end with it, those that contain it, or the closest."""
    word, names = name.casefold(), list(known)
    containing = [known_name for known_name in names if len(word) > 1 and word in known_name.casefold()]
    containing.sort(key=lambda known_name: not known_name.casefold().endswith(f"_{word}"))
    return containing[:_MOST_LIKELY] or difflib.get_close_matches(name, names, n=1)


def _list_of(names: Iterable[str]) -> str:
    known = list(names)
    return ", ".join(known[:8]) + (" and more" if len(known) > 8 else "") if known else "none"
