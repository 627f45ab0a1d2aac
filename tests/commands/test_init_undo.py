"""callint init --undo: back to the byte, and no further than that."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as trying
from hypothesis import strategies as st

from tests.building import u16
from tests.commands.initiating import DONE, FRAMEWORK, done, is_executable, settings, state
from tests.running import (
    CUT,
    GOOD,
    POLICY,
    Scratch,
    edited,
    initialize,
    make_repository,
    make_repository_yard,
    make_yard,
)

HERON = "boats/heron.bin"
NAMED = ("boats/*.bin", "--definition", "defs/yard.xml", "--base", "factory/base.bin")
NOTHING = "There is nothing to undo.\n"


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "yard", heron=GOOD)


def assert_undone(scratch: Scratch, *arguments: str) -> None:
    """That init is there after a call, and all is as it was after --undo."""
    before = state(scratch.root)
    result = done(initialize(scratch, *arguments))
    assert DONE not in result.stdout
    after = state(scratch.root)
    assert done(initialize(scratch)).stdout.startswith(DONE)
    assert state(scratch.root) == after
    result = done(initialize(scratch, "--undo"))
    assert "stay" not in result.stdout
    assert state(scratch.root) == before
    assert done(initialize(scratch, "--undo")).stdout == NOTHING


PRIOR: dict[str, bytes | None] = {
    "absent": None,
    "empty": b"",
    "one line": b"*.xml text\n",
    "no line end at the end": b"*.xml text",
    "CRLF": b"*.xml text\r\n*.md text\r\n",
    "CRLF, and none at the end": b"*.xml text\r\n*.md text",
    "both line ends": b"*.xml text\r\n*.md text\n",
    "empty lines at the end": b"*.xml text\n\n\n",
    "a lone carriage return": b"*.xml text\r",
    "Latin-1": b"gr\xf6\xdfer text\n",
    "a byte order mark": b"\xef\xbb\xbf*.xml text\n",
    "a comment like ours": b"# callint init: end\n# callint init was here\n",
}


@pytest.mark.parametrize("prior", PRIOR)
def test_files_are_as_they_were(yard: Scratch, prior: str) -> None:
    content = PRIOR[prior]
    if content is not None:
        for name in (".gitattributes", ".gitignore"):
            yard.write(name, content)
            (yard.root / name).chmod(0o640)
    assert_undone(yard)


@pytest.mark.parametrize(
    "ending",
    [b"", b"[alias]\n\tx = status\n", b"; a comment\n", b'[diff "callint"]\n\txfuncname = "^[a-z]"\n'],
)
def test_settings_are_as_they_were(yard: Scratch, ending: bytes) -> None:
    config = yard.root / ".git" / "config"
    config.write_bytes(config.read_bytes() + ending)
    assert_undone(yard)


def test_a_folder_of_hooks_that_was_not_there_is_gone(yard: Scratch) -> None:
    shutil.rmtree(yard.root / ".git" / "hooks")
    assert_undone(yard)


def test_an_empty_repository_is_empty_again(tmp_path: Path) -> None:
    assert_undone(make_repository(tmp_path))


def test_a_policy_with_images_is_gone(yard: Scratch) -> None:
    (yard.root / "callint.toml").unlink()
    assert_undone(yard, *NAMED)


@pytest.mark.parametrize(
    "content",
    [
        FRAMEWORK,
        FRAMEWORK.rstrip("\n"),
        FRAMEWORK.replace("\n", "\r\n"),
        "repos:\n- repo: local\n  hooks: []\n",
        "repos:\n    -   repo: local\n        hooks: []\n",
        "# a\nrepos: # of ours\n\n  # the first\n\n  - repo: local\n    hooks: []\nfail_fast: true\n",
        "fail_fast: true\nrepos:\n- repo: local\n  hooks:\n    - id: x\n      name: ä\n      entry: x\n"
        "      language: system\n",
    ],
)
def test_the_file_of_the_framework_is_as_it_was(yard: Scratch, content: str) -> None:
    yaml = pytest.importorskip("yaml")
    path = yard.write(".pre-commit-config.yaml", content)
    assert_undone(yard, "--pre-commit")
    done(initialize(yard, "--pre-commit"))
    before, after = yaml.safe_load(content), yaml.safe_load(path.read_bytes())
    entry = after["repos"].pop(0)
    assert after == before
    assert entry["repo"] == "local"
    assert entry["hooks"][0]["entry"] == "callint check --staged"
    assert is_executable(path) == (os.name == "nt")


def test_the_cached_text_forms_of_git_are_removed(yard: Scratch) -> None:
    done(initialize(yard))
    yard.write(HERON, edited(GOOD, {CUT: u16(4150)}))
    yard.commit("Set up")
    yard.must("log", "-p")
    assert "refs/notes/textconv/callint" in yard.must("for-each-ref")
    # A stranger's hook is asked about every change of a reference, and must not run.
    hook = yard.write(".git/hooks/reference-transaction", "#!/bin/sh\ntouch ran\n")
    hook.chmod(0o755)
    done(initialize(yard, "--undo"))
    assert "refs/notes/textconv" not in yard.must("for-each-ref")
    assert not (yard.root / "ran").exists()


def line_of(*characters: str) -> st.SearchStrategy[bytes]:
    return st.lists(st.sampled_from(characters), max_size=8).map(lambda result: "".join(result).encode())


_PIECES = ("\n", "\r", "\r\n", "a", " ", "#", "\ufeff", "ü", "*.bin diff=x", "# callint init", "\t", "\0")


@trying(max_examples=25)
@given(prior=st.binary(max_size=60) | line_of(*_PIECES))
def test_init_and_undo_leave_any_file_as_it_was(prior: bytes) -> None:
    # One folder for each example, as a fixture would be shared by all.
    with tempfile.TemporaryDirectory() as folder:
        scratch = make_repository(Path(folder).resolve())
        make_yard(scratch.root)
        scratch.write(".gitattributes", prior)
        before = state(scratch.root)
        assert initialize(scratch).status == 0
        once = state(scratch.root, times=True)
        assert initialize(scratch).stdout.startswith(DONE)
        assert state(scratch.root, times=True) == once
        done(initialize(scratch, "--undo"))
        assert state(scratch.root) == before


# What somebody edited since


def test_an_edited_policy_stays(yard: Scratch) -> None:
    (yard.root / "callint.toml").unlink()
    done(initialize(yard, *NAMED))
    yard.write("callint.toml", POLICY)
    result = done(initialize(yard, "--undo"))
    assert "callint.toml was edited since; it stays." in result.flat
    assert yard.files()["callint.toml"] == POLICY.encode()
    assert ".gitattributes" not in yard.files()


def test_own_lines_in_a_hook_stay(yard: Scratch) -> None:
    done(initialize(yard))
    hook = yard.root / ".git/hooks/pre-commit"
    hook.write_bytes(hook.read_bytes() + b"echo mine\n")
    result = done(initialize(yard, "--undo"))
    assert hook.read_bytes() == b"#!/bin/sh\necho mine\n"
    assert is_executable(hook)
    assert "pre-commit has other lines too; they stay." in result.flat
    assert not (yard.root / ".git/hooks/pre-merge-commit").exists()


def test_own_lines_in_a_hook_stay_after_a_renewal_too(yard: Scratch) -> None:
    done(initialize(yard))
    hook = yard.root / ".git/hooks/pre-commit"
    hook.write_bytes(hook.read_bytes() + b"echo mine\n")
    # The policy moves, so that the block changes.
    (yard.root / "callint.toml").unlink()
    for name, content in yard.files().items():
        yard.write(f"engines/{name}", content)
    yard.write("engines/callint.toml", POLICY)
    done(Scratch(yard.root / "engines").call("init"))
    assert "--policy engines/callint.toml" in hook.read_text("utf-8")
    done(initialize(yard, "--undo"))
    assert hook.read_bytes() == b"#!/bin/sh\necho mine\n"


def test_own_lines_beside_a_block_stay_whole(yard: Scratch) -> None:
    yard.write(".gitattributes", "*.xml text")
    done(initialize(yard))
    path = yard.root / ".gitattributes"
    path.write_bytes(path.read_bytes() + b"*.md text\n")
    done(initialize(yard, "--undo"))
    assert path.read_bytes() == b"*.xml text\n*.md text\n"
    done(initialize(yard))
    path.write_bytes(path.read_bytes().replace(b"\n# callint", b"*.toml text\n# callint", 1))
    done(initialize(yard, "--undo"))
    assert path.read_bytes() == b"*.xml text\n*.md text\n*.toml text\n"


def test_a_block_with_own_lines_inside_stays(yard: Scratch) -> None:
    done(initialize(yard))
    path = yard.root / ".gitattributes"
    path.write_bytes(path.read_bytes().replace(b"# callint init: end", b"*.md text\n# callint init: end"))
    before = path.read_bytes()
    result = done(initialize(yard, "--undo"))
    assert ".gitattributes was edited since; it stays." in result.flat
    assert path.read_bytes() == before
    assert ".gitignore" not in yard.files()


def test_other_line_ends_are_not_an_edit(yard: Scratch) -> None:
    yard.write(".gitattributes", "*.xml text\n")
    done(initialize(yard))
    path = yard.root / ".gitattributes"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert done(initialize(yard)).stdout == f"{DONE}\n"
    done(initialize(yard, "--undo"))
    assert path.read_bytes() == b"*.xml text\r\n"


def test_settings_that_were_edited_stay(yard: Scratch) -> None:
    done(initialize(yard))
    yard.must("config", "diff.callint.command", "mine")
    yard.must("config", "--add", "merge.callint.driver", "mine too")
    result = done(initialize(yard, "--undo"))
    assert "The setting diff.callint.command was edited since; it stays." in result.flat
    assert set(settings(yard)) == {"diff.callint.command", "merge.callint.driver"}


def test_settings_that_a_colleague_committed_stay(yard: Scratch, tmp_path: Path) -> None:
    done(initialize(yard))
    yard.commit("Set up")
    yard.must("clone", "--quiet", str(yard.root), str(tmp_path / "copy"))
    copy = Scratch(tmp_path / "copy")
    files = copy.files()
    assert done(initialize(copy, "--undo")).stdout == NOTHING
    done(initialize(copy))
    # Even where this clone has renewed it.
    copy.write("callint.toml", POLICY.replace("boats/", "ships/"))
    done(initialize(copy))
    renewed = copy.files()
    assert renewed[".gitattributes"] != files[".gitattributes"]
    done(initialize(copy, "--undo"))
    assert copy.files() == renewed
    assert settings(copy) == {}


# A record that lies


def forge(scratch: Scratch, **content: Any) -> None:
    whole = {"format": "callint-init", "version": 1, "files": {}, "settings": {}, "folders": [], **content}
    scratch.write(".git/callint/init.json", json.dumps(whole))


def entry(content: bytes, gap: str = "") -> dict[str, object]:
    return {"digest": hashlib.sha256(content).hexdigest(), "gap": gap, "created": True}


@pytest.mark.parametrize("is_linked", [False, True])
@pytest.mark.parametrize(
    "name", ["secret.txt", "callint.toml", ".gitattributes", "pre-commit", ".pre-commit-config.yaml"]
)
def test_a_record_reaches_nothing_outside_the_repository(
    yard: Scratch, tmp_path: Path, name: str, is_linked: bool
) -> None:
    outside = tmp_path / "home"
    (outside / "empty").mkdir(parents=True)
    content = b"#!/bin/sh\n# callint init e3b0c442: x\n# callint init: end\n"
    (outside / name).write_bytes(content)
    where = "../../home" if is_linked else "../../../home"
    if is_linked:
        (yard.root / "home").symlink_to(outside, target_is_directory=True)
    before = state(outside)
    forge(
        yard, files={f"{where}/{name}": entry(content, content.decode())}, folders=[f"{where}/empty", where]
    )
    assert done(initialize(yard, "--undo")).stdout == NOTHING
    assert state(outside) == before


def test_a_record_takes_nothing_out_of_other_repositories_hooks(yard: Scratch, tmp_path: Path) -> None:
    hooks = tmp_path / "other" / "hooks"
    hooks.mkdir(parents=True)
    content = b"#!/bin/sh\necho mine\n"
    (hooks / "pre-commit").write_bytes(content)
    yard.must("config", "core.hooksPath", str(hooks))
    forge(yard, files={os.path.relpath(hooks / "pre-commit", yard.root / ".git/callint"): entry(content)})
    assert done(initialize(yard, "--undo")).stdout == NOTHING
    assert (hooks / "pre-commit").read_bytes() == content


def test_a_record_takes_no_other_file_out_of_the_repository(yard: Scratch) -> None:
    yard.write(".gitattributes", "*.xml text\n")
    names = [HERON, ".gitattributes", ".git/config", ".git/HEAD", "defs/yard.xml"]
    before = state(yard.root)
    contents = {name: (yard.root / name).read_bytes() for name in names}
    forge(
        yard,
        files={f"../../{name}": entry(content, "*.xml text\n") for name, content in contents.items()},
        folders=["../refs/tags", "../branches", "../../boats"],
    )
    result = done(initialize(yard, "--undo"))
    assert ".gitattributes was edited since" in result.flat
    after = state(yard.root)
    assert {name: after.get(name) for name in before} == before


def test_a_record_removes_no_other_setting(yard: Scratch) -> None:
    config = yard.must("config", "--local", "--list")
    forge(yard, settings={"core.autocrlf": "false", "core.bare": "false", "merge.callint.driver": "x"})
    assert done(initialize(yard, "--undo")).stdout == NOTHING
    assert yard.must("config", "--local", "--list") == config


def test_a_strange_path_in_a_record_steers_no_terminal(yard: Scratch) -> None:
    if os.name == "nt":
        pytest.skip("such names cannot be there")
    folder = "\x1b[31m\nwrote"
    yard.write(f"{folder}/callint.toml", "")
    forge(yard, files={f"../../{folder}/callint.toml": entry(b"x")})
    result = done(initialize(yard, "--undo"))
    assert r"\x1b[31m" in result.stdout
