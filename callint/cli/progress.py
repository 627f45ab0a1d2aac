"""A progress bar for long work on a terminal, and none elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress(words: str, total: int, long: int) -> Iterator[Callable[[int], None]]:
    """What is to be called with how much is done, all told; a bar is shown from ``long`` on."""
    if total < long or not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=total)
        yield lambda done: bar.update(task, completed=done)
