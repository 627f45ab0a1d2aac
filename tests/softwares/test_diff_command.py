"""``callint diff`` of images of two software versions, as its users meet it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.commands.test_carry_command import FUEL_2, NEWER, NEWER_POLICY, newer
from tests.running import (
    GOOD,
    POLICY,
    Result,
    Yard,
    make_repository,
    make_yard,
    steering,
    too_wide,
    valid,
    yard_base,
)

OLD, NEW = "factory/base.bin", "factory/newer.bin"


def fill(yard: Yard) -> None:
    yard.write("defs/newer.xml", NEWER)
    yard.write(NEW, newer())
    yard.write("callint.toml", POLICY + NEWER_POLICY)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard", heron=GOOD)
    fill(yard)
    return yard


def diff(yard: Yard, *arguments: str) -> Result:
    return yard.call("diff", *arguments)


def document(yard: Yard, *arguments: str) -> Any:
    return valid(diff(yard, OLD, NEW, "--format", "json", *arguments).data, "software-changes.schema.json")


def test_two_factory_images_are_compared_table_by_table(yard: Yard) -> None:
    result = yard.call("diff", OLD, NEW, "--stat")
    assert (result.status, result.stderr) == (1, "")
    assert result.lines[:7] == [
        'software number "YARD-01" → "YARD-02"',
        "",
        "smoke_cap      protection    1/5  85.00 → 82.00 mg (-3.00, -3.5 %) at 3200 rpm",
        "overspeed_cut  protection    1/1  4200 → 4100 rpm (-100, -2.4 %)",
        "fuel           demand      14/15  76.00 → 70.00 mg (-6.00, -7.9 %) at 3200 rpm,",
        "                                  70 mg",
        "trim           correction    5/5  26 → 10 °C (-16) at 3200 rpm",
    ]


def test_nothing_is_printed_that_the_terminal_would_obey_or_cut(yard: Yard) -> None:
    for arguments in ((), ("--stat",), ("--all",)):
        result = diff(yard, OLD, NEW, *arguments)
        assert not too_wide(result.stdout)
        assert not steering(result.stdout)


def test_the_same_image_of_one_software_is_still_silent(yard: Yard) -> None:
    assert diff(yard, NEW, NEW) == Result(0, "", "")


def test_the_document_lists_the_points_with_both_values(yard: Yard) -> None:
    result = document(yard)
    assert (result["old_definition"], result["new_definition"]) == ("defs/yard.xml", "defs/newer.xml")
    cut = next(item for item in result["tables"] if item["table"] == "overspeed_cut")
    assert cut["cells"] == [{"at": {}, "old": 4200, "new": 4100}]
    fuel = next(item for item in result["tables"] if item["table"] == "fuel")
    assert [axis["points"] for axis in fuel["axes"]] == [5, 3]
    assert {(cell["at"]["speed"], cell["at"]["load"]) for cell in fuel["cells"]} >= {(2000, 40), (3200, 70)}
    assert [item["name"] for item in result["only_old"]] == ["monitor", "egr"]


def test_globs_select_tables_by_old_and_new_names(yard: Yard) -> None:
    assert [item["table"] for item in document(yard, "-t", "over*")["tables"]] == ["overspeed_cut"]
    assert [item["name"] for item in document(yard, "-t", "monitor")["only_old"]] == ["monitor"]
    error = diff(yard, OLD, NEW, "-t", "fual").error
    assert "there is no table 'fual'; did you mean 'fuel'?" in error


def test_two_definitions_on_the_command_line_are_those_of_old_and_new(yard: Yard) -> None:
    expected = document(yard)
    (yard.root / "callint.toml").unlink()
    both = ("--definition", "defs/yard.xml", "--definition", "defs/newer.xml")
    assert document(yard, *both) == expected
    swapped = diff(yard, OLD, NEW, *both[2:], *both[:2])
    assert "factory/newer.bin: its software number is" in swapped.error


def test_the_same_definition_twice_is_one_software(yard: Yard) -> None:
    images = (OLD, "boats/heron.bin")
    once = diff(yard, *images, "--definition", "defs/yard.xml")
    twice = diff(yard, *images, *("--definition", "defs/yard.xml") * 2)
    assert (twice.status, twice.stdout) == (1, once.stdout)


def test_three_definitions_are_refused(yard: Yard) -> None:
    result = diff(yard, OLD, NEW, *("--definition", "defs/yard.xml") * 3)
    assert result.status == 2
    assert "--definition can be given once, or twice for two images" in " ".join(result.stderr.split())


def test_an_image_that_the_policy_does_not_name_is_matched_by_its_identity(yard: Yard) -> None:
    yard.write("elsewhere.bin", newer())
    yard.write("copy.bin", yard_base())
    assert diff(yard, OLD, "elsewhere.bin").stdout == diff(yard, OLD, NEW).stdout
    assert diff(yard, "copy.bin", NEW).stdout == diff(yard, OLD, NEW).stdout


def test_an_image_of_unknown_software_is_refused(yard: Yard) -> None:
    yard.write("elsewhere.bin", newer(at_480=b"YARD-99"))
    assert "elsewhere.bin: its software number is" in diff(yard, OLD, "elsewhere.bin").error


def test_values_as_cdfx_need_one_software(yard: Yard) -> None:
    assert "--format cdfx needs two images of one" in diff(yard, OLD, NEW, "--format", "cdfx").error


def test_a_difference_within_rounding_is_shown_but_does_not_count(yard: Yard) -> None:
    # A tenth in steps of a twentieth: 42.0 mg and 42.05 mg are the same value, rounded.
    near = newer(
        **{
            f"at_{FUEL_2}": b"".join(
                value.to_bytes(2, "little")
                for row in ((12, 14, 15, 16, 18), (42, 44, 45, 46, 48), (70, 72, 73, 74, 76))
                for value in (20 * item for item in row)
            ),
            f"at_{FUEL_2 + 10}": (841).to_bytes(2, "little"),
        }
    )
    yard.write(NEW, near)
    result = diff(yard, OLD, NEW, "-t", "fuel")
    assert result.status == 0
    assert "within half of a storage step" in result.stdout
    assert "fuel: 42.00 → 42.05 mg (+0.05, +0.1 %) at 800 rpm, 40 mg" in result.flat


def test_a_log_gives_the_share_of_time_in_which_a_difference_counts(yard: Yard) -> None:
    yard.write("run.csv", "time,speed,load\n" + "".join(f"{n},3200,70\n" for n in range(11)))
    result = document(yard, "--log", "run.csv")
    fuel = next(item for item in result["tables"] if item["table"] == "fuel")
    assert fuel["logged"]["in_use"] == 1
    assert result["log"]["rows"] == 11
    assert "of the logged time" in diff(yard, OLD, NEW, "--log", "run.csv").flat


def test_an_image_whose_software_changed_between_revisions_is_compared(tmp_path: Path) -> None:
    yard = make_repository(tmp_path / "yard")
    yard.write("defs/yard.xml", (make_yard(tmp_path / "other").root / "defs/yard.xml").read_bytes())
    fill(yard)
    yard.write(
        "callint.toml",
        '[[images]]\npaths = ["boats/*.bin"]\ndefinition = ["defs/yard.xml", "defs/newer.xml"]\n',
    )
    yard.write("boats/heron.bin", yard_base())
    yard.commit("Old software")
    yard.write("boats/heron.bin", newer())
    yard.commit("New software")
    result = diff(yard, "HEAD~1", "HEAD", "--stat")
    assert result.status == 1
    assert 'software number "YARD-01" → "YARD-02"' in result.stdout
    assert "boats/heron.bin compared with" in result.stdout
    documents = diff(yard, "HEAD~1", "HEAD", "--format", "json").data
    assert [item["format"] for item in documents] == ["callint-software-changes"]


def test_git_shows_the_change_between_two_software_versions(yard: Yard) -> None:
    old, new = str(yard.root / OLD), str(yard.root / NEW)
    result = yard.call("diff", "--driver", NEW, old, "0" * 40, "100644", new, "1" * 40, "100644")
    assert result.status == 0
    assert "overspeed_cut: Fuel cut-off speed (protection)" in result.stdout


def test_only_the_outputs_at_a_given_operating_point_are_compared(yard: Yard) -> None:
    result = yard.call("diff", OLD, NEW, "--at", "speed=3200", "--at", "load=55")
    assert (result.status, result.stderr) == (1, "")
    assert result.lines == [
        "at speed 3200 rpm, load 55 mg",
        "",
        "smoke_cap  protection  85.00 → 82.00 mg (-3.00, -3.5 %)",
        "fuel       demand      62.00 → 56.50 mg (-5.50, -8.9 %)",
        "trim       correction  26 → 10 °C (-16)",
        *result.lines[5:],
    ]
    report = document(yard, "--at", "speed=3200,load=55")
    assert report["at"] == {"speed": 3200, "load": 55}
    cells = {table["table"]: table["cells"] for table in report["tables"]}
    assert cells["fuel"] == [{"at": {"speed": 3200, "load": 55}, "old": 62, "new": 56.5}]
    assert (report["only_old"], report["identities"]) == ([], [])


def test_tables_without_a_signal_of_the_point_are_left_out_and_scalars_are_if_not_named(yard: Yard) -> None:
    assert [table["table"] for table in document(yard, "--at", "speed=3200")["tables"]] == [
        "smoke_cap",
        "trim",
    ]
    named = document(yard, "--at", "speed=3200", "-t", "overspeed_cut")
    assert [table["table"] for table in named["tables"]] == ["overspeed_cut"]


def test_a_point_works_for_two_images_of_one_software(yard: Yard) -> None:
    result = diff(yard, OLD, "boats/heron.bin", "--at", "speed=1600,load=40", "--format", "json")
    report = valid(result.data, "software-changes.schema.json")
    assert [table["cells"] for table in report["tables"]] == [
        [{"at": {"speed": 1600, "load": 40}, "old": 44, "new": 45}]
    ]
    assert diff(yard, OLD, "boats/heron.bin", "--at", "speed=800,load=10").status == 0


def test_an_unknown_signal_and_options_that_do_not_fit_a_point_are_refused(yard: Yard) -> None:
    assert "no signal has this name" in diff(yard, OLD, NEW, "--at", "sped=1").error
    result = diff(yard, OLD, NEW, "--at", "speed=1", "--format", "cdfx")
    assert result.status == 2
    assert "--at excludes --log and --format cdfx" in " ".join(result.stderr.split())
