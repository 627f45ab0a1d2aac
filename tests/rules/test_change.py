"""The change/ rules, each with images that fail it and images that barely pass it."""

from __future__ import annotations

import struct
from itertools import groupby

import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.comparing.compare import missing_runs
from callint.decoding.layout import make_layout
from callint.model.finding import Cell, Severity
from callint.model.image import Image, Segment
from callint.model.policy import Policy
from callint.rules import change
from tests.building import TODAY, Files, definition_xml, findings, hex_file, image, read, u16
from tests.example_counts import examples
from tests.rules.example import AXES, ON_AXES, Example, Expected, all_examples, of_rule, table, text_examples

IDENTITY = '<identity name="software number" at="48" text="SK28-0412"/>'
NUMBER, OTHER_NUMBER = b"SK28-0412", b"SK28-0398"

#: Two bytes at 16; the bytes around them belong to nothing.
ONE_CELL = definition_xml(
    table("scalar", "idle_fuel", at=16),
    memory='<region name="calibration" start="8" size="24"/>' + IDENTITY,
)
MASKED_CELL = definition_xml(table("scalar", "switch", at=16, type="uint8", mask="0x0C", conversion="mg"))
AT_MOST_6 = definition_xml(table("map", "fuel", f'{ON_AXES}<change max="6"/>', at=10), axes=AXES)


def with_map(fifth: int, purpose_cells: int = 300) -> bytes:
    """An image with the map's fifth cell, and one value for the others."""
    cells = [*[purpose_cells] * 4, fifth, purpose_cells]
    return image(at_0=u16(1000, 2000, 3000, 100, 500), at_10=u16(*cells))


UNEXPLAINED = (
    Example(
        rule="change/unexplained-bytes",
        name="one byte behind a table, in a region",
        xml=ONE_CELL,
        data=image(at_18=b"\x7b", at_48=NUMBER),
        base=image(at_48=NUMBER),
        expected=Expected(
            severity=Severity.ERROR,
            words=("1 byte at 0x00012 differs", "does not describe it", "region calibration"),
            address=18,
        ),
    ),
    Example(
        rule="change/unexplained-bytes",
        name="the last byte of a table",
        xml=ONE_CELL,
        data=image(at_17=b"\x7b", at_48=NUMBER),
        base=image(at_48=NUMBER),
    ),
    Example(
        rule="change/unexplained-bytes",
        name="two bytes outside every region",
        xml=ONE_CELL,
        data=image(at_40=b"\x01\x00\x01", at_48=NUMBER),
        base=image(at_48=NUMBER),
        expected=Expected(
            severity=Severity.ERROR,
            words=("2 bytes at 0x00028 to 0x0002A differ", "does not describe them", "outside all regions"),
            address=40,
        ),
    ),
    Example(
        rule="change/unexplained-bytes",
        name="bits that a masked table does not own",
        xml=MASKED_CELL,
        data=image(at_16=b"\x10"),
        base=image(),
        expected=Expected(severity=Severity.ERROR, words=("1 byte at 0x00010 differs",), address=16),
    ),
    Example(
        rule="change/unexplained-bytes",
        name="the bits that a masked table owns",
        xml=MASKED_CELL,
        data=image(at_16=b"\x0c"),
        base=image(),
    ),
)

WHOLE = image(at_48=NUMBER)


def without(start: int, end: int) -> bytes:
    """The records of the whole memory except for a range of addresses."""
    return hex_file({0: WHOLE[:start], end: WHOLE[end:]} if start else {end: WHOLE[end:]})


MISSING = (
    Example(
        rule="change/missing-bytes",
        name="four bytes amid the image",
        xml=ONE_CELL,
        data=without(36, 40),
        base=WHOLE,
        expected=Expected(
            severity=Severity.WARNING,
            words=("lacks 4 bytes of the base that the definition does not describe", "0x00024 to 0x00027"),
            address=36,
        ),
    ),
    Example(
        rule="change/missing-bytes",
        name="the last byte of a region of which the image holds the rest",
        xml=ONE_CELL,
        data=hex_file({8: WHOLE[8:31]}),
        base=WHOLE,
        expected=Expected(
            severity=Severity.WARNING,
            words=("lacks 1 byte of the base that the definition does not describe", "0x0001F"),
            address=31,
        ),
    ),
    Example(
        rule="change/missing-bytes",
        name="a whole region and nothing else of the memory",
        xml=ONE_CELL,
        data=hex_file({8: WHOLE[8:32]}),
        base=WHOLE,
    ),
    Example(
        rule="change/missing-bytes",
        name="the bytes of a table, which image/missing-table reports",
        xml=ONE_CELL,
        data=without(16, 18),
        base=WHOLE,
    ),
)

TOO_LARGE = (
    Example(
        rule="change/too-large",
        name="41.0 mg that became 47.1 mg where 6 mg are accepted",
        xml=AT_MOST_6,
        data=with_map(471),
        base=with_map(410),
        expected=Expected(
            severity=Severity.ERROR,
            words=("41.0 mg became 47.1 mg", "+6.1 mg", "at most 6 mg"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=471,
            physical=47.1,
            base_physical=41.0,
            unit="mg",
        ),
    ),
    Example(
        rule="change/too-large",
        name="41.0 mg that became 47.0 mg where 6 mg are accepted",
        xml=AT_MOST_6,
        data=with_map(470),
        base=with_map(410),
    ),
    Example(
        rule="change/too-large",
        name="41.0 mg that became 34.9 mg: down is as far as up",
        xml=AT_MOST_6,
        data=with_map(349),
        base=with_map(410),
        expected=Expected(
            severity=Severity.ERROR,
            words=("41.0 mg became 34.9 mg", "-6.1 mg", "at most 6 mg"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=349,
            physical=34.9,
            base_physical=41.0,
            unit="mg",
        ),
    ),
    Example(
        rule="change/too-large",
        name="41.0 mg that became 35.0 mg where 6 mg are accepted",
        xml=AT_MOST_6,
        data=with_map(350),
        base=with_map(410),
    ),
)


def emitting(purpose: str) -> bytes:
    """A map with a purpose."""
    return definition_xml(table("map", "recirculation", ON_AXES, at=10, purpose=purpose), axes=AXES)


EMISSIONS = (
    Example(
        rule="change/emissions",
        name="one raw step in one cell of an emissions map",
        xml=emitting("emissions"),
        data=with_map(299),
        base=with_map(300),
        expected=Expected(
            severity=Severity.WARNING,
            words=("1 cell ", ": 30.0 mg became 29.9 mg", "2000 rpm"),
            line='name="recirculation"',
            table="recirculation",
            address=10,
            unit="mg",
        ),
    ),
    Example(
        rule="change/emissions",
        name="an emissions map as it is in the base",
        xml=emitting("emissions"),
        data=with_map(300),
        base=with_map(300),
    ),
    Example(
        rule="change/emissions",
        name="a changed correction map",
        xml=emitting("correction"),
        data=with_map(299),
        base=with_map(300),
    ),
    Example(
        rule="change/emissions",
        name="a moved axis under an emissions map whose cells stayed",
        xml=emitting("emissions"),
        data=u16(1000, 2000, 3001) + with_map(300)[6:],
        base=with_map(300),
        expected=Expected(
            severity=Severity.WARNING,
            words=("axis speeds",),
            line='name="recirculation"',
            table="recirculation",
            address=10,
            unit="mg",
        ),
    ),
    *text_examples("change/emissions", "emissions"),
)

CHANGED_IDENTITY = (
    Example(
        rule="change/identity",
        name="another software number than the base's",
        xml=ONE_CELL,
        data=image(at_48=OTHER_NUMBER),
        base=image(at_48=NUMBER),
        expected=Expected(
            severity=Severity.ERROR,
            words=('"SK28-0398"', '"SK28-0412"', "software number"),
            line='name="software number"',
            address=48,
        ),
    ),
    Example(
        rule="change/identity",
        name="a change right behind the software number",
        xml=ONE_CELL,
        data=image(at_48=NUMBER + b"A"),
        base=image(at_48=NUMBER + b"B"),
    ),
)

EXAMPLES = (*UNEXPLAINED, *MISSING, *TOO_LARGE, *EMISSIONS, *CHANGED_IDENTITY)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


def test_without_a_base_no_change_is_reported() -> None:
    reported = findings(emitting("emissions"), with_map(299))
    assert not [finding for finding in reported if finding.rule.startswith("change/")]


def test_texts_checksums_and_stored_counts_explain_their_bytes() -> None:
    xml = definition_xml(
        '\n<text name="hull" title="Hull" purpose="general" at="20" length="4"/>\n',
        axes='<axis name="speeds" signal="speed" at="0" type="uint8" count="2" count-at="2"/>',
        memory='<checksum name="sum" algorithm="sum16" start="0" size="32" stored-at="40"/>' + IDENTITY,
    )
    before = image(at_48=NUMBER)
    after = image(at_0=b"\x01\x02\x02", at_20=b"KELP", at_40=u16(0x134), at_48=NUMBER)
    assert not of_rule(findings(xml, after, before), "change/unexplained-bytes")
    # One byte behind each of them is nobody's.
    beyond = image(at_3=b"\x01", at_24=b"\x01", at_42=b"\x01", at_48=NUMBER)
    reported = of_rule(findings(xml, beyond, before), "change/unexplained-bytes")
    assert [item.address for item in reported] == [3, 24, 42]


def test_the_gaps_of_a_stride_are_nobodys_bytes() -> None:
    curve = table("curve", "gains", '<x axis="speeds"/>', at=16, type="uint8", stride=2)
    xml = definition_xml(curve, axes='<fixed-axis name="speeds" signal="speed" values="1000 2000"/>')
    assert not of_rule(findings(xml, image(at_18=b"\x01"), image()), "change/unexplained-bytes")
    (finding,) = of_rule(findings(xml, image(at_17=b"\x01"), image()), "change/unexplained-bytes")
    assert finding.address == 17


def test_an_emissions_finding_counts_the_cells_and_shows_the_largest_change() -> None:
    (result,) = of_rule(
        findings(emitting("emissions"), with_map(240, 299), with_map(300, 300)), "change/emissions"
    )
    assert "6 cells" in result.message
    assert "the largest change: 30.0 mg became 24.0 mg at 2000 rpm, 50" in result.message


def test_an_emissions_finding_shows_the_most_that_went_off_and_how_much_of_it_is_driven() -> None:
    xml = definition_xml(
        table("map", "release", f'{ON_AXES}<off raw="15" allowed="anywhere"/>', at=10, purpose="emissions"),
        axes=AXES,
    )
    axes = u16(1000, 2000, 9000, 100, 500)
    base, data = (image(at_0=axes, at_10=u16(*cells)) for cells in ((20, 90, 40, 10, 30, 50), (15,) * 6))
    (finding,) = of_rule(findings(xml, data, base), "change/emissions")
    # 9000 rpm is far beyond what the engine runs at.
    assert finding.message == (
        "6 cells of an emissions table changed: 6 of them went off, 4 inside the operating range; "
        "the largest change: 9.0 mg became off at 2000 rpm, 10 mg"
    )


@pytest.mark.parametrize(
    ("before", "after", "message"), [(7, 15, "0.7 mg became off"), (15, 7, "off became 0.7 mg")]
)
def test_an_emissions_finding_calls_an_off_code_off(before: int, after: int, message: str) -> None:
    xml = definition_xml(
        table("scalar", "release", '<off raw="15" allowed="anywhere"/>', purpose="emissions", type="uint8")
    )
    (result,) = of_rule(
        findings(xml, image(at_0=bytes([after])), image(at_0=bytes([before]))), "change/emissions"
    )
    assert message in result.message


@pytest.mark.parametrize(
    ("before", "after"),
    [(1_000_000_001, 1_000_000_002), (999_999_999, 1_000_000_000), (10, 11), (3_000_000_007, 3_000_000_006)],
)
def test_a_change_of_exactly_the_accepted_distance_passes_however_large_the_values_are(
    before: int, after: int
) -> None:
    xml = definition_xml(table("scalar", "hours", '<change max="0.1"/>', type="uint32"))
    data, base = (image(at_0=value.to_bytes(4, "big")) for value in (after, before))
    assert not of_rule(findings(xml, data, base), "change/too-large")


def test_a_change_of_one_raw_step_more_than_accepted_is_found_however_large_the_values_are() -> None:
    xml = definition_xml(table("scalar", "hours", '<change max="0.1"/>', type="uint32"))
    data, base = (image(at_0=value.to_bytes(4, "big")) for value in (3_000_000_009, 3_000_000_007))
    assert len(of_rule(findings(xml, data, base), "change/too-large")) == 1


def test_a_largest_change_of_0_demands_the_value_of_the_base() -> None:
    xml = definition_xml(table("scalar", "hours", '<change max="0"/>', type="uint16"))
    base = image(at_0=u16(7000))
    assert not of_rule(findings(xml, base, base), "change/too-large")
    [finding] = of_rule(findings(xml, image(at_0=u16(7001)), base), "change/too-large")
    assert "at most 0" in finding.message


RAMP = definition_xml(table("curve", "ramp", '<x axis="speeds"/><change max="6"/>', at=10), axes=AXES)


def ramp(*cells: int, axis: tuple[int, ...] = (1000, 2000, 3000)) -> bytes:
    return image(at_0=u16(*axis), at_10=u16(*cells))


def test_the_worked_example_of_a_moved_axis_can_be_redone_by_hand() -> None:
    page = " ".join(change.too_large.page.split())
    assert "40 and 60 mg at 1000 and 2000 rpm, and its second breakpoint became 1500 rpm" in page
    assert "60 mg at 1500 rpm instead of 50 mg" in page
    old, new = ramp(400, 600, 600), ramp(400, 600, 600, axis=(1000, 1500, 3000))
    (finding,) = of_rule(findings(RAMP, new, old), "change/too-large")
    assert finding.message == (
        "50.0 mg became 60.0 mg, +10.0 mg at 1500 rpm, because an axis moved; at most 6 mg is accepted"
    )
    assert (finding.cell, dict(finding.at)) == (None, {"speed": 1500})


def test_cells_recalculated_for_a_moved_axis_are_judged_by_their_output() -> None:
    # 10 mg per 1000 rpm before and after: the cell at 2500 rpm moved by 10 mg, the output nowhere.
    old = ramp(200, 400, 600)
    assert not of_rule(findings(RAMP, ramp(200, 500, 600, axis=(1000, 2500, 3000)), old), "change/too-large")
    assert of_rule(findings(RAMP, ramp(200, 500, 600), old), "change/too-large")


def test_at_new_breakpoints_a_limit_is_exceeded_by_more_than_a_stored_step() -> None:
    # At 1500 rpm the base gives 50 mg; 56 mg are accepted, and 56.1 mg may be rounded.
    old = ramp(400, 600, 600)
    for cell, is_accepted in ((561, True), (562, False)):
        new = ramp(400, cell, 600, axis=(1000, 1500, 3000))
        assert (not of_rule(findings(RAMP, new, old), "change/too-large")) is is_accepted
    # 1000 rpm is in both images, so nothing was recalculated there.
    (finding,) = of_rule(
        findings(RAMP, ramp(461, 561, 600, axis=(1000, 1500, 3000)), old), "change/too-large"
    )
    assert finding.message.startswith("40.0 mg became 46.1 mg, +6.1 mg at 1000 rpm, because an axis moved")


@pytest.mark.parametrize(("unit", "message"), [("%", "+50.0 points"), ("mg", "+50.0 mg")])
def test_a_difference_of_two_shares_is_in_points(unit: str, message: str) -> None:
    xml = definition_xml(
        table("scalar", "derate", '<change max="6"/>', conversion="own"),
        conversions=f'<linear name="own" unit="{unit}" factor="0.1" decimals="1"/>',
    )
    (finding,) = of_rule(findings(xml, image(at_0=u16(900)), image(at_0=u16(400))), "change/too-large")
    assert message in finding.message


def test_a_change_that_is_hardly_more_than_accepted_shows_the_digits_in_which_it_is() -> None:
    xml = definition_xml(
        table("scalar", "derate", '<change max="6"/>', type="float64", conversion="own"),
        conversions='<linear name="own" unit="mg" factor="1" decimals="1"/>',
    )
    data, base = (image(at_0=struct.pack(">d", value)) for value in (16.0004, 10.0))
    (finding,) = of_rule(findings(xml, data, base), "change/too-large")
    assert finding.message == "10.0 mg became 16.0 mg, +6.0004 mg; at most 6 mg is accepted"


def test_a_state_that_may_not_change_is_reported_by_its_name() -> None:
    xml = definition_xml(table("scalar", "monitor", '<change max="0.5"/>', type="uint8", conversion="on_off"))
    (finding,) = of_rule(findings(xml, image(at_0=b"\x00"), image(at_0=b"\x01")), "change/too-large")
    assert finding.message == "on became off; at most 0.5 is accepted"


# Bytes that are absent


def missing(xml: bytes, data: bytes, base: bytes) -> list[str]:
    return [result.message for result in of_rule(findings(xml, data, base), "change/missing-bytes")]


NO_REGION = definition_xml(table("scalar", "idle_fuel", at=16))


def test_without_regions_an_image_needs_all_bytes_of_its_base() -> None:
    assert missing(NO_REGION, hex_file({0: WHOLE[:63]}), WHOLE) == [
        "the image lacks 1 byte of the base that the definition does not describe: 0x0003F"
    ]


def test_a_base_of_a_part_shows_what_the_image_should_hold() -> None:
    base = hex_file({8: WHOLE[8:40]})
    assert missing(ONE_CELL, base, base) == []
    (message,) = missing(ONE_CELL, hex_file({8: WHOLE[8:32]}), base)
    assert "8 bytes" in message and message.endswith(": 0x00020 to 0x00027")


def test_many_ranges_are_one_finding() -> None:
    """Every second byte of 0 to 15, and the two of a table at 16."""
    data = hex_file({**{at: WHOLE[at : at + 1] for at in range(0, 16, 2)}, 18: WHOLE[18:]})
    assert missing(NO_REGION, data, WHOLE) == [
        "the image lacks 8 bytes of the base that the definition does not describe: "
        "0x00001, and 7 more ranges"
    ]


@pytest.mark.parametrize(("size", "result"), [(24, 0), (23, 1)])
def test_a_raw_part_by_intent_lacks_only_what_a_region_of_its_own_has(size: int, result: int) -> None:
    """The policy's start says that the file is a part."""
    files = Files()
    files.files |= {"test.xml": ONE_CELL, "new.bin": WHOLE[8 : 8 + size], "base.bin": WHOLE}
    report = Checker(files, Policy(), TODAY).report(
        [Assignment("new.bin", ("test.xml",), ("base.bin",), start=8)], ["test.xml"], whole=True
    )
    assert len(of_rule(report.findings, "change/missing-bytes")) == result


def test_a_stored_count_that_is_absent_is_among_the_missing_bytes() -> None:
    axis = '<axis name="speeds" signal="speed" at="4" type="uint16" count="3" count-at="0"/>'
    xml = definition_xml(table("curve", "fuel", '<x axis="speeds"/>', at=10), axes=axis)
    assert len(missing(xml, hex_file({1: WHOLE[1:]}), image(at_0=b"\x03"))) == 1


@given(
    held=st.lists(st.booleans(), min_size=64, max_size=64),
    base_held=st.lists(st.booleans(), min_size=64, max_size=64),
    regions=st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=3),
    intended=st.booleans(),
)
@examples(60)
def test_missing_bytes_are_those_of_a_plain_account(
    held: list[bool], base_held: list[bool], regions: list[tuple[int, int]], intended: bool
) -> None:
    region_xml = "".join(
        f'<region name="r{n}" start="{start}" size="{min(size, 64 - start)}"/>'
        for n, (start, size) in enumerate(regions)
    )
    tables = table("scalar", "a", at=16) + table("scalar", "b", at=17) + text_table(30, 5)
    definition = read(definition_xml(tables, memory=region_xml + IDENTITY))
    new, base = (_of_bytes(flags) for flags in (held, base_held))
    named = {16, 17, 18, *range(30, 35), *range(48, 57)}
    here = [at for at in range(64) if held[at]]
    wanted = set(range(here[0], here[-1] + 1)) if here else set()
    for start, size in regions:
        stretch = set(range(start, min(start + size, 64)))
        if stretch & set(here):
            wanted |= stretch
    if not intended:  # the base is of a part as well
        wanted = set(range(64))
    expected = {at for at in wanted if base_held[at] and not held[at]} - named
    runs = list(missing_runs(make_layout(definition), base, new, is_intended=intended))
    result = [at for run in runs for at in range(run.start, run.start + run.size)]
    assert result == sorted(expected)


def text_table(at: int, length: int) -> str:
    return f'<text name="note" title="N" purpose="general" at="{at}" length="{length}"/>'


def _of_bytes(held: list[bool]) -> Image:
    """Zeros at the addresses that are held."""
    segments, at = [], 0
    for is_held, group in groupby(held):
        size = len(list(group))
        segments += [Segment(at, bytes(size))] if is_held else []
        at += size
    return Image(tuple(segments), is_part=True)
