"""Items of a definition in the image of another software: on the demo's two, and on seeded pairs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from benchmarks.relocation import Score
from benchmarks.shapes import shapes
from benchmarks.siblings import sibling
from callint.comparing.relocation.relocate import relocate
from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.comparing.relocation.units import alignments, item_units
from callint.model.definition import Definition
from callint.model.image import Image
from callint.reading.definition import read_definition
from callint.reading.tree import WorkingTree
from tests.building import definition_xml, read
from tests.running import make_demo

_SOFTWARES = (
    ("definitions/skerry-28.xml", "factory/sk28-0412.bin"),
    ("definitions/skerry-28-0431.xml", "factory/sk28-0431.bin"),
)
#: By name in the older software: the same item under its name in the newer one. Axes are named by their size.
_RENAMED = {
    "overspeed_ramp": "overspeed_return_time",
    "speed_12": "speed_14",
    "air_mass_12": "air_mass_13",
}


@pytest.fixture(scope="module")
def softwares(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Definition, Image]]:
    """Definition and factory image of the demo's two softwares."""
    yard = make_demo(tmp_path_factory.mktemp("relocation") / "yard").root
    return [_software(yard, *names) for names in _SOFTWARES]


def _software(yard: Path, name: str, image: str) -> tuple[Definition, Image]:
    reading = read_definition((yard / name).read_bytes(), name, WorkingTree(yard))
    assert reading.definition is not None
    return reading.definition, Image.raw((yard / image).read_bytes(), reading.definition.memory.start)


def _addresses(definition: Definition) -> dict[str, int]:
    memory = definition.memory
    return {
        **{axis.name: axis.at for axis in definition.stored_axes},
        **{table.name: table.at for table in definition.tables.values()},
        **{text.name: text.at for text in definition.texts.values()},
        **{identity.name: identity.at for identity in memory.identities},
        **{checksum.name: checksum.stored_at for checksum in memory.checksums},
    }


@pytest.mark.parametrize("old", [0, 1])
def test_nothing_of_the_demo_is_placed_wrongly(softwares: list[tuple[Definition, Image]], old: int) -> None:
    (definition, image), (other, target) = softwares[old], softwares[1 - old]
    names = _RENAMED if old == 0 else {after: before for before, after in _RENAMED.items()}
    addresses = _addresses(other)
    counts = {axis.name: axis.count for axis in other.stored_axes}
    old_counts = {axis.name: axis.count for axis in definition.stored_axes}
    placements = relocate(definition, image, target)
    placed = [item for item in placements if item.new is not None]
    for item in placed:
        name = names.get(item.name, item.name)
        assert item.new == addresses.get(name), item
        if item.kind is ItemKind.AXIS:
            assert (item.count or old_counts[item.name]) == counts[name], item
    assert any(item.count for item in placed)
    assert len(placed) > 0.85 * len(placements)


def test_few_items_of_seeded_pairs_are_left_and_fewer_are_wrong() -> None:
    score = Score()
    for seed in (1, 2, 3):
        pair = sibling(seed, 400, 0, shapes(seed), "")
        score.add(relocate(pair.definition, Image.raw(pair.old), Image.raw(pair.new)), pair)
    right, wrong, present = (sum(count.values()) for count in (score.right, score.wrong, score.present))
    assert right > 0.93 * present
    assert wrong <= 0.005 * (right + wrong)


def _noise(size: int, seed: int = 7) -> bytes:
    return np.random.default_rng(seed).integers(0, 256, size, np.uint8).tobytes()


def _by_name(placements: list[Placement]) -> dict[str, Placement]:
    return {item.name: item for item in placements}


def test_an_axis_with_another_stored_count_is_left() -> None:
    axis = (
        '<axis name="x" signal="speed" at="0x41" type="uint8" conversion="rpm" count="6" count-at="0x40" '
        'count-type="uint8"/>'
    )
    table = (
        '<curve name="c" title="C" purpose="general" at="0x60" type="uint8" conversion="rpm">'
        '<x axis="x"/></curve>'
    )
    definition = read(definition_xml(table, axes=axis, size=256))
    old = bytearray(_noise(256))
    old[0x40:0x47] = bytes([6, 10, 20, 30, 40, 50, 60])
    new = bytearray(old)
    assert _by_name(relocate(definition, Image.raw(bytes(old)), Image.raw(bytes(new))))["x"].new == 0x41
    new[0x40] = 5
    left = _by_name(relocate(definition, Image.raw(bytes(old)), Image.raw(bytes(new))))
    assert (left["x"].new, left["x"].evidence) == (None, RelocationEvidence.COUNT)
    assert (left["c"].new, left["c"].evidence) == (None, RelocationEvidence.AXIS)
    assert [candidate.at for candidate in left["x"].candidates] == [0x41]


def test_a_checksum_is_placed_only_where_its_stored_value_is_right() -> None:
    memory = '<checksum name="all" algorithm="sum16" start="0" size="254" stored-at="254"/>'
    scalar = '<scalar name="s" title="S" purpose="general" at="8" type="uint16" conversion="rpm"/>'
    definition = read(definition_xml(scalar, memory=memory, size=256))
    front = _noise(254)
    right = front + (sum(front) & 0xFFFF).to_bytes(2, "big")
    wrong = front + (sum(front) + 1 & 0xFFFF).to_bytes(2, "big")
    placed = _by_name(relocate(definition, Image.raw(right), Image.raw(right)))["all"]
    assert (placed.new, placed.evidence) == (254, RelocationEvidence.COMPUTED)
    left = _by_name(relocate(definition, Image.raw(right), Image.raw(wrong)))["all"]
    assert (left.new, left.evidence) == (None, RelocationEvidence.NOT_COMPUTED)


def test_what_an_image_lacks_is_not_placed() -> None:
    pair = sibling(1, 60, 0, shapes(1), "")
    half = Image.raw(pair.new[: len(pair.new) // 2])
    for item in relocate(pair.definition, Image.raw(pair.old), half):
        assert item.new is None or item.new < half.size, item
    assert not any(item.new for item in relocate(pair.definition, Image.raw(pair.old), Image(())))
    assert relocate(pair.definition, Image(()), half) == []


def test_segments_far_apart_take_no_more_memory_than_an_image_may_have(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pair = sibling(1, 60, 0, shapes(1), "")
    monkeypatch.setattr("callint.comparing.relocation.relocate.MAX_BYTES", len(pair.new) + 1000)
    far = Image((*Image.raw(pair.new).segments, *Image.raw(b"far", 2**46).segments))
    near = relocate(pair.definition, Image.raw(pair.old), Image.raw(pair.new))
    placed = {item.name: item.new for item in relocate(pair.definition, Image.raw(pair.old), far)}
    assert all(placed[item.name] == item.new for item in near if item.evidence is RelocationEvidence.SAME)


# A recalibrated table beside an insertion

_AT, _ROWS, _COLUMNS = 0x80, 6, 8
_BESIDE = definition_xml(
    f"""
    <map name="m" title="M" purpose="general" at="{_AT}" type="uint16" conversion="rpm">
      <x axis="x"/><y axis="y"/>
    </map>
    """,
    axes=f'''<axis name="x" signal="speed" at="0x20" type="uint8" conversion="rpm" count="{_COLUMNS}"/>
    <axis name="y" signal="load" at="0x40" type="uint8" conversion="rpm" count="{_ROWS}"/>''',
    size=512,
)


def _hill(columns: int = _COLUMNS, factor: float = 1.0) -> bytes:
    """A hill over x and y by a stated formula, as big-endian 16-bit numbers."""
    y, x = np.meshgrid(np.linspace(0, 1, _ROWS), np.linspace(0, 1, columns), indexing="ij")
    grid = 2000 + 9000 * np.exp(-((x - 0.6) ** 2) / 0.1 - (y - 0.4) ** 2 / 0.2) + 3000 * x
    return np.rint(factor * grid).astype(">u2").tobytes()


def _placed(middle: bytes, padding: int = 0) -> Placement:
    """The map in an image with other bytes between the noise before and after the map.

    In the old image, that many bytes of fill follow the map.
    """
    front, back = bytearray(_noise(_AT, 1)), _noise(512 - _AT - 2 * _ROWS * _COLUMNS - padding, 2)
    front[0x20 : 0x20 + _COLUMNS] = bytes(range(10, 10 + 9 * _COLUMNS, 9))
    front[0x40 : 0x40 + _ROWS] = bytes(range(5, 5 + 17 * _ROWS, 17))
    old, new = bytes(front) + _hill() + b"\xff" * padding + back, bytes(front) + middle + back
    return _by_name(relocate(read(_BESIDE), Image.raw(old), Image.raw(new)))["m"]


@pytest.mark.parametrize("before", [0, 6, 31])
@pytest.mark.parametrize("behind", [0, 5, 40])
def test_a_recalibrated_table_is_placed_beside_insertions(before: int, behind: int) -> None:
    table = _hill(factor=1.07)
    placed = _placed(_noise(before, 3) + table + _noise(behind, 4))
    assert placed.new == _AT + before


@pytest.mark.parametrize("columns", [_COLUMNS - 2, _COLUMNS + 2, _COLUMNS + 4])
@pytest.mark.parametrize("padding", [0, 6])
def test_a_table_with_more_or_fewer_columns_is_left_out(columns: int, padding: int) -> None:
    left = _placed(_hill(columns, 1.03) + _noise(padding, 3))
    assert left.new is None and not left.evidence.is_sure


@pytest.mark.parametrize("columns", [_COLUMNS - 1, _COLUMNS + 1, _COLUMNS + 2])
def test_a_table_that_grows_into_its_padding_is_left_out(columns: int) -> None:
    room = len(_hill()) + 32
    left = _placed(_hill(columns, 1.03).ljust(room, b"\xff"), padding=32)
    assert left.new is None
    assert _placed(_hill(factor=1.03).ljust(room, b"\xff"), padding=32).new == _AT


def test_a_copy_of_the_old_content_beside_a_recalibrated_table_is_not_taken_for_it() -> None:
    left = _placed(_hill(factor=1.07) + _noise(5, 3) + _hill())
    assert (left.new, left.evidence) == (None, RelocationEvidence.UNSURE)
    assert left.candidates


def test_a_table_whose_bytes_are_gone_is_left_out() -> None:
    for middle in (b"", b"\xff" * len(_hill())):
        assert _placed(middle).new is None


# A resized axis, and the tables on it

_TWO_CURVES = definition_xml(
    """
    <curve name="c" title="C" purpose="general" at="0x60" type="uint16" conversion="rpm"><x axis="x"/></curve>
    <curve name="d" title="D" purpose="general" at="0x70" type="uint16" conversion="rpm"><x axis="x"/></curve>
    """,
    axes='<axis name="x" signal="speed" at="0x50" type="uint16" conversion="rpm" count="8"/>',
    size=512,
)


def _resized_axis(count: int) -> bytes:
    """An axis with two curves on it, by stated formulas, as big-endian 16-bit numbers."""
    x = np.linspace(0, 1, count)
    rows = (500 + 5500 * x**1.2, 3000 + 9000 * np.exp(-((x - 0.4) ** 2) / 0.05), 20000 - 15000 * x * x)
    return b"".join(np.rint(row).astype(">u2").tobytes() for row in rows)


@pytest.mark.parametrize("count", [6, 7, 9, 10, 12])
def test_a_resized_axis_is_placed_with_its_tables(count: int) -> None:
    front, back = _noise(0x50, 1), _noise(256, 2)
    old, new = front + _resized_axis(8) + back, front + _resized_axis(count) + back
    placed = _by_name(relocate(read(_TWO_CURVES), Image.raw(old), Image.raw(new)))
    assert [placed[name].new for name in "xcd"] == [0x50, 0x50 + 2 * count, 0x50 + 4 * count]
    assert placed["x"].count == count


@pytest.mark.parametrize("before", [0, 6, 16])
def test_an_extended_axis_of_kept_curves_is_placed_with_its_old_size(before: int) -> None:
    # the first 6 of 8 points span what all 8 did: alone, they look like an axis of 6 points
    steps = np.linspace(0, 7 * 7 / 5, 8)
    old = np.frombuffer(_resized_axis(8)[:16], ">u2").astype(np.float64)
    beyond = old[-1] + (steps - 7) * (old[-1] - old[-2])
    axis = np.rint(np.where(steps <= 7, np.interp(steps, np.arange(8), old), beyond)).astype(">u2").tobytes()
    front, back, curves = _noise(0x50, 1), _noise(256, 2), _resized_axis(8)[16:]
    images = front + _resized_axis(8) + back, front + _noise(before, 3) + axis + curves + back
    placed = _by_name(relocate(read(_TWO_CURVES), *map(Image.raw, images)))
    assert [placed[name].new for name in "xcd"] == [0x50 + before, 0x60 + before, 0x70 + before]
    assert placed["x"].count is None


def test_an_axis_that_grew_is_not_placed_with_its_old_size_by_a_table_of_equal_rows() -> None:
    tables = """
    <map name="m" title="M" purpose="general" at="0xA0" type="uint16" conversion="rpm">
      <x axis="x"/><y axis="y"/>
    </map>
    <curve name="c" title="C" purpose="general" at="0x60" type="uint16" conversion="rpm"><x axis="y"/></curve>
    """
    axes = """<axis name="x" signal="speed" at="0x40" type="uint16" conversion="rpm" count="6"/>
    <axis name="y" signal="speed" at="0x50" type="uint16" conversion="rpm" count="8"/>"""
    row = np.array([900, 4100, 1700, 5200, 2300, 3100], ">u2").tobytes()
    x = np.arange(100, 700, 100).astype(">u2").tobytes()
    images = [
        _noise(0x40, 1) + x + b"\xff" * 4
        + (_resized_axis(count)[: 4 * count] + _noise(0x30, 3)).ljust(0x50 + 2 * count, b"\0")[: 0x50]
        + row * count + b"\xff" * (12 * (12 - count)) + _noise(256, 2)
        for count in (8, 10)
    ]  # fmt: skip
    definition = read(definition_xml(tables, axes=axes, size=1024))
    placed = _by_name(relocate(definition, *map(Image.raw, images)))
    assert placed["y"].new is None or placed["y"].count == 10
    assert _by_name(relocate(definition, Image.raw(images[0]), Image.raw(images[0])))["y"].new == 0x50


def test_items_of_one_cell_size_show_the_alignment_that_all_have() -> None:
    tables = "".join(
        f'<scalar name="s{n}" title="S" purpose="general" at="{64 + 4 * n}" type="uint16" conversion="rpm"/>'
        f'<scalar name="b{n}" title="B" purpose="general" at="{128 + 3 * n}" type="uint8" conversion="rpm"/>'
        for n in range(12)
    )
    units = item_units(read(definition_xml(tables, size=256)), 0, 256)
    assert alignments(units) == {(True, 2): 4, (True, 1): 1}
    assert alignments(units[:9]) == {}


def test_an_item_that_could_change_places_with_a_copy_counts_only_if_it_is_placed_wrongly() -> None:
    pair = next(
        pair
        for seed in range(1, 9)
        for pair in [sibling(seed, 400, 0, shapes(seed), "")]
        if pair.interchangeable
    )
    name = min(pair.interchangeable)
    at = pair.truth[name]
    assert at is not None
    left = Placement(ItemKind.CURVE, name, 0, None, 0.5, RelocationEvidence.UNSURE, ())
    counts = []
    for placement in (left, replace(left, new=at), replace(left, new=at + 1)):
        score = Score()
        score.add([placement], pair)
        counts.append(
            (score.interchangeable, *(count.total() for count in (score.present, score.right, score.wrong)))
        )
    assert counts == [(1, 0, 0, 0), (1, 0, 0, 0), (0, 1, 0, 1)]


# Pointers

_POINTED_FROM = 0x8000_0000


def _pointed(order: Literal["big", "little"], inserted: int, pointers: bool) -> dict[str, Placement]:
    """Six curves with one content and six others; before the second, copies of the first are inserted."""
    tables = "".join(
        f'<curve name="c{n}" title="C" purpose="general" at="{0x100 + 8 * n}" type="uint8" conversion="rpm">'
        '<x axis="x"/></curve>'
        for n in range(12)
    )
    axis = '<axis name="x" signal="speed" at="0x80" type="uint8" conversion="rpm" count="8"/>'
    copied = bytes([3, 9, 27, 81, 64, 32, 16, 8])
    front, back, images = bytearray(_noise(0x100, 1)), _noise(0x100, 2), []
    front[0x80:0x88] = bytes(range(10, 90, 10))
    for more in (0, inserted):
        addresses = [0x100, *(0x100 + 8 * (n + more) for n in range(1, 12))]
        words = b"".join((_POINTED_FROM + at).to_bytes(4, order) for at in addresses)
        front[0x20:0x50] = words if pointers else _noise(48, 3)
        images.append(Image.raw(bytes(front) + copied * (6 + more) + _noise(48, 4) + back))
    return _by_name(relocate(read(definition_xml(tables, axes=axis, size=1024)), *images))


@pytest.mark.parametrize("order", ["big", "little"])
def test_pointers_tell_copies_apart(order: Literal["big", "little"]) -> None:
    placed = _pointed(order, 3, pointers=True)
    assert [placed[f"c{n}"].new for n in range(1, 12)] == [0x100 + 8 * (n + 3) for n in range(1, 12)]
    without = _pointed(order, 3, pointers=False)
    assert any(without[f"c{n}"].new is None for n in range(1, 12))
