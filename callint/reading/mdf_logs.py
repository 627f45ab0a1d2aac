"""Driving logs in ASAM MDF 4 (files ``.mf4``), read by the library asammdf, which the extra ``mdf`` installs.

A file has groups of channels, each with its own times. Each time of a used group becomes a row, in which the
channels of other groups have no reading. Texts, and channels whose conversion is a formula, are not read:
nothing that a file says is evaluated.
"""

from __future__ import annotations

import gc
import logging
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import Any

import numpy as np

from callint.model.change import Numbers
from callint.model.errors import InputError
from callint.model.policy import LogColumns
from callint.reading.logs import LogChunk, LogFile
from callint.reading.mdf_blocks import check_blocks

#: Most readings of all used channels together.
MAX_READINGS = 20_000_000
#: Number of rows of a chunk.
_ROWS = 2**16
#: Numbers of the standard: a conversion by a formula, a channel of the time, channels with a value of a fixed
#: length in each record, integers and floats of both byte orders, and the flag of a bit for invalid values.
_FORMULA, _TIME, _IN_RECORD, _NUMBER_TYPES, _HAS_INVALIDATION_BIT = 3, 1, (0, 2), range(6), 2


@dataclass(frozen=True, slots=True)
class _Channel:
    """A channel of the file: its name and its place in the library's lists."""

    name: str
    group: int
    index: int


@dataclass(frozen=True, slots=True)
class _Readings:
    """The readings of a channel by rising times in seconds, both of the shape (readings,)."""

    times: Numbers
    values: Numbers


class MdfLog(LogFile):
    """A log in an MDF 4 file."""

    def __init__(self, path: Path, columns: LogColumns, known: Iterable[str]) -> None:
        """Open a log, and read the channels that are signals; ``known`` are the signals of the definition.

        Raises InputError if the file is not a sound MDF 4, if no channel is a signal, or without asammdf.
        """
        super().__init__(path)
        try:
            with path.open("rb") as file:
                self.size = path.stat().st_size
                check_blocks(file, self.size, str(path))
                self._readings = self._read_channels(file, columns, known)
        except OSError as error:
            raise self._read_error(error, "path") from None

    @property
    def has_time(self) -> bool:
        """Whether the rows have times; only channels with times are read."""
        return True

    def chunks(self, step: Callable[[int], None] = lambda done: None) -> Iterator[LogChunk]:
        """All rows in chunks; see LogFile."""
        times = _union([readings.times for readings in self._readings.values()])
        if not len(times):
            raise InputError(f"{self.path}: the log has no reading of a signal; export it again")
        self.defects.rows = len(times)
        for signal, readings in self._readings.items():
            if unread := int(np.isnan(readings.values).sum()):
                self.defects.unread[signal] = unread
        for start in range(0, len(times), _ROWS):
            rows = times[start : start + _ROWS]
            yield LogChunk(rows, {name: _at(readings, rows) for name, readings in self._readings.items()})
            step(self.size * min(start + _ROWS, len(times)) // len(times))

    def _read_channels(
        self, file: BufferedReader, columns: LogColumns, known: Iterable[str]
    ) -> dict[str, _Readings]:
        """The readings of the channels that are signals, by signal."""
        try:
            import asammdf
        except ImportError:
            raise InputError(
                f"{self.path}: MDF files need asammdf; install callint[mdf], or export the log as CSV"
            ) from None
        failure: InputError | OSError | None = None
        with _silent_library():
            measurement = None
            try:
                file.seek(0)
                # Otherwise the library reads descriptions of buses that are attached to the file.
                options: Any = {"process_bus_logging": False}
                measurement = asammdf.MDF(file, **options)
                return self._read_signals(measurement, columns, known)
            except (InputError, OSError) as error:
                failure = error.with_traceback(None)
            except Exception:  # the library has no error of its own for what is in a file
                failure = self._damage_error()
            finally:
                with suppress(Exception):
                    if measurement is not None:
                        measurement.close()
            del measurement
            gc.collect()
        raise failure

    def _damage_error(self) -> InputError:
        return InputError(f"{self.path}: the file is damaged; export the log again as MDF 4, or as CSV")

    def _read_signals(
        self, measurement: Any, columns: LogColumns, known: Iterable[str]
    ) -> dict[str, _Readings]:
        """The readings of the channels of an open file that are signals, by signal."""
        channels = list(_channels(measurement))
        self._find_signals(columns, known, [channel.name for channel in channels], str(self.path))
        used = {signal: channels[place] for signal, place in self._columns.items()}
        groups = [measurement.groups[channel.group] for channel in used.values()]
        if sum(group.channel_group.cycles_nr for group in groups) > MAX_READINGS:
            raise InputError(
                f"{self.path}: its signals have more than {MAX_READINGS:,} readings; split the log"
            )
        if not all(map(_has_all_records, groups)):
            raise self._damage_error()
        return {signal: _readings(measurement, channel) for signal, channel in used.items()}


@contextmanager
def _silent_library() -> Iterator[None]:
    """Keep the library from writing to standard error: it logs, and cannot delete what it opened in part."""
    hook = sys.unraisablehook
    logging.getLogger("asammdf").disabled = True
    sys.unraisablehook = lambda _: None
    try:
        yield
    finally:
        sys.unraisablehook = hook


def _channels(measurement: Any) -> Iterator[_Channel]:
    """All channels with times, without the times themselves."""
    for number, group in enumerate(measurement.groups):
        master = measurement.masters_db.get(number)
        if master is None or group.channels[master].sync_type != _TIME or not _is_number(group, master):
            continue
        for index, channel in enumerate(group.channels):
            if index != master:
                yield _Channel(channel.name, number, index)


def _has_all_records(group: Any) -> bool:
    """Whether a group has the data of as many records as it announces."""
    record = group.channel_group
    size = record.samples_byte_nr + record.invalidation_bytes_nr
    return bool(record.cycles_nr * size <= sum(block.original_size for block in group.data_blocks))


def _is_number(group: Any, index: int) -> bool:
    """Whether a channel has a plain number in each record, and no formula to compute it by."""
    channel, record = group.channels[index], group.channel_group
    if channel.channel_type not in _IN_RECORD or group.channel_dependencies[index]:
        return False
    # The library does not check that a channel lies in its record.
    end = 8 * channel.byte_offset + channel.bit_offset + channel.bit_count
    is_inside = end <= 8 * record.samples_byte_nr
    is_valid = not channel.flags & _HAS_INVALIDATION_BIT or (
        channel.pos_invalidation_bit < 8 * record.invalidation_bytes_nr
    )
    is_plain = channel.data_type in _NUMBER_TYPES and 0 < channel.bit_count <= 64 and channel.bit_offset < 8
    return is_inside and is_valid and is_plain and not _has_formula(channel.conversion)


def _has_formula(conversion: Any) -> bool:
    """Whether a conversion, or one that it refers to, is a formula, which the library would evaluate."""
    if conversion is None or isinstance(conversion, bytes | str):
        return False
    others = (getattr(conversion, "referenced_blocks", None) or {}).values()
    return conversion.conversion_type == _FORMULA or any(map(_has_formula, others))


def _readings(measurement: Any, channel: _Channel) -> _Readings:
    """The readings of a channel; NaN for those that are invalid, and for all of a channel without numbers."""
    group = measurement.groups[channel.group]
    if not group.channel_group.cycles_nr:  # the library would read without end
        return _Readings(np.empty(0), np.empty(0))
    if not _is_number(group, channel.index):
        times = np.asarray(measurement.get_master(channel.group), np.float64)
        return _sorted(times, np.full(len(times), np.nan))
    signal = measurement.get(group=channel.group, index=channel.index, ignore_invalidation_bits=True)
    times = np.asarray(signal.timestamps, np.float64)
    values = np.full(len(times), np.nan)
    if signal.samples.shape == times.shape and signal.samples.dtype.kind in "biuf":
        values = signal.samples.astype(np.float64)
        if signal.invalidation_bits is not None:
            values[np.asarray(signal.invalidation_bits, bool)] = np.nan
    values[~np.isfinite(values)] = np.nan
    return _sorted(times, values)


def _sorted(times: Numbers, values: Numbers) -> _Readings:
    """Readings by rising times, without those at times that are not numbers."""
    is_timed = np.isfinite(times)
    times, values = times[is_timed], values[is_timed]
    order = np.argsort(times, kind="stable")
    return _Readings(times[order], values[order])


def _union(times: list[Numbers]) -> Numbers:
    """All times that occur, rising, each once."""
    merged = np.sort(np.concatenate([np.empty(0), *times]))
    is_first = np.ones(len(merged), bool)
    is_first[1:] = merged[1:] != merged[:-1]
    result: Numbers = merged[is_first]
    return result


def _at(readings: _Readings, rows: Numbers) -> Numbers:
    """The readings at the times of rows, NaN where there is none; the last of several at one time counts."""
    values = np.full(len(rows), np.nan)
    start, end = np.searchsorted(readings.times, rows[0]), np.searchsorted(readings.times, rows[-1], "right")
    values[np.searchsorted(rows, readings.times[start:end])] = readings.values[start:end]
    return values
