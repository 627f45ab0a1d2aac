"""The policy's globs and git's patterns name the same files."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from callint.model.errors import InputError
from callint.reading.globs import matches
from callint.versioning.init.gitattributes_patterns import attribute_pattern, ignore_pattern
from tests.running import Scratch, make_repository

# wildmatch.c in git and fnmatch in Python read brackets differently; these are the signs that matter.
_PART = st.text(alphabet='ab[]!^-:*?" ', min_size=1, max_size=6)
_LAST = _PART.filter(lambda part: part != "**")
_GLOB = st.tuples(st.lists(_PART | st.just("**"), max_size=2), _LAST).map(
    lambda two: "/".join([*two[0], two[1]])
)
_NAME = st.text(alphabet='ab[]!^-:" ', min_size=1, max_size=4)
_PATH = st.lists(_NAME, min_size=1, max_size=3).map("/".join)


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Scratch:
    return make_repository(tmp_path_factory.mktemp("patterns"))


def described(scratch: Scratch, line: str, paths: list[str]) -> set[str]:
    """The paths that a line of .gitattributes is about, says git."""
    scratch.write(".gitattributes", f"{line} mine\n")
    fields = scratch.must("check-attr", "-z", "mine", "--", *paths).split("\0")
    return {path for path, value in zip(fields[0::3], fields[2::3], strict=False) if value == "set"}


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
@settings(max_examples=60)
@given(glob=_GLOB, paths=st.lists(_PATH, min_size=1, max_size=12, unique=True))
def test_git_finds_what_the_policy_names(scratch: Scratch, glob: str, paths: list[str]) -> None:
    # The glob's own text is the likeliest name that it could miss.
    paths = list(dict.fromkeys([*paths, *(p for p in [glob.replace("*", "a").replace("?", "b")] if p)]))
    assert described(scratch, attribute_pattern(glob), paths) == {p for p in paths if matches(p, glob)}


@pytest.mark.parametrize(
    ("glob", "yes", "no"),
    [
        ("boats/[^a].bin", "boats/a.bin", "boats/b.bin"),
        ("boats/[!a].bin", "boats/b.bin", "boats/a.bin"),
        ("boats/[x.bin", "boats/[x.bin", "boats/x.bin"),
        ("boats/[[:digit:]].bin", "boats/d].bin", "boats/1.bin"),
        ("boats/**/*.bin", "boats/a/b/c.bin", "a/boats/c.bin"),
        ("**/*.bin", "c.bin", "c.bi"),
        ("a b/*.bin", "a b/c.bin", "a"),
        ("*.bin", "a.bin", "b/a.bin"),
        ("größe*.bin", "größe ä.bin", "grö.bin"),
    ],
)
def test_brackets_mean_to_git_what_they_mean_to_the_policy(
    scratch: Scratch, glob: str, yes: str, no: str
) -> None:
    assert matches(yes, glob) and not matches(no, glob)
    assert described(scratch, attribute_pattern(glob), [yes, no]) == {yes}


@pytest.mark.parametrize("glob", ["boats/*.bin", "boats/**", "boats/[x.bin", "**/*.bin"])
def test_lists_beside_the_images_are_ignored(scratch: Scratch, glob: str) -> None:
    image = "boats/old/[x.bin" if "**" in glob else "boats/[x.bin"
    assert matches(image, glob)
    scratch.write(".gitignore", f"{ignore_pattern(glob, '.conflicts.txt')}\n")
    assert scratch.git("check-ignore", "-q", f"{image}.conflicts.txt").status == 0
    assert scratch.git("check-ignore", "-q", image).status == 1
    assert scratch.git("check-ignore", "-q", f"other/{Path(image).name}.txt").status == 1


def test_no_line_holds_a_line_break() -> None:
    with pytest.raises(InputError, match="cannot name a path with control characters"):
        attribute_pattern("boats/\n* -diff")
    with pytest.raises(InputError, match="cannot name a path with control characters"):
        ignore_pattern("boats/\r*", ".txt")
