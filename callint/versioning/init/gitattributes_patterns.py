"""Globs of a policy as patterns of git's own files.

``*`` and ``**`` mean the same in both; brackets and the quoting of a line differ. In git ``?`` and brackets
match one byte, in a policy one character: outside ASCII no pattern can express the policy's glob. All
patterns count from the folder of the file that contains them.
"""

from __future__ import annotations

import json
import re

from callint.model.errors import InputError

#: A set as fnmatch reads it: an initial ] belongs to it, and [ without an end matches itself.
_SET = re.compile(r"\[(!?+)(\]?+[^\]]*+)\]|\[")
#: Git before 2.41 tries every way in which stars can match a name: with more of them it takes forever.
_MOST_STARS, _MOST_IN_NAME = 8, 4


def attribute_pattern(glob: str) -> str:
    """A glob as the pattern of a line in .gitattributes; InputError if no line can express it."""
    stars = [len(re.findall(r"\*+", part)) for part in glob.split("/")]
    if sum(stars) > _MOST_STARS or max(stars) > _MOST_IN_NAME:
        raise InputError(
            f"{glob[:80]}: git takes very long over so many stars; use at most {_MOST_IN_NAME} in a name and "
            f"{_MOST_STARS} in all"
        )
    pattern = _pattern(glob)
    # A pattern with white space or quotes must be quoted; then quotes and backslashes are escaped.
    return json.dumps(pattern, ensure_ascii=False) if re.search(r'[\s"]', pattern) else pattern


def ignore_pattern(glob: str, suffix: str) -> str:
    """A line of .gitignore for the files of a glob with a suffix added to their names."""
    inside = "/*" if glob.rsplit("/", maxsplit=1)[-1] == "**" else ""
    return f"{_pattern(glob)}{inside}{suffix}"


def _pattern(glob: str) -> str:
    if re.search(r"[\x00-\x1f\x7f]", glob):
        raise InputError(f"{glob}: git's files cannot name a path with control characters; rename it")
    return "".join(f"/{_SET.sub(_set, part)}" for part in glob.split("/"))


def _set(match: re.Match[str]) -> str:
    if match[2] is None:
        return r"\["
    # In git a set may contain [:classes:], and an initial ^ means ! too.
    members = re.sub(r"[\[^]", r"\\\g<0>", match[2])
    return f"[{match[1]}{members}]"
