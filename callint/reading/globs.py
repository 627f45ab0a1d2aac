"""Globs over paths with forward slashes."""

from __future__ import annotations

import fnmatch
from functools import lru_cache


def matches(path: str, glob: str) -> bool:
    """Whether a path matches a glob: * and ? stay inside a folder, ** stands for any folders."""
    return _match(tuple(path.split("/")), tuple(glob.split("/")))


@lru_cache(maxsize=4096)
def _match(parts: tuple[str, ...], patterns: tuple[str, ...]) -> bool:
    # Which of the first n parts the patterns so far can stand for: linear in both, whatever the glob.
    reached = [True, *(False for _ in parts)]
    for pattern in patterns:
        if pattern == "**":
            for number in range(len(parts)):
                reached[number + 1] = reached[number + 1] or reached[number]
        else:
            hits = [
                here and fnmatch.fnmatchcase(part, pattern)
                for here, part in zip(reached, parts, strict=False)
            ]
            reached = [False, *hits]
    return reached[-1]
