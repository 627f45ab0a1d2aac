"""``diff --log`` and ``show --log`` as their users meet them."""

from __future__ import annotations

import io
from contextlib import redirect_stderr
from pathlib import Path
from typing import Any

import pytest

from callint.cli import log_option as driving
from callint.cli.progress import progress
from tests.building import u16
from tests.running import (
    GOOD,
    POLICY,
    SMOKE,
    Scratch,
    Yard,
    edited,
    fuel_cell,
    make_repository_yard,
    make_yard,
    steering,
    too_wide,
    valid,
    yard_base,
)

BASE, HERON, LOG = "factory/base.bin", "boats/heron.bin", "drive.csv"

#: GOOD changes the fuel at 1600 rpm and 40 mg. 3 s there, 5 s halfway to 2400 rpm, 2 s at 800 rpm, 10 mg.
DRIVE = "time,speed,load\n0,1600,40\n3,2000,40\n8,800,10\n10,800,10\n"
#: That cell and another at 3200 rpm, which has the larger change.
TWO = edited(GOOD, {fuel_cell(3, 2): u16(900)})


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard", heron=GOOD, auk=TWO)
    yard.write(LOG, DRIVE)
    return yard


def compared(yard: Yard, *arguments: str) -> Any:
    command = ("diff", BASE, HERON, "--log", LOG, "--format", "json", *arguments)
    return valid(yard.call(*command).data, "changes.schema.json")


def diff(yard: Yard, log: str | bytes, image: str = HERON) -> str:
    """The output for a log, as running text."""
    yard.write(LOG, log)
    result = yard.call("diff", BASE, image, "--log", LOG)
    assert (result.status, result.stderr) == (1, "")
    assert not too_wide(result.stdout)
    return result.flat


# diff


def test_a_diff_gives_the_share_of_logged_time_and_the_weight_of_its_cells(yard: Yard) -> None:
    # 3 s with all the weight and 5 s with half of it, of 10 s.
    result = yard.run("diff", BASE, HERON, "--log", LOG)
    assert result.status == 1
    assert result.stderr == ""
    assert result.lines[1:4] == [
        "  1 of 12 cells changed; 44.0 → 45.0 mg (+1.0, +2.3 %) at 1600 rpm, 40 mg;",
        "  inside the operating range; changed cells are in use for 80 % of the logged",
        "  time, 55 % of it by weight",
    ]
    assert result.lines[-2] == "drive.csv: 10 s in 4 rows."


def test_json_has_the_same_content_by_its_schema(yard: Yard) -> None:
    document = compared(yard)
    (table,) = document["tables"]
    assert table["logged"] == {"in_use": 0.8, "share": 0.55, "never": 0}
    assert document["log"] == {
        "file": "drive.csv", "rows": 4, "seconds": 10, "gaps": 0, "lost_seconds": 0, "resets": 0,
    }  # fmt: skip
    assert "log" not in yard.call("diff", BASE, HERON, "--format", "json").data


def test_the_largest_change_may_never_have_been_reached(yard: Yard) -> None:
    text = diff(yard, DRIVE, "boats/auk.bin")
    assert "55 % of it by weight, and the largest change was never reached" in text


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ({fuel_cell(3, 0): u16(181)}, "and 1 of them was never reached"),
        ({fuel_cell(3, 0): u16(181), fuel_cell(3, 1): u16(481)}, "and 2 of them were never reached"),
    ],
)
def test_smaller_changes_that_were_never_reached_are_counted(
    yard: Yard, cells: dict[int, bytes], message: str
) -> None:
    yard.write("boats/auk.bin", edited(GOOD, cells))
    assert f"55 % of it by weight, {message} load speed" in diff(yard, DRIVE, "boats/auk.bin")


def test_a_drive_elsewhere_never_reached_the_change(yard: Yard) -> None:
    text = diff(yard, "time,speed,load\n0,3200,70\n4,3200,70\n")
    assert "the logged engine was never at a changed cell" in text
    assert compared(yard)["tables"][0]["logged"] == {"in_use": 0, "share": 0, "never": 1}


@pytest.mark.parametrize(
    ("speed", "message"), [("1600.0001", ">99 %"), ("2399.9", "<1 %"), ("1600", "100 %"), ("1680", "90 %")]
)
def test_a_share_that_is_not_all_or_nothing_does_not_read_like_it(
    yard: Yard, speed: str, message: str
) -> None:
    assert f"time, {message} of it by weight" in diff(yard, f"time,speed,load\n0,{speed},40\n4,1600,40\n")


def test_a_moved_breakpoint_is_in_use_as_long_as_it_counts(yard: Yard) -> None:
    # From 1600 to 1500 rpm: it counts at 1600 and 2000 rpm, 8 s of 10, and not at 800 rpm.
    yard.write(HERON, edited(yard_base(), {0x02: u16(1500)}))
    text = diff(yard, DRIVE)
    assert text.count("; moved breakpoints are in use for 80 % of the logged time") == 4
    (axis,) = compared(yard)["axes"]
    assert {output["table"]: output["in_use"] for output in axis["outputs"]}["fuel"] == pytest.approx(0.8)
    text = diff(yard, "time,speed,load\n0,2400,40\n3,3000,40\n4,3000,40\n")
    assert "the logged engine was never at a moved breakpoint" in text
    # Of the map on load nothing is known.
    text = diff(yard, "time,speed\n0,1600\n1,1600\n")
    assert text.count("moved breakpoints are in use for 100 % of the logged time") == 3


def test_a_moved_breakpoint_along_y_is_in_use_too(yard: Yard) -> None:
    yard.write(HERON, edited(yard_base(), {0x0A: u16(390)}))
    assert "fuel: " in diff(yard, DRIVE)
    assert "moved breakpoints are in use for 80 % of the logged time" in diff(yard, DRIVE)


def test_a_log_without_a_time_counts_rows_and_reports_that(yard: Yard) -> None:
    text = diff(yard, "speed;load\n1600;40\n2000;40,0\n800;10\n800;10\n")
    assert "in use for 50 % of the logged time, 38 % of it by weight" in text
    assert "drive.csv: 4 rows; all rows have the same weight, because the log has no time column." in text
    document = compared(yard)
    assert document["tables"][0]["logged"] == {"in_use": 0.5, "share": 0.375, "never": 0}
    assert document["log"] == {"file": "drive.csv", "rows": 4}


def test_all_faults_of_a_log_are_reported(yard: Yard) -> None:
    yard.write("callint.toml", f'{POLICY}\n[log]\nmax-gap = 2.5\ncolumns = {{ load = "fuel [mg]" }}\n')
    log = "time,speed,speed\n0,1600,1\n1,n/a,2\n1.5\n10,1600,1\n110,1600,1\n0,800,1\n2,800,1\n"
    text = diff(yard, log)
    assert "changed cells are in use" not in text
    for sentence in (
        "drive.csv: 3.5 s in 7 rows.",
        "Left out: 2 gaps of together 1 min 48 s and 1 reset of the clock.",
        "Without a number: 2 rows of speed; for up to 2.5 s the last one counts.",
        "1 row ended early.",
        "There are several columns 'speed'; the first one counts.",
        "The log has no column 'fuel [mg]', which [log] of callint.toml names.",
        "It has no column of load, so it says nothing about tables on them.",
    ):
        assert sentence in text
    document = compared(yard)
    assert "logged" not in document["tables"][0]
    assert document["log"] == {
        "file": "drive.csv", "rows": 7, "seconds": 3.5, "gaps": 2, "lost_seconds": 108.5, "resets": 1,
        "without_number": {"speed": 2}, "short_rows": 1, "doubled_columns": ["speed"],
        "missing_columns": ["fuel [mg]"], "missing_signals": ["load"],
    }  # fmt: skip


def test_a_single_gap_is_not_together(yard: Yard) -> None:
    text = diff(yard, "time,speed,load\n0,1600,40\n3,1600,40\n4003,1600,40\n")
    assert "Left out: 1 gap of 1 h 6 min." in text


def test_milliseconds_instead_of_seconds_are_noticed(yard: Yard) -> None:
    text = diff(yard, "time,speed,load\n0,1600,40\n10,1600,40\n20,1600,40\n")
    assert "changed cells are in use" not in text
    assert "No time is left: it must be in seconds, and steps of more than 5 s are gaps;" in text
    assert "max-gap in [log] of callint.toml changes that." in text


def test_readings_that_no_sensor_gives_are_counted_and_left_out(yard: Yard) -> None:
    # 2 s at the changed cell, then 2 s of a sensor that is not there, then 2 s elsewhere.
    rows = "0,1600,40\n2,65535,40\n3,,40\n4,800,10\n6,800,10\n6,800,-9999\n"
    text = diff(yard, f"time,speed,load\n{rows}")
    assert "in use for 50 % of the logged time, 50 % of it by weight" in text
    assert "Outside the plausible range, and left out: 1 row of speed (0 to 6000 rpm)," in text
    assert "1 row of load (0 to 100 mg)." in text
    assert compared(yard)["log"]["implausible"] == {"speed": 1, "load": 1}


def test_decimal_commas_between_commas_are_not_taken_for_readings(yard: Yard) -> None:
    text = diff(yard, "time,speed,load\n" + "0,1,1600,0,40,0\n" * 1200)
    assert "1,200 rows have more cells than the header has names and are left out: decimal commas?" in text
    assert "Export with semicolons." in text
    assert "logged engine was never at" not in text
    assert "No time is left" not in text
    document = compared(yard)
    assert "logged" not in document["tables"][0]
    assert document["log"]["overfull_rows"] == 1200


def test_quoted_numbers_with_commas_are_named_as_the_reason(yard: Yard) -> None:
    text = diff(yard, 'time,speed,load\n"0,0","1,600",40\n"0,1","1,600",40\n')
    assert "No time is left" not in text
    assert "Without a number: 2 rows of speed, 2 rows of time" in text
    assert "Some numbers contain commas, such as '1,600': for decimal commas export with semicolons;" in text
    assert "numbers contain commas" not in diff(yard, "time,speed,load\n0,1600,n/a\n1,1600,40\n")


def test_a_single_row_with_a_time_gives_no_warning_about_its_unit(yard: Yard) -> None:
    assert "No time is left" not in diff(yard, 'time,speed,load\n"0",1600,40\n"0,1",1600,40\n')


def test_columns_whose_names_are_nearly_right_are_pointed_at(yard: Yard) -> None:
    text = diff(yard, "Time;speed;Load [mg]\n0;1600;40\n1;1600;40\n")
    assert "no time column. 'Time' may be the time: name it in [log] of callint.toml." in text
    assert (
        "It has no column of load, so it says nothing about tables on them; 'Load [mg]' may be load: name"
        in text
    )


def test_a_few_rows_with_too_many_cells_are_an_accident(yard: Yard) -> None:
    text = diff(yard, DRIVE + "10,1600,40,0,1\n" + "10,1600,40\n" * 8)
    assert "1 row has more cells than the header has names and is left out. 1 table" in text


def test_signals_that_never_occur_together_are_reported(yard: Yard) -> None:
    text = diff(yard, "time,speed,load\n0,1600,\n1,1600,\n20,,40\n21,,40\n")
    assert "It never has all signals of fuel at the same time." in text


def test_the_policy_names_columns_and_time(yard: Yard) -> None:
    yard.write("callint.toml", f'{POLICY}\n[log]\ntime = "t [s]"\ncolumns = {{ speed = "N", load = "Q" }}\n')
    text = diff(yard, "t [s];Q;N\n0;40;1600\n3;40;2000\n8;10;800\n10;10;800\n")
    assert "55 % of it by weight" in text
    assert "drive.csv: 10 s in 4 rows. 1 table, 1 cell" in text


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ("max-gap = 0", "log max-gap"),
        ('max-gap = "5 s"', "log max-gap"),
        ("time = 3", "log time"),
        ("columns = { speed = 4 }", "log columns speed"),
        ('column = "x"', "unknown key 'column'; did you mean 'columns'?"),
    ],
)
def test_a_wrong_log_part_of_the_policy_is_refused_with_its_line(
    yard: Yard, entry: str, message: str
) -> None:
    yard.write("callint.toml", f"{POLICY}\n[log]\n{entry}\n")
    error = yard.call("diff", BASE, HERON, "--log", LOG).error
    line = POLICY.count("\n") + 3
    assert error.startswith(f"callint: callint.toml:{line}: ")
    assert message in error


def test_equal_images_are_silent_with_a_log_too(yard: Yard) -> None:
    result = yard.call("diff", HERON, HERON, "--log", LOG)
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


def test_a_log_whose_names_would_steer_a_terminal_is_shown_harmlessly(yard: Yard) -> None:
    columns = '{ load = "\\u001b[31mload" }'
    yard.write("callint.toml", f"{POLICY}\n[log]\ncolumns = {columns}\n")
    yard.write(LOG, "time,speed\n0,1600\n1,1600\n")
    result = yard.call("diff", BASE, HERON, "--log", LOG)
    assert not steering(result.stdout)
    assert "x1b[31mload" in result.flat


# show


def test_show_prints_the_share_of_the_time_after_each_value(yard: Yard) -> None:
    result = yard.call("show", HERON, "fuel", "--log", LOG)
    assert (result.status, result.stderr) == (0, "")
    assert not too_wide(result.stdout)
    assert result.lines[3:] == [
        "  load  speed, rpm",
        "    mg        800         1600       2400       3200",
        "    10  12.0 20 %  14.0      -  16.0    -  18.0    -",
        "    40  42.0    -  45.0 ↑ 55 %  46.0 25 %  48.0    -",
        "    70  70.0    -  72.0      -  74.0    -  76.0    -",
        "",
        "Compared with factory/base.bin: ↑ raised, ↓ lowered, ≠ changed in another way.",
        "drive.csv: 10 s in 4 rows.",
        "The share of the logged time, by weight, follows each value; - means that the",
        "engine was never there.",
        "",
    ]


def test_show_leaves_out_tables_whose_signals_the_log_lacks(yard: Yard) -> None:
    yard.write(LOG, "time,load\n0,10\n1,10\n")
    with_log = yard.call("show", HERON, "--log", LOG)
    without = yard.call("show", HERON)
    assert with_log.stdout.startswith(without.stdout.rstrip("\n"))
    assert "It has no column of speed, so it says nothing about tables on them." in with_log.flat


# Refusals


@pytest.mark.parametrize(
    "arguments",
    [
        ("show", HERON, "--log", LOG, "--list"),
        ("show", HERON, "--log", LOG, "--plain"),
        ("show", HERON, "--log", LOG, "--at", "speed=1000"),
    ],
    ids=" ".join,
)
def test_a_log_does_not_go_with_every_option(yard: Yard, arguments: tuple[str, ...]) -> None:
    assert "--log needs" in yard.call(*arguments).error


def test_one_line_a_table_has_the_share_of_the_time_in_which_its_changes_count(yard: Yard) -> None:
    result = yard.call("diff", BASE, HERON, "--log", LOG, "--stat")
    assert result.status == 1
    assert not too_wide(result.stdout)
    assert result.flat.startswith(
        "fuel demand 1/12 44.0 → 45.0 mg (+1.0, +2.3 %) at 1600 rpm, 40 mg; changed cells are in use for "
        "80 % of the logged time, 55 % of it by weight"
    )
    assert "drive.csv: 10 s in 4 rows." in result.lines


def test_a_log_does_not_go_with_revisions(tmp_path: Path) -> None:
    scratch: Scratch = make_repository_yard(tmp_path / "yard", heron=GOOD)
    scratch.write(HERON, TWO)
    scratch.commit()
    scratch.write(LOG, DRIVE)
    assert "--log needs one or two images" in scratch.call("diff", "HEAD~1", "HEAD", "--log", LOG).error
    result = scratch.call("diff", f"HEAD~1:{HERON}", f"HEAD:{HERON}", "--log", LOG)
    assert "the logged engine was never at a changed cell" in result.flat


@pytest.mark.parametrize("command", [("diff", BASE, HERON), ("show", HERON)])
@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "drive.csv: the log cannot be read: "),
        (b"", "drive.csv: the log is empty; export it again"),
        (b"time,speed\n", "drive.csv: the log has no row below its column names; export it again"),
        (b"a,b\n1,2\n", "drive.csv:1: no column is a signal of the definition; the columns are 'a', 'b'"),
        (b"PK\0\0\1", "drive.csv: it is not a text file; export the log as CSV"),
    ],
)
def test_a_file_that_is_not_a_log_is_refused_in_one_line(
    yard: Yard, command: tuple[str, ...], content: bytes | None, message: str
) -> None:
    (yard.root / LOG).unlink() if content is None else yard.write(LOG, content)
    assert yard.call(*command, "--log", LOG).error.startswith(f"callint: {message}")


def test_a_folder_is_refused_as_a_log(yard: Yard) -> None:
    assert yard.call("diff", BASE, HERON, "--log", "boats").error == (
        "callint: boats: it is not a file; give a log as CSV"
    )


# Progress


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("long", "expected"), [(1, True), (10**6, False)])
def test_a_long_log_has_a_progress_bar_on_a_terminal(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, long: int, expected: bool
) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    terminal = _Terminal()
    with redirect_stderr(terminal), progress("reading the log", 10**4, long) as step:
        step(10**4)
    assert ("reading the log" in terminal.getvalue()) is expected


def test_elsewhere_a_long_log_has_no_progress_bar(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(driving, "_LONG", 1)
    assert yard.call("diff", BASE, HERON, "--log", LOG).stderr == ""


def test_a_log_gives_no_time_for_a_curve_whose_image_ends_before_its_axis(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(GOOD, {0: u16(800, 800), SMOKE: u16(610)}))
    result = yard.call("diff", BASE, "boats/auk.bin", "--log", LOG)
    assert result.status == 1
    assert "changed cells are in use" not in result.flat
