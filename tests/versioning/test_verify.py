"""``callint verify``: which release an image is, or which one it is nearest to."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import bincopy
import pytest

from tests.building import u16
from tests.copying import copy_tree
from tests.running import (
    CUT,
    GOOD,
    HULL,
    NOTHING,
    SIZE,
    SMOKE,
    Scratch,
    call,
    edited,
    fuel_cell,
    make_repository_yard,
    steering,
    too_wide,
    valid,
    yard_base,
)
from tests.versioning.signing import make_ssh_keys, needs_ssh, sign_by_ssh

HERON = "boats/heron.bin"
#: The second version of Heron.
LATER = edited(GOOD, {fuel_cell(2, 1): u16(470)})


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Heron in two versions, both released and committed, and a third one that nobody released."""
    yard = make_repository_yard(tmp_path_factory.mktemp("verify") / "yard")
    for number, data in enumerate((GOOD, LATER), 1):
        yard.write(HERON, data)
        yard.commit(f"Version {number}")
        assert yard.call("release", HERON, "--to", f"r{number}").status == 0
        yard.commit(f"Release {number}")
    yard.write(HERON, edited(GOOD, {HULL: b"TRIAL       "}))
    yard.commit("On trial")
    return yard.root


@pytest.fixture
def yard(template: Path, tmp_path: Path) -> Scratch:
    return Scratch(copy_tree(template, tmp_path / "yard"))


def verify(yard: Scratch, data: bytes, *arguments: str, name: str = "read.bin") -> tuple[int, Any]:
    """The exit status and the document of an image outside the repository."""
    path = yard.write(f"../{name}", data)
    result = yard.call("verify", str(path), "--format", "json", *arguments)
    assert result.status in (0, 1) and not result.stderr, result
    document = valid(result.data, "verification.schema.json")
    assert document["verified"] == (result.status == 0)
    return result.status, document


def text(yard: Scratch, data: bytes, *arguments: str) -> str:
    result = yard.call("verify", str(yard.write("../read.bin", data)), *arguments)
    assert not result.stderr and not too_wide(result.stdout), result
    return result.flat


def places(document: Any) -> list[str | None]:
    return [match["manifest"] for match in document["matches"]]


# Known contents


@pytest.mark.parametrize(("data", "place"), [(GOOD, "r1/manifest.json"), (LATER, "r2/manifest.json")])
def test_a_release_is_known_by_its_content(yard: Scratch, data: bytes, place: str) -> None:
    status, document = verify(yard, data)
    assert (status, places(document), document["releases"]) == (0, [place], 2)
    said = text(yard, data)
    assert f"is the release of {HERON} at" in said and f"{place}, not signed." in said


def test_the_format_of_the_file_and_erased_memory_do_not_count(yard: Scratch) -> None:
    records = bincopy.BinFile()
    records.add_binary(LATER)
    for content in (records.as_ihex(), records.as_srec(), LATER + b"\xff" * 100):
        data = content.encode() if isinstance(content, str) else content
        assert places(verify(yard, data)[1]) == ["r2/manifest.json"]


def test_a_release_that_only_an_old_commit_has_is_found(yard: Scratch) -> None:
    yard.must("rm", "-r", "--quiet", "r1")
    yard.commit("Tidy up")
    status, document = verify(yard, GOOD)
    (place,) = places(document)
    assert status == 0 and place is not None and place.endswith(":r1/manifest.json")


def test_a_release_on_another_branch_is_found(yard: Scratch) -> None:
    data = edited(GOOD, {HULL: b"BRANCH      "})
    yard.must("checkout", "--quiet", "-b", "side")
    yard.write(HERON, data)
    yard.commit("Aside")
    assert yard.call("release", HERON, "--to", "side").status == 0
    yard.commit("Release")
    yard.must("checkout", "--quiet", "main")
    assert verify(yard, data)[0] == 0


def test_releases_in_other_folders_are_named(yard: Scratch, tmp_path: Path) -> None:
    (yard.root / "r2").rename(tmp_path / "archive")
    other = make_repository_yard(tmp_path / "other", heron=GOOD)
    assert verify(other, LATER)[0] == 1
    status, document = verify(other, LATER, "--releases", str(tmp_path / "archive"))
    # The commit is not here, and nobody vouches for the manifest.
    assert status == 1 and "is not in this repository" in document["matches"][0]["contradictions"][0]
    assert verify(yard, LATER, "--releases", str(tmp_path / "archive"))[0] == 0
    # Outside of any repository nothing speaks against it.
    result = call("verify", "archive/heron.bin", cwd=tmp_path)
    assert (result.status, result.stderr) == (0, "")
    assert "archive/manifest.json, not signed." in result.flat


def test_a_version_that_was_committed_but_not_released_is_named_and_not_verified(yard: Scratch) -> None:
    status, document = verify(yard, edited(GOOD, {HULL: b"TRIAL       "}))
    assert status == 1
    (match,) = document["matches"]
    assert match["manifest"] is None and match["commit"]["subject"] == "On trial"
    said = text(yard, edited(GOOD, {HULL: b"TRIAL       "}))
    assert f"is the unreleased version of {HERON}" in said and "callint found no release of it" in said


def test_an_unreleased_version_in_another_format_is_known_too(yard: Scratch) -> None:
    records = bincopy.BinFile()
    records.add_binary(edited(GOOD, {HULL: b"TRIAL       "}))
    (match,) = verify(yard, records.as_ihex().encode())[1]["matches"]
    assert match["commit"]["subject"] == "On trial" and match["lacking"] == 0


def test_an_image_under_a_path_that_the_policy_never_named_is_found_by_its_size(yard: Scratch) -> None:
    yard.write("trials/odd.img", edited(GOOD, {HULL: b"ODD         "}))
    yard.commit("Elsewhere")
    (match,) = verify(yard, edited(GOOD, {HULL: b"ODD         "}))[1]["matches"]
    assert match["image"] == "trials/odd.img"


# Unknown contents


def test_a_flipped_bit_is_reported_by_table_and_operating_point_against_the_nearest_release(
    yard: Scratch,
) -> None:
    data = bytearray(LATER)
    data[fuel_cell(1, 1) + 1] ^= 0x04  # 45.0 mg, stored as 450
    assert int.from_bytes(data[fuel_cell(1, 1) : fuel_cell(1, 1) + 2], "big") == 454
    status, document = verify(yard, bytes(data))
    assert status == 1 and document["matches"] == []
    nearest = document["nearest"]
    assert (nearest["manifest"], nearest["cells"], nearest["bytes"]) == ("r2/manifest.json", 1, 1)
    valid(document["changes"], "changes.schema.json")
    (table,) = document["changes"]["tables"]
    (cell,) = table["cells"]
    assert (table["table"], cell["at"]) == ("fuel", {"speed": 1600.0, "load": 40.0})
    assert (cell["old"], cell["new"]) == (45.0, 45.4)
    said = text(yard, bytes(data))
    assert "The nearest is the release of boats/heron.bin" in said and "r2/manifest.json" in said
    assert "45.0 → 45.4 mg" in said and "at 1600 rpm, 40 mg" in said


def test_the_nearest_has_the_fewest_differing_cells_and_then_bytes(yard: Scratch) -> None:
    # One cell from the first release, two from the second; its hull number differs from neither.
    data = edited(GOOD, {SMOKE: u16(610)})
    assert verify(yard, data)[1]["nearest"]["manifest"] == "r1/manifest.json"
    # The hull of the third version, which is no release, and undefined bytes.
    data = edited(GOOD, {HULL: b"TRIAL       ", NOTHING: b"\x01\x02"})
    nearest = verify(yard, data)[1]["nearest"]
    assert nearest["manifest"] is None and nearest["commit"]["subject"] == "On trial"
    assert (nearest["cells"], nearest["bytes"]) == (0, 3)
    assert "No cell differs, but 3 bytes outside the tables." in text(yard, data)


def test_a_part_is_compared_in_what_it_holds(yard: Scratch) -> None:
    part = LATER[:0x60]  # the region "calibration", with every table
    status, document = verify(yard, part)
    (match,) = document["matches"]
    assert (status, match["manifest"]) == (0, "r2/manifest.json")
    # Of the rest 32 bytes of zeros, the identity and the sum count: no byte of it is erased, which is 0xFF.
    assert match["lacking"] == SIZE - 0x60
    assert "it lacks 64 bytes of the release, but no cell." in text(yard, part)
    changed = edited(LATER, {CUT: u16(4300)}, seal=False)[:0x60]
    assert verify(yard, changed)[1]["nearest"]["cells"] == 1


def test_a_part_without_all_cells_is_not_verified(yard: Scratch) -> None:
    status, document = verify(yard, LATER[:0x30], "--start", "0x0")
    assert status == 1 and places(document) == ["r2/manifest.json"]
    said = text(yard, LATER[:0x30], "--start", "0x0")
    assert f"holds only a part of the release of {HERON}" in said
    assert "with cells of overspeed_cut, monitor" in said


def test_a_raw_file_of_another_length_is_reported(yard: Scratch) -> None:
    said = text(yard, LATER + b"\xff" * 3)
    assert "The file has 3 bytes more than the memory; they are erased." in said
    assert "than the memory" not in text(yard, LATER)


def test_another_image_is_not_listed_cell_by_cell(yard: Scratch) -> None:
    """More than half of all cells differ: nobody changed them one by one."""
    other = edited(bytes(255 - byte for byte in LATER[:0x80]) + LATER[0x80:], {})
    said = text(yard, other)
    assert "That is more than half of all cells" in said and "cells changed" not in said
    assert "cells changed" in text(yard, other, "--all")


def test_a_later_mailmap_doubts_no_older_release(yard: Scratch) -> None:
    name, email = yard.must("log", "-1", "--format=%an|%ae").strip().split("|")
    yard.write(".mailmap", f"Renamed Since <new@yard.example> {name} <{email}>\n")
    yard.commit("A mailmap")
    assert verify(yard, LATER)[0] == 0


def test_a_manifest_that_names_another_author_than_its_commit_is_doubted(yard: Scratch) -> None:
    path = yard.root / "r2/manifest.json"
    author = json.loads(path.read_text("utf-8"))["commit"]["author"]
    path.write_text(path.read_text("utf-8").replace(f'"{author}"', '"Somebody Else"', 1), "utf-8")
    yard.must("rm", "-r", "--quiet", "--cached", "r1")
    path.rename(yard.write("alone/manifest.json", b""))
    status, document = verify(yard, LATER, "--releases", "alone")
    doubts = [match.get("contradictions", []) for match in document["matches"]]
    assert status == 1
    assert any("states another author than commit" in clause for clauses in doubts for clause in clauses)


def test_what_cannot_be_placed_or_read_is_wrong_input(yard: Scratch) -> None:
    def error(data: bytes, *arguments: str) -> str:
        return yard.call("verify", str(yard.write("../read.bin", data)), *arguments).error

    assert "it has 159 bytes, but the memory has 160; give the address of its first byte" in error(GOOD[:-1])
    assert "the image is empty; read it out again" in error(b"")
    assert 'its software number is "YARD-02", not "YARD-01"' in error(edited(GOOD, {0x80: b"YARD-02"}))
    assert "no byte of it lies in the memory" in error(GOOD[:9], "--start", "0x1000")
    assert "--start north: it is not an address" in error(GOOD, "--start", "north")
    assert "--releases none: it is not a folder" in error(GOOD, "--releases", "none")
    assert "get the file from its source again" in error(b":10000000FF\n" * 4)


def test_bytes_after_the_end_of_the_memory_are_reported_but_not_compared(yard: Scratch) -> None:
    result = yard.call("verify", str(yard.write("../read.bin", LATER + b"\x01")))
    assert result.stderr.endswith("callint does not compare the last 1 byte, after the end of the memory\n")
    assert (result.status, "is the release of" in result.flat) == (0, True)


# Manifests that are not to be trusted


def test_a_manifest_that_contradicts_the_commit_invalidates_its_release(yard: Scratch) -> None:
    document = json.loads((yard.root / "r2/manifest.json").read_text("utf-8"))
    document["image"]["content"] = json.loads((yard.root / "r1/manifest.json").read_text("utf-8"))["image"][
        "content"
    ]
    yard.must("rm", "-r", "--quiet", "--cached", "r2")
    yard.write("r2/manifest.json", json.dumps(document, indent=1))
    yard.write("forged/manifest.json", json.dumps(document | {"folder": "none"}, indent=1))
    document["image"]["sha256"] = "0" * 64
    yard.write("lying/manifest.json", json.dumps(document, indent=1))
    status, found = verify(yard, GOOD)
    assert status == 1
    against = {match["manifest"]: match.get("contradictions") for match in found["matches"]}
    assert f"has another {HERON}" in against["lying/manifest.json"][0]


def test_a_page_that_was_changed_speaks_against_its_release(yard: Scratch) -> None:
    with (yard.root / "r2/review.html").open("a", encoding="utf-8") as page:
        page.write("<!-- later -->")
    status, document = verify(yard, LATER)
    assert status == 1
    assert document["matches"][0]["contradictions"] == [
        "review.html beside r2/manifest.json is not the file that was released"
    ]


@pytest.mark.parametrize(
    "content",
    [
        '{"format": "callint-release"}',
        '{"format": "callint-release"',
        '{"a": "callint-release", "b": ' + "[" * 9999,
    ],
)
def test_a_broken_manifest_is_reported_and_left_out(yard: Scratch, content: str) -> None:
    yard.write("broken/manifest.json", content)
    result = yard.call("verify", "r1/heron.bin")
    assert result.status == 0
    assert result.stderr.startswith("callint: broken/manifest.json: ")
    assert len(result.stderr.splitlines()) == 1


def test_names_in_a_manifest_may_be_anything(yard: Scratch) -> None:
    document = json.loads((yard.root / "r1/manifest.json").read_text("utf-8"))
    document["image"]["start"] = 0.0
    for number, path in enumerate(("a blob", "a\rb", "a\nb", "\ud800", "\0", "\x1b[2J", "../x", "-x"), 1):
        document["image"]["path"] = document["files"]["image"]["path"] = path
        document["commit"]["subject"] = document["commit"]["date"] = "\x1b[2J\u202e"
        yard.write(f"odd/{number}/manifest.json", json.dumps(document, indent=1))
    result = yard.call(
        "verify", str(yard.write("../read.bin", edited(GOOD, {CUT: u16(4300)}))), CALLINT_TRACEBACK="1"
    )
    assert (result.status, result.stderr, steering(result.stdout)) == (1, "", [])
    assert "r1/manifest.json" in result.flat and "8 images of releases" in result.flat
    result = yard.call("verify", str(yard.write("../read.bin", GOOD)))
    assert (result.stderr, steering(result.stdout)) == ("", [])


def test_manifests_of_other_things_are_passed_over(yard: Scratch) -> None:
    yard.write("page/manifest.json", '{"name": "A page"}')
    yard.write("page/deep/manifest.json", b"\xff\xfe\x00")
    yard.commit("A page")
    result = yard.call("verify", "r1/heron.bin")
    assert (result.status, result.stderr) == (0, "")


def test_a_manifest_names_no_file_outside_its_folder(yard: Scratch) -> None:
    document = json.loads((yard.root / "r1/manifest.json").read_text("utf-8"))
    document["files"]["review"]["path"] = "../callint.toml"
    yard.write("r1/manifest.json", json.dumps(document, indent=1))
    assert verify(yard, GOOD)[0] == 0  # nothing was read there, and so nothing differs


# Signatures


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_ssh_keys(tmp_path_factory.mktemp("keys"))


def sign(yard: Scratch, key: Path) -> None:
    """Release the present version anew, signed."""
    sign_by_ssh(yard, key)
    assert yard.call("release", HERON, "--to", "signed", "--sign").status == 0


TRIAL = edited(GOOD, {HULL: b"TRIAL       "})


@needs_ssh
def test_a_good_signature_is_reported_and_can_be_demanded(yard: Scratch, keys: Path) -> None:
    assert verify(yard, LATER, "--signed")[0] == 1
    assert "The release is not signed, as --signed demands." in text(yard, LATER, "--signed")
    sign(yard, keys / "ines")
    yard.must("config", "gpg.ssh.allowedSignersFile", str(keys / "signers"))
    status, document = verify(yard, TRIAL, "--signed")
    assert status == 0
    assert document["matches"][0]["signature"] == {"trust": "good", "signer": "ines@yard.example"}
    yard.commit("Release 3")
    shutil.rmtree(yard.root / "signed")  # the history has the signature too
    assert verify(yard, TRIAL, "--signed")[0] == 0


@needs_ssh
@pytest.mark.parametrize(
    ("key", "signers", "trust"),
    [("tomas", "signers", "unknown"), ("ines", "", "unchecked"), ("ines", "none", "unchecked")],
)
def test_a_signature_that_nobody_vouches_for_is_not_good(
    yard: Scratch, keys: Path, key: str, signers: str, trust: str
) -> None:
    sign(yard, keys / key)
    if signers:
        yard.must("config", "gpg.ssh.allowedSignersFile", str(keys / signers))
    status, document = verify(yard, TRIAL)
    signature = document["matches"][0]["signature"]
    assert (status, signature["trust"]) == (1, trust)
    if trust == "unchecked":
        assert "gpg.ssh.allowedSignersFile" in signature["text"] and ";" in signature["text"]


@needs_ssh
def test_a_signature_of_another_content_is_bad(yard: Scratch, keys: Path) -> None:
    sign(yard, keys / "ines")
    yard.must("config", "gpg.ssh.allowedSignersFile", str(keys / "signers"))
    manifest = (yard.root / "signed/manifest.json").read_text("utf-8")
    assert '"who"' not in manifest and "Ada Quay" in manifest
    yard.write("signed/manifest.json", manifest.replace("Ada Quay", "Eve Quay"))
    status, document = verify(yard, TRIAL)
    assert (status, document["matches"][0]["signature"]["trust"]) == (1, "bad")
    yard.write("signed/manifest.json.sig", b"\x00\xff")
    yard.write("signed/manifest.json", manifest)
    assert verify(yard, TRIAL)[1]["matches"][0]["signature"]["trust"] == "bad"


def test_nothing_is_known_in_a_folder_without_anything(tmp_path: Path) -> None:
    (tmp_path / "read.bin").write_bytes(GOOD)
    result = call("verify", "read.bin", cwd=tmp_path)
    assert "no definition is known; give one with --definition" in result.error


def test_a_base_is_a_version_too(yard: Scratch) -> None:
    (match,) = verify(yard, yard_base())[1]["matches"]
    assert match["image"] == "factory/base.bin"


def test_releases_are_looked_for_among_a_bounded_number_of_files(
    yard: Scratch, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(3):
        yard.write(f"above/{number}", b"")
    shutil.move(yard.root / "r1", yard.root / "above" / "r1")
    for most, warnings in ((3, 1), (100, 0)):
        monkeypatch.setattr("callint.versioning.releases.MOST_FILES", most)
        said = yard.call("verify", HERON, "--releases", "above").stderr
        assert said.count(f"above: callint looks for releases among the first {most} files only") == warnings
