"""How images are shared out among workers, with executors that work in this process."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from typing import Any

import pytest

import callint
from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.checking.parallel import Task, work
from callint.checking.worker_pool import WorkerPool
from callint.model.errors import InputError
from callint.model.finding import Cell
from callint.model.policy import Policy
from callint.reading.tree import InMemoryTree, Tree
from tests.building import TODAY, Counted, Files, definition_xml, image, u16
from tests.rules.test_findings import FLOATS, INFINITE, floats

#: One number of 0 to 9.9 mg at the first two bytes.
DEFINITION = definition_xml(
    '<scalar name="fuel" title="Fuel" purpose="demand" at="0" type="uint16" conversion="mg">'
    '<limits min="0" max="9.9"/></scalar>'
)
POLICY = Policy()


def fleet(size: int) -> tuple[Files, list[Assignment]]:
    """Images that each have another number; from image 10 on it is above the limit."""
    files = Files(test_xml=DEFINITION, base_bin=image(at_0=u16(50)), other_bin=image())
    images = []
    for number in range(size):
        name = f"boat-{number:03}.bin"
        files.files[name] = image(at_0=u16(90 + number))
        images.append(Assignment(name, ("test.xml",), ("base.bin",)))
    return files, images


class Here(Executor):
    """Works at once, or not at all, and keeps what it was asked for."""

    def __init__(self, breaks_after: int = 1000, fails_after: int = 1000) -> None:
        self.tasks: list[Task] = []
        self.futures: list[Future[Any]] = []
        self.breaks_after, self.fails_after = breaks_after, fails_after

    def submit(self, function: Callable[..., Any], /, *arguments: Any, **named: Any) -> Future[Any]:
        if len(self.tasks) >= self.breaks_after:
            raise BrokenExecutor
        (task,) = arguments
        self.tasks.append(task)
        self.futures.append(Future())
        if len(self.tasks) > self.fails_after:
            self.futures[-1].set_exception(BrokenExecutor())
        else:
            self.futures[-1].set_result(function(task))
        return self.futures[-1]


class Idle(Here):
    """Never begins."""

    def submit(self, function: Callable[..., Any], /, *arguments: Any, **named: Any) -> Future[Any]:
        self.futures.append(Future())
        return self.futures[-1]


def crew(
    executor: Executor, size: int = 2, carries: bool = False, lost: list[int] | None = None
) -> WorkerPool:
    return WorkerPool(executor, size, carries, lambda: (lost if lost is not None else []).append(1))


def alone(tree: Tree, images: Sequence[Assignment]) -> list[Any]:
    inspector = Checker(tree, POLICY, TODAY)
    return [inspector.find(image) for image in images]


# A task of 8 images at most; 4 tasks for each worker at least, where there are so many images.
@pytest.mark.parametrize(
    ("images", "workers", "sizes"),
    [
        (0, 2, []),
        (3, 2, [1, 1, 1]),
        (15, 2, [1] * 15),
        (16, 2, [2] * 8),
        (40, 2, [5] * 8),
        (41, 2, [5] * 8 + [1]),
        (100, 2, [8] * 12 + [4]),
        (30, 3, [2] * 15),
    ],
)
def test_images_are_shared_out_in_their_order(images: int, workers: int, sizes: list[int]) -> None:
    tree, all_images = fleet(images)
    executor = Here()
    result = list(crew(executor, workers).find(tree, POLICY, all_images))
    assert [len(task.images) for task in executor.tasks] == sizes
    assert [image for task in executor.tasks for image in task.images] == all_images
    assert result == alone(tree, all_images)
    for task in executor.tasks:
        assert (task.version, task.tree, task.policy) == (callint.__version__, tree, POLICY)


def test_findings_are_right_for_every_image() -> None:
    tree, images = fleet(20)
    result = list(crew(Here()).find(tree, POLICY, images))
    # 9.0 mg and a tenth more each: the limit of 9.9 mg is passed from number 10 on.
    above = [
        item.assignment.image for item in result if "value/out-of-range" in {f.rule for f in item.findings}
    ]
    assert above == [f"boat-{number:03}.bin" for number in range(10, 20)]


def test_every_run_has_a_mark_of_its_own_on_all_its_tasks() -> None:
    tree, images = fleet(4)
    executor = Here()
    for _ in range(2):
        list(crew(executor).find(tree, POLICY, images))
    runs = [task.run for task in executor.tasks]
    assert len({*runs[:4]}) == len({*runs[4:]}) == 1
    assert runs[0] != runs[4]


def test_workers_who_cannot_read_the_files_get_those_that_they_need() -> None:
    tree, images = fleet(2)
    executor = Here()
    assert list(crew(executor, carries=True).find(tree, POLICY, images)) == alone(tree, images)
    held = [task.tree for task in executor.tasks]
    assert all(isinstance(item, InMemoryTree) for item in held)
    assert [[*item.paths()] for item in held] == [
        ["base.bin", "boat-000.bin", "test.xml"],
        ["base.bin", "boat-001.bin", "test.xml"],
    ]


@pytest.mark.parametrize(
    ("executor", "times"),
    [(Here(breaks_after=3), 5), (Here(fails_after=2), 6), (Here(breaks_after=0), 8)],
    ids=["takes three", "does two", "takes none"],
)
def test_the_calling_process_completes_the_work_of_a_broken_executor(executor: Here, times: int) -> None:
    tree, images = fleet(8)
    lost: list[int] = []
    assert list(crew(executor, lost=lost).find(tree, POLICY, images)) == alone(tree, images)
    assert len(lost) == times


def test_a_caller_that_stops_cancels_pending_work() -> None:
    tree, images = fleet(8)
    executor = Idle()
    result = crew(executor).find(tree, POLICY, images)
    executor.submit = first_done(executor)  # type: ignore[method-assign]
    next(result)
    result.close()  # type: ignore[attr-defined]
    # Two for each of two workers may wait, and one more was given out before the first was asked for.
    assert [future.cancelled() for future in executor.futures] == [False, True, True, True, True]


def first_done(executor: Idle) -> Callable[..., Future[Any]]:
    begin = executor.submit

    def submit(function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        future = begin(function, *arguments)
        if len(executor.futures) == 1:
            future.set_result(function(*arguments))
        return future

    return submit


# A worker


def test_a_worker_reads_definition_and_base_once_in_each_run() -> None:
    files, images = fleet(3)
    tree = Counted(files)
    for run, some in (("first", images[:1]), ("first", images[1:]), ("second", images[:1])):
        assert work(Task(callint.__version__, run, tree, POLICY, tuple(some))) == alone(files, some)
    assert tree.read_files == [
        *("boat-000.bin", "test.xml", "base.bin", "boat-001.bin", "boat-002.bin"),
        *("boat-000.bin", "test.xml", "base.bin"),
    ]


def test_a_worker_keeps_its_tree_in_a_run_but_for_one_that_carries_files() -> None:
    files, images = fleet(3)
    other = Files()
    held = InMemoryTree(files, ["boat-002.bin"])
    for tree, assigned in ((files, images[0]), (other, images[1]), (held, images[2])):
        # Definition and base are known from the first task on; the image is in the tree that counts.
        assert work(Task(callint.__version__, "of its own", tree, POLICY, (assigned,))) == alone(
            files, [assigned]
        )


def test_a_worker_of_another_version_names_the_fault_and_the_remedy() -> None:
    with pytest.raises(InputError) as error:
        work(Task("0.0.1", "", Files(), POLICY, ()))
    assert str(error.value) == (
        f"--executor: a worker has callint {callint.__version__}, not 0.0.1; install the same everywhere"
    )


def test_a_worker_checks_infinite_breakpoints() -> None:
    # From an infinite breakpoint to the next there is no distance, and NumPy would warn.
    data = image(at_0=floats(1000, INFINITE, INFINITE, 4000), at_16=floats(300, 301, 302, 303) * 2)
    item = Assignment("new.bin", ("test.xml",), ())
    (result,) = work(Task(callint.__version__, "odd", Files(test_xml=FLOATS, new_bin=data), POLICY, (item,)))
    assert [(f.table, f.cell) for f in result.findings if f.rule == "value/not-a-number"] == [
        ("speeds", Cell(1, 0)),
        ("speeds", Cell(2, 0)),
    ]
