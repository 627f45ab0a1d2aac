"""Globs over paths with forward slashes."""

from __future__ import annotations

import fnmatch
from functools import lru_cache


def matches(path: str, glob: str) -> bool:
    """Whether a path matches a glob: * and ? match within a folder name, ** matches any folders."""
    start, first = path.rfind("/") + 1, glob.rfind("/") + 1
    pattern = glob[first:]
    if pattern == "**":
        return _match(f"{path}/", f"{glob}/")
    # Many files lie in one folder, so the answer for the folder is looked up.
    return fnmatch.fnmatchcase(path[start:], pattern) and _match(path[:start], glob[:first])


@lru_cache(maxsize=4096)
def _match(path: str, glob: str) -> bool:
    """As ``matches``; both have a slash after each part."""
    parts = path.split("/")[:-1]
    # matched[n] says whether the patterns so far match the first n parts: the time is linear in both.
    matched = [True, *(False for _ in parts)]
    for pattern in glob.split("/")[:-1]:
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
