"""Reading driving logs: files of every kind, and nothing of them in memory at once."""

from __future__ import annotations

import csv
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from callint.model.errors import InputError
from callint.model.policy import LogColumns
from callint.reading import logs
from callint.reading.logs import Log
from tests.running import environment

NONE = math.nan
USUAL = LogColumns()


def opened(path: Path, content: str | bytes, columns: LogColumns = USUAL) -> Log:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return Log(path, columns, ["speed", "load"])


def rows_of(log: Log) -> list[list[float]]:
    """Time, where there is one, and the readings of each row."""
    result = []
    for piece in log.chunks():
        parts = [*([] if piece.time is None else [piece.time]), *piece.signals.values()]
        result += np.column_stack(parts).tolist()
    return result


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.csv"


def same(result: list[list[float]], expected: list[list[float]]) -> bool:
    return np.array_equal(np.array(result, np.float64), np.array(expected, np.float64), equal_nan=True)


# Forms


GOOD = [[0.0, 800.0, 10.5], [1.0, 1600.0, 20.0]]


@pytest.mark.parametrize(
    "content",
    [
        "time,speed,load\n0,800,10.5\n1,1600,20\n",
        "time;speed;load\n0;800;10.5\n1;1600;20\n",
        "time\tspeed\tload\n0\t800\t10.5\n1\t1600\t20\n",
        "time;speed;load\n0,0;800;10,5\n1,0;1,6e3;20\n",
        "time\tspeed\tload\n0\t800\t10,5\n1\t1600\t20\n",
        '"time","speed","load"\n"0","800","10.5"\n"1","1600","20"\n',
        '"time";"speed";"load"\n"0";"800";"10,5"\n"1";"1600";"20"\n',
        " time , speed , load \n 0 , 800 , 10.5 \n 1 , 1600 , 20 \n",
        "load,note,speed,time\n10.5,cold start,800,0\n20,,1600,1\n",
        'time,"a, or b",speed,load\n0,"x, y",800,10.5\n1,"z",1600,20\n',
        "time,speed,load\r\n0,800,10.5\r\n1,1600,20\r\n",
        "time,speed,load\r0,800,10.5\r1,1600,20\r",
        "time,speed,load\n0,800,10.5\n1,1600,20",
        "\n\ntime,speed,load\n\n0,800,10.5\n\n  \n1,1600,20\n\n\n",
        "time,speed,load\ns,rpm,mg\n0,800,10.5\n1,1600,20\n",
        "\ufefftime,speed,load\n0,800,10.5\n1,1600,20\n",
        "time,speed,load,\n0,800,10.5,\n1,1600,20,\n",
        "time,speed,load\n0,+8e2,1.05E1\n1.,01600,.2e2\n",
    ],
    ids=[
        "commas",
        "semicolons",
        "tabs",
        "decimal commas",
        "tabs and decimal commas",
        "quotes",
        "quotes and decimal commas",
        "spaces",
        "another order",
        "separators in quotes",
        "carriage returns and line feeds",
        "carriage returns",
        "no last line break",
        "empty lines",
        "units",
        "byte order mark",
        "separators at the ends",
        "forms of numbers",
    ],
)
def test_logs_of_many_forms_say_the_same(path: Path, content: str) -> None:
    log = opened(path, content)
    assert sorted(log.signals) == ["load", "speed"]
    columns = {"time": 0, **{name: n for n, name in enumerate(log.signals, 1)}}
    rows = [[row[columns[name]] for name in ("time", "speed", "load")] for row in rows_of(log)]
    assert rows == GOOD
    assert (log.defects.rows, log.defects.short, log.defects.unread) == (2, 0, {})


PREAMBLES = [
    "Harbour trial, Heron\n2026-03-02 07:15\n\n",
    "sep=;\n",
    "Logger;3.1;;\n;;\nengine;SK28\n",
    "\t\t\n\n",
    "trip,5,speed\n",
    "".join(f"note {number}, as written\n" for number in range(90)),
]


@pytest.mark.parametrize("preamble", PREAMBLES)
@pytest.mark.parametrize("units", ["", "s;rpm;mg\n"])
def test_the_column_names_may_lie_below_lines_of_text(
    path: Path, preamble: str, units: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = f"{preamble}time;speed;load\n{units}0;800;10,5\n1;1600;20\n"
    log = opened(path, content)
    assert rows_of(log) == GOOD
    assert (log.defects.rows, log.defects.overfull, log.defects.unread) == (2, 0, {})
    monkeypatch.setattr(logs, "_BLOCK", 4096)
    long = opened(path, content + "1;1600;20\n" * 1000)
    assert len(rows_of(long)) == 1002


def test_a_log_without_known_names_is_refused_at_the_line_of_its_names(path: Path) -> None:
    with pytest.raises(InputError, match=r"log\.csv:4: no column is .* the columns are 'Zeit', 'n', 'q';"):
        opened(path, "Harbour trial\r\n\r\nHeron, 2026\r\nZeit,n,q\r\n0,1,2\r\n")


def test_timestamps_are_a_time_if_no_other_column_is(path: Path) -> None:
    # The name that asammdf gives the time of the rows when it writes CSV.
    assert rows_of(opened(path, "timestamps,speed,load\n0,800,10.5\n1,1600,20\n")) == GOOD
    assert rows_of(opened(path, "timestamps,time,speed,load\n7,0,800,10.5\n8,1,1600,20\n")) == GOOD
    named = LogColumns(time="t", is_named=True)
    log = opened(path, "timestamps,speed,load\n0,800,10.5\n", named)
    assert not log.has_time and log.missing_columns == ["t"]


def test_bytes_that_are_not_utf_8_are_read_as_latin_1(path: Path) -> None:
    columns = LogColumns({"speed": "Drehzahl für Öl"})
    log = opened(path, "time;Drehzahl für Öl\ns;°\n0;800\n".encode("latin-1"), columns)
    assert rows_of(log) == [[0, 800]]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_utf_16_is_known_by_its_mark(path: Path, encoding: str) -> None:
    mark = "" if encoding == "utf-16" else "\ufeff"
    log = opened(path, f"{mark}time\tspeed\n0\t800,5\n1\t900\n".encode(encoding))
    assert rows_of(log) == [[0, 800.5], [1, 900]]


# Cells that are not numbers


@pytest.mark.parametrize(
    "cell",
    [
        "",
        " ",
        "nan",
        "NaN",
        "inf",
        "-inf",
        "1e999",
        "n/a",
        "8OO",
        "-",
        "1.2.3",
        "0x10",
        '""',
        "\0\0",
        "５ ５",
    ],
)
@pytest.mark.parametrize("amount", [3, 1200])
def test_a_field_that_is_not_a_number_is_counted_and_not_read(path: Path, cell: str, amount: int) -> None:
    log = opened(path, "time,speed,load\n" + "0,800,1\n" * amount + f"1,{cell},2\n" + "2,900,3\n" * amount)
    expected = [[0.0, 800.0, 1.0]] * amount + [[1.0, NONE, 2.0]] + [[2.0, 900.0, 3.0]] * amount
    assert same(rows_of(log), expected)
    assert log.defects.unread == {"speed": 1}
    assert (log.defects.rows, log.defects.short) == (2 * amount + 1, 0)


def test_empty_cells_may_be_anywhere_in_a_row(path: Path) -> None:
    log = opened(path, "speed,a,b,load\n1,,,2\n,,,\n3,,,\n,,,4\n,x,y,5\n")
    assert same(rows_of(log), [[1, 2], [NONE, NONE], [3, NONE], [NONE, 4], [NONE, 5]])
    assert log.defects.unread == {"speed": 3, "load": 2}
    assert log.defects.short == 0


def test_a_row_without_a_time_is_counted(path: Path) -> None:
    log = opened(path, "time,speed\n0,800\n?,900\n")
    rows_of(log)
    assert log.defects.unread == {"time": 1}


def test_rows_that_end_early_keep_what_they_have_and_are_counted(path: Path) -> None:
    log = opened(path, "time,speed,load\n0,800,1\n1,900\n2\n3,950,4\n")
    assert same(rows_of(log), [[0, 800, 1], [1, 900, NONE], [2, NONE, NONE], [3, 950, 4]])
    assert log.defects.short == 2
    assert log.defects.unread == {"speed": 1, "load": 2}


@pytest.mark.parametrize("amount", [1, 1200])
def test_a_row_with_more_cells_than_names_is_left_out_and_counted(path: Path, amount: int) -> None:
    log = opened(path, "time,speed,load\n0,800,1\n" + "0,1,2900,0,60,0\n" * amount + "2,900,3\n")
    assert rows_of(log) == [[0, 800, 1], [2, 900, 3]]
    assert (log.defects.rows, log.defects.overfull) == (amount + 2, amount)
    assert log.defects.unread == {}


def test_a_log_whose_rows_all_have_too_many_cells_leaves_none(path: Path) -> None:
    log = opened(path, "time,speed,load\n0,0,2900,0,60,0\n0,1,2900,0,60,0\n")
    assert rows_of(log) == []
    assert (log.defects.rows, log.defects.overfull) == (2, 2)


@pytest.mark.parametrize("end", [",", ",,,", ", ,"])
def test_empty_cells_after_the_last_name_are_ignored(path: Path, end: str) -> None:
    log = opened(path, f"time,speed,load\n0,800,1{end}\n1,900,2{end}\n")
    assert rows_of(log) == [[0, 800, 1], [1, 900, 2]]
    assert log.defects.overfull == 0


def test_separators_in_quotes_make_no_more_cells(path: Path) -> None:
    log = opened(path, 'time,speed,note\n0,800,"a, b, c"\n1,900,"d"\n2,950,"e", f\n')
    assert rows_of(log) == [[0, 800], [1, 900]]
    assert log.defects.overfull == 1


def test_a_quote_that_never_ends_spoils_one_row_only(path: Path) -> None:
    log = opened(path, 'time,speed,load\n0,800,1\n1,"900,2\n2,950,3\n')
    assert same(rows_of(log), [[0, 800, 1], [1, NONE, NONE], [2, 950, 3]])


def test_a_logger_that_lost_power_leaves_one_row_of_nothing(path: Path) -> None:
    log = opened(path, b"time,speed\n0,800\n1,9" + bytes(100) + b"\n2,900\n")
    assert same(rows_of(log), [[0, 800], [1, NONE], [2, 900]])


def test_a_line_without_an_end_is_one_short_row(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logs, "_BLOCK", 64)
    for length in (65, 128, 129, 500):
        log = opened(path, "time,speed\n0,800\n" + "7," * length + "\n2,900\n3,950\n")
        assert [row for row in rows_of(log) if row != [7, 7]] == [[0, 800], [2, 900], [3, 950]]
        assert log.defects.rows == 4
    log = opened(path, "time,speed\n0,800\n" + "7," * 500)
    assert rows_of(log) == [[0, 800]]
    assert (log.defects.rows, log.defects.short) == (2, 1)


def test_the_ends_of_blocks_make_no_difference(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = "time;speed;load\r\ns;rpm;mg\r\n" + "".join(
        f"{n};{n * 7 % 5};{'' if n % 3 else 'Öl' if n % 2 else n}\r\n" for n in range(100)
    )
    whole = rows_of(opened(path, content))
    assert len(whole) == 100
    for size in (40, 41, 64, 97, 1000):
        monkeypatch.setattr(logs, "_BLOCK", size)
        assert same(rows_of(opened(path, content)), whole)


# Columns


def test_the_policy_gives_the_names_of_columns(path: Path) -> None:
    columns = LogColumns({"speed": "N [rpm]"}, "t", is_named=True)
    log = opened(path, "t,N [rpm],speed,load\n0,800,1,2\n", columns)
    assert log.missing_columns == []
    assert rows_of(log) == [[0, 800, 2]]


def test_columns_that_the_policy_names_in_vain_are_remembered(path: Path) -> None:
    columns = LogColumns({"speed": "N", "load": "Q"}, "t", is_named=True)
    log = opened(path, "time,N,load\n0,800,2\n", columns)
    assert log.missing_columns == ["Q", "t"]
    assert log.signals == ["speed"]
    assert not log.has_time
    assert rows_of(log) == [[800]]


def test_names_close_to_those_of_signals_are_reported(path: Path) -> None:
    log = opened(path, "Time [s],speed,LOAD (mg)\n0,800,1\n")
    assert (log.similar, log.similar_time, log.has_time) == ({"load": "LOAD (mg)"}, "Time [s]", False)
    with pytest.raises(InputError) as refused:
        opened(path, "t,Speed [rpm],a,b,c,d,e,f\n0,800,1,2,3,4,5,6\n")
    assert str(refused.value) == (
        f"{path}:1: no column is a signal of the definition; the columns are 't', 'Speed [rpm]', "
        "'a', 'b', 'c', 'd' and 2 more; 'Speed [rpm]' may be speed; name the signals in [log] of callint.toml"
    )
    with pytest.raises(InputError) as refused:
        opened(path, f"{'a' * 5000},b\n1,2\n")
    assert len(str(refused.value)) < 250 + len(str(path))


def test_a_log_with_a_time_and_all_signals_has_nothing_near(path: Path) -> None:
    log = opened(path, "t,time,Speed,speed,load\n0,0,1,800,2\n")
    assert (log.similar, log.similar_time) == ({}, "")


@pytest.mark.parametrize(
    ("cell", "expected"), [('"1,200"', "1,200"), ('" 0,5 "', "0,5"), ('"a, b"', ""), ("n/a", ""), ('","', "")]
)
def test_a_number_with_commas_is_remembered_as_such(path: Path, cell: str, expected: str) -> None:
    log = opened(path, f"time,speed,note\n0,800,\n1,{cell},\n2,900,\n")
    assert same(rows_of(log), [[0, 800], [1, NONE], [2, 900]])
    assert log.defects.comma == expected


def test_the_first_of_several_columns_of_one_name_counts_and_the_name_is_reported(path: Path) -> None:
    log = opened(path, "time,speed,speed,note,note\n0,800,1,2,3\n")
    assert rows_of(log) == [[0, 800]]
    assert log.defects.doubled == ["speed"]


def test_a_log_may_have_a_single_column(path: Path) -> None:
    assert rows_of(opened(path, "speed\n800\n900,5\n")) == [[800], [900.5]]


# Files that are not logs


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the log is empty; export it again"),
        (b"\n \n\r\n", "the log is empty; export it again"),
        (b"\xef\xbb\xbf", "the log is empty; export it again"),
        (
            b"a,b\n1,2\n",
            "the columns are 'a', 'b'; name the signals in [log] of callint.toml",
        ),
        (b"PK\x03\x04\x00\x00\x08", "it is not a text file; export the log as CSV"),
        (bytes(range(256)) * 100, "it is not a text file; export the log as CSV"),
    ],
)
def test_a_file_that_is_not_a_log_is_refused_with_a_remedy(path: Path, content: bytes, message: str) -> None:
    with pytest.raises(InputError) as refused:
        opened(path, content)
    assert str(refused.value).startswith(str(path))
    assert str(refused.value).endswith(message)
    assert len(refused.value.lines) == 1


@pytest.mark.parametrize("content", ["time,speed", "time,speed\n", "time,speed\n\n\n", "time,speed\ns,rpm\n"])
def test_a_log_without_a_row_is_refused(path: Path, content: str) -> None:
    with pytest.raises(InputError, match="no row below its column names; export it again"):
        rows_of(opened(path, content))


def test_a_folder_and_a_file_that_is_not_there_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="it is not a file"):
        Log(tmp_path, USUAL, ["speed"])
    with pytest.raises(InputError, match="the log cannot be read"):
        Log(tmp_path / "none.csv", USUAL, ["speed"])


def test_a_log_that_vanishes_while_it_is_read_is_refused(path: Path) -> None:
    log = opened(path, "time,speed\n0,800\n")
    path.unlink()
    with pytest.raises(InputError, match="the log cannot be read"):
        rows_of(log)


def test_a_log_that_grows_is_read_as_far_as_it_went(path: Path) -> None:
    log = opened(path, "time,speed\n0,800\n1,900\n")
    with path.open("a") as file:
        file.write("2,1000\n")
    assert rows_of(log) == [[0, 800], [1, 900]]


def test_progress_is_counted_in_bytes(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logs, "_BLOCK", 100)
    content = "time,speed,Öl\n" + "0,800,°\n" * 100
    done: list[int] = []
    for _ in opened(path, content).chunks(done.append):
        pass
    assert len(done) > 5
    assert done == sorted(set(done))
    assert done[-1] == len(content.encode())


# The quick and the slow reader


cells = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.integers(-1000, 1000).map(str),
    st.sampled_from(
        ["", " ", "nan", "inf", "1,5", "1_0", "#", "'1'", "-", "+1", " 2 ", '"3"', '""', "1e5", "0x1"]
    ),
    st.text(st.characters(exclude_characters="\n\r", codec="utf-8"), max_size=5),
)


@given(
    rows=st.lists(st.lists(cells, min_size=1, max_size=5), min_size=1, max_size=8),
    separator=st.sampled_from(",;\t"),
)
@example(rows=[['"1"2', "3", "4"]], separator=",")
@example(rows=[["1\0", "2", "3"]], separator=",")
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_quick_reader_finds_what_the_slow_one_finds(
    tmp_path: Path, rows: list[list[str]], separator: str
) -> None:
    head = separator.join(["time", "speed", "load"])
    log = opened(tmp_path / "log.csv", f"{head}\n0{separator}1{separator}2\n")
    for row in rows:
        lines = [line for line in log._normalized(separator.join(row)).split("\n") if line.strip()]
        quick = log._parse_numeric(lines) if lines else None
        assert quick is None or same(quick.tolist(), log._parse_any(lines).tolist())


@given(st.lists(st.floats(-1e12, 1e12), min_size=3, max_size=60).filter(lambda item: len(item) % 3 == 0))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_numbers_arrive_to_the_last_bit_in_good_and_in_bad_company(
    tmp_path: Path, numbers: list[float]
) -> None:
    rows = [numbers[n : n + 3] for n in range(0, len(numbers), 3)]
    text = "time,speed,load\n" + "".join(",".join(map(repr, row)) + "\n" for row in rows)
    assert rows_of(opened(tmp_path / "log.csv", text)) == rows
    assert same(rows_of(opened(tmp_path / "log.csv", f"{text}1,two,3\n")), [*rows, [1, NONE, 3]])


@given(st.lists(st.lists(cells, min_size=3, max_size=3), min_size=1, max_size=12))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_log_that_the_csv_module_writes_is_read_as_it_reads_it(
    tmp_path: Path, rows: list[list[str]]
) -> None:
    path = tmp_path / "log.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([["time", "speed", "load"], ["0", "1", "2"], *rows])
    result = rows_of(Log(path, USUAL, ["speed", "load"]))
    # Cells that lie on the line are what both know; a row of blanks alone is none for us.
    expected = [[_value(cell) for cell in row] for row in rows if any(cell.strip() for cell in row)]
    kept = [row for row in result[1:] if not all(map(math.isnan, row))]
    assert same(kept, [row for row in expected if not all(map(math.isnan, row))])


def _value(cell: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        return NONE
    return value if math.isfinite(value) else NONE


# Memory


def test_a_long_log_is_never_in_memory_at_once(tmp_path: Path) -> None:
    """60 MB, with rows here and there that only the slow reader reads; 2 MB of them lie in memory as text."""
    pytest.importorskip("resource")
    path = tmp_path / "long.csv"
    good = "".join(f"{n / 100},{800 + n % 900},{n % 77}.25,{'x' * 20}\n" for n in range(20_000))
    bad = "0,1,2,n/a\n1,n/a,,\n" * 10 + good
    with path.open("w") as file:
        file.write("time,speed,load,note\n")
        while file.tell() < 60_000_000:
            file.write(good)
            file.write(bad)
    script = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from callint.model.policy import LogColumns\n"
        "from callint.reading.logs import Log\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // "
        "(1 if sys.platform == 'darwin' else 1 / 1024)\n"
        "before = peak()\n"
        "log = Log(Path(sys.argv[1]), LogColumns(), ['speed', 'load'])\n"
        "rows = sum(len(piece.signals['speed']) for piece in log.chunks())\n"
        "print(rows, int(peak() - before))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    rows, grown = map(int, done.stdout.split())
    assert rows > 1_000_000
    assert grown < 40_000_000
