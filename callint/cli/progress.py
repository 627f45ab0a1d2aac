"""A progress bar for long work on a terminal, and none elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

#: From this number of commits on, a bar is useful while callint walks back a history.
LONG_HISTORY = 200


@contextmanager
def progress(label: str, total: int, minimum: int) -> Iterator[Callable[[int], None]]:
    """A function to call with the amount done so far; shows a bar if ``total`` is at least ``minimum``."""
    if total < minimum or not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=total)
        yield lambda done: bar.update(task, completed=done)
