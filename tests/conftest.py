"""Configures Hypothesis, the folders that tests write to, and the slow tests.

Hypothesis makes new examples at a desk, and the same examples every time where a change is judged.
"""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import shutil
import sys
import sysconfig
import tempfile
import warnings
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

# While the tests are imported and collected almost nothing becomes garbage; see pytest_collection_finish.
gc.disable()

#: Number of new objects after which Python looks for garbage. callint itself does so after a million.
_GC_THRESHOLD = 100_000
#: Number of collections of younger objects after which Python looks at all objects.
_OLD_GC_THRESHOLD = 100

# The tests make tens of thousands of files, and callint syncs what it writes. In memory both cost little.
_MEMORY = Path("/dev/shm")
if "TMPDIR" not in os.environ and _MEMORY.is_dir() and shutil.disk_usage(_MEMORY).free >= 4 * 2**30:
    os.environ["TMPDIR"] = tempfile.tempdir = str(_MEMORY)

# Compiling the tests takes longer than running many of them. If Python is told to leave no bytecode beside
# the sources, a folder beside pytest's cache keeps it for the next run too, or one of this run: the first
# process to get here makes it for the workers.
if sys.dont_write_bytecode:
    if sys.pycache_prefix is None:
        _kept = Path(__file__).parent.parent / ".pytest_cache" / "bytecode"
        _is_new = not _kept.exists()
        try:
            _kept.mkdir(parents=True, exist_ok=True)
            _bytecode = str(_kept)
        except OSError:
            _bytecode = tempfile.mkdtemp(prefix="callint-bytecode-")
            atexit.register(shutil.rmtree, _bytecode, ignore_errors=True)
        # Python will look nowhere else, not even for the bytecode that lies beside installed modules.
        for _top in sorted({sysconfig.get_path(name) for name in ("stdlib", "purelib", "platlib")}):
            for _beside in Path(_top).rglob("__pycache__") if _is_new else ():
                _twin = Path(_bytecode, *_beside.parent.parts[1:])
                _twin.mkdir(parents=True, exist_ok=True)
                for _module in os.listdir(_beside):  # noqa: PTH208 (quick)
                    with suppress(FileExistsError):  # another run that starts now
                        os.symlink(f"{_beside}/{_module}", f"{_twin}/{_module}")  # noqa: PTH211 (quick)
        sys.pycache_prefix = _bytecode
    sys.dont_write_bytecode = False
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix

# pytest rewrites Hypothesis too, and keeps the result only from here on.
from hypothesis import HealthCheck, settings  # noqa: E402

# A loaded machine is slow at making examples, which says nothing about the product.
settings.register_profile("desk", deadline=None, suppress_health_check=[HealthCheck.too_slow])
# What a change breaks must show at that change, and not by chance at another one.
settings.register_profile("steady", parent=settings.get_profile("desk"), derandomize=True)
settings.load_profile("steady" if os.environ.get("CI") else "desk")

# Commands that tests start have a home, and so a cache, of their own.
os.environ["CALLINT_CACHE"] = tempfile.mkdtemp(prefix="callint-cache-")
atexit.register(shutil.rmtree, os.environ["CALLINT_CACHE"], ignore_errors=True)

#: Files and folders of tests that take most of the time: they start browsers, many processes or git often,
#: write large files, or try thousands of examples.
_SLOW = (
    "browser/",
    "commands/test_check_jobs.py",
    "commands/test_init",
    "commands/test_merge_definitions.py",
    "commands/test_record_files.py",
    "commands/test_relocate.py",
    "commands/test_review.py",
    "crash_safety/",
    "fuzz/",
    "hostile/",
    "mutation/",
    "outside/test_asap2_reader.py",
    "outside/test_conversions.py",
    "outside/test_crc.py",
    "outside/test_lookup.py",
    "outside/test_numbers.py",
    "outside/test_records.py",
    "outside/test_surfaces.py",
    "properties/",
    "rules/test_broken_definition.py",
    "rules/test_exact.py",
    "softwares/",
    "test_cache.py",
    "test_carry.py",
    "test_comparing.py",
    "test_definition_attributes.py",
    "test_definition_reading.py",
    "test_definition_xml.py",
    "test_demo.py",
    "test_dwell.py",
    "test_mdf_logs.py",
    "test_merge.py",
    "test_misreading.py",
    "test_ordering.py",
    "test_outputs.py",
    "test_project_checks.py",
    "test_readme.py",
    "test_relocation.py",
    "test_site.py",
    "test_slip",
    "test_terminal.py",
    "test_walks.py",
    "test_weakening.py",
    "test_wheel.py",
    "unknown/",
    "versioning/",
)


def _is_slow(file: Path) -> bool:
    return file.relative_to(Path(__file__).parent).as_posix().startswith(_SLOW)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Whether to leave a file out because all of its tests are slow and none is asked for.

    To import these files takes a large part of the time of the other tests.
    """
    is_left_out = config.getoption("markexpr") == "not slow" and _is_slow(collection_path)
    return True if is_left_out else None


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """Let each worker compile other modules first, so that they do not all compile the same ones.

    pytest rewrites assertions as it imports a module, and keeps the result beside the bytecode.
    """
    worker = getattr(session.config, "workerinput", None)
    if worker is None:
        return
    top = Path(__file__).parent
    asked = [
        session.config.invocation_params.dir / argument.partition("::")[0] for argument in session.config.args
    ]
    files = sorted(
        file
        for file in top.rglob("test_*.py")
        if any(map(file.is_relative_to, asked)) and not pytest_ignore_collect(file, session.config)
    )
    first = len(files) * int(worker["workerid"].removeprefix("gw")) // worker["workercount"]
    for file in files[first:] + files[:first]:
        # A module that fails, or warns, is not kept: the collection imports it again and reports it.
        with suppress(Exception), warnings.catch_warnings():
            warnings.simplefilter("error")
            importlib.import_module(".".join(file.relative_to(top.parent).with_suffix("").parts))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark slow tests, and let them run first, so that no worker waits for one of them at the end."""
    slow = {id(item) for item in items if _is_slow(item.path)}
    for item in items:
        if id(item) in slow:
            item.add_marker(pytest.mark.slow)
    items.sort(key=lambda item: id(item) not in slow)


def pytest_collection_finish() -> None:
    """Collect garbage from here on, but seldom; the modules and the tests are old objects.

    They do not stay frozen: to count frozen objects, as an import of a description does, takes long.
    """
    gc.freeze()
    gc.unfreeze()
    gc.set_threshold(_GC_THRESHOLD, 10, _OLD_GC_THRESHOLD)
    gc.enable()


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish() -> None:
    """Collect all garbage, whose finalizers may warn, before pytest does so five times over."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One worker more than processors for every two: a third of the time, tests wait for other processes."""
    cores = os.cpu_count() or 1
    return cores + (cores + 1) // 2


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Let a worker that has nothing left take tests over from another one."""
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)
