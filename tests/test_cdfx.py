"""Changed tables in ASAM CDF 2.0: what is written, and that it reads back to the same bits.

The names and the order of the outer elements are from memory of the published standard. The containers of
values are compared in ``tests/outside/test_sources.py`` with the schema of AUTOSAR, which shares them.
"""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from callint.cli.cdfx import checked_cdfx
from callint.comparing.apply_cdfx import apply_values
from callint.comparing.compare import compare
from callint.decoding.decode import Decoded, decode
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.cdfx import read_cdfx, short_name
from callint.reporting.changes.cdfx import changes_cdfx
from tests.building import decoded, definition_xml, u16
from tests.example_counts import examples

SIZE = 0x80

TABLES = """
    <scalar name="idle" title="Idle &lt;speed&gt;" purpose="demand" at="0x20" type="uint16" conversion="rpm"/>
    <scalar name="mode" title="Mode" purpose="general" at="0x22" type="uint8" mask="0x0C"
            conversion="on_off"/>
    <scalar name="bit" title="Bit" purpose="general" at="0x22" type="uint8" mask="0x03"/>
    <curve name="limit" title="Limit" purpose="protection" at="0x24" type="int16" conversion="mg">
      <x axis="speed-4"/>
    </curve>
    <curve name="own" title="Own axis" purpose="general" at="0x30" type="uint8" conversion="bent">
      <x><axis signal="load" at="0x34" type="uint8" count="3" conversion="mg"/></x>
    </curve>
    <map name="fuel.main[2]" title="Map" purpose="demand" at="0x38" type="uint16" conversion="mg"
         order="y-first">
      <x axis="speed-4"/>
      <y><fixed-axis signal="load" values="0.1 0.30000000000000004"/></y>
    </map>
    <curve name="real" title="Floats" purpose="general" at="0x48" type="float32" conversion="third">
      <x><fixed-axis signal="speed" values="1 2 3"/></x>
    </curve>
    <scalar name="double" title="Double" purpose="general" at="0x58" type="float64"/>
    <text name="label" title="Label" purpose="general" at="0x60" length="8" encoding="latin-1"/>
"""
AXES = """
    <axis name="speed-4" signal="speed" at="0x10" type="uint16" conversion="rpm" count="4"/>
    <axis name="other" signal="speed" at="0x18" type="uint16" conversion="rpm" count="4"/>
"""
CONVERSIONS = """
    <linear name="rpm" unit="rpm" factor="0.25" offset="-5"/>
    <linear name="mg" unit="mg" factor="0.1"/>
    <linear name="third" unit="-" factor="0.001"/>
    <states name="on_off">
      <state raw="0">off</state><state raw="1">on</state><state raw="3">on</state>
    </states>
    <interpolated name="bent" unit="%">
      <point raw="0" physical="0"/><point raw="255" physical="100"/>
    </interpolated>
"""
XML = definition_xml(TABLES, axes=AXES, conversions=CONVERSIONS, size=SIZE)

BASE = bytes(SIZE)
REWORK = bytearray(SIZE)
REWORK[0x10:0x18] = u16(100, 200, 300, 400)
REWORK[0x20:0x22] = u16(3001)
REWORK[0x22] = 0b0000_0110
REWORK[0x24:0x2C] = struct.pack(">4h", -1, 3, -32768, 32767)
REWORK[0x30:0x33] = bytes([1, 2, 200])
REWORK[0x34:0x37] = bytes([1, 2, 3])
REWORK[0x38:0x48] = u16(*range(1, 9))
REWORK[0x48:0x54] = struct.pack(">3f", 0.1, -0.0, 1e-3)
REWORK[0x58:0x60] = struct.pack(">d", 0.1 + 0.2)
REWORK[0x60:0x68] = "L\xe4&<  ".encode("latin-1") + b"\0\0"


def of(data: bytes | bytearray) -> Decoded:
    return decoded(XML, bytes(data))


def written(old: bytes | bytearray, new: bytes | bytearray) -> bytes:
    changes = compare(of(old), of(new))
    return checked_cdfx(changes, of(new), "boats/heron.bin", "defs/yard.xml").encode()


def over(data: bytes | bytearray, file: bytes) -> Image:
    return apply_values(of(data), read_cdfx(file, "heron.cdfx")).image


def instances(file: bytes) -> dict[str, etree._Element]:
    path = "SW-SYSTEMS/SW-SYSTEM/SW-INSTANCE-SPEC/SW-INSTANCE-TREE/SW-INSTANCE"
    return {item.findtext("SHORT-NAME") or "": item for item in etree.fromstring(file).findall(path)}


# What is written


def test_the_root_names_cdf_2_0_and_the_source_of_the_values() -> None:
    root = etree.fromstring(written(BASE, REWORK))
    assert [child.tag for child in root] == ["SHORT-NAME", "CATEGORY", "SW-SYSTEMS"]
    assert (root.tag, root.findtext("CATEGORY")) == ("MSRSW", "CDF20")
    system = root.find("SW-SYSTEMS/SW-SYSTEM")
    assert system is not None and [child.tag for child in system] == ["SHORT-NAME", "SW-INSTANCE-SPEC"]
    tree = root.find(".//SW-INSTANCE-TREE")
    assert tree is not None
    assert (tree.findtext("SHORT-NAME"), tree.findtext("CATEGORY")) == ("heron", "NO_VCD")
    origin = [(item.tag, item.text) for item in tree.iterfind("SW-INSTANCE-TREE-ORIGIN/*")]
    assert origin == [("SYMBOLIC-FILE", "defs/yard.xml"), ("DATA-FILE", "boats/heron.bin")]


def test_each_changed_table_text_and_shared_axis_is_an_instance_of_its_category() -> None:
    actual = {name: item.findtext("CATEGORY") for name, item in instances(written(BASE, REWORK)).items()}
    assert actual == {
        "speed_4": "COM_AXIS",
        "idle": "VALUE",
        "mode": "VALUE",
        "bit": "VALUE",
        "limit": "CURVE",
        "own": "CURVE",
        "fuel.main[2]": "MAP",
        "real": "CURVE",
        "double": "VALUE",
        "label": "ASCII",
    }


def test_the_parts_of_an_instance_are_in_the_order_of_the_standard() -> None:
    fuel = instances(written(BASE, REWORK))["fuel.main[2]"]
    assert [item.tag for item in fuel] == [
        "SHORT-NAME",
        "LONG-NAME",
        "CATEGORY",
        "SW-VALUE-CONT",
        "SW-AXIS-CONTS",
    ]
    content = fuel.find("SW-VALUE-CONT")
    assert content is not None and [part.tag for part in content] == ["UNIT-DISPLAY-NAME", "SW-VALUES-PHYS"]
    x, y = fuel.findall("SW-AXIS-CONTS/SW-AXIS-CONT")
    parts = ["CATEGORY", "UNIT-DISPLAY-NAME", "SW-AXIS-INDEX"]
    assert [item.tag for item in x] == [*parts, "SW-INSTANCE-REF"]
    assert [item.tag for item in y] == [*parts, "SW-VALUES-PHYS"]


def test_a_map_has_a_labelled_group_for_each_breakpoint_of_y_and_its_axes_by_index() -> None:
    fuel = instances(written(BASE, REWORK))["fuel.main[2]"]
    groups = fuel.findall("SW-VALUE-CONT/SW-VALUES-PHYS/VG")
    # In memory y is fastest: 1 and 2 are the rows of the first column.
    assert [[item.text for item in group] for group in groups] == [
        ["0.1", "0.1", "0.3", "0.5", "0.7"],
        ["0.30000000000000004", "0.2", "0.4", "0.6", "0.8"],
    ]
    assert [item.tag for item in groups[0]] == ["LABEL", "V", "V", "V", "V"]
    x, y = fuel.findall("SW-AXIS-CONTS/SW-AXIS-CONT")
    assert [item.text for item in x] == ["COM_AXIS", "rpm", "1", "speed_4"]
    assert [item.text for item in y][:3] == ["FIX_AXIS", "mg", "2"]
    assert [value.text for value in y.findall("SW-VALUES-PHYS/V")] == ["0.1", "0.30000000000000004"]


def test_own_axes_states_texts_and_titles_are_written_as_what_they_are() -> None:
    result = instances(written(BASE, REWORK))
    (own,) = result["own"].findall("SW-AXIS-CONTS/SW-AXIS-CONT")
    assert (own.findtext("CATEGORY"), own.findtext("UNIT-DISPLAY-NAME")) == ("STD_AXIS", "mg")
    assert [item.text for item in own.iter("V")] == ["0.1", "0.2", "0.3"]
    assert result["mode"].findtext("SW-VALUE-CONT/SW-VALUES-PHYS/VT") == "on"
    assert result["label"].findtext("SW-VALUE-CONT/SW-VALUES-PHYS/VT") == "Lä&<"
    assert result["idle"].findtext("LONG-NAME") == "Idle <speed>"


def test_a_text_that_could_steer_a_terminal_is_written_in_references() -> None:
    rework = bytearray(BASE)
    rework[0x60:0x68] = b"\x9b1m\xe4    "
    file = written(BASE, rework)
    assert file.isascii() and b"\x1b" not in file
    assert instances(file)["label"].findtext("SW-VALUE-CONT/SW-VALUES-PHYS/VT") == "\x9b1m\xe4"


def test_a_name_that_two_states_have_is_not_used_for_the_second() -> None:
    rework = bytearray(BASE)
    rework[0x22] = 0b0000_1100
    mode = instances(written(BASE, rework))["mode"]
    assert [item.text for item in mode.iter("V", "VT")] == ["3"]


def test_only_what_changed_is_written_and_the_axes_that_it_lies_on() -> None:
    rework = bytearray(BASE)
    rework[0x24:0x26] = u16(7)
    assert list(instances(written(BASE, rework))) == ["speed_4", "limit"]
    assert instances(written(BASE, BASE)) == {}


def test_a_changed_axis_is_written_alone_where_it_is_shared_and_with_its_table_where_it_is_not() -> None:
    rework = bytearray(BASE)
    rework[0x10:0x12] = u16(7)
    assert list(instances(written(BASE, rework))) == ["speed_4"]
    rework = bytearray(BASE)
    rework[0x34] = 9
    assert list(instances(written(BASE, rework))) == ["own"]


def test_arrays_of_values_stay_arrays_and_read_back() -> None:
    signals = '<signal name="index_x" unit="-">Number</signal><signal name="index_y" unit="-">Number</signal>'
    x, y = (f'<fixed-axis signal="index_{along}" count="{{}}" start="0" step="1"/>' for along in "xy")
    arrays = (
        '<curve name="list" title="List" purpose="general" at="0x10" type="uint8">'
        f"<x>{x.format(3)}</x></curve>"
        '<map name="block" title="Block" purpose="general" at="0x20" type="uint8">'
        f"<x>{x.format(3)}</x><y>{y.format(2)}</y></map>"
    )
    xml = definition_xml(arrays, size=SIZE, signals=signals)
    new = bytes(range(SIZE))
    old_image, new_image = decoded(xml, BASE), decoded(xml, new)
    file = changes_cdfx(compare(old_image, new_image), new_image, "boat.bin", "boat.xml")
    found = instances(file)
    assert [found[name].findtext("CATEGORY") for name in ("list", "block")] == ["VAL_BLK", "VAL_BLK"]
    assert all(item.find("SW-AXIS-CONTS") is None and not item.findall(".//LABEL") for item in found.values())
    again = apply_values(old_image, read_cdfx(file, "boat.cdfx")).image
    content = Image.raw(new, 0)
    for start, size in ((0x10, 3), (0x20, 6)):
        assert again.read(start, size) == content.read(start, size)


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("fuel", "fuel"),
        ("a.b[3].c", "a.b[3].c"),
        ("a-b", "a_b"),
        ("a[", "a_"),
        ("3rd table", "_3rd_table"),
        ("größe", "gr__e"),
        ("", "_"),
    ],
)
def test_a_short_name_is_an_identifier(name: str, short: str) -> None:
    assert short_name(name) == short


# Reading back


def test_applying_the_file_to_the_rework_gives_the_rework_bit_for_bit() -> None:
    assert over(REWORK, written(BASE, REWORK)).content.tobytes() == bytes(REWORK)


def test_applying_the_file_to_the_base_gives_the_rework_except_for_padding() -> None:
    result = over(BASE, written(BASE, REWORK)).content.tobytes()
    assert result[:0x60] == bytes(REWORK[:0x60])
    assert result[0x60:].rstrip(b"\0 ") == "L\xe4&<".encode("latin-1")


@given(
    cells=st.binary(min_size=0x48, max_size=0x48),
    reals=st.lists(st.floats(width=32, allow_nan=False, allow_infinity=False), min_size=3, max_size=3),
    double=st.floats(allow_nan=False, allow_infinity=False),
    label=st.text("aZ=<&>'\"\r\n\t \u00e4\u00b0", max_size=8),
)
@examples(40)
def test_finite_numbers_and_texts_are_read_back_to_the_same_bits(
    cells: bytes, reals: list[float], double: float, label: str
) -> None:
    parts = struct.pack(">3f", *reals) + bytes(4) + struct.pack(">d", double), label.encode("latin-1")
    data = (cells + b"".join(parts)).ljust(SIZE, b"\0")
    file = written(BASE, data)
    laid = decode(of(BASE).layout, over(BASE, file))
    for here, there in zip(laid.raw, of(data).raw, strict=True):
        assert here.tobytes() == there.tobytes()
    assert over(data, file).content.tobytes() == data


@pytest.mark.parametrize(
    ("at", "content", "table", "message"),
    [
        (0x48, bytes.fromhex("7fc00000"), "real", "a value that is not finite"),
        (0x58, bytes.fromhex("7ff0000000000000"), "double", "a value that is not finite"),
        (0x60, b"\x01\x02", "label", "not a text in latin-1 that XML can hold"),
    ],
)
def test_parts_that_cdfx_cannot_hold_are_refused_by_name(
    at: int, content: bytes, table: str, message: str
) -> None:
    rework = bytearray(BASE)
    rework[at : at + len(content)] = content
    with pytest.raises(InputError) as error:
        written(BASE, rework)
    (line,) = error.value.lines
    assert line.startswith(f"boats/heron.bin: {table}: ") and message in line and "-t" in line


def test_values_that_scaling_cannot_lead_back_are_refused_by_name() -> None:
    # Both raw numbers are 50 %, so the file could not say which of them it means.
    conversions = """
    <interpolated name="flat" unit="%">
      <point raw="0" physical="50"/><point raw="9" physical="50"/>
    </interpolated>
    """
    table = '<scalar name="t" title="T" purpose="general" at="0" type="uint8" conversion="flat"/>'
    old, new = (decoded(definition_xml(table, conversions=conversions), bytes([n] * 64)) for n in (1, 2))
    with pytest.raises(InputError, match=r"heron.bin: t: its values .* same bits.*; choose other tables"):
        checked_cdfx(compare(old, new), new, "heron.bin", "t.xml")


def test_two_things_that_would_have_one_name_are_refused() -> None:
    tables = "".join(
        f'<scalar name="{name}" title="T" purpose="general" at="{at}" type="uint8"/>'
        for at, name in enumerate(("a-b", "a_b"))
    )
    old, new = (decoded(definition_xml(tables), bytes([n] * 64)) for n in (1, 2))
    with pytest.raises(InputError, match="a_b: two items would have this name"):
        changes_cdfx(compare(old, new), new, "heron.bin", "t.xml")


# Files of others


def file_of(*parts: str, category: str = "CDF20") -> bytes:
    """A file with instances in it; the first begins on line 3."""
    body = "\n".join(parts)
    return (
        f"<MSRSW><CATEGORY>{category}</CATEGORY><SW-SYSTEMS><SW-SYSTEM>\n"
        f"<SW-INSTANCE-SPEC><SW-INSTANCE-TREE>\n{body}\n</SW-INSTANCE-TREE></SW-INSTANCE-SPEC>\n"
        "</SW-SYSTEM></SW-SYSTEMS></MSRSW>\n"
    ).encode()


def instance(name: str, category: str, values: str, more: str = "", unit: str = "") -> str:
    return (
        f"<SW-INSTANCE><SHORT-NAME>{name}</SHORT-NAME><CATEGORY>{category}</CATEGORY><SW-VALUE-CONT>{unit}\n"
        f"<SW-VALUES-PHYS>{values}</SW-VALUES-PHYS></SW-VALUE-CONT>{more}</SW-INSTANCE>"
    )


def axis(index: int, content: str) -> str:
    return f"<SW-AXIS-CONT><SW-AXIS-INDEX>{index}</SW-AXIS-INDEX>{content}</SW-AXIS-CONT>"


def along(*axes: str) -> str:
    return f"\n<SW-AXIS-CONTS>{''.join(axes)}</SW-AXIS-CONTS>"


def phys(*values: float) -> str:
    return f"<SW-VALUES-PHYS>{''.join(f'<V>{value}</V>' for value in values)}</SW-VALUES-PHYS>"


CURVE = "<V>1</V><V>2</V><V>3</V><V>4</V>"
REFERENCE = axis(1, "<SW-INSTANCE-REF>speed_4</SW-INSTANCE-REF>")
IDLE = instance("idle", "VALUE", "<V>10</V>")
SPEEDS = instance("speed_4", "COM_AXIS", "<V>20</V><V>45</V><V>70</V><V>95</V>")
OTHER = SPEEDS.replace("speed_4", "other")


def test_a_value_is_rounded_to_the_nearest_number_of_its_type() -> None:
    image = over(BASE, file_of(instance("idle", "VALUE", "<V> +1.009e1 </V>")))
    # (10.09 + 5) / 0.25 is 60.36.
    assert image.content[0x20:0x22].tobytes() == u16(60)


def test_tables_that_the_file_lacks_keep_their_bytes() -> None:
    result = np.flatnonzero(over(BASE, file_of(IDLE)).content)
    assert result.tolist() == [0x21]


def test_a_name_that_may_be_two_things_is_refused_with_both_and_a_file_of_foreign_ones_whole() -> None:
    tables = "".join(
        f'<scalar name="{name}" title="T" purpose="general" at="{at}" type="uint8"/>'
        for at, name in enumerate(("a-b", "a_b"))
    )
    two = decoded(definition_xml(tables), bytes(64))
    for name, message in (
        ("a_b", "'a_b' may be a-b or a_b"),
        ("a-c", "the definition has no instance of the file"),
    ):
        with pytest.raises(InputError) as refused:
            apply_values(two, read_cdfx(file_of(instance(name, "VALUE", "<V>1</V>")), "heron.cdfx"))
        assert message in str(refused.value)


@pytest.mark.parametrize(
    ("name", "category", "values", "unit"),
    [
        ("bit", "VALUE", "<V>1</V>", "-"),
        ("bit", "VALUE", "<V>1</V>", ""),
        ("double", "VALUE", "<V>1</V>", "-"),
    ],
)
def test_a_dash_means_no_unit(name: str, category: str, values: str, unit: str) -> None:
    said = f"<UNIT-DISPLAY-NAME>{unit}</UNIT-DISPLAY-NAME>"
    image = over(BASE, file_of(instance(name, category, values, unit=said)))
    assert np.count_nonzero(image.content) > 0
    with pytest.raises(InputError, match="in no unit here and in rpm in the file"):
        over(BASE, file_of(instance(name, category, values, unit=said.replace(f">{unit}<", ">rpm<"))))


def test_names_for_people_histories_and_labels_are_passed_over() -> None:
    more = "<SW-CS-HISTORY><CS-ENTRY><REMARK>ok</REMARK></CS-ENTRY></SW-CS-HISTORY><ADMIN-DATA/>"
    values = "<LABEL>x</LABEL><V>10</V>"
    assert over(BASE, file_of(instance("idle", "VALUE", values, more))) == over(BASE, file_of(IDLE))


def test_a_row_that_is_labelled_with_another_breakpoint_is_refused() -> None:
    file = written(BASE, REWORK).decode()
    first, second = "<LABEL>0.1</LABEL>", "<LABEL>0.30000000000000004</LABEL>"
    # Labels are rounded for people, or words.
    for label in ("<LABEL>0.3</LABEL>", "<LABEL>half load</LABEL>", "<LABEL/>", ""):
        assert over(REWORK, file.replace(second, label).encode()).content.tobytes() == bytes(REWORK)
    # Rows in another order are not those of the axis.
    swapped = file.replace(first, "@@").replace(second, first).replace("@@", second)
    with pytest.raises(
        InputError, match=r"heron.cdfx:\d+: a row of fuel.main\[2\] is labelled 0.3"
    ) as caught:
        over(REWORK, swapped.encode())
    assert "but lies at 0.1; put the rows in the order of the axis" in str(caught.value)


def test_a_shared_axis_may_be_given_with_each_table() -> None:
    curve = instance("limit", "CURVE", CURVE, along(axis(1, phys(20, 45, 70, 95))))
    assert of(over(BASE, file_of(curve)).content.tobytes()).breakpoints("speed-4").tolist() == [
        20,
        45,
        70,
        95,
    ]


def test_an_element_beyond_the_parsers_own_line_count_has_its_line() -> None:
    wrong = instance("idle", "VALUE", "<V>ten</V>")
    with pytest.raises(InputError, match=r"^heron.cdfx:70004: 'ten' is not a number; "):
        over(BASE, file_of("\n" * 70_000 + wrong))


# What is foreign, and the forms that others write


FOREIGN = {
    "another name": instance("idel", "VALUE", "<V>1</V>"),
    "a category that is not read": instance("block", "CUBOID", "<VG><V>1</V></VG>"),
    "a value that is not a number": instance("broken", "VALUE", "<V>?</V>"),
    "a variant": instance("many", "VALUE", "<V>1</V>", "<SW-INSTANCE-PROPS-VARIANTS/>"),
    "an axis of another file": instance(
        "curve", "CURVE", CURVE, along(axis(1, "<SW-INSTANCE-REF>x</SW-INSTANCE-REF>"))
    ),
    "no values": "<SW-INSTANCE><SHORT-NAME>empty</SHORT-NAME><CATEGORY>VALUE</CATEGORY></SW-INSTANCE>",
}


@pytest.mark.parametrize("foreign", FOREIGN)
def test_what_the_definition_lacks_is_listed_and_the_rest_is_used(foreign: str) -> None:
    file = file_of(FOREIGN[foreign], IDLE, instance("later", "VALUE", "<V>1</V>"))
    applied = apply_values(of(BASE), read_cdfx(file, "heron.cdfx"))
    name = str(etree.fromstring(FOREIGN[foreign]).findtext("SHORT-NAME"))
    assert applied.foreign == (name, "later")
    assert applied.image == over(BASE, file_of(IDLE))


def test_an_array_needs_no_axes_if_those_of_the_table_are_fixed() -> None:
    values = "<V>0.1</V><V>0.2</V><V>0.3</V>"
    curve = instance("real", "CURVE", values, along(axis(1, phys(1, 2, 3))))
    assert over(BASE, file_of(instance("real", "VAL_BLK", values))) == over(BASE, file_of(curve))


#: What programs write in front, with the encoding; the types are never fetched, so their names are made up.
FRONTS = [
    ('<?xml version="1.0" encoding="UTF-8"?>\n<!DOCTYPE MSRSW SYSTEM "values.dtd">\n', "utf-8"),
    (
        '<?xml version="1.0"?>\n<!-- a -->\n<!DOCTYPE MSRSW PUBLIC "-//YARD//DTD V1//EN"\n "v.dtd">',
        "utf-8-sig",
    ),
    ("<!DOCTYPE MSRSW>", "utf-8"),
    ('<?xml version="1.0" encoding="ISO-8859-1"?>\n', "latin-1"),
    (
        "<?xml version='1.0' encoding='windows-1252' standalone='no'?>\n<!DOCTYPE MSRSW SYSTEM 'v.dtd'>",
        "cp1252",
    ),
    ('<?xml version="1.0" encoding="UTF-16"?>\n', "utf-16"),
    ('<?xml version="1.0" encoding="UTF-16LE"?>\r\n', "utf-16-le"),
    ('\ufeff<?xml version="1.0" encoding="utf-16"?>\n<!DOCTYPE MSRSW SYSTEM "v.dtd">', "utf-16-be"),
]


@pytest.mark.parametrize(("front", "encoding"), FRONTS)
def test_other_encodings_and_external_document_types_are_read_with_the_same_lines(
    front: str, encoding: str
) -> None:
    label = instance("label", "ASCII", "<VT>Höhe</VT>")
    file = (front + file_of(label, IDLE).decode()).encode(encoding)
    assert over(BASE, file) == over(BASE, file_of(label, IDLE))
    wrong = (front + file_of(instance("idle", "VALUE", "<V>ä</V>")).decode()).encode(encoding)
    line = 4 + front.count("\n")
    with pytest.raises(InputError, match=f"^heron.cdfx:{line}: 'ä' is not a number; "):
        over(BASE, wrong)


def test_a_document_type_is_never_fetched(tmp_path: Any) -> None:
    secret = tmp_path / "values.dtd"
    secret.write_text('<!ENTITY speed "10">')
    front = f'<!DOCTYPE MSRSW SYSTEM "{secret.as_uri()}">'
    file = front.encode() + file_of(instance("idle", "VALUE", "<V>&speed;</V>"))
    with pytest.raises(InputError, match=r"^heron\.cdfx:4: not well-formed XML: Entity 'speed' not"):
        over(BASE, file)


@pytest.mark.parametrize(
    ("file", "line", "words"),
    [
        (b"", 1, "not well-formed XML"),
        (b"<MSRSW>\n<CATEGORY>CDF20</MSRSW>", 2, "not well-formed XML"),
        (b"<!DOCTYPE MSRSW [<!ENTITY a 'b'>]><MSRSW>&a;</MSRSW>", 1, "DOCTYPE"),
        (b"<!DOCTYPE MSRSW SYSTEM 'a.dtd' [<!ENTITY a 'b'>]>\n<MSRSW>&a;</MSRSW>", 1, "DOCTYPE"),
        (b"<!DOCTYPE MSRSW SYSTEM 'a.dtd'>\n<MSRSW>&a;</MSRSW>", 2, "Entity 'a' not defined"),
        (b"<!DOCTYPE MSRSW SYSTEM 'a.dtd'><!DOCTYPE MSRSW>\n<MSRSW/>", 1, "DOCTYPE"),
        (b'<?xml version="1.0" encoding="windows-1252"?>\n<MSRSW>\x81</MSRSW>', 2, "not UTF-8"),
        ("<MSRSW>".encode("utf-16")[:-1], 1, "not UTF-8"),
        (b"<MSRSW>\n\xff</MSRSW>", 2, "not UTF-8"),
        # XML 1.0, production [2] Char, has neither of these.
        (b"<MSRSW>\n&#27;</MSRSW>", 2, "not well-formed XML: a reference to the character 27"),
        (b"<MSRSW>\n&#xD800;</MSRSW>", 2, "not well-formed XML: a reference to the character 55296"),
        (b"<MSRSW>\n\x1b</MSRSW>", 2, "not well-formed XML: there is the character 27"),
        (b'<?xml version="1.0" encoding="ascii"?>\n<MSRSW>\xc3\xa4</MSRSW>', 2, "declare UTF-8"),
        (b"<other/>", 1, "not <MSRSW>"),
        (b"<MSRSW/>", 1, "CATEGORY is missing, not CDF20"),
        (file_of(category="CDF30"), 1, "CATEGORY is CDF30, not CDF20"),
        (file_of("<SW-INSTANCE/>"), 3, "has no <SHORT-NAME>"),
        (file_of("<SW-INSTANCE><SHORT-NAME>idle</SHORT-NAME></SW-INSTANCE>"), 3, "has no <CATEGORY>"),
        (file_of(instance("", "VALUE", "<V>1</V>")), 3, "has no <SHORT-NAME>"),
        (file_of(instance("idle", "CUBOID", "<V>1</V>")), 3, "the category CUBOID is not one of"),
        (file_of(IDLE, IDLE), 5, "idle occurs on line 3 too"),
        (file_of(f"<GROUP>{IDLE}</GROUP>"), 3, "is inside another element"),
        (
            file_of(instance("idle", "VALUE", "<V>1</V>", "<SW-ARRAY-INDEX/>")),
            4,
            "<SW-ARRAY-INDEX> is not supported",
        ),
        (
            file_of("<SW-INSTANCE><SHORT-NAME>idle</SHORT-NAME><CATEGORY>VALUE</CATEGORY></SW-INSTANCE>"),
            3,
            "no <SW-VALUE-CONT>",
        ),
        (file_of(instance("idle", "VALUE", "")), 4, "has no value"),
        (file_of(instance("idle", "VALUE", "<VF>1</VF>")), 4, "<VF> is not supported here"),
        (file_of(instance("idle", "VALUE", "<V>1<B/></V>")), 4, "<B> is not supported here"),
        *(
            (
                file_of(instance("idle", "VALUE", f"<V>{text}</V>")),
                4,
                "is not a number; write it with a point",
            )
            for text in ("", "1,5", "nan", "INF", "1e999", "0x10", "1_0", "１", "1 2")
        ),
        (file_of(instance("idle", "VALUE", "<VG><V>1</V></VG><V>2</V>")), 4, "outside groups"),
        (
            file_of(instance("limit", "MAP", "<VG><V>1</V></VG>\n<VG/>")),
            5,
            "0 values, but the first group has 1",
        ),
        (
            file_of(SPEEDS, instance("limit", "CURVE", CURVE, along(axis(3, phys(1))))),
            7,
            "SW-AXIS-INDEX> is 3",
        ),
        (file_of(SPEEDS, instance("limit", "CURVE", CURVE, along(REFERENCE * 2))), 7, "SW-AXIS-INDEX> is 1"),
        (file_of(instance("limit", "CURVE", CURVE, along(axis(1, "")))), 5, "neither values nor"),
        (file_of(instance("limit", "CURVE", CURVE, along(REFERENCE))), 5, "the file has no axis speed_4"),
        # What a good file says and this definition has otherwise.
        (file_of(instance("idel", "VALUE", "<V>1</V>")), 3, "the definition has no instance of the file"),
        (file_of(instance("idle", "COM_AXIS", "<V>1</V>")), 3, "no axis 'idle'"),
        # An axis of a table's own is given with its table.
        (
            file_of(instance("own_x", "COM_AXIS", "<V>1</V><V>2</V><V>3</V>")),
            3,
            "has no instance of the file",
        ),
        (file_of(SPEEDS, instance("limit", "VAL_BLK", CURVE)), 5, "limit has 1 axis here"),
        (file_of(instance("idle", "CURVE", "<V>1</V>")), 3, "idle is a scalar here and CURVE in the file"),
        (
            file_of(instance("idle", "VALUE", "<V>1</V><V>2</V>")),
            3,
            "1 by 1 values here and 1 by 2 in the file",
        ),
        (
            file_of(instance("idle", "VALUE", "<V>1</V>", unit="<UNIT-DISPLAY-NAME>Hz</UNIT-DISPLAY-NAME>")),
            3,
            "in rpm here and in Hz in the file",
        ),
        (file_of(instance("idle", "VALUE", "<V>20000</V>")), 4, "20000 rpm does not fit the uint16"),
        (file_of(instance("own", "CURVE", "<V>1</V><V>2</V>\n<V>101</V>")), 5, "101 % does not fit"),
        (file_of(instance("idle", "VALUE", "<VT>on</VT>")), 4, "no state 'on'"),
        (file_of(instance("mode", "VALUE", "<VT>ajar</VT>")), 4, "no state 'ajar'"),
        (file_of(instance("mode", "VALUE", "<V>4</V>")), 4, "4 does not fit"),
        (file_of(instance("limit", "CURVE", CURVE)), 3, "limit has 1 axis here"),
        (
            file_of(OTHER, instance("limit", "CURVE", CURVE, along(REFERENCE.replace("speed_4", "other")))),
            7,
            "the axis is speed-4 here and other in the file",
        ),
        (
            file_of(instance("limit", "CURVE", CURVE, along(axis(1, phys(1, 2, 3))))),
            5,
            "1 by 4 values here and 1 by 3",
        ),
        (
            file_of(instance("real", "CURVE", "<V>1</V><V>2</V><V>3</V>", along(axis(1, phys(1, 2, 4))))),
            5,
            "the fixed axis has 3 here and 4 in the file",
        ),
        (
            file_of(SPEEDS, instance("limit", "CURVE", CURVE, along(axis(1, phys(20, 45, 70, 96))))),
            3,
            "speed-4 gets two different contents from the file",
        ),
        (file_of(instance("label", "ASCII", "<VT>far too long</VT>")), 4, "longer than 8 bytes"),
        (file_of(instance("label", "ASCII", "<VT>Ω</VT>")), 4, "cannot be written in latin-1"),
        (file_of(instance("label", "ASCII", "<V>1</V>")), 4, "label is not one text"),
    ],
)
def test_a_wrong_file_is_refused_in_one_line_with_place_and_remedy(
    file: bytes, line: int, words: str
) -> None:
    with pytest.raises(InputError) as error:
        over(BASE, file)
    (message,) = error.value.lines
    assert message.startswith(f"heron.cdfx:{line}: "), message
    assert words in message and "; " in message


@pytest.mark.parametrize(
    ("second", "line", "message"),
    [
        ('<text name="b" title="B" purpose="general" at="2" length="4"/>', 3, "a shares its bytes"),
        (
            '<scalar name="b" title="B" purpose="general" at="2" type="uint8"/>',
            5,
            "b gets two different contents",
        ),
    ],
)
def test_values_that_want_the_same_bytes_otherwise_are_refused(second: str, line: int, message: str) -> None:
    first = '<text name="a" title="A" purpose="general" at="0" length="4"/>'
    result = decoded(definition_xml(first + second), bytes(64))
    other = (
        instance("b", "ASCII", "<VT>BBBB</VT>") if "text" in second else instance("b", "VALUE", "<V>7</V>")
    )
    file = read_cdfx(file_of(instance("a", "ASCII", "<VT>AAAA</VT>"), other), "heron.cdfx")
    with pytest.raises(InputError, match=f"^heron.cdfx:{line}: {message}"):
        apply_values(result, file)


def test_a_long_text_is_not_quoted_whole() -> None:
    with pytest.raises(InputError) as error:
        over(BASE, file_of(instance("x" * 10_000, "VALUE", "<V>1</V>")))
    assert len(error.value.lines[0]) < 400


def test_more_values_than_any_definition_has_are_refused(monkeypatch: Any) -> None:
    monkeypatch.setattr("callint.reading.cdfx.MAX_CELLS", 3)
    with pytest.raises(InputError, match=r"^heron.cdfx:4: the file has more than 3 values"):
        over(BASE, file_of(SPEEDS))
