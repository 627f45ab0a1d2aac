"""Shares images out among workers, and returns their findings in the order of the images.

A worker runs the rules, and the caller applies the policy. So the outcome is the same as without workers, and
nothing in a worker depends on what another one does.
"""

from __future__ import annotations

import secrets
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from callint import __version__
from callint.checking.assignments import Assignment, definition_parts
from callint.checking.checker import Checker
from callint.checking.image_findings import FOR_READERS, FindingDetails, ImageResult
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.tree import InMemoryTree, Tree

AnyTask = TypeVar("AnyTask")
Result = TypeVar("Result")

#: The most images in one task.
_MOST_IMAGES = 8
#: The least number of tasks for each worker, if there are enough images: then all end at about the same time.
_TASKS_PER_WORKER = 4


@dataclass(frozen=True, slots=True)
class Task:
    """Some images for a worker.

    All tasks of one ``run`` have the same ``policy`` and files. If the worker cannot read the files,
    ``tree`` carries those of these images.
    """

    version: str
    run: str
    tree: Tree
    policy: Policy
    images: tuple[Assignment, ...]
    details: FindingDetails = FOR_READERS


@dataclass(frozen=True, slots=True)
class WorkerPool:
    """An executor with ``size`` workers.

    ``carries_files`` says that the workers cannot read the tree, so that the tasks carry the files.
    ``on_broken`` is called when the executor has broken down: then the caller's process does the rest.
    """

    executor: Executor
    size: int
    carries_files: bool
    on_broken: Callable[[], None]

    def find(
        self,
        tree: Tree,
        policy: Policy,
        images: Sequence[Assignment],
        details: FindingDetails = FOR_READERS,
    ) -> Iterator[ImageResult]:
        """The findings in the images, in their order."""
        for results in self.run(work, self._tasks(tree, policy, images, details)):
            yield from results

    def run(self, function: Callable[[AnyTask], Result], tasks: Iterable[AnyTask]) -> Iterator[Result]:
        """The result of a function for each task, in their order. At most two tasks per worker are under way.

        The function lies in a module, so that other processes can import it; it should call
        ``require_same_version``.
        """
        under_way: deque[tuple[AnyTask, Future[Result] | None]] = deque()
        try:
            for task in tasks:
                under_way.append((task, self._submit(function, task)))
                if len(under_way) > 2 * self.size:
                    yield self._result(function, *under_way.popleft())
            while under_way:
                yield self._result(function, *under_way.popleft())
        finally:
            for _, future in under_way:
                if future is not None:
                    future.cancel()

    def _tasks(
        self,
        tree: Tree,
        policy: Policy,
        images: Sequence[Assignment],
        details: FindingDetails,
    ) -> Iterator[Task]:
        run = secrets.token_hex(16)
        size = max(1, min(_MOST_IMAGES, len(images) // (_TASKS_PER_WORKER * self.size)))
        for start in range(0, len(images), size):
            part = tuple(images[start : start + size])
            files = files_of(tree, part) if self.carries_files else tree
            yield Task(__version__, run, files, policy, part, details)

    def _submit(self, function: Callable[[AnyTask], Result], task: AnyTask) -> Future[Result] | None:
        """The future of a task; None if the executor has broken down."""
        try:
            return self.executor.submit(function, task)
        except BrokenExecutor:
            return None

    def _result(
        self, function: Callable[[AnyTask], Result], task: AnyTask, future: Future[Result] | None
    ) -> Result:
        if future is not None:
            with suppress(BrokenExecutor):
                return future.result()
        self.on_broken()
        return function(task)


def files_of(tree: Tree, images: Sequence[Assignment]) -> InMemoryTree:
    """The files that these images need."""
    paths = {path for item in images for path in (item.image, *item.definitions, *item.bases)}
    definitions = {path for item in images for path in item.definitions}
    for parts in definition_parts(definitions, tree).values():
        paths.update(parts)
    return InMemoryTree(tree, sorted(paths))


class _WorkerState(threading.local):
    """What each thread of a worker keeps from one task to the next."""

    run = ""
    checker: Checker | None = None


_state = _WorkerState()


def require_same_version(version: str) -> None:
    """InputError if a task comes from another version of callint."""
    if version != __version__:
        raise InputError(
            f"--executor: a worker has callint {__version__}, not {version}; install the same everywhere"
        )


def work(task: Task) -> list[ImageResult]:
    """Check the images of a task; InputError if the task comes from another version of callint."""
    require_same_version(task.version)
    checker = _state.checker
    if checker is None or _state.run != task.run:
        checker = Checker(
            task.tree,
            task.policy,
            date.today(),
            details=task.details,
        )
        _state.checker, _state.run = checker, task.run
    elif isinstance(task.tree, InMemoryTree):
        checker.loader.tree = task.tree  # any other tree has all files already, and perhaps a process
    return [checker.find(assigned) for assigned in task.images]
