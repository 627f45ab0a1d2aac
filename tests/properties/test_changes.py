"""A list of changes is the whole change: it leads from the base to the rework, and back."""

from __future__ import annotations

import json
import math
import struct
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from callint.comparing.compare import compare
from callint.reporting.changes.json import changes_document
from tests.example_counts import property_examples
from tests.properties.strategies import (
    Item,
    Reference,
    edited,
    edits,
    images,
    pairs,
    references,
)


def document(reference: Reference, old: bytes, new: bytes) -> dict[str, Any]:
    """The JSON of a change, read back from its text."""
    made = changes_document(
        compare(reference.decoded(old), reference.decoded(new)), "old", "new", "world.xml"
    )
    result: dict[str, Any] = json.loads(json.dumps(made, allow_nan=False))
    return result


def _is_no_number(item: Item, bits: int) -> bool:
    return math.isnan(item.cells.number(bits))


@property_examples
@given(pairs())
def test_the_listed_cells_put_into_the_base_give_the_tables_of_the_rework(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    applied = bytearray(base)
    for table in document(reference, base, rework)["tables"]:
        item = reference.by_name[table["table"]]
        assert table["changed"] == len(table["cells"]) > 0
        for cell in table["cells"]:
            x, y = cell["x"], cell["y"]
            old, new = (_bits(item, cell[key]) for key in ("old_raw", "new_raw"))
            before, after = (reference.bits(element, item, x, y) for element in (base, rework))
            assert before != after
            if not _is_no_number(item, before):
                assert old == before
            # Of NaN there are many, and the document says only that it is one.
            reference.put(applied, item, x, y, after if _is_no_number(item, new) else new)
            assert _is_no_number(item, new) == _is_no_number(item, after)
    for item, x, y in reference.every_cell:
        assert reference.bits(applied, item, x, y) == reference.bits(rework, item, x, y)


def _bits(item: Item, raw: float | str) -> int:
    if item.cells.is_integer:
        return item.cells.bits_of(int(raw)) if item.cells.mask is None else int(raw)
    return int.from_bytes(struct.pack(f">{'efd'[item.cells.size // 4]}", float(raw)), "big")


@property_examples
@given(pairs())
def test_every_changed_cell_breakpoint_text_and_checksum_is_listed_and_no_other(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    result = document(reference, base, rework)
    cells = {(table["table"], cell["x"], cell["y"]) for table in result["tables"] for cell in table["cells"]}
    assert cells == {
        (item.name, x, y)
        for item, x, y in reference.every_cell
        if reference.bits(base, item, x, y) != reference.bits(rework, item, x, y)
    }
    points = {
        (axis["axis"], breakpoint["index"])
        for axis in result.get("axes", ())
        for breakpoint in axis["breakpoints"]
    }
    assert points == {
        (item.name, x)
        for item in reference.axes
        for x, y in item.places
        if reference.bits(base, item, x, y) != reference.bits(rework, item, x, y)
    }
    places = {
        text.name: slice(text.at - reference.start, text.at - reference.start + text.length)
        for text in reference.texts
    }
    assert {text["name"] for text in result.get("texts", ())} == {
        name for name, where in places.items() if base[where] != rework[where]
    }
    sums = {checksum["name"]: (checksum["old"], checksum["new"]) for checksum in result.get("checksums", ())}
    stored = {
        checksum.name: tuple(checksum.stored(data, reference.start) for data in (base, rework))
        for checksum in reference.sums
    }
    assert sums == {name: both for name, both in stored.items() if both[0] != both[1]}
    assert result["summary"]["bytes"] == sum(a != b for a, b in zip(base, rework, strict=True))


@property_examples
@given(st.data())
def test_an_image_differs_in_nothing_from_itself(data: st.DataObject) -> None:
    reference = data.draw(references())
    image = data.draw(images(reference))
    changes = compare(reference.decoded(image), reference.decoded(bytes(bytearray(image))))
    assert changes.is_empty
    assert not (changes.tables or changes.axes or changes.unexplained or changes.cells or changes.bytes)


#: What belongs to one side, and its name on the other.
_SIDES = {f"old{part}": f"new{part}" for part in ("", "_raw", "_off", "_bits", "_bytes")}
_TURNED = {**_SIDES, **{new: old for old, new in _SIDES.items()}}


def turned(value: Any) -> Any:
    """A document with old and new exchanged."""
    if isinstance(value, dict):
        return {_TURNED.get(key, key): turned(item) for key, item in value.items()}
    return [turned(item) for item in value] if isinstance(value, list) else value


def _without_places(result: dict[str, Any]) -> dict[str, Any]:
    """The document without breakpoints of cells, which are the new ones, and outputs, which are sought."""
    for table in result["tables"]:
        for cell in table["cells"]:
            del cell["at"]
    for axis in result.get("axes", ()):
        for output in axis.pop("outputs"):
            assert output["table"] in axis["tables"]
    return {key: value for key, value in result.items() if key not in ("old", "new")}


@property_examples
@given(pairs())
def test_the_way_back_is_the_mirror_image_of_the_way_there(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    there, back = document(reference, base, rework), document(reference, rework, base)
    assert turned(_without_places(back)) == _without_places(there)


@property_examples
@given(st.data())
def test_on_axes_that_stay_the_mirror_image_is_exact(data: st.DataObject) -> None:
    reference = data.draw(references())
    base = data.draw(images(reference))
    rework = edited(reference, base, data.draw(edits(reference)))
    assert turned(document(reference, rework, base)) == {
        **document(reference, base, rework),
        "old": "new",
        "new": "old",
    }
