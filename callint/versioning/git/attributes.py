"""Attributes that git gives to files."""

from __future__ import annotations

import subprocess
from collections.abc import Iterable

from callint.model.errors import InputError
from callint.versioning.git.repository import Repo, run_git

#: Seconds that git may take over attributes. Before 2.41 a stranger's patterns keep it busy forever.
_TIMEOUT = 20


def read_attributes(repo: Repo, paths: Iterable[str], *names: str) -> dict[str, dict[str, str]]:
    """The values of attributes by path from the top and by name, "unset" and "unspecified" included."""
    values: dict[str, dict[str, str]] = {}
    paths = list(paths)
    if not paths:
        return values  # git rejects a call without paths
    try:
        fields = run_git(repo, "check-attr", "-z", *names, "--", *paths, timeout=_TIMEOUT).split("\0")
    except subprocess.TimeoutExpired:
        raise InputError(
            "git check-attr: it does not finish; look for lines with many stars in .gitattributes"
        ) from None
    for path, name, value in zip(fields[0::3], fields[1::3], fields[2::3], strict=False):
        values.setdefault(path, {})[name] = value
    return values
