"""What a merge of definitions makes of two changes, case by case."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from callint.comparing.definition_merge.conflicts import (
    ConflictKind,
    DefinitionConflict,
    DefinitionMerge,
)
from callint.comparing.definition_merge.merge import merge_definitions
from callint.comparing.merge import Side
from callint.model.errors import InputError
from callint.reading.xml_source import read_source

BASE = """\
<?xml version="1.0" encoding="UTF-8"?>
<!-- The yard's own engine. -->
<definition xmlns="urn:callint:definition:1" name="yard" revision="1" byte-order="big">
  <title>Yard</title>
  <memory start="0x0" size="0x100" fill="0xFF">
    <region name="all" start="0x0" size="0x100"/>
    <checksum name="sum" algorithm="sum8" start="0x0" size="0xF0" stored-at="0xF0"/>
  </memory>
  <signals>
    <signal name="speed" unit="rpm" plausible="0 6000" operating="700 4200">Engine speed</signal>
    <signal name="load"  unit="mg"  plausible="0 100">Fuel</signal>
  </signals>
  <conversions>
    <linear name="mg" unit="mg" factor="0.1" offset="0" decimals="1"/>
    <interpolated name="tank" unit="l">
      <point raw="20" physical="0"/>
      <point raw="60" physical="25"/>
      <point raw="240" physical="320"/>
    </interpolated>
    <states name="gears"><state raw="0">astern</state><state raw="0x2">ahead</state></states>
  </conversions>
  <axes>
    <fixed-axis name="speeds" signal="speed" values="600 900 1600 2400"/>
    <fixed-axis name="loads" signal="load" count="3" start="10" step="10"/>
  </axes>
  <tables>
    <group name="fuel" title="Fuel">
      <!-- Reviewed in March. -->
      <curve name="limit" title="Fuel limit" purpose="protection" at="0x10" type="uint8" conversion="mg">
        <x axis="speeds"/>
        <limits min="0" max="20"/>
        <gradient along="x" max="0.02"/>
        <guard above="19" share="0.5"/>
        <guard flat="true"/>
        <note>Rounded off.</note>
      </curve>
      <scalar name="idle" title="Idle" purpose="demand" at="0x20" type="uint8"/>
    </group>
    <group name="rest" title="Rest">
      <scalar name="flag" title="Flag" purpose="general" at="0x30" type="uint8"/>
    </group>
    <scalar name="loose" title="Loose" purpose="general" at="0x31" type="uint8"/>
  </tables>
  <relations>
    <at-most table="idle" bound="flag" margin="1"/>
  </relations>
</definition>
"""
LIMITS = '<limits min="0" max="20"/>'
IDLE = '      <scalar name="idle" title="Idle" purpose="demand" at="0x20" type="uint8"/>\n'
FLAG = '      <scalar name="flag" title="Flag" purpose="general" at="0x30" type="uint8"/>\n'
NEW = '      <scalar name="new" title="New" purpose="general" at="0x40" type="uint8"/>\n'
OTHER = '      <scalar name="other" title="Other" purpose="general" at="0x41" type="uint8"/>\n'


def merged(
    ours: str | bytes,
    theirs: str | bytes,
    base: str | bytes = BASE,
    choice: Callable[[DefinitionConflict], Side | None] = lambda conflict: None,
) -> DefinitionMerge:
    files = [file if isinstance(file, bytes) else file.encode() for file in (base, ours, theirs)]
    sources = [read_source(file, name) for file, name in zip(files, ("base", "ours", "theirs"), strict=True)]
    return merge_definitions(sources[0], sources[1], sources[2], choice)


def changed(*pairs: tuple[str, str], text: str = BASE) -> str:
    """The base with other pieces of text."""
    for old, new in pairs:
        assert text.count(old) == 1, (old, text.count(old))
        text = text.replace(old, new)
    return text


def clean(ours: str, theirs: str, base: str = BASE) -> str:
    """The result of a merge without conflicts, which must be the same from the other side up to order."""
    result = merged(ours, theirs, base)
    assert result.decisions == ()
    assert merged(theirs, ours, base).decisions == ()
    return result.data.decode()


def conflict_of(ours: str, theirs: str, base: str = BASE) -> DefinitionConflict:
    """The only conflict of a merge, which keeps ours and takes theirs if it is told to."""
    result = merged(ours, theirs, base)
    (conflict,) = result.conflicts
    kept = merged(ours, theirs, base, lambda conflict: Side.OURS)
    assert kept.data == result.data and kept.conflicts == ()
    taken = merged(ours, theirs, base, lambda conflict: Side.THEIRS)
    back = merged(theirs, ours, base, lambda conflict: Side.OURS)
    assert sorted(taken.data.split()) == sorted(back.data.split())
    return conflict


def texts(conflict: DefinitionConflict) -> list[tuple[str, str | None, str | None, str | None]]:
    return [
        (f"{value.element} {value.attribute}".strip(), value.base.text, value.ours.text, value.theirs.text)
        for value in conflict.values
    ]


# Values


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        pytest.param(('max="20"', 'max="30"'), ('<limits min="0"', '<limits min="1"'), id="one tag"),
        pytest.param(('title="Idle"', 'title="A"'), ('title="Flag"', 'title="B"'), id="two tables"),
        pytest.param(
            ('plausible="0 6000"', 'plausible="10 6000"'), ("6000", "6500"), id="two ends of a range"
        ),
        pytest.param(("600 900", "650 900"), ("1600 2400", "1600 2500"), id="two breakpoints"),
        pytest.param(("Engine speed<", "Speed<"), ('unit="rpm"', 'unit="1/min"'), id="text and attribute"),
        pytest.param(('physical="25"', 'physical="26"'), ('physical="320"', 'physical="321"'), id="points"),
        pytest.param((">astern<", ">back<"), (">ahead<", ">on<"), id="states"),
        pytest.param(('above="19"', 'above="18"'), ('share="0.5"', 'share="0.4"'), id="guard and share"),
        pytest.param(('margin="1"', 'margin="2"'), ('revision="1"', 'revision="2"'), id="relation"),
        pytest.param(("own engine", "own boat"), ("in March", "in May"), id="two comments"),
        pytest.param(
            (' fill="0xFF"', ""), ("<title>Yard</title>", "<title>New</title>"), id="title and memory"
        ),
    ],
)
def test_changes_of_different_values_can_be_combined(ours: tuple[str, str], theirs: tuple[str, str]) -> None:
    assert clean(changed(ours), changed(theirs)) == changed(ours, theirs)
    assert clean(changed(theirs), changed(ours)) == changed(ours, theirs)


def test_an_attribute_that_theirs_added_comes_after_the_one_that_it_followed() -> None:
    theirs = changed(('at="0x20" type="uint8"', 'at="0x20"   mask="0x0F" type="uint8"'))
    ours = changed(('title="Idle"', 'title="Low"'))
    assert 'title="Low" purpose="demand" at="0x20" mask="0x0F" type="uint8"/>' in clean(ours, theirs)


def test_equal_changes_in_other_spelling_are_not_a_conflict() -> None:
    ours, theirs = changed(('at="0x20"', 'at="0x21"')), changed(('at="0x20"', 'at="33"'))
    assert clean(ours, theirs) == ours
    ours, theirs = changed(('max="20"', 'max="30.0"')), changed(('max="20"', 'max="3e1"'))
    assert clean(ours, theirs) == ours


def test_a_change_outweighs_a_new_spelling() -> None:
    spelled, moved = changed(('at="0x20"', 'at="32"')), changed(('at="0x20"', 'at="0x22"'))
    assert clean(spelled, moved) == moved
    assert clean(moved, spelled) == moved
    assert clean(spelled, changed(('title="Flag"', 'title="F"'))) == changed(
        ('at="0x20"', 'at="32"'), ('title="Flag"', 'title="F"')
    )


def test_a_default_that_is_written_out_is_not_a_change() -> None:
    written = changed(("<limits min=", '<off raw="1"/><limits min='), text=BASE)
    base = changed(("<limits min=", '<off raw="1"/><limits min='))
    explicit = changed(('<off raw="1"/>', '<off raw="1" allowed="outside-operating"/>'), text=base)
    other = changed(('<off raw="1"/>', '<off raw="1" allowed="nowhere"/>'), text=base)
    assert written == base
    assert clean(explicit, other, base) == other


def test_a_value_with_two_changes_is_a_conflict_that_keeps_ours() -> None:
    ours = changed((LIMITS, '<limits min="0" max="30"/>'), ('title="Idle"', 'title="Low"'))
    theirs = changed((LIMITS, '<limits min="1" max="25"/>'))
    conflict = conflict_of(ours, theirs)
    assert conflict.kind is ConflictKind.VALUES
    assert (conflict.place.kind, conflict.place.name, conflict.place.element) == ("table", "limit", "limits")
    assert texts(conflict) == [("limits max", "20", "30", "25")]
    line = BASE[: BASE.index("<limits")].count("\n") + 1
    assert conflict.lines == (line, line, line)
    expected = changed((LIMITS, '<limits min="1" max="30"/>'), ('title="Idle"', 'title="Low"'))
    assert merged(ours, theirs).data.decode() == expected


@pytest.mark.parametrize(
    ("ours", "theirs", "named"),
    [
        pytest.param(
            ('factor="0.1"', 'factor="0.2"'),
            ('offset="0"', 'offset="-40"'),
            [("factor", "0.1", "0.2", "0.1"), ("offset", "0", "0", "-40")],
            id="factor and offset",
        ),
        pytest.param(
            ('<region name="all" start="0x0"', '<region name="all" start="0x10"'),
            ('<region name="all" start="0x0" size="0x100"', '<region name="all" start="0x0" size="0x80"'),
            [("start", "0x0", "0x10", "0x0"), ("size", "0x100", "0x100", "0x80")],
            id="start and size",
        ),
        pytest.param(
            ('count="3"', 'count="4"'),
            ('step="10"', 'step="20"'),
            [("count", "3", "4", "3"), ("step", "10", "10", "20")],
            id="count and step",
        ),
        pytest.param(
            ("600 900 1600 2400", "600 900 1200 1600 2400"),
            ("600 900 1600 2400", "600 900 1600 2500"),
            [("values", "600 900 1600 2400", "600 900 1200 1600 2400", "600 900 1600 2500")],
            id="a breakpoint more and another one",
        ),
    ],
)
def test_halves_of_one_thing_are_not_put_together(
    ours: tuple[str, str], theirs: tuple[str, str], named: list[tuple[str, str, str, str]]
) -> None:
    assert texts(conflict_of(changed(ours), changed(theirs))) == named


def test_one_number_of_a_list_in_conflict_has_its_position() -> None:
    ours, theirs = changed(("600 900", "650  950")), changed(("600 900", "700 900"))
    (value,) = conflict_of(ours, theirs).values
    assert (value.attribute, value.position) == ("values", 0)
    assert (value.base.text, value.ours.text, value.theirs.text) == ("600", "650", "700")


@pytest.mark.parametrize(
    ("piece", "one", "two", "kind"),
    [
        ("Engine speed<", "Speed<", "Revolutions<", ConflictKind.VALUES),
        ("Rounded off.", "Rounded up.", "Rounded down.", ConflictKind.VALUES),
        ("Reviewed in March.", "Reviewed in May.", "Reviewed in June.", ConflictKind.COMMENT),
        (">ahead<", ">on<", ">forward<", ConflictKind.VALUES),
    ],
)
def test_two_wordings_of_one_text_are_a_conflict(piece: str, one: str, two: str, kind: ConflictKind) -> None:
    conflict = conflict_of(changed((piece, one)), changed((piece, two)))
    assert conflict.kind is kind


# Additions


def test_additions_of_both_sides_come_after_the_neighbour_that_they_followed() -> None:
    ours, theirs = changed((IDLE, IDLE + NEW)), changed((IDLE, IDLE + OTHER))
    assert clean(ours, theirs) == changed((IDLE, IDLE + NEW + OTHER))
    theirs = changed((FLAG, OTHER + FLAG))
    assert clean(ours, theirs) == changed((IDLE, IDLE + NEW), (FLAG, OTHER + FLAG))


def test_the_same_addition_of_both_sides_is_written_once() -> None:
    ours = changed((IDLE, IDLE + NEW))
    theirs = changed((IDLE, IDLE + OTHER + NEW.replace('"0x40"', '"64"')))
    assert clean(ours, theirs) == changed((IDLE, IDLE + OTHER + NEW))


def test_an_addition_brings_its_comment() -> None:
    comment = "      <!-- For the trial. -->\n"
    ours = changed((IDLE, IDLE + NEW))
    assert clean(ours, changed((FLAG, comment + OTHER + FLAG))) == changed(
        (IDLE, IDLE + NEW), (FLAG, comment + OTHER + FLAG)
    )
    at_end = OTHER.rstrip() + " <!-- For the trial. -->\n"
    assert clean(ours, changed((IDLE, IDLE + at_end))) == changed((IDLE, IDLE + NEW + at_end))


def test_a_comment_of_ours_stays_with_the_element_after_it() -> None:
    ours = changed((FLAG, "      <!-- Flag: ask Ines. -->\n" + FLAG))
    theirs = changed((FLAG, OTHER + FLAG))
    assert clean(ours, theirs) == changed((FLAG, OTHER + "      <!-- Flag: ask Ines. -->\n" + FLAG))


def test_two_additions_of_one_name_that_differ_are_a_conflict() -> None:
    ours, theirs = changed((IDLE, IDLE + NEW)), changed((FLAG, FLAG + NEW.replace("uint8", "int16")))
    conflict = conflict_of(ours, theirs)
    assert conflict.kind is ConflictKind.ADDED
    assert texts(conflict) == [("type", None, "uint8", "int16"), ("group", None, "fuel", "rest")]


def test_additions_come_in_the_order_of_the_format() -> None:
    bare = changed((f"        {LIMITS}\n", ""), ('        <gradient along="x" max="0.02"/>\n', ""))
    ours = changed(('<x axis="speeds"/>\n', '<x axis="speeds"/>\n        <change max="3"/>\n'), text=bare)
    theirs = changed(('<x axis="speeds"/>\n', f'<x axis="speeds"/>\n        {LIMITS}\n'), text=bare)
    expected = changed(
        ('<x axis="speeds"/>\n', f'<x axis="speeds"/>\n        {LIMITS}\n        <change max="3"/>\n'),
        text=bare,
    )
    assert clean(ours, theirs, bare) == expected
    assert clean(theirs, ours, bare) == expected


def test_points_come_in_the_order_of_their_raw_values() -> None:
    point = '      <point raw="60" physical="25"/>\n'
    ours = changed((point, point + '      <point raw="100" physical="70"/>\n'))
    theirs = changed((point, point + '      <point raw="80" physical="40"/>\n'))
    expected = changed(
        (
            point,
            point + '      <point raw="80" physical="40"/>\n      <point raw="100" physical="70"/>\n',
        )
    )
    assert clean(ours, theirs) == expected


def test_a_first_child_opens_an_element_that_was_only_a_tag() -> None:
    start, end = BASE.index("  <relations>"), BASE.index("</definition>")
    base = f"{BASE[:start]}  <relations/>\n{BASE[end:]}"
    theirs = changed(
        ("<relations/>", '<relations>\n    <equal table="idle" mirror="flag"/>\n  </relations>'), text=base
    )
    ours = changed(('title="Idle"', 'title="Low"'), text=base)
    assert clean(ours, theirs, base) == changed(('title="Idle"', 'title="Low"'), text=theirs)
    idle = changed(
        ('at="0x20" type="uint8"/>', 'at="0x20" type="uint8">\n        <limits max="9"/>\n      </scalar>')
    )
    assert clean(changed(('title="Idle"', 'title="Low"')), idle) == changed(
        ('title="Idle"', 'title="Low"'), text=idle
    )


def test_a_new_group_comes_with_its_tables() -> None:
    group = f'    <group name="trial" title="Trial">\n{NEW}    </group>\n'
    theirs = changed(('    <group name="rest"', group + '    <group name="rest"'))
    assert clean(changed(('title="Idle"', 'title="Low"')), theirs) == changed(
        ('title="Idle"', 'title="Low"'), text=theirs
    )


def test_both_sides_may_fill_a_section_that_was_not_there() -> None:
    start, end = BASE.index("  <relations>"), BASE.index("</definition>")
    base = BASE[:start] + BASE[end:]

    def with_relation(relation: str) -> str:
        return base.replace("</definition>", f"  <relations>\n    {relation}\n  </relations>\n</definition>")

    one, two = '<equal table="idle" mirror="flag"/>', '<at-most table="idle" bound="flag"/>'
    result = clean(with_relation(one), with_relation(two), base)
    assert result == with_relation(f"{one}\n    {two}")


# Removals


def test_a_removal_stands_with_changes_elsewhere() -> None:
    ours, theirs = changed(('title="Flag"', 'title="F"')), changed((IDLE, ""))
    assert clean(ours, theirs) == changed(('title="Flag"', 'title="F"'), (IDLE, ""))
    assert clean(theirs, ours) == changed(('title="Flag"', 'title="F"'), (IDLE, ""))


def test_the_rest_of_the_line_after_a_removed_element_takes_its_place() -> None:
    guards = '        <guard above="19" share="0.5"/>\n        <guard flat="true"/>\n'
    base = changed((guards, '        <guard above="19" share="0.5"/><guard flat="true"/>\n'))
    theirs = changed(('<guard above="19" share="0.5"/><guard', "<guard"), text=base)
    ours = changed(('title="Idle"', 'title="Low"'), text=base)
    assert clean(ours, theirs, base) == changed(('title="Idle"', 'title="Low"'), text=theirs)


def test_both_sides_may_remove_one_element() -> None:
    ours, theirs = changed((IDLE, "")), changed((IDLE, ""), ('title="Flag"', 'title="F"'))
    assert clean(ours, theirs) == theirs


@pytest.mark.parametrize(
    ("removal", "change", "named"),
    [
        pytest.param(
            (IDLE, ""), ('title="Idle"', 'title="Low"'), [("title", "Idle", None, "Low")], id="table"
        ),
        pytest.param(
            ('        <guard above="19" share="0.5"/>\n', ""),
            ('above="19"', 'above="18"'),
            [("guard above", "19", None, "18")],
            id="guard",
        ),
        pytest.param(
            ('    <at-most table="idle" bound="flag" margin="1"/>\n', ""),
            ('margin="1"', 'margin="2"'),
            [("margin", "1", None, "2")],
            id="relation",
        ),
    ],
)
def test_an_element_that_one_side_removed_and_the_other_changed_is_a_conflict(
    removal: tuple[str, str], change: tuple[str, str], named: list[tuple[str, str, None, str]]
) -> None:
    conflict = conflict_of(changed(removal), changed(change))
    assert (conflict.kind, conflict.removed_by) == (ConflictKind.REMOVED, Side.OURS)
    assert texts(conflict) == named
    assert conflict_of(changed(change), changed(removal)).removed_by is Side.THEIRS


def test_a_removed_element_may_have_a_new_layout_and_spelling_on_the_other_side() -> None:
    theirs = changed((IDLE, IDLE.replace("0x20", "32").replace(" type", "\n              type")))
    assert clean(changed((IDLE, "")), theirs) == changed((IDLE, ""))
    assert clean(theirs, changed((IDLE, ""))) == changed((IDLE, ""))


def test_a_group_that_one_side_removed_stays_for_what_the_other_side_added_to_it() -> None:
    group = f'    <group name="rest" title="Rest">\n{FLAG}    </group>\n'
    gone, more = changed((group, "")), changed((FLAG, FLAG + NEW))
    expected = changed((FLAG, NEW))
    assert clean(gone, more) == expected
    assert clean(more, gone) == expected


def test_a_removed_group_with_a_new_title_is_a_conflict() -> None:
    group = f'    <group name="rest" title="Rest">\n{FLAG}    </group>\n'
    conflict = conflict_of(changed((group, "")), changed(('title="Rest"', 'title="Others"')))
    assert texts(conflict) == [("title", "Rest", None, "Others")]


# Moves


def test_a_table_that_one_side_moved_keeps_the_changes_of_the_other() -> None:
    moved = changed((IDLE, ""), (FLAG, FLAG + IDLE))
    edited = changed(('title="Idle"', 'title="Low"'))
    expected = changed(('title="Idle"', 'title="Low"'), text=moved)
    assert clean(moved, edited) == expected
    assert clean(edited, moved) == expected


def test_a_table_moved_out_of_its_group_gets_the_indent_of_its_new_neighbours() -> None:
    limit = BASE[BASE.index("      <curve") : BASE.index("</curve>\n") + len("</curve>\n")]
    loose = '    <scalar name="loose"'
    outside = limit.replace("\n  ", "\n").removeprefix("  ")
    moved = changed((limit, ""), (loose, outside + loose))
    edited = changed(('max="20"', 'max="30"'))
    assert clean(edited, moved) == changed(('max="20"', 'max="30"'), text=moved)


def test_a_dissolved_group_leaves_its_tables_where_theirs_put_them() -> None:
    group = f'    <group name="rest" title="Rest">\n{FLAG}    </group>\n'
    theirs = changed((group, ""), (IDLE, IDLE + FLAG))
    ours = changed(('title="Flag"', 'title="F"'))
    assert clean(ours, theirs) == changed(('title="Flag"', 'title="F"'), text=theirs)


def test_two_moves_of_one_table_are_a_conflict() -> None:
    loose = '    <scalar name="loose"'
    ours = changed((IDLE, ""), (FLAG, FLAG + IDLE))
    theirs = changed((IDLE, ""), (loose, IDLE.removeprefix("  ") + loose))
    conflict = conflict_of(ours, theirs)
    assert conflict.kind is ConflictKind.MOVED
    assert texts(conflict) == [("group", "fuel", "rest", None)]


def test_another_order_of_theirs_changes_nothing() -> None:
    group = f'    <group name="rest" title="Rest">\n{FLAG}    </group>\n'
    theirs = changed((group, ""), ('    <group name="fuel"', group + '    <group name="fuel"'))
    ours = changed(('title="Idle"', 'title="Low"'))
    assert clean(ours, theirs) == ours


# Other kinds of element


def test_a_table_that_became_a_map_keeps_no_half_of_a_curve() -> None:
    curve = BASE[BASE.index("      <curve") : BASE.index("</curve>") + len("</curve>")]
    plane = curve.replace("curve", "map").replace('<x axis="speeds"/>', '<x axis="speeds"/><y axis="loads"/>')
    theirs = changed((curve, plane))
    assert clean(changed(('title="Idle"', 'title="Low"')), theirs) == changed(
        ('title="Idle"', 'title="Low"'), text=theirs
    )
    conflict = conflict_of(changed(('max="20"', 'max="30"')), theirs)
    assert conflict.kind is ConflictKind.REPLACED


def test_a_shared_axis_and_one_of_its_own_are_a_conflict() -> None:
    own = '<x><fixed-axis signal="speed" values="1 2 3 4"/></x>'
    conflict = conflict_of(
        changed(('<x axis="speeds"/>', '<x axis="loads"/>')), changed(('<x axis="speeds"/>', own))
    )
    assert conflict.kind is ConflictKind.REPLACED
    assert own in merged(BASE.replace("Idle", "Low"), changed(('<x axis="speeds"/>', own))).data.decode()


# Bytes


@pytest.mark.parametrize("newline", ["\r\n", "\n"])
def test_line_ends_and_byte_order_mark_stay_those_of_ours(newline: str) -> None:
    ours = ("\ufeff" + changed(('title="Idle"', 'title="Low"')).replace("\n", newline)).encode()
    theirs = changed((IDLE, IDLE + NEW)).replace("\n", "\r\n" if newline == "\n" else "\n").encode()
    expected = "\ufeff" + changed((IDLE, IDLE.replace('"Idle"', '"Low"') + NEW)).replace("\n", newline)
    assert merged(ours, theirs).data == expected.encode()


def test_a_file_that_declares_ascii_gets_references_for_other_characters() -> None:
    ours = changed(("UTF-8", "US-ASCII"), ('title="Flag"', 'title="F"'))
    theirs = changed(('title="Idle"', 'title="Größe"'))
    assert b'title="Gr&#246;&#223;e"' in merged(ours, theirs).data


def test_tabs_and_prefixes_of_ours_apply_to_what_theirs_added() -> None:
    ours = BASE.replace("  ", "\t").replace("<", "<d:").replace("<d:/", "</d:").replace("<d:!", "<!")
    ours = ours.replace("<d:?", "<?").replace("xmlns=", "xmlns:d=")
    theirs = changed((IDLE, IDLE + NEW.replace("/>", '>\n        <limits max="9"/>\n      </scalar>')))
    result = merged(ours, theirs)
    assert result.decisions == ()
    line = '\t\t\t<d:scalar name="new" title="New" purpose="general" at="0x40" type="uint8">\n'
    assert line + '\t\t\t  <d:limits max="9"/>\n\t\t\t</d:scalar>\n' in result.data.decode()


def test_quotes_spaces_and_sections_of_ours_stay() -> None:
    ours = changed(
        ('<signal name="load"  unit="mg"', "<signal\n\tname = 'load' unit='mg'"),
        (">Fuel</signal>", "><![CDATA[Fuel & air]]></signal >"),
    )
    theirs = changed(('plausible="0 100"', 'plausible="0 120"'))
    assert merged(ours, theirs).data.decode() == changed(
        ('plausible="0 100"', 'plausible="0 120"'), text=ours
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (BASE.replace("</memory>", ""), "ours:"),
        ("<!DOCTYPE definition>" + BASE, "ours:1: a document type (DOCTYPE) is not accepted"),
        (BASE.encode("utf-16"), "ours:1: the file is not UTF-8 text"),
    ],
)
def test_a_side_that_is_not_well_formed_is_refused_with_its_line(text: str | bytes, message: str) -> None:
    with pytest.raises(InputError) as error:
        merged(text, BASE)
    assert str(error.value).startswith(message) and str(error.value).endswith("correct it before the merge")


# Renamed tables


RENAMED_LIMIT = changed(('name="limit"', 'name="fuel_limit"'))
RENAMED_IDLE = changed(('name="idle"', 'name="idle_fuel"'), ('table="idle"', 'table="idle_fuel"'))


def test_a_renamed_table_takes_the_limit_of_the_other_side() -> None:
    both = RENAMED_LIMIT.replace(LIMITS, LIMITS.replace("20", "25"))
    assert clean(RENAMED_LIMIT, changed((LIMITS, LIMITS.replace("20", "25")))) == both


def test_a_relation_follows_the_table_that_one_side_renamed() -> None:
    both = RENAMED_IDLE.replace('margin="1"', 'margin="2"')
    assert clean(RENAMED_IDLE, changed(('margin="1"', 'margin="2"'))) == both


def test_a_table_that_was_renamed_and_changed_is_known_by_its_place() -> None:
    ours = RENAMED_LIMIT.replace('max="0.02"', 'max="0.03"')
    theirs = changed((LIMITS, LIMITS.replace("20", "25")))
    assert clean(ours, theirs) == ours.replace(LIMITS, LIMITS.replace("20", "25"))


def test_two_names_for_one_table_are_one_conflict() -> None:
    conflict = conflict_of(RENAMED_LIMIT, changed(('name="limit"', 'name="cap"')))
    assert conflict.kind is ConflictKind.VALUES
    assert texts(conflict) == [("name", "limit", "fuel_limit", "cap")]


def test_a_renamed_table_that_the_other_side_removed_is_in_conflict() -> None:
    start, end = BASE.index('      <curve name="limit"'), BASE.index("</curve>\n") + len("</curve>\n")
    conflict = conflict_of(RENAMED_LIMIT, BASE[:start] + BASE[end:])
    assert (conflict.kind, conflict.removed_by) == (ConflictKind.REMOVED, Side.THEIRS)


def test_a_name_that_the_other_side_gives_to_another_table_is_not_a_rename() -> None:
    ours = changed(('name="idle"', 'name="new"'), ('table="idle"', 'table="new"'))
    result = merged(ours, changed((IDLE, IDLE + NEW)))
    kinds = {conflict.kind for conflict in result.conflicts}
    assert ConflictKind.ADDED in kinds
    assert result.data.count(b'name="new"') == 1


def test_two_tables_with_the_same_evidence_are_not_renames() -> None:
    twins = IDLE + IDLE.replace('name="idle"', 'name="twin"')
    base = changed((IDLE, twins))
    ours = base.replace('name="idle"', 'name="a"').replace('name="twin"', 'name="b"')
    theirs = base.replace(IDLE, IDLE.replace('purpose="demand"', 'purpose="general"'))
    (conflict,) = merged(ours, theirs, base).conflicts
    assert (conflict.kind, conflict.place.name) == (ConflictKind.REMOVED, "idle")
