"""A file that looks like an image and that no entry of the policy names is not passed over in silence."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.building import hex_file, s_file
from tests.running import (
    BAD,
    GOOD,
    POLICY,
    SOFTWARE,
    Result,
    Scratch,
    edited,
    make_repository_yard,
    needs_git_lfs,
    yard_definition,
)

DORA = "boats/dora.BIN"
RULE = "image/unassigned"


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "yard", heron=GOOD)


def unassigned(result: Result) -> list[str]:
    """The paths that the rule names, in a result in JSON."""
    findings = result.data["findings"]
    named = [finding for finding in findings if finding["rule"] == RULE]
    assert all(finding["severity"] == "warning" for finding in named)
    return [finding["image"] for finding in named]


def check(yard: Scratch, *options: str) -> list[str]:
    return unassigned(yard.call("check", *options, "--format", "json"))


def test_an_image_of_another_case_is_named_by_the_check_and_the_hook(yard: Scratch) -> None:
    yard.stage(DORA, BAD)
    for options in ((), ("--staged",), ("--since", "HEAD")):
        assert check(yard, *options) == [DORA]
    result = yard.call("check", "--staged")
    assert result.status == 0
    text = "callint does not check this image: it carries the software number of defs/yard.xml"
    assert f"{text}, but no entry of the policy names it" in result.flat
    assert DORA in result.flat
    yard.write("callint.toml", f'{POLICY}[severity]\n"{RULE}" = "error"\n')
    assert yard.call("check").status == 1


def test_a_range_names_it_in_the_commit_that_brings_it_or_changes_it(yard: Scratch) -> None:
    yard.write(DORA, BAD)
    yard.commit("Bring it in")
    assert check(yard, "--range", "HEAD~1..HEAD") == [DORA]
    yard.write("notes.txt", "Nothing else\n")
    yard.commit("Nothing")
    assert check(yard, "--range", "HEAD~1..HEAD") == []
    yard.write("boats/heron.bin", BAD)
    yard.must("add", "boats/heron.bin")
    assert check(yard, "--staged") == []
    yard.write(DORA, GOOD)
    yard.commit("Change it")
    assert check(yard, "--range", "HEAD~1..HEAD") == [DORA]
    assert check(yard, "--range", "HEAD~2..HEAD", "--each") == [DORA]


def test_a_change_of_the_policy_that_loses_an_image_is_named(yard: Scratch) -> None:
    yard.write("other/petrel.bin", GOOD)
    lost = POLICY.replace('paths = ["boats/*.bin"]', 'paths = ["other/*.bin"]')
    yard.stage("callint.toml", lost)
    assert check(yard, "--staged") == ["boats/heron.bin"]
    assert check(yard, "--since", "HEAD") == ["boats/heron.bin"]


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("boats/dora.hex", hex_file({0: GOOD})),
        ("boats/dora.S19", s_file({0: GOOD[:0x10], 0x80: GOOD[0x80:0x92]}, 1)),
        ("dora", GOOD),
        ("boats/dora.Bin", hex_file({0: GOOD})),
    ],
)
def test_it_may_lie_anywhere_and_have_any_form(yard: Scratch, path: str, data: bytes) -> None:
    yard.stage(path, data)
    assert check(yard) == check(yard, "--staged") == [path]


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("boats/dora.BIN", edited(GOOD, {SOFTWARE: b"YARD-02"})),
        ("boats/dora.BIN", GOOD + b"\0"),
        ("boats/dora.BIN", GOOD[:-1]),
        ("boats/dora.hex", hex_file({0: GOOD[:SOFTWARE]})),
        ("boats/dora.hex", hex_file({0: GOOD})[:-20]),
        ("notes.md", b"x" * len(GOOD)),
    ],
)
def test_what_is_not_an_image_of_a_definition_is_passed_over(yard: Scratch, path: str, data: bytes) -> None:
    yard.stage(path, data)
    assert check(yard) == check(yard, "--staged") == []


def test_a_definition_without_identity_makes_no_image_of_a_file_of_its_size(yard: Scratch) -> None:
    plain = yard_definition(memory='<region name="calibration" start="0x00" size="0x60"/>')
    yard.stage("defs/yard.xml", plain)
    yard.stage(DORA, BAD)
    assert check(yard) == check(yard, "--staged") == []


def test_a_link_to_an_image_is_not_another_one(yard: Scratch) -> None:
    (yard.root / "newest").symlink_to("boats/heron.bin")
    yard.must("add", "newest")
    assert check(yard) == check(yard, "--staged") == []


def test_a_file_that_git_ignores_is_passed_over_unless_git_tracks_it(yard: Scratch) -> None:
    yard.write(".gitignore", "scratch/\n")
    yard.write("scratch/[a] copy.bin", GOOD)
    assert check(yard) == []
    yard.write("[a] copy.bin", GOOD)
    assert check(yard) == ["[a] copy.bin"]
    yard.must("add", "--force", "scratch")
    assert check(yard) == ["[a] copy.bin", "scratch/[a] copy.bin"]


@pytest.mark.skipif(os.name == "nt", reason="names have no colons there")
def test_a_name_that_git_reads_as_a_pattern_is_a_name(yard: Scratch) -> None:
    yard.write(".gitignore", "*copy.bin\n")
    for name in (":!copy.bin", ":(1) copy.bin", ":(1) dora.bin", "copy.bin"):
        yard.write(name, GOOD)
    assert check(yard) == [":(1) dora.bin"]


def test_a_policy_in_a_folder_looks_below_that_folder(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD)
    inner = yard.root / "engines"
    inner.mkdir()
    for name in ("boats", "callint.toml", "defs", "factory"):
        yard.must("mv", name, f"engines/{name}")
    yard.commit("Move")
    yard.write(".gitignore", "old.bin\n")
    yard.write("engines/old.bin", GOOD)
    yard.write("engines/dora.BIN", GOOD)
    yard.must("add", "engines/dora.BIN")
    inside = Scratch(inner)
    assert check(inside) == check(inside, "--staged") == ["dora.BIN"]


def test_its_waiver_counts_as_long_as_its_content_stays(yard: Scratch) -> None:
    yard.write(DORA, GOOD)
    waived = yard.call("waive", RULE, "--image", DORA, "--reason", "An example for the apprentices")
    assert waived.status == 0, waived
    assert RULE not in yard.call("check").stdout
    yard.write(DORA, BAD)
    assert check(yard) == [DORA]


@needs_git_lfs
def test_one_that_git_lfs_stores_is_named_too(yard: Scratch) -> None:
    yard.must("lfs", "install", "--local")
    yard.write(".gitattributes", "*.BIN filter=lfs diff=lfs merge=lfs -text\n")
    yard.stage(DORA, BAD)
    assert "oid sha256" in yard.must("cat-file", "-p", f":{DORA}")
    assert check(yard, "--staged") == [DORA]
