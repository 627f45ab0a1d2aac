"""``callint review``: how its page names revisions, in a real repository."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import GOOD, SMOKE, Scratch, edited, make_repository_yard, valid

HERON = "boats/heron.bin"
WHOLE_ID = re.compile(r"\b[0-9a-f]{40}\b")

Reviewed = Callable[..., tuple[Any, str]]


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Scratch:
    """Three commits on main; a tag at the first and a branch at the second."""
    scratch = make_repository_yard(tmp_path_factory.mktemp("names") / "yard", heron=GOOD)
    scratch.must("tag", "delivered")
    for value in (610, 620):
        scratch.write(HERON, edited(GOOD, {SMOKE: u16(value)}))
        scratch.commit(f"Smoke {value}")
    scratch.must("branch", "trial", "main~1")
    return scratch


@pytest.fixture
def reviewed(scratch: Scratch, tmp_path: Path) -> Reviewed:
    """The document of a review, and its page without the document in it."""

    def review(*arguments: str) -> tuple[Any, str]:
        output, page = tmp_path / "review.json", tmp_path / "review.html"
        for file, form in ((output, "json"), (page, "html")):
            done = scratch.call("review", *arguments, "--format", form, "--output", str(file))
            assert (done.status, done.stdout, done.stderr) == (0, "", "")
        document = valid(json.loads(output.read_text("utf-8")), "review.schema.json")
        return document, page.read_text("utf-8").partition('<script type="application/json"')[0]

    return review


def short(scratch: Scratch, revision: str) -> str:
    return scratch.must("rev-parse", "--short=10", revision).strip()


def between(page: str) -> str:
    """OLD and NEW as the page names them."""
    (line,) = re.findall(r'<p class="between">(.*<span class="aside">to</span>.*)</p>', page)
    return " ".join(re.sub(r'<span class="aside">to</span>|<[^>]*>', "", line).split())


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        ("HEAD~2", "HEAD", ("main~2", "main")),
        ("@^^", "@", ("main^^", "main")),
        ("main~2", "trial", ("main~2", "trial")),
        ("delivered", "main", ("delivered", "main")),
        ("main@{0}~1", "main", ("", "main")),
    ],
)
def test_a_page_names_branch_or_tag_and_the_commit(
    scratch: Scratch, reviewed: Reviewed, old: str, new: str, names: tuple[str, str]
) -> None:
    document, page = reviewed(old, new)
    texts = []
    for side, revision, name in zip(("old", "new"), (old, new), names, strict=True):
        commit = scratch.must("rev-parse", revision).strip()
        assert document["revisions"][side] == {"name": name or commit[:10], "commit": commit}
        texts.append(f"{name} ({commit[:10]})" if name else commit[:10])
    assert between(page) == " → ".join(texts)
    assert WHOLE_ID.findall(page) == []


def test_a_whole_id_becomes_a_short_one_in_every_title(scratch: Scratch, reviewed: Reviewed) -> None:
    scratch.write("boats/owl.bin", GOOD)
    scratch.commit("Owl")
    old, new = (scratch.must("rev-parse", name).strip() for name in ("main~2", "main"))
    document, page = reviewed("--range", f"{old}..{new}")
    assert (document["old"], document["new"]) == (old, new)
    assert document["title"] == f"2 images, {old[:10]}..{new[:10]}"
    assert f"<title>{document['title']}: review of a calibration change</title>" in page
    assert WHOLE_ID.findall(page) == []
    scratch.must("reset", "--hard", "--quiet", "HEAD~1")


def test_a_file_at_a_revision_is_named_with_its_branch_and_commit(
    scratch: Scratch, reviewed: Reviewed
) -> None:
    document, page = reviewed(f"HEAD~2:{HERON}", f"HEAD:{HERON}")
    assert document["title"] == f"main:{HERON}"
    ids = short(scratch, "main~2"), short(scratch, "main")
    assert between(page) == f"main~2:{HERON} ({ids[0]}) → main:{HERON} ({ids[1]})"
    document, page = reviewed(f"delivered:{HERON}", HERON)
    assert between(page) == f"delivered:{HERON} ({ids[0]}) → {HERON}"
    assert "new" not in document["revisions"]


def test_without_a_branch_a_page_names_the_commit_alone(scratch: Scratch, reviewed: Reviewed) -> None:
    scratch.must("checkout", "--quiet", "--detach")
    try:
        _, page = reviewed("HEAD~1", "HEAD")
        assert between(page) == f"{short(scratch, 'main~1')} → {short(scratch, 'main')}"
    finally:
        scratch.must("checkout", "--quiet", "main")


def test_a_branch_that_looks_like_an_id_keeps_its_name(scratch: Scratch, reviewed: Reviewed) -> None:
    scratch.must("branch", "facade", "main~1")
    _, page = reviewed("facade", "main")
    assert between(page) == f"facade ({short(scratch, 'main~1')}) → main ({short(scratch, 'main')})"
