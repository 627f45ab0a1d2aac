"""Contents by their ids, SHA-1 and SHA-256: what the reader gives, and what it leaves behind."""

from __future__ import annotations

import gc
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from callint.reading import tree
from callint.versioning.git import blob_reader as blobs
from callint.versioning.git import process as program
from callint.versioning.git.blob_reader import BlobReader
from tests.building import u16
from tests.running import (
    BAD,
    GOOD,
    Scratch,
    call,
    edited,
    fuel_cell,
    make_repository,
    make_repository_yard,
    valid,
)

HERON = "boats/heron.bin"
FORMATS = ["sha1", "sha256"]


@pytest.fixture(params=FORMATS)
def scratch(tmp_path: Path, request: pytest.FixtureRequest) -> Scratch:
    """An empty repository with ids of each length."""
    return make_repository(tmp_path / "repo", f"--object-format={request.param}")


@pytest.fixture
def reader(scratch: Scratch) -> Iterator[BlobReader]:
    reader = BlobReader(scratch.root)
    yield reader
    reader.close()


def stored(scratch: Scratch, content: bytes) -> str:
    """The id of a content that the repository holds."""
    scratch.write("content", content)
    return scratch.must("hash-object", "-w", "content").strip()


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """Every process that is started to read with."""
    result: list[subprocess.Popen[bytes]] = []

    def start(*arguments: Any, **more: Any) -> subprocess.Popen[bytes]:
        result.append(program.start(*arguments, **more))
        return result[-1]

    monkeypatch.setattr(blobs, "start", start)
    return result


CONTENTS = [b"", b"\n", b"one line\nand another", bytes(range(256)) * 4096, b"\0" * 70_000]


def test_contents_come_as_they_are_from_one_process(
    scratch: Scratch, reader: BlobReader, started: list[subprocess.Popen[bytes]]
) -> None:
    ids = [stored(scratch, content) for content in CONTENTS]
    assert [reader.read(id_) for id_ in ids] == CONTENTS
    assert [reader.read(id_) for id_ in reversed(ids)] == CONTENTS[::-1]
    assert len(started) == 1


def test_a_missing_object_is_reported_and_does_not_disturb_the_next(
    scratch: Scratch, reader: BlobReader, started: list[subprocess.Popen[bytes]]
) -> None:
    present = stored(scratch, GOOD)
    with pytest.raises(OSError, match="missing from the repository; fetch it first"):
        reader.read("1" * len(present))
    assert reader.read(present) == GOOD
    assert len(started) == 1


def test_a_file_that_is_too_large_is_never_read_into_memory(
    scratch: Scratch, reader: BlobReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    # So large that it fits into no pipe: the rest of it must not be taken for the next answer.
    large, present = stored(scratch, b"x" * 1_000_000), stored(scratch, GOOD)
    monkeypatch.setattr(blobs, "MAX_FILE", 999_999)
    with pytest.raises(OSError, match="larger than"):
        reader.read(large)
    assert reader.read(present) == GOOD
    monkeypatch.setattr(blobs, "MAX_FILE", tree.MAX_FILE)
    assert len(reader.read(large)) == 1_000_000


def test_a_path_that_is_not_a_file_is_refused(scratch: Scratch, reader: BlobReader) -> None:
    present = stored(scratch, GOOD)
    scratch.commit("One file")
    folder = scratch.must("rev-parse", "HEAD^{tree}").strip()
    with pytest.raises(OSError, match="not a regular file"):
        reader.read(folder)
    assert reader.read(present) == GOOD


def test_a_content_that_is_cut_off_is_refused(scratch: Scratch, reader: BlobReader) -> None:
    broken, present = stored(scratch, os.urandom(500_000)), stored(scratch, GOOD)
    place = scratch.root / ".git" / "objects" / broken[:2] / broken[2:]
    place.chmod(0o644)
    place.write_bytes(place.read_bytes()[:250_000])
    with pytest.raises(OSError, match="damaged"):
        reader.read(broken)
    assert reader.read(present) == GOOD


def test_a_process_that_died_is_replaced(
    scratch: Scratch, reader: BlobReader, started: list[subprocess.Popen[bytes]]
) -> None:
    present = stored(scratch, GOOD)
    assert reader.read(present) == GOOD
    started[0].kill()
    started[0].wait()
    assert reader.read(present) == GOOD
    assert len(started) == 2


@pytest.mark.parametrize("how", ["closed", "forgotten"])
def test_no_process_stays_behind(scratch: Scratch, started: list[subprocess.Popen[bytes]], how: str) -> None:
    reader = BlobReader(scratch.root)
    reader.read(stored(scratch, GOOD))
    (process,) = started
    assert process.returncode is None
    if how == "closed":
        reader.close()
        reader.close()
    else:
        del reader
        gc.collect()
    assert process.returncode is not None
    assert process.stdin is not None and process.stdin.closed
    assert process.stdout is not None and process.stdout.closed


# The commands in a repository of SHA-256


@pytest.fixture
def modern(tmp_path: Path) -> Scratch:
    """A repository with long ids: an honest heron, then a slip."""
    modern = make_repository_yard(tmp_path / "modern", "--object-format=sha256", heron=GOOD)
    modern.write(HERON, BAD)
    modern.commit("A slip")
    assert len(modern.must("rev-parse", "HEAD").strip()) == 64
    return modern


def test_staged_images_are_judged_where_ids_are_long(modern: Scratch) -> None:
    modern.stage(HERON, edited(GOOD, {fuel_cell(2, 2): u16(9990)}))
    modern.write(HERON, GOOD)
    result = modern.staged()
    assert result.status == 1 and "fuel at 2400 rpm, 70 mg" in result.stdout
    modern.stage(HERON, GOOD)
    assert modern.staged().status == 0


def test_ranges_are_judged_where_ids_are_long(modern: Scratch) -> None:
    result = modern.call("check", "--range", "HEAD~1..HEAD")
    assert result.status == 1 and "999.0 mg" in result.flat
    slip = modern.must("rev-parse", "HEAD").strip()
    document = modern.call("check", "--range", "HEAD~1..HEAD", "--each", "--format", "json").data
    assert {finding["commit"] for finding in valid(document, "findings.schema.json")["findings"]} == {slip}


def test_revisions_are_compared_where_ids_are_long(modern: Scratch) -> None:
    assert "45.0 → 999.0" in modern.call("diff", f"HEAD~1:{HERON}", HERON).flat
    assert "45.0 → 999.0" in modern.call("diff", "HEAD~1", "HEAD").flat
    assert "fuel at load 40 mg: 42  45  47  48" not in modern.call("show", "--plain", f"HEAD:{HERON}").lines
    assert "fuel at load 40 mg: 42  45  46  48" in modern.call("show", "--plain", f"HEAD~1:{HERON}").lines


def test_history_works_with_long_ids(modern: Scratch) -> None:
    slip = modern.must("rev-parse", "HEAD").strip()
    document = valid(
        call("history", HERON, "fuel", "--format", "json", cwd=modern.root).data, "history.schema.json"
    )
    assert slip in {commit["id"] for commit in document["commits"]}
    values = modern.call("history", HERON, "fuel", "--cell", "1600,40")
    assert values.status == 0
    for value in ("999.0", "45.0"):
        assert value in values.stdout
