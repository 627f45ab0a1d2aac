"""--log FILE: a driving log on the command line."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from callint.cli.progress import progress
from callint.decoding.log_residency import CellTime, LogSummary
from callint.decoding.surfaces import Surface
from callint.model.definition import Definition
from callint.model.policy import Policy
from callint.reading.log_files import open_log
from callint.reading.tree import require_inside_repository

#: From this number of bytes on, a progress bar is useful.
_LONG = 20 * 2**20


def read_log(name: str, policy: Policy, definition: Definition, surfaces: Iterable[Surface]) -> LogSummary:
    """The time that the logged engine spent in each cell of tables. InputError if the log is unusable."""
    require_inside_repository(Path(name), name)
    log = open_log(Path(name), policy.log, definition.signals)
    time = CellTime(surfaces, policy.log.max_gap, definition.signals)
    with progress("reading the log", log.size, _LONG) as step:
        for piece in log.chunks(step):
            time.add(piece)
    return LogSummary(name, time, log)
