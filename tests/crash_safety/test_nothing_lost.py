"""Whatever stops a command that writes, every file is the old or the new one, and nothing is left over."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from callint.reading import locks
from tests.building import u16
from tests.hostile.repository import A2L, BASE, DEFINITION, HERON, LIST, VALUES, WAIVED
from tests.reviewing import signed_review
from tests.running import (
    BAD,
    GOOD,
    HULL,
    REPOSITORY,
    Result,
    Scratch,
    call,
    edited,
    environment,
    folder_for_copies,
    fuel_cell,
    initialize,
    make_repository_yard,
    run,
    run_python,
    run_together,
    yard_definition,
)

pytestmark = pytest.mark.skipif(os.name == "nt", reason="processes are forked and killed")

_APART = edited(GOOD, {HULL: b"AUK         "})
_CONTRARY = edited(GOOD, {fuel_cell(1, 1): u16(470)})


def yard(root: Path) -> Scratch:
    made = make_repository_yard(root, heron=GOOD, auk=_APART, crow=_CONTRARY, owl=GOOD)
    made.write("engine.a2l", A2L)
    made.write("list.csv", LIST)
    made.write("values.csv", VALUES)
    made.write("ours.xml", yard_definition().replace(b'max="90"', b'max="91"'))
    made.write("theirs.xml", yard_definition().replace(b'max="90"', b'max="92"'))
    made.write(HERON, edited(BAD, {0x90: b"\0\0"}, seal=False))
    return made


def set_up(root: Path) -> None:
    assert initialize(yard(root)).status == 0


def committed_yard(root: Path) -> Scratch:
    return make_repository_yard(root, owl=GOOD)


def reviewed_yard(root: Path) -> None:
    """A yard with what a reviewer of a boat saved."""
    made = yard(root)
    made.write("heron.sign-off.json", signed_review(made))


def yard_with_folder(root: Path) -> None:
    committed_yard(root)
    (root / "release").mkdir()


def nothing(root: Path) -> None:
    root.mkdir()


def in_a_folder(root: Path) -> None:
    (root / "skerry-demo").mkdir(parents=True)


MERGE = ("merge", BASE, "boats/owl.bin", "boats/crow.bin", "--to", "boats/new.bin")


def merged_before(root: Path) -> None:
    """A yard with the image and the lists of conflicts of an earlier merge."""
    made = yard(root)
    assert made.call(*MERGE).status == 1
    made.write("boats/crow.bin", edited(GOOD, {fuel_cell(1, 1): u16(480), fuel_cell(2, 1): u16(490)}))


#: What is there before, and the command.
COMMANDS: dict[str, tuple[Callable[[Path], Any], tuple[str, ...]]] = {
    "init": (yard, ("init",)),
    "init --undo": (set_up, ("init", "--undo")),
    "waive": (yard, WAIVED),
    "waive --from-review": (reviewed_yard, ("waive", "--from-review", "heron.sign-off.json")),
    "seal": (yard, ("seal", HERON)),
    "set": (yard, ("set", HERON, "overspeed_cut", "--to", "4100")),
    "apply": (yard, ("apply", HERON, "values.csv")),
    "restore": (yard, ("restore", HERON, "--table", "fuel")),
    "merge": (yard, ("merge", BASE, "boats/auk.bin", BASE, "--to", "merged.bin")),
    "merge with conflicts": (yard, MERGE),
    "merge with conflicts again": (merged_before, MERGE),
    "merge of definitions": (yard, ("merge", DEFINITION, "ours.xml", "theirs.xml", "--to", "merged.xml")),
    "merge driver": (yard, ("merge", "--driver", "--", BASE, "boats/owl.bin", "boats/crow.bin", HERON)),
    "carry": (yard, ("carry", BASE, "boats/auk.bin", BASE, "--to", "carried.bin")),
    "relocate": (yard, ("relocate", BASE, BASE, "--to", "defs/relocated.xml")),
    "import": (yard, ("import", "engine.a2l")),
    "import of a list": (yard, ("import", "list.csv", "--byte-order", "big")),
    "export": (yard, ("export", DEFINITION)),
    "review --output": (yard, ("review", BASE, HERON, "--output", "review.html")),
    "explain": (yard, ("explain", BASE, HERON, "--output", "explained.html")),
    "fleet --output": (yard, ("fleet", "--format", "html", "--output", "fleet.html")),
    "check --output": (yard, ("check", "--format", "json", "--output", "report.json")),
    "diff --output": (yard, ("diff", BASE, HERON, "--format", "json", "--output", "report.json")),
    "show --output": (yard, ("show", HERON, "--format", "json", "--output", "report.json")),
    "release": (committed_yard, ("release", "boats/owl.bin", "--to", "release")),
    "release into a folder": (yard_with_folder, ("release", "boats/owl.bin", "--to", "release")),
    "show --definition --output": (yard, ("show", "--definition", "defs/yard.xml", "--output", "flat.xml")),
}

DEMO: dict[str, tuple[Callable[[Path], Any], tuple[str, ...]]] = {
    "demo": (nothing, ("demo",)),
    "demo into a folder": (in_a_folder, ("demo",)),
}


def contents(root: Path) -> dict[str, bytes]:
    """All files but those that git keeps for itself, whose numbers and times differ from run to run."""
    actual = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root).as_posix()
        is_gits = re.match(
            r"(?:.*/)?\.git/(?!config$|hooks/pre(?:-commit|-merge-commit|-applypatch|pare-commit-msg)$|callint)",
            name,
        )
        if path.is_file() and not is_gits:
            actual[name] = path.read_bytes()
            if name.endswith(".git/config"):  # what is put back stands in another order, which means nothing
                actual[name] = b"".join(sorted(actual[name].splitlines(keepends=True)))
    return actual


@cache
def _cache() -> str:
    """A cache for all these commands: their first run fills it, so that no other run writes to it."""
    return str(folder_for_copies())


def faulted(folder: Path, faults: tuple[str, ...], command: tuple[str, ...]) -> list[list[dict[str, Any]]]:
    """What every fault led to at each step; ``start`` in the folder is what the command begins with."""
    arguments = ("tests.crash_safety.faults", str(folder), ",".join(faults), *command)
    done = run_python("-m", *arguments, cwd=REPOSITORY, env=environment(CALLINT_CACHE=_cache()))
    assert done.status == 0, done.stderr
    for result in done.data.values():
        assert all(item["again"] in (0, 1) for item in result), result
    return [done.data[fault] for fault in faults]


def without_a_fault(folder: Path) -> dict[str, bytes]:
    """What the command left behind in the run whose steps ``faulted`` counted."""
    return contents(folder / "counted")


def cleanly(folder: Path, arguments: tuple[str, ...]) -> dict[str, bytes]:
    """What the command leaves behind when nothing stops it."""
    shutil.copytree(folder / "start", folder / "clean", symlinks=True)
    result = run(*arguments, cwd=folder / "clean")
    assert result.status in (0, 1), result
    return contents(folder / "clean")


def is_litter(name: str) -> bool:
    return re.search(r"(?:^|/)\.[^/]+\.[a-z0-9_]{8}\.part(?:/|$)", name) is not None


#: Those that also meet the error of a disk on which they may not write.
FORBIDDEN = ("seal", "init")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_that_is_stopped_leaves_every_file_old_or_new_and_the_next_clears_up(
    tmp_path: Path, name: str
) -> None:
    make, arguments = COMMANDS[name]
    make(tmp_path / "start")
    errors = ("ENOSPC", "EACCES:kinds") if name in FORBIDDEN else ("ENOSPC",)
    killed, *failed = faulted(tmp_path, ("kill", *errors), arguments)
    new = without_a_fault(tmp_path)
    assert new != contents(tmp_path / "start"), "the command writes nothing, so that this proves nothing"
    assert_killed_harmlessly(tmp_path, killed)
    for result in failed:
        assert_failed_harmlessly(tmp_path, result)


def assert_killed_harmlessly(folder: Path, result: list[dict[str, Any]]) -> None:
    """That each file is the old or the new one after every kill, and the next run clears up."""
    old, new = contents(folder / "start"), without_a_fault(folder)
    assert len(result) >= 5
    left = cache(lambda name: contents(folder / name))  # several faults leave the same state
    for item in result:
        assert item["status"] == -9
        after = left(item["left"])
        for path, data in after.items():
            whole = data in (old.get(path), new.get(path))
            assert whole or is_litter(path) or path == ".git/config", (item["step"], path)
        assert not (old.keys() & new.keys()) - after.keys(), item["step"]
        again = left(item["after"])
        assert again == new, (item, sorted(again.keys() ^ new.keys()))
    killed = result.pop()
    (copied,) = (item["left"] for item in result if item["at"] == killed["at"])
    assert without_random(left(killed["left"])) == without_random(left(copied))


def without_random(files: dict[str, bytes]) -> dict[str, bytes]:
    """Files with the same names for the same temporary files."""
    return {re.sub(r"[a-z0-9_]{8}(?=\.part)", "*", name): data for name, data in files.items()}


def assert_failed_harmlessly(folder: Path, result: list[dict[str, Any]]) -> None:
    """That a command that cannot write says so and leaves nothing."""
    old, new = contents(folder / "start"), without_a_fault(folder)
    assert len(result) >= 3
    left = cache(lambda name: contents(folder / name))
    for item in result:
        after = left(item["left"])
        if item["step"].startswith("os.remove") and is_litter(item["step"]):
            # What cannot be removed stays until the next run, which removes it.
            after = {path: data for path, data in after.items() if not is_litter(path)}
        assert not any(map(is_litter, after)), item
        assert item["status"] in (0, 1, 2), item
        for path, data in after.items():
            assert data in (old.get(path), new.get(path)), (item, path)
        # What belongs together, as a merged image and its list of conflicts, is there or not.
        assert after in (old, new), item
        if item["status"] == 2:
            assert item["said"].startswith("callint"), item
            assert len(item["said"].splitlines()) == 1, item
        assert left(item["after"]) == new, item


@pytest.mark.parametrize("name", DEMO)
def test_a_killed_demo_is_repeated_or_finished_by_the_next(tmp_path: Path, name: str) -> None:
    make, arguments = DEMO[name]
    make(tmp_path / "start")
    # At the end the complete demo is marked and moved, or, into a folder, its files one after another.
    (result,) = faulted(tmp_path, ("kill:2",), arguments)
    wanted = {path for path in without_a_fault(tmp_path) if not path.startswith("skerry-demo/.git/")}
    for item in result:
        again = contents(tmp_path / item["after"])
        assert item["again"] == 0, item
        assert {path for path in again if not path.startswith("skerry-demo/.git/")} == wanted, item


# Real disks and users


def as_nobody(folder: Path, *arguments: str) -> Result:
    """A command as a user who owns nothing."""
    return run_python(
        "-m", "tests.crash_safety.as_nobody", str(folder), *arguments, cwd=REPOSITORY, env=environment()
    )


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only the superuser can become nobody"
)
@pytest.mark.parametrize("name", ["seal", "waive", "merge", "carry", "relocate", "import", "check --output"])
def test_without_permission_a_command_reports_it_and_changes_nothing(name: str) -> None:
    import tempfile

    make, arguments = COMMANDS[name]
    with tempfile.TemporaryDirectory(prefix="callint-nobody-") as folder:
        Path(folder).chmod(0o755)
        root = Path(folder) / "yard"
        make(root)
        old = contents(root)
        result = as_nobody(root, *arguments)
        assert contents(root) == old
        assert "cannot be written" in result.error


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A disk of a size at most; the test is skipped where none can be had."""
    disk = folder / "disk"
    disk.mkdir()
    mounted = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(disk)], capture_output=True, check=False
    )
    if not mounted or mounted.returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def fill(disk: Path, but: int = 0) -> Path:
    """A file that takes all room on a disk but some bytes."""
    path = disk / "filler"
    with path.open("wb", buffering=0) as filler:
        try:
            while True:
                filler.write(b"x" * 4096)
        except OSError:
            pass
        filler.truncate(max(0, filler.tell() - but))
    return path


def test_on_a_full_disk_the_old_files_stay(tmp_path: Path) -> None:
    with small_disk(tmp_path, "2m") as disk:
        root = disk / "yard"
        yard(root)
        old = contents(root)
        fill(disk)
        for arguments in (arguments for make, arguments in COMMANDS.values() if make is yard):
            result = call(*arguments, cwd=root)
            assert result.status in (1, 2), result
            assert contents(root) == old, arguments


@pytest.mark.parametrize("has_older", [False, True])
def test_on_a_disk_that_runs_full_a_merge_has_its_lists_or_is_not_there(
    tmp_path: Path, has_older: bool
) -> None:
    _, arguments = COMMANDS["merge with conflicts"]
    with small_disk(tmp_path, "2m") as disk:
        root = disk / "yard"
        made = yard(root)
        if has_older:
            assert made.call(*arguments).status == 1
            other = edited(GOOD, {fuel_cell(1, 1): u16(480), fuel_cell(2, 1): u16(490)})
            made.write("boats/crow.bin", other)
        old = contents(root)
        result = made.call(*arguments)
        assert result.status == 1
        new = contents(root)
        written = [path for path in new if new[path] != old.get(path)]
        assert len(written) == 3 and sum("conflicts" in path for path in written) == 2
        ends = set()
        for pages in range(12):
            for path in written:
                (root / path).unlink(missing_ok=True)
                if path in old:
                    (root / path).write_bytes(old[path])
            filler = fill(disk, 4096 * pages)
            result = made.call(*arguments)
            after = contents(root)
            assert after == (new if result.status == 1 else old), (pages, result)
            ends.add(result.status)
            filler.unlink()
        assert ends == {1, 2}


@pytest.mark.parametrize(
    "name",
    sorted(
        COMMANDS.keys()
        - {
            "init --undo",
            "import",
            "import of a list",
            "export",
            "waive",
            "waive --from-review",
            "merge with conflicts again",
        }
    ),
)
def test_several_at_once_end_as_one_does(tmp_path: Path, name: str) -> None:
    make, arguments = COMMANDS[name]
    make(tmp_path / "start")
    new = cleanly(tmp_path, arguments)
    for result in run_together(*[arguments] * 4, cwd=tmp_path / "start"):
        assert result.status in (0, 1, 2), result
        assert "Traceback" not in result.stderr
    assert contents(tmp_path / "start") == new


def waiving(boat: str) -> tuple[str, ...]:
    return tuple(f"boats/{boat}.bin" if word == HERON else word for word in WAIVED)


def boats(root: Path, names: str) -> Scratch:
    """A yard with boats that all have a finding which may be waived."""
    scratch = yard(root)
    for name in names:
        scratch.write(f"boats/{name}.bin", edited(GOOD, {fuel_cell(1, 1): u16(9990)}))
    return scratch


def test_waivers_that_are_given_at_once_all_stand(tmp_path: Path) -> None:
    names = "abcdef"
    boats(tmp_path, names)
    for result in run_together(*map(waiving, names), cwd=tmp_path):
        assert result.status == 0, result
    text = (tmp_path / "callint.toml").read_text("utf-8")
    assert sorted(re.findall(r"boats/([a-f])\.bin", text)) == list(names)


def test_the_same_waiver_added_at_once_is_written_once(tmp_path: Path) -> None:
    boats(tmp_path, "a")
    results = run_together(*[waiving("a")] * 4, cwd=tmp_path)
    assert sorted(result.status for result in results) == [0, 2, 2, 2]
    assert all("is already waived here" in result.stderr for result in results if result.status)
    assert (tmp_path / "callint.toml").read_text("utf-8").count("[[waivers]]") == 1


class Another:
    """Another run, which has a folder locked until somebody waits for it, and then does something."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, *deeds: Callable[[], Any]) -> None:
        self.folder = folder
        self.deeds = list(deeds)
        self.handle = os.open(folder, os.O_RDONLY)
        assert locks.lock(self.handle)
        # Only for locks: whoever waits for a program sleeps too.
        clock = SimpleNamespace(monotonic=time.monotonic, sleep=self.waited_for)
        monkeypatch.setattr(locks, "time", clock)

    def waited_for(self, seconds: float) -> None:
        if self.deeds:
            self.deeds.pop(0)()
        else:
            os.close(self.handle)


def test_a_waiver_is_added_to_what_another_run_wrote_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch = boats(tmp_path / "start", "ab")
    shutil.copytree(scratch.root, tmp_path / "other")
    assert call(*waiving("b"), cwd=tmp_path / "other").status == 0
    others = (tmp_path / "other" / "callint.toml").read_text("utf-8")
    Another(scratch.root, monkeypatch, lambda: scratch.write("callint.toml", others))
    assert scratch.call(*waiving("a")).status == 0
    text = (scratch.root / "callint.toml").read_text("utf-8")
    assert text.startswith(others) and "boats/a.bin" in text.removeprefix(others)


def test_a_finding_is_judged_again_if_the_policy_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch = boats(tmp_path, "a")
    off = (tmp_path / "callint.toml").read_text("utf-8") + '\n[severity]\n"value/out-of-range" = "off"\n'
    Another(tmp_path, monkeypatch, lambda: scratch.write("callint.toml", off))
    assert "no such finding" in scratch.call(*waiving("a")).error
    assert (tmp_path / "callint.toml").read_text("utf-8") == off


def test_an_image_is_sealed_as_another_run_left_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scratch = yard(tmp_path)
    later = edited(GOOD, {fuel_cell(2, 2): u16(710), 0x90: b"\0\0"}, seal=False)
    Another(tmp_path / "boats", monkeypatch, lambda: scratch.write(HERON, later))
    assert scratch.call("seal", HERON).status == 0
    assert (tmp_path / HERON).read_bytes() == edited(later, {})


@pytest.mark.parametrize(
    ("arguments", "folder"),
    [
        (WAIVED, "."),
        (("seal", HERON), "boats"),
        (("set", HERON, "overspeed_cut", "--to", "4100"), "boats"),
        (("restore", HERON, "--table", "fuel"), "boats"),
        (COMMANDS["merge with conflicts"][1], "boats"),
        (("init",), ".git"),
        (("init", "--undo"), ".git"),
    ],
)
def test_a_command_that_never_gets_the_lock_reports_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], folder: str
) -> None:
    scratch = yard(tmp_path)
    old = contents(tmp_path)
    Another(tmp_path / folder, monkeypatch, *[lambda: None] * 1000)
    monkeypatch.setattr(locks, "PATIENCE", 0)
    assert "another run keeps its folder locked" in scratch.call(*arguments).error
    assert contents(tmp_path) == old


def test_a_run_that_was_killed_while_it_had_a_turn_keeps_nobody_out(tmp_path: Path) -> None:
    scratch = boats(tmp_path, "a")
    program = (
        "import os, sys, time\n"
        "from callint.reading.locks import lock\n"
        "assert lock(os.open(sys.argv[1], os.O_RDONLY))\n"
        "print('locked', flush=True)\n"
        "time.sleep(600)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(tmp_path)], env=environment(), stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout and holder.stdout.readline() == b"locked\n"
        holder.kill()
    assert scratch.call(*waiving("a")).status == 0


def test_no_lock_leaves_a_file_in_the_repository(tmp_path: Path) -> None:
    scratch = boats(tmp_path, "a")
    scratch.commit()
    for arguments in (waiving("a"), ("seal", HERON), COMMANDS["merge with conflicts"][1]):
        assert scratch.call(*arguments).status in (0, 1)
    changed = scratch.must("status", "--porcelain", "--untracked-files=all").split()[1::2]
    assert sorted(changed) == [
        "boats/heron.bin",
        *(f"boats/new.bin{ending}" for ending in ("", ".conflicts.json", ".conflicts.txt")),
        "callint.toml",
    ]
