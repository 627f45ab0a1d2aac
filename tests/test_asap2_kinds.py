"""Groups, read-only tables, formulas, stacks of maps, and kinds of axes in a description.

What the keywords mean is from memory of the published standard; ``tests/outside`` compares what is read with
two published readers.
"""

from __future__ import annotations

import ctypes
from dataclasses import replace
from pathlib import Path

import pytest

from callint.decoding.computed_axes import with_computed_axes
from callint.decoding.decode import decode
from callint.decoding.layout import make_layout
from callint.model.arrays import is_array
from callint.model.cell_demands import OffAllowed, OffCode
from callint.model.definition import Axis, Definition, FixedAxis, Kind, Linear, Rational
from callint.model.definition_change import ElementKind
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.image import Image
from callint.reading.asap2.build import Imported
from callint.reporting.definition.xml import definition_lines
from tests.building import read, u16
from tests.describing import axis, cells, imported, made, reasons, value
from tests.exporting import read_back, said_changes


def grouping(kind: str, name: str, title: str, *inner: str) -> str:
    return f'/begin {kind} {name} "{title}" {" ".join(inner)} /end {kind}'


def members(kind: str, *names: str) -> str:
    return f"/begin {kind} {' '.join(names)} /end {kind}"


# Groups


def test_a_group_and_a_function_become_groups_of_their_tables(tmp_path: Path) -> None:
    result = imported(
        tmp_path,
        grouping("GROUP", "speed", "Speed limits", "ROOT", members("REF_CHARACTERISTIC", "A")),
        grouping("FUNCTION", "fuel", "Fuel", members("DEF_CHARACTERISTIC", "A", "B")),
        grouping("FUNCTION", "other", "Other", members("REF_CHARACTERISTIC", "C")),
        grouping("FUNCTION", "named", "Named by its table"),
        grouping("GROUP", "empty", "Nothing"),
        value("A"),
        value("B", at="0x20"),
        value("C", at="0x22"),
        value("D", "/begin FUNCTION_LIST named /end FUNCTION_LIST", at="0x24"),
        value("E", at="0x26"),
    )
    definition = made(result)
    groups = {name: table.group for name, table in definition.tables.items()}
    # A table has one group in a definition: that of the GROUP goes first, and the one that defines it.
    assert groups == {"A": "speed", "B": "fuel", "C": "other", "D": "named", "E": ""}
    titles = {name: group.title for name, group in definition.groups.items()}
    assert titles == {
        "speed": "Speed limits",
        "fuel": "Fuel",
        "other": "Other",
        "named": "Named by its table",
    }
    assert result.description.unused["GROUP that nothing kept uses", ""].amount == 1
    assert result.losses == ()


def test_a_group_and_a_function_of_one_name_stay_apart(tmp_path: Path) -> None:
    definition = made(
        imported(
            tmp_path,
            grouping("GROUP", "fuel", "One", members("REF_CHARACTERISTIC", "A")),
            grouping("FUNCTION", "fuel", "Two", members("DEF_CHARACTERISTIC", "B")),
            value("A"),
            value("B", at="0x20"),
        )
    )
    titles = [definition.groups[definition.tables[name].group].title for name in "AB"]
    assert titles == ["One", "Two"]


def test_further_groups_of_a_table_are_counted(tmp_path: Path) -> None:
    result = imported(
        tmp_path,
        grouping("GROUP", "one", "One", members("REF_CHARACTERISTIC", "A")),
        grouping("GROUP", "two", "Two", members("REF_CHARACTERISTIC", "A")),
        value("A"),
    )
    assert made(result).tables["A"].group == "one"
    assert result.description.unused["further GROUP of a table", ""].amount == 1


# Read-only


@pytest.mark.parametrize("rest", ["READ_ONLY", "CALIBRATION_ACCESS NO_CALIBRATION"])
def test_a_table_that_must_not_be_calibrated_must_equal_the_base(tmp_path: Path, rest: str) -> None:
    definition = made(imported(tmp_path, value("A", rest), value("B", at="0x20")))
    assert definition.tables["A"].demands.change == 0
    assert definition.tables["B"].demands.change is None


def test_a_read_only_text_is_listed(tmp_path: Path) -> None:
    result = imported(tmp_path, value("T", "NUMBER 8 READ_ONLY", type="ASCII", layout="BYTE_VALUES"))
    assert reasons(result) == [
        ("T", "that it is READ_ONLY is not kept: a definition demands that of numbers only")
    ]


# Formulas


def form(formula: str) -> str:
    inner = f'/begin FORMULA "{formula}" /end FORMULA'
    return f'/begin COMPU_METHOD X "" FORM "%5.2" "bar" {inner} /end COMPU_METHOD'


@pytest.mark.parametrize(
    ("formula", "conversion"),
    [
        ("X1+4", Linear("X", "bar", 2, 1, 4, 0)),
        ("0.1*X1 - 40", Linear("X", "bar", 2, 0.1, -40, 0)),
        ("-(x1 - 3)/4", Linear("X", "bar", 2, -0.25, 0.75, 0)),
        ("X1 / 3", Rational("X", "bar", 2, (0, 3, 0, 0, 0, 1), 0)),
    ],
)
def test_a_linear_formula_becomes_an_exact_conversion(
    tmp_path: Path, formula: str, conversion: Linear | Rational
) -> None:
    block = form(formula)
    definition = made(imported(tmp_path, block, value("A", method="X", low=1, high=2)))
    assert definition.conversions["X"] == conversion


@pytest.mark.parametrize(
    "formula", ["", "X1*X1", "1/X1", "sin(X1)", "X1+X2", "__import__('os')", "(" * 900, "9**9**9*X1", "4"]
)
def test_any_other_formula_is_listed(tmp_path: Path, formula: str) -> None:
    block = form(formula)
    result = imported(tmp_path, block, value("A", method="X"))
    assert ("X", "its FORMULA is not linear in X1") in reasons(result)


# Stacks of maps


def fixed(points: int, method: str = "SPEED") -> str:
    return axis("FIX_AXIS", points, f"FIX_AXIS_PAR_DIST 0 1 {points}", method=method)


def test_a_cuboid_becomes_a_map_for_each_breakpoint_of_z(tmp_path: Path) -> None:
    rest = fixed(3) + fixed(2) + fixed(2)
    result = imported(tmp_path, value("CUBE", rest, type="CUBOID", title="Boost", method="NO_COMPU_METHOD"))
    definition = made(result)
    assert [table.kind for table in definition.tables.values()] == [Kind.MAP, Kind.MAP]
    data = bytes(0x10) + u16(*range(12))
    assert cells(definition, data, "CUBE[0]") == [0, 1, 2, 3, 4, 5]
    assert cells(definition, data, "CUBE[1]") == [6, 7, 8, 9, 10, 11]
    assert definition.tables["CUBE[1]"].title == "Boost, z 1"
    assert reasons(result) == [
        ("CUBE", "it is kept as 2 maps, CUBE[0] to CUBE[1]; its z axis, fed by N, is not kept")
    ]


def test_the_maps_of_a_cuboid_share_the_axes_in_its_record(tmp_path: Path) -> None:
    layout = (
        "/begin RECORD_LAYOUT CUBE AXIS_PTS_X 1 UBYTE INDEX_INCR DIRECT AXIS_PTS_Y 2 UBYTE INDEX_INCR DIRECT "
        "AXIS_PTS_Z 3 UBYTE INDEX_INCR DIRECT FNC_VALUES 4 UBYTE COLUMN_DIR DIRECT /end RECORD_LAYOUT"
    )
    rest = axis("STD_AXIS", 3) + axis("STD_AXIS", 2) + axis("STD_AXIS", 2)
    cube = value("CUBE", rest, type="CUBOID", layout="CUBE", title="Boost", method="NO_COMPU_METHOD")
    result = imported(tmp_path, layout, cube)
    definition = made(result)
    data = bytes(0x10) + bytes([40, 50, 60, 1, 2, 8, 9]) + bytes(range(12))
    assert breakpoints(definition, data, "CUBE.x") == [800, 1000, 1200]
    assert breakpoints(definition, data, "CUBE.y") == [20, 40]
    assert cells(definition, data, "CUBE.z") == [160, 180]
    tables = [definition.tables["CUBE[0]"], definition.tables["CUBE[1]"]]
    assert {(table.x, table.y) for table in tables} == {("CUBE.x", "CUBE.y")}
    assert cells(definition, data, "CUBE[0]") == [0, 2, 4, 1, 3, 5]
    assert cells(definition, data, "CUBE[1]") == [6, 8, 10, 7, 9, 11]
    kept = "its z axis, fed by N, is kept as the values of CUBE.z"
    assert reasons(result) == [("CUBE", f"it is kept as 2 maps, CUBE[0] to CUBE[1]; {kept}")]


def test_a_block_of_three_dimensions_becomes_a_stack_too(tmp_path: Path) -> None:
    block = value("B", "MATRIX_DIM 3 2 2", type="VAL_BLK", method="NO_COMPU_METHOD")
    definition = made(imported(tmp_path, block))
    data = bytes(0x10) + u16(*range(12))
    assert cells(definition, data, "B[0]") == [0, 1, 2, 3, 4, 5]
    assert cells(definition, data, "B[1]") == [6, 7, 8, 9, 10, 11]
    assert all(is_array(definition, table) for table in definition.tables.values())


# Off codes


def test_the_status_off_of_a_raw_value_is_an_off_code(tmp_path: Path) -> None:
    """That STATUS_STRING_REF names texts for single raw values is from memory of the published standard."""
    result = imported(
        tmp_path,
        '/begin COMPU_METHOD F "" RAT_FUNC "%5.1" "mg" COEFFS 0 10 0 0 0 1 STATUS_STRING_REF S '
        "/end COMPU_METHOD",
        '/begin COMPU_METHOD PLAIN "" IDENTICAL "" "" STATUS_STRING_REF S /end COMPU_METHOD',
        '/begin COMPU_VTAB S "" TAB_VERB 2 65535 "off (anywhere)" 65534 "error" /end COMPU_VTAB',
        value("A", method="F"),
        value("B", at="0x20"),
        value("C", at="0x22", method="PLAIN"),
        value("D", at="0x24", method="PLAIN", layout="BYTE_VALUES"),
    )
    definition = made(result)
    off = OffCode(65535, OffAllowed.ANYWHERE, 0)
    assert [table.demands.off for table in definition.tables.values()] == [off, None, off, None]
    # Another status makes no other conversion.
    assert [table.conversion for table in definition.tables.values()] == ["FUEL", "FUEL", None, None]
    assert reasons(result) == [
        ("F", "its status strings are not kept, but for one that is off"),
        ("PLAIN", "its status strings are not kept, but for one that is off"),
        ("D", "its status off, raw 65535, does not fit its type and is not kept"),
    ]


# Types and byte orders


def record(name: str, type: str) -> str:
    return f"/begin RECORD_LAYOUT {name} FNC_VALUES 1 {type} ROW_DIR DIRECT /end RECORD_LAYOUT"


def test_a_half_float_is_read_as_ieee_754_says(tmp_path: Path) -> None:
    """The bytes 35 55 are the half float next to 1/3, 7B FF the greatest: from memory of IEEE 754-2008."""
    block = value("H", "MATRIX_DIM 3", type="VAL_BLK", layout="HALVES", method="NO_COMPU_METHOD")
    definition = made(imported(tmp_path, record("HALVES", "FLOAT16_IEEE"), block))
    data = bytes(0x10) + bytes.fromhex("3555 7BFF C000")
    assert cells(definition, data, "H") == [0.333251953125, 65504, -2]


@pytest.mark.parametrize(
    ("order", "stored"),
    [
        ("MSB_FIRST", "11223344 3F800000 0102030405060708 1122"),
        ("MSB_LAST", "44332211 0000803F 0807060504030201 2211"),
        ("MSB_FIRST_MSW_LAST", "33441122 00003F80 0708050603040102 1122"),
        ("MSB_LAST_MSW_FIRST", "22114433 803F0000 0201040306050807 2211"),
    ],
)
def test_words_of_16_bits_may_lie_in_the_order_of_the_other_end(
    tmp_path: Path, order: str, stored: str
) -> None:
    """That a word has 16 bits is from memory of the published standard."""
    result = imported(
        tmp_path,
        record("LONG", "ULONG"),
        record("SINGLE", "FLOAT32_IEEE"),
        record("WIDE", "A_UINT64"),
        value("A", at="0x10", layout="LONG", method="NO_COMPU_METHOD"),
        value("B", at="0x14", layout="SINGLE", method="NO_COMPU_METHOD"),
        value("C", at="0x18", layout="WIDE", method="NO_COMPU_METHOD"),
        value("D", at="0x20", method="NO_COMPU_METHOD"),
        common=f'/begin MOD_COMMON "" BYTE_ORDER {order} /end MOD_COMMON',
    )
    definition = made(result)
    assert result.losses == ()
    data = bytes(0x10) + bytes.fromhex(stored)
    values = [cells(definition, data, name) for name in "ABCD"]
    assert values == [[0x11223344], [1.0], [float(0x0102030405060708)], [0x1122]]
    written = read("".join(definition_lines(definition)).encode())
    assert [cells(written, data, name) for name in "ABCD"] == values


# Axes that lie in memory from their highest breakpoint


def breakpoints(definition: Definition, data: bytes, name: str) -> list[float]:
    values: list[float] = decode(make_layout(definition), Image.raw(data)).breakpoints(name).tolist()
    return values


def test_a_falling_fixed_axis_has_its_cells_in_rising_order(tmp_path: Path) -> None:
    rest = axis("FIX_AXIS", 3, "FIX_AXIS_PAR_DIST 90 -20 3 MONOTONY MON_DECREASE", method="NO_COMPU_METHOD")
    result = imported(tmp_path, value("C", rest, type="CURVE", method="NO_COMPU_METHOD"))
    definition = made(result)
    own = definition.axes["C/x"]
    assert isinstance(own, FixedAxis) and (own.values, own.falling) == ((50, 70, 90), True)
    # By the standard, index 0 has the breakpoint 90 and lies first in memory.
    assert cells(definition, bytes(0x10) + u16(9, 7, 5), "C") == [5, 7, 9]
    assert reasons(result)[1:] == [("C", "its MONOTONY is not kept, because its breakpoints fall")]


BACKWARDS = """
/begin RECORD_LAYOUT BACK AXIS_PTS_X 1 UBYTE INDEX_DECR DIRECT /end RECORD_LAYOUT
/begin RECORD_LAYOUT OWN AXIS_PTS_X 1 UBYTE INDEX_DECR DIRECT FNC_VALUES 2 UBYTE ROW_DIR DIRECT
/end RECORD_LAYOUT
/begin RECORD_LAYOUT BOTH AXIS_PTS_X 1 UBYTE INDEX_DECR DIRECT AXIS_PTS_Y 2 UBYTE INDEX_DECR DIRECT
  FNC_VALUES 3 UBYTE COLUMN_DIR DIRECT /end RECORD_LAYOUT
"""


def test_breakpoints_stored_backwards_rise_and_the_cells_go_with_them(tmp_path: Path) -> None:
    """The last index comes first in memory; that the values follow is common practice, no source."""
    shared = '/begin AXIS_PTS S "" 0x40 N BACK 0 SPEED 3 0 6000 /end AXIS_PTS'
    shared += (
        '/begin AXIS_PTS FALL "" 0x43 N BYTE_AXIS 0 SPEED 3 0 6000 MONOTONY STRICT_DECREASE /end AXIS_PTS'
    )
    shared += '/begin AXIS_PTS TWICE "" 0x46 N BACK 0 SPEED 3 0 6000 MONOTONY MON_DECREASE /end AXIS_PTS'
    map_axes = axis("STD_AXIS", 3) + axis("STD_AXIS", 2)
    result = imported(
        tmp_path,
        BACKWARDS,
        shared,
        value("A", axis("COM_AXIS", 3, "AXIS_PTS_REF S"), type="CURVE", method="NO_COMPU_METHOD"),
        value("B", axis("STD_AXIS", 3), type="CURVE", layout="OWN", at="0x20", method="NO_COMPU_METHOD"),
        value("M", map_axes, type="MAP", layout="BOTH", at="0x30", method="NO_COMPU_METHOD"),
    )
    definition = made(result)
    assert result.losses == ()
    data = bytes(0x10) + u16(30, 20, 10) + bytes(10) + bytes([3, 2, 1, 9, 8, 7]) + bytes(10)
    data += bytes([60, 50, 40, 2, 1]) + bytes([62, 61, 52, 51, 42, 41]) + bytes(5)
    data += bytes([13, 12, 11, 23, 22, 21, 31, 32, 33])
    assert (breakpoints(definition, data, "S"), cells(definition, data, "A")) == (
        [220, 240, 260],
        [10, 20, 30],
    )
    assert (breakpoints(definition, data, "B/x"), cells(definition, data, "B")) == ([20, 40, 60], [7, 8, 9])
    assert breakpoints(definition, data, "M/x") == [800, 1000, 1200]
    assert breakpoints(definition, data, "M/y") == [20, 40]
    assert cells(definition, data, "M") == [41, 51, 61, 42, 52, 62]
    assert breakpoints(definition, data, "FALL") == [420, 440, 460]
    assert breakpoints(definition, data, "TWICE") == [620, 640, 660]


def test_axes_stored_backwards_come_back_from_an_export(tmp_path: Path) -> None:
    layouts = BACKWARDS
    shared = '/begin AXIS_PTS S "" 0x40 N BACK 0 SPEED 3 0 6000 /end AXIS_PTS'
    rest = axis("FIX_AXIS", 3, "FIX_AXIS_PAR_DIST 9 -1 3")
    before = made(
        imported(
            tmp_path,
            layouts,
            shared,
            value("A", axis("COM_AXIS", 3, "AXIS_PTS_REF S"), type="CURVE"),
            value("B", axis("STD_AXIS", 3), type="CURVE", layout="OWN", at="0x20"),
            value("C", rest, type="CURVE", at="0x30"),
        )
    )
    after, left_out = read_back(tmp_path, before)
    assert left_out == set()
    assert [axis.falling for axis in before.axes.values()] == [True, True, True]
    assert [change for change in said_changes(before, after) if change.element is ElementKind.AXIS] == []


# Instances of version 1.7


def instance(name: str, type: str, at: int, rest: str = "") -> str:
    return f'/begin INSTANCE {name} "" {type} 0x{at:X} {rest} /end INSTANCE'


def structure(*components: tuple[str, str, str]) -> str:
    """A TYPEDEF_STRUCTURE ENGINE of parts 16 bytes apart, by name, type and options."""
    inner = " ".join(
        f"/begin STRUCTURE_COMPONENT {name} {type} {16 * number} {rest} /end STRUCTURE_COMPONENT"
        for number, (name, type, rest) in enumerate(components)
    )
    return f'/begin TYPEDEF_STRUCTURE ENGINE "An engine" 0x40 {inner} /end TYPEDEF_STRUCTURE'


ONE_ENGINE = instance("engine", "ENGINE", 0x40)
PARTS = """
/begin TYPEDEF_AXIS SPEEDS "Speeds" N BYTE_AXIS 0 SPEED 3 0 6000 /end TYPEDEF_AXIS
/begin TYPEDEF_CHARACTERISTIC FUEL_CURVE "Fuel" CURVE WORD_VALUES 0 FUEL 0 100
  /begin AXIS_DESCR COM_AXIS N SPEED 3 0 6000 AXIS_PTS_REF THIS.speeds /end AXIS_DESCR
/end TYPEDEF_CHARACTERISTIC
"""
TYPES = f"""
{PARTS}
/begin TYPEDEF_STRUCTURE CYLINDER "A cylinder" 0x10
  /begin STRUCTURE_COMPONENT speeds SPEEDS 0 /end STRUCTURE_COMPONENT
  /begin STRUCTURE_COMPONENT fuel FUEL_CURVE 4 /end STRUCTURE_COMPONENT
/end TYPEDEF_STRUCTURE
/begin TYPEDEF_STRUCTURE BANK "Two cylinders" 0x20
  /begin STRUCTURE_COMPONENT cylinder CYLINDER 0 MATRIX_DIM 2 /end STRUCTURE_COMPONENT
/end TYPEDEF_STRUCTURE
"""


def test_an_instance_of_nested_structures_becomes_tables_at_the_sum_of_the_offsets(tmp_path: Path) -> None:
    result = imported(tmp_path, TYPES, instance("bank", "BANK", 0x40, "READ_ONLY"))
    definition = made(result)
    assert result.losses == () and not result.description.uncovered
    places = {name: table.at for name, table in definition.tables.items()}
    assert places == {"bank.cylinder[0].fuel": 0x44, "bank.cylinder[1].fuel": 0x54}
    table = definition.tables["bank.cylinder[1].fuel"]
    assert (table.x, table.demands.change) == ("bank.cylinder[1].speeds", 0)
    data = bytes(0x50) + bytes([10, 20, 30, 0]) + u16(1, 2, 3) + bytes(32)
    assert cells(definition, data, "bank.cylinder[1].speeds") == [200, 400, 600]
    assert cells(definition, data, "bank.cylinder[1].fuel") == [0.1, 0.2, 0.3]


def test_an_instance_of_a_characteristic_is_a_table(tmp_path: Path) -> None:
    parameters = 'LIMIT "A limit" VALUE WORD_VALUES 0 FUEL 1 50'
    typedef = f"/begin TYPEDEF_CHARACTERISTIC {parameters} /end TYPEDEF_CHARACTERISTIC"
    definition = made(imported(tmp_path, typedef, instance("cut", "LIMIT", 0x22)))
    table = definition.tables["cut"]
    assert (table.at, table.title) == (0x22, "A limit")


@pytest.mark.parametrize(
    ("blocks", "name", "reason"),
    [
        ((instance("a", "NONE", 1),), "a", "its type NONE is not described or not covered"),
        (
            # Nothing says which element of an array of axes a curve outside of the array uses.
            (PARTS, structure(("speeds", "SPEEDS", "MATRIX_DIM 2"), ("fuel", "FUEL_CURVE", "")), ONE_ENGINE),
            "engine.fuel",
            "its axis engine.speeds is not described",
        ),
        (
            (PARTS, instance("a", "FUEL_CURVE", 0x40, "MATRIX_DIM 2")),
            "a[1]",
            "its axis THIS.speeds is not described",
        ),
        (
            (TYPES, instance("a", "BANK", 0x40, "MATRIX_DIM 2 2 LAYOUT COLUMN_DIR")),
            "a",
            "the LAYOUT COLUMN_DIR of its indexes is not covered",
        ),
        (
            (TYPES, instance("a", "BANK", 0x40, "MATRIX_DIM 1000 1000 1000")),
            "a",
            "with it the instances stand for more than 1,000,000 items",
        ),
    ],
)
def test_an_instance_that_cannot_be_placed_is_listed(
    tmp_path: Path, blocks: tuple[str, ...], name: str, reason: str
) -> None:
    assert (name, reason) in reasons(imported(tmp_path, *blocks, value("B")))


def test_a_structure_within_itself_is_listed_and_ends(tmp_path: Path) -> None:
    ring = (
        '/begin TYPEDEF_STRUCTURE RING "" 4 /begin STRUCTURE_COMPONENT r RING 0 /end STRUCTURE_COMPONENT '
        "/end TYPEDEF_STRUCTURE"
    )
    result = imported(tmp_path, ring, instance("a", "RING", 0), value("B"))
    assert [reason for _, reason in reasons(result)] == ["its structures are nested more than 16 deep"]


def test_an_instance_in_another_address_space_is_left_out(tmp_path: Path) -> None:
    result = imported(tmp_path, TYPES, instance("a", "CYLINDER", 0x40, "ECU_ADDRESS_EXTENSION 1"), value("B"))
    assert ("a.speeds", "it lies in another address space (ECU_ADDRESS_EXTENSION)") in reasons(result)


def test_an_array_of_values_is_a_block_of_values(tmp_path: Path) -> None:
    typedef = '/begin TYPEDEF_CHARACTERISTIC FUEL_VALUE "Fuel" VALUE WORD_VALUES 0 FUEL 0 100'
    typedef += " /end TYPEDEF_CHARACTERISTIC"
    instance = '/begin INSTANCE LIST "Fuel" FUEL_VALUE 0x20 MATRIX_DIM 3 2 1 /end INSTANCE'
    result = imported(tmp_path, typedef, instance)
    definition = made(result)
    assert is_array(definition, definition.tables["LIST"])
    assert result.losses == ()
    assert cells(definition, bytes(0x20) + u16(10, 20, 30, 40, 50, 60), "LIST") == [1, 2, 3, 4, 5, 6]


#: Records with breakpoints of one byte behind values of two bytes.
BEHIND = """
/begin RECORD_LAYOUT BEHIND FNC_VALUES 1 UWORD ROW_DIR DIRECT AXIS_PTS_X 2 UBYTE INDEX_INCR DIRECT
/end RECORD_LAYOUT
"""


class BehindRecord(ctypes.BigEndianStructure):
    """The same record as a C compiler lays it out, by ctypes of Python."""

    _fields_ = (("values", ctypes.c_uint16 * 3), ("points", ctypes.c_uint8 * 3))


def behind_curve(points: int = 3) -> str:
    own = axis("STD_AXIS", points)
    return (
        f'/begin TYPEDEF_CHARACTERISTIC OWN "Fuel" CURVE BEHIND 0 FUEL 0 100 {own} '
        "/end TYPEDEF_CHARACTERISTIC"
    )


def test_an_array_of_curves_lies_as_an_array_of_c_structures(tmp_path: Path) -> None:
    records = (BehindRecord * 4)()
    for number in range(4):
        records[number].values[:] = (10 * number, 10 * number + 1, 10 * number + 2)
        records[number].points[:] = (number + 1, number + 2, number + 3)
    result = imported(tmp_path, BEHIND, behind_curve(), instance("a", "OWN", 0x40, "MATRIX_DIM 2 2"))
    definition = made(result)
    assert list(definition.tables) == ["a[0][0]", "a[0][1]", "a[1][0]", "a[1][1]"]
    data = bytes(0x40) + bytes(records) + bytes(16)
    for number, name in enumerate(definition.tables):
        assert cells(definition, data, name) == [number + 0, number + 0.1, number + 0.2]
        assert cells(definition, data, f"{name}/x") == [20 * (number + step) for step in (1, 2, 3)]
    # The standard's text does not state the distance of such records, so that callint says what it assumes.
    reason = "the records of its arrays are assumed to begin at multiples of 2 bytes"
    assert reasons(result) == [("BEHIND", reason)]


def test_records_that_end_at_a_multiple_of_their_alignment_need_no_assumption(tmp_path: Path) -> None:
    result = imported(tmp_path, BEHIND, behind_curve(4), instance("a", "OWN", 0x40, "MATRIX_DIM 2"))
    assert {name: table.at for name, table in made(result).tables.items()} == {"a[0]": 0x40, "a[1]": 0x4C}
    assert result.losses == ()


def test_the_curves_of_an_array_within_a_structure_share_its_axis(tmp_path: Path) -> None:
    engine = structure(("speeds", "SPEEDS", ""), ("fuel", "FUEL_CURVE", "MATRIX_DIM 2"))
    result = imported(tmp_path, PARTS, engine, instance("fleet", "ENGINE", 0x40, "MATRIX_DIM 2"))
    tables = made(result).tables
    assert {name: (table.at, table.x) for name, table in tables.items()} == {
        "fleet[0].fuel[0]": (0x50, "fleet[0].speeds"),
        "fleet[0].fuel[1]": (0x56, "fleet[0].speeds"),
        "fleet[1].fuel[0]": (0x90, "fleet[1].speeds"),
        "fleet[1].fuel[1]": (0x96, "fleet[1].speeds"),
    }
    assert result.losses == ()


def test_a_curve_may_name_one_axis_of_an_array(tmp_path: Path) -> None:
    curve = PARTS.replace("THIS.speeds", "THIS.speeds[1]")
    engine = structure(("speeds", "SPEEDS", "MATRIX_DIM 2"), ("fuel", "FUEL_CURVE", ""))
    definition = made(imported(tmp_path, curve, engine, ONE_ENGINE))
    data = bytes(0x40) + bytes([1, 2, 3, 10, 20, 30]) + bytes(64)
    assert definition.tables["engine.fuel"].x == "engine.speeds[1]"
    assert cells(definition, data, "engine.speeds[1]") == [200, 400, 600]


def test_maps_texts_blocks_and_stacks_of_an_array_follow_each_other(tmp_path: Path) -> None:
    fixed = axis("FIX_AXIS", 2, "FIX_AXIS_PAR_DIST 0 10 2")
    kinds = {
        "MAP": ("WORD_VALUES", fixed * 2, 8),
        "CUBOID": ("WORD_VALUES", fixed * 3, 16),
        "VAL_BLK": ("BYTE_VALUES", "MATRIX_DIM 5", 5),
        "ASCII": ("BYTE_VALUES", "NUMBER 7", 7),
    }
    blocks = [
        f'/begin TYPEDEF_CHARACTERISTIC T{kind} "" {kind} {layout} 0 FUEL 0 100 {rest} '
        f"/end TYPEDEF_CHARACTERISTIC {instance(kind.lower(), f'T{kind}', 0x100, 'MATRIX_DIM 3')}"
        for kind, (layout, rest, _) in kinds.items()
    ]
    definition = made(imported(tmp_path, *blocks))
    places = {name: table.at for name, table in definition.tables.items()}
    places |= {name: text.at for name, text in definition.texts.items()}
    for kind, (_, _, size) in kinds.items():
        layer = "[0]" if kind == "CUBOID" else ""
        at = [places[f"{kind.lower()}[{number}]{layer}"] for number in range(3)]
        assert at == [0x100, 0x100 + size, 0x100 + 2 * size]


def test_values_with_reserved_bytes_behind_them_are_scalars_of_their_own(tmp_path: Path) -> None:
    padded = (
        "/begin RECORD_LAYOUT PADDED FNC_VALUES 1 UWORD ROW_DIR DIRECT RESERVED 2 WORD /end RECORD_LAYOUT"
    )
    typedef = '/begin TYPEDEF_CHARACTERISTIC T "" VALUE PADDED 0 FUEL 0 100 /end TYPEDEF_CHARACTERISTIC'
    definition = made(imported(tmp_path, padded, typedef, instance("a", "T", 0x20, "MATRIX_DIM 3")))
    assert {name: table.at for name, table in definition.tables.items()} == {
        "a[0]": 0x20,
        "a[1]": 0x24,
        "a[2]": 0x28,
    }


def test_a_blob_is_the_block_of_its_bytes(tmp_path: Path) -> None:
    blob = '/begin BLOB B "Bytes" 0x20 4 CALIBRATION_ACCESS NO_CALIBRATION /end BLOB'
    typedef = '/begin TYPEDEF_BLOB T "Bytes" 2 /end TYPEDEF_BLOB'
    instance = '/begin INSTANCE I "More" T 0x30 /end INSTANCE'
    result = imported(tmp_path, blob, typedef, instance)
    definition = made(result)
    assert (result.losses, result.description.uncovered) == ((), {})
    assert all(is_array(definition, definition.tables[name]) for name in "BI")
    data = bytes(0x20) + bytes([1, 2, 3, 4]) + bytes(12) + bytes([5, 6])
    assert (cells(definition, data, "B"), cells(definition, data, "I")) == ([1, 2, 3, 4], [5, 6])
    assert definition.tables["B"].demands.change == 0


# Axes whose breakpoints follow from numbers in the image


STEPPED = """
/begin RECORD_LAYOUT DIST OFFSET_X 1 UBYTE DIST_OP_X 2 UBYTE FNC_VALUES 3 UBYTE ROW_DIR DIRECT
/end RECORD_LAYOUT
/begin RECORD_LAYOUT SHIFT OFFSET_X 1 SBYTE SHIFT_OP_X 2 SBYTE FNC_VALUES 3 UBYTE ROW_DIR DIRECT
/end RECORD_LAYOUT
/begin RECORD_LAYOUT INDEXES FNC_VALUES 1 UBYTE ROW_DIR DIRECT /end RECORD_LAYOUT
"""


def stepped(folder: Path) -> Imported:
    plain = "NO_COMPU_METHOD"
    curve = axis("CURVE_AXIS", 3, "CURVE_AXIS_REF LOOKUP", method=plain)
    lookup = axis("FIX_AXIS", 4, "FIX_AXIS_PAR_DIST 40 10 4")
    return imported(
        folder,
        STEPPED,
        value("D", axis("FIX_AXIS", 3), type="CURVE", layout="DIST", at="0x10", method=plain),
        value("S", axis("FIX_AXIS", 3), type="CURVE", layout="SHIFT", at="0x18", method=plain),
        value("USER", curve, type="CURVE", layout="INDEXES", at="0x20", method=plain),
        value("LOOKUP", lookup, type="CURVE", layout="INDEXES", at="0x28", method=plain),
    )


def made_axis(definition: Definition, table: str) -> Axis:
    return definition.axes[definition.tables[table].x or ""]


def test_without_an_image_a_computed_axis_counts_cells_and_its_parameters_are_scalars(tmp_path: Path) -> None:
    result = stepped(tmp_path)
    definition = made(result)
    data = bytes(0x10) + bytes([50, 10, 1, 2, 3, 0, 0, 0])
    assert cells(definition, data, "D.offset_x") == [1000]
    assert cells(definition, data, "D.dist_op_x") == [10]
    assert cells(definition, data, "D") == [1, 2, 3]
    assert all(is_array(definition, definition.tables[name]) for name in ("D", "S"))
    assert made_axis(definition, "USER") == DerivedAxis(
        "LOOKUP.axis_3", "N", "LOOKUP", Derivation.INVERTED, 3, 0
    )
    assert len(reasons(result)) == 2
    assert reasons(result)[:2] == [
        (
            name,
            "its x axis follows from stored parameters; it counts cells instead, unless --image gives a "
            "factory image",
        )
        for name in "DS"
    ]


def test_an_image_gives_the_breakpoints_of_computed_axes(tmp_path: Path) -> None:
    # D: 20 rpm * (50 + 10 i); S: 20 rpm * (-8 + 2^3 i).
    # LOOKUP: 0 up to 1000 rpm, 1 at 1000 + 200 / 2 rpm, 2 at 1200 rpm, and held there.
    data = bytes(0x10) + bytes([50, 10, 1, 2, 3, 0, 0, 0]) + bytes([0xF8, 3, 4, 5, 6, 0, 0, 0])
    data += bytes([7, 8, 9, 0, 0, 0, 0, 0]) + bytes([0, 0, 2, 2])
    result = with_computed_axes(stepped(tmp_path), Image.raw(data), "base.bin")
    definition = made(result)
    assert breakpoints(definition, data, "D/x") == [1000, 1200, 1400]
    assert breakpoints(definition, data, "S/x") == [-160, 0, 160]
    assert breakpoints(definition, data, "LOOKUP.axis_3") == [1000, 1100, 1200]
    # In another image, the axis of USER is another one: 1 at 1000 + 200 / 3 rpm.
    other = data[:-4] + bytes([0, 0, 3, 3])
    assert breakpoints(definition, other, "LOOKUP.axis_3") == pytest.approx(
        [1000, 1200 - 400 / 3, 1200 - 200 / 3]
    )
    assert {definition.axes[name].signal for name in ("D/x", "S/x", "LOOKUP.axis_3")} == {"N"}
    assert definition.tables["D.dist_op_x"].demands.change == 0
    note = "The breakpoints along x follow from D.offset_x and D.dist_op_x in base.bin."
    assert definition.tables["D"].notes == (note,)
    kept = "its x axis follows from stored parameters; it keeps the breakpoints that base.bin gives"
    assert ("D", kept) in reasons(result)
    written = read("".join(definition_lines(definition)).encode())
    assert written.axes["D/x"] == replace(definition.axes["D/x"], line=written.axes["D/x"].line)


@pytest.mark.parametrize(
    ("parameters", "lookup", "name", "reason"),
    [
        ([50, 0], [0, 1, 2, 3], "D", "its breakpoints neither rise nor fall in the image"),
        ([50, 1], [0, 1, 1, 3], "USER", "the curve does not give each cell at one input in the image"),
        ([50, 1], [1, 2, 3, 4], "USER", "the curve does not give each cell at one input in the image"),
    ],
)
def test_an_image_without_the_breakpoints_of_a_computed_axis_is_listed(
    tmp_path: Path, parameters: list[int], lookup: list[int], name: str, reason: str
) -> None:
    data = bytes(0x10) + bytes(parameters) + bytes(0x16) + bytes(lookup)
    result = with_computed_axes(stepped(tmp_path), Image.raw(data), "base.bin")
    assert is_array(made(result), made(result).tables[name])
    assert any(text.endswith(f", but {reason}; it counts cells instead") for _, text in reasons(result))
