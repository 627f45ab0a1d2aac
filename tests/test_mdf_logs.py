"""Driving logs in MDF 4: what asammdf writes is read, and what would mislead it is refused before.

The files are written by asammdf itself, a published implementation of the standard ASAM MDF.
"""

from __future__ import annotations

import gc
import struct
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from asammdf import MDF, Signal
from asammdf.blocks.v4_blocks import ChannelConversion

from callint.model.errors import InputError
from callint.model.policy import LogColumns
from callint.reading import mdf_logs
from callint.reading.log_files import open_log
from callint.reading.logs import Log, LogFile
from callint.reading.mdf_logs import MdfLog
from tests.running import GOOD, Yard, make_yard

USUAL = LogColumns()
TIMES = np.arange(0, 4, 0.5)
SPEED = np.linspace(700, 1400, 8)


def channel(name: str, values: object, times: np.ndarray = TIMES, conversion: Any = None) -> Signal:
    samples = np.array(values)
    encoding = "latin-1" if samples.dtype.kind == "S" else None
    return Signal(samples, times, name=name, conversion=conversion, encoding=encoding)


def written(path: Path, *groups: list[Signal], version: str = "4.10", compression: Any = 0) -> Path:
    """A file that asammdf writes, with a group of channels for each list."""
    file = MDF(version=version)
    for group in groups:
        file.append(group)
    file.save(path, overwrite=True, compression=compression)
    file.close()
    return path


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of two rasters: a fast signal, and a slow one that is stored as a number with a factor."""
    slow = channel("load", np.array([20, 40], np.uint16), np.array([0.5, 2.0]), {"a": 0.5, "b": 1.0})
    path = tmp_path_factory.mktemp("mdf") / "drive.mf4"
    return written(path, [channel("speed", SPEED), channel("gear", [b"N"] * 8)], [slow], compression=2)


def opened(path: Path, columns: LogColumns = USUAL) -> LogFile:
    return open_log(path, columns, ["speed", "load"])


def rows_of(log: LogFile) -> list[list[float]]:
    rows: list[list[float]] = []
    for chunk in log.chunks():
        assert chunk.time is not None
        rows += np.column_stack([chunk.time, *chunk.signals.values()]).tolist()
    return rows


def test_a_row_is_a_time_of_any_channel_and_slow_channels_have_gaps(drive: Path) -> None:
    log = opened(drive)
    assert isinstance(log, MdfLog) and log.has_time
    expected = np.column_stack([TIMES, SPEED, np.full(8, np.nan)])
    expected[[1, 4], 2] = 11.0, 21.0  # 0.5 x + 1
    assert np.array_equal(np.array(rows_of(log)), expected, equal_nan=True)
    assert (log.defects.rows, log.defects.unread) == (8, {})


@pytest.mark.parametrize("version", ["4.00", "4.10", "4.11", "4.20"])
@pytest.mark.parametrize("compression", [0, 1, 2])
def test_each_version_and_packing_reads_the_same(tmp_path: Path, version: str, compression: int) -> None:
    speed = np.arange(5000.0)
    path = written(
        tmp_path / "a.mf4", [channel("speed", speed, speed)], version=version, compression=compression
    )
    assert rows_of(opened(path)) == np.column_stack([speed, speed]).tolist()


def test_rows_arrive_in_chunks_and_progress_ends_at_the_size(
    drive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = rows_of(opened(drive))
    monkeypatch.setattr(mdf_logs, "_ROWS", 3)
    log, steps = opened(drive), list[int]()
    chunks = list(log.chunks(steps.append))
    assert [len(chunk.signals["speed"]) for chunk in chunks] == [3, 3, 2]
    assert steps == sorted(steps) and steps[-1] == log.size == drive.stat().st_size
    assert np.array_equal(np.array(rows_of(opened(drive))), np.array(whole), equal_nan=True)


def test_readings_that_are_invalid_or_not_numbers_are_counted(tmp_path: Path) -> None:
    speed = Signal(
        np.array([800.0, np.inf, 900.0, 950.0]),
        np.arange(4.0),
        name="speed",
        invalidation_bits=np.array([True, False, False, False]),
    )
    load = channel("load", [b"a", b"b"], np.array([0.0, 1.0]))
    log = opened(written(tmp_path / "a.mf4", [speed], [load]))
    assert [row[1] for row in rows_of(log)][2:] == [900.0, 950.0]
    assert log.defects.unread == {"speed": 2, "load": 2}


def test_a_formula_of_a_stranger_is_not_evaluated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise AssertionError("a conversion was applied")

    formula = channel("load", [1.0, 2.0], np.array([0.0, 1.0]), {"formula": "X * 2"})
    path = written(tmp_path / "a.mf4", [formula], [channel("speed", SPEED)])
    monkeypatch.setattr(ChannelConversion, "convert", refuse)
    log = opened(path)
    assert len(rows_of(log)) == 8
    assert log.defects.unread == {"load": 2}


def test_names_are_found_as_in_text_logs(drive: Path, tmp_path: Path) -> None:
    log = opened(drive, LogColumns({"load": "Q"}))
    assert (log.signals, log.missing_columns) == (["speed"], ["Q"])
    doubled = opened(written(tmp_path / "a.mf4", [channel("speed", SPEED)], [channel("speed", SPEED + 1)]))
    assert doubled.defects.doubled == ["speed"]
    assert rows_of(doubled)[0] == [0.0, 700.0]
    other = written(tmp_path / "b.mf4", [channel("Speed [rpm]", SPEED)])
    with pytest.raises(InputError, match=r"b\.mf4: no column is a signal .* 'Speed \[rpm\]' may be speed;"):
        opened(other)


def test_without_the_extra_one_line_names_what_to_install(
    drive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(InputError, match=r"need asammdf; install callint\[mdf\], or export the log as CSV$"):
        opened(drive)


def test_a_text_log_is_read_without_the_library(tmp_path: Path) -> None:
    path = tmp_path / "MDF.csv"
    path.write_text("time,speed\n0,800\n")
    assert isinstance(opened(path), Log)


# Damage


def blocks(data: bytes, id_: bytes) -> list[int]:
    """The positions of the blocks of a kind."""
    return [at for at in range(64, len(data), 8) if data[at : at + 4] == id_]


def with_number(data: bytes, at: int, value: int) -> bytes:
    return data[:at] + struct.pack("<Q", value) + data[at + 8 :]


def link(id_: bytes, index: int, target: Callable[[bytes], int]) -> Callable[[bytes], bytes]:
    """Changes a link of the last block of a kind."""
    return lambda data: with_number(data, blocks(data, id_)[-1] + 24 + 8 * index, target(data))


def last(id_: bytes) -> Callable[[bytes], int]:
    return lambda data: blocks(data, id_)[-1]


DAMAGES: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "cut off in the mark": (lambda data: data[:40], "ends within its first block"),
    "not finished": (lambda data: b"UnFinMF " + data[8:], "the logger did not finish the file"),
    "flags of what is unfinished": (
        lambda data: data[:60] + b"\1" + data[61:],
        "the logger did not finish the file",
    ),
    "an old version": (lambda data: data[:28] + b"\x4a\x01" + data[30:], "it is MDF 3.30"),
    "cut off": (lambda data: data[: len(data) // 2], "behind the end of the file|cut off"),
    "no header": (lambda data: data[:64] + b"##XX" + data[68:], "its first block is not a header"),
    "a group that follows itself": (link(b"##DG", 0, last(b"##DG")), "in a cycle"),
    "a channel inside itself": (link(b"##CN", 1, last(b"##CN")), "in a cycle"),
    "a block with two users": (link(b"##DG", 1, lambda d: blocks(d, b"##CG")[0]), "two blocks refer"),
    "a link into nowhere": (link(b"##DG", 0, lambda _: 2**60), "lies behind the end of the file"),
    "a link into data": (link(b"##DG", 0, lambda d: blocks(d, b"##DG")[0] + 8), "is damaged or cut off"),
    "more links than bytes": (
        lambda data: with_number(data, blocks(data, b"##CN")[0] + 16, 2**61),
        "is damaged or cut off",
    ),
    "unsorted records": (
        lambda data: data[: blocks(data, b"##DG")[0] + 56] + b"\1" + data[blocks(data, b"##DG")[0] + 57 :],
        "its records are not sorted",
    ),
    "an announced flood": (
        lambda data: with_number(data, blocks(data, b"##DZ")[0] + 32, 2**40),
        "unpack to more than 1024 MiB",
    ),
    "a flood that is not announced": (
        lambda data: _with_packed(data, zlib.compress(bytes(2**20))),
        "does not unpack to the 8 bytes that it announces",
    ),
    "an unknown packing": (
        lambda data: data[: blocks(data, b"##DZ")[0] + 26] + b"\7" + data[blocks(data, b"##DZ")[0] + 27 :],
        "packed in a way that is not read",
    ),
}


def _with_packed(data: bytes, packed: bytes) -> bytes:
    """A file with a further block of packed data, in place of the first."""
    block = b"##DZ" + struct.pack("<4xQQ", 48 + len(packed), 0) + b"DT\0\0\0\0\0\0"
    block += struct.pack("<QQ", 8, len(packed)) + packed
    padded = data + bytes(-len(data) % 8)
    (user,) = [
        at + 24 + 8 * index
        for id_, index in ((b"##DG", 2), (b"##HL", 0), (b"##DL", 1))
        for at in blocks(data, id_)[:1]
        if struct.unpack_from("<Q", data, at + 24 + 8 * index)[0] == blocks(data, b"##DZ")[0]
    ]
    return with_number(padded, user, len(padded)) + block


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_file_that_would_mislead_the_library_is_refused_with_a_remedy(
    drive: Path, tmp_path: Path, damage: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "asammdf", None)  # it is refused before the library sees it
    change, message = DAMAGES[damage]
    path = tmp_path / "a.mf4"
    path.write_bytes(change(drive.read_bytes()))
    with pytest.raises(InputError, match=message) as error:
        opened(path)
    (line,) = error.value.lines
    assert line.startswith(f"{path}: ") and "; " in line


def test_a_channel_outside_its_record_has_no_numbers(tmp_path: Path) -> None:
    path = written(tmp_path / "a.mf4", [channel("speed", SPEED)], [channel("load", SPEED)])
    data = path.read_bytes()
    # A block of a channel has 8 links; the offset in its record follows 4 bytes behind them.
    for at in (block for block in blocks(data, b"##CN") if data[block + 88] == 0):
        path.write_bytes(data[: at + 92] + struct.pack("<I", 9) + data[at + 96 :])
        log = opened(path)
        assert len(rows_of(log)) == 8 and list(log.defects.unread.values()) == [8]


def test_more_records_than_there_are_data_are_refused(drive: Path, tmp_path: Path) -> None:
    data = drive.read_bytes()
    path = tmp_path / "a.mf4"
    count = blocks(data, b"##CG")[0] + 24 + 6 * 8 + 8
    path.write_bytes(with_number(data, count, 1000))
    with pytest.raises(InputError, match="the file is damaged"):
        opened(path)
    # Without an announced record, the library would read the others without end.
    path.write_bytes(with_number(data, count, 0))
    assert len(rows_of(opened(path))) in (2, 8)


def test_more_readings_than_the_bound_are_refused(drive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mdf_logs, "MAX_READINGS", 9)
    with pytest.raises(InputError, match="more than 9 readings; split the log"):
        opened(drive)


def test_what_the_library_cannot_read_is_one_line_and_nothing_is_left_behind(
    drive: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    # The version in words is checked by the library alone; it leaves an object that it cannot delete.
    path = tmp_path / "a.mf4"
    data = drive.read_bytes()
    path.write_bytes(data[:8] + b"4.10\xff\xff  " + data[16:])
    with pytest.raises(InputError, match=r"a\.mf4: the file is damaged; export the log again as MDF 4"):
        opened(path)
    gc.collect()
    assert capfd.readouterr() == ("", "")


# Commands


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard")
    yard.write("boats/heron.bin", GOOD)
    return yard


def test_a_command_shows_the_same_times_from_mdf_and_from_text(yard: Yard) -> None:
    text = "time,speed,load\n" + "".join(f"{t},{n},10\n" for t, n in zip(TIMES, SPEED, strict=True))
    yard.write("drive.csv", text)
    written(yard.root / "drive.mf4", [channel("speed", SPEED), channel("load", np.full(8, 10.0))])
    from_text = yard.call("show", "boats/heron.bin", "fuel", "--log", "drive.csv")
    from_mdf = yard.call("show", "boats/heron.bin", "fuel", "--log", "drive.mf4")
    assert from_text.status == from_mdf.status == 0
    assert from_mdf.stdout == from_text.stdout.replace("drive.csv", "drive.mf4")


def test_a_damaged_file_is_one_line_and_status_2(yard: Yard) -> None:
    yard.write("drive.mf4", b"MDF     4.10    " + bytes(80))
    result = yard.call("show", "boats/heron.bin", "fuel", "--log", "drive.mf4")
    assert (result.status, result.stdout) == (2, "")
    assert result.stderr.count("\n") == 1 and "drive.mf4: it is MDF 0.00" in result.stderr
