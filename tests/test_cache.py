"""The cache: its answers, the entries that it rejects, and that no result depends on it."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from enum import EnumType
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.model import definition as model
from callint.model.finding import Cell, Finding, Severity
from callint.reading import cache, serialize
from callint.reading import definition as reader
from callint.reading.definition import read_definition, read_family
from callint.reading.definition_cache import open_definition
from callint.reading.definition_file import DefinitionFile
from callint.reading.family import Family
from callint.reading.serialize import UnknownFormError, pack, unpack
from tests.example_counts import examples
from tests.running import BAD as WITH_SLIP
from tests.running import (
    GOOD,
    REPOSITORY,
    Result,
    Yard,
    call,
    environment,
    make_demo,
    make_repository_yard,
    yard_definition,
)
from tests.test_definition_xml import DEMO, LABELS, NAMES, REALS, definitions, written

EXAMPLE = DEMO.read_bytes()
#: A short definition with every element and attribute.
COMPLETE = (REPOSITORY / "tests" / "data" / "example.xml").read_bytes()
BROKEN = EXAMPLE.replace(b'type="uint16"', b'type="uint17"', 1).replace(b"<limits", b"<limit", 1)
WRONG = [BROKEN, EXAMPLE[:4000], b"", b"<definition/>", b"\xff\xfe", b"<!DOCTYPE x><x/>"]

posix = pytest.mark.skipif(os.name != "posix", reason="links, pipes and modes as POSIX has them")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for the cache, which does not exist yet."""
    place = tmp_path / "kept" / "callint"
    monkeypatch.setenv("CALLINT_CACHE", str(place))
    return place


@pytest.fixture
def readings(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The paths of all definitions that are read from their XML."""
    result: list[str] = []

    def read(family: Family, open_parent: reader.Opener | None = None) -> DefinitionFile:
        result.append(family.path)
        return read_family(family, open_parent)

    monkeypatch.setattr(reader, "read_family", read)
    return result


def entries(folder: Path) -> list[Path]:
    return sorted(folder.iterdir())


def same(item: object, other: object) -> bool:
    """Whether two are the same to the letter: 1 is not 1.0 here, and 0.0 not -0.0."""
    return item == other and repr(item) == repr(other)


# What is packed


# To make a definition takes far longer than to pack it.
@given(definitions())
@examples(40)
def test_any_definition_is_unpacked_as_it_was_packed_and_with_its_lines(definition: object) -> None:
    (result,) = unpack(pack([definition]))
    assert same(result, definition)
    read = read_definition(written(definition), "made.xml")  # type: ignore[arg-type]
    result = unpack(pack([read.definition, *read.problems]))
    assert same(result, (read.definition, *read.problems))


FINDINGS = st.builds(
    Finding,
    rule=NAMES,
    message=st.text(),
    severity=st.sampled_from(Severity),
    subject=st.text(),
    line=st.none() | st.integers(),
    cell=st.none() | st.builds(Cell, st.integers(), st.integers()),
    at=st.dictionaries(NAMES, st.floats(allow_nan=False)),
    address=st.none() | st.integers(0, 2**64),
    raw=st.none() | st.integers() | REALS,
    physical=st.none() | st.floats(allow_nan=False),
    unit=LABELS,
    protective=st.booleans(),
)


@given(st.lists(FINDINGS, max_size=5))
@examples(40)
def test_any_findings_are_unpacked_as_they_were_packed(findings: list[Finding]) -> None:
    assert same(unpack(pack(findings)), tuple(findings))


#: The example with a decimal address among its hexadecimal ones.
DECIMAL = EXAMPLE.replace(b'at="0x40516"', b'at="40516"')
FILES = (EXAMPLE, DECIMAL, *WRONG)


@pytest.mark.parametrize("data", FILES, ids=range(len(FILES)))
def test_a_file_is_the_same_from_the_cache_with_all_that_is_wrong_with_it(
    data: bytes, folder: Path, readings: list[str]
) -> None:
    expected = read_family(Family("defs/one.xml", data))
    first, second = (open_definition(data, "defs/one.xml") for _ in range(2))
    assert same(first, expected)
    assert same(second, expected)
    assert bool(second.decimal_addresses) == (data == DECIMAL)
    assert readings == ["defs/one.xml"]


def test_findings_name_the_path_under_which_the_file_lies_now(folder: Path) -> None:
    open_definition(BROKEN, "old.xml")
    assert {problem.definition for problem in open_definition(BROKEN, "new.xml").problems} == {"new.xml"}


def test_every_class_of_a_definition_can_be_packed() -> None:
    actual = {
        item for item in vars(model).values() if dataclasses.is_dataclass(item) and isinstance(item, type)
    }
    assert actual <= set(serialize._CLASSES)
    enums = {item for item in vars(model).values() if isinstance(item, EnumType) and len(item)}
    assert enums <= set(serialize._ENUMS)


@pytest.mark.parametrize("physical", [1j, np.float64(1), [1.0]])
def test_values_that_would_not_read_back_unchanged_are_not_packed(physical: Any) -> None:
    with pytest.raises(TypeError):
        pack([Finding(rule="x", message="y", physical=physical)])
    with pytest.raises(TypeError):
        pack([Finding(rule="x", message="y", at={"speed": physical})])


def test_an_object_outside_the_model_is_not_packed() -> None:
    with pytest.raises(KeyError):
        pack([object()])


# What is not believed


def damaged(content: bytes) -> Iterator[bytes]:
    """An entry with every kind of damage: to the first line, the sum, and each kind of byte after them."""
    yield b""
    yield content[:-1]
    yield content[: len(content) // 2]
    yield content + b" "
    yield content[1:]
    yield b"\0" * len(content)
    yield content.replace(b"cache 1", b"cache 2", 1)
    head = content.index(b"\n") + 1
    places = {0, head - 1, head, head + 31, head + 32, len(content) - 1}
    places |= {content.index(sort, head + 32) for sort in (b"[", b"]", b",", b'"', b"0", b"a", b"_")}
    for place in places:
        yield content[:place] + bytes([content[place] ^ 1]) + content[place + 1 :]


def test_a_damaged_entry_is_replaced_and_changes_nothing(folder: Path, readings: list[str]) -> None:
    expected = open_definition(COMPLETE, "one.xml")
    (entry,) = entries(folder)
    whole = entry.read_bytes()
    for content in damaged(whole):
        entry.write_bytes(content)
        readings.clear()
        assert same(open_definition(COMPLETE, "one.xml"), expected)
        assert readings == ["one.xml"]
        assert entries(folder) == [entry]
        assert entry.read_bytes() == whole


def with_sum(content: bytes) -> bytes:
    """An entry with any content and the right sum."""
    cache.store(lambda: content, "forged")
    name = cache._name("forged", ())
    place = Path(os.environ["CALLINT_CACHE"]) / name
    whole = place.read_bytes()
    place.unlink()
    return whole


def forged() -> Iterator[bytes]:
    """Contents that were made by somebody else: of other forms, and with places that lead nowhere."""
    yield from (b"", b"{}", b"[]", b"[[],[]]", b"null", b"[" * 100_000, b"1" * 5000, b"\xff", b'[[],["x"]]')
    tables, roots = json.loads(pack([read_definition(COMPLETE, "").definition]))
    yield json.dumps([tables[:-1], roots]).encode()
    yield json.dumps([tables, []]).encode()
    yield json.dumps([tables, [-1]]).encode()
    yield json.dumps([tables, [10**9]]).encode()
    yield json.dumps([tables, [roots[0] - 1]]).encode()
    for number, columns in enumerate(tables):
        if not columns:
            continue
        for wrong in (
            columns[:-1],
            [[9, columns[0][1]], *columns[1:]],
            [[0, columns[0][1] * 2], *columns[1:]],
        ):
            yield json.dumps([[*tables[:number], wrong, *tables[number + 1 :]], roots]).encode()


def test_an_entry_of_another_form_is_replaced_and_changes_nothing(folder: Path, readings: list[str]) -> None:
    expected = open_definition(COMPLETE, "one.xml")
    (entry,) = entries(folder)
    whole = entry.read_bytes()
    for content in forged():
        entry.write_bytes(with_sum(content))
        readings.clear()
        assert same(open_definition(COMPLETE, "one.xml"), expected), content[:80]
        assert readings == ["one.xml"], content[:80]
        assert entry.read_bytes() == whole


def test_a_reference_before_the_first_object_is_invalid() -> None:
    with pytest.raises(UnknownFormError):
        unpack(json.dumps([[[] for _ in range(29)], [-1]]).encode())


def test_the_entry_of_another_definition_is_not_taken_for_this_one(folder: Path) -> None:
    other = EXAMPLE.replace(b'revision="', b'revision="1', 1)
    open_definition(EXAMPLE, "one.xml")
    (mine,) = entries(folder)
    open_definition(other, "one.xml")
    (theirs,) = set(entries(folder)) - {mine}
    mine.write_bytes(theirs.read_bytes())
    assert same(open_definition(EXAMPLE, "one.xml"), read_definition(EXAMPLE, "one.xml"))


def test_another_version_of_the_program_has_entries_of_its_own(
    folder: Path, readings: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    open_definition(EXAMPLE, "one.xml")
    try:
        with monkeypatch.context() as other:
            other.setattr(cache, "__version__", "99.0")
            cache._program_state.cache_clear()
            open_definition(EXAMPLE, "one.xml")
    finally:
        cache._program_state.cache_clear()
    assert len(readings) == 2
    assert len(entries(folder)) == 2


def test_every_file_that_makes_an_entry_belongs_to_the_state_of_the_program() -> None:
    top = Path(cache.__file__).parent.parent
    stamped = {stamp.partition(" ")[0] for stamp in cache._stamps(top)}
    for layer in ("model", "reading", "decoding", "comparing", "rules", "checking"):
        made = {*(top / layer).glob("*.py")}
        if layer in ("reading", "rules"):
            made = {*(top / layer).rglob("*.py")}
        assert {path.name for path in made} <= stamped


@posix
def test_a_link_is_not_followed_and_its_target_stays_unchanged(folder: Path, tmp_path: Path) -> None:
    expected = open_definition(EXAMPLE, "one.xml")
    (entry,) = entries(folder)
    target = tmp_path / "elsewhere"
    entry.rename(target)
    entry.symlink_to(target)
    before = target.read_bytes()
    assert cache._content(target) is not None
    with pytest.raises(OSError, match="symbolic"):
        cache._content(entry)
    assert same(open_definition(EXAMPLE, "one.xml"), expected)
    assert not entry.is_symlink()
    assert target.read_bytes() == before


@posix
def test_a_pipe_in_the_place_of_an_entry_is_not_waited_for(folder: Path) -> None:
    expected = open_definition(EXAMPLE, "one.xml")
    (entry,) = entries(folder)
    entry.unlink()
    os.mkfifo(entry)
    assert same(open_definition(EXAMPLE, "one.xml"), expected)
    assert entry.is_file()


@posix
def test_a_folder_that_is_a_link_is_not_used(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    folder.parent.mkdir()
    folder.symlink_to(tmp_path / "elsewhere")
    assert same(open_definition(EXAMPLE, "one.xml"), read_definition(EXAMPLE, "one.xml"))
    assert entries(tmp_path / "elsewhere") == []


@posix
@pytest.mark.parametrize("mode", [0o770, 0o702, 0o777])
def test_entries_that_others_may_write_are_not_trusted(folder: Path, readings: list[str], mode: int) -> None:
    open_definition(EXAMPLE, "one.xml")
    (entry,) = entries(folder)
    for place, usual in ((entry, 0o600), (folder, 0o700)):
        place.chmod(mode)
        readings.clear()
        open_definition(EXAMPLE, "one.xml")
        assert readings == ["one.xml"], place
        place.chmod(usual)


@posix
def test_entries_of_another_user_are_not_trusted(
    folder: Path, readings: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    open_definition(EXAMPLE, "one.xml")
    mine = os.geteuid()
    monkeypatch.setattr(os, "geteuid", lambda: mine + 1)
    open_definition(EXAMPLE, "one.xml")
    assert len(readings) == 2


@posix
def test_only_the_user_may_look_into_the_folder(folder: Path) -> None:
    open_definition(EXAMPLE, "one.xml")
    assert folder.stat().st_mode & 0o777 == 0o700
    assert [entry.stat().st_mode & 0o777 for entry in entries(folder)] == [0o600]


# How much is kept


def aged(folder: Path, seconds: float) -> None:
    for entry in entries(folder):
        result = entry.stat()
        os.utime(entry, (result.st_atime - seconds, result.st_mtime - seconds))


def test_the_least_recently_used_entry_is_removed_first(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(4):
        cache.store(lambda: b"x" * 1000, "test", bytes([number]))
        aged(folder, 2 * 86_400)
    assert cache.load("test", b"\0") is not None  # which is a use
    monkeypatch.setattr(cache, "MAX_TOTAL", 3500)
    cache.store(lambda: b"x" * 1000, "test", b"\4")
    there = [number for number in range(5) if cache.load("test", bytes([number])) is not None]
    assert there == [0, 3, 4]
    assert sum(entry.stat().st_size for entry in entries(folder)) <= 3500


def test_an_entry_that_is_too_large_is_neither_kept_nor_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache.store(lambda: b"x" * 5000, "test")
    assert cache.load("test") == b"x" * 5000
    monkeypatch.setattr(cache, "MAX_ENTRY", 3000)
    assert cache.load("test") is None
    cache.store(lambda: b"x" * 3001, "more")
    assert len(entries(folder)) == 1


def test_many_small_entries_stay_near_the_bound_without_a_look_at_all_entries_each_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sweeps: list[Path] = []
    shrink = cache._shrink

    def counted(of: Path) -> None:
        sweeps.append(of)
        shrink(of)

    monkeypatch.setattr(cache, "MAX_TOTAL", 64_000)
    monkeypatch.setattr(cache, "_shrink", counted)
    for number in range(3000):
        cache.store(lambda: b"x" * 100, "test", number.to_bytes(2, "big"))
    # By chance one look for each 1,000 bytes: more than 20,000 bytes without one happen once in e^20.
    size = sum(entry.stat().st_size for entry in entries(folder))
    assert 64_000 * 0.9 < size < 64_000 + 20_000 * 1.5
    assert 150 < len(sweeps) < 600


def test_litter_of_a_process_that_was_ended_is_cleared(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "MAX_TOTAL", 150)  # so small that each entry is a reason to look at all
    cache.store(lambda: b"one", "test")
    old, new = folder / ".a.part", folder / ".b.part"
    old.write_bytes(b"half")
    aged(folder, 2 * 3600)
    new.write_bytes(b"half")
    cache.store(lambda: b"two", "test", b"x")
    assert not old.exists()
    assert new.exists()


# Where it is


def test_an_empty_variable_switches_it_off(monkeypatch: pytest.MonkeyPatch, readings: list[str]) -> None:
    monkeypatch.setenv("CALLINT_CACHE", "")
    cache.store(lambda: pytest.fail("nobody keeps this"), "test")
    for _ in range(2):
        open_definition(EXAMPLE, "one.xml")
    assert len(readings) == 2


def test_a_relative_path_of_the_cache_writes_nothing_into_a_repository(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, readings: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CALLINT_CACHE", "kept")
    for _ in range(2):
        open_definition(EXAMPLE, "one.xml")
    assert len(readings) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform in {"win32", "darwin"}, reason="the XDG specification is for the others")
def test_it_lies_where_the_base_directory_specification_puts_caches(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # XDG Base Directory Specification 0.8: $XDG_CACHE_HOME, $HOME/.cache where it is not set or empty;
    # a path that is not absolute is to be ignored.
    monkeypatch.delenv("CALLINT_CACHE")
    monkeypatch.setenv("HOME", str(tmp_path))
    usual = tmp_path / ".cache"
    for value, expected in (("/var/kept", Path("/var/kept")), ("", usual), ("kept", usual)):
        monkeypatch.setenv("XDG_CACHE_HOME", value)
        assert cache._folder() == expected / "callint"
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert cache._folder() == usual / "callint"


# Nothing depends on it


def test_a_folder_that_cannot_be_made_is_not_missed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_bytes(b"")
    for place in (tmp_path / "file", tmp_path / "file" / "below", Path("/proc/none/callint")):
        monkeypatch.setenv("CALLINT_CACHE", str(place))
        assert same(open_definition(EXAMPLE, "one.xml"), read_definition(EXAMPLE, "one.xml"))
    assert (tmp_path / "file").read_bytes() == b""


@posix
def test_a_full_disk_leaves_nothing_behind(folder: Path) -> None:
    # No file may grow: what a full disk does, as one process sees it.
    program = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from callint.reading.definition_cache import open_definition\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "file = open_definition(Path(sys.argv[1]).read_bytes(), 'one.xml')\n"
        "assert file.definition is not None\n"
    )
    env = environment(CALLINT_CACHE=str(folder))
    subprocess.run([sys.executable, "-c", program, str(DEMO)], env=env, cwd=REPOSITORY, check=True)
    assert entries(folder) == []


HAMMER = """
import sys
from callint.reading import cache
cache.MAX_TOTAL = 20_000
for turn in range(150):
    for number in range(8):
        found = cache.load("test", bytes([number]))
        assert found in (None, bytes([number]) * 4000), "half of an entry"
        if found is None:
            cache.store(lambda: bytes([number]) * 4000, "test", bytes([number]))
"""


def test_processes_that_use_it_at_once_do_not_disturb_each_other(folder: Path) -> None:
    env = environment(CALLINT_CACHE=str(folder))
    running = [
        subprocess.Popen([sys.executable, "-c", HAMMER], env=env, cwd=REPOSITORY, stderr=subprocess.PIPE)
        for _ in range(3)
    ]
    said = [process.communicate()[1] for process in running]
    assert [process.returncode for process in running] == [0, 0, 0], said
    assert [entry.name for entry in entries(folder) if entry.suffix != ".entry"] == []


def test_checks_that_start_at_once_say_the_same_and_leave_one_entry_of_each_kind(
    tmp_path: Path, folder: Path
) -> None:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD, petrel=WITH_SLIP)
    command = [sys.executable, "-m", "callint", "check", "--format", "json"]
    env = environment(CALLINT_CACHE=str(folder))
    running = [subprocess.Popen(command, cwd=yard.root, env=env, stdout=subprocess.PIPE) for _ in range(3)]
    printed = {process.communicate()[0] for process in running}
    assert len(printed) == 1
    assert b"boats/petrel.bin" in printed.pop()
    assert len(entries(folder)) == 3  # the policy, the definition, the findings about it


def outputs(root: Path, folder: Path, *arguments: str) -> list[Result]:
    """The output of a command without a cache, with an empty one, and with a complete one."""
    return [call(*arguments, cwd=root, CALLINT_CACHE=place) for place in ("", str(folder), str(folder))]


def test_the_demo_has_the_same_findings_with_and_without_it(tmp_path: Path) -> None:
    root, folder = make_demo(tmp_path / "yard").root, tmp_path / "kept"
    for arguments in (("check",), ("check", "--format", "json", "--all"), ("diff", "HEAD~1", "HEAD")):
        without, cold, warm = outputs(root, folder, *arguments)
        assert without.stdout
        assert cold == without
        assert warm == without


@pytest.mark.parametrize(
    "path", sorted((REPOSITORY / "tests/data").glob("*.xml")), ids=lambda path: path.stem
)
def test_the_examples_have_the_same_findings_with_and_without_it(path: Path, tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    yard.write(path.name, path.read_bytes())
    without, cold, warm = outputs(yard.root, tmp_path / "kept", "check", path.name, "--format", "json")
    assert without.stdout
    assert cold == without
    assert warm == without


def test_a_definition_that_is_wrong_in_every_way_has_the_same_findings_again(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    text = yard_definition().replace(b'at="0x30"', b'at="0x28"').replace(b'"rpm"', b'"rmp"', 3)
    yard.write("one.xml", text.replace(b'max="60"', b'max="6O"'))
    without, cold, warm = outputs(yard.root, tmp_path / "kept", "check", "one.xml", "--format", "json")
    assert without.status == 1
    assert len(without.data["findings"]) > 2
    assert cold == without
    assert warm == without


def test_a_policy_that_is_wrong_is_wrong_every_time(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path / "yard")
    text = (yard.root / "callint.toml").read_text("utf-8")
    yard.write("callint.toml", text + "\nnonsense = 1\n")
    without, cold, warm = outputs(yard.root, tmp_path / "kept", "check")
    assert "unknown key 'nonsense'" in without.error
    assert cold == without
    assert warm == without


def test_nothing_in_callint_can_run_what_it_reads() -> None:
    # Formats that can hold code, and ways to run text.
    risky = re.compile(r"\b(?:pickle|marshal|shelve|dill|np\.load)\b|(?<![\w.])(?:eval|exec)\(")
    result = []
    for path in sorted((REPOSITORY / "callint").rglob("*.py")):
        text = path.read_text("utf-8")
        lines = (text.count("\n", 0, match.start()) + 1 for match in risky.finditer(text))
        result += [f"{path.relative_to(REPOSITORY)}:{line}" for line in lines]
    assert result == []


def test_a_definition_is_what_its_own_digest_says(folder: Path) -> None:
    file = read_definition(EXAMPLE, "one.xml")
    assert file.definition is not None
    wrong = pack([replace(file.definition, digest="0" * 64)])
    open_definition(EXAMPLE, "one.xml")
    (entry,) = entries(folder)
    entry.write_bytes(with_sum(wrong))
    assert same(open_definition(EXAMPLE, "one.xml"), file)
