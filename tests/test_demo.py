"""``callint demo``: the fictional repository, its history, and what callint says about it."""

from __future__ import annotations

import os
import re
import tomllib
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from callint.model.definition import Definition, Purpose
from callint.reading.definition import read_definition
from tests.running import (
    REPOSITORY,
    Result,
    Scratch,
    call,
    not_as_root,
    run,
    run_unread,
    steering,
    too_wide,
    valid,
)

posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")

DEFINITION = "definitions/skerry-28.xml"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scratch, Result]:
    """The demo and what its first run printed; tests that read it share it."""
    folder = tmp_path_factory.mktemp("demo")
    result = run("demo", "boat yard", cwd=folder)
    return Scratch(folder / "boat yard"), result


@pytest.fixture(scope="module")
def demo(made: tuple[Scratch, Result]) -> Scratch:
    return made[0]


@pytest.fixture(scope="module")
def report(demo: Scratch) -> Any:
    """Everything that a check of the whole demo finds."""
    result = call("check", "--format", "json", cwd=demo.root)
    assert result.status == 1
    return valid(result.data, "findings.schema.json")


@pytest.fixture(scope="module")
def definition(demo: Scratch) -> Definition:
    file = read_definition((demo.root / DEFINITION).read_bytes(), DEFINITION)
    assert file.definition is not None
    assert file.problems == ()
    return file.definition


def everything(folder: Path) -> dict[str, tuple[int, bytes | str]]:
    """Every file below a folder, git's own included: when it was written, and its content or target."""
    found: dict[str, tuple[int, bytes | str]] = {}
    for path in folder.rglob("*"):
        if path.is_symlink():
            found[path.relative_to(folder).as_posix()] = 0, str(path.readlink())
        elif path.is_file():
            found[path.relative_to(folder).as_posix()] = path.stat().st_mtime_ns, path.read_bytes()
    return found


# The repository


def test_the_demo_succeeds_and_says_what_it_wrote(made: tuple[Scratch, Result]) -> None:
    _, result = made
    assert (result.status, result.stderr) == (0, "")
    assert result.flat.startswith("Wrote boat yard: a git repository with 8 commits")


def test_the_history_is_that_of_the_timeline(demo: Scratch) -> None:
    timeline = tomllib.loads((REPOSITORY / "fixtures" / "demo" / "timeline.toml").read_text("utf-8"))
    log = demo.must("log", "--reverse", "--format=%an%x00%ae%x00%cn%x00%ce%x00%aI%x00%cI%x00%B%x01")
    commits = [record.strip("\n").split("\0") for record in log.split("\x01") if record.strip()]
    assert len(commits) == 8
    for commit, expected in zip(commits, timeline["commits"], strict=True):
        author, email, committer, committer_email, authored, committed, message = commit
        assert author == committer == expected["author"]
        assert email == committer_email == expected["email"]
        moment = datetime.fromisoformat(expected["date"])
        assert datetime.fromisoformat(authored) == datetime.fromisoformat(committed) == moment
        assert message.strip() == expected["message"].strip()


def test_the_working_tree_is_clean_and_on_main(demo: Scratch) -> None:
    assert demo.must("status", "--porcelain", "--ignored") == ""
    assert demo.must("symbolic-ref", "--short", "HEAD").strip() == "main"
    assert "error" not in demo.must("fsck", "--strict").lower()


def test_two_demos_are_the_same_to_the_commit_id_whatever_the_user_has_configured(
    demo: Scratch, tmp_path: Path
) -> None:
    config = tmp_path / "gitconfig"
    config.write_text(
        "[user]\n\tname = Somebody Else\n\temail = else@example.org\n\tsigningkey = 0123\n"
        "[commit]\n\tgpgsign = true\n[core]\n\tautocrlf = true\n\thooksPath = /nowhere\n"
        "[init]\n\tdefaultBranch = trunk\n\ttemplateDir = /nowhere\n",
        "utf-8",
    )
    result = run(
        "demo",
        "again",
        cwd=tmp_path,
        GIT_CONFIG_GLOBAL=str(config),
        TZ="Pacific/Auckland",
        GIT_AUTHOR_NAME="X",
    )
    assert (result.status, result.stderr) == (0, "")
    again = Scratch(tmp_path / "again")
    assert again.must("log", "--format=%H") == demo.must("log", "--format=%H")
    assert again.must("status", "--porcelain") == ""


def test_a_hooks_environment_does_not_lead_the_demo_into_another_repository(tmp_path: Path) -> None:
    other = Scratch(tmp_path / "other")
    other.root.mkdir()
    other.must("init", "--quiet")
    other.write("mine.txt", "mine")
    other.must("add", "--all")
    before = everything(other.root)
    git_dir, index = (other.root / ".git", other.root / ".git" / "index")
    result = run("demo", "new", cwd=tmp_path, GIT_DIR=str(git_dir), GIT_INDEX_FILE=str(index))
    assert everything(other.root) == before
    assert result.status == 0, result
    assert Scratch(tmp_path / "new").must("log", "--format=%s").count("\n") == 8


def test_the_second_run_touches_nothing_and_says_so(tmp_path: Path) -> None:
    first = run("demo", "yard", cwd=tmp_path)
    demo = Scratch(tmp_path / "yard")
    head, before = demo.must("rev-parse", "HEAD"), everything(demo.root)
    second = run("demo", "yard", cwd=tmp_path)
    assert (second.status, second.stderr) == (0, "")
    assert everything(demo.root) == before
    assert demo.must("rev-parse", "HEAD") == head
    assert second.flat.startswith("Using yard: ")
    assert second.flat.removeprefix("Using") == first.flat.removeprefix("Wrote")


def test_without_a_folder_it_goes_into_skerry_demo(tmp_path: Path) -> None:
    assert run("demo", cwd=tmp_path).status == 0
    assert [path.name for path in tmp_path.iterdir()] == ["skerry-demo"]


def test_an_empty_folder_is_used_and_missing_parents_are_made(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert run("demo", "empty", cwd=tmp_path).status == 0
    assert (tmp_path / "empty" / "callint.toml").is_file()
    assert run("demo", "some/new/place", cwd=tmp_path).status == 0
    assert (tmp_path / "some" / "new" / "place" / "callint.toml").is_file()


def test_the_current_folder_is_used_where_it_is_empty(tmp_path: Path) -> None:
    here = tmp_path / "here"
    here.mkdir()
    result = run("demo", ".", cwd=here)
    assert result.status == 0, result
    assert (here / "callint.toml").is_file()


# Places that are somebody else's


def test_a_folder_with_anything_in_it_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine", "utf-8")
    before = everything(tmp_path)
    error = run("demo", "mine", cwd=tmp_path).error
    assert "mine" in error
    assert "name a new folder" in error
    assert everything(tmp_path) == before


def test_another_repository_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    other = Scratch(tmp_path / "other")
    other.root.mkdir()
    other.must("init", "--quiet")
    before = everything(tmp_path)
    assert "name a new folder" in run("demo", "other", cwd=tmp_path).error
    assert everything(tmp_path) == before


def test_a_file_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", "utf-8")
    before = everything(tmp_path)
    assert "name a new folder" in run("demo", "file", cwd=tmp_path).error
    assert "file" in run("demo", "file/below", cwd=tmp_path).error
    assert everything(tmp_path) == before


@posix
@pytest.mark.parametrize("target", ["empty", "full", "nowhere"])
def test_a_symbolic_link_is_refused_and_left_as_it_is(tmp_path: Path, target: str) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "notes.txt").write_text("mine", "utf-8")
    (tmp_path / "link").symlink_to(target)
    before = everything(tmp_path)
    assert "link" in run("demo", "link", cwd=tmp_path).error
    assert everything(tmp_path) == before
    assert (tmp_path / "empty").is_dir()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty", "full", "link"]


@not_as_root
def test_a_place_that_may_not_be_written_is_refused_without_litter(tmp_path: Path) -> None:
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(0o555)
    try:
        error = run("demo", "locked/yard", cwd=tmp_path).error
        assert "permission is missing" in error
        assert list(locked.iterdir()) == []
    finally:
        locked.chmod(0o755)


@posix
def test_a_failure_on_the_way_leaves_no_litter(tmp_path: Path) -> None:
    # Without git on the PATH the repository cannot be made.
    bare = tmp_path / "bin"
    bare.mkdir()
    place = tmp_path / "place"
    place.mkdir()
    result = run("demo", "yard", cwd=place, PATH=str(bare))
    assert result.status == 2, result
    assert "git" in result.error
    assert list(place.iterdir()) == []


# What it prints


def test_the_walk_is_at_most_80_columns_wide_without_colour(made: tuple[Scratch, Result]) -> None:
    _, result = made
    assert too_wide(result.stdout) == []
    assert steering(result.stdout) == []


def test_the_walk_shows_check_and_diff_as_they_are(made: tuple[Scratch, Result]) -> None:
    demo, result = made
    commands = re.findall(r"^\$ callint (.*)$", result.stdout, re.MULTILINE)
    assert {command.split()[0] for command in commands} == {"check", "diff"}
    for command in commands:
        output = call(*command.split(), cwd=demo.root).stdout
        assert f"$ callint {command}\n{output}" in result.stdout


def test_the_walk_ends_with_the_caution(made: tuple[Scratch, Result]) -> None:
    _, result = made
    caution = result.flat[result.flat.rindex("Caution.") :]
    for words in (
        "calibrate nothing with them",
        "destroy the engine and hurt people",
        "changing emissions or safety functions is unlawful in many places",
        "it does not approve",
        "local law and licensed practice",
    ):
        assert words in caution


def test_a_terminal_without_unicode_gets_the_walk_too(demo: Scratch) -> None:
    result = run("demo", demo.root.name, cwd=demo.root.parent, PYTHONUTF8="0", PYTHONIOENCODING="ascii")
    assert result.status == 0, result
    assert result.stdout.isascii()


def test_a_reader_that_goes_away_is_no_error(demo: Scratch) -> None:
    result = run_unread("demo", demo.root.name, cwd=demo.root.parent)
    assert (result.status, result.stderr) == (0, "")


# What callint says about it


def about(report: Any, image: str) -> list[Any]:
    return [finding for finding in report["findings"] if finding.get("image") == image]


def test_heron_passes_with_seven_findings_waived_by_two_waivers(demo: Scratch, report: Any) -> None:
    result = call("check", "boats/heron.bin", cwd=demo.root)
    assert result.status == 0
    waived = [finding for finding in about(report, "boats/heron.bin") if finding["waived"]]
    assert Counter((finding["rule"], finding["table"]) for finding in waived) == {
        ("change/too-large", "lever_rate_rise"): 6,
        ("change/emissions", "egr_warm_correction"): 1,
    }
    policy = tomllib.loads((demo.root / "callint.toml").read_text("utf-8"))
    assert [(waiver["rule"], waiver["table"]) for waiver in policy["waivers"]] == [
        ("change/emissions", "egr_warm_correction"),
        ("change/too-large", "lever_rate_rise"),
    ]
    live = [finding for finding in about(report, "boats/heron.bin") if not finding["waived"]]
    assert [(f["rule"], f["severity"], f["table"]) for f in live] == [
        ("protection/weakened", "warning", "smoke_limit")
    ]


@pytest.mark.parametrize(
    ("rule", "table"),
    [
        ("value/out-of-range", "rail_pressure_demand"),
        ("change/too-large", "rail_pressure_demand"),
        ("value/not-monotonic", "rail_pressure_demand"),
        ("value/out-of-range", "start_quantity"),
        ("change/too-large", "start_quantity"),
        ("axis/not-increasing", "speed_12"),
        ("protection/disabled", "overspeed_cut"),
        ("change/too-large", "overspeed_cut"),
        ("protection/disabled", "monitor_overboost"),
        ("change/unexplained-bytes", None),
        ("image/stale-checksum", None),
    ],
)
def test_petrels_late_evening_is_found_out(report: Any, rule: str, table: str | None) -> None:
    errors = {
        (finding["rule"], finding.get("table"))
        for finding in about(report, "boats/petrel.bin")
        if finding["severity"] == "error" and not finding["waived"]
    }
    assert (rule, table) in errors


def test_petrels_values_are_those_that_were_typed_in(report: Any) -> None:
    values = {
        finding["table"]: (finding["physical"], finding["base_physical"])
        for finding in about(report, "boats/petrel.bin")
        if finding["rule"] == "change/too-large"
    }
    assert values["rail_pressure_demand"] == pytest.approx((2100.0, 1198.5), abs=0.5)
    assert values["start_quantity"] == pytest.approx((182.0, 18.0), abs=0.1)
    (run_of_bytes,) = (
        f for f in about(report, "boats/petrel.bin") if f["rule"] == "change/unexplained-bytes"
    )
    assert run_of_bytes["message"].startswith("8 bytes ")


def test_the_numbers_that_were_mistyped_that_evening_are_suspicious_and_no_others(report: Any) -> None:
    slips = {
        (finding["image"], finding["table"]): finding["message"]
        for finding in report["findings"]
        if finding["rule"] in {"change/suspicious-cell", "change/shifted-block"}
    }
    assert slips == {
        ("boats/petrel.bin", "rail_pressure_demand"): "2100.0 bar where its neighbours suggest about 1200: "
        "swapped digits?",
        ("boats/petrel.bin", "start_quantity"): "182.00 mg/stroke where its neighbours suggest about 18.2: "
        "lost decimal point?",
        ("boats/petrel.bin", "fuel_from_torque"): "26.91 mg/stroke where its neighbours suggest about 29.6: "
        "swapped digits?",
    }


def test_petrel_was_honest_before_that_evening(demo: Scratch, tmp_path: Path) -> None:
    then = Scratch(tmp_path / "then")
    demo.must("worktree", "add", "--quiet", "--detach", str(then.root), "main~2")
    try:
        assert call("check", "boats/petrel.bin", cwd=then.root).status == 0
    finally:
        demo.must("worktree", "remove", "--force", str(then.root))


def test_of_gannet_only_its_software_is_said(report: Any) -> None:
    rules = sorted(finding["rule"] for finding in about(report, "boats/gannet.bin"))
    assert rules == ["image/wrong-identity"]


def test_the_factory_base_and_its_definition_give_no_finding(demo: Scratch) -> None:
    result = call("check", "factory/sk28-0412.bin", "--definition", DEFINITION, cwd=demo.root)
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


def test_nothing_is_found_in_the_definition_or_the_policy(report: Any) -> None:
    assert {finding.get("image") for finding in report["findings"]} == {
        "boats/heron.bin",
        "boats/petrel.bin",
        "boats/gannet.bin",
    }


def test_the_definition_has_every_kind_and_purpose_and_120_tables(definition: Definition) -> None:
    assert len(definition.tables) >= 120
    assert {table.kind.value for table in definition.tables.values()} == {"scalar", "curve", "map"}
    assert {table.purpose for table in definition.tables.values()} == set(Purpose)
    assert definition.texts
