"""``callint check`` with several processes, or with a cluster: the same findings, and nothing left over."""

from __future__ import annotations

import io
import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from datetime import date
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any
from unittest import mock

import psutil
import pytest
from distributed import LocalCluster

from callint.checking import bases as checking_bases
from callint.checking.assignments import assignments
from callint.checking.checker import Checker
from callint.checking.parallel import Task, work
from callint.checking.report import Report
from callint.checking.worker_pool import WorkerPool
from callint.cli.progress import progress
from callint.cli.workers import amount, workers
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import WorkingTree
from tests.building import u16
from tests.running import (
    BAD,
    EVERYTHING,
    GOOD,
    POLICY,
    SOFTWARE,
    Result,
    Yard,
    edited,
    environment,
    fuel_cell,
    make_repository_yard,
    make_yard,
    yard_base,
)


def fleet(root: Path) -> Yard:
    """24 images: honest ones, slips, some of other software, cut off, damaged, empty."""
    yard = make_yard(root)
    kinds = [
        GOOD,
        BAD,
        EVERYTHING,
        edited(BAD, {SOFTWARE: b"YARD-02"}),
        GOOD[:-1],
        b":00000001FE\n",
        b"",
        GOOD,
    ]
    for number in range(24):
        data = kinds[number % len(kinds)]
        if len(data) == len(GOOD):
            data = edited(data, {fuel_cell(2, 2): u16(740 + number)})
        yard.write(f"boats/boat-{number:02}.bin", data)
    (yard.root / "boats/boat-23.bin").unlink()
    (yard.root / "boats/boat-23.bin").symlink_to("/etc/hostname")
    return yard


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return fleet(tmp_path_factory.mktemp("jobs") / "yard")


@pytest.fixture(scope="module")
def alone(yard: Yard) -> Result:
    """What one process finds in the yard."""
    return yard.call("check", "--jobs", "1")


# The same findings


@pytest.fixture(scope="module")
def processes() -> Iterator[WorkerPool]:
    """Three processes, as ``--jobs 3`` starts them for each command."""
    with mock.patch.dict(os.environ, environment()), workers(3, None, 24) as pool:
        assert pool is not None
        yield pool


@pytest.fixture
def asked(processes: WorkerPool, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The numbers of processes that commands ask for; they get those that run already."""
    sizes: list[int] = []

    def started(size: int) -> AbstractContextManager[WorkerPool]:
        sizes.append(size)
        return nullcontext(processes)

    monkeypatch.setattr("callint.cli.workers._processes", started)
    return sizes


@pytest.mark.parametrize("form", ["text", "json", "sarif", "junit", "markdown", "lines", "github", "gitlab"])
def test_several_processes_find_what_one_finds_in_the_same_order(
    yard: Yard, asked: list[int], form: str
) -> None:
    alone = yard.call("check", "--format", form, "--jobs", "1")
    together = yard.call("check", "--format", form, "--jobs", "3")
    assert asked == [3]
    assert alone.status == 1
    assert alone.stdout
    assert together == alone


def test_waivers_are_met_expired_and_unused_as_without_processes(tmp_path: Path, asked: list[int]) -> None:
    yard = fleet(tmp_path / "yard")
    (result,) = [
        boat
        for boat in yard.call("check", "boats/boat-01.bin", "--format", "json").data["findings"]
        if boat["rule"] == "value/out-of-range"
    ]
    assert result["table"] == "fuel"
    said = yard.call(
        "waive", "value/out-of-range", "--image", "boats/boat-01.bin", "--table", "fuel",
        "--reason", "Measured twice.",
    )  # fmt: skip
    assert said.status == 0, said
    policy = (yard.root / "callint.toml").read_text("utf-8")
    dead = policy[policy.index("[[waivers]]") :]
    yard.write("callint.toml", policy + dead.replace("boat-01", "boat-09") + dead.replace("boat-01", "gone"))
    alone, together = (yard.call("check", "--format", "json", "--jobs", jobs) for jobs in ("1", "2"))
    assert asked == [2]
    assert together == alone
    rules = {finding["rule"] for finding in alone.data["findings"]}
    assert {"waiver/outdated", "waiver/unused"} <= rules
    assert sum(bool(finding["waived"]) for finding in alone.data["findings"]) == 1


def test_the_index_is_read_by_every_process_for_itself(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path, heron=GOOD)
    for number in range(20):
        scratch.stage(f"boats/boat-{number:02}.bin", edited(BAD, {fuel_cell(2, 2): u16(700 + number)}))
        scratch.write(f"boats/boat-{number:02}.bin", b"not what is staged")
    alone, together = (scratch.run("check", "--staged", "--jobs", jobs) for jobs in ("1", "2"))
    assert alone.status == 1
    assert alone.stdout.count("boats/boat-") >= 20
    assert together == alone


def test_findings_since_a_revision_are_the_same(tmp_path: Path, asked: list[int]) -> None:
    scratch = make_repository_yard(tmp_path, heron=GOOD)
    for number in range(20):
        scratch.write(f"boats/boat-{number:02}.bin", edited(BAD, {fuel_cell(2, 2): u16(700 + number)}))
    alone, together = (scratch.call("check", "--since", "HEAD", "--jobs", jobs) for jobs in ("1", "2"))
    assert asked == [2]
    assert alone.status == 1
    assert together == alone


def test_wrong_input_is_one_line_with_processes_too(tmp_path: Path) -> None:
    yard = fleet(tmp_path / "yard")
    yard.write(
        "callint.toml", POLICY.replace("[[images]]", '[severity]\n"value/nothing" = "off"\n[[images]]')
    )
    assert "value/nothing" in yard.call("check", "--jobs", "2").error


# How many


def test_a_process_is_started_only_for_images_that_are_worth_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("callint.cli.workers.usable_cores", lambda: 4)
    assert [amount(None, images) for images in (0, 1, 31, 32, 50, 1000)] == [1, 1, 1, 2, 3, 4]
    assert [amount(8, images) for images in (0, 1, 3, 1000)] == [1, 1, 3, 8]


@pytest.mark.parametrize("jobs", ["0", "-1", "many", "1025"])
def test_a_number_of_processes_that_is_none_is_refused(yard: Yard, jobs: str) -> None:
    assert "--jobs" in yard.call("check", "--jobs", jobs).error


class Counting(ThreadPoolExecutor):
    """Notes down the most tasks that were under way at once."""

    def __init__(self) -> None:
        super().__init__(2)
        self.most = self.now = self.all = 0

    def submit(self, *arguments: Any, **named: Any) -> Future[Any]:
        self.now, self.all = self.now + 1, self.all + 1
        self.most = max(self.most, self.now)
        future = super().submit(*arguments, **named)
        taken = future.result

        def result(timeout: float | None = None) -> Any:
            self.now -= 1
            return taken(timeout)

        future.result = result  # type: ignore[method-assign]
        return future


def reported(root: Path, find: Callable[..., Any] | None) -> Report:
    policy = read_policy((root / "callint.toml").read_bytes(), "callint.toml")
    tree = WorkingTree(root)
    inspector = Checker(tree, policy, date(2026, 1, 1))
    images = assignments(policy, tree)
    return inspector.report(images, find=None if find is None else lambda some: find(tree, policy, some))


def test_a_bounded_number_of_tasks_runs_at_once(yard: Yard) -> None:
    with Counting() as executor:
        crew = WorkerPool(executor, 2, True, lambda: None)
        assert reported(yard.root, crew.find) == reported(yard.root, None)
        assert executor.all == 8
        assert executor.most == 5


def test_the_files_are_sent_to_those_who_cannot_read_them(yard: Yard) -> None:
    class Elsewhere(ThreadPoolExecutor):
        def submit(self, function: Any, /, *arguments: Any, **named: Any) -> Future[Any]:
            (task,) = arguments
            sent = pickle.dumps(task)
            assert str(yard.root).encode() not in sent
            return super().submit(function, pickle.loads(sent), **named)

    with Elsewhere(2) as executor:
        assert reported(yard.root, WorkerPool(executor, 2, True, lambda: None).find) == reported(
            yard.root, None
        )


def test_another_version_of_callint_does_not_work_along(yard: Yard) -> None:
    with pytest.raises(InputError, match=r"callint .*, not 0\.0\.1; install the same everywhere"):
        work(Task("0.0.1", "", WorkingTree(yard.root), Policy(), ()))


def test_bases_are_forgotten_beyond_a_bound_and_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = fleet(tmp_path / "yard")
    bases = [f"factory/base-{number}.bin" for number in range(4)]
    for number, base in enumerate(bases):
        yard.write(base, edited(yard_base(), {fuel_cell(0, 0): u16(121 + number)}))
    entry = POLICY.replace("boats/*.bin", "boats/*{}.bin").replace("factory/base.bin", "{}")
    yard.write("callint.toml", "".join(entry.format(number, base) for number, base in enumerate(bases)))
    whole = reported(yard.root, None)
    monkeypatch.setattr(checking_bases, "_KEPT_BYTES", 2 * len(GOOD))
    assert reported(yard.root, None) == whole


# What goes wrong


def start(*arguments: str, cwd: Path, **env: str) -> subprocess.Popen[bytes]:
    """A check that has time to be disturbed."""
    return subprocess.Popen(
        [sys.executable, "-m", "callint", "check", *arguments],
        cwd=cwd,
        env=environment(**env),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        # What runs in the background of a script is deaf to Ctrl-C, and so would be what it starts.
        preexec_fn=None  # noqa: PLW1509 - this process has one thread
        if os.name == "nt"
        else lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


def processes_of(parent: subprocess.Popen[bytes]) -> list[psutil.Process]:
    """The processes that look at images, as soon as there are any."""
    while parent.poll() is None:
        children = psutil.Process(parent.pid).children()
        result = [child for child in children if "spawn_main" in " ".join(safely(child.cmdline))]
        if result:
            return result
        time.sleep(0.005)
    raise AssertionError("it ended before there were any")


def safely(what: Callable[[], list[str]]) -> list[str]:
    try:
        return what()
    except psutil.Error:
        return []


def ended(process: subprocess.Popen[bytes]) -> Result:
    out, err = process.communicate()
    return Result(process.returncode, out.decode(), err.decode())


def test_a_process_that_is_killed_costs_no_finding(yard: Yard, alone: Result) -> None:
    process = start("--jobs", "2", cwd=yard.root)
    processes_of(process)[0].kill()
    result = ended(process)
    assert (result.status, result.stdout) == (alone.status, alone.stdout)
    # Some versions of Python add a traceback of their own if another process starts at that moment.
    assert (
        "callint: a worker process ended early, possibly for lack of memory; continuing without it"
        in result.stderr.splitlines()
    )


@pytest.mark.parametrize(
    "error",
    [OSError("handle is closed"), ValueError("bad value(s) in fds_to_keep"), BrokenPipeError("broken pipe")],
    ids=repr,
)
def test_a_process_that_cannot_be_started_costs_no_finding(
    yard: Yard, alone: Result, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """The errors are those of Python 3.11 if one process dies while it starts another one."""
    start_process, starts = SpawnProcess.start, []

    def start_first(process: SpawnProcess) -> None:
        starts.append(process)
        if len(starts) == 2:
            raise error
        start_process(process)

    monkeypatch.setattr(SpawnProcess, "start", start_first)
    together = yard.call("check", "--jobs", "2")
    assert (together.status, together.stdout) == (alone.status, alone.stdout)
    assert len(starts) >= 2
    assert "a worker process ended early" in together.stderr


@pytest.mark.skipif(os.name == "nt", reason="there are no groups of processes")
def test_ctrl_c_ends_all_of_it_and_leaves_nothing(tmp_path: Path) -> None:
    yard = fleet(tmp_path / "yard")
    before = sorted(tmp_path.rglob("*"))
    process = start("--jobs", "2", "--output", "findings.txt", cwd=yard.root)
    children = processes_of(process)
    for child in children:
        child.suspend()  # so that the work is not done before
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does
    time.sleep(0.2)
    for child in children:
        child.resume()
    result = ended(process)
    assert (result.status, result.stdout, result.stderr) == (130, "", "")
    assert not [child for child in children if child.is_running() and child.status() != psutil.STATUS_ZOMBIE]
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.skipif(os.name == "nt", reason="there is no such signal")
def test_a_server_that_cancels_leaves_nothing_and_hears_nothing(yard: Yard) -> None:
    process = start("--jobs", "2", cwd=yard.root)
    children = processes_of(process)
    for child in children:
        child.suspend()
    process.terminate()
    time.sleep(0.2)
    for child in children:
        child.resume()
    result = ended(process)
    assert (result.status, result.stdout, result.stderr) == (143, "", "")
    _, alive = psutil.wait_procs(children, timeout=20)
    assert not alive


@pytest.mark.skipif(os.name == "nt", reason="there is no such signal")
def test_no_process_outlives_its_parent(yard: Yard) -> None:
    process = start("--jobs", "2", cwd=yard.root)
    children = processes_of(process)
    process.kill()
    process.communicate()  # which waits for all who could still write
    _, alive = psutil.wait_procs(children, timeout=20)
    assert not alive


def test_no_module_is_taken_from_the_repository(tmp_path: Path) -> None:
    yard = fleet(tmp_path / "yard")
    for name in ("multiprocessing", "numpy", "callint", "sitecustomize", "signal"):
        yard.write(f"{name}.py", f"open({str(tmp_path / 'canary')!r}, 'w').close()\n".encode())
    program = tmp_path / "program.py"
    program.write_text("from callint.__main__ import program\nif __name__ == '__main__':\n    program()\n")
    done = subprocess.run(
        [sys.executable, str(program), "check", "--jobs", "2"],
        cwd=yard.root,
        env=environment(),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 1, done.stderr
    assert done.stdout
    assert not (tmp_path / "canary").exists()


# Progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_bar_on_a_terminal_follows_the_work(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = Terminal()
    monkeypatch.setattr("sys.stderr", seen)
    with progress("checking", 40, 4) as step:
        for done in range(41):
            step(done)
    assert "checking" in seen.getvalue()
    assert "100%" in seen.getvalue()


# Clusters


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Two workers, each a process that is started again when it dies."""
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as result:  # type: ignore[no-untyped-call]
        yield result


def test_a_cluster_finds_the_same(yard: Yard, cluster: LocalCluster) -> None:
    alone = yard.call("check", "--format", "json", "--jobs", "1")
    spread = yard.call("check", "--format", "json", "--executor", f"dask:{cluster.scheduler_address}")
    assert (spread.status, spread.stdout) == (alone.status, alone.stdout)


def test_a_cluster_that_loses_a_worker_midway_finds_the_same(
    yard: Yard, alone: Result, cluster: LocalCluster
) -> None:
    address = f"dask:{cluster.scheduler_address}"
    client = cluster.get_client()  # type: ignore[no-untyped-call]
    process = start("--executor", address, cwd=yard.root)
    while not any(client.processing().values()) and process.poll() is None:
        time.sleep(0.001)
    worker = next(iter(client.run(os.getpid).values()))
    os.kill(worker, signal.SIGKILL)
    result = ended(process)
    assert (result.status, result.stdout) == (alone.status, alone.stdout)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--executor", "grid:here"), "use dask:ADDRESS"),
        (("--executor", "dask:"), "use dask:ADDRESS"),
        (("--executor", "dask:tcp://127.0.0.1:9"), "check the address"),
        (("--executor", "dask:nowhere://127.0.0.1:9"), "check the address"),
        (("--executor", "dask:tcp://127.0.0.1:9", "--jobs", "2"), "exclude each other"),
    ],
)
def test_a_cluster_that_is_none_is_refused_in_one_line(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], said: str
) -> None:
    monkeypatch.setattr("callint.cli.workers._TIMEOUT", 0.5)  # seconds, in which nobody answers
    assert said in yard.call("check", *arguments).error
