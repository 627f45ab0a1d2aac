"""The workers of a command: processes of this machine, or those of a cluster."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

from callint.model.errors import InputError

if TYPE_CHECKING:
    from concurrent.futures import Executor, Future
    from multiprocessing.context import SpawnContext

    from callint.checking.parallel import WorkerPool

#: A process is worth its start from so many images on.
_WORTH = 16
#: So many seconds a cluster may take to answer.
_PATIENCE = 10


def usable_cores() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def amount(jobs: int | None, images: int) -> int:
    """How many processes check so many images: as many as asked for, or as many as are worth it."""
    wanted = min(usable_cores(), images // _WORTH) if jobs is None else min(jobs, images)
    return max(1, wanted)


@contextmanager
def workers(jobs: int | None, executor: str | None, images: int) -> Iterator[WorkerPool | None]:
    """The crew for so many images; None where the command does the work itself.

    InputError where there is no such cluster.
    """
    if executor is not None:
        if jobs is not None:
            raise InputError("--executor and --jobs exclude each other; leave out one")
        with _cluster(executor) as crew:
            yield crew
    elif amount(jobs, images) > 1:
        with _processes(amount(jobs, images)) as crew:
            yield crew
    else:
        yield None


@contextmanager
def _processes(size: int) -> Iterator[WorkerPool]:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import active_children

    from callint.checking.parallel import WorkerPool

    class Pool(ProcessPoolExecutor):
        """Starts its processes deaf to Ctrl-C, which would end them before they can ignore it."""

        def submit(self, *arguments: Any, **named: Any) -> Future[Any]:
            with _deaf():
                return super().submit(*arguments, **named)

    @cache
    def lost() -> None:
        sys.stderr.write(
            "callint: a worker process ended early, possibly for lack of memory; continuing without it\n"
        )

    executor = Pool(size, _quiet_start(), _begin)
    before = signal.signal(signal.SIGTERM, _cancelled)
    try:
        yield WorkerPool(executor, size, False, lost)
    finally:
        signal.signal(signal.SIGTERM, before)
        if lost.cache_info().currsize:
            # One that was started while others were ended would wait for work, and be waited for, for ever.
            for one in active_children():
                one.kill()
        # A task takes less than a second; whoever presses Ctrl-C waits for those that have begun.
        executor.shutdown(wait=True, cancel_futures=True)


def _cancelled(number: int, frame: object) -> None:
    """End in order, so that the processes end too; with the status that shells give for a signal."""
    raise SystemExit(128 + number)


def _quiet_start() -> SpawnContext:
    """How processes are started: as new ones, which share no thread, lock or open file with this one.

    Each begins as ``python -c``, which would find modules in the folder where it runs first: a stranger's
    repository.
    """
    from multiprocessing import get_context

    os.environ["PYTHONSAFEPATH"] = "1"
    return get_context("spawn")


@contextmanager
def _deaf() -> Iterator[None]:
    """Ctrl-C, and what ends a process in order, wait until this is over.

    A process that is started meanwhile hears neither until it can. Handlers are needed beside the mask: a
    thread of a library that has no mask takes the signal for all.
    """
    heard: list[int] = []
    numbers = (signal.SIGINT, signal.SIGTERM)
    handlers = {one: signal.signal(one, lambda number, frame: heard.append(number)) for one in numbers}
    can_mask = hasattr(signal, "pthread_sigmask")
    before = signal.pthread_sigmask(signal.SIG_BLOCK, numbers) if can_mask else ()
    try:
        yield
    finally:
        if can_mask:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        for one, handler in handlers.items():
            signal.signal(one, handler or signal.SIG_DFL)
        for number in heard:
            signal.raise_signal(number)


def _begin() -> None:
    """In a new process: it is its parent that Ctrl-C is for, and it does not outlive that."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT, signal.SIGTERM})
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _cluster(name: str) -> Iterator[WorkerPool]:
    engine, _, address = name.partition(":")
    if engine != "dask" or not address:
        raise InputError(f"--executor {name}: unknown executor; use dask:ADDRESS")
    try:
        from distributed import Client
    except ImportError:
        raise InputError(f"--executor {name}: packages are missing; install callint[cluster]") from None
    from callint.checking.parallel import WorkerPool

    try:
        client = Client(address, timeout=_PATIENCE)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        what = str(error).splitlines()[0]
        raise InputError(
            f"--executor {name}: the cluster does not answer: {what}; check the address"
        ) from None
    with client:
        size = sum(client.nthreads().values())  # type: ignore[no-untyped-call]
        if not size:
            raise InputError(f"--executor {name}: the cluster has no workers; start some first")
        with _of_client(client) as executor:
            yield WorkerPool(executor, size, True, lambda: None)


@contextmanager
def _of_client(client: object) -> Iterator[Executor]:
    # Pure calls would be told apart by their arguments, which takes longer than to send them.
    executor: Executor = client.get_executor(pure=False)  # type: ignore[attr-defined]
    try:
        yield executor
    finally:
        executor.shutdown(wait=False)
