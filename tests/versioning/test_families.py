"""Families of definitions in git: every file of a family comes from the same tree."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.building import u16
from tests.running import (
    GOOD,
    POLICY,
    Scratch,
    call,
    edited,
    fuel_cell,
    make_repository_yard,
    needs_git_lfs,
    with_drivers,
    yard_base,
    yard_definition,
)
from tests.test_families import child

PARENT, CHILD, SHARED = "defs/yard.xml", "defs/child.xml", "defs/shared.xml"
HERON = "boats/heron.bin"
SHARED_TEXT = b"""<shared xmlns="urn:callint:definition:1"><conversions>
<linear name="degrees" unit="degC" factor="1" offset="-40" decimals="0"/></conversions></shared>
"""
#: The parent, with one conversion in a shared file.
PARENT_TEXT = (
    yard_definition()
    .replace(b"<memory", b'<use file="shared.xml"/><memory', 1)
    .replace(b'<linear name="degrees" unit="degC" factor="1" offset="-40" decimals="0"/>', b"")
)
CHILD_TEXT = child('<table name="egr"><limits max="59"/></table>', extends="yard.xml")
#: The cell that GOOD changed is beyond this one's limit.
STRICT = PARENT_TEXT.replace(b'max="90"', b'max="44.5"')


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    """A repository whose images belong to a child."""
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD, petrel=yard_base())
    scratch.write("callint.toml", POLICY.replace("yard.xml", "child.xml"))
    scratch.write(PARENT, PARENT_TEXT)
    scratch.write(SHARED, SHARED_TEXT)
    scratch.write(CHILD, CHILD_TEXT)
    scratch.commit("A family")
    return scratch


def found(scratch: Scratch, *arguments: str) -> set[tuple[str, str]]:
    """Rule and file of each finding."""
    result = scratch.call("check", *arguments, "--format", "json")
    assert result.status in {0, 1}, result
    return {(f["rule"], f.get("image", f.get("definition", ""))) for f in result.data["findings"]}


OUT_OF_RANGE = ("value/out-of-range", HERON)


def test_a_sound_family_is_quiet_everywhere(scratch: Scratch) -> None:
    for arguments in ([], ["--staged"], ["--since", "HEAD~1"], ["--range", "HEAD~1..HEAD"]):
        result = scratch.call("check", *arguments)
        assert (result.status, result.stdout, result.stderr) == (0, "", ""), arguments


# The scope of a commit


@pytest.mark.parametrize("path", [PARENT, SHARED, CHILD])
def test_a_commit_of_any_file_of_a_family_is_judged_by_its_images(scratch: Scratch, path: str) -> None:
    text = {
        PARENT: STRICT,
        SHARED: SHARED_TEXT.replace(b'factor="1"', b'factor="9"'),
        CHILD: child('<table name="fuel"><limits max="44.5"/></table>', extends="yard.xml"),
    }[path]
    expected = {SHARED: ("value/out-of-range", "boats/petrel.bin")}.get(path, OUT_OF_RANGE)
    scratch.stage(path, text)
    assert expected in found(scratch, "--staged")
    assert expected in found(scratch, "--since", "HEAD")
    scratch.commit("Another demand")
    assert expected in found(scratch, "--range", "HEAD~1..HEAD")
    assert expected in found(scratch, "--range", "HEAD~1..HEAD", "--each")
    assert found(scratch, "--range", "HEAD~1..HEAD~1") == set()


def test_another_file_brings_no_image_into_the_scope(scratch: Scratch) -> None:
    scratch.stage("defs/other.xml", STRICT)
    scratch.write(PARENT, STRICT)
    result = scratch.call("check", "--staged", "--format", "json")
    assert result.data["summary"]["images"] == 0


# The same tree


@pytest.mark.parametrize("path", [PARENT, SHARED])
def test_the_index_builds_on_the_index(scratch: Scratch, path: str) -> None:
    scratch.stage(HERON, edited(GOOD, {fuel_cell(0, 0): u16(125)}))
    scratch.write(path, b"broken")
    assert scratch.call("check", "--staged").stdout == ""
    assert scratch.call("check").status == 1
    scratch.must("add", path)
    scratch.write(path, {PARENT: PARENT_TEXT, SHARED: SHARED_TEXT}[path])
    assert scratch.call("check", "--staged").status == 1
    assert scratch.call("check").stdout == ""


def test_a_revision_builds_on_its_own_files(scratch: Scratch) -> None:
    scratch.write(PARENT, STRICT)
    scratch.commit("Stricter")
    scratch.write(PARENT, PARENT_TEXT)
    scratch.commit("As before")
    assert OUT_OF_RANGE in found(scratch, "--range", "HEAD~2..HEAD~1")
    assert found(scratch, "--range", "HEAD~1..HEAD") == {("definition/loosened", CHILD)}
    old = scratch.call("show", "--definition", f"HEAD~1:{CHILD}").stdout
    new = scratch.call("show", "--definition", f"HEAD:{CHILD}").stdout
    assert '<limits min="0" max="44.5"/>' in old and '<limits min="0" max="44.5"/>' not in new
    assert scratch.call("show", "--definition", f":{CHILD}").stdout == new


@pytest.mark.parametrize("path", [PARENT, SHARED])
def test_a_parent_that_the_index_lacks_is_one_error_of_the_child(scratch: Scratch, path: str) -> None:
    scratch.must("rm", "--quiet", "--cached", path)
    result = scratch.call("check", "--staged", "--format", "lines")
    assert result.status == 1
    (line,) = [line for line in result.stdout.splitlines() if "definition/invalid" in line]
    assert line.startswith(f"{CHILD}:1: error: ")
    assert f"{path} is not read: it does not exist; correct the path, or add the file" in line


def test_a_parent_that_is_a_link_in_the_index_is_refused(scratch: Scratch) -> None:
    (scratch.root / PARENT).rename(scratch.root / "defs/real.xml")
    (scratch.root / PARENT).symlink_to("real.xml")
    scratch.must("add", "--all")
    assert scratch.call("check").stdout == ""  # a link inside the repository leads to a file on disk
    result = scratch.call("check", "--staged", "--format", "lines")
    assert "is not read: it is a symbolic link; only regular files are read" in result.stdout


def test_a_parent_that_is_a_link_out_of_the_repository_is_refused(scratch: Scratch, tmp_path: Path) -> None:
    (tmp_path / "outside.xml").write_bytes(PARENT_TEXT)
    (scratch.root / PARENT).unlink()
    (scratch.root / PARENT).symlink_to(tmp_path / "outside.xml")
    result = scratch.call("check", "--format", "lines")
    assert result.status == 1
    assert f"{PARENT} is not read: a link leads out of the repository" in result.stdout


def test_a_parent_in_a_submodule_is_refused(scratch: Scratch, tmp_path: Path) -> None:
    other = make_repository_yard(tmp_path / "other")
    scratch.must("-c", "protocol.file.allow=always", "submodule", "--quiet", "add", str(other.root), "module")
    scratch.stage(CHILD, child(extends="../module/defs/yard.xml"))
    result = scratch.call("check", "--staged", "--format", "lines")
    assert "module/defs/yard.xml is not read: it does not exist" in result.stdout
    scratch.stage(CHILD, child(extends="../module.xml"))
    scratch.must("update-index", "--add", "--cacheinfo", f"160000,{'1' * 40},module.xml")
    result = scratch.call("check", "--staged", "--format", "lines")
    assert "module.xml is not read: it is not a regular file" in result.stdout


@needs_git_lfs
def test_a_parent_behind_a_pointer_is_read_or_named(scratch: Scratch) -> None:
    scratch.write(".gitattributes", "defs/yard.xml filter=lfs -text\n")
    scratch.must("lfs", "install", "--local")
    scratch.must("add", "--renormalize", ".")
    scratch.must("add", "--all")
    assert scratch.must("show", f":{PARENT}").startswith("version https://git-lfs")
    assert scratch.call("check", "--staged").stdout == ""
    scratch.write(PARENT, scratch.must("show", f":{PARENT}"))
    result = scratch.call("check", "--format", "lines")
    assert result.status == 1
    assert f"{CHILD}:1: error: definition/invalid: the parent {PARENT} is not read: " in result.stdout
    assert "git lfs" in result.stdout


def test_a_policy_in_a_folder_has_its_families_below_it(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repo")
    scratch.write("boat/callint.toml", POLICY.replace("yard.xml", "child.xml"))
    scratch.write("boat/boats/heron.bin", GOOD)
    scratch.write("boat/factory/base.bin", yard_base())
    scratch.write(f"boat/{CHILD}", child(extends="yard.xml"))
    scratch.write(f"boat/{PARENT}", yard_definition())
    scratch.commit("A boat")

    for arguments in ([], ["--range", "HEAD~1..HEAD"]):
        assert call("check", *arguments, cwd=scratch.root / "boat").stdout == ""
    shown = call("show", "--definition", f"HEAD:boat/{CHILD}", cwd=scratch.root / "boat")
    assert shown.status == 0 and 'name="fuel"' in shown.stdout
    scratch.stage(f"boat/{CHILD}", child(extends="../../defs/yard.xml"))
    for arguments in ([], ["--staged"]):
        result = call("check", *arguments, "--format", "lines", cwd=scratch.root / "boat")
        assert "leads out of the repository; give a path inside it" in result.stdout


# git's own comparisons


def test_git_compares_a_child_with_the_parents_of_each_revision(scratch: Scratch, tmp_path: Path) -> None:
    path = with_drivers(scratch, tmp_path / "bin")
    scratch.write(".gitattributes", "defs/child.xml diff=callint\n")
    for limit, parent in (("58", STRICT), ("57", PARENT_TEXT)):
        scratch.write(CHILD, CHILD_TEXT.replace(b'max="59"', f'max="{limit}"'.encode()))
        scratch.write(PARENT, parent)
        scratch.commit("Limits")

    def compared(*arguments: str) -> str:
        result = scratch.git(*arguments, env=path)
        assert result.status == 0, result
        return " ".join(result.stdout.split())

    stricter = compared("show", "--ext-diff", "HEAD~1", "--", CHILD)
    assert "fuel: limits max: 90 mg → 44.5 mg" in stricter and "limits max: 59 % → 58 %" in stricter
    wider = compared("log", "-1", "-p", "--ext-diff", "--", CHILD)
    assert "fuel: limits max: 44.5 mg → 90 mg" in wider and "limits max: 58 % → 57 %" in wider
    both = compared("diff", "HEAD~2", "HEAD", "--", CHILD)
    assert "limits max: 59 % → 57 %" in both and "fuel" not in both

    scratch.write(CHILD, CHILD_TEXT.replace(b'max="59"', b'max="56"'))
    scratch.write(PARENT, STRICT)
    ahead = compared("diff", "--", CHILD)
    assert "fuel: limits max: 90 mg → 44.5 mg" in ahead and "limits max: 57 % → 56 %" in ahead
    scratch.must("add", "--all")
    scratch.write(PARENT, PARENT_TEXT)
    staged = compared("diff", "--cached", "--", CHILD)
    assert "fuel: limits max: 90 mg → 44.5 mg" in staged
    assert "in the working tree" not in stricter + wider + both + ahead


def test_git_reports_a_comparison_of_a_child_with_todays_parent(scratch: Scratch, tmp_path: Path) -> None:
    path = with_drivers(scratch, tmp_path / "bin")
    scratch.write(".gitattributes", "defs/child.xml diff=callint\n")
    scratch.stage(CHILD, CHILD_TEXT.replace(b'max="59"', b'max="58"'))
    tree = scratch.must("write-tree").strip()  # no commit has it
    scratch.must("reset", "--quiet", "--hard")

    result = scratch.git("diff", tree, "HEAD", "--", CHILD, env=path)
    assert result.status == 0, result
    lines = [line.strip() for line in result.stdout.splitlines()]
    assert "compared with the other files of the family in the working tree" in lines
    assert "limits max: 58 % → 59 %" in result.stdout


# What else depends on a definition


def test_text_forms_are_renewed_when_a_parent_changes(scratch: Scratch) -> None:
    from callint.reading.policy import read_policy
    from callint.reading.tree import WorkingTree
    from callint.versioning.textconv_cache import text_form_key

    def key() -> str:
        text = (scratch.root / "callint.toml").read_bytes()
        return text_form_key(text, read_policy(text, "callint.toml"), WorkingTree(scratch.root))

    before = key()
    scratch.write(PARENT, STRICT)
    changed = key()
    scratch.write(PARENT, PARENT_TEXT)
    assert (key(), changed != before) == (before, True)


def test_no_output_replaces_a_file_of_a_family(scratch: Scratch) -> None:
    for path in (PARENT, SHARED):
        before = (scratch.root / path).read_bytes()
        result = scratch.call("check", "--format", "json", "--output", path)
        assert "the output would replace an input" in result.error
        assert (scratch.root / path).read_bytes() == before


def test_a_waiver_about_a_definition_ends_when_its_parent_changes(scratch: Scratch) -> None:
    wide = CHILD_TEXT.replace(b"<limits", b'<expected max="99"/><limits').replace(
        b'<expected max="99"/><limits max="59"/>', b'<limits max="59"/><expected max="99"/>'
    )
    scratch.write(CHILD, wide)
    (finding,) = scratch.call("check", CHILD, "--format", "json").data["findings"]
    assert finding["rule"] == "definition/limits-unreachable"
    waived = scratch.call("waive", finding["fingerprint"], "--reason", "Known since the first software")
    assert waived.status == 0, waived
    assert scratch.call("check", "--without-waived").stdout == ""
    scratch.write(PARENT, PARENT_TEXT.replace(b"Engine speed", b"Speed of the engine"))
    rules = {finding["rule"] for finding in scratch.call("check", "--format", "json").data["findings"]}
    assert {"definition/limits-unreachable", "waiver/outdated"} <= rules


def test_workers_have_the_files_of_a_family(scratch: Scratch) -> None:
    for name in ("auk", "bittern", "curlew", "dunlin"):
        scratch.write(f"boats/{name}.bin", edited(yard_base(), {fuel_cell(0, 0): u16(125)}))
    one = scratch.run("check", "--format", "json", "--jobs", "1")
    two = scratch.run("check", "--format", "json", "--jobs", "2")
    assert one.status == two.status == 0
    assert one.stdout == two.stdout
