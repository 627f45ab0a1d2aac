"""Globs of a policy as patterns of git's own files.

Both mean the same by ``*`` and ``**``; they differ in brackets and in how a line is quoted. To git ``?`` and
brackets stand for one byte, where the policy means a character: outside of ASCII no pattern can make up for
that. All patterns count from the folder of the file that they stand in.
"""

from __future__ import annotations

import json
import re

from callint.model.errors import InputError

#: A set as fnmatch reads it: a first ] belongs to it, and without an end [ stands for itself.
_SET = re.compile(r"\[(!?+)(\]?+[^\]]*+)\]|\[")


#: Git before 2.41 tries every way in which stars can share a name: with more of them it takes for ever.
_MOST_STARS, _MOST_IN_NAME = 8, 4


def attribute_pattern(glob: str) -> str:
    """A glob as the pattern of a line in .gitattributes; InputError where no line can hold it."""
    stars = [len(re.findall(r"\*+", part)) for part in glob.split("/")]
    if sum(stars) > _MOST_STARS or max(stars) > _MOST_IN_NAME:
        raise InputError(
            f"{glob[:80]}: git takes very long over so many stars; use at most {_MOST_IN_NAME} in a name and "
            f"{_MOST_STARS} in all"
        )
    pattern = _pattern(glob)
    # With white space or quotes it has to be quoted, in which a quote and a backslash are escaped.
    return json.dumps(pattern, ensure_ascii=False) if re.search(r'[\s"]', pattern) else pattern


def ignore_pattern(glob: str, ending: str) -> str:
    """The files beside those of a glob whose names have an ending besides, as a line of .gitignore."""
    inside = "/*" if glob.split("/")[-1] == "**" else ""
    return f"{_pattern(glob)}{inside}{ending}"


def _pattern(glob: str) -> str:
    if re.search(r"[\x00-\x1f\x7f]", glob):
        raise InputError(f"{glob}: git's files cannot name a path with control characters; rename it")
    return "".join(f"/{_SET.sub(_set, part)}" for part in glob.split("/"))


def _set(found: re.Match[str]) -> str:
    if found[2] is None:
        return r"\["
    # To git a set may hold [:classes:], and a leading ^ is a ! too.
    members = re.sub(r"[\[^]", r"\\\g<0>", found[2])
    return f"[{found[1]}{members}]"
