"""The policy that callint init writes: small, and commented."""

from __future__ import annotations

import json
from collections.abc import Sequence

from callint.model.errors import InputError

_EXAMPLE = (("boats/*.bin",), ("definitions/first.xml",), ("factory/first.bin",))


def policy_text(
    images: Sequence[str] = (), definitions: Sequence[str] = (), bases: Sequence[str] = ()
) -> str:
    """A policy for images, given as globs, with at least one definition; without images, a commented example.

    InputError if a policy cannot name a path.
    """
    lines = _entry(images, definitions, bases) if images else [f"# {line}" for line in _entry(*_EXAMPLE)]
    entry = "\n".join(lines)
    return f"""\
# What callint checks here. callint check checks all of it, and
# callint check --staged what the next commit touches.
# A wrong calibration can destroy an engine and hurt people: the maker's limits,
# local law and licensed practice come first.

# From which severity on a check fails: "error", "warning" or "note".
# fail-on = "error"

# Which images belong to which definition and factory base.
{entry}

# How severe findings are, by rule or by family; callint rules lists them.
# [severity]
# "change/emissions" = "error"

# callint waive writes down here what was accepted, by whom and why.
"""


def _entry(images: Sequence[str], definitions: Sequence[str], bases: Sequence[str]) -> list[str]:
    lines = ["[[images]]"]
    if len(images) > 1:
        lines += ["paths = [", *(f"    {_quoted(image)}," for image in images), "]"]
    else:
        lines.append(f"paths = [{_quoted(images[0])}]")
    for key, paths in (("definition", definitions), ("base", bases)):
        quoted = [_quoted(path) for path in paths]
        if quoted:
            lines.append(f"{key} = {quoted[0] if len(quoted) == 1 else '[' + ', '.join(quoted) + ']'}")
    return lines


def _quoted(path: str) -> str:
    """A path as a TOML string. JSON strings are TOML strings, except for one control character."""
    if not path.isprintable():
        raise InputError(f"{path}: a policy cannot name a path with invisible characters; rename it")
    if "\\" in path:
        raise InputError(f"{path}: a policy cannot name a path with a backslash; rename it")
    return json.dumps(path, ensure_ascii=False)
