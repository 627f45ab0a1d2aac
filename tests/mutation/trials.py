"""Trying mutants: the tests are collected once, and each mutant is put in place in a fork of that process.

A start of pytest costs seconds, and a mutant is usually noticed within milliseconds. In the fork the code of
the mutated function is exchanged, which reaches everybody who has imported it; where the change is in what
runs at the import, everything of the project is imported anew there.
"""

from __future__ import annotations

import functools
import gc
import hashlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from enum import Enum
from importlib.machinery import ModuleSpec
from itertools import accumulate
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

import coverage
import pytest
from _pytest.runner import runtestprotocol
from hypothesis import HealthCheck, Phase, settings

import tests.running  # noqa: F401 – changed below, before tests import it
from tests.mutation.mutants import Mutant, Source

#: A mutant may use this many times the CPU time that its tests take, and these seconds more.
_TIMES, _MORE = 4, 5
#: What it may take of memory beyond what the collected tests take, in bytes.
_MEMORY = 2**31
#: The quickest tests are tried first, then as many seconds of the others, one of each file in turn.
_FIRST, _SECONDS, _SLOW = 25, 6.0, 3.0
#: What survives these is tried with as many seconds of all others, those about it first.
_LATER_SECONDS, _SLOWEST = 75.0, 20.0

#: The seconds a test takes, and the lines of each file that it reaches.
Reach = dict[str, tuple[float, dict[str, list[int]]]]


class MutantOutcome(Enum):
    """What became of a mutant."""

    KILLED = "killed"
    TIMEOUT = "timeout"
    SURVIVED = "survived"
    UNREACHED = "unreached"


class Trials:
    """A plugin of pytest that tries mutants in place of running the tests."""

    def __init__(
        self,
        sources: Sequence[Source],
        measured: Sequence[Path],
        cache: Path | None,
        body: Callable[[Trials], None],
    ) -> None:
        self._measured_paths = measured
        self._sources = {source.path.as_posix(): source for source in sources}
        self._cache, self._body = cache, body
        self._items: dict[str, pytest.Item] = {}
        self._reach: Reach = {}
        self._functions: dict[tuple[str, str], list[FunctionType]] = defaultdict(list)
        self._caches: list[Any] = []

    def pytest_configure(self) -> None:
        quicken()

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self._items = {item.nodeid: item for item in session.items}
        gc.unfreeze()  # what the collection froze is not among the objects
        for result in gc.get_objects():
            if isinstance(result, FunctionType):
                self._functions[result.__code__.co_filename, result.__code__.co_qualname].append(result)
            elif isinstance(result, functools._lru_cache_wrapper) and result.__module__.startswith(
                "callint."
            ):
                self._caches.append(result)
        self._forget()
        self._reach = self._reached()
        gc.collect()
        gc.freeze()
        self._body(self)
        return True

    def _forget(self) -> None:
        """Empty the caches of functions, so that a test reaches what another has asked for before."""
        for cache in self._caches:
            cache.cache_clear()

    # Which test reaches which line

    def _reached(self) -> Reach:
        """What earlier runs found out, and the rest measured: all tests of files that have changed."""
        files = {name.partition("::")[0] for name in self._items}
        code = _digest(sorted(Path("callint").rglob("*.py")))
        keys = {file: f"{code} {_digest([Path(file)])}" for file in files}
        stored = {}
        if self._cache is not None and self._cache.exists():
            stored = json.loads(self._cache.read_text("utf-8"))
        known = {
            file: stored[file]["reach"] for file in files if stored.get(file, {}).get("key") == keys[file]
        }
        unknown = [name for name in self._items if name.partition("::")[0] not in known]
        if unknown:
            sys.stderr.write(f"finding out what {len(unknown):,} tests reach\n")
            measured: Reach = json.loads(_in_fork(lambda: self._measure(unknown), None)[1])
            known |= {file: {} for file in files - known.keys()}
            for name, result in measured.items():
                known[name.partition("::")[0]][name] = result
            if self._cache is not None:
                self._cache.parent.mkdir(parents=True, exist_ok=True)
                new = {file: {"key": keys[file], "reach": known[file]} for file in files}
                self._cache.write_text(json.dumps(new), "utf-8")
        return {name: result for reach in known.values() for name, result in reach.items()}

    def _measure(self, names: list[str]) -> str:
        files = [str(path.resolve()) for path in self._measured_paths]
        meter = coverage.Coverage(data_file=None, include=files, config_file=False, messages=False)
        seconds: dict[str, float] = {}
        meter.start()
        for name in names:
            self._forget()
            meter.switch_context(name)
            began = time.process_time()
            passed = _passes(self._items[name])
            if passed and time.process_time() - began <= _SLOWEST:
                seconds[name] = time.process_time() - began
        meter.stop()
        reach: Reach = {name: (seconds[name], {}) for name in seconds}
        for path, file in zip(self._measured_paths, files, strict=True):
            for line, contexts in meter.get_data().contexts_by_lineno(file).items():
                for name in contexts:
                    if name in reach:
                        reach[name][1].setdefault(path.as_posix(), []).append(line)
        return json.dumps({name: result for name, result in reach.items() if result[1]})

    def selection(self, mutant: Mutant) -> list[str]:
        """The tests that are tried first, in their order."""
        able = sorted(
            (name for name in self._able(mutant) if self._reach[name][0] <= _SLOW),
            key=lambda name: self._reach[name][0],
        )
        turns = defaultdict(list)
        for name in able[_FIRST:]:
            turns[name.partition("::")[0]].append(name)
        ranked = [(turn, name) for names in turns.values() for turn, name in enumerate(names)]
        others = [name for _, name in sorted(ranked, key=lambda item: item[0])]
        return able[:_FIRST] + self._within(others, _SECONDS)

    def later(self, mutant: Mutant) -> list[str]:
        """The tests for what survives those: of files named after the module, then what reaches least."""
        tried = {*self.selection(mutant)}
        others = [name for name in self._able(mutant) if name not in tried]

        def order(name: str) -> tuple[bool, int]:
            file, reached = Path(name.partition("::")[0]), self._reach[name][1]
            return mutant.path.stem not in file.stem, sum(map(len, reached.values()))

        return self._within(sorted(others, key=order), _LATER_SECONDS)

    def _able(self, mutant: Mutant) -> list[str]:
        """The tests that reach a mutant."""
        path, lines = mutant.path.as_posix(), {*mutant.place.lines}
        if not mutant.place.function:
            lines |= set(_lines_with(self._sources[path].text, mutant.place.names))
        able = [name for name, (_, files) in self._reach.items() if not lines.isdisjoint(files.get(path, ()))]
        if not able and not mutant.place.function:
            able = [name for name, (_, files) in self._reach.items() if path in files]
        return able

    def _within(self, names: list[str], seconds: float) -> list[str]:
        """The first of some tests, as many as take no longer than that."""
        ends = accumulate(self._reach[name][0] for name in names)
        return [name for name, end in zip(names, ends, strict=True) if end <= seconds]

    # One mutant

    def outcome(self, mutant: Mutant) -> tuple[MutantOutcome, str]:
        """What became of a mutant, and the test that noticed it first."""
        names, source = self.selection(mutant), self._sources[mutant.path.as_posix()]
        later = self.later(mutant)
        if not names and not later:
            return MutantOutcome.UNREACHED, ""
        if names:
            outcome, test = self._tried(mutant, source.mutated(mutant), names)
            if outcome is not MutantOutcome.SURVIVED:
                return outcome, test
        if later:
            outcome, test = self._tried(mutant, source.mutated(mutant), later)
            # These are tried in an order of their own, so it may be the order that one of them fails by.
            asked = later[: later.index(test) + 1] if test in later else later
            if (
                outcome is not MutantOutcome.SURVIVED
                and self._tried(mutant, source.text, asked)[0] is MutantOutcome.SURVIVED
            ):
                return outcome, test
        return MutantOutcome.SURVIVED, ""

    def is_steady(self, mutant: Mutant) -> bool:
        """Whether the tests that could notice a mutant pass where it is put in place unchanged."""
        names, text = self.selection(mutant), self._sources[mutant.path.as_posix()].text
        return not names or self._tried(mutant, text, names)[0] is MutantOutcome.SURVIVED

    def _tried(self, mutant: Mutant, text: str, names: list[str]) -> tuple[MutantOutcome, str]:
        def trial() -> str:
            if mutant.place.function and self._exchange(mutant, text):
                return next((name for name in names if not _passes(self._items[name])), "")
            return _anew(mutant.path, text, names)

        usual = sum(self._reach[name][0] for name in names)
        status, said = _in_fork(trial, _MORE + _TIMES * usual)
        if status in (-signal.SIGXCPU, -signal.SIGKILL):
            return MutantOutcome.TIMEOUT, ""
        if status != 0 or said:
            return MutantOutcome.KILLED, said
        return MutantOutcome.SURVIVED, ""

    def _exchange(self, mutant: Mutant, text: str) -> bool:
        """Give the functions of a module the code they have in another text of it; False where it is none."""
        file = str(mutant.path.resolve())
        known = self._functions.get((file, mutant.place.function), [])
        changed: list[tuple[FunctionType, CodeType]] = []
        for name, codes in _codes(compile(text, file, "exec", dont_inherit=True)).items():
            if name != mutant.place.function and not name.startswith(f"{mutant.place.function}."):
                continue
            functions = self._functions.get((file, name), [])
            # A property and its setter have one name; their order in the file tells them apart.
            lines = sorted({function.__code__.co_firstlineno for function in functions})
            if functions and len(lines) != len(codes):
                return False
            changed += [
                (function, codes[lines.index(function.__code__.co_firstlineno)]) for function in functions
            ]
        if not known or any(len(f.__code__.co_freevars) != len(code.co_freevars) for f, code in changed):
            return False
        for function, code in changed:
            function.__code__ = code
        return True


def quicken() -> None:
    """Let tests find a mutant as quickly and as steadily as they can."""
    settings.register_profile(
        "mutants",
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.explicit, Phase.generate),  # the smallest example that fails is of no interest
        report_multiple_bugs=False,
    )
    settings.load_profile("mutants")
    # What tests start in a process of its own would not see the mutant, nor would a cache.
    os.environ["CALLINT_CACHE"] = ""
    running = sys.modules["tests.running"]
    in_process = functools.partial(running.call, CALLINT_CACHE="")
    running.call = running.run = in_process  # type: ignore[attr-defined]


def _passes(item: pytest.Item) -> bool:
    return all(report.passed for report in runtestprotocol(item, log=False, nextitem=None))


def _codes(module: CodeType) -> dict[str, list[CodeType]]:
    """The code of all functions in a module, by qualified name, in the order of the file."""
    result: dict[str, list[CodeType]] = defaultdict(list)
    waiting = [module]
    while waiting:
        code = waiting.pop(0)
        for constant in code.co_consts:
            if isinstance(constant, CodeType):
                result[constant.co_qualname].append(constant)
                waiting.append(constant)
    return result


def _lines_with(text: str, names: Iterable[str]) -> list[int]:
    chosen_names = {*names}
    lines = enumerate(text.splitlines(), 1)
    return [number for number, line in lines if not chosen_names.isdisjoint(re.findall(r"\w+", line))]


def _is_own(module: ModuleType) -> bool:
    """Whether a module is of the project, and not of what tries the mutants."""
    file = getattr(module, "__file__", None)
    if (
        file is None
        or module.__name__ in {"__main__", "tests"}
        or module.__name__.startswith("tests.mutation")
    ):
        return False
    return Path(file).is_relative_to(Path.cwd()) and not Path(file).is_relative_to(sys.prefix)


class _Loader(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, text: str) -> None:
        super().__init__(name, path)
        self._text = text

    def get_code(self, fullname: str) -> CodeType:
        return compile(self._text, self.path, "exec", dont_inherit=True)


class _Finder(importlib.abc.MetaPathFinder):
    """Finds one module, with a text of ours."""

    def __init__(self, path: Path, text: str) -> None:
        self._name = ".".join(path.with_suffix("").parts).removesuffix(".__init__")
        self._path, self._text = str(path.resolve()), text

    def find_spec(self, fullname: str, path: object, target: object = None) -> ModuleSpec | None:
        if fullname != self._name:
            return None
        loader = _Loader(fullname, self._path, self._text)
        return importlib.util.spec_from_file_location(fullname, self._path, loader=loader)


class _Again:
    """A plugin of pytest that only does what Trials does before it collects."""

    def pytest_collection(self) -> None:
        quicken()


def _anew(path: Path, text: str, names: list[str]) -> str:
    """Import everything with another text of one module, and run tests: "" where they pass."""
    for name in [name for name, module in sys.modules.items() if _is_own(module)]:
        del sys.modules[name]
    sys.meta_path.insert(0, _Finder(path, text))
    importlib.import_module("tests.running")
    arguments = ["-x", "-q", "-s", "-p", "no:cacheprovider", "-W", "ignore:Module already", "--tb=no", *names]
    return "" if pytest.main(arguments, plugins=[_Again()]) == 0 else "with all imported anew"


def _in_fork(work: Callable[[], str], seconds: float | None) -> tuple[int, str]:
    """Do work in a process of its own: how it ended (below 0 by which signal), and what it said.

    ``seconds`` is the most CPU time; a process that waits for ever is ended after ten times as long.
    """
    folder = Path(tempfile.mkdtemp(prefix="callint-mutant-"))
    said = folder / "said"
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.setsid()
            if seconds is not None:
                taken = time.process_time()
                resource.setrlimit(resource.RLIMIT_CPU, (int(taken + seconds + 1), int(taken + seconds + 3)))
                size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
                resource.setrlimit(resource.RLIMIT_AS, (size + _MEMORY, size + _MEMORY))
            nowhere = os.open(os.devnull, os.O_RDWR)
            for number in range(3):
                os.dup2(nowhere, number)
            tempfile.tempdir = os.environ["TMPDIR"] = str(folder)
            said.write_text(work(), "utf-8")
            status = 0
        finally:
            os._exit(status)
    deadline = time.monotonic() + 10 * seconds if seconds is not None else float("inf")
    pause = 0.002
    while True:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            break
        if time.monotonic() > deadline:
            os.killpg(child, signal.SIGKILL)
        time.sleep(pause)
        pause = min(2 * pause, 0.05)
    text = said.read_text("utf-8") if said.exists() else ""
    shutil.rmtree(folder, ignore_errors=True)
    return os.waitstatus_to_exitcode(status), text


def _digest(paths: Iterable[Path]) -> str:
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()
