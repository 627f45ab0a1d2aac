"""callint init: its files and settings, with real git."""

from __future__ import annotations

import os
import shlex
import shutil
import sys
import tomllib
from collections.abc import Callable
from contextlib import chdir
from pathlib import Path
from unittest import mock

import pytest

from callint.commands import init
from callint.reporting.files.atomic_write import replace_file
from callint.reporting.files.destinations import Destination
from callint.versioning.git.repository import open_repository
from callint.versioning.init.plan import plan
from callint.versioning.init.plan_context import InitOptions
from tests.building import u16
from tests.commands.initiating import (
    DONE,
    FOREIGN_HOOK,
    FRAMEWORK,
    KEYS,
    NOBODYS,
    OURS,
    attributes,
    done,
    is_executable,
    settings,
    state,
)
from tests.running import (
    BAD,
    CUT,
    GOOD,
    HULL,
    POLICY,
    TRIM,
    Scratch,
    call,
    edited,
    environment,
    initialize,
    make_repository,
    make_repository_yard,
    make_yard,
    run,
    yard_base,
)
from tests.versioning.test_pre_commit import Consumer, put_on_path

HERON = "boats/heron.bin"
NAMED = ("boats/*.bin", "--definition", "defs/yard.xml", "--base", "factory/base.bin")
HOOKS = ("pre-commit", "pre-merge-commit", "pre-applypatch", "prepare-commit-msg")
OWN = [f".git/hooks/{name}" for name in HOOKS]


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "yard", heron=GOOD)


@pytest.fixture
def bare_yard(tmp_path: Path) -> Scratch:
    """A yard without a policy."""
    scratch = make_repository(tmp_path / "yard")
    make_yard(scratch.root, heron=GOOD)
    (scratch.root / "callint.toml").unlink()
    scratch.commit("Images")
    return scratch


def clone(scratch: Scratch, folder: Path) -> Scratch:
    scratch.must("clone", "--quiet", str(scratch.root), str(folder))
    return Scratch(folder)


def try_to_commit(scratch: Scratch, folder: Path | None = None) -> str | None:
    """What a commit of everything says that was stopped; None where it passed."""
    scratch.must("add", "--all", folder=folder)
    tried = scratch.git("commit", "--message", "Work", folder=folder)
    return None if tried.status == 0 else tried.stdout + tried.stderr


# A repository without images


def test_an_empty_repository_gets_a_commented_policy_hooks_and_settings(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path)
    result = done(initialize(scratch))
    assert "Name your images in callint.toml, then call callint init again." in result.flat
    assert set(scratch.files()) == {"callint.toml"}
    policy = scratch.files()["callint.toml"].decode()
    assert tomllib.loads(policy) == {}
    # What stands in comments is a policy too, once the comment signs are gone.
    lines = policy.splitlines()
    at = lines.index("# [[images]]")
    example = tomllib.loads("\n".join(line.removeprefix("# ") for line in lines[at : at + 4]))
    assert example["images"][0]["paths"] == ["boats/*.bin"]
    assert max(map(len, lines)) <= 80
    assert set(settings(scratch)) == set(KEYS)
    assert all(is_executable(scratch.root / hook) for hook in OWN)
    # With the policy in it, a commit passes that names no image.
    assert try_to_commit(scratch) is None


def test_attributes_come_with_the_first_images(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path)
    done(initialize(scratch))
    make_yard(scratch.root, heron=GOOD)
    result = done(initialize(scratch))
    assert "wrote .gitattributes" in result.stdout
    assert attributes(scratch, HERON) == {HERON: OURS}
    # And an unedited policy of its own may be replaced by one with images.
    other = make_repository(tmp_path / "other")
    done(initialize(other))
    written = other.files()["callint.toml"]
    make_yard(other.root, heron=GOOD)
    other.write("callint.toml", written)
    done(initialize(other, *NAMED))
    assert tomllib.loads(other.files()["callint.toml"].decode()) == tomllib.loads(POLICY)


# With images


def test_the_policy_states_what_was_asked_for(bare_yard: Scratch) -> None:
    result = done(initialize(bare_yard, *NAMED))
    assert tomllib.loads(bare_yard.files()["callint.toml"].decode()) == tomllib.loads(POLICY)
    assert "wrote callint.toml" in result.stdout
    assert "Commit the files" in result.stdout
    *_, caution = result.stdout.split("\n\n")
    assert caution.startswith("Caution. callint reports; it does not approve.")
    assert caution.endswith("come first.\n")
    assert bare_yard.call("check").status == 0


def test_the_attributes_hold_for_exactly_the_images_and_their_base(bare_yard: Scratch) -> None:
    done(initialize(bare_yard, *NAMED))
    others = ["boats/heron.txt", "boats/old/heron.bin", "heron.bin", "factory/other.bin", "x/boats/a.bin"]
    result = attributes(bare_yard, HERON, "boats/teal.bin", "factory/base.bin", *others)
    assert {path for path, values in result.items() if values == OURS} == {
        HERON,
        "boats/teal.bin",
        "factory/base.bin",
    }
    assert all(result[path] == NOBODYS for path in others)
    ignored = bare_yard.git("check-ignore", f"{HERON}.conflicts.txt", f"{HERON}.conflicts.json", HERON)
    assert ignored.lines == [f"{HERON}.conflicts.txt", f"{HERON}.conflicts.json"]


STRANGE = [
    "boats/[old] heron.bin",
    "boats/heron [!].bin",
    "boats/[^x].bin",
    "boats/[[:alpha:]].bin",
    "boats/star*.bin",
    "boats/what?.bin",
    "boats/\"quoted\" 'name'.bin",
    "boats/Möwe und Käuzchen.bin",
    "boats/海.bin",
    "-boats/-heron.bin",
    "-heron.bin",
    "!heron.bin",
    "#heron.bin",
    " heron.bin",
    "heron.bin ",
    "100%P%O.bin",
    "$(touch x)`touch y`;.bin",
]


def test_images_with_strange_names_are_those_images_and_no_others(bare_yard: Scratch) -> None:
    names = [name for name in STRANGE if os.name != "nt" or not set(name) & set('*?":')]
    for name in (*names, "boats/x.bin"):
        bare_yard.write(name, GOOD)
    done(initialize(bare_yard, "--definition", "defs/yard.xml", "--base", "factory/base.bin", "--", *names))
    others = ("boats/x.bin", "boats/star1.bin", "boats/what1.bin", "boats/a.bin", "boats/o heron.bin")
    result = attributes(bare_yard, *names, *others)
    assert {name for name, values in result.items() if values == OURS} == set(names)
    assert all(result[name] == NOBODYS for name in others)
    for number, name in enumerate(names):
        bare_yard.write(name, edited(BAD, {CUT: u16(4100 + number)}))
    said = try_to_commit(bare_yard)
    assert said is not None and said.count("999.0 mg is above the limit of 90 mg") == len(names)
    for name in names:
        bare_yard.write(name, GOOD)
    assert try_to_commit(bare_yard) is None
    # The diff driver is called with such names, too.
    for number, name in enumerate(names):
        bare_yard.write(name, edited(GOOD, {CUT: u16(4101 + number)}))
    shown = bare_yard.git("diff", "--", *(f":(literal){name}" for name in names))
    for number in range(len(names)):
        assert f"4200 → {4101 + number} rpm" in shown.stdout, (names[number], shown)
    assert not (bare_yard.root / "x").exists() and not (bare_yard.root / "y").exists()


def test_a_base_is_a_name_and_no_glob(bare_yard: Scratch) -> None:
    bare_yard.write("factory/[b].bin", yard_base())
    done(initialize(bare_yard, "boats/*.bin", "--definition", "defs/yard.xml", "--base", "factory/[b].bin"))
    result = attributes(bare_yard, "factory/[b].bin", "factory/b.bin")
    assert result == {"factory/[b].bin": OURS, "factory/b.bin": NOBODYS}
    assert bare_yard.call("check").status == 0


def test_a_list_that_the_shell_made_of_a_glob_names_every_image(bare_yard: Scratch) -> None:
    for number in range(30):
        bare_yard.write(f"boats/boat {number}.bin", GOOD)
    names = sorted(path.relative_to(bare_yard.root).as_posix() for path in bare_yard.root.glob("boats/*"))
    done(initialize(bare_yard, *names, *NAMED[1:]))
    policy = bare_yard.files()["callint.toml"].decode()
    assert tomllib.loads(policy)["images"][0]["paths"] == names
    assert set(attributes(bare_yard, *names).values()) == {OURS}


def test_paths_count_from_the_folder_where_it_is_called(bare_yard: Scratch) -> None:
    result = call(
        "init", "*.bin", "--definition", "../defs/yard.xml", "--base", "../factory/base.bin",
        cwd=bare_yard.root / "boats",
    )  # fmt: skip
    done(result)
    assert tomllib.loads(bare_yard.files()["callint.toml"].decode()) == tomllib.loads(POLICY)
    assert "wrote ../callint.toml" in result.stdout


def test_globs_without_a_file_are_reported(bare_yard: Scratch) -> None:
    result = done(initialize(bare_yard, "ships/*.bin", "--definition", "defs/yard.xml"))
    assert "No file matches the paths in callint.toml yet." in result.stdout


@pytest.mark.parametrize(
    ("line", "path", "attributes"),
    [
        ("*.bin diff=other", HERON, "diff=other"),
        ("*.bin merge=other text", HERON, "merge=other text=set"),
        ("*.xml merge=other", "defs/yard.xml", "merge=other"),
    ],
)
def test_an_attribute_line_below_the_block_is_reported(
    yard: Scratch, line: str, path: str, attributes: str
) -> None:
    done(initialize(yard))
    attributes_file = yard.root / ".gitattributes"
    block = attributes_file.read_bytes()
    attributes_file.write_bytes(block + f"{line}\n".encode())
    result = done(initialize(yard))
    assert DONE in result.stdout
    assert f"{path}: git's attributes for it are {attributes}, by a line" in result.flat
    # The remedy helps.
    attributes_file.write_bytes(f"{line}\n".encode() + block)
    assert done(initialize(yard)).stdout == f"{DONE}\n"


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_a_strange_name_in_a_remark_steers_no_terminal(yard: Scratch) -> None:
    yard.write("boats/\x1b[31m\nred\u202e.bin", GOOD)
    yard.write("boats/.gitattributes", "*red* merge=union\n")
    result = done(initialize(yard))
    assert r"boats/\x1b[31m\x0ared\u202e.bin: git's attributes for it are merge=union" in result.flat


def test_an_image_that_no_pattern_of_git_reaches_is_reported(yard: Scratch) -> None:
    yard.write("callint.toml", POLICY.replace("*.bin", "h?ron.bin"))
    yard.write("boats/hüron.bin", GOOD)
    result = done(initialize(yard))
    assert "boats/hüron.bin: no line of .gitattributes matches it" in result.flat
    assert "use * in callint.toml instead." in result.flat
    yard.write("callint.toml", POLICY.replace("*.bin", "h*ron.bin"))
    assert "reaches" not in done(initialize(yard)).stdout
    assert attributes(yard, "boats/hüron.bin") == {"boats/hüron.bin": OURS}


# git speaks engineering units


def test_the_hook_stops_a_bad_image_and_lets_a_good_one_pass(yard: Scratch) -> None:
    done(initialize(yard))
    yard.write(HERON, BAD)
    said = try_to_commit(yard)
    assert said is not None
    assert f"1 mistake in {HERON}." in said
    assert "error    fuel at " in said
    assert "999.0 mg is above the limit of 90 mg" in said
    yard.write(HERON, edited(GOOD, {CUT: u16(4150)}))
    assert try_to_commit(yard) is None


def test_git_diff_log_and_blame_speak_engineering_units(yard: Scratch) -> None:
    done(initialize(yard))
    assert try_to_commit(yard) is None
    yard.write(HERON, edited(GOOD, {CUT: u16(4150)}))
    assert "4200 → 4150 rpm" in yard.must("diff")
    assert try_to_commit(yard) is None
    log = yard.must("log", "-p", "-1", "--", HERON)
    assert "4200" in log and "+" in log and "Binary" not in log
    assert any("overspeed_cut" in line and "4150" in line for line in yard.must("blame", HERON).splitlines())


def reworked(scratch: Scratch, theirs: bytes, ours: bytes) -> None:
    """Two branches with a rework each."""
    scratch.must("checkout", "--quiet", "-b", "topic")
    scratch.write(HERON, theirs)
    scratch.commit("Theirs")
    scratch.must("checkout", "--quiet", "main")
    scratch.write(HERON, ours)
    scratch.commit("Ours")


def test_git_merges_cell_by_cell_and_asks_the_hook(yard: Scratch) -> None:
    done(initialize(yard))
    yard.commit("Set up")
    reworked(yard, edited(GOOD, {CUT: u16(4150)}), edited(GOOD, {HULL: b"HERON-4     "}))
    merged = yard.git("merge", "--no-edit", "topic")
    assert merged.status == 0, merged
    assert (yard.root / HERON).read_bytes() == edited(GOOD, {CUT: u16(4150), HULL: b"HERON-4     "})


def test_a_clean_merge_that_brings_a_bad_image_is_stopped_by_its_own_hook(yard: Scratch) -> None:
    done(initialize(yard))
    yard.commit("Set up")
    yard.must("checkout", "--quiet", "-b", "topic")
    yard.write("boats/teal.bin", BAD)
    yard.commit("Past the hook")
    yard.must("checkout", "--quiet", "main")
    yard.write("note.txt", "Work on the other branch.\n")
    yard.commit("Ours")
    before = yard.must("rev-parse", "HEAD")
    merged = yard.git("merge", "--no-edit", "topic")
    assert merged.status != 0
    assert "999.0 mg is above the limit of 90 mg" in merged.stdout + merged.stderr
    assert yard.must("rev-parse", "HEAD") == before


def test_a_conflict_keeps_ours_and_its_lists_are_not_committed(yard: Scratch) -> None:
    done(initialize(yard))
    yard.commit("Set up")
    ours = edited(GOOD, {CUT: u16(4100)})
    reworked(yard, edited(GOOD, {CUT: u16(4150)}), ours)
    assert yard.git("merge", "--no-edit", "topic").status == 1
    assert (yard.root / HERON).read_bytes() == ours
    assert (yard.root / f"{HERON}.conflicts.txt").exists()
    yard.must("add", "--all")
    assert ".conflicts." not in yard.must("ls-files")


# Again, elsewhere, and dry


def test_a_second_run_changes_nothing_from_any_folder(bare_yard: Scratch) -> None:
    done(initialize(bare_yard, *NAMED))
    before = state(bare_yard.root, times=True)
    for result in (
        initialize(bare_yard),
        initialize(bare_yard, *NAMED),
        initialize(Scratch(bare_yard.root / "boats")),
    ):
        assert done(result).stdout == f"{DONE}\n"
        assert state(bare_yard.root, times=True) == before


def test_a_clone_gets_settings_and_hooks_only(yard: Scratch, tmp_path: Path) -> None:
    done(initialize(yard))
    yard.commit("Set up")
    copy = clone(yard, tmp_path / "copy")
    files = copy.files()
    result = done(initialize(copy))
    assert copy.files() == files
    assert copy.must("status", "--porcelain") == ""
    assert set(settings(copy)) == set(KEYS)
    assert "wrote .git/hooks/pre-commit" in result.stdout
    assert "Commit the files" not in result.stdout
    copy.write(HERON, BAD)
    assert try_to_commit(copy) is not None


def test_the_same_images_may_be_named_in_a_clone(bare_yard: Scratch, tmp_path: Path) -> None:
    done(initialize(bare_yard, *NAMED))
    bare_yard.commit("Set up")
    copy = clone(bare_yard, tmp_path / "copy")
    done(initialize(copy, *NAMED))
    assert copy.must("status", "--porcelain") == ""


def test_a_dry_run_writes_nothing_and_prints_what_the_run_then_prints(bare_yard: Scratch) -> None:
    before = state(bare_yard.root, times=True)
    dry = done(initialize(bare_yard, *NAMED, "--dry-run"))
    assert state(bare_yard.root, times=True) == before
    wet = done(initialize(bare_yard, *NAMED))

    def in_past(text: str) -> list[str]:
        steps = text.partition(" Commit the files")[0].partition(" Caution.")[0]
        for now, then in (("write", "wrote"), ("change", "changed"), ("remove", "removed"), ("set", "set")):
            steps = steps.replace(f"would {now} ", f"{then} ")
        return steps.split()

    assert "would write callint.toml" in dry.stdout
    assert "would" not in wet.stdout
    # Dry, the settings' values are named too.
    message = dry.flat
    for value in bare_yard.must("config", "--get-regexp", r"^(diff|merge)\.callint[.-]").splitlines():
        shown = f" {value.partition(' ')[2]} "
        assert shown in message
        message = message.replace(shown, " ", 1)
    assert in_past(message) == in_past(wet.flat)
    after = state(bare_yard.root, times=True)
    dry_undo = done(initialize(bare_yard, "--undo", "--dry-run"))
    assert state(bare_yard.root, times=True) == after
    assert in_past(dry_undo.flat) == in_past(done(initialize(bare_yard, "--undo")).flat)


def test_a_changed_policy_changes_the_attributes(yard: Scratch) -> None:
    yard.write(".gitattributes", "*.xml text\n")
    done(initialize(yard))
    yard.write("ships/a.bin", GOOD)
    yard.write("callint.toml", POLICY.replace("boats/", "ships/"))
    assert "changed .gitattributes" in done(initialize(yard)).stdout
    result = attributes(yard, HERON, "ships/a.bin", "defs/yard.xml")
    assert (result[HERON], result["ships/a.bin"]) == (NOBODYS, OURS)
    yard.write("callint.toml", "")
    done(initialize(yard))
    assert yard.files()[".gitattributes"] == b"*.xml text\n"
    assert ".gitignore" not in yard.files()


# Refusals


def bare_repository(scratch: Scratch) -> None:
    shutil.move(scratch.root / ".git", scratch.root / "kept")
    scratch.must("clone", "--quiet", "--bare", "kept", ".git")
    scratch.must("config", "--file", ".git/config", "core.bare", "true")


def edit_block(scratch: Scratch) -> None:
    done(initialize(scratch))
    path = scratch.root / ".gitattributes"
    path.write_bytes(path.read_bytes().replace(b"/boats/*.bin -text", b"/boats/*.bin  text"))
    scratch.must("config", "--unset", "merge.callint.name")


def link_attributes(scratch: Scratch) -> None:
    scratch.write("other", "")
    (scratch.root / ".gitattributes").symlink_to("other")


def make_hooks_a_file(scratch: Scratch) -> None:
    shutil.rmtree(scratch.root / ".git/hooks")
    scratch.write(".git/hooks", "")


REFUSED: dict[str, tuple[Callable[[Scratch], object], tuple[str, ...], str]] = {
    "a foreign hook": (
        lambda s: s.write(".git/hooks/pre-commit", FOREIGN_HOOK),
        (),
        "pre-commit: this hook already exists; add callint check --staged to it and give --no-hook",
    ),
    "a foreign merge hook": (
        lambda s: s.write(".git/hooks/pre-merge-commit", FOREIGN_HOOK),
        (),
        "pre-merge-commit: this hook already exists",
    ),
    "a foreign setting": (
        lambda s: s.must("config", "merge.callint.driver", "mine %A"),
        (),
        "merge.callint.driver: it is 'mine %A' and was not set by callint init; git config --remove-section",
    ),
    "an edited block": (edit_block, (), ".gitattributes:1: lines that callint init wrote were edited"),
    "a policy and images": (
        lambda s: None,
        NAMED,
        "callint.toml: it already exists; add the images to it",
    ),
    "attributes behind a link": (link_attributes, (), ".gitattributes: it is a symbolic link"),
    "attributes that are a folder": (
        lambda s: s.write(".gitattributes/x", ""),
        (),
        ".gitattributes: it cannot be read: it is a folder",
    ),
    "the framework without its file": (
        lambda s: None,
        ("--pre-commit",),
        ".pre-commit-config.yaml: the file does not exist; create it first",
    ),
    "the framework's file without a hook": (
        lambda s: s.write(".pre-commit-config.yaml", "repos: []\n"),
        ("--pre-commit",),
        "there is no list below repos:; add a local hook by hand that calls callint check --staged",
    ),
    "the framework's file in flow style": (
        lambda s: s.write(".pre-commit-config.yaml", "repos:\n  [{repo: local, hooks: []}]\n"),
        ("--pre-commit",),
        "there is no list below repos:",
    ),
    "a broken policy": (lambda s: s.write("callint.toml", "images = 3\n"), (), "callint.toml:1:"),
    "a policy with a line break in a path": (
        lambda s: s.write("callint.toml", POLICY.replace("*.bin", "\\n* -diff.bin")),
        (),
        "git's files cannot name a path with control characters",
    ),
    "a corrupt record": (
        lambda s: s.write(".git/callint/init.json", "[]"),
        (),
        "init.json: this is not a record of callint init; remove it",
    ),
    "a record of wrong types": (
        lambda s: s.write(
            ".git/callint/init.json",
            '{"format": "callint-init", "version": 1, "files": {"a": {"digest": 3, "gap": "", "created": 1}},'
            ' "settings": {}, "folders": []}',
        ),
        (),
        "init.json: this is not a record of callint init; remove it",
    ),
    "an endless record": (
        lambda s: s.write(".git/callint/init.json", "[" * 200_000),
        (),
        "init.json: this is not a record of callint init; remove it",
    ),
    "undo with images": (lambda s: None, ("--undo", "x.bin"), "--undo takes no images"),
    "two kinds of hook": (lambda s: None, ("--pre-commit", "--no-hook"), "exclude each other"),
    "a definition without images": (
        lambda s: None,
        ("--definition", "defs/yard.xml"),
        "--definition and --base need images",
    ),
    "a bare repository": (bare_repository, (), "a bare repository has no index"),
    "hooks that are a file": (
        make_hooks_a_file,
        (),
        "hooks/pre-commit: it cannot be read",
    ),
    "an empty core.hooksPath": (
        lambda s: s.must("config", "core.hooksPath", ""),
        (),
        "core.hooksPath: it is empty",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_init_refuses_obstacles_in_one_line_and_writes_nothing(yard: Scratch, case: str) -> None:
    prepare, arguments, command = REFUSED[case]
    prepare(yard)
    before = state(yard.root, times=True)
    for more in ((), ("--dry-run",)):
        assert command in initialize(yard, *arguments, *more).error
        assert state(yard.root, times=True) == before


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("boats/*.bin",), "--definition is missing; give the definition of the images"),
        (("boats/*.bin", "--definition", "defs/no.xml"), "defs/no.xml: it does not exist; check the path"),
        (("boats/*.bin", "--definition", "defs"), "defs: it cannot be read: it is a folder"),
        (
            ("boats/*.bin", "--definition", "factory/base.bin"),
            "factory/base.bin: it is not a definition; name the XML file that describes the images",
        ),
        ((*NAMED[:3], "--base", "no.bin"), "no.bin: it does not exist; check the path"),
        (("../x/*.bin", *NAMED[1:]), "../x/*.bin: it leads out of"),
        (("boats/no.bin", *NAMED[1:]), "boats/no.bin: it does not exist; check the path"),
        (("boats", *NAMED[1:]), "boats: it is a folder; name its images, as in 'boats/*.bin'"),
        (("boats/\x1b[31m*.bin", *NAMED[1:]), r"boats/\x1b[31m*.bin: a policy cannot name a path"),
        (("boats/a\nb*.bin", *NAMED[1:]), r"boats/a\x0ab*.bin: a policy cannot name a path"),
        ((), None),
    ],
)
def test_images_that_cannot_be_named_are_refused(
    bare_yard: Scratch, arguments: tuple[str, ...], message: str | None
) -> None:
    before = state(bare_yard.root, times=True)
    if message is None:  # the case that is no refusal shows that the others are
        done(initialize(bare_yard, *arguments))
        return
    assert message in initialize(bare_yard, *arguments).error
    assert state(bare_yard.root, times=True) == before


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_a_backslash_in_a_name_is_refused(bare_yard: Scratch) -> None:
    bare_yard.write("boats\\x.bin", GOOD)
    error = initialize(bare_yard, "boats\\x.bin", "--definition", "defs/yard.xml").error
    assert "a policy cannot name a path with a backslash" in error


def test_outside_of_a_repository_there_is_nothing_to_set_up(tmp_path: Path) -> None:
    assert "this is not a git repository" in call("init", cwd=tmp_path).error
    assert list(tmp_path.iterdir()) == []


def test_a_working_tree_elsewhere_is_not_set_up_from_here(yard: Scratch, tmp_path: Path) -> None:
    here = tmp_path / "here"
    here.mkdir()
    before = state(yard.root, times=True)
    places = {"GIT_DIR": str(yard.root / ".git"), "GIT_WORK_TREE": str(yard.root)}
    assert "it is not inside the working tree" in call("init", cwd=here, **places).error
    assert state(yard.root, times=True) == before
    done(call("init", cwd=yard.root / "boats", **places))


def test_hooks_that_all_repositories_share_are_not_written(yard: Scratch, tmp_path: Path) -> None:
    shared = tmp_path / "shared hooks"
    shared.mkdir()
    (tmp_path / "gitconfig").write_text(f'[core]\n\thooksPath = "{shared.as_posix()}"\n', "utf-8")
    before = state(yard.root, times=True)
    config = str(tmp_path / "gitconfig")
    error = initialize(yard, GIT_CONFIG_GLOBAL=config).error
    assert "core.hooksPath is set outside this repository" in error
    assert "--no-hook" in error
    assert state(yard.root, times=True) == before
    done(initialize(yard, "--no-hook", GIT_CONFIG_GLOBAL=config))
    assert list(shared.iterdir()) == []


def test_a_link_to_the_outside_is_not_written_through(bare_yard: Scratch, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (bare_yard.root / ".git" / "callint").symlink_to(outside, target_is_directory=True)
    assert "it lies behind a symbolic link" in initialize(bare_yard).error
    assert list(outside.iterdir()) == []


def test_a_second_policy_is_refused_until_the_first_is_gone(yard: Scratch) -> None:
    done(initialize(yard))
    yard.write("engines/callint.toml", POLICY)
    before = state(yard.root, times=True)
    error = call("init", cwd=yard.root / "engines").error
    assert "git's drivers follow callint.toml here, and can follow one policy only" in error
    assert state(yard.root, times=True) == before
    done(initialize(yard, "--undo"))
    done(call("init", cwd=yard.root / "engines"))
    assert "git's drivers follow engines/callint.toml" in initialize(yard).error
    # A policy that moved is not a second one.
    (yard.root / "engines" / "callint.toml").unlink()
    done(initialize(yard))
    assert "--policy" not in "".join(settings(yard).values())


# Hooks of the user's own


def test_lines_beside_the_hook_run_and_stay(yard: Scratch) -> None:
    done(initialize(yard))
    hook = yard.root / OWN[0]
    hook.write_bytes(hook.read_bytes() + b"echo later >> ran.txt\n")
    yard.write(HERON, BAD)
    assert try_to_commit(yard) is not None
    assert not (yard.root / "ran.txt").exists()
    yard.write(HERON, GOOD)
    yard.write("note.txt", "x")
    assert try_to_commit(yard) is None
    assert (yard.root / "ran.txt").exists()
    assert done(initialize(yard)).stdout == f"{DONE}\n"


@pytest.mark.parametrize(
    ("name", "unasked"),
    [
        ("prepare-commit-msg", "git cherry-pick commits unchecked"),
        ("pre-applypatch", "git am commits unchecked"),
    ],
)
def test_a_strangers_hook_that_git_seldom_runs_stays_and_is_reported(
    yard: Scratch, name: str, unasked: str
) -> None:
    hook = yard.write(f".git/hooks/{name}", FOREIGN_HOOK)
    said = done(initialize(yard)).flat
    assert f".git/hooks/{name} is not callint init's, and stays: {unasked}" in said
    assert hook.read_text("utf-8") == FOREIGN_HOOK
    yard.write(HERON, BAD)
    assert "999.0 mg" in (try_to_commit(yard) or "")
    done(initialize(yard, "--undo"))
    assert hook.read_text("utf-8") == FOREIGN_HOOK


def test_a_commit_is_judged_once_and_not_by_each_hook(yard: Scratch) -> None:
    done(initialize(yard))
    yard.commit("Set up")
    warned = edited(GOOD, {TRIM: b"\x4a"})
    yard.write(HERON, warned)
    yard.must("add", "--all")
    said = yard.git("commit", "--message", "Work")
    assert said.status == 0
    assert (said.stdout + said.stderr).count("1 image, ") == 1, said


def test_a_hook_without_permission_to_run_does_not_count(yard: Scratch) -> None:
    done(initialize(yard))
    hook = yard.root / OWN[0]
    hook.chmod(0o644)
    if is_executable(hook):
        pytest.skip("every file may be run here")
    assert done(initialize(yard)).stdout.startswith("changed .git/hooks/pre-commit")
    assert is_executable(hook)
    assert done(initialize(yard)).stdout == f"{DONE}\n"


def test_without_a_hook_there_is_none(yard: Scratch) -> None:
    yard.write(OWN[0], FOREIGN_HOOK)
    done(initialize(yard, "--no-hook"))
    assert (yard.root / OWN[0]).read_text("utf-8") == FOREIGN_HOOK
    assert not (yard.root / OWN[1]).exists()
    assert set(settings(yard)) == set(KEYS)


# The pre-commit framework


def test_the_framework_asks_callint_and_a_bad_commit_is_stopped(yard: Scratch, tmp_path: Path) -> None:
    yard.write(".pre-commit-config.yaml", FRAMEWORK)
    done(initialize(yard))
    assert (yard.root / OWN[0]).exists()
    result = done(initialize(yard, "--pre-commit"))
    assert "pre-commit install --hook-type pre-commit --hook-type pre-merge-commit" in result.flat
    # Both would check twice.
    assert not (yard.root / OWN[0]).exists()
    put_on_path(tmp_path / "tools" / "bin")
    consumer = Consumer(yard.root, tmp_path / "tools")
    types = ("--hook-type", "pre-commit", "--hook-type", "pre-merge-commit")
    installed = consumer.pre_commit("install", *types)
    assert installed.status == 0, installed
    assert done(initialize(yard)).stdout == f"{DONE}\n"
    yard.commit("Set up")
    consumer.stage(HERON, BAD)
    stopped = consumer.try_to_commit()
    assert stopped.status != 0
    assert "999.0 mg is above the limit of 90 mg" in stopped.stdout + stopped.stderr
    consumer.stage(HERON, edited(GOOD, {CUT: u16(4150)}))
    assert consumer.try_to_commit().status == 0
    done(initialize(yard, "--undo"))
    assert (yard.root / ".pre-commit-config.yaml").read_text("utf-8") == FRAMEWORK


def test_the_entry_in_a_clone_stands_for_its_hook(yard: Scratch, tmp_path: Path) -> None:
    yard.write(".pre-commit-config.yaml", FRAMEWORK)
    done(initialize(yard, "--pre-commit"))
    yard.commit("Set up")
    copy = clone(yard, tmp_path / "copy")
    done(initialize(copy))
    assert not (copy.root / OWN[0]).exists()
    assert copy.must("status", "--porcelain") == ""


# Places


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_a_policy_in_a_folder_is_named_to_git(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "a yard")
    folder = scratch.root / "Schiffe & 100% größer's"
    make_yard(folder, heron=GOOD)
    scratch.commit("The yard")
    done(call("init", cwd=folder / "boats"))
    path = "Schiffe & 100% größer's/callint.toml"
    result = settings(scratch)
    for key in ("diff.callint.command", "diff.callint.textconv"):
        arguments = shlex.split(result[key])
        assert arguments[arguments.index("--policy") + 1] == path
        assert arguments[-1] == "--"
    arguments = shlex.split(result["merge.callint.driver"])
    assert arguments[arguments.index("--policy") + 1] == path.replace("%", "%%")
    assert arguments[-5:] == ["--", "%O", "%A", "%B", "%P"]
    assert attributes(scratch, f"{folder.name}/{HERON}", HERON) == {
        f"{folder.name}/{HERON}": OURS,
        HERON: NOBODYS,
    }
    assert not (scratch.root / ".gitattributes").exists()
    (folder / HERON).write_bytes(BAD)
    said = try_to_commit(scratch)
    assert said is not None and "999.0 mg" in said
    (folder / HERON).write_bytes(GOOD)
    assert try_to_commit(scratch) is None
    assert done(call("init", cwd=folder)).stdout == f"{DONE}\n"


def test_a_linked_worktree_shares_hook_and_drivers(yard: Scratch, tmp_path: Path) -> None:
    yard.must("worktree", "add", "--quiet", "--detach", str(tmp_path / "other tree"))
    other = Scratch(tmp_path / "other tree")
    before, before_other = state(yard.root / ".git" / "hooks"), other.files()
    done(initialize(other))
    assert ".gitattributes" not in yard.files()
    for item in (other, yard):
        item.write(HERON, BAD)
        assert try_to_commit(item) is not None
        item.must("reset", "--quiet", "--hard")
    # --hard leaves what is not in the index.
    done(initialize(other))
    done(initialize(yard))
    assert attributes(yard, HERON) == {HERON: OURS}
    # From either one takes back the settings, the hooks and its own files.
    result = done(initialize(yard, "--undo"))
    assert "removed .git/hooks/pre-commit" in result.stdout
    assert state(yard.root / ".git" / "hooks") == before
    assert settings(yard) == {}
    assert ".gitattributes" not in yard.files()
    assert ".gitattributes" in other.files()
    done(initialize(other, "--undo"))
    assert other.files() == before_other
    assert not (yard.root / ".git" / "callint").exists()


def test_a_submodule_is_set_up_by_itself(yard: Scratch, tmp_path: Path) -> None:
    outer = make_repository(tmp_path / "outer")
    outer.must("-c", "protocol.file.allow=always", "submodule", "add", "--quiet", str(yard.root), "in ner")
    outer.commit("With the yard")
    before = state(outer.root)
    inner = Scratch(outer.root / "in ner")
    done(initialize(inner))
    assert (outer.root / ".git/modules/in ner/hooks/pre-commit").exists()
    assert settings(outer) == {}
    assert attributes(inner, HERON) == {HERON: OURS}
    inner.write(HERON, BAD)
    assert try_to_commit(inner) is not None
    inner.must("reset", "--quiet", "--hard")
    done(initialize(inner, "--undo"))
    after = state(outer.root)
    # What the commit above brought is git's own.
    ours = ("callint", "hooks", "config", ".gitattributes", ".gitignore")
    assert {name: item for name, item in after.items() if any(word in name for word in ours)} == {
        name: item for name, item in before.items() if any(word in name for word in ours)
    }


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_a_hooks_folder_whose_name_has_a_line_break_gets_its_hooks(yard: Scratch) -> None:
    yard.must("config", "core.hooksPath", "my\nhooks")
    result = done(initialize(yard))
    assert "wrote my\\x0ahooks/pre-commit" in result.stdout
    assert "\ncallint check --staged || exit $?\n" in yard.files()["my\nhooks/pre-commit"].decode()
    done(initialize(yard, "--undo"))
    assert not (yard.root / "my\nhooks").exists()


def test_a_committed_hooks_folder_gets_a_hook_for_everybody(yard: Scratch, tmp_path: Path) -> None:
    yard.must("config", "core.hooksPath", "my hooks")
    result = done(call("init", cwd=yard.root / "boats"))
    assert "wrote ../my hooks/pre-commit" in result.stdout
    hook = yard.files()["my hooks/pre-commit"].decode()
    assert "\ncallint check --staged || exit $?\n" in hook
    put_on_path(tmp_path / "tools" / "bin")
    consumer = Consumer(yard.root, tmp_path / "tools")
    consumer.stage(HERON, BAD)
    stopped = consumer.try_to_commit()
    assert stopped.status != 0 and "999.0 mg" in stopped.stdout + stopped.stderr
    yard.must("reset", "--quiet", "--hard")
    done(initialize(yard, "--undo"))
    assert not (yard.root / "my hooks").exists()


def test_hooks_elsewhere_in_the_repository_are_written_there(yard: Scratch) -> None:
    elsewhere = yard.root / ".git" / "hooks of mine" / "deep"
    yard.must("config", "core.hooksPath", str(elsewhere))
    done(initialize(yard))
    assert not any((yard.root / hook).exists() for hook in OWN)
    yard.write(HERON, BAD)
    assert try_to_commit(yard) is not None
    yard.must("reset", "--quiet", "--hard")
    done(initialize(yard, "--undo"))
    assert not elsewhere.parent.exists()


@pytest.mark.skipif(os.name == "nt", reason="a launcher of sh")
def test_callint_may_lie_in_a_folder_with_any_name(yard: Scratch, tmp_path: Path) -> None:
    tools = tmp_path / "100% of %P's $tools"
    put_on_path(tools)
    wishes = InitOptions(here=yard.root, program=shlex.quote(str(tools / "callint")))
    with mock.patch.dict(os.environ, environment(), clear=True), chdir(yard.root):
        repo = open_repository(yard.root)
        init._carry_out(repo, plan(repo, wishes))
    yard.commit("Set up")
    reworked(yard, edited(GOOD, {CUT: u16(4150)}), edited(GOOD, {HULL: b"HERON-4     "}))
    merged = yard.git("merge", "--no-edit", "topic")
    assert merged.status == 0, merged
    yard.write(HERON, edited(GOOD, {CUT: u16(4100)}))
    assert "4150 → 4100 rpm" in yard.must("diff")
    yard.write(HERON, BAD)
    assert "999.0 mg" in (try_to_commit(yard) or "")


def test_no_module_of_the_working_tree_is_imported(yard: Scratch, tmp_path: Path) -> None:
    # Where no program lies beside Python, git starts Python at the top of the working tree.
    with mock.patch.object(sys, "executable", str(tmp_path / "python")):
        program = init._program()
    assert shlex.split(program)[1:] == ["-P", "-m", "callint"]
    wishes = InitOptions(here=yard.root, program=f"{shlex.quote(sys.executable)} -P -m callint")
    with mock.patch.dict(os.environ, environment(), clear=True):
        repo = open_repository(yard.root)
        init._carry_out(repo, plan(repo, wishes))
    yard.write("callint/__init__.py", "raise SystemExit(0)\n")
    yard.write("click.py", "raise SystemExit(0)\n")
    yard.write(HERON, BAD)
    assert "999.0 mg" in (try_to_commit(yard) or "")


# When something fails


def test_a_step_that_fails_takes_the_others_back(bare_yard: Scratch) -> None:
    shutil.rmtree(bare_yard.root / ".git" / "hooks")
    before = state(bare_yard.root)
    # git takes this lock before it writes its settings.
    bare_yard.write(".git/config.lock", "")
    assert "config.lock: another git command is running" in initialize(bare_yard, *NAMED).error
    (bare_yard.root / ".git" / "config.lock").unlink()
    assert state(bare_yard.root) == before
    # And where the last step fails, the settings are taken back too.
    with mock.patch("callint.commands.init.replace_file", _failing_for("pre-merge-commit")):
        assert "no room" in initialize(bare_yard, *NAMED).error
    assert state(bare_yard.root) == before


def _failing_for(name: str) -> Callable[..., None]:

    def replace(destination: Destination, content: bytes, executable: bool = False) -> None:
        if destination.path.name == name:
            raise OSError(28, "no room")
        replace_file(destination, content, executable)

    return replace


@pytest.mark.parametrize("steps", range(13))
def test_a_killed_run_is_harmless(bare_yard: Scratch, steps: int) -> None:
    before = state(bare_yard.root)

    def run_until(count: int) -> None:
        wishes = InitOptions(
            bare_yard.root, "callint", images=NAMED[:1], definitions=NAMED[2:3], bases=NAMED[4:]
        )
        with mock.patch.dict(os.environ, environment(), clear=True):
            repo = open_repository(bare_yard.root)
            result = plan(repo, wishes)
            assert result.record is not None and len(result.steps) == 15
            for step in (result.record, *result.steps)[:count]:
                init._apply(repo, step)

    run_until(steps)
    done(initialize(bare_yard, "--undo"))
    assert state(bare_yard.root) == before
    run_until(steps)
    done(initialize(bare_yard, *NAMED))
    done(initialize(bare_yard, "--undo"))
    assert state(bare_yard.root) == before


def test_help_describes_the_command(tmp_path: Path) -> None:
    result = run("init", "--help", cwd=tmp_path)
    assert result.status == 0
    assert "--key" not in result.stdout
    assert "--undo" in result.stdout
