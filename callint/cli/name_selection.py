"""Tables, texts and axes that the command line selects with globs."""

from __future__ import annotations

import fnmatch

from callint.model.definition import Definition
from callint.model.errors import InputError


def table_selection(definition: Definition, globs: tuple[str, ...]) -> frozenset[str]:
    """The names of tables, texts and axes that match any of the globs; InputError if a glob matches none."""
    return names_matching([*definition.tables, *definition.texts, *definition.axes], globs)


def names_matching(names: list[str], globs: tuple[str, ...], option: str = "") -> frozenset[str]:
    """The names that match any of the globs; InputError, with the ``option``, if a glob matches none."""
    selected: set[str] = set()
    for glob in globs:
        matching = fnmatch.filter(names, glob)
        if not matching:
            from difflib import get_close_matches

            close = get_close_matches(glob, names, n=1)
            advice = f"did you mean {close[0]!r}?" if close else "callint show IMAGE --list lists them"
            problem = f"there is no table {glob!r}"
            if option:
                problem = f"{option} {glob}: there is no such table, axis or text"
            raise InputError(f"{problem}; {advice}")
        selected.update(matching)
    return frozenset(selected)
