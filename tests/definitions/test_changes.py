"""The classification of single changes of a definition."""

from __future__ import annotations

import pytest

from callint.comparing.definitions.diff import compare_definitions
from callint.fmt.definition_changes import change_text
from callint.model.definition_change import ChangeKind, DefinitionChange, DefinitionDiff
from tests.building import definition_xml, read

LESS, READS, MORE = ChangeKind.LOOSENED, ChangeKind.READS_DIFFERENTLY, ChangeKind.TIGHTENED
NEW, GONE, WORDING = ChangeKind.NEW, ChangeKind.GONE, ChangeKind.DOCUMENTATION

XML = """<?xml version="1.0"?>
<definition xmlns="urn:callint:definition:1" name="test" revision="1" byte-order="big">
  <title>Test engine</title>
  <memory start="0" size="0x200" fill="0xFF">
    <region name="code" start="0" size="0x100"/>
    <identity name="software" at="0x1F0" text="SW12"/>
    <checksum name="sum" algorithm="sum16" start="0" size="0x1C0" stored-at="0x1FC"/>
  </memory>
  <signals>
    <signal name="speed" unit="rpm" plausible="0 6000" operating="700 4200">Engine speed</signal>
    <signal name="load" unit="mg" plausible="0 100">Fuel quantity</signal>
    <signal name="temp" unit="degC" plausible="-40 140">Coolant</signal>
    <sensor signal="temp" curve="coolant" supply="5" pull-up="2200"/>
  </signals>
  <conversions>
    <linear name="rpm" unit="rpm" factor="1"/>
    <linear name="bar" unit="bar" factor="0.1"/>
    <linear name="degrees" unit="degC" factor="1" offset="-40"/>
    <linear name="other" unit="bar" factor="0.2"/>
    <states name="on_off"><state raw="0">off</state><state raw="1">on</state></states>
  </conversions>
  <axes>
    <axis name="speed_4" signal="speed" at="0x20" type="uint16" conversion="rpm" count="4"
          count-at="0x28" count-type="uint8"/>
    <fixed-axis name="load_3" signal="load" values="10 20 30"/>
    <derived-axis name="coolant_3" signal="temp" curve="derate" by="rescaled" count="3"/>
  </axes>
  <tables>
    <group name="rail" title="Rail">
    <scalar name="cut" title="Cut" purpose="protection" at="0x40" type="uint16" conversion="rpm"
            signal="speed">
      <limits min="4000" max="5000"/>
      <guard above="5000"/>
    </scalar>
    <map name="pressure" title="Pressure" purpose="emissions" at="0x50" type="uint16" conversion="bar">
      <x axis="speed_4"/><y axis="load_3"/>
      <limits min="200" max="1650"/>
      <expected min="250" max="1600"/>
      <off raw="0xFFFF" allowed="outside-operating"/>
      <monotonic along="x" direction="rising" strict="true"/>
      <gradient along="x" max="0.5"/>
      <change max="50"/>
      <note>Mind the pump.</note>
    </map>
    </group>
    <curve name="coolant" title="Coolant sensor" purpose="general" at="0x80" type="uint8"
           conversion="degrees" produces="temp">
      <x><axis signal="load" at="0x90" type="uint8" count="4"/></x>
    </curve>
    <scalar name="monitor" title="Monitor" purpose="protection" at="0xA0" type="uint8" conversion="on_off">
      <guard state="off"/>
    </scalar>
    <curve name="derate" title="Derate" purpose="protection" at="0xB0" type="uint8">
      <x axis="speed_4"/>
      <guard below="20" share="0.5"/>
      <guard flat="true"/>
    </curve>
    <scalar name="number" title="Number" purpose="general" at="0xC0" type="uint16" unit-own="true"/>
    <scalar name="spare" title="Spare" purpose="general" at="0xD0" type="uint8">
      <limits max="300"/>
    </scalar>
    <text name="hull" title="Hull" purpose="general" at="0xE0" length="8" unit-own="true"/>
  </tables>
  <relations>
    <at-most table="pressure" bound="ceiling" margin="20"/>
  </relations>
  <titles xml:lang="de">
    <translation>Versuchsmotor</translation>
    <translation table="cut">Abstelldrehzahl</translation>
    <translation group="rail">Raildruck</translation>
    <translation signal="temp">Kühlwasser</translation>
  </titles>
</definition>
""".replace(
    "  </tables>",
    """  <map name="ceiling" title="Ceiling" purpose="protection" at="0x100" type="uint16" conversion="bar">
      <x axis="speed_4"/><y axis="load_3"/>
      <guard above="1700"/>
    </map>
  </tables>""",
)


def edited(*edits: tuple[str, str]) -> str:
    """The definition with each piece replaced by another one; every piece occurs once."""
    xml = XML
    for old, new in edits:
        assert xml.count(old) == 1, old
        xml = xml.replace(old, new)
    return xml


def diff(*edits: tuple[str, str]) -> DefinitionDiff:
    """The differences between the definition and the edited one."""
    return compare_definitions(read(XML.encode()), read(edited(*edits).encode()))


def content(change: DefinitionChange) -> tuple[ChangeKind, str]:
    return change.kind, change_text(change)


#: One edit, and the sentence about it.
SINGLE = [
    # Limits and expected ranges, in units.
    ('max="1650"', 'max="1700"', LESS, "pressure (emissions): limits max: 1650 bar → 1700 bar"),
    ('max="1650"', 'max="1600.5"', MORE, "pressure (emissions): limits max: 1650 bar → 1600.5 bar"),
    ('min="200" ', "", LESS, "pressure (emissions): limits min: 200 bar → none"),
    ('min="200"', 'min="150"', LESS, "pressure (emissions): limits min: 200 bar → 150 bar"),
    ('min="250" ', 'min="260" ', MORE, "pressure (emissions): expected min: 250 bar → 260 bar"),
    (' max="1600"', "", LESS, "pressure (emissions): expected max: 1600 bar → none"),
    # A limit beyond what a uint8 holds asks for nothing.
    ('<limits max="300"/>', "", WORDING, "spare: limits max: 300 → none"),
    ('<limits max="300"/>', '<limits max="254"/>', MORE, "spare: limits max: 300 → 254"),
    # Off codes.
    ('"outside-operating"', '"anywhere"', LESS, "off allowed: outside-operating → anywhere"),
    ('"outside-operating"', '"nowhere"', MORE, "off allowed: outside-operating → nowhere"),
    ('<off raw="0xFFFF" allowed="outside-operating"/>', "", LESS, "off: raw 65535 → none"),
    ('raw="0xFFFF"', 'raw="0xFFFE"', LESS, "off: raw 65535 → raw 65534"),
    ('<limits max="300"/>', '<limits max="300"/><off raw="9"/>', LESS, "spare: off: none → raw 9"),
    (
        '<limits max="300"/>',
        '<limits max="300"/><off raw="9" allowed="nowhere"/>',
        MORE,
        "spare: off: none → raw 9",
    ),
    # Axes that follow from a curve.
    ('curve="derate"', 'curve="coolant"', READS, "axis coolant_3: curve: derate → coolant"),
    ('by="rescaled"', 'by="inverted"', READS, "axis coolant_3: by: rescaled → inverted"),
    ('"rescaled" count="3"', '"rescaled" count="5"', READS, "axis coolant_3: count: 3 → 5"),
    ('count="3"/>', 'count="3" order="falling"/>', READS, "axis coolant_3: order: rising → falling"),
    # Shape.
    (' strict="true"', "", LESS, "monotonic x: strictly rising → rising"),
    ('direction="rising"', 'direction="falling"', LESS, "strictly rising → strictly falling"),
    (
        '<monotonic along="x" direction="rising" strict="true"/>',
        "",
        LESS,
        "monotonic x: strictly rising → none",
    ),
    ('<gradient along="x" max="0.5"/>', "", LESS, "gradient x: 0.5 bar per rpm → none"),
    ('max="0.5"', 'max="0.6"', LESS, "gradient x: 0.5 bar per rpm → 0.6 bar per rpm"),
    ('max="0.5"', 'max="0.4"', MORE, "gradient x: 0.5 bar per rpm → 0.4 bar per rpm"),
    ('<change max="50"/>', '<change max="60"/>', LESS, "change max: 50 bar → 60 bar"),
    ('<change max="50"/>', "", LESS, "change max: 50 bar → none"),
    # Guards, each in its direction.
    ('<guard above="5000"/>', '<guard above="5200"/>', LESS, "guard: above 5000 rpm → above 5200 rpm"),
    ('<guard above="5000"/>', '<guard above="4900"/>', MORE, "guard: above 5000 rpm → above 4900 rpm"),
    ('<guard above="5000"/>', "", LESS, "guard: above 5000 rpm → none"),
    ('<guard above="5000"/>', '<guard below="5000"/>', LESS, "guard: above 5000 rpm → none"),
    ('<guard above="5000"/>', '<guard above="5000"/><guard flat="true"/>', MORE, "guard: none → flat"),
    ('below="20"', 'below="15"', LESS, "guard: below 20 in 50 % of the cells → below 15 in 50 %"),
    ('share="0.5"', 'share="0.75"', LESS, "below 20 in 50 % of the cells → below 20 in 75 %"),
    ('share="0.5"', 'share="0.25"', MORE, "below 20 in 50 % of the cells → below 20 in 25 %"),
    ('<guard flat="true"/>', "", LESS, "derate (protection): guard: flat → none"),
    ('<guard state="off"/>', '<guard state="on"/>', LESS, 'guard: "off" → "on"'),
    # What a table is for.
    (
        'name="cut" title="Cut" purpose="protection"',
        'name="cut" title="Cut" purpose="demand"',
        LESS,
        "cut (protection): purpose: protection → demand",
    ),
    ('purpose="emissions"', 'purpose="correction"', LESS, "purpose: emissions → correction"),
    ('title="Spare" purpose="general"', 'title="Spare" purpose="emissions"', MORE, "general → emissions"),
    ('title="Spare" purpose="general"', 'title="Spare" purpose="demand"', WORDING, "general → demand"),
    ('at="0xC0" type="uint16" unit-own="true"', 'at="0xC0" type="uint16"', LESS, "unit-own: yes → no"),
    (' signal="speed">', ">", LESS, "cut (protection): signal: speed → none"),
    (' produces="temp"', "", LESS, "coolant: produces: temp → none"),
    # Whole elements.
    (
        '<scalar name="number" title="Number" purpose="general" at="0xC0" type="uint16" unit-own="true"/>',
        "",
        LESS,
        "number: gone",
    ),
    (
        '<text name="hull" title="Hull" purpose="general" at="0xE0" length="8" unit-own="true"/>',
        "",
        LESS,
        "text hull: gone",
    ),
    (
        '<at-most table="pressure" bound="ceiling" margin="20"/>',
        "",
        LESS,
        "pressure at most ceiling (protection): gone",
    ),
    ('margin="20"', 'margin="10"', LESS, "margin: 20 bar → 10 bar"),
    ('margin="20"', 'margin="30"', MORE, "margin: 20 bar → 30 bar"),
    ('margin="20"', 'margin="20" within="operating"', LESS, "within: none → operating"),
    ('<identity name="software" at="0x1F0" text="SW12"/>', "", LESS, "identity software: gone"),
    ('text="SW12"', 'text="SW1"', LESS, 'identity software: content: "SW12" → "SW1"'),
    ('text="SW12"', 'text="SW13"', READS, 'identity software: content: "SW12" → "SW13"'),
    (
        '<checksum name="sum" algorithm="sum16" start="0" size="0x1C0" stored-at="0x1FC"/>',
        "",
        LESS,
        "checksum sum: gone",
    ),
    ('size="0x1C0"', 'size="0x1B0"', LESS, "checksum sum: size: 0x001C0 → 0x001B0"),
    ('size="0x1C0"', 'size="0x1D0"', MORE, "checksum sum: size: 0x001C0 → 0x001D0"),
    ('algorithm="sum16"', 'algorithm="sum32"', READS, "checksum sum: algorithm: sum16 → sum32"),
    ('<sensor signal="temp" curve="coolant" supply="5" pull-up="2200"/>', "", LESS, "sensor of temp: gone"),
    ('pull-up="2200"', 'pull-up="1000"', READS, "sensor of temp: pull-up: 2200 ohm → 1000 ohm"),
    # Signals. Protections are judged inside the operating range of speed.
    ('operating="700 4200"', 'operating="900 4200"', LESS, "operating min: 700 rpm → 900 rpm"),
    ('operating="700 4200"', 'operating="700 4300"', MORE, "operating max: 4200 rpm → 4300 rpm"),
    ('plausible="0 6000"', 'plausible="0 6500"', LESS, "plausible max: 6000 rpm → 6500 rpm"),
    ('plausible="0 6000"', 'plausible="0 5500"', MORE, "plausible max: 6000 rpm → 5500 rpm"),
    ("Engine speed", "Speed of the engine", WORDING, 'title: "Engine speed" → "Speed of the engine"'),
    (
        ' count-at="0x28" count-type="uint8"'.strip(),
        "",
        LESS,
        "axis speed_4 (protection): count-at: 0x00028 → none",
    ),
    ('count-at="0x28"', 'count-at="0x2A"', READS, "count-at: 0x00028 → 0x0002A"),
    # Readings.
    ('at="0x40"', 'at="0x44"', READS, "cut (protection): at: 0x00040 → 0x00044"),
    ('at="0xC0" type="uint16"', 'at="0xC0" type="int16"', READS, "type: uint16 → int16"),
    ('at="0xC0" type="uint16"', 'at="0xC0" type="uint8" stride="2"', READS, "type: uint16 → uint8"),
    ('at="0x50" type', 'at="0x50" byte-order="little" type', READS, "byte-order: big → little"),
    ('at="0x50" type', 'at="0x50" stride="4" type', READS, "stride: 2 → 4"),
    ('at="0xD0" type="uint8"', 'at="0xD0" type="uint8" mask="0x0F"', READS, "mask: none → 0xF"),
    ('at="0x50" type', 'at="0x50" order="y-first" type', READS, "order: x-first → y-first"),
    (
        'at="0x50" type="uint16" conversion="bar"',
        'at="0x50" type="uint16" conversion="other"',
        READS,
        "conversion other (emissions): raw * 0.1 bar (bar) → raw * 0.2 bar; reads 100 % higher everywhere "
        "(pressure)",
    ),
    (
        'factor="0.1"',
        'factor="0.102"',
        READS,
        "conversion bar (protection): raw * 0.1 bar → raw * 0.102 bar; reads 2 % higher everywhere "
        "(2 tables: pressure, ceiling)",
    ),
    ('offset="-40"', 'offset="-50"', READS, "reads 10 °C lower everywhere"),
    ('values="10 20 30"', 'values="10 20 40"', READS, "load_3 (protection): values: 10 20 30 → 10 20 40"),
    ('at="0x20"', 'at="0x10"', READS, "axis speed_4 (protection): at: 0x00020 → 0x00010"),
    (
        'values="10 20 30"',
        'values="10 20 30" order="falling"',
        READS,
        "axis load_3 (protection): order: rising → falling",
    ),
    ('at="0xE0" length="8"', 'at="0xE0" length="6"', READS, "text hull: length: 8 → 6"),
    ('fill="0xFF"', 'fill="0"', READS, "memory: fill: 0xFF → 0x0"),
    ('size="0x100"', 'size="0x80"', READS, "region code: size: 0x00100 → 0x00080"),
    ('<state raw="1">on', '<state raw="1">yes', READS, "on_off (protection): states: 1 = on → 1 = yes"),
    ('<state raw="1">', '<state raw="2">limp</state><state raw="1">', LESS, "states: none → 2 = limp"),
    # What only people read.
    ('title="Rail"', 'title="Rail pressure"', WORDING, 'group rail: title: "Rail" → "Rail pressure"'),
    ("Mind the pump.", "Mind it.", WORDING, 'note: "Mind the pump." → "Mind it."'),
    ("Versuchsmotor", "Probe", WORDING, 'definition: title de: "Versuchsmotor" → "Probe"'),
    (
        '<translation table="cut">Abstelldrehzahl</translation>',
        "",
        WORDING,
        'cut: title de: "Abstelldrehzahl" → none',
    ),
    (">Raildruck<", ">Druck<", WORDING, 'group rail: title de: "Raildruck" → "Druck"'),
    (">Kühlwasser<", ">Wasser<", WORDING, 'signal temp: title de: "Kühlwasser" → "Wasser"'),
    ('revision="1"', 'revision="2"', WORDING, "definition: revision: 1 → 2"),
    ("Test engine", "An engine", WORDING, 'definition: title: "Test engine" → "An engine"'),
    ('unit="rpm" factor="1"', 'unit="rpm" factor="1" decimals="1"', WORDING, "decimals: none → 1"),
    ('name="other" unit="bar"', 'name="third" unit="bar"', WORDING, "conversion third: name: other → third"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "kind", "text"), SINGLE, ids=[text for *_, text in SINGLE])
def test_a_single_edit_is_named_in_its_class(old: str, new: str, kind: ChangeKind, text: str) -> None:
    first, *others = diff((old, new)).changes

    assert (first.kind, text in change_text(first)) == (kind, True), content(first)
    # A guard of another direction is a second change.
    assert all(other.attribute == "guard" for other in others)


@pytest.mark.parametrize(("old", "new"), [(old, new) for old, new, *_ in SINGLE if "guard below=" not in new])
def test_the_way_back_is_the_opposite(old: str, new: str) -> None:
    there = compare_definitions(read(XML.encode()), read(edited((old, new)).encode()))
    back = compare_definitions(read(edited((old, new)).encode()), read(XML.encode()))

    assert len(there.changes) == len(back.changes)
    for change, reverse in zip(there.changes, back.changes, strict=True):
        assert (change.element, change.attribute) == (reverse.element, reverse.attribute)
        if change.kind in (READS, WORDING):
            assert reverse.kind is change.kind
        elif change.kind is MORE:
            assert reverse.kind is LESS


#: Edits of the text that change nothing in its meaning.
SAME = [
    ('max="1650"', 'max="1650.0"'),
    ('max="0.5"', 'max="5e-1"'),
    ('at="0x40"', 'at="64"'),
    ("<tables>", "<!-- the tables -->\n<tables>"),
    ('title="Cut" purpose="protection"', 'purpose="protection"  title="Cut"'),
    ('<guard above="5000"/>', '<guard above="5000.0" share="1"/>'),
    ('<guard state="off"/>', '<guard raw="0"/>'),
    ('at="0xD0" type="uint8"', 'at="0xD0" type="uint8" mask="0xFF"'),
]


@pytest.mark.parametrize(("old", "new"), SAME)
def test_another_spelling_is_not_a_change(old: str, new: str) -> None:
    assert diff((old, new)).changes == ()


def test_another_unit_with_the_same_raw_limits_asks_the_same() -> None:
    """1650 bar in steps of 0.1 bar and 165000 kPa in steps of 10 kPa are the same raw number."""
    xml = definition_xml(
        '<scalar name="rail" title="Rail" purpose="general" at="0" type="uint16" conversion="p">'
        '<limits max="1650"/><change max="10"/></scalar>',
        conversions='<linear name="p" unit="bar" factor="0.1"/>',
    ).decode()
    kilopascal = xml.replace('unit="bar" factor="0.1"', 'unit="kPa" factor="10"')
    same = kilopascal.replace('max="1650"', 'max="165000"').replace('max="10"', 'max="1000"')
    wider = same.replace("165000", "165010")
    old = read(xml.encode())

    (reading,) = compare_definitions(old, read(same.encode())).changes
    assert (reading.kind, reading.attribute) == (READS, "conversion")
    limit, _ = compare_definitions(old, read(wider.encode())).changes
    assert content(limit) == (LESS, "rail: limits max: 1650 bar → 165010 kPa")


def test_limits_in_units_that_cannot_be_compared_ask_less() -> None:
    xml = definition_xml(
        '<scalar name="rail" title="Rail" purpose="general" at="0" type="uint16" conversion="p">'
        '<limits max="1650"/></scalar>',
        conversions='<linear name="p" unit="bar" factor="0.1"/>',
    ).decode()
    other = xml.replace('"uint16"', '"int32"').replace("bar", "kPa").replace("1650", "165000")

    first = compare_definitions(read(xml.encode()), read(other.encode())).changes[0]
    assert content(first) == (LESS, "rail: limits max: 1650 bar → 165000 kPa")


def test_a_new_table_and_a_gone_group_are_listed_after_the_demands() -> None:
    result = diff(
        ('max="1650"', 'max="1700"'),
        ('<text name="hull"', '<scalar name="extra" title="Extra" purpose="general" at="0x180" type="uint8"/>'
         '<text name="hull"'),
        ('<group name="rail" title="Rail">', ""),
        ("</group>", ""),
    )  # fmt: skip

    kinds = [change.kind for change in result.changes]
    assert kinds == [LESS, NEW, GONE, WORDING, WORDING]


def test_protections_come_before_other_tables_of_the_same_kind() -> None:
    result = diff(('max="1650"', 'max="1700"'), ('<guard above="5000"/>', ""), (' produces="temp"', ""))

    assert [change.name for change in result.of_kind(LESS)] == ["cut", "pressure", "coolant"]


def test_a_renamed_table_keeps_its_demands_and_its_axis() -> None:
    result = diff(('name="coolant"', 'name="coolant_sensor"'), ('curve="coolant"', 'curve="coolant_sensor"'))

    (change,) = result.changes
    assert content(change) == (WORDING, "coolant_sensor: name: coolant → coolant_sensor")
    assert result.renames == {"coolant": "coolant_sensor"}


def test_a_protection_cannot_be_renamed_away() -> None:
    """With another name, another title and without its guard, the protection is still the table there."""
    result = diff(('name="cut" title="Cut"', 'name="spin" title="Spin"'), ('<guard above="5000"/>', ""))

    assert content(result.changes[0]) == (LESS, "spin (protection): guard: above 5000 rpm → none")


def test_lines_are_those_of_both_files() -> None:
    result = diff(
        ("<tables>", "<!-- the tables -->\n<tables>"), ('<guard above="5000"/>', '<guard above="1"/>')
    )

    (change,) = result.changes
    line = 1 + XML[: XML.index('<guard above="5000"/>')].count("\n")
    assert (change.old_line, change.new_line) == (line, line + 1)


def test_tables_that_move_together_are_one_move() -> None:
    result = diff(('at="0x40"', 'at="0x48"'), ('at="0xA0"', 'at="0xA8"'), ('at="0xD0"', 'at="0xD4"'))

    moves = [(move.shift, move.names, move.first, move.last) for move in result.moves]
    assert moves == [(8, ("cut", "monitor"), 0x40, 0xA0), (4, ("spare",), 0xD0, 0xD0)]


def test_another_signal_on_an_axis_takes_its_plausible_range_along() -> None:
    result = diff(('<fixed-axis name="load_3" signal="load"', '<fixed-axis name="load_3" signal="temp"'))

    said = {content(change) for change in result.changes}
    assert (
        LESS,
        "axis load_3 (protection): plausible max: 100 mg → 140 °C (2 tables: pressure, ceiling)",
    ) in said
    assert (READS, "axis load_3 (protection): signal: load → temp (2 tables: pressure, ceiling)") in said
