"""Descriptions into definitions: places, conversions, limits, signals, and the list of losses."""

from __future__ import annotations

from pathlib import Path

import pytest

from callint.model.cell_demands import Gradient, Monotonic
from callint.model.definition import (
    ByteOrder,
    FixedAxis,
    Interpolated,
    Kind,
    Linear,
    NumberType,
    Purpose,
    Range,
    Rational,
    Signal,
    States,
    StoredAxis,
)
from callint.reading.asap2.build import make_definition
from callint.reading.definition import read_definition
from callint.reporting.definition.xml import definition_lines
from tests.building import u16
from tests.describing import (
    COMMON,
    LAYOUTS,
    METHODS,
    SPEED_SIGNAL,
    axis,
    cells,
    described,
    imported,
    made,
    module,
    reasons,
    value,
)

LITTLE = COMMON.replace("MSB_FIRST", "MSB_LAST")


def layout(name: str, *parts: str) -> str:
    return f"/begin RECORD_LAYOUT {name}\n" + "\n".join(parts) + "\n/end RECORD_LAYOUT"


def method(name: str, type: str, rest: str, unit: str = "bar", format: str = "%5.2") -> str:
    return f'/begin COMPU_METHOD {name} "" {type} "{format}" "{unit}" {rest} /end COMPU_METHOD'


def image(**at: bytes) -> bytes:
    data = bytearray(0x400)
    for place, content in at.items():
        start = int(place.removeprefix("at_"), 16)
        data[start : start + len(content)] = content
    return bytes(data)


# Tables


def test_a_value_becomes_a_scalar_with_its_title_limits_and_conversion(tmp_path: Path) -> None:
    result = imported(tmp_path, value("CUT", title="Cut-off  speed", method="SPEED", low=100, high=5000))
    definition = made(result)
    table = definition.tables["CUT"]
    assert (table.title, table.kind, table.purpose) == ("Cut-off speed", Kind.SCALAR, Purpose.GENERAL)
    assert (table.at, table.storage.type, table.storage.byte_order) == (
        0x10,
        NumberType.uint16,
        ByteOrder.BIG,
    )
    assert (table.demands.limits, table.demands.expected) == (Range(100, 5000), None)
    assert definition.conversion_of(table) == Linear("SPEED", "rpm", 0, 20, 0, 0)
    assert cells(definition, image(at_10=u16(210)), "CUT") == [4200]
    assert result.losses == ()
    assert result.is_complete


def test_with_extended_limits_those_are_hard_and_the_others_expected(tmp_path: Path) -> None:
    table = made(imported(tmp_path, value(rest="EXTENDED_LIMITS -5 200"))).tables["LIMIT"]
    assert (table.demands.limits, table.demands.expected) == (Range(-5, 200), Range(0, 100))


def test_limits_that_hold_no_range_are_listed(tmp_path: Path) -> None:
    result = imported(tmp_path, value(low=0, high=0))
    assert made(result).tables["LIMIT"].demands.limits is None
    assert reasons(result) == [("LIMIT", "its limits 0 to 0 are not a range")]


def test_a_curve_with_its_axis_in_the_same_record_has_an_axis_of_its_own(tmp_path: Path) -> None:
    parts = layout(
        "CURVE",
        "NO_AXIS_PTS_X 1 UBYTE",
        "AXIS_PTS_X 2 UWORD INDEX_INCR DIRECT",
        "FNC_VALUES 3 UWORD ROW_DIR DIRECT",
    )
    result = imported(tmp_path, parts, value("C", axis("STD_AXIS", 3), type="CURVE", layout="CURVE"))
    definition = made(result)
    own = definition.axes["C/x"]
    # The count at 0x10; words begin at even addresses: the axis at 0x12, the values behind its three words.
    assert isinstance(own, StoredAxis) and own.stored_count is not None
    assert (own.stored_count.at, own.at, definition.tables["C"].at) == (0x10, 0x12, 0x18)
    data = image(at_10=b"\3", at_12=u16(40, 80, 120), at_18=u16(100, 200, 300))
    assert cells(definition, data, "C/x") == [800, 1600, 2400]
    assert cells(definition, data, "C") == [10, 20, 30]
    assert result.is_complete


@pytest.mark.parametrize(
    ("alignments", "common", "at"),
    [
        ("", "", 0x14),
        ("ALIGNMENT_LONG 2", "", 0x12),
        ("", "ALIGNMENT_LONG 8", 0x18),
        ("ALIGNMENT_LONG 1", "ALIGNMENT_LONG 8", 0x11),
    ],
)
def test_a_part_begins_where_its_alignment_divides_the_address(
    tmp_path: Path, alignments: str, common: str, at: int
) -> None:
    # The record's own alignment, then that of the module, then the size of the type.
    parts = layout("R", "RESERVED 1 BYTE", "FNC_VALUES 2 ULONG ROW_DIR DIRECT", alignments)
    result = imported(tmp_path, parts, value(layout="R"), common=COMMON.replace("/end", f"{common} /end"))
    assert made(result).tables["LIMIT"].at == at


def test_parts_lie_in_the_order_of_their_positions_regardless_of_the_lines(tmp_path: Path) -> None:
    parts = layout(
        "R",
        "FNC_VALUES 7 UBYTE ROW_DIR DIRECT",
        "AXIS_PTS_Y 6 UBYTE INDEX_INCR DIRECT",
        "AXIS_PTS_X 3 UWORD INDEX_INCR DIRECT",
        "NO_AXIS_PTS_Y 2 UBYTE",
        "NO_AXIS_PTS_X 1 UBYTE",
        "SRC_ADDR_X 4 ULONG",
        "IDENTIFICATION 5 UWORD",
    )
    block = value("M", axis("STD_AXIS", 2) + axis("STD_AXIS", 3), type="MAP", layout="R")
    definition = made(imported(tmp_path, parts, block))
    x, y = definition.axes["M/x"], definition.axes["M/y"]
    assert isinstance(x, StoredAxis) and isinstance(y, StoredAxis)
    # 0x10 and 0x11 the counts, 0x12 two words, 0x18 a long, 0x1C a word, 0x1E three bytes, 0x21 the values.
    assert (x.at, y.at, definition.tables["M"].at) == (0x12, 0x1E, 0x21)


@pytest.mark.parametrize(
    ("mode", "first"), [("ROW_DIR", [1, 2, 3, 4, 5, 6]), ("COLUMN_DIR", [1, 4, 2, 5, 3, 6])]
)
def test_rows_have_x_fastest_in_memory_and_columns_y(tmp_path: Path, mode: str, first: list[int]) -> None:
    parts = layout("R", f"FNC_VALUES 1 UWORD {mode} DIRECT")
    fixed = "FIX_AXIS_PAR_DIST 0 1 {}"
    both = axis("FIX_AXIS", 3, fixed.format(3)) + axis("FIX_AXIS", 2, fixed.format(2))
    definition = made(
        imported(tmp_path, parts, value("M", both, type="MAP", layout="R", method="NO_COMPU_METHOD"))
    )
    assert cells(definition, image(at_10=u16(*first)), "M") == [1, 2, 3, 4, 5, 6]


def test_values_that_alternate_with_breakpoints_are_kept_in_a_curve(tmp_path: Path) -> None:
    parts = layout("R", "AXIS_PTS_X 1 UWORD INDEX_INCR DIRECT", "FNC_VALUES 1 SWORD ALTERNATE_WITH_X DIRECT")
    definition = made(imported(tmp_path, parts, value("C", axis("STD_AXIS", 3), type="CURVE", layout="R")))
    data = image(at_10=u16(1, 100, 2, 200, 3, 300))
    assert cells(definition, data, "C/x") == [20, 40, 60]
    assert cells(definition, data, "C") == [10, 20, 30]


def test_alternating_parts_of_several_sizes_are_kept_where_they_are_evenly_spaced(tmp_path: Path) -> None:
    text = "AXIS_PTS_X 2 UBYTE INDEX_INCR DIRECT", "FNC_VALUES 1 UWORD ALTERNATE_WITH_X DIRECT"
    block = value("C", axis("STD_AXIS", 2), type="CURVE", layout="R")
    even = made(imported(tmp_path, layout("R", *text), block))
    # A word, its byte, and a byte of nothing, so that the next word has an even address.
    data = image(at_10=u16(100) + b"\1\0" + u16(200) + b"\2")
    assert (cells(even, data, "C"), cells(even, data, "C/x")) == ([10, 20], [20, 40])
    odd = imported(tmp_path, layout("R", *text, "ALIGNMENT_WORD 4", "ALIGNMENT_BYTE 3"), block)
    assert ("C", "its alternating values and breakpoints are not evenly spaced") in reasons(odd)


def test_a_map_whose_values_alternate_is_listed(tmp_path: Path) -> None:
    parts = layout(
        "R",
        "AXIS_PTS_X 1 UWORD INDEX_INCR DIRECT",
        "AXIS_PTS_Y 2 UWORD INDEX_INCR DIRECT",
        "FNC_VALUES 1 UWORD ALTERNATE_WITH_X DIRECT",
    )
    block = value("M", axis("STD_AXIS", 2) * 2, type="MAP", layout="R")
    result = imported(tmp_path, parts, block, value())
    assert reasons(result) == [("M", "values that alternate with breakpoints are only kept in a curve")]
    assert list(made(result).axes) == []


def test_a_shared_axis_is_shared(tmp_path: Path) -> None:
    points = '/begin AXIS_PTS AX "Speeds" 0x40 N BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
    tables = [
        value(name, axis("COM_AXIS", 4, "AXIS_PTS_REF AX"), type="CURVE", at=at)
        for name, at in (("A", 16), ("B", 32))
    ]
    result = imported(tmp_path, *tables, points)
    definition = made(result)
    assert [definition.tables[name].x for name in "AB"] == ["AX", "AX"]
    assert cells(definition, image(at_40=bytes([40, 80, 120, 160])), "AX") == [800, 1600, 2400, 3200]
    assert definition.axes["AX"].signal == "N"
    assert result.is_complete


@pytest.mark.parametrize(
    ("parameters", "values"),
    [
        # The standard's formulas: offset + i * 2 to the power of shift; offset + i * distance; as listed.
        ("FIX_AXIS_PAR 5 3 4", (100, 260, 420, 580)),
        ("FIX_AXIS_PAR 0 -1 3", (0, 10, 20)),
        ("FIX_AXIS_PAR_DIST 5 10 4", (100, 300, 500, 700)),
        ("/begin FIX_AXIS_PAR_LIST 0 1 50 /end FIX_AXIS_PAR_LIST", (0, 20, 1000)),
    ],
)
def test_a_fixed_axis_is_computed_by_its_parameters_and_converted(
    tmp_path: Path, parameters: str, values: tuple[float, ...]
) -> None:
    result = imported(tmp_path, value("C", axis("FIX_AXIS", len(values), parameters), type="CURVE"))
    own = made(result).axes["C/x"]
    assert isinstance(own, FixedAxis)
    assert (own.values, own.signal) == (values, "N")


@pytest.mark.parametrize(
    ("described", "count"),
    [
        (axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 0 4"), 4),
        (axis("FIX_AXIS", 5, "/begin FIX_AXIS_PAR_LIST 1 2 3 /end FIX_AXIS_PAR_LIST"), 3),
        (axis("STD_AXIS", 5), 4),
        (axis("COM_AXIS", 3, "AXIS_PTS_REF AX"), 4),
    ],
)
def test_counts_of_breakpoints_that_contradict_each_other_are_listed(
    tmp_path: Path, described: str, count: int
) -> None:
    stored = "AXIS_PTS_X 1 UBYTE INDEX_INCR DIRECT", "FNC_VALUES 2 UBYTE ROW_DIR DIRECT"
    parts = layout("R", "FIX_NO_AXIS_PTS_X 4", *(stored if "STD_AXIS" in described else stored[1:]))
    points = '/begin AXIS_PTS AX "" 0x40 N BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
    result = imported(tmp_path, parts, points, value("C", described, type="CURVE", layout="R"))
    said = described.split()[5]
    assert reasons(result) == [("C", f"its axis has {count} breakpoints, but it announces {said}")]
    (name,) = made(result).tables["C"].axes
    assert made(result).axes[name].count == count


def test_a_shared_axis_whose_layout_has_another_count_is_listed(tmp_path: Path) -> None:
    parts = layout("RA", "FIX_NO_AXIS_PTS_X 3", "AXIS_PTS_X 1 UBYTE INDEX_INCR DIRECT")
    points = '/begin AXIS_PTS A "" 0x40 N RA 0 SPEED 4 0 6000 /end AXIS_PTS'
    result = imported(tmp_path, parts, points)
    assert reasons(result) == [("A", "its RECORD_LAYOUT has 3 breakpoints, but it announces 4")]


@pytest.mark.parametrize(
    ("coefficients", "raw", "values"),
    [
        # int = 60 p is p = int / 60, which is no decimal fraction of int.
        ("0 60 0 0 0 1", "-30 0 20", (-0.5, 0, 1 / 3)),
        # int = -1000 / p, and int = (2 p - 6) / (p + 16).
        ("0 0 -1000 0 1 0", "10 20 40", (-100, -50, -25)),
        ("0 2 -6 0 1 16", "0 1", (3, 22)),
    ],
)
def test_a_fixed_axis_is_converted_by_a_rational_function_without_squares(
    tmp_path: Path, coefficients: str, raw: str, values: tuple[float, ...]
) -> None:
    listed = f"/begin FIX_AXIS_PAR_LIST {raw} /end FIX_AXIS_PAR_LIST"
    block = value("C", axis("FIX_AXIS", len(values), listed, signal="W", method="X"), type="CURVE")
    conversion = method("X", "RAT_FUNC", f"COEFFS {coefficients}")
    own = made(imported(tmp_path, conversion, block)).axes["C/x"]
    assert isinstance(own, FixedAxis) and own.values == values


@pytest.mark.parametrize(
    ("coefficients", "reason"),
    [
        ("1 0 0 0 0 1", "a FIX_AXIS with a RAT_FUNC of the second degree is not covered"),
        ("0 0 -1000 0 1 0", "its RAT_FUNC has no physical value for the breakpoint 0"),
    ],
)
def test_a_fixed_axis_that_a_rational_function_cannot_convert_is_left_out(
    tmp_path: Path, coefficients: str, reason: str
) -> None:
    block = value("C", axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 1 3", method="X"), type="CURVE")
    result = imported(tmp_path, method("X", "RAT_FUNC", f"COEFFS {coefficients}"), block, value())
    assert reasons(result) == [("C", reason)]
    assert list(made(result).axes) == []


def test_fixed_breakpoints_are_exact_decimal_numbers(tmp_path: Path) -> None:
    block = value("C", axis("FIX_AXIS", 4, "FIX_AXIS_PAR_DIST 0 1 4", method="FUEL"), type="CURVE")
    own = made(imported(tmp_path, block)).axes["C/x"]
    assert isinstance(own, FixedAxis) and own.values == (0, 0.1, 0.2, 0.3)


@pytest.mark.parametrize("attribute", ["RES_AXIS", "CURVE_AXIS"])
def test_a_table_on_a_rescaled_axis_lies_over_the_numbers_of_its_cells_and_is_listed(
    tmp_path: Path, attribute: str
) -> None:
    reference = {"RES_AXIS": "AXIS_PTS_REF", "CURVE_AXIS": "CURVE_AXIS_REF"}[attribute]
    rest = axis(attribute, 4, f"MAX_GRAD 3 MONOTONY MON_INCREASE {reference} OTHER")
    result = imported(tmp_path, value("C", rest, type="CURVE"))
    definition = made(result)
    own = definition.axes["C/x"]
    assert isinstance(own, FixedAxis) and own.values == (0, 1, 2, 3)
    start = {
        "RES_AXIS": "the AXIS_PTS of its RES_AXIS is not kept; its axis",
        "CURVE_AXIS": "its CURVE_AXIS follows from OTHER; it",
    }
    assert any(reason.startswith(f"{start[attribute]} counts cells instead") for _, reason in reasons(result))
    assert definition.tables["C"].demands.gradients == ()
    assert not result.is_complete


@pytest.mark.parametrize(
    ("sizes", "kind", "axes"),
    [
        ("NUMBER 6", Kind.CURVE, [6]),
        ("MATRIX_DIM 6 1 1", Kind.CURVE, [6]),
        ("MATRIX_DIM 3 4 1", Kind.MAP, [3, 4]),
        ("MATRIX_DIM 6", Kind.CURVE, [6]),
    ],
)
def test_a_block_of_values_lies_over_the_numbers_of_its_cells(
    tmp_path: Path, sizes: str, kind: Kind, axes: list[int]
) -> None:
    result = imported(tmp_path, value("B", sizes, type="VAL_BLK"))
    table = made(result).tables["B"]
    assert table.kind is kind
    assert [made(result).axes[name].count for name in table.axes] == axes
    assert result.is_complete


@pytest.mark.parametrize(
    ("block", "said", "cells"),
    [
        (value("A", "MATRIX_DIM 3 1 1"), 3, 1),
        (value("A", "NUMBER 2"), 2, 1),
        (value("A", "MATRIX_DIM 4 2" + axis("FIX_AXIS", 4, "FIX_AXIS_PAR 0 1 4"), type="CURVE"), 8, 4),
    ],
)
def test_a_size_that_the_type_of_a_table_contradicts_is_listed(
    tmp_path: Path, block: str, said: int, cells: int
) -> None:
    assert reasons(imported(tmp_path, block)) == [
        ("A", f"its NUMBER or MATRIX_DIM announces {said} cells, but its axes give {cells}")
    ]


def test_a_size_that_agrees_with_the_type_of_a_table_is_not_listed(tmp_path: Path) -> None:
    curve = value("C", "MATRIX_DIM 4 1 1" + axis("FIX_AXIS", 4, "FIX_AXIS_PAR 0 1 4"), type="CURVE")
    assert imported(tmp_path, value("A", "MATRIX_DIM 1 1 0"), curve).is_complete


def test_a_string_becomes_a_text(tmp_path: Path) -> None:
    result = imported(
        tmp_path,
        value("HULL", "NUMBER 12", type="ASCII", layout="BYTE_VALUES", method="NO_COMPU_METHOD"),
        value("NAME", "MATRIX_DIM 8 1 1 ENCODING UTF8", type="ASCII", layout="BYTE_VALUES", at=64),
    )
    texts = made(result).texts
    assert [(text.name, text.at, text.length, text.encoding) for text in texts.values()] == [
        ("HULL", 0x10, 12, "ascii"),
        ("NAME", 0x40, 8, "utf-8"),
    ]
    assert result.is_complete


def test_byte_order_and_mask_are_the_tables_own_before_the_modules(tmp_path: Path) -> None:
    blocks = value("A"), value("B", "BYTE_ORDER MSB_FIRST BIT_MASK 0x0FF0"), value("C", "BIT_MASK 0xFFFF")
    definition = made(imported(tmp_path, *blocks, common=LITTLE))
    storages = [definition.tables[name].storage for name in "ABC"]
    assert [item.byte_order for item in storages] == [ByteOrder.LITTLE, ByteOrder.BIG, ByteOrder.LITTLE]
    assert [item.mask for item in storages] == [None, 0x0FF0, None]
    assert cells(definition, image(at_10=b"\x12\x34"), "B") == [0x23 / 10]


def test_without_a_byte_order_the_least_significant_byte_comes_first_and_import_reports_it_once(
    tmp_path: Path,
) -> None:
    result = imported(tmp_path, value("A"), value("B"), common="")
    assert {table.storage.byte_order for table in made(result).tables.values()} == {ByteOrder.LITTLE}
    assert reasons(result) == [
        ("BYTE_ORDER", "it is not given; the least significant byte is assumed to come first")
    ]


def test_a_byte_order_that_nothing_depends_on_need_not_be_given(tmp_path: Path) -> None:
    blocks = value("A", layout="BYTE_VALUES"), value("B", "BYTE_ORDER MSB_FIRST")
    assert imported(tmp_path, *blocks, common="").is_complete


DOUBLES = "FNC_VALUES 2 FLOAT64_IEEE ROW_DIR DIRECT"


def test_a_missing_alignment_of_doubles_that_matters_is_reported_once(tmp_path: Path) -> None:
    parts = layout("R", "RESERVED 1 BYTE", DOUBLES)
    result = imported(
        tmp_path, parts, *(value(name, layout="R", at=at) for name, at in (("A", 16), ("B", 64)))
    )
    assert made(result).tables["A"].at == 24
    assert reasons(result) == [
        (
            "ALIGNMENT_FLOAT64_IEEE",
            "it is not given; FLOAT64_IEEE is assumed to begin at multiples of 8 bytes",
        )
    ]


@pytest.mark.parametrize(
    ("parts", "common", "at"),
    [
        (("RESERVED 1 BYTE", DOUBLES), COMMON.replace("/end", "ALIGNMENT_FLOAT64_IEEE 8 /end"), 16),
        (("RESERVED 1 BYTE", DOUBLES, "ALIGNMENT_FLOAT64_IEEE 4"), COMMON, 16),
        (("RESERVED 1 BYTE", DOUBLES), COMMON, 20),
        ((DOUBLES,), COMMON, 20),
    ],
)
def test_an_alignment_of_doubles_that_is_given_or_moves_nothing_is_nothing_to_tell(
    tmp_path: Path, parts: tuple[str, ...], common: str, at: int
) -> None:
    result = imported(tmp_path, layout("R", *parts), value("A", layout="R", at=at), common=common)
    assert reasons(result) == []


@pytest.mark.parametrize("version", ["1 50", "1 6", "1 61", "1 71"])
def test_the_covered_versions_are_nothing_to_list(tmp_path: Path, version: str) -> None:
    text = module(LAYOUTS, METHODS, value()).replace("1 61", version)
    assert make_definition(described(tmp_path, text)).is_complete


@pytest.mark.parametrize("version", ["2 0", "1 80", "1 31"])
def test_another_version_is_listed_and_read_on(tmp_path: Path, version: str) -> None:
    text = module(LAYOUTS, METHODS, value()).replace("1 61", version)
    result = make_definition(described(tmp_path, text))
    assert list(made(result).tables) == ["LIMIT"]
    (loss,) = result.losses
    assert (loss.kind, loss.name, loss.place.line) == ("ASAP2_VERSION", version.replace(" ", "."), 1)
    assert loss.reason == "it is not covered; callint reads it as one of 1.5 to 1.7"


@pytest.mark.parametrize(
    ("word", "order"), [("BIG_ENDIAN", ByteOrder.BIG), ("LITTLE_ENDIAN", ByteOrder.LITTLE)]
)
def test_a_byte_order_by_a_word_of_two_meanings_is_listed(
    tmp_path: Path, word: str, order: ByteOrder
) -> None:
    result = imported(tmp_path, value("A"), value("B"), common=COMMON.replace("MSB_FIRST", word))
    assert made(result).tables["A"].storage.byte_order is order
    ((name, reason),) = reasons(result)
    assert name == word and "significant byte first; some programs read it the other way" in reason


def test_monotony_and_gradient_hold_for_the_values_along_the_axis(tmp_path: Path) -> None:
    fixed = "FIX_AXIS_PAR 0 1 3"
    x = axis("FIX_AXIS", 3, f"{fixed} MONOTONY STRICT_DECREASE MAX_GRAD 0.5")
    y = axis("FIX_AXIS", 3, f"{fixed} MONOTONY MON_INCREASE MAX_GRAD 0")
    result = imported(tmp_path, value("M", x + y, type="MAP"))
    demands = made(result).tables["M"].demands
    assert demands.monotonic == (Monotonic("x", False, True, 0), Monotonic("y", True, False, 0))
    assert demands.gradients == (Gradient("x", 0.5, 0),)
    assert reasons(result) == [("M", "its MAX_GRAD is not kept")]


# What is left out


def record(*parts: str) -> str:
    return layout("R", *parts)


def curve(*arguments: object, layout: str = "WORD_VALUES") -> str:
    """The curve A on one axis."""
    attribute, points, *rest = arguments
    return value("A", axis(str(attribute), int(str(points)), *map(str, rest)), type="CURVE", layout=layout)


IN_R = value("A", layout="R")
STORED = "AXIS_PTS_X 1 UBYTE INDEX_INCR DIRECT", "FNC_VALUES 2 UBYTE ROW_DIR DIRECT"
VIRTUAL = '/begin VIRTUAL_CHARACTERISTIC "X1" B /end VIRTUAL_CHARACTERISTIC'
LOST = [
    (value("A", type="CUBOID"), "a CUBOID has 3 AXIS_DESCR, but it has 0"),
    (value("A", layout="NONE"), "its RECORD_LAYOUT NONE is not described"),
    (
        IN_R + record("FNC_VALUES 1 UWORD ROW_DIR PLONG"),
        "its FNC_VALUES is stored behind a pointer (PLONG)",
    ),
    (IN_R + record("FNC_VALUES 1 FLOAT8 ROW_DIR DIRECT"), "the type FLOAT8 is not covered"),
    (
        IN_R + record("FNC_VALUES 1 UBYTE ROW_DIR DIRECT", "RESERVED 1 BYTE"),
        "its RECORD_LAYOUT R has two parts at position 1",
    ),
    (
        IN_R + record("STRANGE 1 UBYTE", "FNC_VALUES 2 UBYTE ROW_DIR DIRECT"),
        "its RECORD_LAYOUT R has an unknown keyword",
    ),
    (value("A", layout="BYTE_AXIS"), "its RECORD_LAYOUT stores AXIS_PTS_X, but its axis lies elsewhere"),
    (curve("STD_AXIS", 4), "its RECORD_LAYOUT lacks AXIS_PTS_X for its STD_AXIS"),
    (
        curve("STD_AXIS", 4, "DEPOSIT DIFFERENCE", layout="R") + record(*STORED),
        "its breakpoints are stored as differences (DEPOSIT DIFFERENCE)",
    ),
    (curve("STD_AXIS", 0), "it has 0 breakpoints; 1 to 65,536 are covered"),
    (curve("COM_AXIS", 4, "AXIS_PTS_REF Z"), "its axis Z is not described"),
    (curve("FIX_AXIS", 4), "its FIX_AXIS has no parameters"),
    (
        curve("FIX_AXIS", 3, "/begin FIX_AXIS_PAR_LIST 1 3 2 /end FIX_AXIS_PAR_LIST"),
        "the breakpoints of its FIX_AXIS do not rise",
    ),
    (curve("FIX_AXIS", 4, "FIX_AXIS_PAR 0 1 70000"), "its FIX_AXIS_PAR has 70000 breakpoints"),
    (curve("FIX_AXIS", 4, "FIX_AXIS_PAR 0 5000 4"), "the shift of its FIX_AXIS_PAR is 5000"),
    (value("A", type="CURVE"), "a CURVE has 1 AXIS_DESCR, but it has 0"),
    (value("A", "MATRIX_DIM 2 3 4 5", type="VAL_BLK"), "it has more than three dimensions"),
    (
        value("A", "NUMBER 99999999", type="VAL_BLK"),
        "it has no size (NUMBER or MATRIX_DIM) that is covered",
    ),
    (value("A", type="ASCII"), "its length is not given (NUMBER or MATRIX_DIM)"),
    (value("A", "ECU_ADDRESS_EXTENSION 1"), "it lies in another address space (ECU_ADDRESS_EXTENSION)"),
    (value("A", at="0x1000000000000"), "its address is not below 2 to the power of 48"),
    (value("A", "BIT_MASK 0x1FFFF"), "BIT_MASK 0x1FFFF does not fit UWORD"),
    (value("A", "BYTE_ORDER MSB_MIDDLE"), "the byte order MSB_MIDDLE is not covered"),
    (value("A", VIRTUAL), "it is virtual: computed, and not in memory (VIRTUAL_CHARACTERISTIC)"),
]


@pytest.mark.parametrize(("blocks", "reason"), LOST, ids=[reason for _, reason in LOST])
def test_import_leaves_out_whole_parts_and_gives_the_reason(tmp_path: Path, blocks: str, reason: str) -> None:
    result = imported(tmp_path, blocks, value("KEPT"))
    assert [(loss.name, loss.reason, loss.is_whole) for loss in result.losses] == [("A", reason, True)]
    definition = made(result)
    assert (list(definition.tables), list(definition.axes), list(definition.signals)) == (["KEPT"], [], [])
    assert not result.is_complete


def test_a_dependent_value_is_kept_and_its_dependence_listed(tmp_path: Path) -> None:
    rest = '/begin DEPENDENT_CHARACTERISTIC "2*X1" OTHER /end DEPENDENT_CHARACTERISTIC'
    result = imported(tmp_path, value("A", rest))
    assert list(made(result).tables) == ["A"]
    assert reasons(result) == [
        ("A", "its computation from other quantities is not kept (DEPENDENT_CHARACTERISTIC)")
    ]


def test_a_name_described_twice_is_kept_once_and_listed(tmp_path: Path) -> None:
    points = '/begin AXIS_PTS A "" 0x40 N BYTE_AXIS 0 SPEED 4 0 5100 /end AXIS_PTS'
    result = imported(tmp_path, value("A", at=16), value("A", at=32), points)
    assert made(result).tables["A"].at == 16
    assert reasons(result) == [("A", "the name occurs before")] * 2


def test_a_description_without_usable_parts_gives_no_definition(tmp_path: Path) -> None:
    assert imported(tmp_path, value("A", type="CUBOID")).definition is None


# Conversions


def test_conversions_are_kept_by_the_standards_formulas(tmp_path: Path) -> None:
    tables = (
        '/begin COMPU_TAB TI "" TAB_INTP 3 0 -40 100 25 255 140 /end COMPU_TAB\n'
        '/begin COMPU_VTAB TV "" TAB_VERB 2 0 "off" 1 "on" /end COMPU_VTAB\n'
        '/begin COMPU_VTAB_RANGE TR "" 3 0 0 "none" 1 3 "some" 4 4 "all" /end COMPU_VTAB_RANGE'
    )
    methods = {
        "IDENT": method("IDENT", "IDENTICAL", ""),
        "LIN": method("LIN", "LINEAR", "COEFFS_LINEAR 0.5 -40", format="%8.9"),
        "TENTH": method("TENTH", "RAT_FUNC", "COEFFS 0 10 40 0 0 1"),
        "ODD": method("ODD", "RAT_FUNC", "COEFFS 0 81.9175 0 0 0 1"),
        "PERIOD": method("PERIOD", "RAT_FUNC", "COEFFS 0 0 1000000 0 1 0"),
        "INTP": method("INTP", "TAB_INTP", "COMPU_TAB_REF TI"),
        "VERB": method("VERB", "TAB_VERB", "COMPU_TAB_REF TV", unit=""),
        "RANGE": method("RANGE", "TAB_VERB", "COMPU_TAB_REF TR", unit=""),
    }
    blocks = [value(f"T_{name}", method=name, at=16 + 2 * n) for n, name in enumerate(methods)]
    result = imported(tmp_path, tables, *methods.values(), *blocks)
    assert made(result).conversions == {
        "IDENT": Linear("IDENT", "bar", 2, 1, 0, 0),
        "LIN": Linear("LIN", "bar", 9, 0.5, -40, 0),
        # int = 10 p + 40 is p = 0.1 int - 4, in decimal numbers; 1 / 81.9175 is none.
        "TENTH": Linear("TENTH", "bar", 2, 0.1, -4, 0),
        "ODD": Rational("ODD", "bar", 2, (0, 81.9175, 0, 0, 0, 1), 0),
        "PERIOD": Rational("PERIOD", "bar", 2, (0, 0, 1e6, 0, 1, 0), 0),
        "INTP": Interpolated("INTP", "bar", 2, (0, 100, 255), (-40, 25, 140), 0),
        "VERB": States("VERB", {0: "off", 1: "on"}, (), 0),
        "RANGE": States("RANGE", {0: "none", 1: "some (1)", 2: "some (2)", 3: "some (3)", 4: "all"}, (), 0),
    }
    assert reasons(result) == [("TR", "its ranges are kept as one named state per raw value")]


def test_a_conversion_that_tables_do_not_use_is_not_kept_but_counted(tmp_path: Path) -> None:
    result = imported(tmp_path, value())
    assert list(made(result).conversions) == ["FUEL"]
    unused = {key[0]: tally.amount for key, tally in result.description.unused.items()}
    assert unused["COMPU_METHOD that nothing kept uses"] == 1
    assert unused["MEASUREMENT that nothing kept uses"] == 1
    assert result.is_complete


def test_a_conversion_without_a_unit_has_the_text_of_the_one_that_it_refers_to(tmp_path: Path) -> None:
    unit = '/begin UNIT U "Turns" "rpm" DERIVED SI_EXPONENTS 0 0 -1 0 0 0 0 /end UNIT'
    speed = method("X", "LINEAR", "COEFFS_LINEAR 4 0 REF_UNIT U", unit="")
    signal = '/begin MEASUREMENT W "Speed" UWORD X 0 0 0 6000 /end MEASUREMENT'
    item = axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 1 3", signal="W", method="X")
    result = imported(tmp_path, unit, speed, signal, value("C", item, type="CURVE", method="X"))
    assert made(result).conversions["X"] == Linear("X", "rpm", 2, 4, 0, 0)
    assert made(result).signals["W"].unit == "rpm"
    assert result.is_complete
    assert ("UNIT that nothing kept uses", "") not in result.description.unused


@pytest.mark.parametrize(
    ("unit", "state"),
    [("", "not described"), ('/begin UNIT U "Turns" "" DERIVED /end UNIT', "without a text")],
)
def test_a_unit_without_content_is_listed_once(tmp_path: Path, unit: str, state: str) -> None:
    speed = method("X", "LINEAR", "COEFFS_LINEAR 4 0 REF_UNIT U", unit="")
    signal = '/begin MEASUREMENT W "Speed" UWORD X 0 0 0 6000 /end MEASUREMENT'
    item = axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 1 3", signal="W", method="X")
    result = imported(tmp_path, unit, speed, signal, value("C", item, type="CURVE", method="X"))
    assert reasons(result) == [("X", f"its unit U is {state}")]


def test_the_text_of_a_unit_in_a_conversion_goes_before_the_one_that_it_refers_to(tmp_path: Path) -> None:
    unit = '/begin UNIT U "Turns" "1/min" DERIVED /end UNIT'
    speed = method("X", "LINEAR", "COEFFS_LINEAR 4 0 REF_UNIT U", unit="rpm")
    result = imported(tmp_path, unit, speed, value("A", method="X"))
    assert made(result).conversions["X"].unit == "rpm"
    unused = {key: tally.amount for key, tally in result.description.unused.items()}
    assert unused["REF_UNIT", "COMPU_METHOD"] == unused["UNIT that nothing kept uses", ""] == 1


@pytest.mark.parametrize(
    ("blocks", "reason"),
    [
        (method("X", "FORM", '/begin FORMULA "X1*X1" /end FORMULA'), "its FORMULA is not linear in X1"),
        (method("X", "LINEAR", ""), "LINEAR has no COEFFS_LINEAR"),
        (method("X", "LINEAR", "COEFFS_LINEAR 0 4"), "the factor of LINEAR is 0"),
        (method("X", "RAT_FUNC", ""), "RAT_FUNC has no COEFFS"),
        (method("X", "RAT_FUNC", "COEFFS 0 0 1 0 0 1"), "RAT_FUNC gives no physical value"),
        (method("X", "RAT_FUNC", "COEFFS 0 1 0 0 0 0"), "RAT_FUNC gives no physical value"),
        (method("X", "WONDER", ""), "its type WONDER is not covered"),
        (method("X", "TAB_INTP", "COMPU_TAB_REF T"), "its table T is not described"),
        (
            method("X", "TAB_INTP", "COMPU_TAB_REF T")
            + '/begin COMPU_TAB T "" TAB_INTP 3 1 2 /end COMPU_TAB',
            "its table T has 1 rows and announces 3",
        ),
        (
            method("X", "TAB_VERB", "COMPU_TAB_REF T")
            + '/begin COMPU_VTAB_RANGE T "" 1 0 1000 "x" /end COMPU_VTAB_RANGE',
            "its ranges span more than 256 raw values",
        ),
        (
            method("X", "TAB_VERB", "COMPU_TAB_REF T")
            + '/begin COMPU_VTAB_RANGE T "" 1 0 1.5 "x" /end COMPU_VTAB_RANGE',
            "its range 0 to 1.5 does not fit named states",
        ),
    ],
)
def test_a_table_whose_conversion_is_lost_stays_in_raw_numbers_without_limits(
    tmp_path: Path, blocks: str, reason: str
) -> None:
    result = imported(tmp_path, blocks, value("A", method="X"))
    table = made(result).tables["A"]
    assert (table.conversion, table.demands.limits) == (None, None)
    assert table.notes == ("Raw numbers: COMPU_METHOD X is not kept.",)
    assert reasons(result) == [
        ("X", reason),
        ("A", "it stays in raw numbers, without limits: COMPU_METHOD X is not kept"),
    ]


def test_single_values_become_named_states_and_their_limits_are_listed(tmp_path: Path) -> None:
    table = '/begin COMPU_TAB T "" TAB_NOINTP 2 0 1.5 1 30 DEFAULT_VALUE_NUMERIC 99 /end COMPU_TAB'
    result = imported(
        tmp_path, table, method("X", "TAB_NOINTP", "COMPU_TAB_REF T"), value("A", method="X", low=0, high=30)
    )
    assert made(result).conversions["X"] == States("X", {0: "1.5 bar", 1: "30 bar"}, (), 0)
    assert made(result).tables["A"].demands.limits is None
    assert reasons(result) == [
        ("X", "its single values are kept as named states, without limits"),
        ("T", "its default value is not kept"),
    ]


def test_states_of_one_name_are_distinguished_by_their_raw_values(tmp_path: Path) -> None:
    table = '/begin COMPU_VTAB T "" TAB_VERB 3 0 "off" 1 "spare" 2 "spare" /end COMPU_VTAB'
    result = imported(tmp_path, table, method("X", "TAB_VERB", "COMPU_TAB_REF T"), value("A", method="X"))
    assert made(result).conversions["X"] == States("X", {0: "off", 1: "spare", 2: "spare (raw 2)"}, (), 0)
    assert reasons(result) == [("T", "its states of the same name have the raw value appended")]


# Signals


def test_the_signal_of_an_axis_is_the_measurement_with_its_unit_and_range(tmp_path: Path) -> None:
    block = value("C", axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 1 3"), type="CURVE")
    (signal,) = made(imported(tmp_path, block)).signals.values()
    assert (signal.name, signal.title, signal.unit) == ("N", "Engine speed", "rpm")
    assert (signal.plausible, signal.operating) == (Range(0, 6000), None)


def test_an_axis_without_an_input_quantity_has_a_signal_of_its_own(tmp_path: Path) -> None:
    item = axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 1 3", signal="NO_INPUT_QUANTITY")
    result = imported(tmp_path, value("M", item * 2, type="MAP"))
    signals = made(result).signals
    assert {name: (item.unit, item.plausible) for name, item in signals.items()} == {
        "M.x": ("rpm", Range(0, 6000)),
        "M.y": ("rpm", Range(0, 6000)),
    }
    assert result.is_complete


def test_an_input_quantity_that_is_not_a_measurement_is_listed(tmp_path: Path) -> None:
    item = axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 1 3", signal="GHOST")
    result = imported(tmp_path, value("A", item, type="CURVE"), value("B", item, type="CURVE"))
    assert list(made(result).signals) == ["GHOST"]
    assert reasons(result) == [
        ("GHOST", "it feeds an axis, but is not a MEASUREMENT; it gets unit and range of the axis")
    ]


KMH = method("KMH", "LINEAR", "COEFFS_LINEAR 1 0", unit="km/h")
MPS = method("MPS", "LINEAR", "COEFFS_LINEAR 0.1 0", unit="m/s")
SPEED_OVER_GROUND = '/begin MEASUREMENT v "Speed over ground" UWORD KMH 0 0 0 90 /end MEASUREMENT'
STORED_CURVE = layout("RS", "AXIS_PTS_X 1 UBYTE INDEX_INCR DIRECT", "FNC_VALUES 2 UBYTE ROW_DIR DIRECT")


def test_a_shared_axis_in_another_unit_than_its_signal_has_one_of_its_own_and_is_listed(
    tmp_path: Path,
) -> None:
    points = '/begin AXIS_PTS A "Speeds" 0x40 v BYTE_AXIS 0 MPS 4 0 25 /end AXIS_PTS'
    result = imported(tmp_path, KMH, MPS, SPEED_OVER_GROUND, points)
    assert made(result).signals == {"A": Signal("A", "Speeds", "m/s", Range(0, 25), None, 0)}
    assert made(result).axes["A"].signal == "A"
    assert reasons(result) == [
        ("A", "its input v is in km/h, but its breakpoints are in m/s; they get their own signal")
    ]


@pytest.mark.parametrize(
    ("method", "unit", "message"), [("MPS", "m/s", "in m/s"), ("NO_COMPU_METHOD", "-", "without a unit")]
)
def test_an_axis_of_a_tables_own_in_another_unit_than_its_signal_has_one_of_its_own_and_is_listed(
    tmp_path: Path, method: str, unit: str, message: str
) -> None:
    axes = [axis("STD_AXIS", 4, signal="v", method=item) for item in ("KMH", method)]
    blocks = [
        value(name, item, type="CURVE", layout="RS", at=at)
        for name, item, at in zip("AB", axes, (0x10, 0x20), strict=True)
    ]
    result = imported(tmp_path, STORED_CURVE, KMH, MPS, SPEED_OVER_GROUND, *blocks)
    definition = made(result)
    assert {name: item.unit for name, item in definition.signals.items()} == {"v": "km/h", "B.x": unit}
    assert [definition.axes[name].signal for name in ("A/x", "B/x")] == ["v", "B.x"]
    assert reasons(result) == [
        ("B", f"its input v is in km/h, but its breakpoints are {message}; they get their own signal")
    ]


def test_an_undescribed_quantity_does_not_feed_axes_in_two_units(tmp_path: Path) -> None:
    blocks = [
        value(name, axis("STD_AXIS", 4, signal="GHOST", method=item), type="CURVE", layout="RS", at=at)
        for name, item, at in (("A", "KMH", 0x10), ("B", "MPS", 0x20))
    ]
    result = imported(tmp_path, STORED_CURVE, KMH, MPS, *blocks)
    assert {name: item.unit for name, item in made(result).signals.items()} == {"GHOST": "km/h", "B.x": "m/s"}
    assert reasons(result)[1:] == [
        ("B", "its input GHOST is in km/h, but its breakpoints are in m/s; they get their own signal")
    ]


def test_an_axis_that_names_no_input_has_the_one_that_its_tables_name(tmp_path: Path) -> None:
    points = '/begin AXIS_PTS A "Speeds" 0x40 NO_INPUT_QUANTITY BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
    tables = [
        value(name, axis("COM_AXIS", 4, "AXIS_PTS_REF A", signal=signal), type="CURVE", at=at)
        for name, signal, at in (("C", "N", 0x10), ("D", "NO_INPUT_QUANTITY", 0x20), ("E", "N", 0x30))
    ]
    result = imported(tmp_path, points, *tables)
    assert made(result).axes["A"].signal == "N"
    assert made(result).signals["N"].title == "Engine speed"
    assert reasons(result) == []


def test_an_axis_whose_tables_name_several_inputs_has_its_own_signal_and_is_listed(tmp_path: Path) -> None:
    points = '/begin AXIS_PTS A "Speeds" 0x40 NO_INPUT_QUANTITY BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
    tables = [
        value(name, axis("COM_AXIS", 4, "AXIS_PTS_REF A", signal=signal), type="CURVE", at=at)
        for name, signal, at in (("C", "N", 0x10), ("D", "SHAFT", 0x20))
    ]
    result = imported(tmp_path, points, *tables)
    assert made(result).axes["A"].signal == "A"
    assert reasons(result) == [
        ("A", "it names no input, and its tables name several: N, SHAFT; it gets its own signal")
    ]


@pytest.mark.parametrize(
    ("described", "reason"),
    [
        ("COM_AXIS SHAFT SPEED 4 0 6000", "has the input N, but it states SHAFT"),
        ("COM_AXIS N FUEL 4 0 6000", "has the conversion SPEED, but it states FUEL"),
        ("COM_AXIS N SPEED 4 0 5000.5", "has other limits than it states"),
        (
            "COM_AXIS N SPEED 4 0 6000 BYTE_ORDER MSB_LAST",
            "has the byte order MSB_FIRST, but it states MSB_LAST",
        ),
        (
            "COM_AXIS N SPEED 4 0 6000 DEPOSIT DIFFERENCE",
            "has DEPOSIT ABSOLUTE, but it states DIFFERENCE",
        ),
    ],
)
def test_a_false_statement_of_a_table_about_its_shared_axis_is_listed(
    tmp_path: Path, described: str, reason: str
) -> None:
    points = '/begin AXIS_PTS A "Speeds" 0x40 N BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
    rest = f"/begin AXIS_DESCR {described} AXIS_PTS_REF A /end AXIS_DESCR"
    result = imported(tmp_path, points, value("C", rest, type="CURVE"))
    assert reasons(result) == [("C", f"its axis {reason}")]
    assert (made(result).tables["C"].x, made(result).axes["A"].signal) == ("A", "N")


def test_two_names_of_one_conversion_contradict_nothing(tmp_path: Path) -> None:
    again = method("AGAIN", "LINEAR", "COEFFS_LINEAR 20 0", unit="rpm")
    points = '/begin AXIS_PTS A "Speeds" 0x40 N BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
    rest = axis("COM_AXIS", 4, "AXIS_PTS_REF A", method="AGAIN")
    assert imported(tmp_path, again, points, value("C", rest, type="CURVE")).is_complete


def test_limits_of_an_axis_that_are_not_those_of_its_signal_are_counted(tmp_path: Path) -> None:
    points = [
        f'/begin AXIS_PTS {name} "" {at} N BYTE_AXIS 0 SPEED 4 0 {high} /end AXIS_PTS'
        for name, at, high in (("A", 0x40, 6000), ("B", 0x50, 5100), ("C", 0x60, 5000))
    ]
    result = imported(tmp_path, *points)
    key = "limits of an axis that are not those of its signal", "AXIS_PTS"
    assert result.description.unused[key].amount == 2
    assert made(result).signals["N"].plausible == Range(0, 6000)
    assert result.is_complete


def test_an_axis_in_raw_numbers_does_not_take_a_signal_with_another_unit(tmp_path: Path) -> None:
    item = axis("FIX_AXIS", 3, "FIX_AXIS_PAR 0 1 3", method="NONE")
    result = imported(tmp_path, value("A", item, type="CURVE"))
    assert {signal.name: signal.unit for signal in made(result).signals.values()} == {"A.x.raw": "-"}
    assert reasons(result) == [("A", "its x axis stays in raw numbers: COMPU_METHOD NONE is not described")]


def test_virtual_measurements_are_listed(tmp_path: Path) -> None:
    virtual = '/begin MEASUREMENT V "" UWORD SPEED 0 0 0 1 /begin VIRTUAL N /end VIRTUAL /end MEASUREMENT'
    result = imported(tmp_path, value(), virtual)
    assert reasons(result) == [("V", "its computation from other quantities is not kept (VIRTUAL)")]


# Names


def test_names_are_kept_where_a_definition_can_have_them_and_rewritten_where_not(tmp_path: Path) -> None:
    long = "A" * 200
    result = imported(
        tmp_path,
        value("Limits.idle[2]._x"),
        value("Grenze_°"),
        value("Grenze_µ"),
        value("9lives"),
        value(long),
    )
    names = list(made(result).tables)
    assert names[:4] == ["Limits.idle[2]._x", "Grenze__", "Grenze___2", "_9lives"]
    assert len(names[4]) == 128
    assert [name for name, _ in reasons(result)] == ["Grenze_°", "Grenze_µ", "9lives", long]
    assert reasons(result)[0][1] == "its name is rewritten as Grenze__"


def test_a_definition_with_any_title_is_valid(tmp_path: Path) -> None:
    titles = "", " ", "a\x01b", "<&>'", 'say ""off""', "x" * 2000, "\u202e", "tab\there\nnew line"
    blocks = [value(f"T{n}", title=title, at=16 + 2 * n) for n, title in enumerate(titles)]
    definition = made(imported(tmp_path, *blocks))
    assert [table.title for table in definition.tables.values()][:5] == [
        "T0",
        "T1",
        "a\ufffdb",
        "<&>'",
        'say "off"',
    ]
    file = read_definition("".join(definition_lines(definition)).encode(), "made.xml")
    assert file.problems == ()


@pytest.mark.parametrize(
    ("type", "low", "high"), [("A_UINT64", 0, 2**64 - 1), ("A_INT64", -(2**63), 2**63 - 1), ("UBYTE", 0, 255)]
)
def test_limits_that_no_stored_number_can_break_are_not_a_demand(
    tmp_path: Path, type: str, low: int, high: int
) -> None:
    parts = layout("R", f"FNC_VALUES 1 {type} ROW_DIR DIRECT")
    block = value("A", layout="R", method="NO_COMPU_METHOD", low=low, high=high)
    closer = value("B", layout="R", method="NO_COMPU_METHOD", low=low, high=high // 2, at="0x20")
    tables = made(imported(tmp_path, parts, block, closer)).tables
    assert tables["A"].demands.limits is None
    assert tables["B"].demands.limits == Range(float(low), float(high // 2))


# Memory


def mod_par(rest: str) -> str:
    return f'/begin MOD_PAR "" {rest} /end MOD_PAR'


def segment(name: str, at: int, size: int, memory: str = "FLASH", offset: int = -1) -> str:
    numbers = " ".join([str(offset)] * 5)
    return f'/begin MEMORY_SEGMENT {name} "" DATA {memory} INTERN {at} {size} {numbers} /end MEMORY_SEGMENT'


def test_memory_reaches_from_the_first_to_the_last_thing_with_its_segments_as_regions(tmp_path: Path) -> None:
    result = imported(
        tmp_path,
        value("A", at=0x8000),
        mod_par(
            segment("CAL", 0x8000, 0x1000)
            + segment("CODE", 0x1000, 0x800)
            + ' EPK "SK28-0412" ADDR_EPK 0x8F00'
        ),
    )
    memory = made(result).memory
    assert (memory.start, memory.end) == (0x1000, 0x9000)
    assert [(region.name, region.start, region.size) for region in memory.regions] == [
        ("CAL", 0x8000, 0x1000),
        ("CODE", 0x1000, 0x800),
    ]
    assert [(identity.name, identity.at, identity.content) for identity in memory.identities] == [
        ("EPK", 0x8F00, b"SK28-0412")
    ]
    assert result.is_complete


def test_memory_holds_the_count_that_stands_before_an_axis(tmp_path: Path) -> None:
    layout = (
        "/begin RECORD_LAYOUT COUNTED NO_AXIS_PTS_X 1 UBYTE AXIS_PTS_X 2 UBYTE INDEX_INCR DIRECT "
        "FNC_VALUES 3 UBYTE ROW_DIR DIRECT /end RECORD_LAYOUT"
    )
    curve = value("RAIL", axis("STD_AXIS", 4), type="CURVE", layout="COUNTED", at="0x40")
    result = imported(tmp_path, layout, METHODS, SPEED_SIGNAL, curve)
    assert (made(result).memory.start, made(result).memory.end) == (0x40, 0x49)


def test_memory_outside_the_image_is_listed(tmp_path: Path) -> None:
    result = imported(
        tmp_path,
        value("A", at=0x8000),
        mod_par(
            segment("RAM", 0x40000000, 64, "RAM")
            + segment("NONE", 0, 0)
            + segment("CAL", 0x8000, 16)
            + ' EPK "X" ADDR_EPK 4'
        ),
    )
    assert (made(result).memory.start, made(result).memory.size) == (0x8000, 16)
    assert sorted(reasons(result)) == [
        ("EPK", "its address 0x4 lies outside the image"),
        ("NONE", "its address and size are outside the memory that callint reads"),
        ("RAM", "it lies outside the image that holds the other items"),
    ]


@pytest.mark.parametrize(
    ("at", "start", "end"), [(0x7FF0, 0x7FF0, 0x8002), (0x8001, 0x8000, 0x8007), (0x9000, 0x8000, 0x9006)]
)
def test_memory_without_segments_holds_the_epk(tmp_path: Path, at: int, start: int, end: int) -> None:
    result = imported(tmp_path, value("A", at=0x8000), mod_par(f'EPK "SW1234" ADDR_EPK {at}'))
    memory = made(result).memory
    assert (memory.start, memory.end) == (start, end)
    assert [(identity.at, identity.content) for identity in memory.identities] == [(at, b"SW1234")]
    assert result.is_complete


def test_an_epk_too_far_away_for_one_image_is_listed(tmp_path: Path) -> None:
    epk = mod_par('EPK "SW1234" ADDR_EPK 0x90000000 ADDR_EPK 0x8010')
    result = imported(tmp_path, value("A", at=0x8000), epk)
    assert [(item.name, item.at) for item in made(result).memory.identities] == [("EPK", 0x8010)]
    assert reasons(result) == [("EPK", "its address 0x90000000 lies outside the image")]


def test_an_epk_that_extends_beyond_the_segments_is_listed(tmp_path: Path) -> None:
    epk = mod_par('EPK "SW1234" ADDR_EPK 0x800C' + segment("CAL", 0x8000, 16))
    result = imported(tmp_path, value("A", at=0x8000), epk)
    assert made(result).memory.end == 0x8010
    assert reasons(result) == [("EPK", "its end at 0x8011 lies outside the image")]


def test_an_epk_without_an_address_is_listed(tmp_path: Path) -> None:
    assert reasons(imported(tmp_path, value(), mod_par('EPK "X"'))) == [
        ("EPK", "its address is not given (ADDR_EPK)")
    ]


def test_import_keeps_most_parts_if_one_image_cannot_hold_all(tmp_path: Path) -> None:
    far = 0x80000000
    points = f'/begin AXIS_PTS AX "" {far + 64} N BYTE_AXIS 0 SPEED 4 0 6000 /end AXIS_PTS'
    result = imported(
        tmp_path,
        points,
        value("A", at=0x10),
        value("B", at=0x20),
        value("FAR", axis("COM_AXIS", 4, "AXIS_PTS_REF AX"), type="CURVE", at=0x30),
        value("C", at=0x40),
        value("GONE", "NUMBER 8", type="ASCII", layout="BYTE_VALUES", at=far),
    )
    definition = made(result)
    assert (list(definition.tables), list(definition.axes), list(definition.texts)) == (
        ["A", "B", "C"],
        [],
        [],
    )
    assert [loss.name for loss in result.losses] == ["FAR", "GONE", "AX"]
    assert all(loss.is_whole for loss in result.losses)
    assert definition.memory.start == 0x10


# The whole


def test_import_makes_a_valid_definition_that_reads_back_unchanged(tmp_path: Path) -> None:
    text = module(LAYOUTS, METHODS, SPEED_SIGNAL, value("A"), value("B", "NUMBER 4", type="VAL_BLK", at=32))
    definition = made(make_definition(described(tmp_path, text)))
    file = read_definition("".join(definition_lines(definition)).encode(), "made.xml")
    assert file.problems == () and file.definition is not None
    assert (file.definition.name, file.definition.title) == ("SKERRY", "Skerry 28")
    assert list(file.definition.tables) == ["A", "B"]
