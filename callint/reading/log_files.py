"""Opens a driving log in the format that its first bytes show."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from callint.model.policy import LogColumns
from callint.reading.logs import Log, LogFile
from callint.reading.mdf_blocks import MARKS
from callint.reading.mdf_logs import MdfLog


def open_log(path: Path, columns: LogColumns, known: Iterable[str]) -> LogFile:
    """A log as MDF 4 or as text; ``known`` are the signals of the definition.

    Raises InputError as the readers of the two formats do.
    """
    return MdfLog(path, columns, known) if _is_mdf(path) else Log(path, columns, known)


def _is_mdf(path: Path) -> bool:
    """Whether a file begins as measurement files do; False if it cannot be read."""
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(len(MARKS[0])) in MARKS
    except OSError:
        return False
