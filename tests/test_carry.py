"""Carrying a rework to other software: the carried bytes, and the messages if it is impossible."""

from __future__ import annotations

import struct
from collections.abc import Collection, Sequence
from fractions import Fraction
from zlib import crc32

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.comparing.carry.apply import carry
from callint.comparing.carry.causes import OmittedCells, Reason
from callint.comparing.carry.result import UNEXPLAINED, CarriedQuantity, CarryProblem, CarryResult
from callint.decoding.checksum_update import UnsealableError
from callint.decoding.decode import decode
from callint.decoding.encode import encode
from callint.model.image import Image
from callint.reporting.carry.reasons import deviation, note_message, place, problem_message
from tests.building import decoded, definition_xml, image, u16
from tests.example_counts import examples

HOWS = list(CarriedQuantity)

#: Values and breakpoints in several steps: the factor is a step.
CONVERSIONS = """
    <linear name="rpm" unit="rpm" factor="1"/>
    <linear name="whole" unit="mg" factor="1"/>
    <linear name="half" unit="mg" factor="0.5"/>
    <linear name="tenth" unit="mg" factor="0.1"/>
    <linear name="fifth" unit="mg" factor="0.2"/>
    <linear name="thousandth" unit="mg" factor="0.001"/>
    <linear name="bar" unit="bar" factor="1"/>
    <linear name="shifted" unit="mg" factor="0.5" offset="-20"/>
    <interpolated name="bent" unit="mg">
      <point raw="0" physical="0"/><point raw="100" physical="50"/>
      <point raw="120" physical="50"/><point raw="255" physical="100"/>
    </interpolated>
    <states name="old_modes">
      <state raw="0">idle</state><state raw="1">run</state><state raw="2">limp</state>
    </states>
    <states name="new_modes"><state raw="4">run</state><state raw="7">idle</state></states>
"""


PLAIN = '<linear name="plain" unit="mg" factor="1"/>'


def software(tables: str, axes: str = "", memory: str = "", **parts: str) -> bytes:
    parts.setdefault("conversions", CONVERSIONS)
    return definition_xml(tables, axes=axes, memory=memory, size=256, **parts)  # type: ignore[arg-type]


def data(**at: bytes) -> bytes:
    return image(256, **at)  # type: ignore[arg-type]


def carried(
    old: bytes,
    base: bytes,
    rework: bytes,
    new: bytes,
    new_base: bytes,
    how: CarriedQuantity = CarriedQuantity.DELTA,
    left_out: Collection[str] = (),
) -> CarryResult:
    before = decoded(old, base)
    after = decode(before.layout, Image.raw(rework))
    return carry(before, after, decoded(new, new_base), how, left_out)


def content(done: CarryResult) -> bytes:
    """The bytes of an image that was carried without a problem."""
    assert not done.problems, done.problems
    assert done.image is not None
    return done.image.content.tobytes()


def only(done: CarryResult) -> CarryProblem:
    """The one problem that there is; nothing may be written then."""
    assert done.image is None
    assert len(done.problems) == 1, done.problems
    return done.problems[0]


def curve(breakpoints: str, storage: str, more: str = "", name: str = "fuel", signal: str = "speed") -> str:
    """A curve with fixed breakpoints."""
    return f"""
    <curve name="{name}" title="Fuel" purpose="general" {storage}>
      <x><fixed-axis signal="{signal}" values="{breakpoints}"/></x>{more}
    </curve>"""


def scalar(storage: str, more: str = "", name: str = "cut") -> str:
    return f'<scalar name="{name}" title="Cut" purpose="general" {storage}>{more}</scalar>'


# A worked example, in numbers that were computed by hand

#: 10, 15 and 20 mg at 1000, 2000 and 3000 rpm, in steps of 0.5 mg; the rework makes the 15 a 17.
OLD = software(curve("1000 2000 3000", 'at="16" type="uint8" conversion="half"'))
OLD_BASE = data(at_16=bytes([20, 30, 40]))
REWORK = data(at_16=bytes([20, 34, 40]))
#: Twice as many breakpoints, steps of 0.1 mg, elsewhere and the other way round in memory.
NEW = software(
    curve("1000 1500 2000 2500 3000", 'at="100" type="uint16" byte-order="little" conversion="tenth"')
)
NEW_BASE = data(at_100=struct.pack("<5H", 100, 126, 152, 178, 204))


@pytest.mark.parametrize(
    ("how", "tenths"),
    [
        # +2 mg at 2000 rpm; half of that, +1 mg, halfway to the unchanged neighbours.
        (CarriedQuantity.DELTA, (100, 136, 172, 188, 204)),
        # 17/15 at 2000 rpm: 15.2 becomes 17.2267; 16/15 halfway: 13.44 and 18.9867.
        (CarriedQuantity.RATIO, (100, 134, 172, 190, 204)),
        # 17 mg at 2000 rpm, (10 + 17)/2 and (17 + 20)/2 halfway; the ends are as in the new base.
        (CarriedQuantity.VALUE, (100, 135, 170, 185, 204)),
    ],
)
def test_a_change_is_read_between_the_old_breakpoints(how: CarriedQuantity, tenths: tuple[int, ...]) -> None:
    done = carried(OLD, OLD_BASE, REWORK, NEW, NEW_BASE, how)
    assert content(done) == data(at_100=struct.pack("<5H", *tenths))
    (moved,) = done.items
    assert (moved.name, moved.kind, moved.unit, moved.cells) == ("fuel", "curve", "mg", 3)


def test_the_largest_deviation_is_reported_with_its_place() -> None:
    (moved,) = carried(OLD, OLD_BASE, REWORK, NEW, NEW_BASE, CarriedQuantity.RATIO).items
    assert moved.deviation == pytest.approx(0.04)  # 13.44 is stored as 13.4
    assert moved.cell is not None
    assert moved.cell.at == {"speed": 1500.0}
    assert place(moved.cell) == "at 1500 rpm"
    (moved,) = carried(OLD, OLD_BASE, REWORK, NEW, NEW_BASE).items
    assert (moved.deviation, moved.cell) == (0.0, None)


def test_a_map_is_read_between_four_cells_and_held_beyond_them() -> None:
    def a_map(x: str, y: str, storage: str) -> bytes:
        return software(f"""
        <map name="fuel" title="Fuel" purpose="general" {storage}>
          <x><fixed-axis signal="speed" values="{x}"/></x>
          <y><fixed-axis signal="load" values="{y}"/></y>
        </map>""")

    old = a_map("1000 2000", "10 20", 'at="0" type="uint8" conversion="whole"')
    new = a_map("500 1000 1500 2000", "10 15 20", 'at="64" type="uint8" conversion="whole"')
    done = carried(
        old, data(at_0=bytes(4)), data(at_0=bytes([0, 4, 8, 12])), new, data(at_64=bytes([50] * 12))
    )
    # Held at 500 rpm; the middle of 0, 4, 8 and 12 is 6.
    changes = [0, 0, 2, 4, 4, 4, 6, 8, 8, 8, 10, 12]
    assert content(done) == data(at_64=bytes(50 + change for change in changes))
    (note,) = done.notes
    assert note_message(note.reason) == "2 cells outside the old breakpoints hold the outermost change"


def test_a_map_whose_axes_changed_places_is_turned() -> None:
    def a_map(first: str, second: str, storage: str) -> bytes:
        axes = {"speed": "1000 2000 3000", "load": "10 20"}
        x, y = (
            f'<{axis}><fixed-axis signal="{signal}" values="{axes[signal]}"/></{axis}>'
            for axis, signal in (("x", first), ("y", second))
        )
        return software(f'<map name="fuel" title="Fuel" purpose="general" {storage}>{x}{y}</map>')

    old = a_map("speed", "load", 'at="0" type="uint8" conversion="whole"')
    new = a_map("load", "speed", 'at="32" type="uint8" conversion="whole" order="y-first"')
    rework = data(at_0=bytes([1, 2, 3, 4, 5, 6]))
    # y-first in memory and turned: the same bytes in the same order.
    turned = carried(old, data(), rework, new, data(at_32=bytes([100] * 6)))
    assert content(turned) == data(at_32=bytes([101, 102, 103, 104, 105, 106]))
    missing = carried(old, data(), data(at_5=b"\xff"), new, data(at_32=bytes([100] * 6)))
    problem = only(missing)
    assert problem.reason is Reason.DOES_NOT_FIT
    assert problem_message(problem.cause) == "355 mg does not fit the new type, which holds 0 to 255 mg"
    assert problem.cell is not None
    assert problem.cell.at == {"load": 20.0, "speed": 3000.0}


# Laws

_TYPES = {"uint8": "B", "int8": "b", "uint16": "H", "int16": "h", "uint32": "I", "int32": "i", "uint64": "Q"}
_SEALED = """
    <identity name="software number" at="0xF0" text="DEMO"/>
    <checksum name="outer" algorithm="CRC-32/ISO-HDLC" start="0" size="0xF8"
              stored-at="0xF8" byte-order="big"/>
    <checksum name="inner" algorithm="sum16" start="0" size="0xE0" stored-at="0xE0" byte-order="big"/>
"""


def sealed(plain: bytes) -> bytes:
    """An image with both checksums right, the inner one first because the outer one covers it."""
    new = bytearray(plain)
    new[0xF0:0xF4] = b"DEMO"
    new[0xE0:0xE2] = (sum(new[:0xE0]) & 0xFFFF).to_bytes(2, "big")
    new[0xF8:0xFC] = crc32(new[:0xF8]).to_bytes(4, "big")
    return bytes(new)


@st.composite
def whole_software(draw: st.DrawFn) -> tuple[bytes, list[int]]:
    """A definition with tables of all kinds behind one another, and the bytes that anyone may edit."""
    order = draw(st.sampled_from(["big", "little"]))
    free: list[int] = []
    at, tables = 16, ""
    for number in range(draw(st.integers(1, 4))):
        kind = draw(st.sampled_from([*_TYPES, "mask"]))
        size = struct.calcsize(_TYPES.get(kind, "H"))
        conversion = draw(st.sampled_from(["whole", "half", "tenth", "shifted", "bent"]))
        storage = f'at="{at}" type="{"uint16" if kind == "mask" else kind}" conversion="{conversion}"'
        storage += ' mask="0x0FF0"' if kind == "mask" else ""
        off = draw(st.sampled_from(["", '<off raw="7"/>']))
        on_axis = draw(st.booleans())
        axis = '<x axis="speeds"/>' if on_axis else '<x><fixed-axis signal="speed" values="1 2"/></x>'
        shape = f'<y><fixed-axis signal="load" values="5 9"/></y>{off}'
        tables += f'<map name="t{number}" title="T" purpose="general" {storage}>{axis}{shape}</map>'
        count = 4 if not on_axis else 6
        free += range(at, at + size * count) if kind != "mask" else []
        # A mask leaves bits that nothing defines, which no rework may touch.
        free += range(at + 1, at + 1, 2) if kind == "mask" else []
        at += size * count
    tables += f'<text name="label" title="L" purpose="general" at="{at}" length="4" encoding="latin-1"/>'
    free += range(at, at + 4)
    axes = '<axis name="speeds" signal="speed" at="0" type="uint16" conversion="rpm" count="3"/>'
    return software(tables, axes, _SEALED, byte_order=order), [*free, *range(6)]


@given(whole_software(), st.sampled_from(HOWS), st.binary(min_size=0xE0, max_size=0xE0), st.data())
@examples(40)
def test_on_its_own_base_a_rework_is_reproduced_to_the_byte(
    result: tuple[bytes, list[int]], how: CarriedQuantity, start: bytes, choice: st.DataObject
) -> None:
    xml, free = result
    base = sealed(start + bytes(32))
    edits = choice.draw(st.dictionaries(st.sampled_from(free), st.integers(0, 255), max_size=12))
    new = bytearray(base)
    for at, value in edits.items():
        new[at] = value
    rework = sealed(bytes(new))
    done = carried(xml, base, rework, xml, base, how)
    # An off code that becomes another value and the like must go over too: nothing may be refused.
    assert content(done) == rework
    assert all(moved.deviation == 0 for moved in done.items)


@pytest.mark.parametrize("how", HOWS)
@pytest.mark.parametrize("kind", ["float32", "float64"])
def test_floats_are_reproduced_on_their_own_base(how: CarriedQuantity, kind: str) -> None:
    xml = software(curve("1 2 3", f'at="0" type="{kind}" conversion="tenth"'))
    code = ">3f" if kind == "float32" else ">3d"
    base, rework = (
        data(at_0=struct.pack(code, *values)) for values in ((0.1, 7e-9, 3.3), (0.7, 7.1e-9, -0.0))
    )
    assert content(carried(xml, base, rework, xml, base, how)) == rework


@pytest.mark.parametrize("how", HOWS)
def test_a_value_is_carried_exactly_if_the_bases_are_equal(how: CarriedQuantity) -> None:
    old = software(curve("1 2", 'at="0" type="float32" conversion="plain"'), conversions=PLAIN)
    new = software(curve("1 2", 'at="20" type="float64" conversion="plain"'), conversions=PLAIN)
    assert 1e10 + (1e-3 - 1e10) != 1e-3, "what a sum would make of it"
    done = carried(
        *(old, data(at_0=struct.pack(">2f", 1e10, 2e10)), data(at_0=struct.pack(">2f", 1e-3, 7.7))),
        *(new, data(at_20=struct.pack(">2d", 1e10, 2e10)), how),
    )
    values = struct.unpack(">2f", struct.pack(">2f", 1e-3, 7.7))
    assert content(done) == data(at_20=struct.pack(">2d", *values))


@given(whole_software(), whole_software(), st.sampled_from(HOWS), st.binary(min_size=256, max_size=256))
@examples(40)
def test_an_unchanged_rework_gives_the_new_base_byte_for_byte(
    old: tuple[bytes, list[int]], new: tuple[bytes, list[int]], how: CarriedQuantity, start: bytes
) -> None:
    done = carried(old[0], start[::-1], start[::-1], new[0], start, how)
    assert content(done) == start  # its stale checksums too
    assert (done.items, done.renewals) == ((), ())


@st.composite
def finer_storage(draw: st.DrawFn) -> tuple[str, str, str, Fraction]:
    """Another place, type, byte order and order of cells; a struct format, and a step of at most 0.5 mg."""
    kind = draw(st.sampled_from(["int16", "uint16", "int32", "uint32"]))
    order = draw(st.sampled_from(["big", "little"]))
    conversion, step = draw(
        st.sampled_from([("half", Fraction(1, 2)), ("fifth", Fraction(1, 5)), ("tenth", Fraction(1, 10))])
    )
    at = draw(st.integers(0, 200))
    storage = f'at="{at}" type="{kind}" byte-order="{order}" conversion="{conversion}"'
    return storage, kind, order, step


@given(
    finer_storage(),
    st.sampled_from([CarriedQuantity.DELTA, CarriedQuantity.VALUE]),
    st.lists(st.integers(0, 100), min_size=4, max_size=4),
    st.lists(st.integers(0, 100), min_size=4, max_size=4),
    st.lists(st.integers(500, 700), min_size=4, max_size=4),
)
def test_a_finer_type_elsewhere_takes_a_change_to_half_a_step(
    storage: tuple[str, str, str, Fraction],
    how: CarriedQuantity,
    old: list[int],
    rework: list[int],
    base: list[int],
) -> None:
    type_, kind, order, step = storage
    at = int(type_.split('"')[1])
    code = f"{'>' if order == 'big' else '<'}4{_TYPES[kind]}"
    xml = software(curve("1 2 3 4", 'at="0" type="uint8" conversion="half"'))
    new = software(curve("1 2 3 4", type_))
    new_base = bytearray(data())
    struct.pack_into(code, new_base, at, *base)
    done = carried(xml, data(at_0=bytes(old)), data(at_0=bytes(rework)), new, bytes(new_base), how)
    result = struct.unpack_from(code, content(done), at)
    deviations = []
    for before, after, start, stored in zip(old, rework, base, result, strict=True):
        if before == after:
            assert stored == start
            continue
        wanted = Fraction(after, 2) + (
            start * step - Fraction(before, 2) if how is CarriedQuantity.DELTA else 0
        )
        deviations.append(abs(stored * step - wanted))
        assert deviations[-1] <= step / 2
    if deviations:
        assert done.items[0].deviation == pytest.approx(float(max(deviations)), abs=1e-12)


@given(
    st.tuples(st.integers(0, 20), st.integers(-4, 6), st.integers(-4, 6)),
    st.lists(st.integers(1000, 9000), unique=True, max_size=6),
    st.lists(st.integers(10, 70), unique=True, max_size=4),
)
@examples(40)
def test_a_linear_change_is_exact_to_half_a_step_on_finer_axes(
    plane: tuple[int, int, int], more_x: list[int], more_y: list[int]
) -> None:
    start, slope_x, slope_y = plane
    # One raw step a breakpoint: so many tenths of a milligram at 1000, 2000 and on, and at 10, 20 and on.
    xs, ys = range(1000, 10000, 1000), range(10, 80, 10)

    def change(x: int, y: int) -> Fraction:
        return start + slope_x * Fraction(x - 1000, 1000) + slope_y * Fraction(y - 10, 10)

    def a_map(columns: Sequence[int], rows: Sequence[int], at: int) -> bytes:
        x, y = (" ".join(map(str, values)) for values in (columns, rows))
        return definition_xml(
            f"""<map name="fuel" title="F" purpose="general" at="{at}" type="uint16" conversion="tenth">
            <x><fixed-axis signal="speed" values="{x}"/></x>
            <y><fixed-axis signal="load" values="{y}"/></y></map>""",
            conversions=CONVERSIONS,
            size=1024,
        )

    base = image(1024, at_0=u16(*[500] * 63))
    rework = image(1024, at_0=u16(*[int(500 + change(x, y)) for y in ys for x in xs]))
    columns, rows = sorted({*xs, *more_x}), sorted({*ys, *more_y})
    new_base = image(1024, at_256=u16(*[300] * len(columns) * len(rows)))
    done = carried(a_map(xs, ys, 0), base, rework, a_map(columns, rows, 256), new_base)
    result = struct.unpack_from(f">{len(columns) * len(rows)}H", content(done), 256)
    wanted = [300 + change(x, y) for y in rows for x in columns]
    assert all(abs(raw - value) <= Fraction(1, 2) for raw, value in zip(result, wanted, strict=True))


def _weights(breakpoints: Sequence[int], point: int) -> dict[int, Fraction]:
    """The weight of each breakpoint's index at a point, held at the ends; those with none are left out."""
    if point <= breakpoints[0]:
        return {0: Fraction(1)}
    if point >= breakpoints[-1]:
        return {len(breakpoints) - 1: Fraction(1)}
    high = next(index for index, value in enumerate(breakpoints) if value >= point)
    share = Fraction(point - breakpoints[high - 1], breakpoints[high] - breakpoints[high - 1])
    return {index: weight for index, weight in {high - 1: 1 - share, high: share}.items() if weight}


_RISING = st.lists(st.integers(0, 30), min_size=1, max_size=5, unique=True).map(sorted)


@given(st.sampled_from(HOWS), _RISING, _RISING, _RISING, _RISING, st.data())
@examples(40)
def test_every_cell_is_what_an_interpolation_in_fractions_gives(
    how: CarriedQuantity,
    xs: list[int],
    ys: list[int],
    new_xs: list[int],
    new_ys: list[int],
    choice: st.DataObject,
) -> None:
    def a_map(columns: list[int], rows: list[int], storage: str) -> bytes:
        x, y = (" ".join(map(str, values)) for values in (columns, rows))
        return software(f"""<map name="fuel" title="F" purpose="general" {storage}>
            <x><fixed-axis signal="speed" values="{x}"/></x>
            <y><fixed-axis signal="load" values="{y}"/></y></map>""")

    cells = len(xs) * len(ys)
    old = choice.draw(st.lists(st.integers(1, 255), min_size=cells, max_size=cells))
    edits = choice.draw(st.dictionaries(st.integers(0, cells - 1), st.integers(0, 255), max_size=6))
    rework = [edits.get(number, value) for number, value in enumerate(old)]
    amount = len(new_xs) * len(new_ys)
    base = choice.draw(st.lists(st.integers(0, 900_000), min_size=amount, max_size=amount))
    done = carried(
        a_map(xs, ys, 'at="0" type="uint8" conversion="whole"'),
        data(at_0=bytes(old)),
        data(at_0=bytes(rework)),
        a_map(new_xs, new_ys, 'at="64" type="int32" conversion="thousandth"'),
        data(at_64=struct.pack(f">{amount}i", *base)),
        how,
    )
    changed = {number for number in range(cells) if old[number] != rework[number]}
    seen: set[int] = set()
    wanted: list[Fraction | None] = []
    for number, start in enumerate(base):
        y, x = divmod(number, len(new_xs))
        weights = {
            row * len(xs) + column: by_x * by_y
            for column, by_x in _weights(xs, new_xs[x]).items()
            for row, by_y in _weights(ys, new_ys[y]).items()
        }
        if not changed & weights.keys():
            wanted.append(None)
            continue
        seen |= weights.keys()
        here = Fraction(start, 1000)
        if how is CarriedQuantity.DELTA:
            wanted.append(here + sum(w * (rework[n] - old[n]) for n, w in weights.items()))
        elif how is CarriedQuantity.RATIO:
            wanted.append(here * sum(w * Fraction(rework[n], old[n]) for n, w in weights.items()))
        else:
            wanted.append(sum((w * rework[n] for n, w in weights.items()), Fraction(0)))
    if done.image is None:
        # The only way to fail: no new breakpoint sees a changed cell, or what they see is nothing.
        assert {problem.reason for problem in done.problems} == {Reason.VANISHES}
        lost = {(p.cell.y * len(xs) + p.cell.x) for p in done.problems if p.cell}
        assert lost <= changed
        assert changed - seen <= lost
        return
    assert changed <= seen
    result = struct.unpack_from(f">{amount}i", content(done), 64)
    for stored, start, value in zip(result, base, wanted, strict=True):
        if value is None:
            assert stored == start
        else:
            assert abs(Fraction(stored, 1000) - value) <= Fraction(1, 2000) + Fraction(1, 10**9)


# What does not fit


def test_a_value_that_the_new_type_cannot_hold_is_a_problem_with_its_place() -> None:
    new = software(curve("1000 2000 3000", 'at="0" type="uint8" conversion="tenth"'))
    problem = only(carried(OLD, OLD_BASE, data(at_16=bytes([20, 30, 60])), new, data(at_0=bytes([200] * 3))))
    assert (problem.name, problem.reason) == ("fuel", Reason.DOES_NOT_FIT)
    assert problem_message(problem.cause) == "30 mg does not fit the new type, which holds 0 to 25.5 mg"
    assert problem.cell is not None
    assert place(problem.cell) == "at 3000 rpm"


def test_a_value_at_the_end_of_the_new_type_fits() -> None:
    new = software(curve("1000 2000 3000", 'at="0" type="uint8" conversion="half"'))
    rework = data(at_16=bytes([20, 30, 95]))
    assert content(carried(OLD, OLD_BASE, rework, new, data(at_0=bytes([0, 0, 200]))))[2] == 255


@pytest.mark.parametrize(
    ("new", "message"),
    [
        ("", "the new software has no such table"),
        (
            scalar('at="0" type="uint8" conversion="half"', name="fuel"),
            "it is a curve in the old software and a scalar in the new one",
        ),
        (
            curve("1000 2000 3000", 'at="0" type="uint8" conversion="bar"'),
            "its unit was mg and is bar in the new software",
        ),
        (
            curve("1000 2000 3000", 'at="0" type="uint8" conversion="half"', signal="load"),
            "its axes were speed (rpm) and are load (mg) in the new software",
        ),
        (
            curve("1000 2000 3000", 'at="0" type="uint8" conversion="new_modes"'),
            "it holds named states in one software and numbers in the other",
        ),
    ],
)
def test_a_table_without_a_partner_is_a_problem(new: str, message: str) -> None:
    problem = only(carried(OLD, OLD_BASE, REWORK, software(new), data()))
    assert (problem.name, problem.reason, problem_message(problem.cause)) == (
        "fuel",
        Reason.NO_PARTNER,
        message,
    )


def test_a_coarser_type_is_a_problem_only_where_it_misses_by_more_than_half_an_old_step() -> None:
    new = software(curve("1000 2000 3000", 'at="0" type="uint8" conversion="whole"'))
    new_base = data(at_0=bytes([10, 15, 20]))
    assert content(carried(OLD, OLD_BASE, REWORK, new, new_base)) == data(at_0=bytes([10, 17, 20]))
    problem = only(carried(OLD, OLD_BASE, data(at_16=bytes([20, 35, 40])), new, new_base))
    assert problem.reason is Reason.LOSES_RESOLUTION
    assert problem_message(problem.cause).startswith(
        "17.5 mg would become 18 mg, which is off by more than half a step"
    )


def test_a_change_that_rounding_takes_away_is_a_problem_of_the_old_cell() -> None:
    # 10 mg became 10.5 mg: 5 % of 1 mg is less than half of 0.5 mg.
    new = software(curve("1000 2000 3000", 'at="0" type="uint8" conversion="half"'))
    rework = data(at_16=bytes([21, 30, 40]))
    problem = only(carried(OLD, OLD_BASE, rework, new, data(at_0=bytes([2, 30, 40])), CarriedQuantity.RATIO))
    assert problem.reason is Reason.VANISHES
    assert problem.is_old
    assert (
        problem_message(problem.cause)
        == "the change of +0.5 mg vanishes when it is rounded to the new table's values"
    )
    assert problem.cell is not None
    assert problem.cell.at == {"speed": 1000.0}


@pytest.mark.parametrize("how", HOWS)
def test_a_change_that_no_new_breakpoint_sees_is_a_problem(how: CarriedQuantity) -> None:
    new = software(curve("1000 3000", 'at="0" type="uint8" conversion="half"'))
    problem = only(carried(OLD, OLD_BASE, REWORK, new, data(at_0=bytes([20, 40])), how))
    assert (problem.reason, problem.is_old) == (Reason.VANISHES, True)
    assert problem_message(problem.cause).startswith(
        "the new table has no breakpoint at or next to this cell"
    )
    assert problem.cell is not None
    assert place(problem.cell) == "at 2000 rpm"


def test_a_peak_between_the_new_breakpoints_is_flattened_with_a_note() -> None:
    new = software(curve("1000 1500 2500 3000", 'at="0" type="uint8" conversion="half"'))
    done = carried(OLD, OLD_BASE, REWORK, new, data(at_0=bytes([20, 25, 35, 40])))
    assert content(done) == data(at_0=bytes([20, 27, 37, 40]))
    (note,) = done.notes
    assert note_message(note.reason) == "the new breakpoints flatten the change by at most 1 mg"
    assert note.cell is not None
    assert note.cell.at == {"speed": 2000.0}


@pytest.mark.parametrize(("tenths", "notes"), [(10, 0), (15, 1)])
def test_a_change_is_flattened_where_more_than_half_an_old_step_is_lost(tenths: int, notes: int) -> None:
    # 9 tenths of it stand at 1900 rpm, and 10 of 11 parts of that at 2000 rpm: 1 mg loses 0.18 mg, and 1.5 mg
    # loses 0.27 mg; half a step is 0.25 mg.
    new = software(curve("1000 1900 3000", 'at="0" type="uint16" conversion="tenth"'))
    rework = data(at_16=bytes([20, 30 + tenths // 5, 40]))
    done = carried(OLD, OLD_BASE, rework, new, data(at_0=u16(100, 145, 200)))
    assert not done.problems
    assert len(done.notes) == notes


@pytest.mark.parametrize(("last", "notes"), [(15, 0), (16, 1)])
def test_repeated_breakpoints_give_no_note_about_flattening(last: int, notes: int) -> None:
    def a_map(x: str, storage: str) -> bytes:
        return software(f"""
        <map name="fuel" title="Fuel" purpose="general" {storage}>
          <x>{x}</x><y><fixed-axis signal="load" values="10 20"/></y>
        </map>""")

    old = a_map('<fixed-axis signal="speed" values="10 20 30"/>', 'at="0" type="uint8" conversion="half"')
    axis = '<axis signal="speed" at="32" type="uint8" conversion="rpm" count="3"/>'
    new = a_map(axis, 'at="40" type="uint8" conversion="tenth"')
    base, rework = data(at_0=bytes([9] * 6)), data(at_0=bytes([9, 13, 9] * 2))
    done = carried(old, base, rework, new, data(at_32=bytes([15, last, 30]), at_40=bytes([45] * 6)))
    assert not done.problems
    assert len(done.notes) == notes


def test_limits_are_those_of_the_new_definition() -> None:
    def limited(most: str) -> bytes:
        table = curve("1000 2000 3000", 'at="0" type="uint8" conversion="half"', f'<limits max="{most}"/>')
        return software(table)

    new_base = data(at_0=bytes([20, 30, 60]))
    assert content(carried(OLD, OLD_BASE, REWORK, limited("17"), new_base))[1] == 34
    problem = only(carried(OLD, OLD_BASE, REWORK, limited("16.5"), new_base))
    assert problem.reason is Reason.OUTSIDE_LIMITS
    assert problem_message(problem.cause) == "17.0 mg is above the new software's limit of 16.5 mg"


def test_a_ratio_to_a_base_of_zero_becomes_a_difference_with_a_note() -> None:
    base, rework = data(at_16=bytes([0, 30, 40])), data(at_16=bytes([6, 33, 40]))
    new_base = data(at_100=struct.pack("<5H", 50, 100, 100, 100, 100))
    done = carried(OLD, base, rework, NEW, new_base, CarriedQuantity.RATIO)
    # +3 mg at 1000 rpm; +2.25 mg beside it, where the zero has weight; then the factor 1.1, and 1.05.
    assert content(done) == data(at_100=struct.pack("<5H", 80, 122, 110, 105, 100))
    (note,) = done.notes
    assert (
        note_message(note.reason)
        == "the old base is 0 here, which has no ratio; the difference was carried instead"
    )
    assert note.cell is not None
    assert note.cell.at == {"speed": 1000.0}


def test_a_value_that_is_not_a_number_is_a_problem() -> None:
    xml = software(curve("1 2", 'at="0" type="float32"'))
    base, rework = (data(at_0=struct.pack(">2f", 1.0, value)) for value in (1.0, float("nan")))
    for how in HOWS:
        assert only(carried(xml, base, rework, xml, base, how)).reason is Reason.NO_NUMBER


def test_floats_go_into_whole_numbers_by_the_digits_that_their_conversion_shows() -> None:
    shown = CONVERSIONS + '<linear name="shown" unit="mg" factor="1" decimals="1"/>'
    old = software(curve("1 2", 'at="0" type="float32" conversion="shown"'), conversions=shown)
    base, rework = (data(at_0=struct.pack(">2f", 1.0, value)) for value in (1.0, 1.24))
    new = software(curve("1 2", 'at="0" type="uint16" conversion="tenth"'))
    assert content(carried(old, base, rework, new, data(at_0=u16(10, 10)))) == data(at_0=u16(10, 12))
    exact = software(curve("1 2", 'at="0" type="float32" conversion="whole"'), conversions=shown)
    problem = only(carried(exact, base, rework, new, data(at_0=u16(10, 10))))
    assert problem.reason is Reason.LOSES_RESOLUTION


# Off codes

_OFF = '<off raw="255" allowed="anywhere"/>'
OLD_OFF = software(curve("1 2 3", 'at="0" type="uint8" conversion="half"', _OFF))
NEW_OFF = software(
    curve("1 2 3", 'at="0" type="uint16" conversion="tenth"', '<off raw="9999" allowed="anywhere"/>')
)


def test_a_cell_that_is_switched_off_takes_the_new_off_code_at_the_same_breakpoints() -> None:
    for how in HOWS:
        done = carried(
            OLD_OFF, data(at_0=bytes([10, 10, 10])), data(at_0=bytes([10, 255, 10])), NEW_OFF, data(), how
        )
        assert content(done) == data(at_2=u16(9999))
        assert done.items[0].cells == 1


@pytest.mark.parametrize("how", HOWS)
def test_a_cell_that_is_switched_off_in_the_new_base_already_needs_nothing(how: CarriedQuantity) -> None:
    base, rework = data(at_0=bytes([10, 10, 10])), data(at_0=bytes([10, 255, 10]))
    new_base = data(at_0=u16(1, 9999, 1))
    done = carried(OLD_OFF, base, rework, NEW_OFF, new_base, how)
    assert content(done) == new_base
    assert (done.items[0].cells, done.items[0].cell) == (0, None)


def test_a_cell_that_is_switched_on_takes_the_value_where_the_new_base_is_off_too() -> None:
    base, rework = data(at_0=bytes([10, 255, 10])), data(at_0=bytes([10, 20, 10]))
    for how in HOWS:
        done = carried(OLD_OFF, base, rework, NEW_OFF, data(at_0=u16(1, 9999, 1)), how)
        assert content(done) == data(at_0=u16(1, 100, 1))
    on = data(at_0=u16(1, 5, 1))
    problem = only(carried(OLD_OFF, base, rework, NEW_OFF, on))
    assert problem.reason is Reason.OFF_CODE
    assert "--as value" in problem_message(problem.cause)
    assert content(carried(OLD_OFF, base, rework, NEW_OFF, on, CarriedQuantity.VALUE)) == data(
        at_0=u16(1, 100, 1)
    )


def test_a_table_without_an_off_code_cannot_be_switched_off() -> None:
    new = software(curve("1 2 3", 'at="0" type="uint16" conversion="tenth"'))
    problem = only(carried(OLD_OFF, data(), data(at_1=b"\xff"), new, data()))
    assert problem.reason is Reason.OFF_CODE
    assert problem_message(problem.cause) == "the rework switches it off, but the new table has no off code"


def test_beside_a_switched_cell_nothing_is_read() -> None:
    new = software(curve("1 1.5 2 3", 'at="0" type="uint16" conversion="tenth"', '<off raw="9"/>'))
    problem = only(carried(OLD_OFF, data(), data(at_1=b"\xff"), new, data()))
    assert problem.reason is Reason.OFF_CODE
    assert problem.cell is not None
    assert problem.cell.at == {"speed": 1.5}


def test_a_cell_that_is_off_in_the_new_base_has_no_value_to_change() -> None:
    for how in HOWS:
        rework = data(at_0=bytes([10, 12, 10]))
        base = data(at_0=bytes([10, 10, 10]))
        problem = only(carried(OLD_OFF, base, rework, NEW_OFF, data(at_2=u16(9999)), how))
        assert (
            problem_message(problem.cause)
            == "the new base is switched off here, so there is no value to change"
        )


def test_a_value_does_not_become_an_off_code_by_accident() -> None:
    new = software(curve("1000 2000 3000", 'at="0" type="uint8" conversion="half"', '<off raw="34"/>'))
    problem = only(carried(OLD, OLD_BASE, REWORK, new, data(at_0=bytes([20, 30, 40]))))
    assert problem_message(problem.cause) == "17 mg would be stored as the off code of the new table"


# States


def test_states_go_over_by_name_and_between_breakpoints_where_both_sides_agree() -> None:
    old = software(curve("1 2 3", 'at="0" type="uint8" conversion="old_modes"'))
    new = software(curve("1 1.5 2 3 4", 'at="0" type="uint8" conversion="new_modes"'))
    base, new_base = data(at_0=bytes([0, 0, 0])), data(at_0=bytes([7] * 5))
    for how in HOWS:
        done = carried(old, base, data(at_0=bytes([1, 1, 0])), new, new_base, how)
        assert content(done) == data(at_0=bytes([4, 4, 4, 7, 7]))
        assert done.items[0].cells == 3
    problem = only(carried(old, base, data(at_0=bytes([0, 1, 0])), new, new_base))
    assert problem.reason is Reason.STATE
    assert problem_message(problem.cause).startswith("it lies between cells with different states")
    assert problem.cell is not None
    assert problem.cell.at == {"speed": 1.5}


def test_a_state_that_the_new_software_lacks_is_a_problem() -> None:
    old = software(scalar('at="0" type="uint8" conversion="old_modes"'))
    new = software(scalar('at="0" type="uint8" conversion="new_modes"'))
    problem = only(carried(old, data(), data(at_0=b"\x02"), new, data(at_0=b"\x07")))
    assert problem.reason is Reason.STATE
    assert problem_message(problem.cause) == 'the new software has no state "limp" here'
    problem = only(carried(old, data(), data(at_0=b"\x09"), new, data(at_0=b"\x07")))
    assert problem_message(problem.cause) == 'the new software has no state "raw 9" here'


@pytest.mark.parametrize("number", [1e-45, 0.5, float("nan"), float("inf")])
def test_a_float_that_is_not_a_state_is_always_a_problem(number: float) -> None:
    modes = software(scalar('at="0" type="float32" conversion="old_modes"'))
    rework = data(at_0=struct.pack(">f", number))
    problem = only(carried(modes, data(), rework, modes, data()))
    assert problem.reason is Reason.STATE
    assert problem_message(problem.cause).startswith('the new software has no state "raw ')


def test_a_state_goes_over_with_its_very_bits() -> None:
    modes = software(scalar('at="0" type="float32" conversion="old_modes"'))
    minus_zero = data(at_0=struct.pack(">f", -0.0))
    assert content(carried(modes, data(), minus_zero, modes, data())) == minus_zero


# Axes

_AXIS = '<axis name="speeds" signal="speed" at="{at}" type="{type}" conversion="rpm" count="3"/>'


def on_axis(at: int, kind: str, axis: str, more: str = "") -> bytes:
    table = f"""<curve name="fuel" title="F" purpose="general" at="{at}" type="uint8" conversion="whole">
        <x axis="speeds"/></curve>{more}"""
    return software(table, _AXIS.format(at=axis, type=kind))


AXIS_OLD = on_axis(10, "uint8", "0")
AXIS_BASE = data(at_0=bytes([10, 20, 30, 0, 0]), at_10=bytes([1, 2, 3]))
AXIS_REWORK = data(at_0=bytes([10, 25, 30]), at_10=bytes([1, 7, 3]))


def test_a_moved_axis_goes_over_where_the_new_base_has_the_breakpoints_of_the_old_one() -> None:
    new, new_base = on_axis(20, "uint16", "40"), data(at_20=bytes([5, 6, 7]), at_40=u16(10, 20, 30))
    new = on_axis(20, "uint8", "40").replace(b'at="40" type="uint8"', b'at="40" type="uint16"')
    done = carried(AXIS_OLD, AXIS_BASE, AXIS_REWORK, new, new_base)
    assert content(done) == data(at_20=bytes([5, 11, 7]), at_40=u16(10, 25, 30))
    assert [(item.name, item.kind, item.cells) for item in done.items] == [
        ("speeds", "axis", 1),
        ("fuel", "curve", 1),
    ]


def test_a_moved_axis_is_a_problem_where_the_new_base_has_other_breakpoints() -> None:
    new = on_axis(20, "uint8", "40")
    new_base = data(at_20=bytes([5, 6, 7]), at_40=bytes([10, 21, 30]))
    done = carried(AXIS_OLD, AXIS_BASE, AXIS_REWORK, new, new_base)
    assert done.image is None
    axis, table = done.problems
    assert (axis.name, axis.reason) == ("speeds", Reason.AXIS)
    assert problem_message(axis.cause).startswith("the axis was re-spaced: carry it by hand, with fuel;")
    assert (table.name, table.reason) == ("fuel", Reason.AXIS)
    # Its values belong to its breakpoints: leaving out the axis alone is not enough.
    problem = only(carried(AXIS_OLD, AXIS_BASE, AXIS_REWORK, new, new_base, left_out=["speeds"]))
    assert problem.name == "fuel"
    done = carried(AXIS_OLD, AXIS_BASE, AXIS_REWORK, new, new_base, left_out=["speeds", "fuel"])
    assert content(done) == new_base
    assert [item.name for item in done.left_out] == ["speeds", "fuel"]


def test_a_moved_axis_is_a_problem_where_it_would_move_another_table() -> None:
    more = """<curve name="other" title="O" purpose="general" at="60" type="uint8" conversion="whole">
        <x axis="speeds"/></curve>"""
    new = on_axis(20, "uint8", "40", more)
    done = carried(
        AXIS_OLD,
        AXIS_BASE,
        data(at_0=bytes([10, 25, 30]), at_10=bytes([1, 2, 3])),
        new,
        data(at_40=bytes([10, 20, 30])),
    )
    assert problem_message(only(done).cause).endswith(
        "in the new software it does not move the same tables (other)"
    )


#: Speeds in twos, and in threes from 1 on: of both are 10, 16 and 22.
_TWOS, _THREES = (
    f'<linear name="{name}" unit="rpm" factor="{factor}" offset="{offset}"/>'
    for name, factor, offset in (("twos", 2, 0), ("threes", 3, 1))
)


def in_steps(of: str, at: int, axis: int) -> bytes:
    made = on_axis(at, "uint8", str(axis)).replace(b'conversion="rpm"', f'conversion="{of}"'.encode())
    return made.replace(b"<conversions>", f"<conversions>{_TWOS}{_THREES}".encode())


def in_twos(*raw: int) -> bytes:
    return data(at_0=bytes(raw), at_10=bytes([1, 2, 3]))


#: The same breakpoints in threes, at 40, and other cells, at 20.
IN_THREES = in_steps("threes", 20, 40), data(at_40=bytes([3, 5, 7]), at_20=bytes([5, 6, 7]))


def test_a_moved_axis_goes_over_to_coarser_breakpoints_to_half_an_old_step() -> None:
    # 18 rpm would be (18 - 1) / 3 = 5.67, which is stored as 6 and is 19 rpm.
    done = carried(in_steps("twos", 10, 0), in_twos(5, 8, 11), in_twos(5, 9, 11), *IN_THREES)
    assert content(done) == data(at_40=bytes([3, 6, 7]), at_20=bytes([5, 6, 7]))
    (moved,) = done.items
    assert (moved.name, moved.kind, moved.title, moved.unit) == ("speeds", "axis", "speed", "rpm")
    assert (moved.cells, moved.deviation, deviation(moved), moved.cell) == (1, 1.0, "1 rpm", None)


@pytest.mark.parametrize(
    ("twos", "message"),
    [
        ((5, 9, 10), "breakpoints coincide in the new type"),  # 18 and 20 rpm, which both would be 19
        ((5, 8, 200), None),  # 400 rpm, raw 133
        ((5, 130, 255), None),  # 260 rpm as 259, and 510 rpm as 511
        ((0, 8, 11), None),  # 0 rpm as 1, as less than 0 is not stored
    ],
)
def test_breakpoints_that_fall_together_in_the_new_type_are_a_problem(
    twos: tuple[int, int, int], message: str | None
) -> None:
    done = carried(in_steps("twos", 10, 0), in_twos(5, 8, 11), in_twos(*twos), *IN_THREES)
    if message is None:
        assert not done.problems
    else:
        problem = only(done)
        assert (problem.name, problem.reason) == ("speeds", Reason.AXIS)
        assert (
            problem_message(problem.cause)
            == f"the axis was re-spaced: carry it by hand, with fuel; {message}"
        )


def test_a_breakpoint_that_the_new_type_cannot_hold_is_a_problem() -> None:
    old = on_axis(10, "uint16", "0")
    base, rework = (data(at_0=u16(*speeds), at_10=bytes([1, 2, 3])) for speeds in ((1, 2, 3), (1, 2, 300)))
    new, new_base = on_axis(20, "uint8", "40"), data(at_40=bytes([1, 2, 3]))
    problem = only(carried(old, base, rework, new, new_base))
    assert problem_message(problem.cause).endswith("with fuel; 300 rpm does not fit the new type")


_LOADS = '<axis name="speeds" signal="load" at="40" type="uint8" conversion="whole" count="3"/>'
_FIXED = '<curve name="fuel" title="F" purpose="general" at="20" type="uint8" conversion="whole">'
_FIXED += '<x><fixed-axis signal="speed" values="10 20 30"/></x></curve>'


@pytest.mark.parametrize(
    ("new", "message"),
    [
        (software(_FIXED), "the new software stores no such axis"),
        (
            on_axis(20, "uint8", "40").replace(_AXIS.format(at=40, type="uint8").encode(), _LOADS.encode()),
            "it has another signal or unit in the new software",
        ),
        (
            on_axis(20, "uint8", "40").replace(
                b'<linear name="rpm" unit="rpm"', b'<linear name="rpm" unit="rps"'
            ),
            "it has another signal or unit in the new software",
        ),
    ],
)
def test_an_axis_that_is_another_one_in_the_new_software_is_a_problem(new: bytes, message: str) -> None:
    new_base = data(at_20=bytes([5, 6, 7]), at_40=bytes([10, 20, 30]))
    rework = data(at_0=bytes([10, 25, 30]), at_10=bytes([1, 2, 3]))
    problem = only(carried(AXIS_OLD, AXIS_BASE, rework, new, new_base))
    assert (problem.name, problem.reason) == ("speeds", Reason.AXIS)
    assert problem_message(problem.cause) == f"the axis was re-spaced: carry it by hand, with fuel; {message}"


def test_a_moved_axis_is_a_problem_where_a_table_on_it_is_left_out() -> None:
    new, new_base = on_axis(20, "uint8", "40"), data(at_20=bytes([5, 6, 7]), at_40=bytes([10, 20, 30]))
    problem = only(carried(AXIS_OLD, AXIS_BASE, AXIS_REWORK, new, new_base, left_out=["fuel"]))
    assert (problem.name, problem.reason) == ("speeds", Reason.AXIS)
    assert problem_message(problem.cause).endswith("; tables on it are left out (fuel)")


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_breakpoint_that_is_not_a_number_is_a_problem(value: float) -> None:
    old = on_axis(12, "float32", "0")
    base, rework = (
        data(at_0=struct.pack(">3f", 1, 2, last), at_12=bytes([1, 2, 3])) for last in (3.0, value)
    )
    problem = only(carried(old, base, rework, old, base))
    assert problem_message(problem.cause).endswith("with fuel; a breakpoint is not a number")


def test_a_table_without_rising_breakpoints_goes_over_only_as_it_is() -> None:
    base = data(at_0=bytes([10, 20, 20]), at_10=bytes([1, 2, 3]))
    rework = data(at_0=bytes([10, 20, 20]), at_10=bytes([1, 2, 9]))
    assert content(carried(AXIS_OLD, base, rework, AXIS_OLD, base)) == rework
    other = data(at_0=bytes([10, 20, 30]), at_10=bytes([1, 2, 3]))
    problem = only(carried(AXIS_OLD, base, rework, AXIS_OLD, other))
    assert problem.reason is Reason.AXIS
    assert problem_message(problem.cause).startswith("its breakpoints neither rise nor fall throughout")


def test_a_falling_axis_is_read_like_any_other() -> None:
    old = software(curve("3000 2000 1000", 'at="16" type="uint8" conversion="half"'))
    done = carried(old, data(at_16=bytes([40, 30, 20])), data(at_16=bytes([40, 34, 20])), NEW, NEW_BASE)
    assert content(done) == data(at_100=struct.pack("<5H", 100, 136, 172, 188, 204))


# Texts and the rest


def text(at: int, length: int, encoding: str = "latin-1") -> str:
    return (
        f'<text name="label" title="L" purpose="general" at="{at}" length="{length}" encoding="{encoding}"/>'
    )


def test_a_text_goes_over_where_its_length_fits() -> None:
    old, rework = software(text(0, 8)), data(at_0=b"HERON   ")
    new_base = data(at_20=b"FACTORY     ")
    done = carried(old, data(at_0=b"FACTORY "), rework, software(text(20, 12)), new_base)
    assert content(done) == data(at_20=b"HERON       ")
    done = carried(old, data(at_0=b"FACTORY "), rework, software(text(20, 5)), data())
    assert content(done) == data(at_20=b"HERON")
    problem = only(carried(old, data(at_0=b"FACTORY "), rework, software(text(20, 4)), data()))
    assert (problem.name, problem.reason) == ("label", Reason.TEXT)
    assert problem_message(problem.cause) == '"HERON" is longer than the 4 bytes that the new software has'


def test_a_text_that_the_new_encoding_lacks_is_a_problem() -> None:
    old = software(text(0, 8))
    problem = only(carried(old, data(), data(at_0=b"B\xf8lge"), software(text(0, 9, "ascii")), data()))
    assert problem.reason is Reason.TEXT
    assert "cannot be written in ascii" in problem_message(problem.cause)
    done = carried(old, data(), data(at_0=b"B\xf8lge"), software(text(0, 9, "utf-8")), data())
    assert content(done) == data(at_0="Bølge".encode())
    problem = only(carried(old, data(), data(at_0=b"X"), software(""), data()))
    assert (problem.name, problem.reason) == ("label", Reason.NO_PARTNER)
    assert problem_message(problem.cause) == "the new software has no such text"


def test_bytes_that_are_not_text_are_carried_only_to_a_text_of_the_same_storage() -> None:
    old, rework = software(text(0, 8, "ascii")), data(at_0=b"B\xf8lge   ")
    done = carried(old, data(), rework, software(text(20, 8, "ascii")), data())
    assert content(done) == data(at_20=b"B\xf8lge   ")
    for other in (text(20, 9, "ascii"), text(20, 8, "latin-1")):
        problem = only(carried(old, data(), rework, software(other), data()))
        assert problem.reason is Reason.TEXT
        assert (
            problem_message(problem.cause)
            == "its bytes are not valid ascii, so they cannot be stored in another way"
        )


def test_bytes_that_nothing_defines_are_a_problem_unless_they_are_left_out() -> None:
    rework = data(at_16=bytes([20, 34, 40]), at_200=b"\x01\x02")
    problem = only(carried(OLD, OLD_BASE, rework, NEW, NEW_BASE))
    assert (problem.name, problem.reason) == (UNEXPLAINED, Reason.UNEXPLAINED)
    assert problem_message(problem.cause) == "the old definition does not cover 2 changed bytes from 0x000C8"
    done = carried(OLD, OLD_BASE, rework, NEW, NEW_BASE, left_out=[UNEXPLAINED])
    assert content(done) == data(at_100=struct.pack("<5H", 100, 136, 172, 188, 204))


def test_a_left_out_table_is_not_a_problem_and_keeps_its_bytes() -> None:
    both = scalar('at="40" type="uint8" conversion="whole"')
    fuel = curve("1000 2000 3000", 'at="16" type="uint8" conversion="half"')
    old, new = software(fuel + both), software(both)
    rework = data(at_16=bytes([20, 34, 40]), at_40=b"\x09")
    assert only(carried(old, OLD_BASE, rework, new, data())).name == "fuel"
    done = carried(old, OLD_BASE, rework, new, data(), left_out=["fuel"])
    assert content(done) == data(at_40=b"\x09")
    assert [(left.name, left.what) for left in done.left_out] == [("fuel", OmittedCells(1))]


def test_masked_tables_that_share_their_bytes_keep_each_others_bits() -> None:
    old = software(
        scalar('at="0" type="uint8" conversion="whole"', name="a")
        + scalar('at="1" type="uint8" conversion="whole"', name="b")
    )
    new = software(
        scalar('at="8" type="uint16" byte-order="little" conversion="whole" mask="0x0FF0"', name="a")
        + scalar('at="8" type="uint16" byte-order="little" conversion="whole" mask="0x700F"', name="c")
        + scalar('at="8" type="uint16" byte-order="little" conversion="whole" mask="0x8000"', name="b")
    )
    done = carried(old, data(), data(at_0=b"\x21\x01"), new, data(at_8=struct.pack("<H", 0x7125)))
    # 0x12 + 0x21 = 0x33 in the middle, and the topmost bit set.
    assert content(done) == data(at_8=struct.pack("<H", 0xF335))


def test_a_table_that_shares_bytes_with_another_one_is_not_written() -> None:
    other = scalar('at="102" type="uint8" conversion="whole"', name="other")
    new = NEW.replace(b"</tables>", other.encode() + b"</tables>")
    problem = only(carried(OLD, OLD_BASE, REWORK, new, NEW_BASE))
    assert (problem.name, problem.reason) == ("other", Reason.OVERLAP)
    assert (
        problem_message(problem.cause)
        == "it shares bytes with something that is carried, which would change it too"
    )


@pytest.mark.parametrize(
    ("conversion", "old", "rework"), [("whole", b"\1\2\3", b"\1\2\7"), ("old_modes", b"\0\1\2", b"\0\1\1")]
)
def test_a_cell_that_a_part_of_an_image_does_not_hold_is_a_problem(
    conversion: str, old: bytes, rework: bytes
) -> None:
    xml = software(curve("1 2 3", f'at="16" type="uint8" conversion="{conversion}"'))
    before = decoded(xml, data(at_16=old))
    part = decode(before.layout, Image.raw(data(at_16=old)[:18], 0, is_part=True))
    problem = only(carry(before, decode(before.layout, Image.raw(data(at_16=rework))), part))
    assert (problem.name, problem.reason) == ("fuel", Reason.NO_PARTNER)
    assert problem_message(problem.cause) == "the new base does not hold this cell"
    assert problem.cell is not None and problem.cell.at == {"speed": 3.0}
    # One that it holds goes over.
    held = carry(before, decode(before.layout, Image.raw(data(at_16=b"\0" + old[1:]))), part)
    assert content(held) == data(at_16=b"\0" + old[1:])[:18]


def test_checksums_are_recalculated_the_inner_one_first() -> None:
    new = software(
        curve("1000 1500 2000 2500 3000", 'at="100" type="uint16" byte-order="little" conversion="tenth"'),
        memory=_SEALED,
    )
    done = carried(OLD, OLD_BASE, REWORK, new, sealed(NEW_BASE))
    assert content(done) == sealed(data(at_100=struct.pack("<5H", 100, 136, 172, 188, 204)))
    assert [item.checksum.name for item in done.renewals] == ["inner", "outer"]


def test_a_checksum_that_cannot_be_computed_stops_everything() -> None:
    memory = '<checksum name="odd" algorithm="CRC-9/NONE" start="0" size="8" stored-at="8"/>'
    new = software(curve("1000 2000 3000", 'at="100" type="uint8" conversion="half"'), memory=memory)
    with pytest.raises(UnsealableError, match="odd"):
        carried(OLD, OLD_BASE, REWORK, new, data(at_100=bytes([20, 30, 40])))


def test_an_interpolated_conversion_is_carried_in_its_physical_values() -> None:
    old = software(scalar('at="0" type="uint8" conversion="bent"'))
    new = software(scalar('at="0" type="uint16" conversion="tenth"'))
    done = carried(old, data(at_0=bytes([50])), data(at_0=bytes([60])), new, data(at_0=u16(300)))
    assert content(done) == data(at_0=u16(350))
    # From 100 to 120 the raw value makes no difference.
    problem = only(carried(old, data(at_0=bytes([100])), data(at_0=bytes([110])), new, data(at_0=u16(300))))
    assert problem.reason is Reason.VANISHES
    assert content(carried(old, data(at_0=b"\x64"), data(at_0=b"\x6e"), old, data(at_0=b"\x64")))[0] == 0x6E


def test_an_old_step_is_the_larger_one_where_a_conversion_bends() -> None:
    # Raw 100 is 50 mg. Downwards it goes by half a milligram, upwards not at all, up to raw 120.
    old = software(scalar('at="0" type="uint8" conversion="bent"'))
    new = software(scalar('at="0" type="uint8" conversion="fifth"'))
    # From 10 to 49.5 mg are 39.5 more: 10.4 becomes 49.9, which 49.8 and 50 miss by less than half a step.
    done = carried(old, data(at_0=b"\x14"), data(at_0=b"\x63"), new, data(at_0=b"\x34"))
    assert content(done)[0] in (249, 250)
    (moved,) = done.items
    assert moved.deviation == pytest.approx(0.1)
    # Upwards from raw 120 a step is 50 / 135 mg, of which a tenth of a milligram is less than half too.
    done = carried(old, data(at_0=b"\x14"), data(at_0=b"\x63"), new, data(at_0=b"\x35"))
    assert content(done)[0] in (250, 251)


def test_the_images_that_come_in_are_not_touched() -> None:
    before, after = decoded(OLD, OLD_BASE), decoded(NEW, NEW_BASE)
    kept = [raw.copy() for raw in after.raw]
    done = carry(before, decode(before.layout, Image.raw(REWORK)), after)
    assert content(done) != NEW_BASE
    assert after.image.content.tobytes() == NEW_BASE
    assert all(np.array_equal(item, other) for item, other in zip(kept, after.raw, strict=True))


@pytest.mark.parametrize("is_part", [False, True])
def test_encoding_without_changes_gives_the_same_image(is_part: bool) -> None:
    item = decode(decoded(OLD, OLD_BASE).layout, Image.raw(OLD_BASE, 0, is_part))
    written = encode(item, item.raw, np.zeros(len(item.physical), bool), {})
    assert (written.segments, written.is_part) == (item.image.segments, is_part)
