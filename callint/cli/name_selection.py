"""Tables, texts and axes that the command line selects with globs."""

from __future__ import annotations

import fnmatch
from collections.abc import Collection

from callint.model.definition import Definition
from callint.model.errors import InputError


def table_selection(definition: Definition, globs: tuple[str, ...]) -> frozenset[str]:
    """The names of tables, texts and axes that match any of the globs; InputError if a glob matches none."""
    return names_matching([*definition.tables, *definition.texts, *definition.axes], globs)


def names_matching(
    names: Collection[str],
    globs: tuple[str, ...],
    problem: str = "there is no table {!r}",
    remedy: str = "callint show IMAGE --list lists them",
) -> frozenset[str]:
    """The names that match any of the globs.

    If a glob matches none, InputError with the ``problem``, formatted with the glob, and with a similar name
    or the ``remedy``.
    """
    selected: set[str] = set()
    for glob in globs:
        matching = fnmatch.filter(names, glob)
        if not matching:
            from difflib import get_close_matches

            close = get_close_matches(glob, names, n=1)
            advice = f"did you mean {close[0]!r}?" if close else remedy
            raise InputError(f"{problem.format(glob)}; {advice}")
        selected.update(matching)
    return frozenset(selected)
