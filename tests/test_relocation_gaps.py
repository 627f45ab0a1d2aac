"""The parts of the second look of a relocation, each by itself."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from callint.comparing.relocation.alignment import Padding
from callint.comparing.relocation.likelihood import Likelihood
from callint.comparing.relocation.occupied import OccupiedBytes
from callint.comparing.relocation.relocate import relocate
from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.comparing.relocation.units import PlacementUnit
from callint.comparing.relocation.window_likelihood import WindowLikelihood, interpolated_grid
from callint.model.image import Image
from tests.building import definition_xml, read


def _noise(size: int, seed: int) -> bytes:
    return np.random.default_rng(seed).integers(0, 256, size, np.uint8).tobytes()


def _by_name(definition: bytes, old: bytes, new: bytes) -> dict[str, Placement]:
    return {item.name: item for item in relocate(read(definition), Image.raw(old), Image.raw(new))}


def test_padding_takes_the_size_that_the_alignment_asks_for() -> None:
    # A unit at 48 after 5 bytes of padding: the unit before the padding ended at 43.
    padding = Padding(48, 5, 16)
    shifts = np.arange(-16, 17)
    ends = 43 + shifts
    places = 48 + padding.padded(shifts)
    assert (places % 16 == 0).all()
    assert (places >= ends).all() and (places < ends + 16).all()
    assert padding.padded(np.array([0, 5, 6])).tolist() == [0, 0, 16]


def test_occupied_bytes_are_counted_by_the_ranges_that_share_them() -> None:
    occupied = OccupiedBytes.of([(30, 40), (10, 20), (12, 14)])
    assert occupied.overlaps(np.array([0, 7, 8, 11, 12, 20, 29, 40]), 3).tolist() == [0, 0, 1, 2, 2, 0, 1, 0]
    assert OccupiedBytes.of([]).overlaps(np.array([5]), 3).tolist() == [0]


_CELLS = 6
_OLD = np.array([400, 900, 1600, 2500, 3600, 4900], np.uint16)


def _is_scaled(after: list[float], old: list[int] | None = None) -> bool:
    before = _OLD if old is None else np.array(old, np.uint16)
    unit = PlacementUnit(ItemKind.CURVE, "c", 0, 2 * _CELLS, _CELLS, np.dtype("<u2"), 2)
    new = np.frombuffer(b"\0" * 4 + np.array(after).astype("<u2").tobytes(), np.uint8)
    window = WindowLikelihood(Likelihood(np.frombuffer(before.tobytes(), np.uint8), new))
    return window.is_scaled(unit, 4)


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.5])
def test_numbers_by_one_factor_are_scaled(factor: float) -> None:
    assert _is_scaled((_OLD * factor).tolist())
    assert _is_scaled(np.rint(_OLD * factor * [1.05, 0.95, 1.02, 1, 1, 1]).tolist())


def test_other_numbers_are_not_scaled() -> None:
    assert not _is_scaled((_OLD * 0.5).tolist())
    assert not _is_scaled((_OLD * 1.7).tolist())
    assert not _is_scaled((_OLD * [1, 1, 1.3, 1, 1, 1]).tolist())
    assert not _is_scaled(_OLD[::-1].tolist())
    assert not _is_scaled([0.0] * _CELLS, [0] * _CELLS)


def test_small_numbers_are_scaled_within_one() -> None:
    assert _is_scaled([2, 3, 4, 5, 6, 7], [1, 2, 3, 4, 5, 6])
    assert not _is_scaled([3, 2, 3, 4, 5, 6], [1, 2, 3, 4, 5, 6])


# A scalar that says little, beside an axis with a stored count

_BESIDE_AXIS = definition_xml(
    '<scalar name="s" title="S" purpose="general" at="0x89" type="uint8" conversion="rpm"/>',
    axes="""<axis name="x" signal="speed" at="0x81" type="uint8" conversion="rpm" count="8" count-at="0x80"
    count-type="uint8"/>""",
    size=512,
)


def test_an_item_between_kept_content_is_placed_beside_an_axis_with_another_stored_count() -> None:
    back = b"\0" + _noise(0x76, 2) + b"\0" * 0x100
    old, new = (_noise(0x80, 1) + bytes([count, *range(10, 90, 10)]) + back for count in (8, 7))
    placed = _by_name(_BESIDE_AXIS, old, new)
    assert (placed["x"].new, placed["x"].evidence) == (None, RelocationEvidence.COUNT)
    assert (placed["s"].new, placed["s"].evidence) == (0x89, RelocationEvidence.SAME)


# A curve between two others

_ENCLOSED = definition_xml(
    """
    <curve name="b" title="B" purpose="general" at="0x80" type="uint16" conversion="rpm"><x axis="x"/></curve>
    <curve name="c" title="C" purpose="general" at="0x90" type="uint16" conversion="rpm"><x axis="x"/></curve>
    <curve name="d" title="D" purpose="general" at="0xA0" type="uint16" conversion="rpm"><x axis="x"/></curve>
    """,
    axes='<axis name="x" signal="speed" at="0x40" type="uint8" conversion="rpm" count="8"/>',
    size=512,
)


_X = np.linspace(0, 1, 8)


def _in_the_middle(old: list[float], new: bytes) -> Placement:
    front, back = bytearray(_noise(0x80, 1)), _noise(0x100, 2)
    front[0x40:0x48] = bytes(range(10, 90, 10))
    before, behind = _stored(5000 + 4000 * _X), _noise(16, 5)
    images = (bytes(front) + before + middle + behind + back for middle in (_stored(np.array(old)), new))
    return _by_name(_ENCLOSED, *images)["c"]


def _stored(numbers: NDArray[np.float64]) -> bytes:
    return np.rint(numbers).astype(">u2").tobytes()


def test_a_curve_of_equal_numbers_may_be_another_if_no_byte_beside_it_is_new() -> None:
    old, new = [10_000.0] * 8, _stored(np.full(8, 6000.0))
    assert _in_the_middle(old, new).new == 0x90
    assert _in_the_middle(old, _noise(7, 3) + new).new is None
    assert _in_the_middle(old, new + _noise(7, 3)).new is None


_HILL = 3000 + 9000 * np.exp(-((_X - 0.4) ** 2) / 0.05)


@pytest.mark.parametrize("factors", [(1.03, 1.4), (1.4, 1.03)])
def test_two_similar_curves_are_not_placed_although_one_touches_a_sure_item(
    factors: tuple[float, float],
) -> None:
    left = _in_the_middle(_HILL.tolist(), b"".join(_stored(factor * _HILL) for factor in factors))
    assert (left.new, left.evidence) == (None, RelocationEvidence.UNSURE)
    assert left.candidates[0].probability > 0.6


def test_a_curve_is_placed_if_no_other_place_or_size_is_nearly_as_good() -> None:
    zigzag = np.array([1, -1, 1, -1, -1, 1, -1, 1])
    for distance, is_placed in ((800, False), (1100, True)):
        other = _stored(1.03 * _HILL + distance * zigzag)
        placed = _in_the_middle(_HILL.tolist(), _stored(1.03 * _HILL) + other)
        assert (placed.new == 0x90) == is_placed == (placed.probability > 0.9)
    # One more number that goes on as the curve ends: the curve is rather as long as before.
    assert _in_the_middle(_HILL.tolist(), _stored(1.05 * np.append(_HILL, _HILL[-1]))).new == 0x90


def _curve(shape: str, points: int) -> NDArray[np.float64]:
    x = np.linspace(0, 1, points)
    shapes = {
        "hill": 3000 + 9000 * np.exp(-((x - 0.4) ** 2) / 0.05),
        "rising": 4000 + 9000 * x**1.3,
        "line": 12_000 - 6000 * x,
        "flat": 12_000 - 60 * x,
    }
    return shapes[shape]


@pytest.mark.parametrize("shape", ["hill", "rising", "line", "flat"])
@pytest.mark.parametrize("points", [6, 7, 9, 10, 12])
@pytest.mark.parametrize("factor", [1, 1.05])
def test_a_curve_with_more_or_fewer_points_is_left_out(shape: str, points: int, factor: float) -> None:
    assert _in_the_middle(_curve(shape, 8).tolist(), _stored(factor * _curve(shape, points))).new is None


def test_another_size_that_padding_must_make_up_for_needs_more_similarity() -> None:
    old = np.array([9, 2, 8, 3, 9, 1, 7, 2]) * 1000.0
    shrunk = np.append(interpolated_grid(old[None, :], 1, 7).ravel(), old[-1])
    left = _in_the_middle(old.tolist(), _stored(shrunk))
    assert (left.new, left.evidence) == (None, RelocationEvidence.RESIZED)
    assert _in_the_middle(old.tolist(), _stored(0.06 * old + 0.94 * shrunk)).new == 0x90


def test_an_axis_does_not_lie_where_surely_another_one_lies() -> None:
    # From P x Q y R S to P y R x Q S: x was spaced again, and y is much like x was.
    definition = definition_xml(
        "",
        axes="""<axis name="x" signal="speed" at="0x80" type="uint8" conversion="rpm" count="8"/>
        <axis name="y" signal="speed" at="0x188" type="uint8" conversion="rpm" count="8"/>""",
        size=2048,
    )
    x, spaced_again, y = (bytes(range(10, 10 + 8 * step, step)) for step in (20, 24, 21))
    p, q, r, s = _noise(0x80, 1), _noise(0x100, 2), _noise(0xF8, 3), _noise(0x80, 4)
    placed = _by_name(definition, p + x + q + y + r + s, p + y + r + spaced_again + q + s)
    assert (placed["y"].new, placed["x"].new) == (0x80, 0x180)
