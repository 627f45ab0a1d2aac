"""Shares images out among workers, and returns their findings in the order of the images.

A worker runs the rules, and the caller applies the policy. So the outcome is the same as without workers, and
nothing in a worker depends on what another one does.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from callint import __version__
from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.checking.image_findings import FOR_READERS, FindingDetails, ImageResult
from callint.checking.worker_pool import WorkerPool, files_of, require_same_version
from callint.model.policy import Policy
from callint.reading.tree import InMemoryTree, Tree

#: The largest number of images in one task.
_MOST_IMAGES = 8
#: The least number of tasks for each worker, given enough images, so that all end at about the same time.
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


def find_in_workers(
    pool: WorkerPool,
    tree: Tree,
    policy: Policy,
    images: Sequence[Assignment],
    details: FindingDetails | None = None,
) -> Iterator[ImageResult]:
    """The findings in the images, in their order."""
    for results in pool.run(work, _tasks(pool, tree, policy, images, details or FOR_READERS)):
        yield from results


def _tasks(
    pool: WorkerPool,
    tree: Tree,
    policy: Policy,
    images: Sequence[Assignment],
    details: FindingDetails,
) -> Iterator[Task]:
    run = secrets.token_hex(16)
    size = max(1, min(_MOST_IMAGES, len(images) // (_TASKS_PER_WORKER * pool.size)))
    for start in range(0, len(images), size):
        part = tuple(images[start : start + size])
        files = files_of(tree, part) if pool.carries_files else tree
        yield Task(__version__, run, files, policy, part, details)


class _WorkerState(threading.local):
    """The state that each thread of a worker keeps from one task to the next."""

    run = ""
    checker: Checker | None = None


_state = _WorkerState()


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
