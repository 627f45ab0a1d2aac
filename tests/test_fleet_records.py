"""The digests of the tables of many images: exact regardless of earlier reads, and kept between runs."""

from __future__ import annotations

import os
import pickle
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from distributed import LocalCluster

from callint.checking.assignments import assignments
from callint.checking.fleet import groups, record_cache
from callint.checking.fleet.fleet_reader import FleetReader
from callint.checking.fleet.records import RecordTask, pack, read_records
from callint.checking.fleet.table_digests import DIGEST_BYTES, TableDigests
from callint.checking.worker_pool import WorkerPool
from callint.decoding.decode import decode
from callint.decoding.digest import table_digest, text_digest
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import Table, Text
from callint.model.errors import InputError
from callint.model.image import Image, Segment
from callint.reading.definition import read_definition
from callint.reading.workspace import open_workspace
from tests.building import definition_xml, u16
from tests.running import (
    BAD,
    CUT,
    EVERYTHING,
    GOOD,
    TRIM,
    Yard,
    edited,
    make_yard,
    yard_base,
    yard_definition,
)

#: Storage of many kinds: masked bits that share a byte, a stride, columns first, little endian.
_MIXED = definition_xml(
    """
    <scalar name="low_bits" title="t" purpose="general" at="0x10" type="uint8" mask="0x0F"/>
    <scalar name="high_bits" title="t" purpose="general" at="0x10" type="uint8" mask="0xF0"/>
    <curve name="spread" title="t" purpose="general" at="0x12" type="uint8" stride="2">
      <x axis="three"/></curve>
    <map name="columns" title="t" purpose="general" at="0x20" type="uint16" byte-order="little"
      order="y-first"><x axis="three"/><y axis="two"/></map>
    <text name="label" title="t" at="0x30" length="4" encoding="latin-1" purpose="general"/>
    <scalar name="serial" title="t" purpose="general" at="0x38" type="uint16" unit-own="true"/>
    """,
    axes='<axis name="three" signal="speed" at="0x00" type="uint8" count="3"/>'
    '<axis name="two" signal="load" at="0x04" type="uint8" count="2"/>',
)


def loaded(xml: bytes) -> LoadedDefinition:
    file = read_definition(xml, "test.xml")
    assert file.definition is not None and not file.problems, file.problems
    return LoadedDefinition(file, file.definition)


def hexadecimal(digests: TableDigests, image: Image) -> dict[str, str]:
    rows = digests.of(image)
    return {
        table.name: rows[number].tobytes()[:DIGEST_BYTES].hex() for number, table in enumerate(digests.tables)
    }


def expected(definition: LoadedDefinition, image: Image) -> dict[str, str]:
    """The digests that callint show prints."""
    decoded = decode(definition.layout, image)
    tables: list[Table | Text] = [*definition.definition.tables.values()]
    tables += definition.definition.texts.values()
    return {
        table.name: (
            text_digest(image, table) if isinstance(table, Text) else table_digest(decoded, table)
        ).content[: 2 * DIGEST_BYTES]
        for table in tables
        if not table.unit_own
    }


@pytest.mark.parametrize("xml", [_MIXED, yard_definition()], ids=["mixed", "yard"])
def test_a_digest_does_not_depend_on_the_image_that_was_read_before(xml: bytes) -> None:
    definition = loaded(xml)
    size = definition.definition.memory.size
    random = np.random.default_rng(3)
    digests = TableDigests(definition)
    data = bytearray(random.integers(0, 256, size, np.uint8).tobytes())
    for _ in range(60):
        for place in random.integers(0, size, int(random.choice([1, 2, size]))).tolist():
            data[place] = int(random.integers(0, 256))
        image = Image.raw(bytes(data))
        assert hexadecimal(digests, image) == expected(definition, image)


def test_a_table_that_a_partial_image_lacks_has_no_digest() -> None:
    definition = loaded(yard_definition())
    digests = TableDigests(definition)
    part = Image((Segment(0, GOOD[:0x31]), Segment(0x33, GOOD[0x33:0x44])), is_part=True)
    whole = hexadecimal(digests, Image.raw(GOOD))
    found = hexadecimal(digests, part)
    assert {name for name, digest in found.items() if not int(digest, 16)} == {
        "overspeed_cut",
        "monitor",
        "egr",
    }
    assert found["fuel"] == whole["fuel"]


def test_packed_digests_are_the_digests() -> None:
    random = np.random.default_rng(7)
    for images, tables, kinds in ((1, 1, 1), (64, 5, 3), (40, 9, 40), (3, 0, 1), (64, 2, 2**62)):
        rows = random.integers(1, kinds + 1, (images, tables, 2)).astype(np.uint64)
        packed = pack(rows)
        assert (packed.rows() == rows).all()


# The cache


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Yard:
    """A yard of files that are an hour old, and a cache of its own."""
    yard = make_yard(tmp_path / "yard", heron=GOOD, petrel=BAD, skua=EVERYTHING, tern=yard_base())
    monkeypatch.setenv("CALLINT_CACHE", str(tmp_path / "cache"))
    monkeypatch.chdir(yard.root)
    # The change time of a file cannot be set back, so the run seems to begin later.
    later = time.time_ns() + 10**12
    monkeypatch.setattr(time, "time_ns", lambda: later)
    return yard


def read_fleet(pool: WorkerPool | None = None) -> FleetReader:
    workspace = open_workspace()
    fleet = FleetReader(workspace, assignments(workspace.policy, workspace.tree))
    fleet.run(pool)
    return fleet


def groups_of(fleet: FleetReader) -> dict[str, list[int]]:
    return {groups.table.name: groups.numbers.tolist() for groups in fleet.groups.groups(fleet.groups.tables)}


def test_a_second_run_reads_no_image(yard: Yard) -> None:
    first, second = read_fleet(), read_fleet()
    assert (first.read_count, second.read_count) == (4, 0)
    assert groups_of(first) == groups_of(second)
    assert first.records == second.records


def test_only_the_changed_image_is_read_again(yard: Yard) -> None:
    read_fleet()
    yard.write("boats/skua.bin", edited(GOOD, {TRIM: b"\x01"}))
    after = read_fleet()
    assert after.read_count == 1
    groups = groups_of(after)
    assert groups == groups_of_without_cache()
    assert groups["trim"][2] != groups["trim"][0] == groups["trim"][3]


def groups_of_without_cache() -> dict[str, list[int]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CALLINT_CACHE", "")
        return groups_of(read_fleet())


def test_a_change_that_keeps_size_and_modification_time_is_noticed(yard: Yard) -> None:
    path = yard.root / "boats/heron.bin"
    status = path.stat()
    read_fleet()
    path.write_bytes(edited(GOOD, {CUT: u16(4001)}))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert path.stat().st_mtime_ns == status.st_mtime_ns
    assert groups_of(read_fleet()) == groups_of_without_cache()


def test_a_file_that_was_just_written_is_hashed_the_next_time(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    newest = max(path.stat().st_ctime_ns for path in (yard.root / "boats").iterdir())
    monkeypatch.setattr(time, "time_ns", lambda: newest + 10**9)
    assert (read_fleet().read_count, read_fleet().read_count) == (4, 4)
    monkeypatch.setattr(time, "time_ns", lambda: newest + 3 * 10**9)
    assert (read_fleet().read_count, read_fleet().read_count) == (4, 0)


def test_another_definition_or_start_is_another_fleet(yard: Yard) -> None:
    read_fleet()
    yard.write("defs/yard.xml", yard_definition().replace(b'at="0x30"', b'at="0x70"'))
    after = read_fleet()
    assert after.read_count == 4
    assert groups_of(after) == groups_of_without_cache()


def test_images_that_come_and_go_do_not_disturb_the_others(yard: Yard) -> None:
    read_fleet()
    (yard.root / "boats/heron.bin").unlink()
    yard.write("boats/avocet.bin", GOOD)
    after = read_fleet()
    assert after.read_count == 1
    assert groups_of(after) == groups_of_without_cache()


def test_an_unreadable_image_is_read_again(yard: Yard) -> None:
    path = yard.root / "boats/heron.bin"
    path.unlink()
    path.symlink_to("/etc/hostname")
    assert read_fleet().records[0].problem == "a link leads out of the repository"
    assert read_fleet().read_count == 1


@pytest.mark.parametrize("position", [0, 40, -1])
def test_a_damaged_entry_counts_as_absent(yard: Yard, tmp_path: Path, position: int) -> None:
    before = groups_of(read_fleet())
    for entry in (tmp_path / "cache").iterdir():
        data = bytearray(entry.read_bytes())
        data[position] ^= 0xFF
        entry.write_bytes(data)
    after = read_fleet()
    assert after.read_count == 4
    assert groups_of(after) == before


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{}\nx",
        b'{"images": [], "blocks": [[1, 1, 1]]}\n',
        b'{"images": [["a", "00", "d", "", null, "00", 5, 0]], "blocks": []}\nx\x9c\x03\x00\x00\x00\x00\x01',
        b"[" * 100_000,
    ],
)
def test_an_entry_of_another_form_counts_as_absent(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, content: bytes
) -> None:
    monkeypatch.setattr("callint.reading.cache.load", lambda *parts: content)
    assert record_cache.load_bucket(yard.root, 0, 1) == record_cache.Bucket()


# Workers


class _CarryingExecutor(ThreadPoolExecutor):
    """Threads that get every task as bytes, as a cluster's workers do."""

    def submit(self, function, task):  # type: ignore[no-untyped-def, override]
        return super().submit(lambda data: function(pickle.loads(data)), pickle.dumps(task))


@pytest.fixture
def large_yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Yard:
    monkeypatch.setenv("CALLINT_CACHE", "")
    boats = {f"boat_{number:03}": edited(GOOD, {CUT: u16(4000 + number % 7)}) for number in range(150)}
    yard = make_yard(tmp_path / "yard", **boats)
    monkeypatch.chdir(yard.root)
    return yard


@pytest.mark.parametrize("carries_files", [False, True])
def test_workers_find_the_same_groups(large_yard: Yard, carries_files: bool) -> None:
    alone = read_fleet()
    with _CarryingExecutor(2) as executor:
        together = read_fleet(WorkerPool(executor, 2, carries_files, lambda: None))
    assert groups_of(together) == groups_of(alone)
    assert together.records == alone.records


def test_processes_find_the_same_groups(large_yard: Yard) -> None:
    alone, together = (large_yard.run("fleet", "--jobs", jobs, CALLINT_CACHE="") for jobs in ("1", "2"))
    assert together == alone
    assert "150 images" in alone.stdout


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as local:
        yield local.scheduler_address


def test_a_cluster_finds_the_same_groups(large_yard: Yard, cluster: str) -> None:
    alone = large_yard.call("fleet", "--jobs", "1")
    assert large_yard.call("fleet", "--executor", f"dask:{cluster}") == alone


def test_a_worker_refuses_a_task_of_another_version(large_yard: Yard) -> None:
    workspace = open_workspace()
    with pytest.raises(InputError, match="install the same everywhere"):
        read_records(RecordTask("0", "run", workspace, (), {}))


def test_contents_of_tables_are_numbered_exactly_also_if_their_mixes_collide() -> None:
    """Against Python's own dictionaries, with keys that are built to have one mix."""
    random = np.random.default_rng(5)
    keys = np.zeros((4_000, 4), np.uint64)
    keys[:, 0] = random.integers(0, 7, len(keys))  # the rows; row 7 has no key
    keys[:, 1] = random.integers(0, 2, len(keys))
    keys[:, 2] = random.integers(0, 9, len(keys)).astype(np.uint64) << np.uint64(60)
    keys[:, 3] = random.integers(0, 3, len(keys))
    for has_collisions in (False, True):
        if has_collisions:
            keys[:, 2] -= keys[:, 0] * groups._MIX[0] + keys[:, 1] * groups._MIX[1]
        numbers, distinct, first = groups._distinct_keys(keys, 8)
        assert len({tuple(key) for key in distinct.tolist()}) == len(distinct)
        restored = distinct[first[keys[:, 0].astype(int)] + numbers]
        assert restored.tolist() == keys.tolist()
        assert first.tolist() == [int((distinct[:, 0] < row).sum()) for row in range(9)]
