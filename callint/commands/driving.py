"""--log FILE: a driving log on the command line."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from callint.decoding.dwell import Dwell, Logged
from callint.decoding.surfaces import Surface
from callint.model.definition import Definition
from callint.model.policy import Policy
from callint.reading.logs import Log

#: From so many bytes on reading takes long enough for a progress bar.
_LONG = 20 * 2**20


def read_log(name: str, policy: Policy, definition: Definition, surfaces: Iterable[Surface]) -> Logged:
    """How long the logged engine stayed where in some tables. InputError where the log is of no use."""
    log = Log(Path(name), policy.log, definition.signals)
    dwell = Dwell(surfaces, policy.log.max_gap)
    with _progress(log.size) as step:
        for piece in log.pieces(step):
            dwell.add(piece)
    return Logged(name, dwell, log)


@contextmanager
def _progress(size: int) -> Iterator[Callable[[int], None]]:
    """A progress bar for a long log on a terminal, and none elsewhere."""
    if size < _LONG or not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading the log", total=size)
        yield lambda done: bar.advance(task, done)
