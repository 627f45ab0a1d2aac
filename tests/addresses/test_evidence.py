"""The evidence of an image about the rows of a list of addresses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from callint.decoding.cell_order import is_smoother_in_other_order
from callint.decoding.placement_evidence import PlacementEvidence, judge_placement
from callint.model.definition import (
    NO_CONSTRAINTS,
    ByteOrder,
    Definition,
    Kind,
    NumberType,
    StoredAxis,
    Table,
)
from callint.model.image import Image
from tests.addresses.listing import IMAGE, demo, listed, records, table_text
from tests.running import Yard, valid

SIGNED = {"uint8": "int8", "uint16": "int16", "int8": "uint8", "int16": "uint16"}
Item = Table | StoredAxis


@pytest.fixture(scope="module")
def image() -> Image:
    return Image.raw(IMAGE.read_bytes(), 0)


@pytest.fixture(scope="module")
def bare() -> Definition:
    """The demo without limits: only the shape of the stored numbers is evidence."""
    definition = demo()
    tables = {name: replace(table, demands=NO_CONSTRAINTS) for name, table in definition.tables.items()}
    return replace(definition, tables=tables)


def judged(definition: Definition, image: Image) -> dict[str, PlacementEvidence]:
    return {evidence.name: evidence for evidence in judge_placement(definition, image)}


def changed(definition: Definition, item: Item, other: Item) -> Definition:
    if isinstance(other, Table):
        return replace(definition, tables={**definition.tables, item.name: other})
    return replace(definition, axes={**definition.axes, item.name: other})


def alone(definition: Definition, item: Item) -> Definition:
    """The definition with one item and its axes: the evidence about an item depends on no other item."""
    if isinstance(item, Table):
        axes = {name: definition.axes[name] for name in item.axes}
        return replace(definition, axes=axes, tables={item.name: item}, texts={})
    return replace(definition, axes={item.name: item}, tables={}, texts={})


def share_doubted(definition: Definition, image: Image, change: Callable[[Item], Item | None]) -> float:
    """The share of the items with a shape that are doubted after a change to each of them alone."""
    items = [item for item in listed(definition) if isinstance(item, StoredAxis) or item.axes]
    pairs = [(item, other) for item in items if (other := change(item)) is not None]
    assert len(pairs) >= 15
    doubted = [bool(judged(alone(definition, other), image)[item.name].doubts) for item, other in pairs]
    # Judging one item takes less time than judging all of them, and says the same.
    whole = [bool(judged(changed(definition, *pair), image)[pair[0].name].doubts) for pair in pairs[:3]]
    assert whole == doubted[:3]
    return sum(doubted) / len(doubted)


def test_a_right_definition_is_supported_and_not_doubted(bare: Definition, image: Image) -> None:
    evidence = judged(bare, image)
    assert [item for item in evidence.values() if item.doubts] == []
    assert all(judged(alone(bare, item), image)[item.name] == evidence[item.name] for item in listed(bare))
    shaped = [item.name for item in listed(bare) if isinstance(item, StoredAxis) or item.kind is Kind.MAP]
    supported = [name for name in shaped if evidence[name].support]
    assert len(supported) >= 0.9 * len(shaped)


def test_most_items_in_the_wrong_byte_order_are_doubted(bare: Definition, image: Image) -> None:
    def swap(item: Item) -> Item | None:
        little = replace(item.storage, byte_order=ByteOrder.LITTLE)
        return replace(item, storage=little) if item.storage.type.size > 1 else None

    assert share_doubted(bare, image, swap) >= 0.8


def test_most_items_at_an_address_beside_the_right_one_are_doubted(bare: Definition, image: Image) -> None:
    def move(item: Item) -> Item | None:
        return replace(item, at=item.at + 1) if item.storage.type.size > 1 else None

    assert share_doubted(bare, image, move) >= 0.8


def test_the_doubt_names_the_reading_that_is_smooth(bare: Definition, image: Image) -> None:
    axis = bare.axes["speed_16"]
    assert isinstance(axis, StoredAxis)
    little = replace(axis, storage=replace(axis.storage, byte_order=ByteOrder.LITTLE))
    (doubt,) = judged(changed(bare, axis, little), image)["speed_16"].doubts
    assert doubt.startswith("its 16 breakpoints do not rise; they rise") and "as big-endian" in doubt


def stored(values: list[int], kind: str, name: str, axes: tuple[int, ...]) -> tuple[Definition, Image]:
    """The demo's definition with a table alone in an image; the breakpoints are not judged here."""
    definition = demo()
    table = next(iter(definition.tables.values()))
    data = np.array(values, kind).tobytes()
    storage = replace(table.storage, type=NumberType[name], stride=NumberType[name].size)
    shared = [axis for axis in definition.axes.values() if axis.count in axes]
    names = [next(axis.name for axis in shared if axis.count == count) for count in axes]
    made = replace(
        table,
        name="made",
        at=0x10,
        storage=storage,
        conversion=None,
        demands=NO_CONSTRAINTS,
        kind=(Kind.SCALAR, Kind.CURVE, Kind.MAP)[len(axes)],
        x=names[0] if names else None,
        y=names[1] if len(names) > 1 else None,
        y_first=False,
    )
    return replace(definition, tables={"made": made}, texts={}), Image.raw(bytes(16) + data, 0)


def doubts_of(values: list[int], kind: str, name: str, axes: tuple[int, ...]) -> tuple[str, ...]:
    return judged(*stored(values, kind, name, axes))["made"].doubts


def test_signed_numbers_that_are_read_as_unsigned_ones_are_doubted() -> None:
    values = [*range(-4, 4)] * 8
    (doubt,) = doubts_of(values, ">i2", "uint16", (8, 8))
    assert doubt == "its values jump between both ends of their range; as int16 they do not"
    assert doubts_of(values, ">i2", "int16", (8, 8)) == ()


def test_a_doubt_about_a_big_endian_item_names_the_little_endian_reading(
    bare: Definition, image: Image
) -> None:
    axis = bare.axes["speed_16"]
    assert isinstance(axis, StoredAxis) and axis.storage.byte_order is ByteOrder.BIG
    content = bytearray(IMAGE.read_bytes())
    place = slice(axis.at, axis.at + 2 * axis.count)
    content[place] = np.frombuffer(content[place], ">u2").astype("<u2").tobytes()
    (doubt,) = judged(alone(bare, axis), Image.raw(bytes(content), 0))["speed_16"].doubts
    assert doubt.startswith("its 16 breakpoints do not rise; they rise as little-endian")
    (doubt,) = doubts_of([*range(1000, 4200, 200)], "<u2", "uint16", (16,))
    assert doubt.startswith("its values look like noise, but are smooth as little-endian")


def test_erased_memory_noise_and_multiples_of_256_are_doubted() -> None:
    assert doubts_of([0xFFFF] * 16, ">u2", "uint16", (16,)) == (
        "all its 32 bytes are 0xFF, as in erased memory",
    )
    noise = np.random.default_rng(7).integers(0, 256, 64).tolist()
    assert doubts_of(noise, "u1", "uint8", (8, 8)) == ("its values look like noise",)
    (doubt,) = doubts_of([10, 11, 13, 16, 20, 25, 31, 38], "<u2", "uint16", (8,))
    assert "multiples of 256" in doubt
    assert doubts_of([1] * 20, ">u2", "uint16", (16,)) == ()


def test_a_map_whose_rows_and_columns_are_exchanged_is_doubted() -> None:
    grid = np.add.outer(np.arange(12) * 10, np.arange(16))
    assert doubts_of(grid.ravel().tolist(), ">u2", "uint16", (16, 12)) == ()
    (doubt,) = doubts_of(grid.T.ravel().tolist(), ">u2", "uint16", (16, 12))
    assert doubt.startswith("its values are smoother stored y first")


def test_the_image_judges_each_row_and_a_wrong_one_is_named(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    rows = [row for row in records(demo()) if not row["purpose"] or not row["min"]]
    yard.write("list.csv", table_text(rows))
    call = ("import", "list.csv", "--byte-order", "big", "--image", str(IMAGE))
    report = valid(yard.run(*call, "--format", "json").data, "import.schema.json")
    assert {item["line"] for item in report["judged"]} == set(range(2, len(rows) + 2))
    assert all(not item["doubts"] for item in report["judged"]) and report["complete"]
    (yard.root / "list.xml").unlink()
    axis = next(row for row in rows if row["name"] == "speed_16")
    axis["address"] = f"0x{int(axis['address'], 16) + 1:X}"
    yard.write("list.csv", table_text(rows))
    result = yard.run(*call)
    assert result.status == 1
    assert "speed_16 (row 2): its 16 breakpoints do not rise" in result.flat
    assert "begin at an odd address" in result.flat or "overlaps" in result.flat
    assert max(map(len, result.lines)) <= 80


def test_rows_outside_the_image_are_left_out_and_a_raw_image_above_zero_needs_its_start(
    tmp_path: Path,
) -> None:
    yard = Yard(tmp_path)
    yard.write("boat.bin", bytes(range(64)))
    yard.write("list.csv", "name;address;type\nhere;0x10;uint8\nthere;0x40;uint8\n")
    result = yard.run("import", "list.csv", "--image", "boat.bin")
    assert result.status == 1 and "it lies outside the memory from 0x0 to 0x3F" in result.flat
    yard.write("list.csv", "name;address;type\nhere;0x800010;uint8\n")
    error = yard.run("import", "list.csv", "--image", "boat.bin", "--to", "b.xml").error
    assert "the image ends at 0x40, but the lowest address of the list is 0x800010" in error
    yard.write("map.toml", "start = 0x800000")
    made = yard.run("import", "list.csv", "--image", "boat.bin", "--mapping", "map.toml", "--to", "b.xml")
    assert made.status == 0 and b'start="0x800000" size="0x40"' in (yard.root / "b.xml").read_bytes()


@pytest.mark.parametrize("option", [("--mapping", "m.toml"), ("--byte-order", "big")])
def test_options_of_lists_need_a_list(tmp_path: Path, option: tuple[str, str]) -> None:
    yard = Yard(tmp_path)
    yard.write("engine.a2l", "ASAP2_VERSION 1 60")
    error = yard.run("import", "engine.a2l", *option).error
    assert f"{option[0]} needs a list of addresses" in error


def test_the_order_of_a_map_is_doubted_if_its_cells_were_exchanged_and_not_if_they_are_right() -> None:
    random = np.random.default_rng(11)
    right = wrong = count = 0
    for columns, rows in ((16, 12), (12, 8), (8, 5), (16, 4)) * 25:
        slopes = random.integers(1, 9, 2)
        bend = random.integers(0, 4) * np.add.outer(np.arange(rows) ** 2, np.arange(columns) ** 2)
        grid = slopes[0] * np.arange(rows)[:, None] + slopes[1] * np.arange(columns) + bend
        right += is_smoother_in_other_order(grid.astype(float), y_first=False)
        turned = grid.T.reshape(rows, columns)  # stored column by column, read row by row
        wrong += is_smoother_in_other_order(turned.astype(float), y_first=False)
        count += 1
    assert right == 0
    assert wrong >= 0.95 * count


def test_the_order_of_a_square_or_very_short_map_is_never_doubted() -> None:
    random = np.random.default_rng(12)
    for shape in ((8, 8), (3, 12), (12, 3), (1, 16)):
        assert not is_smoother_in_other_order(random.normal(size=shape), y_first=True)


@pytest.mark.parametrize(
    ("content", "doubts", "support"),
    [
        (b"SK28-0412   ", (), ("it reads 'SK28-0412'",)),
        (b"SK28\x00\x17\x92\x00\x00\x00\x00\x00", (), ("it reads 'SK28'",)),  # the rest of a longer text
        (b"\xff" * 12, ("it is empty",), ()),
        (b"\x00\x17\x92\x31" * 3, ("it is empty",), ()),
        (b"SK\x17\x92" * 3, ("6 of its 12 bytes are not letters, digits or signs",), ()),
    ],
)
def test_a_text_is_judged_by_its_characters(
    content: bytes, doubts: tuple[str, ...], support: tuple[str, ...]
) -> None:
    text = replace(next(iter(demo().texts.values())), name="made", at=0, length=12, encoding="ascii")
    definition = replace(demo(), axes={}, tables={}, texts={"made": text})
    (evidence,) = judge_placement(definition, Image.raw(content, 0))
    assert (evidence.doubts, evidence.support) == (doubts, support)
