"""The workers of a command: processes of this machine, or those of a cluster."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

from callint.model.errors import InputError

if TYPE_CHECKING:
    from concurrent.futures import Executor, Future
    from multiprocessing.context import SpawnContext

    from callint.checking.worker_pool import WorkerPool

#: The number of images per process from which its start pays off.
_IMAGES_PER_PROCESS = 16
#: The seconds that a cluster may take to answer.
_TIMEOUT = 10


def usable_cores() -> int:
    """The number of CPUs that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def amount(jobs: int | None, images: int) -> int:
    """The number of processes for a number of images: as requested, or as many as pay off."""
    count = min(usable_cores(), images // _IMAGES_PER_PROCESS) if jobs is None else min(jobs, images)
    return max(1, count)


@contextmanager
def workers(jobs: int | None, executor: str | None, images: int) -> Iterator[WorkerPool | None]:
    """The worker pool for a number of images; None if this process checks them itself.

    InputError if the cluster does not exist.
    """
    if executor is not None:
        if jobs is not None:
            raise InputError("--executor and --jobs exclude each other; leave out one")
        with _cluster(executor) as pool:
            yield pool
    elif amount(jobs, images) > 1:
        with _processes(amount(jobs, images)) as pool:
            yield pool
    else:
        yield None


def _process_pool(size: int) -> Executor:
    from concurrent.futures import BrokenExecutor, ProcessPoolExecutor

    class Pool(ProcessPoolExecutor):
        """Blocks signals while it starts a process: Ctrl-C would end the process before it can ignore it."""

        def submit(self, *arguments: Any, **keywords: Any) -> Future[Any]:
            with _signals_deferred():
                try:
                    return super().submit(*arguments, **keywords)
                # If another process dies now, the pool closes the pipes that this one is started with.
                except (OSError, ValueError) as error:
                    raise BrokenExecutor("a process ended while one was started") from error

    return Pool(size, _spawn_context(), _start_worker)


@contextmanager
def _processes(size: int) -> Iterator[WorkerPool]:
    from concurrent.futures import Executor

    from callint.checking.worker_pool import WorkerPool

    class StartedOnDemand(Executor):
        """Makes a pool for the first task: that starts a process of its own, even if no task follows."""

        pool: Executor | None = None

        def submit(self, function: Callable[..., Any], /, *arguments: Any, **keywords: Any) -> Future[Any]:
            self.pool = self.pool or _process_pool(size)
            return self.pool.submit(function, *arguments, **keywords)

        def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
            if self.pool is not None:
                self.pool.shutdown(wait, cancel_futures=cancel_futures)

    @cache
    def report_loss() -> None:
        sys.stderr.write(
            "callint: a worker process ended early, possibly for lack of memory; continuing without it\n"
        )

    executor = StartedOnDemand()
    previous = signal.signal(signal.SIGTERM, _exit_on_signal)
    try:
        yield WorkerPool(executor, size, False, report_loss)
    finally:
        signal.signal(signal.SIGTERM, previous)
        if report_loss.cache_info().currsize:
            from multiprocessing import active_children

            # A process that started while others died would wait for work forever, and callint for it.
            for process in active_children():
                process.kill()
        # A task takes less than a second; after Ctrl-C callint waits for those that have begun.
        executor.shutdown(wait=True, cancel_futures=True)


def _exit_on_signal(number: int, frame: object) -> None:
    """Exit in order, so that the processes end too; with the status that shells give for a signal."""
    raise SystemExit(128 + number)


def _spawn_context() -> SpawnContext:
    """The way to start processes: spawned, so that they share no thread, lock or open file with this one.

    Each starts as ``python -c``, which would first look for modules in the current folder: a stranger's
    repository.
    """
    from multiprocessing import get_context

    os.environ["PYTHONSAFEPATH"] = "1"
    return get_context("spawn")


@contextmanager
def _signals_deferred() -> Iterator[None]:
    """Defer SIGINT and SIGTERM until the block ends.

    A process that starts in the block receives neither until it unblocks them. The mask alone is not enough:
    a library's thread without the mask would receive the signal for the whole process.
    """
    received: list[int] = []
    numbers = (signal.SIGINT, signal.SIGTERM)
    handlers = {
        number: signal.signal(number, lambda number, frame: received.append(number)) for number in numbers
    }
    can_mask = hasattr(signal, "pthread_sigmask")
    previous = signal.pthread_sigmask(signal.SIG_BLOCK, numbers) if can_mask else ()
    try:
        yield
    finally:
        if can_mask:
            signal.pthread_sigmask(signal.SIG_SETMASK, previous)
        for number, handler in handlers.items():
            signal.signal(number, handler or signal.SIG_DFL)
        for signal_number in received:
            signal.raise_signal(signal_number)


def _start_worker() -> None:
    """Prepare a new process: it leaves Ctrl-C to its parent, and ends with its parent."""
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
    from callint.checking.worker_pool import WorkerPool

    try:
        client = Client(address, timeout=_TIMEOUT)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        cause = str(error).splitlines()[0]
        raise InputError(
            f"--executor {name}: the cluster does not answer: {cause}; check the address"
        ) from None
    with client:
        size = sum(client.nthreads().values())  # type: ignore[no-untyped-call]
        if not size:
            raise InputError(f"--executor {name}: the cluster has no workers; start some first")
        with _of_client(client) as executor:
            yield WorkerPool(executor, size, True, lambda: None)


@contextmanager
def _of_client(client: object) -> Iterator[Executor]:
    # Dask would hash the arguments of pure calls, which takes longer than sending them.
    executor: Executor = client.get_executor(pure=False)  # type: ignore[attr-defined]
    try:
        yield executor
    finally:
        executor.shutdown(wait=False)
