"""Globs over paths with forward slashes."""

from __future__ import annotations

import fnmatch
from functools import lru_cache


def matches(path: str, glob: str) -> bool:
    """Whether a path matches a glob: * and ? match within a folder name, ** matches any folders."""
    return _match(tuple(path.split("/")), tuple(glob.split("/")))


@lru_cache(maxsize=4096)
def _match(parts: tuple[str, ...], patterns: tuple[str, ...]) -> bool:
    # matched[n] says whether the patterns so far match the first n parts: the time is linear in both.
    matched = [True, *(False for _ in parts)]
    for pattern in patterns:
        if pattern == "**":
            for number in range(len(parts)):
                matched[number + 1] = matched[number + 1] or matched[number]
        else:
            matched = [
                False,
                *(
                    before and fnmatch.fnmatchcase(part, pattern)
                    for before, part in zip(matched, parts, strict=False)
                ),
            ]
    return matched[-1]
