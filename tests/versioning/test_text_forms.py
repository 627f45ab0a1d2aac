"""The text forms that git keeps are true: a change of definitions or policy makes them anew."""

from __future__ import annotations

import os
import re
from contextlib import chdir
from pathlib import Path
from unittest import mock

import pytest

from callint.versioning.git.repository import open_repository
from callint.versioning.textconv_cache import keyless, renew_key
from tests.building import u16
from tests.commands.initiating import done, settings, state
from tests.running import (
    CUT,
    GOOD,
    POLICY,
    Scratch,
    edited,
    environment,
    initialize,
    make_repository_yard,
    yard_definition,
)

HERON, DEFINITION, TEXTCONV = "boats/heron.bin", "defs/yard.xml", "diff.callint.textconv"
KEPT = "refs/notes/textconv/callint"
#: The same cells in another unit.
OTHER = yard_definition().replace(b'"mg" factor="0.1" decimals="1"', b'"g" factor="0.0001" decimals="4"')
#: The hook lets the other unit pass, in which the same limits demand less.
LENIENT = POLICY + '[severity]\n"definition/loosened" = "off"\n"policy/loosened" = "off"\n'


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    scratch = make_repository_yard(tmp_path / "yard", heron=GOOD)
    scratch.write("callint.toml", LENIENT)
    done(initialize(scratch))
    scratch.write(HERON, edited(GOOD, {CUT: u16(4150)}))
    scratch.commit("Set up")
    return scratch


def key(scratch: Scratch) -> str:
    result = re.search(r" --key (\S+) --$", settings(scratch)[TEXTCONV])
    assert result is not None
    return result[1]


def renew(scratch: Scratch) -> None:
    with mock.patch.dict(os.environ, environment(), clear=True):
        renew_key(open_repository(scratch.root), scratch.root)


def shown(scratch: Scratch) -> str:
    """What git says of the images in its log, without the text of definitions."""
    return scratch.must("log", "-p", "--", "boats", "factory")


def test_git_keeps_the_text_forms_and_gives_them_again(yard: Scratch) -> None:
    assert KEPT not in yard.must("for-each-ref")
    first = shown(yard)
    assert "fuel [mg]" in first
    kept = yard.must("rev-parse", KEPT)
    assert shown(yard) == first
    assert yard.must("rev-parse", KEPT) == kept
    # What is kept is what git reads.
    note = yard.must("notes", "--ref", KEPT, "show", f"HEAD:{HERON}")
    assert "4150" in note and note == yard.must("cat-file", "--textconv", f"HEAD:{HERON}")


def test_a_committed_change_of_the_definition_is_seen_in_the_log(yard: Scratch) -> None:
    assert "fuel [mg]" in shown(yard)
    before = key(yard)
    yard.stage(DEFINITION, OTHER)
    yard.must("commit", "--quiet", "--message", "Grams")
    assert key(yard) != before
    log = shown(yard)
    assert "fuel [g]" in log and "fuel [mg]" not in log


def test_a_committed_change_of_the_policy_is_seen_too(yard: Scratch) -> None:
    shown(yard)
    before = key(yard)
    yard.write("defs/other.xml", OTHER)
    yard.write("callint.toml", LENIENT.replace("yard.xml", "other.xml"))
    yard.must("add", "--all")
    yard.must("commit", "--quiet", "--message", "Grams")
    assert key(yard) != before
    assert "fuel [g]" in shown(yard)


def test_without_a_hook_init_sees_the_change(yard: Scratch) -> None:
    shown(yard)
    before = key(yard)
    yard.write(DEFINITION, OTHER)
    yard.commit("Grams")
    assert key(yard) == before
    result = done(initialize(yard))
    assert result.stdout.startswith(f"set {TEXTCONV}")
    assert key(yard) != before
    assert "fuel [g]" in shown(yard)
    # Back and forth is the same key again.
    yard.write(DEFINITION, yard_definition())
    done(initialize(yard))
    assert key(yard) == before


def test_a_new_image_makes_git_notice_a_change_that_no_hook_saw(yard: Scratch) -> None:
    shown(yard)
    before = key(yard)
    yard.write(DEFINITION, OTHER)
    yard.write("boats/teal.bin", edited(GOOD, {CUT: u16(4300)}))
    yard.commit("Grams")
    yard.must("log", "-p", "-1")
    assert key(yard) != before
    assert "fuel [g]" in shown(yard)


def test_a_change_that_has_no_part_in_it_keeps_the_key(yard: Scratch) -> None:
    before = state(yard.root / ".git", times=True)["config"]
    yard.write("notes.txt", "x")
    yard.must("add", "--all")
    yard.must("commit", "--quiet", "--message", "Notes")
    shown(yard)
    assert state(yard.root / ".git", times=True)["config"] == before


def test_undo_takes_a_renewed_setting_back(yard: Scratch) -> None:
    yard.stage(DEFINITION, OTHER)
    yard.must("commit", "--quiet", "--message", "Grams")
    done(yard.call("init", "--undo"))
    assert settings(yard) == {}


@pytest.mark.parametrize(
    "value",
    [
        "mine",
        "mine --key 0123456789abcdef --",
        "callint show --plain",
        "callint show --plain --key mine --",
        "callint show --plain --key 0123456789abcdef -- more",
    ],
)
def test_a_setting_of_somebody_else_is_never_touched(yard: Scratch, value: str) -> None:
    yard.must("config", TEXTCONV, value)
    assert keyless(value) == value
    yard.write(DEFINITION, OTHER)
    renew(yard)
    assert settings(yard)[TEXTCONV] == value
    yard.must("config", "--add", TEXTCONV, "callint show --plain --key 0123456789abcdef --")
    renew(yard)
    assert yard.must("config", "--get-all", TEXTCONV).splitlines()[0] == value


def test_settings_that_cannot_be_written_do_not_fail_the_command(yard: Scratch) -> None:
    before = key(yard)
    # git takes this lock before it writes its settings.
    yard.write(".git/config.lock", "")
    yard.stage(DEFINITION, OTHER)
    yard.must("commit", "--quiet", "--message", "Grams")
    assert "4150" in shown(yard)
    assert key(yard) == before


def test_a_policy_or_definition_that_is_broken_stops_nothing(yard: Scratch) -> None:
    before = key(yard)
    yard.write("callint.toml", "images = 3\n")
    renew(yard)
    assert key(yard) == before
    (yard.root / "callint.toml").unlink()
    renew(yard)
    assert key(yard) == before
    yard.write("callint.toml", LENIENT)
    (yard.root / DEFINITION).unlink()
    renew(yard)
    assert key(yard) != before


def test_outside_of_a_repository_the_text_form_is_printed_all_the_same(yard: Scratch, tmp_path: Path) -> None:
    (yard.root / ".git").rename(tmp_path / "kept")
    with chdir(yard.root):
        result = yard.call("show", "--plain", "--key", "0123456789abcdef", "--", HERON)
    assert result.status == 0, result
    assert "4150" in result.stdout
