"""``callint check --staged``: what is judged is what the next commit would record."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from tests.building import u16
from tests.running import (
    BAD,
    CUT,
    GOOD,
    HULL,
    NOTHING,
    POLICY,
    Scratch,
    call,
    edited,
    fuel_cell,
    launcher,
    make_repository,
    make_repository_yard,
    make_yard,
    run,
    steering,
    valid,
    yard_base,
    yard_definition,
)

#: Another honest rework, so that the image is part of the commit.
BETTER = edited(GOOD, {CUT: u16(4150)})
#: The cell that GOOD changed is beyond this one's limit.
STRICT = yard_definition().replace(b'max="90"', b'max="44.5"')
OTHER_BASE = edited(yard_base(), {NOTHING: b"\x05"})
HERON = "boats/heron.bin"

posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "repo", heron=GOOD, petrel=GOOD)


def found(scratch: Scratch, folder: str = "", **env: str) -> set[tuple[str, str]]:
    """Rule and image of everything that is found in what is staged."""
    result = call("check", "--staged", "--format", "json", cwd=scratch.root / folder, **env)
    assert result.status in {0, 1}, result
    report = valid(result.data, "findings.schema.json")
    assert result.status == int(report["summary"]["error"] > 0)
    return {(f["rule"], f.get("image", f.get("definition", ""))) for f in report["findings"]}


def slip_in(image: str) -> set[tuple[str, str]]:
    """What is found in an image with the slip: it is beyond the limit, and it looks mistyped."""
    return {("value/out-of-range", image), ("change/suspicious-cell", image)}


SLIP = slip_in(HERON)

#: What makes a commit bad: a file, its good and its bad content, and what is found then.
PARTS = {
    "image": (HERON, BETTER, BAD, "value/out-of-range"),
    "definition": ("defs/yard.xml", yard_definition(), STRICT, "value/out-of-range"),
    "base": ("factory/base.bin", yard_base(), OTHER_BASE, "change/unexplained-bytes"),
    "policy": (
        "callint.toml",
        POLICY.encode(),
        POLICY.replace("yard.xml", "strict.xml").encode(),
        "value/out-of-range",
    ),
}


# The index, not the working tree


@pytest.mark.parametrize("part", PARTS)
def test_a_fault_in_the_working_tree_alone_does_not_count(scratch: Scratch, part: str) -> None:
    path, good, bad, _ = PARTS[part]
    scratch.write("defs/strict.xml", STRICT)
    scratch.commit("A stricter definition")
    scratch.stage(HERON, BETTER)
    scratch.stage(path, good)
    scratch.write(path, bad)
    result = scratch.staged()
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


@pytest.mark.parametrize("part", PARTS)
def test_a_fault_in_the_index_counts_regardless_of_the_working_tree(scratch: Scratch, part: str) -> None:
    path, good, bad, rule = PARTS[part]
    scratch.write("defs/strict.xml", STRICT)
    scratch.commit("A stricter definition")
    scratch.stage(HERON, BETTER)
    scratch.stage(path, bad)
    scratch.write(path, good)
    assert (rule, HERON) in found(scratch)


@pytest.mark.parametrize("part", ["definition", "base", "policy"])
def test_an_image_is_checked_when_only_its_definition_base_or_policy_changes(
    scratch: Scratch, part: str
) -> None:
    path, _, bad, rule = PARTS[part]
    scratch.write("defs/strict.xml", STRICT)
    scratch.commit("A stricter definition")
    scratch.stage(path, bad)
    assert {(rule, HERON), (rule, "boats/petrel.bin")} <= found(scratch)


def test_files_that_are_not_staged_at_all_do_not_exist(scratch: Scratch) -> None:
    scratch.stage(HERON, BETTER)
    scratch.write("boats/tern.bin", BAD)
    assert found(scratch) == set()
    for path in (HERON, "defs/yard.xml", "factory/base.bin", "callint.toml"):
        (scratch.root / path).unlink()
    assert found(scratch) == set()


def test_an_empty_index_gives_no_output(scratch: Scratch) -> None:
    result = scratch.staged()
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


def test_untouched_images_are_not_reported_however_bad(scratch: Scratch) -> None:
    scratch.write("boats/petrel.bin", BAD)
    scratch.commit("It was late")
    scratch.stage(HERON, BETTER)
    assert found(scratch) == set()
    scratch.stage("boats/petrel.bin", edited(BAD, {HULL: b"PETREL"}))
    assert found(scratch) == slip_in("boats/petrel.bin")


def test_a_waiver_of_an_untouched_image_is_not_called_unused(scratch: Scratch) -> None:
    scratch.write(
        "callint.toml",
        f"""{POLICY}
[[waivers]]
rule = "value/out-of-range"
image = "boats/petrel.bin"
table = "fuel"
reason = "agreed with the maker"
who = "Ada Quay"
digest = "sha256:{"0" * 40}"
""",
    )
    scratch.commit("A waiver")
    scratch.stage(HERON, BETTER)
    assert found(scratch) == set()


def test_the_first_commit_of_all_is_checked(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "repo")
    make_yard(scratch.root, heron=BAD, petrel=GOOD)
    scratch.must("add", "--all")
    assert found(scratch) == SLIP


# Added, moved, removed


def test_a_new_and_a_moved_image_are_checked(scratch: Scratch) -> None:
    scratch.write("spare.bin", BAD)
    scratch.commit("A spare one")
    scratch.must("mv", "spare.bin", "boats/auk.bin")
    scratch.stage("boats/tern.bin", BAD)
    assert found(scratch) == slip_in("boats/auk.bin") | slip_in("boats/tern.bin")


def test_a_removed_image_is_not_missed(scratch: Scratch) -> None:
    scratch.must("rm", "--quiet", "--cached", "boats/petrel.bin")
    assert found(scratch) == set()
    scratch.must("rm", "--quiet", HERON)
    assert found(scratch) == set()


def test_a_removed_base_is_missed_by_every_image_that_has_it(scratch: Scratch) -> None:
    scratch.must("rm", "--quiet", "--cached", "factory/base.bin")
    assert found(scratch) == {("image/missing-base", HERON), ("image/missing-base", "boats/petrel.bin")}


@pytest.mark.parametrize(
    ("path", "rule"), [("factory/base.bin", "image/missing-base"), ("defs/yard.xml", "definition/invalid")]
)
def test_a_moved_base_or_definition_is_missed_where_it_was(scratch: Scratch, path: str, rule: str) -> None:
    scratch.must("mv", path, f"{path}.old")
    assert rule in {item for item, _ in found(scratch)}


def test_a_removed_definition_is_missed(scratch: Scratch) -> None:
    scratch.must("rm", "--quiet", "--cached", "defs/yard.xml")
    assert found(scratch) == {("definition/invalid", "defs/yard.xml")}


def test_an_image_with_intent_to_add_is_not_part_of_the_commit(scratch: Scratch) -> None:
    scratch.write("boats/tern.bin", BAD)
    scratch.must("add", "--intent-to-add", "boats/tern.bin")
    scratch.stage("callint.toml", POLICY + "\n# Reviewed.\n")
    assert found(scratch) == set()


def test_a_removed_image_with_intent_to_add_is_not_part_of_the_commit(scratch: Scratch) -> None:
    scratch.must("rm", "--quiet", "--cached", HERON)
    scratch.must("add", "--intent-to-add", HERON)
    assert found(scratch) == set()


def test_an_empty_image_is_part_of_the_commit(scratch: Scratch) -> None:
    for path in (HERON, "boats/tern.bin"):
        scratch.stage(path, b"")
    assert {image for _, image in found(scratch)} == {HERON, "boats/tern.bin"}
    scratch.commit("Both are empty")
    scratch.stage("callint.toml", POLICY + "\n# Reviewed.\n")
    assert {image for _, image in found(scratch)} == {HERON, "boats/tern.bin"}


# Where it is called from


@pytest.mark.parametrize("folder", ["", "boats", "defs"])
def test_it_is_the_same_from_every_folder(scratch: Scratch, folder: str) -> None:
    scratch.stage(HERON, BAD)
    assert found(scratch, folder) == SLIP
    assert found(scratch, folder, GIT_PREFIX="boats/") == SLIP


@pytest.mark.parametrize("folder", ["yard", "yard/boats"])
def test_a_policy_in_a_folder_of_the_repository_speaks_for_that_folder(tmp_path: Path, folder: str) -> None:
    scratch = make_repository(tmp_path / "repo")
    make_yard(scratch.root / "yard", heron=GOOD)
    make_yard(scratch.root / "other yard", heron=GOOD)
    scratch.commit()
    scratch.stage(f"yard/{HERON}", BAD)
    scratch.write(f"yard/{HERON}", GOOD)
    scratch.stage(f"other yard/{HERON}", BAD)
    assert found(scratch, folder) == SLIP


def test_a_linked_working_tree_has_an_index_of_its_own(scratch: Scratch, tmp_path: Path) -> None:
    scratch.must("worktree", "add", "--quiet", "-b", "side", str(tmp_path / "side"))
    side = Scratch(tmp_path / "side")
    side.stage(HERON, BAD)
    assert found(side) == SLIP
    assert found(side, "boats") == SLIP
    assert found(scratch) == set()


def test_a_folder_that_is_not_a_repository_is_refused_in_one_line(tmp_path: Path) -> None:
    make_yard(tmp_path / "plain")
    error = run("check", "--staged", cwd=tmp_path / "plain", GIT_CEILING_DIRECTORIES=str(tmp_path)).error
    assert "plain" in error
    assert "not a git repository" in error


def test_a_bare_repository_is_refused_in_one_line(scratch: Scratch, tmp_path: Path) -> None:
    scratch.must("clone", "--quiet", "--bare", ".", str(tmp_path / "bare.git"))
    assert "bare" in call("check", "--staged", cwd=tmp_path / "bare.git").error


def test_a_policy_that_is_not_staged_is_refused_with_advice(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "repo")
    make_yard(scratch.root, heron=GOOD)
    scratch.must("add", "boats", "defs", "factory")
    assert "git add callint.toml" in scratch.staged().error
    (scratch.root / "callint.toml").unlink()
    error = scratch.staged().error
    assert "the index has no callint.toml" in error
    assert "git add" in error


def test_a_mistake_in_the_staged_policy_is_refused_in_one_line(scratch: Scratch) -> None:
    scratch.stage("callint.toml", 'fail-on = "fatal"\n')
    scratch.write("callint.toml", POLICY)
    error = scratch.staged().error
    assert "callint.toml:1" in error
    assert "'fatal'" in error


@pytest.mark.parametrize(
    "arguments",
    [(HERON,), ("--base", "factory/base.bin"), ("--definition", "defs/yard.xml"), ("--since", "HEAD")],
)
def test_staged_takes_no_other_file_from_the_command_line(
    scratch: Scratch, arguments: tuple[str, ...]
) -> None:
    error = scratch.call("check", "--staged", *arguments).error
    assert "use only one" in error or "remove --definition and --base" in error


def test_staged_takes_a_policy_below_the_top_where_it_is_named(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "repo")
    make_yard(scratch.root / "engines", heron=GOOD)
    scratch.commit()
    scratch.stage("engines/boats/heron.bin", BAD)
    assert "the index has no callint.toml" in scratch.call("check", "--staged").error
    result = scratch.call("check", "--staged", "--policy", "engines/callint.toml")
    assert result.status == 1 and "error    fuel at " in result.stdout
    assert "nothing.toml" in scratch.call("check", "--staged", "--policy", "engines/nothing.toml").error


def test_an_output_does_not_replace_a_file_of_the_yard(scratch: Scratch) -> None:
    scratch.stage(HERON, BAD)
    before = scratch.files()
    result = scratch.call("check", "--staged", "--output", HERON)
    assert scratch.files() == before
    assert "would replace an input" in result.error


# Names and kinds of files


@pytest.mark.parametrize(
    "name", ["the heron.bin", "grå häger 鷺.bin", "-heron.bin", "#heron.bin", "[h].bin", "'h'.bin"]
)
def test_a_file_may_have_any_name(scratch: Scratch, name: str) -> None:
    scratch.stage(f"boats/{name}", BAD)
    scratch.write(f"boats/{name}", GOOD)
    assert found(scratch) == slip_in(f"boats/{name}")


@posix
def test_a_file_name_never_reaches_the_terminal_raw(scratch: Scratch) -> None:
    scratch.stage("boats/\x1b[2J\u202eevil\n\t.bin", BAD)
    result = scratch.staged()
    assert result.status == 1
    assert "evil" in result.stdout
    assert steering(result.stdout) == []


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse names that are not text")
def test_a_file_name_that_is_not_text_is_checked(scratch: Scratch) -> None:
    scratch.stage(os.fsdecode(b"boats/h\xff.bin"), BAD)
    result = scratch.staged()
    assert result.status == 1, result
    assert "above the limit" in result.stdout


@posix
@pytest.mark.parametrize("target", ["petrel.bin", "../../secret.bin"])
def test_a_symbolic_link_in_the_index_is_refused_as_a_finding(scratch: Scratch, target: str) -> None:
    (scratch.root.parent / "secret.bin").write_bytes(GOOD)
    (scratch.root / "boats" / "link.bin").symlink_to(target)
    scratch.must("add", "boats/link.bin")
    assert found(scratch) == {("image/unreadable", "boats/link.bin")}
    assert "symbolic link" in scratch.staged().flat


@posix
def test_a_symbolic_link_as_definition_or_base_is_refused_as_a_finding(scratch: Scratch) -> None:
    for name, rule in (("defs/yard.xml", "definition/invalid"), ("factory/base.bin", "image/missing-base")):
        (scratch.root / name).rename(scratch.root / f"{name}.real")
        (scratch.root / name).symlink_to(f"{Path(name).name}.real")
        scratch.must("add", "--all")
        assert rule in {item for item, _ in found(scratch)}
        scratch.must("reset", "--quiet", "--hard")


@posix
def test_a_symbolic_link_as_policy_is_refused_in_one_line(scratch: Scratch) -> None:
    (scratch.root / "callint.toml").rename(scratch.root / "real.toml")
    (scratch.root / "callint.toml").symlink_to("real.toml")
    scratch.must("add", "--all")
    assert "callint.toml" in scratch.staged().error


def in_conflict(scratch: Scratch, path: str, ours: bytes | str, theirs: bytes | str) -> None:
    """A merge that stands still because both sides changed a file."""
    scratch.must("checkout", "--quiet", "-b", "theirs")
    scratch.write(path, theirs)
    scratch.commit("Theirs")
    scratch.must("checkout", "--quiet", "main")
    scratch.write(path, ours)
    scratch.commit("Ours")
    assert scratch.git("merge", "--quiet", "theirs").status == 1


def test_an_image_in_conflict_is_a_finding(scratch: Scratch) -> None:
    in_conflict(scratch, HERON, BETTER, edited(GOOD, {CUT: u16(4250)}))
    assert found(scratch) == {("image/unreadable", HERON)}
    assert "in conflict" in scratch.staged().flat
    scratch.must("add", HERON)
    assert found(scratch) == set()


def test_a_base_in_conflict_is_a_finding(scratch: Scratch) -> None:
    in_conflict(scratch, "factory/base.bin", OTHER_BASE, edited(yard_base(), {NOTHING: b"\x06"}))
    assert {rule for rule, _ in found(scratch)} == {"image/missing-base"}


def test_a_policy_in_conflict_is_refused_in_one_line(scratch: Scratch) -> None:
    in_conflict(scratch, "callint.toml", f"{POLICY}# ours\n", f"{POLICY}# theirs\n")
    error = scratch.staged().error
    assert "callint.toml" in error
    assert "conflict" in error


# What git hands to a hook


def with_hook(scratch: Scratch, folder: str = ".") -> Scratch:
    """The repository with callint as the hook that git starts before a commit."""
    hook = scratch.root / ".git" / "hooks" / "pre-commit"
    hook.parent.mkdir(exist_ok=True)
    hook.write_text(f"#!/bin/sh\ncd '{folder}' && exec '{launcher()}' check --staged\n", "utf-8")
    hook.chmod(0o755)
    return scratch


def head(scratch: Scratch) -> str:
    return scratch.must("rev-parse", "HEAD")


def test_a_hook_stops_a_bad_commit_and_lets_a_good_one_pass(scratch: Scratch) -> None:
    with_hook(scratch)
    before = head(scratch)
    scratch.stage(HERON, BAD)
    stopped = scratch.git("commit", "--message", "Bad")
    assert stopped.status != 0
    assert "above the limit" in stopped.stdout + stopped.stderr
    assert head(scratch) == before
    scratch.stage(HERON, BETTER)
    scratch.must("commit", "--quiet", "--message", "Good")
    assert head(scratch) != before


def test_commit_with_a_path_is_judged_by_that_path_alone(scratch: Scratch) -> None:
    with_hook(scratch)
    # What is staged besides is not part of such a commit, and what is not staged at all is.
    scratch.stage("boats/petrel.bin", BAD)
    scratch.write(HERON, BETTER)
    scratch.must("commit", "--quiet", "--message", "Heron", HERON)
    assert scratch.must("show", "--name-only", "--format=", "HEAD").split() == [HERON]
    scratch.must("reset", "--quiet", "--hard")
    before = head(scratch)
    scratch.write(HERON, BAD)
    assert scratch.git("commit", "--quiet", "--message", "Heron", HERON).status != 0
    assert head(scratch) == before


def test_commit_of_all_is_judged_by_the_working_tree(scratch: Scratch) -> None:
    with_hook(scratch)
    before = head(scratch)
    scratch.write(HERON, BAD)
    assert scratch.git("commit", "--quiet", "--all", "--message", "All").status != 0
    assert head(scratch) == before
    scratch.stage(HERON, BAD)
    scratch.write(HERON, BETTER)
    scratch.must("commit", "--quiet", "--all", "--message", "All")
    assert head(scratch) != before


def test_a_commit_from_a_folder_below_is_judged(scratch: Scratch) -> None:
    with_hook(scratch)
    before = head(scratch)
    scratch.stage(HERON, BAD)
    boats = scratch.root / "boats"
    assert scratch.git("commit", "--quiet", "--message", "Bad", folder=boats).status != 0
    assert scratch.git("commit", "--quiet", "--message", "Bad", "heron.bin", folder=boats).status != 0
    assert head(scratch) == before
    scratch.stage(HERON, BETTER)
    scratch.must("commit", "--quiet", "--message", "Good", folder=boats)


def test_a_commit_in_a_linked_working_tree_is_judged(scratch: Scratch, tmp_path: Path) -> None:
    with_hook(scratch)
    scratch.must("worktree", "add", "--quiet", "-b", "side", str(tmp_path / "side"))
    side = Scratch(tmp_path / "side")
    before = head(side)
    # The main working tree's index has the opposite of what is committed here.
    scratch.stage(HERON, BETTER)
    side.stage(HERON, BAD)
    assert side.git("commit", "--quiet", "--message", "Bad").status != 0
    assert side.git("commit", "--quiet", "--message", "Bad", HERON).status != 0
    assert head(side) == before
    scratch.stage(HERON, BAD)
    side.stage(HERON, BETTER)
    side.must("commit", "--quiet", "--message", "Good")
    assert head(side) != before


def test_a_repository_away_from_its_working_tree_is_judged(tmp_path: Path) -> None:
    # git names both to its hooks, in GIT_DIR and GIT_WORK_TREE; nothing in the working tree leads to them.
    scratch = with_hook(make_repository_yard(tmp_path / "repo", heron=GOOD))
    (scratch.root / ".git").rename(tmp_path / "away.git")
    both = (f"--git-dir={tmp_path / 'away.git'}", f"--work-tree={scratch.root}")
    before = scratch.must(*both, "rev-parse", "HEAD")
    scratch.write(HERON, BAD)
    scratch.must(*both, "add", HERON)
    stopped = scratch.git(*both, "commit", "--quiet", "--message", "Bad")
    assert stopped.status != 0
    assert "above the limit" in stopped.stdout + stopped.stderr
    scratch.write(HERON, BETTER)
    scratch.must(*both, "add", HERON)
    passed = scratch.git(*both, "commit", "--quiet", "--message", "Good")
    assert passed.status == 0, passed
    assert scratch.must(*both, "rev-parse", "HEAD") != before


def test_a_hook_may_change_to_the_policys_folder(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "repo")
    make_yard(scratch.root / "yard", heron=GOOD)
    scratch.commit()
    with_hook(scratch, "yard")
    before = head(scratch)
    image = f"yard/{HERON}"
    scratch.stage(image, BAD)
    assert scratch.git("commit", "--quiet", "--message", "Bad").status != 0
    assert scratch.git("commit", "--quiet", "--message", "Bad", image).status != 0
    assert head(scratch) == before
    scratch.stage(image, BETTER)
    scratch.must("commit", "--quiet", "--message", "Good")


def test_an_amended_commit_is_judged(scratch: Scratch) -> None:
    with_hook(scratch)
    before = head(scratch)
    scratch.stage(HERON, BAD)
    assert scratch.git("commit", "--quiet", "--amend", "--no-edit").status != 0
    assert head(scratch) == before


@pytest.mark.parametrize(
    "word", ["--literal-pathspecs", "--glob-pathspecs", "--noglob-pathspecs", "--icase-pathspecs"]
)
def test_gits_settings_for_reading_paths_do_not_matter(scratch: Scratch, word: str) -> None:
    # git hands these on to its hooks in GIT_LITERAL_PATHSPECS and its like; some front ends always set them.
    with_hook(scratch)
    scratch.stage(HERON, BAD)
    stopped = scratch.git(word, "commit", "--quiet", "--message", "Bad")
    assert stopped.status != 0
    assert "above the limit" in stopped.stdout + stopped.stderr
    scratch.stage(HERON, BETTER)
    passed = scratch.git(word, "commit", "--quiet", "--message", "Good")
    assert passed.status == 0, passed


# A stranger's repository


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("diff.relative", "true"),
        ("diff.noprefix", "true"),
        ("diff.mnemonicPrefix", "true"),
        ("diff.renames", "copies"),
        ("diff.orderFile", "callint.toml"),
        ("core.quotePath", "false"),
        ("color.ui", "always"),
        ("core.ignoreCase", "true"),
    ],
)
def test_a_repositorys_configuration_does_not_change_what_is_found(
    scratch: Scratch, name: str, value: str
) -> None:
    scratch.must("config", name, value)
    scratch.stage(HERON, BAD)
    assert found(scratch, "defs") == SLIP


@posix
def test_a_program_that_the_repositorys_configuration_names_is_not_started(
    scratch: Scratch, tmp_path: Path
) -> None:
    started = tmp_path / "started"
    program = tmp_path / "program"
    program.write_text(f"#!/bin/sh\necho \"$0\" > '{started}'\n", "utf-8")
    program.chmod(0o755)
    scratch.must("config", "core.fsmonitor", str(program))
    scratch.git("status")
    assert started.exists(), "git itself does not start the program, so that this proves nothing"
    scratch.must("-c", "core.fsmonitor=false", "add", "--all")
    scratch.write(HERON, BAD)
    scratch.must("-c", "core.fsmonitor=false", "add", HERON)
    for name in (
        "diff.external",
        "core.pager",
        "core.editor",
        "core.sshCommand",
        "pager.diff",
        "pager.ls-files",
    ):
        scratch.must("config", name, str(program))
    scratch.must("config", "diff.bin.textconv", str(program))
    scratch.must("config", "diff.bin.command", str(program))
    scratch.must("config", "filter.bin.smudge", str(program))
    scratch.must("config", "filter.bin.clean", str(program))
    (scratch.root / ".git" / "info").mkdir(exist_ok=True)
    (scratch.root / ".git" / "info" / "attributes").write_text("*.bin diff=bin filter=bin\n", "utf-8")
    started.unlink()
    assert found(scratch) == SLIP
    assert not started.exists()


@posix
def test_without_git_the_line_names_what_is_missing(scratch: Scratch, tmp_path: Path) -> None:
    (tmp_path / "bin").mkdir()
    error = scratch.staged(PATH=str(tmp_path / "bin")).error
    assert "git" in error
    assert "install" in error


@posix
def test_a_blob_that_the_repository_lacks_is_not_fetched_by_a_program(
    scratch: Scratch, tmp_path: Path
) -> None:
    # A partial clone fetches what it lacks on demand, by whatever transport its configuration names.
    started = tmp_path / "started"
    program = tmp_path / "program"
    program.write_text(f"#!/bin/sh\necho started > '{started}'\n", "utf-8")
    program.chmod(0o755)
    scratch.stage(HERON, BAD)
    blob = scratch.must("rev-parse", f":{HERON}").strip()
    lost = scratch.root / ".git" / "objects" / blob[:2] / blob[2:]
    lost.unlink()
    for name, value in (
        ("core.repositoryFormatVersion", "1"),
        ("extensions.partialClone", "far"),
        ("remote.far.url", f"ext::{program}"),
        ("remote.far.promisor", "true"),
        ("protocol.ext.allow", "always"),
    ):
        scratch.must("config", name, value)
    scratch.git("cat-file", "-p", blob)
    assert started.exists(), "git itself does not start the program, so that this proves nothing"
    started.unlink()
    result = scratch.staged()
    assert not started.exists()
    # An unreadable file is reported, as a finding or in one line, and is not a fault of callint.
    assert result.status in {1, 2}, result


def test_a_broken_object_is_not_reported_as_a_bug_of_callint(scratch: Scratch) -> None:
    scratch.stage(HERON, BAD)
    blob = scratch.must("rev-parse", f":{HERON}").strip()
    lost = scratch.root / ".git" / "objects" / blob[:2] / blob[2:]
    lost.chmod(0o644)
    for damage in (b"no object at all", None):
        if damage is None:
            lost.unlink()
        else:
            lost.write_bytes(damage)
        result = scratch.staged()
        assert result.status in {1, 2}, result
        assert HERON in result.stdout + result.stderr


def test_a_cell_that_was_never_staged_is_not_named(scratch: Scratch) -> None:
    scratch.stage(HERON, edited(BAD, {fuel_cell(2, 2): u16(735)}))
    scratch.write(HERON, edited(GOOD, {fuel_cell(3, 2): u16(9000)}))
    result = scratch.staged()
    assert "fuel at 1600 rpm, 40 mg" in result.stdout
    assert "3200 rpm" not in result.stdout


@posix
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only the superuser gives away")
def test_a_repository_of_somebody_else_is_not_opened(scratch: Scratch) -> None:
    os.chown(scratch.root, 12345, 12345)
    error = scratch.staged().error
    assert "the repository is somebody else's; if you trust them, git config --global --add" in error
    assert error.endswith(f"safe.directory {scratch.root}")


def test_a_folder_whose_name_has_a_line_break_is_a_repository_too(tmp_path: Path) -> None:
    try:
        scratch = make_repository_yard(tmp_path / "two\nlines", heron=GOOD)
    except OSError:
        pytest.skip("no such names here")
    scratch.stage(HERON, BAD)
    assert found(scratch) == slip_in(HERON)
