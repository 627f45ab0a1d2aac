"""``callint demo``: the fictional repository, its history, and callint's findings about it."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from callint.model.definition import Definition, Linear, Purpose
from callint.reading.definition import read_definition
from callint.reading.tree import WorkingTree
from tests.running import (
    REPOSITORY,
    Result,
    Scratch,
    call,
    environment,
    launcher,
    not_as_root,
    run,
    run_python,
    run_unread,
    steering,
    too_wide,
    valid,
)

posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")

DEFINITION = "definitions/skerry-28.xml"
NEWER_DEFINITION = "definitions/skerry-28-0431.xml"
HERON = "boats/heron.bin"


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


def defined(demo: Scratch, path: str) -> Definition:
    file = read_definition((demo.root / path).read_bytes(), path, WorkingTree(demo.root))
    assert file.definition is not None
    assert file.problems == ()
    return file.definition


@pytest.fixture(scope="module")
def definition(demo: Scratch) -> Definition:
    return defined(demo, DEFINITION)


@pytest.fixture(scope="module")
def newer(demo: Scratch) -> Definition:
    return defined(demo, NEWER_DEFINITION)


@pytest.fixture
def own(demo: Scratch, tmp_path: Path) -> Scratch:
    """A copy of the demo to work in, with callint as git's merge driver."""
    copy = Scratch(tmp_path / "own")
    shutil.copytree(demo.root, copy.root)
    copy.write(".git/info/attributes", "boats/*.bin merge=callint\n")
    copy.must("config", "merge.callint.driver", f"'{launcher()}' merge --driver -- %O %A %B %P")
    return copy


def everything(folder: Path) -> dict[str, tuple[int, bytes | str]]:
    """Every file below a folder, git's own included: when it was written, and its content or target."""
    actual: dict[str, tuple[int, bytes | str]] = {}
    for path in folder.rglob("*"):
        if path.is_symlink():
            actual[path.relative_to(folder).as_posix()] = 0, str(path.readlink())
        elif path.is_file():
            actual[path.relative_to(folder).as_posix()] = path.stat().st_mtime_ns, path.read_bytes()
    return actual


# The repository


def test_the_demo_succeeds_and_lists_what_it_wrote(made: tuple[Scratch, Result]) -> None:
    _, result = made
    assert (result.status, result.stderr) == (0, "")
    assert result.flat.startswith("Wrote boat yard: a git repository with 12 commits on 3 branches")


def timeline(branch: str) -> list[Any]:
    """The shipped timeline's lines about the commits of a branch."""
    message = tomllib.loads((REPOSITORY / "fixtures" / "demo" / "timeline.toml").read_text("utf-8"))
    return [commit for commit in message["commits"] if commit.get("branch", "main") == branch]


@pytest.mark.parametrize(
    ("branch", "count"), [("main", 10), ("main..heron-idle", 1), ("main..heron-trolling", 1)]
)
def test_the_history_is_that_of_the_timeline(demo: Scratch, branch: str, count: int) -> None:
    log = demo.must("log", "--reverse", "--format=%an%x00%ae%x00%cn%x00%ce%x00%aI%x00%cI%x00%B%x01", branch)
    commits = [record.strip("\n").split("\0") for record in log.split("\x01") if record.strip()]
    assert len(commits) == count
    for commit, expected in zip(commits, timeline(branch.removeprefix("main..")), strict=True):
        author, email, committer, committer_email, authored, committed, message = commit
        assert author == committer == expected["author"]
        assert email == committer_email == expected["email"]
        moment = datetime.fromisoformat(expected["date"])
        assert datetime.fromisoformat(authored) == datetime.fromisoformat(committed) == moment
        assert message.strip() == expected["message"].strip()


def test_both_branches_fork_before_the_last_commit_of_main_and_bring_one_image(demo: Scratch) -> None:
    branches = demo.must("for-each-ref", "--format=%(refname:short)", "refs/heads").split()
    assert branches == ["heron-idle", "heron-trolling", "main"]
    for branch in ("heron-idle", "heron-trolling"):
        (commit,) = timeline(branch)
        assert demo.must("merge-base", "main", branch) == demo.must("rev-parse", "main~1")
        assert commit["from"] == timeline("main")[-2]["folder"]
        assert demo.must("diff", "--name-only", f"main~1..{branch}").split() == ["boats/heron.bin"]


def test_the_working_tree_is_clean_and_on_main(demo: Scratch) -> None:
    assert demo.must("status", "--porcelain", "--ignored") == ""
    assert demo.must("symbolic-ref", "--short", "HEAD").strip() == "main"
    assert "error" not in demo.must("fsck", "--strict").lower()


def test_two_demos_have_the_same_commit_ids_under_every_user_configuration(
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
        GIT_DEFAULT_HASH="sha256",
    )
    assert (result.status, result.stderr) == (0, "")
    again = Scratch(tmp_path / "again")
    for every in (("log", "--format=%H", "main"), ("for-each-ref",)):
        assert again.must(*every) == demo.must(*every)
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
    assert Scratch(tmp_path / "new").must("log", "--format=%s").count("\n") == 10


def test_the_second_run_changes_nothing_and_reports_that(tmp_path: Path) -> None:
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


@posix
def test_a_git_that_vanishes_after_it_was_imported_is_one_line(tmp_path: Path) -> None:
    program = (
        "import git, os, sys; os.environ['PATH'] = sys.argv.pop(); import callint.__main__ as c; c.program()"
    )
    result = run_python("-c", program, "demo", "yard", str(tmp_path), cwd=tmp_path, env=environment())
    assert result.status == 2, result
    assert result.error == "callint: git: the program is not found; install git 2.39 or newer"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("is_imported", [False, True], ids=["GitPython not imported", "GitPython imported"])
def test_a_git_whose_settings_are_damaged_is_one_line(tmp_path: Path, is_imported: bool) -> None:
    place = tmp_path / "place"
    place.mkdir()
    config = tmp_path / "gitconfig"
    config.write_text("[user\n", "utf-8")
    program = (
        f"import {'git, ' if is_imported else ''}os, sys; os.environ['GIT_CONFIG_GLOBAL'] = sys.argv.pop(); "
    )
    program += "import callint.__main__ as c; c.program()"
    result = run_python("-c", program, "demo", "yard", str(config), cwd=place, env=environment())
    assert result.status == 2, result
    (message,) = result.error.splitlines()
    assert message.startswith("callint: git: the program does not run (fatal: bad config line 1 in file ")
    assert message.endswith("; correct its settings or its installation")
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
    for arguments in (
        "calibrate nothing with them",
        "destroy the engine and hurt people",
        "changing emissions or safety functions is unlawful in many places",
        "it does not approve",
        "local law and licensed practice",
    ):
        assert arguments in caution


def test_a_terminal_without_unicode_gets_the_walk_too(demo: Scratch) -> None:
    result = run("demo", demo.root.name, cwd=demo.root.parent, PYTHONUTF8="0", PYTHONIOENCODING="ascii")
    assert result.status == 0, result
    assert result.stdout.isascii()


def test_a_reader_that_goes_away_ends_it_in_silence(demo: Scratch) -> None:
    result = run_unread("demo", demo.root.name, cwd=demo.root.parent)
    assert (result.status, result.stderr) == (141, "")


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
        ("relation/exceeds-bound", "rail_pressure_demand"),
        ("relation/mirror-differs", "overspeed_cut"),
        ("relation/not-inverse", "fuel_from_torque"),
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


def test_petrels_broken_relations_name_both_tables_and_the_operating_point(report: Any) -> None:
    broken = [f for f in about(report, "boats/petrel.bin") if f["rule"].startswith("relation/")]
    broken.sort(key=lambda finding: finding["line"])
    assert [(f["table"], f["other"], f.get("at")) for f in broken] == [
        (
            "rail_pressure_demand",
            "rail_pressure_ceiling",
            {"engine_speed": 2800.0, "fuel_quantity": 58.0},
        ),
        ("overspeed_cut", "overspeed_cut_copy", None),
        ("fuel_from_torque", "torque_from_fuel", {"engine_speed": 2100.0, "engine_torque": 140.0}),
    ]


def test_the_numbers_that_were_mistyped_that_evening_are_suspicious_and_no_others(report: Any) -> None:
    slips = {
        (finding["image"], finding["table"]): finding["message"]
        for finding in report["findings"]
        if finding["rule"] in {"change/suspicious-cell", "change/shifted-block"}
    }
    assert slips == {
        (
            "boats/petrel.bin",
            "rail_pressure_demand",
        ): "the cell is 2100.0 bar, but its neighbours suggest about 1200: swapped digits?",
        (
            "boats/petrel.bin",
            "start_quantity",
        ): "the cell is 182.00 mg/stroke, but its neighbours suggest about 18.2: lost decimal point?",
        (
            "boats/petrel.bin",
            "fuel_from_torque",
        ): "the cell is 26.91 mg/stroke, but torque_from_fuel suggests about 29.6: swapped digits?",
    }


def test_petrel_was_honest_before_that_evening(demo: Scratch, tmp_path: Path) -> None:
    then = Scratch(tmp_path / "then")
    demo.must("worktree", "add", "--quiet", "--detach", str(then.root), "main~3")
    try:
        assert call("check", "boats/petrel.bin", cwd=then.root).status == 0
    finally:
        demo.must("worktree", "remove", "--force", str(then.root))


def test_gannet_is_reported_only_for_its_software(report: Any) -> None:
    rules = sorted(finding["rule"] for finding in about(report, "boats/gannet.bin"))
    assert rules == ["image/wrong-identity"]


@pytest.mark.parametrize(
    ("base", "definition"),
    [("factory/sk28-0412.bin", DEFINITION), ("factory/sk28-0431.bin", NEWER_DEFINITION)],
)
def test_a_factory_base_and_its_definition_give_no_finding(demo: Scratch, base: str, definition: str) -> None:
    for arguments in (
        ("check", base, "--definition", definition),
        ("check", base),
        ("check", definition),
        # The child of the first definition is of other software than its base.
        ("check", definition, "--base", base),
    ):
        result = call(*arguments, cwd=demo.root)
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


# The newer software


def test_the_newer_software_has_nearly_every_table_elsewhere(
    definition: Definition, newer: Definition
) -> None:
    common = definition.tables.keys() & newer.tables.keys()
    assert len(common) >= 150
    assert [name for name in common if definition.tables[name].at == newer.tables[name].at] == []


def test_the_newer_software_has_dropped_renamed_and_new_tables(
    definition: Definition, newer: Definition
) -> None:
    assert definition.tables.keys() - newer.tables.keys() == {"egr_warm_correction", "overspeed_ramp"}
    assert newer.tables.keys() - definition.tables.keys() == {
        "egr_warm_demand",
        "fan_duty_harbour",
        "overspeed_return_time",
        "smoke_limit_coolant",
    }


def test_some_tables_of_the_newer_software_have_other_axes_storage_or_steps(
    definition: Definition, newer: Definition
) -> None:
    def shape(of: Definition, name: str) -> tuple[int, ...]:
        table = of.tables[name]
        return tuple(of.axes[axis].count for axis in (table.x, table.y) if axis)

    assert (shape(definition, "driver_demand"), shape(newer, "driver_demand")) == ((16, 12), (20, 12))
    assert (shape(definition, "smoke_limit"), shape(newer, "smoke_limit")) == ((16, 12), (20, 13))
    assert (shape(definition, "pilot_quantity"), shape(newer, "pilot_quantity")) == ((12, 10), (14, 10))
    assert [of.tables["vane_position"].storage.type.size for of in (definition, newer)] == [2, 1]
    units = [of.conversion_of(of.tables["boost_demand"]) for of in (definition, newer)]
    assert [unit.factor for unit in units if isinstance(unit, Linear)] == [1, 0.5]


def carried(yard: Scratch, *more: str) -> Result:
    bases = ("factory/sk28-0412.bin", "factory/sk28-0431.bin")
    return call("carry", bases[0], HERON, bases[1], "--to", "boats/new.bin", *more, cwd=yard.root)


LEFT_OUT = ("--leave-out", "egr_warm_correction", "--leave-out", "calibration_label")


def test_carry_names_what_of_heron_does_not_fit_the_newer_software_and_writes_nothing(own: Scratch) -> None:
    result = carried(own, "--format", "json")
    assert result.status == 1
    problems = valid(result.data, "carry.schema.json")["problems"]
    assert [(problem["name"], problem["reason"]) for problem in problems] == [
        ("egr_warm_correction", "no-partner"),
        ("calibration_label", "text"),
    ]
    assert not (own.root / "boats/new.bin").exists()


def test_the_rest_of_heron_is_carried_within_half_a_step_of_its_storage(own: Scratch) -> None:
    report = carried(own, *LEFT_OUT, "--format", "json")
    assert (report.status, report.stderr) == (1, "")  # for the rules that the result breaks; it is written
    assert (own.root / "boats/new.bin").is_file()
    tables = valid(report.data, "carry.schema.json")["tables"]
    deviations = {table["name"]: table["deviation"] for table in tables}
    assert set(deviations) == {
        "driver_demand",
        "smoke_limit",
        "rail_pressure_demand",
        "main_timing",
        "lever_rate_rise",
        "boost_demand",
        "hull_number",
    }
    assert deviations["lever_rate_rise"] == deviations["boost_demand"] == 0
    steps = {"driver_demand": 0.1, "smoke_limit": 1 / 128, "rail_pressure_demand": 0.1, "main_timing": 0.01}
    for name, step in steps.items():
        assert 0 < deviations[name] <= step / 2 + 1e-9


def test_the_carried_heron_is_checked_as_of_the_newer_software(own: Scratch) -> None:
    done = carried(own, *LEFT_OUT, "--format", "json")
    # Heron's waiver is for her own image, so that the carried one breaks the rule which it waived.
    assert (done.status, done.data["summary"]["broken"]) == (1, 6)
    result = call("check", "boats/new.bin", "--format", "json", cwd=own.root)
    assert result.status == 1
    findings = {(f["rule"], f["severity"], f["table"], f["definition"]) for f in result.data["findings"]}
    assert findings == {
        # Heron's waiver is for her own image, not for this one.
        ("change/too-large", "error", "lever_rate_rise", NEWER_DEFINITION),
        ("protection/weakened", "warning", "smoke_limit", NEWER_DEFINITION),
        # The maker took 20 bar off at idle, and the yard twelve.
        ("value/unexpected", "warning", "rail_pressure_demand", NEWER_DEFINITION),
    }


def test_what_a_branch_made_of_heron_can_be_carried_from_there(own: Scratch) -> None:
    result = call(
        "carry",
        "factory/sk28-0412.bin",
        f"heron-trolling:{HERON}",
        "factory/sk28-0431.bin",
        *("--to", "boats/new.bin", *LEFT_OUT, "--format", "json"),
        cwd=own.root,
    )
    assert result.status == 1, result
    assert {item["table"] for item in result.data["broken"]} == {"lever_rate_rise"}
    (gain,) = (table for table in result.data["tables"] if table["name"] == "governor_gain")
    assert gain["cells"] == 4


# The branches


@pytest.mark.parametrize("branch", ["heron-idle", "heron-trolling"])
def test_every_commit_of_a_branch_passes_by_itself(own: Scratch, branch: str) -> None:
    own.must("checkout", "--quiet", branch)
    assert call("check", HERON, cwd=own.root).status == 0
    assert call("seal", "--check", HERON, cwd=own.root).status == 0


def changed(own: Scratch, old: str, new: str) -> dict[tuple[str, int, int], float]:
    """The cells of Heron that differ between two revisions, and what they are in the new one."""
    result = call("diff", f"{old}:{HERON}", f"{new}:{HERON}", "--format", "json", cwd=own.root)
    return {
        (table["table"], cell["x"], cell["y"]): cell["new"]
        for table in result.data["tables"]
        for cell in table["cells"]
    }


def test_heron_idle_merges_into_main_cell_by_cell_without_an_error(own: Scratch) -> None:
    ours, theirs = changed(own, "main~1", "main"), changed(own, "main~1", "heron-idle")
    assert ours.keys().isdisjoint(theirs)
    assert {table for table, _, _ in ours} <= {table for table, _, _ in theirs}
    own.must("merge", "--quiet", "--no-edit", "heron-idle")
    assert own.must("status", "--porcelain") == ""
    assert changed(own, "heron-idle~1", "HEAD") == ours | theirs
    assert call("check", HERON, cwd=own.root).status == 0
    assert call("seal", "--check", HERON, cwd=own.root).status == 0


def test_heron_trolling_is_contrary_to_main_in_one_cell_which_a_take_settles(own: Scratch) -> None:
    ours, theirs = changed(own, "main~1", "main"), changed(own, "main~1", "heron-trolling")
    (both,) = ours.keys() & theirs.keys()
    assert both[0] == "driver_demand" and ours[both] != theirs[both]
    merge = own.git("merge", "--no-edit", "heron-trolling")
    assert merge.status == 1
    assert "at 900 rpm, 14 %  25.9  23.3    27.2" in merge.stderr
    listed = valid(json.loads((own.root / f"{HERON}.conflicts.json").read_bytes()), "conflicts.schema.json")
    assert len(listed["conflicts"]) == 1
    # As the driver says.
    message = merge.stderr.replace("\\\n", "").splitlines()
    command, adding = (line.strip() for line in message if line.startswith(("  callint", "  git")))
    settled = call(*command.split()[1:], cwd=own.root)
    assert (settled.status, settled.stdout) == (0, "driver_demand: 1 cell resolved with theirs\n"), settled
    own.must(*adding.split()[1:])
    own.must("commit", "--no-edit", "--quiet")
    assert own.must("status", "--porcelain") == ""
    assert changed(own, "heron-trolling~1", "HEAD") == ours | theirs
    assert call("check", HERON, cwd=own.root).status == 0


def test_the_commands_have_their_help_after_the_demo_called_them(tmp_path: Path) -> None:
    # In a process of its own: click keeps what a command's help is called when it is first asked for.
    code = (
        'from callint.__main__ import main; main(["demo", "yard"]); raise SystemExit(main(["check", "-h"]))'
    )
    arguments = [sys.executable, "-c", code]
    done = subprocess.run(
        arguments, cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "--staged" in done.stdout
