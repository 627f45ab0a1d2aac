"""Images that several workers look at: what a worker is told, and how what it finds comes back in order.

A worker finds, and the one who called it settles by the policy: so the same comes out as without workers,
and nothing in a worker depends on what another one does.
"""

from __future__ import annotations

import secrets
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

import numpy as np

from callint import __version__
from callint.checking.checker import Assignment, Checker, ImageResult
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.tree import InMemoryTree, Tree

#: A worker takes so many images at once where there are many.
_MOST = 8
#: Every worker gets its images in so many tasks at least, so that all end at about the same time.
_TURNS = 4


@dataclass(frozen=True, slots=True)
class Task:
    """Some images for a worker.

    ``tree`` and ``policy`` are the same in all tasks of one ``run``; a task for a worker that cannot read the
    tree carries its files.
    """

    version: str
    run: str
    tree: Tree
    policy: Policy
    images: tuple[Assignment, ...]
    is_compared: bool = False


@dataclass(frozen=True, slots=True)
class WorkerPool:
    """The workers: an executor with ``size`` of them.

    ``carries`` says that they cannot read the tree's files, which are sent to them. ``lost`` is called when
    the executor has broken down; what is left is done here then.
    """

    executor: Executor
    size: int
    carries: bool
    lost: Callable[[], None]

    def find(
        self, tree: Tree, policy: Policy, images: Sequence[Assignment], is_compared: bool = False
    ) -> Iterator[ImageResult]:
        """What is found in the images, in their order. Two tasks a worker are under way at most.

        ``is_compared`` says that the findings will be compared with those of another state.
        """
        under_way: deque[tuple[Task, Future[list[ImageResult]] | None]] = deque()
        try:
            for task in self._tasks(tree, policy, images, is_compared):
                under_way.append((task, self._submit(task)))
                if len(under_way) > 2 * self.size:
                    yield from self._done(*under_way.popleft())
            while under_way:
                yield from self._done(*under_way.popleft())
        finally:
            for _, future in under_way:
                if future is not None:
                    future.cancel()

    def _tasks(
        self, tree: Tree, policy: Policy, images: Sequence[Assignment], is_compared: bool
    ) -> Iterator[Task]:
        run = secrets.token_hex(16)
        size = max(1, min(_MOST, len(images) // (_TURNS * self.size)))
        for start in range(0, len(images), size):
            some = tuple(images[start : start + size])
            files = _held(tree, some) if self.carries else tree
            yield Task(__version__, run, files, policy, some, is_compared)

    def _submit(self, task: Task) -> Future[list[ImageResult]] | None:
        """The future of a task; None where nobody takes it any more."""
        try:
            return self.executor.submit(work, task)
        except BrokenExecutor:
            return None

    def _done(self, task: Task, future: Future[list[ImageResult]] | None) -> list[ImageResult]:
        if future is not None:
            with suppress(BrokenExecutor):
                return future.result()
        self.lost()
        return work(task)


def _held(tree: Tree, images: Sequence[Assignment]) -> InMemoryTree:
    """The files that these images need."""
    return InMemoryTree(
        tree, sorted({path for one in images for path in (one.image, *one.definitions, *one.bases)})
    )


class _WorkerState(threading.local):
    """What a worker keeps from one task to the next, each of its threads for itself."""

    run = ""
    inspector: Checker | None = None


_desk = _WorkerState()


def work(task: Task) -> list[ImageResult]:
    """Look at the images of a task; InputError where this is another version of callint."""
    if task.version != __version__:
        raise InputError(
            f"--executor: a worker has callint {__version__}, not {task.version}; install the same everywhere"
        )
    inspector = _desk.inspector
    if inspector is None or _desk.run != task.run:
        inspector = Checker(task.tree, task.policy, date.today(), is_compared=task.is_compared)
        _desk.inspector, _desk.run = inspector, task.run
    elif isinstance(task.tree, InMemoryTree):
        inspector.tree = task.tree  # any other tree is the one that is there, perhaps with its process
    # Values from strangers' images may be infinite or no numbers; the rules look at what comes of it.
    with np.errstate(all="ignore"):
        return [inspector.find(one) for one in task.images]
