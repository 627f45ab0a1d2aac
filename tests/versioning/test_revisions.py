"""Images at revisions: REV:path, two revisions, ranges, the text form and git's external diff."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from tests.building import u16
from tests.running import (
    BAD,
    GOOD,
    Scratch,
    call,
    edited,
    fuel_cell,
    make_repository_yard,
    run,
    steering,
    too_wide,
    valid,
    with_drivers,
)

HERON = "boats/heron.bin"
OTHER = edited(GOOD, {fuel_cell(2, 1): u16(470)})


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    """Three commits: the yard with an honest heron, a slip, and a hull number that is put on a good one."""
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    scratch.write(HERON, BAD)
    scratch.commit("A slip")
    scratch.write(HERON, OTHER)
    scratch.commit("Put right")
    return scratch


# diff and show at revisions


def test_an_image_at_a_revision_is_compared_with_a_file(scratch: Scratch) -> None:
    result = scratch.call("diff", f"HEAD~1:{HERON}", HERON)
    assert result.status == 1
    assert "999.0 → 45.0" in result.flat
    assert scratch.call("diff", f"HEAD:{HERON}", HERON).status == 0


def test_the_path_of_a_revision_may_start_at_the_current_folder(scratch: Scratch) -> None:
    result = run("diff", "HEAD~1:./heron.bin", "heron.bin", cwd=scratch.root / "boats")
    assert result.status == 1 and "999.0 → 45.0" in result.flat
    refused = run("diff", "HEAD~1:heron.bin", "heron.bin", cwd=scratch.root / "boats")
    assert refused.error.endswith(
        "the path counts from the top of the repository; write ./heron.bin for the current folder"
    )


def test_a_revision_and_a_file_are_the_file_then_and_now(scratch: Scratch) -> None:
    longer = scratch.call("diff", f"HEAD~1:{HERON}", HERON)
    assert scratch.call("diff", "HEAD~1", HERON) == longer
    # Below the top, the file is named from where one stands.
    inside = call("diff", "HEAD~1", "heron.bin", cwd=scratch.root / "boats")
    assert inside.status == 1 and "999.0 → 45.0" in inside.flat


@pytest.mark.parametrize(("range_", "arguments"), [("HEAD~2..HEAD~1", ("HEAD~2", "HEAD~1")),
                                               ("HEAD~1..", ("HEAD~1", "HEAD"))])  # fmt: skip
def test_a_range_with_dots_is_its_two_revisions(
    scratch: Scratch, range_: str, arguments: tuple[str, str]
) -> None:
    result = scratch.call("diff", range_)
    assert result.status == 1
    assert result == scratch.call("diff", *arguments)
    assert scratch.call("diff", range_, "--", "boats/tern.bin").stdout == ""


def test_all_images_between_two_revisions_are_compared(scratch: Scratch) -> None:
    scratch.write("boats/tern.bin", GOOD)
    scratch.write("notes.txt", "no image")
    scratch.commit("One more boat")
    result = scratch.call("diff", "HEAD~2", "HEAD")
    assert result.status == 1
    assert f"HEAD:{HERON} compared with HEAD~2:{HERON}" in result.flat
    assert "HEAD:boats/tern.bin: the image was added" in result.flat
    assert "notes.txt" not in result.stdout
    below = scratch.call("diff", "HEAD~2", "HEAD", "--", "boats/tern.bin")
    assert HERON not in below.stdout and "tern" in below.stdout
    assert scratch.call("diff", "HEAD~1", "HEAD", HERON).status == 0


def test_a_renamed_image_is_found_under_its_old_name(scratch: Scratch) -> None:
    scratch.must("mv", HERON, "boats/egret.bin")
    scratch.commit("Renamed")
    result = scratch.call("diff", "HEAD~1", "HEAD")
    assert result.status == 1
    assert f"HEAD:boats/egret.bin: renamed from HEAD~1:{HERON}, nothing else changed" in result.flat


def test_json_of_two_revisions_is_a_list_of_documents(scratch: Scratch) -> None:
    documents = scratch.call("diff", "HEAD~1", "HEAD", "--format", "json").data
    (document,) = (valid(item, "changes.schema.json") for item in documents)
    assert document["new"] == f"HEAD:{HERON}"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("nothing", "HEAD"), "neither a file nor a git revision"),
        ((f"nothing:{HERON}", HERON), "no such revision"),
        (("HEAD:boats/none.bin", HERON), "does not exist"),
        ((f"--upload-pack=x:{HERON}", HERON), "no such option"),
    ],
)
def test_a_wrong_revision_is_one_line(scratch: Scratch, arguments: tuple[str, ...], said: str) -> None:
    assert said in scratch.call("diff", *arguments).error


def test_a_bare_repository_is_enough_to_read_from(scratch: Scratch, tmp_path: Path) -> None:
    scratch.must("clone", "--quiet", "--bare", ".", str(tmp_path / "bare.git"))
    bare = tmp_path / "bare.git"
    assert call("diff", "HEAD~1", "HEAD", cwd=bare).status == 1
    missing = call("show", f"HEAD:{HERON}", "fuel", "--definition", "defs/yard.xml", cwd=bare)
    assert "defs/yard.xml: it does not exist" in missing.error
    assert "45.0" in call("show", f"HEAD:{HERON}", "fuel", cwd=bare).stdout
    result = call("check", "--range", "HEAD~2..HEAD~1", cwd=bare)
    assert result.status == 1 and "999" in result.stdout


# Ranges


def test_a_range_in_sum_shows_only_what_is_new_at_its_end(scratch: Scratch) -> None:
    assert scratch.call("check", "--range", "HEAD~2..HEAD").status == 0
    result = scratch.call("check", "--range", "HEAD~2..HEAD~1")
    assert result.status == 1 and "999.0 mg" in result.flat
    # Findings that the start of the range has are not new.
    assert scratch.call("check", "--range", "HEAD~1..HEAD~1").status == 0


def test_a_range_commit_by_commit_shows_what_was_put_right_later(scratch: Scratch) -> None:
    slip = scratch.must("rev-parse", "HEAD~1").strip()
    result = scratch.call("check", "--range", "HEAD~2..HEAD", "--each", "--format", "json")
    assert result.status == 1
    findings = valid(result.data, "findings.schema.json")["findings"]
    assert {finding["commit"] for finding in findings} == {slip}
    text = scratch.call("check", "--range", "HEAD~2..HEAD", "--each")
    assert f"{slip[:10]}:{HERON}" in text.stdout


def test_since_judges_the_working_tree_uncommitted_edits_included(scratch: Scratch) -> None:
    assert scratch.call("check", "--since", "HEAD").status == 0
    assert scratch.call("check", "--since", "HEAD~1").status == 0
    scratch.write(HERON, BAD)
    assert scratch.call("check", "--since", "HEAD").status == 1
    # Since the commit that has the same slip, nothing is new.
    assert scratch.call("check", "--since", "HEAD~1").status == 0


@pytest.mark.parametrize(
    "arguments",
    [
        ("--range", "HEAD"),
        ("--range", "a..HEAD"),
        ("--since", "nothing"),
        ("--each",),
        ("--since", "HEAD", HERON),
    ],
)
def test_a_wrong_range_is_one_line(scratch: Scratch, arguments: tuple[str, ...]) -> None:
    assert scratch.call("check", *arguments).error


# git-lfs pointers


def _pointer(content: bytes) -> bytes:
    oid = hashlib.sha256(content).hexdigest()
    return f"version https://git-lfs.github.com/spec/v1\noid sha256:{oid}\nsize {len(content)}\n".encode()


def test_a_pointer_whose_content_is_absent_is_a_clear_finding(scratch: Scratch) -> None:
    scratch.stage(HERON, _pointer(BAD))
    for arguments in (("check", HERON), ("check", "--staged")):
        result = scratch.call(*arguments)
        assert result.status == 1
        assert "image/unreadable" in result.stdout and "git lfs pull" in result.flat


def test_an_image_without_content_before_and_after_is_reported(scratch: Scratch) -> None:
    for message, data in (("Into the store", GOOD), ("A slip", BAD)):
        scratch.stage(HERON, _pointer(data))
        scratch.must("commit", "--quiet", "--message", message)
    for arguments in (
        ("--range", "HEAD~1..HEAD"),
        ("--range", "HEAD~1..HEAD", "--each"),
        ("--since", "HEAD~1"),
    ):
        result = scratch.call("check", *arguments)
        assert result.status == 1 and "git lfs pull" in result.flat, arguments
    assert scratch.call("check", "--since", "HEAD").status == 0


def test_a_staged_pointer_is_judged_by_the_content_in_the_store(scratch: Scratch) -> None:
    scratch.stage(HERON, _pointer(BAD))
    oid = hashlib.sha256(BAD).hexdigest()
    scratch.write(f".git/lfs/objects/{oid[:2]}/{oid[2:4]}/{oid}", BAD)
    assert "999.0 mg" in scratch.call("check", "--staged").flat
    scratch.write(f".git/lfs/objects/{oid[:2]}/{oid[2:4]}/{oid}", GOOD)
    assert "damaged" in scratch.call("check", "--staged").flat


# The text form and git's external diff


def test_the_text_form_has_a_line_for_every_row_of_cells(scratch: Scratch) -> None:
    lines = scratch.call("show", "--plain", HERON).lines
    assert "fuel at load 40 mg: 42  45  47  48" in lines
    assert "overspeed_cut [rpm]: 4200" in lines
    assert "text hull_number: HERON-3" in lines


def test_the_text_form_of_images_that_differ_in_one_bit_differs(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    first = scratch.call("show", "--plain", HERON).stdout
    for address in (0x00, 0x10, 0x28, 0x32, 0x38, 0x44, 0x70, 0x90):
        scratch.write(HERON, edited(GOOD, {address: bytes([GOOD[address] ^ 1])}, seal=False))
        assert scratch.call("show", "--plain", HERON).stdout != first, hex(address)


def _with_drivers(scratch: Scratch, tmp_path: Path) -> dict[str, str]:
    scratch.write(".gitattributes", "boats/*.bin diff=callint\nodd/*.bin diff=callint\n")
    return with_drivers(scratch, tmp_path / "bin")


def test_git_diff_shows_an_image_in_engineering_units(scratch: Scratch, tmp_path: Path) -> None:
    path = _with_drivers(scratch, tmp_path)
    scratch.write(HERON, BAD)
    result = scratch.git("diff", env=path)
    assert result.status == 0, result
    assert "44.0 → 999.0" in result.stdout or "45.0 → 999.0" in result.stdout
    assert too_wide(result.stdout) == [] and steering(result.stdout) == []


def test_git_diff_shows_added_removed_renamed_and_unknown_images(scratch: Scratch, tmp_path: Path) -> None:
    path = _with_drivers(scratch, tmp_path)
    scratch.write("odd/one.bin", b"\x00" * 64)
    scratch.commit("An image that nothing describes")
    scratch.write("odd/one.bin", b"\x00" * 63 + b"\x01")
    scratch.write("boats/tern.bin", GOOD)
    scratch.must("mv", HERON, "boats/egret.bin")
    (scratch.root / "boats/egret.bin").chmod(0o755)
    scratch.must("add", "--all")
    result = scratch.git("diff", "--cached", "-M", env=path)
    assert result.status == 0, result
    assert "boats/tern.bin: added, 160 bytes" in result.stdout
    assert f"boats/egret.bin: renamed from {HERON}" in result.stdout
    assert "mode 100644 became 100755" in result.stdout
    assert "no definition is known" in result.stdout and "1 byte differs" in result.stdout
    scratch.must("rm", "-q", "--cached", "boats/tern.bin")
    scratch.must("commit", "-q", "-m", "x")
    (scratch.root / "boats/egret.bin").unlink()
    assert "boats/egret.bin: removed" in scratch.git("diff", env=path).stdout


def test_an_image_in_conflict_does_not_break_git_diff(scratch: Scratch, tmp_path: Path) -> None:
    path = _with_drivers(scratch, tmp_path)
    scratch.commit("Attributes")
    scratch.must("checkout", "-q", "-b", "side")
    scratch.write(HERON, GOOD)
    scratch.commit("One way")
    scratch.must("checkout", "-q", "main")
    scratch.write(HERON, BAD)
    scratch.commit("Another way")
    assert scratch.git("merge", "side").status != 0
    result = scratch.git("diff", env=path)
    assert result.status == 0 and HERON in result.stdout
    assert "in conflict" in scratch.call("diff", "--driver", HERON).stdout


def test_git_log_and_blame_read_the_text_form(scratch: Scratch, tmp_path: Path) -> None:
    path = _with_drivers(scratch, tmp_path)
    log = scratch.git("log", "-p", "--", HERON, env=path)
    assert "-fuel at load 40 mg: 42  999  46  48" in log.stdout
    assert "+fuel at load 40 mg: 42  45  47  48" in log.stdout
    blame = scratch.git("blame", HERON, env=path)
    assert blame.status == 0, blame
    slip = scratch.must("rev-parse", "--short=8", "HEAD").strip()
    (line,) = (line for line in blame.lines if "fuel at load 40 mg" in line)
    assert line.startswith(slip)
