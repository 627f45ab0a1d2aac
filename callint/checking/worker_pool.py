"""Distributes tasks among workers: processes of this machine, or those of a cluster."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from callint import __version__
from callint.checking.assignments import Assignment, definition_parts
from callint.model.errors import InputError
from callint.reading.tree import InMemoryTree, Tree

if TYPE_CHECKING:  # only a check loads the rules
    from callint.checking.image_findings import FindingDetails, ImageResult
    from callint.model.policy import Policy

AnyTask = TypeVar("AnyTask")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class WorkerPool:
    """An executor with ``size`` workers.

    ``carries_files`` is True if the workers cannot read the tree, so that the tasks carry the files.
    ``on_broken`` is called when the executor has broken down; the caller's process then does the rest.
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
        details: FindingDetails | None = None,
    ) -> Iterator[ImageResult]:
        """The findings in the images, in their order."""
        from callint.checking.parallel import find_in_workers

        return find_in_workers(self, tree, policy, images, details)

    def run(self, function: Callable[[AnyTask], Result], tasks: Iterable[AnyTask]) -> Iterator[Result]:
        """The result of a function for each task, in their order. At most two tasks per worker run or wait.

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


def require_same_version(version: str) -> None:
    """InputError if a task comes from another version of callint."""
    if version != __version__:
        raise InputError(
            f"--executor: a worker has callint {__version__}, not {version}; install the same everywhere"
        )
