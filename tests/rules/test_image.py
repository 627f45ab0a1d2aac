"""The image/ rules, each with images that fail it and images that barely pass it."""

from __future__ import annotations

import zlib
from functools import reduce
from operator import xor
from typing import Any

import pytest

from callint.checking.assignments import Assignment
from callint.model.finding import Severity
from callint.model.policy import ImageRule, Policy
from tests.building import definition_xml, findings, hex_file, image, s_file, u16
from tests.rules.example import (
    BASE,
    DEFINITION,
    IMAGE,
    Example,
    Expected,
    all_examples,
    axis,
    of_rule,
    table,
)

NUMBER, OTHER_NUMBER = b"SK28-0412", b"SK28-0398"
PLAIN = definition_xml(table("scalar", "idle_fuel", at=0) + table("scalar", "full_fuel", at=62))
NUMBERED = definition_xml(
    table("scalar", "idle_fuel", at=0),
    memory='\n<identity name="software number" at="48" text="SK28-0412"/>\n',
)


def summed(algorithm: str, stored: bytes, byte_order: str = "big", complement: str = "") -> Example:
    """What a checksum over the first 32 bytes, stored at 40, makes of an image."""
    end = f' complement="{complement}"' if complement else ""
    xml = definition_xml(
        table("scalar", "idle_fuel", at=0),
        memory=f'\n<checksum name="calibration" algorithm="{algorithm}" start="0" size="32" '
        f'stored-at="40" byte-order="{byte_order}"{end}/>\n',
    )
    data = image(at_0=COVERED, at_40=stored)
    return Example(rule="image/stale-checksum", name=f"{algorithm} {complement}", xml=xml, data=data)


COVERED = bytes(range(7, 39))
CRC = zlib.crc32(COVERED)
CRC_XML = summed("CRC-32/ISO-HDLC", b"").xml
BLANK = definition_xml(
    table("curve", "four", '<x axis="gears"/>', at=16, type="uint8") + table("scalar", "two", at=24),
    axes='<fixed-axis name="gears" signal="speed" values="1000 2000 3000 4000"/>',
)


def filled(four: bytes) -> bytes:
    """An image with the curve of four bytes; the scalar of two bytes is blank."""
    return image(at_16=four, at_24=b"\xff\xff")


def unassigned(name: str, data: bytes, xml: bytes = NUMBERED, is_found: bool = False) -> Example:
    """An image beside the only one that the policy names."""
    expected = Expected(severity=Severity.WARNING, words=("carries the software number of test.xml",))
    return Example(
        rule="image/unassigned",
        name=name,
        xml=xml,
        data=data,
        policy=Policy(path="callint.toml", images=(ImageRule(("other.bin",), (DEFINITION,), (), 1),)),
        is_assigned=False,
        expected=expected if is_found else None,
    )


OWN_NUMBER = definition_xml(
    table("scalar", "idle_fuel", at=0)
    + '\n<text name="hull" title="Hull" purpose="general" at="8" length="8" unit-own="true"/>\n'
)
UNIT_NUMBER = (
    Example(
        rule="image/unit-number",
        name="a hull number that changed",
        xml=OWN_NUMBER,
        data=image(at_8=b"HERON-3"),
        earlier=image(at_8=b"PETREL-1"),
        expected=Expected(
            severity=Severity.ERROR,
            words=('hull changed from "PETREL-1" to "HERON-3"', "the unit's own number"),
            line='name="hull"',
            table="hull",
            address=8,
        ),
    ),
    Example(
        rule="image/unit-number",
        name="a hull number with other filling",
        xml=OWN_NUMBER,
        data=image(at_8=b"HERON-3 "),
        earlier=image(at_8=b"HERON-3\0"),
    ),
    Example(
        rule="image/unit-number",
        name="a hull number that was entered for the first time",
        xml=OWN_NUMBER,
        data=image(at_8=b"HERON-3"),
        earlier=image(),
    ),
)

ONE, TWO, THREE = (image(at_0=u16(number)) for number in (410, 420, 430))


def copy(name: str, earlier: bytes | None, earlier_other: bytes, words: str = "", **given: Any) -> Example:
    """An image that equals another one of the policy now."""
    severity = Severity.NOTE if "differed" in words else Severity.WARNING
    return Example(
        rule="image/copied",
        name=name,
        xml=PLAIN,
        data=ONE,
        other=ONE,
        earlier=earlier,
        earlier_other=earlier_other,
        policy=Policy(path="callint.toml", images=(ImageRule(("*.bin",), (DEFINITION,), (), 1),)),
        expected=Expected(severity=severity, words=(words,)) if words else None,
        **given,
    )


COPIES = (
    copy("two images that got one content", TWO, THREE, "and other.bin differed and are now equal"),
    copy("an image saved over another one", TWO, ONE, "became equal to other.bin: was that image saved"),
    copy("two images that were equal before", TWO, TWO),
    copy("a new image", None, ONE),
    copy("an image that did not change", ONE, TWO),
    copy("an image that was reset to its base", TWO, ONE, base=ONE),
)

UNASSIGNED = (
    unassigned("an image of the right software", image(at_48=NUMBER), is_found=True),
    unassigned("an image of other software", image(at_48=OTHER_NUMBER)),
    unassigned("an image that is a byte too long", image(at_48=NUMBER) + b"\0"),
    unassigned("a file of a definition without identity", image(at_48=NUMBER), PLAIN),
)

UNREADABLE = (
    Example(
        rule="image/unreadable",
        name="an image that does not exist",
        xml=PLAIN,
        assignment=Assignment(IMAGE, (DEFINITION,), ()),
        expected=Expected(severity=Severity.ERROR, words=("cannot be read", "does not exist")),
    ),
    Example(rule="image/unreadable", name="an empty image, which can be read", xml=PLAIN, data=b""),
)

WRONG_SIZE = (
    Example(
        rule="image/wrong-size",
        name="63 bytes in a memory of 64",
        xml=PLAIN,
        data=image(63),
        base=image(64),
        expected=Expected(
            severity=Severity.ERROR,
            words=("truncated", "63 bytes", "64", "1 byte missing", "1 table", "full_fuel"),
            raw=63,
        ),
    ),
    Example(
        rule="image/wrong-size",
        name="65 bytes in a memory of 64",
        xml=PLAIN,
        data=image(65),
        expected=Expected(
            severity=Severity.ERROR, words=("too long", "65 bytes", "64", "1 byte too many"), raw=65
        ),
    ),
    Example(rule="image/wrong-size", name="64 bytes in a memory of 64", xml=PLAIN, data=image(64)),
    Example(
        rule="image/wrong-size",
        name="an empty image",
        xml=PLAIN,
        data=b"",
        expected=Expected(severity=Severity.ERROR, words=("empty",), raw=0),
    ),
)

WRONG_IDENTITY = (
    Example(
        rule="image/wrong-identity",
        name="another software number",
        xml=NUMBERED,
        data=image(at_48=OTHER_NUMBER),
        expected=Expected(
            severity=Severity.ERROR,
            words=("software number", '"SK28-0398"', '"SK28-0412"', "other software"),
            line="<identity",
            address=48,
        ),
    ),
    Example(
        rule="image/wrong-identity",
        name="one bit of the software number turned over",
        xml=NUMBERED,
        data=image(at_48=b"SK28-0413"),
        expected=Expected(
            severity=Severity.ERROR, words=('"SK28-0413"', '"SK28-0412"'), line="<identity", address=48
        ),
    ),
    Example(
        rule="image/wrong-identity",
        name="the software number with other bytes behind it",
        xml=NUMBERED,
        data=image(at_48=NUMBER + b"-X"),
    ),
    Example(
        rule="image/wrong-identity",
        name="an image too short to hold a software number",
        xml=NUMBERED,
        data=image(at_48=NUMBER)[:56],
    ),
)

STALE_CHECKSUM = (
    Example(
        rule="image/stale-checksum",
        name="a CRC whose last bit is wrong",
        xml=CRC_XML,
        data=image(at_0=COVERED, at_40=(CRC ^ 1).to_bytes(4, "big")),
        expected=Expected(
            severity=Severity.ERROR,
            words=("calibration", f"0x{CRC ^ 1:08X}", f"0x{CRC:08X}", "CRC-32/ISO-HDLC"),
            line="<checksum",
            address=40,
            raw=CRC ^ 1,
        ),
    ),
    Example(
        rule="image/stale-checksum",
        name="the CRC of the bytes",
        xml=CRC_XML,
        data=image(at_0=COVERED, at_40=CRC.to_bytes(4, "big")),
    ),
    Example(
        rule="image/stale-checksum",
        name="a change right behind the covered bytes",
        xml=CRC_XML,
        data=image(at_0=COVERED, at_32=b"\x7b", at_40=CRC.to_bytes(4, "big")),
    ),
    Example(
        rule="image/stale-checksum",
        name="a change of the last covered byte",
        xml=CRC_XML,
        data=image(at_0=COVERED[:31] + b"\x7b", at_40=CRC.to_bytes(4, "big")),
        expected=Expected(
            severity=Severity.ERROR,
            words=(f"0x{CRC:08X}", f"0x{zlib.crc32(COVERED[:31] + b'{'):08X}"),
            line="<checksum",
            address=40,
            raw=CRC,
        ),
    ),
)

BLANK_TABLE = (
    Example(
        rule="image/blank-table",
        name="four fill bytes where a curve should be",
        xml=BLANK,
        data=filled(b"\xff" * 4),
        base=filled(bytes([1, 2, 3, 4])),
        expected=Expected(
            severity=Severity.WARNING,
            words=("four", "4 bytes", "0xFF", "0x00010"),
            line='name="four"',
            table="four",
            address=16,
            unit="mg",
        ),
    ),
    Example(
        rule="image/blank-table",
        name="three fill bytes and one of another value",
        xml=BLANK,
        data=filled(b"\xff\xff\xff\xfe"),
    ),
    Example(
        rule="image/blank-table",
        name="two fill bytes, which may be a value",
        xml=definition_xml(table("scalar", "two")),
        data=image(fill=0xFF),
    ),
)

MISSING_BASE = (
    Example(
        rule="image/missing-base",
        name="a base that does not exist",
        xml=NUMBERED,
        data=image(at_48=NUMBER),
        assignment=Assignment(IMAGE, (DEFINITION,), (BASE,)),
        expected=Expected(severity=Severity.ERROR, words=("base.bin", "does not exist")),
    ),
    Example(
        rule="image/missing-base",
        name="a base of other software",
        xml=NUMBERED,
        data=image(at_48=NUMBER),
        base=image(at_48=OTHER_NUMBER),
        expected=Expected(
            severity=Severity.ERROR, words=("base.bin", "other software", '"SK28-0398"', '"SK28-0412"')
        ),
    ),
    Example(
        rule="image/missing-base",
        name="a base of the same software",
        xml=NUMBERED,
        data=image(at_48=NUMBER),
        base=image(at_0=b"\x7b", at_48=NUMBER),
    ),
    Example(
        rule="image/missing-base",
        name="an image that should have none",
        xml=NUMBERED,
        data=image(at_48=NUMBER),
    ),
)

LIMITED = definition_xml(
    table("curve", "four", '<x axis="gears"/><limits max="10"/>', at=16, type="uint8"),
    axes='<fixed-axis name="gears" signal="speed" values="1000 2000 3000 4000"/>',
)

DOUBTFUL_TABLE = (
    Example(
        rule="image/doubtful-table",
        name="half of the base's cells beyond the limits",
        xml=LIMITED,
        data=image(at_16=bytes([50, 60, 70, 80])),
        base=image(at_16=bytes([50, 60, 200, 200])),
        expected=Expected(
            severity=Severity.WARNING,
            words=("2 of 4 cells", "base itself", "wrong bytes"),
            line='name="four"',
            table="four",
            address=16,
            unit="mg",
        ),
    ),
    Example(
        rule="image/doubtful-table",
        name="one of four of the base's cells beyond the limits",
        xml=LIMITED,
        data=image(at_16=bytes([50, 60, 200, 200])),
        base=image(at_16=bytes([50, 60, 70, 200])),
    ),
)

RECORDS = hex_file({0: image(at_0=b"\x30")})
DAMAGED_RECORD = (
    Example(
        rule="image/damaged-record",
        name="a digit of a record turned over",
        xml=PLAIN,
        data=RECORDS.replace(b":1000000030", b":1000000031"),
        expected=Expected(
            severity=Severity.ERROR,
            words=("line 1", "checksum is 0xC0, but its bytes give 0xBF"),
            image_line=1,
        ),
    ),
    Example(rule="image/damaged-record", name="the record as it was", xml=PLAIN, data=RECORDS),
)

OUTSIDE_MEMORY = (
    Example(
        rule="image/outside-memory",
        name="a byte behind the memory",
        xml=PLAIN,
        data=hex_file({0: image(65)}),
        expected=Expected(
            severity=Severity.ERROR, words=("1 byte lies outside", "0x00000 to 0x0003F"), address=64
        ),
    ),
    Example(
        rule="image/outside-memory",
        name="bytes before the memory alone",
        xml=definition_xml(table("scalar", "fuel", at=0x100), start=0x100),
        data=s_file({0xF0: bytes(16)}),
        expected=Expected(severity=Severity.ERROR, words=("all bytes of the image lie",), address=0xF0),
    ),
    Example(
        rule="image/outside-memory",
        name="the last byte of the memory",
        xml=PLAIN,
        data=hex_file({0: bytes(2), 62: bytes(2)}),
    ),
)

MISSING_TABLE = (
    Example(
        rule="image/missing-table",
        name="a table of which the last byte is missing",
        xml=PLAIN,
        data=hex_file({0: bytes(63)}),
        base=image(),
        expected=Expected(
            severity=Severity.ERROR,
            words=("full_fuel lies in a gap", "lacks its cell"),
            line='name="full_fuel"',
            table="full_fuel",
            address=62,
            unit="mg",
        ),
    ),
    Example(
        rule="image/missing-table",
        name="one cell of a curve of four",
        xml=BLANK,
        data=s_file({16: bytes(3), 24: bytes(2)}),
        expected=Expected(
            severity=Severity.ERROR,
            words=("four lies in a gap", "1 of its 4 cells"),
            line='name="four"',
            table="four",
            address=16,
            unit="mg",
        ),
    ),
    Example(
        rule="image/missing-table",
        name="the end of a text",
        xml=definition_xml('\n<text name="hull" title="Hull" at="8" length="4" purpose="general"/>\n'),
        data=s_file({0: bytes(11)}),
        expected=Expected(
            severity=Severity.ERROR,
            words=("hull lies in a gap", "1 of its 4 bytes"),
            line="<text",
            table="hull",
            address=8,
        ),
    ),
    Example(
        rule="image/missing-table",
        name="a gap between the tables",
        xml=PLAIN,
        data=hex_file({0: bytes(2), 62: bytes(2)}),
    ),
)

UNKNOWN_IDENTITY = (
    Example(
        rule="image/unknown-identity",
        name="a software number of which the last byte is missing",
        xml=NUMBERED,
        data=hex_file({0: bytes(2), 48: NUMBER[:8]}),
        base=image(at_48=NUMBER),
        expected=Expected(
            severity=Severity.WARNING,
            words=("software number lies in a gap",),
            line="<identity",
            address=48,
        ),
    ),
    Example(
        rule="image/unknown-identity",
        name="a software number that is there",
        xml=NUMBERED,
        data=hex_file({0: bytes(2), 48: NUMBER}),
    ),
)

UNCOVERED_CHECKSUM = (
    Example(
        rule="image/uncovered-checksum",
        name="the last covered byte in a gap",
        xml=CRC_XML,
        data=hex_file({0: COVERED[:31], 40: CRC.to_bytes(4, "big")}),
        expected=Expected(
            severity=Severity.ERROR,
            words=("cannot check the checksum calibration", "1 byte that it covers"),
            line="<checksum",
            address=0,
        ),
    ),
    Example(
        rule="image/uncovered-checksum",
        name="its own last byte in a gap",
        xml=CRC_XML,
        data=hex_file({0: COVERED, 40: CRC.to_bytes(4, "big")[:3]}),
        expected=Expected(
            severity=Severity.ERROR, words=("the bytes that store it",), line="<checksum", address=40
        ),
    ),
    Example(
        rule="image/uncovered-checksum",
        name="gaps all round it",
        xml=CRC_XML,
        data=hex_file({0: COVERED, 40: CRC.to_bytes(4, "big")}),
    ),
)

EXAMPLES = (
    *UNIT_NUMBER,
    *COPIES,
    *UNASSIGNED,
    *UNREADABLE,
    *DAMAGED_RECORD,
    *OUTSIDE_MEMORY,
    *MISSING_TABLE,
    *UNKNOWN_IDENTITY,
    *UNCOVERED_CHECKSUM,
    *WRONG_SIZE,
    *WRONG_IDENTITY,
    *STALE_CHECKSUM,
    *BLANK_TABLE,
    *MISSING_BASE,
    *DOUBTFUL_TABLE,
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


TOTAL = sum(COVERED)


@pytest.mark.parametrize(
    ("algorithm", "complement", "byte_order", "right"),
    [
        ("sum8", "", "big", bytes([TOTAL % 256])),
        ("sum16", "", "big", TOTAL.to_bytes(2, "big")),
        ("sum16", "", "little", TOTAL.to_bytes(2, "little")),
        ("sum16", "ones", "big", (0xFFFF - TOTAL).to_bytes(2, "big")),
        ("sum16", "twos", "big", (0x10000 - TOTAL).to_bytes(2, "big")),
        ("sum32", "", "big", TOTAL.to_bytes(4, "big")),
        ("xor8", "", "big", bytes([reduce(xor, COVERED)])),
        ("CRC-32/ISO-HDLC", "", "little", CRC.to_bytes(4, "little")),
        ("CRC-32/ISO-HDLC", "ones", "big", (0xFFFFFFFF - CRC).to_bytes(4, "big")),
    ],
)
def test_a_checksum_passes_when_stored_as_the_definition_says_and_only_then(
    algorithm: str, complement: str, byte_order: str, right: bytes
) -> None:
    good = summed(algorithm, right, byte_order, complement)
    assert not of_rule(good.report().findings, good.rule)
    wrong = summed(algorithm, right[:-1] + bytes([right[-1] ^ 1]), byte_order, complement)
    assert len(of_rule(wrong.report().findings, good.rule)) == 1


@pytest.mark.parametrize(
    ("algorithm", "order", "stored", "right"),
    [
        ("CRC-32/ISO-HDLC", "little", CRC.to_bytes(4, "big"), "big"),
        ("CRC-32/ISO-HDLC", "big", CRC.to_bytes(4, "little"), "little"),
        (
            "CRC-32/ISO-HDLC",
            "big",
            CRC.to_bytes(4, "big")[2:] + CRC.to_bytes(4, "big")[:2],
            "big-word-swapped",
        ),
        ("sum16", "big", TOTAL.to_bytes(2, "little"), "little"),
    ],
)
def test_a_checksum_in_another_byte_order_is_not_to_be_sealed(
    algorithm: str, order: str, stored: bytes, right: str
) -> None:
    example = summed(algorithm, stored, order)
    (finding,) = of_rule(example.report().findings, example.rule)
    assert f'Write byte-order="{right}"' in finding.hint


def test_an_image_that_lacks_covered_bytes_is_truncated_rather_than_wrongly_summed() -> None:
    data = image(at_0=COVERED, at_40=bytes(4))
    assert of_rule(findings(CRC_XML, data), "image/stale-checksum")
    reported = findings(CRC_XML, data[:42])
    assert not of_rule(reported, "image/stale-checksum")
    assert of_rule(reported, "image/wrong-size")


def test_a_truncated_image_is_checked_as_far_as_it_goes() -> None:
    xml = definition_xml(
        table("scalar", "idle_fuel", '<limits max="10"/>', at=0)
        + table("scalar", "full_fuel", '<limits min="1"/>', at=62)
    )
    reported = findings(xml, image(at_0=u16(101))[:63])
    assert [item.table for item in of_rule(reported, "value/out-of-range")] == ["idle_fuel"]


def test_the_fill_byte_is_the_definitions_own() -> None:
    xml = definition_xml(table("scalar", "four", type="uint32")).replace(
        b'size="64"', b'size="64" fill="0xA5"'
    )
    assert of_rule(findings(xml, image(fill=0xA5)), "image/blank-table")
    assert not of_rule(findings(xml, image(fill=0xFF)), "image/blank-table")


def test_a_blank_axis_is_a_blank_table() -> None:
    xml = definition_xml(table("curve", "fuel", '<x axis="speeds"/>', at=8), axes=axis("speeds"))
    (finding,) = of_rule(findings(xml, image(at_0=b"\xff" * 4)), "image/blank-table")
    assert finding.table == "speeds"


def test_an_empty_base_is_not_compared_with() -> None:
    reported = findings(PLAIN, image(), b"")
    assert [name.severity for name in of_rule(reported, "image/missing-base")] == [Severity.ERROR]


def test_an_identity_that_is_not_text_is_shown_in_hexadecimal() -> None:
    (finding,) = of_rule(findings(NUMBERED, image()), "image/wrong-identity")
    assert 'is 00 00 00 00 00 00 00 00 00, not "SK28-0412"' in finding.message


def test_a_short_list_of_missing_tables_is_not_cut() -> None:
    tables = "".join(table("scalar", f"fuel_{number}", at=2 * number) for number in range(3))
    (finding,) = of_rule(findings(definition_xml(tables), image()[:1]), "image/wrong-size")
    assert finding.message.endswith("fuel_0, fuel_1, fuel_2")


def test_a_long_list_of_missing_tables_is_cut_short() -> None:
    tables = "".join(table("scalar", f"fuel_{number}", at=2 * number) for number in range(10))
    (finding,) = of_rule(findings(definition_xml(tables), image()[:4]), "image/wrong-size")
    assert "8 tables" in finding.message
    assert "5 more" in finding.message


def test_parts_that_the_base_lacks_too_are_a_note() -> None:
    data = hex_file({0: COVERED[:31], 100: b"x"})
    reported = [finding for finding in findings(CRC_XML, data, data) if finding.rule != "image/missing-base"]
    assert {(finding.rule, finding.severity) for finding in reported} >= {
        ("image/uncovered-checksum", Severity.NOTE),
        ("image/outside-memory", Severity.NOTE),
    }
    data = hex_file({0: bytes(2)})
    (found_table,) = of_rule(findings(PLAIN, data, data), "image/missing-table")
    assert found_table.severity is Severity.NOTE


def test_a_base_that_lacks_bytes_of_the_image_is_reported() -> None:
    (finding,) = of_rule(findings(PLAIN, image(), hex_file({0: bytes(62)})), "image/missing-base")
    assert "lacks 2 bytes of the image" in finding.message
    (finding,) = of_rule(findings(PLAIN, image(), RECORDS[:-4]), "image/missing-base")
    assert "base.bin is damaged: line 5" in finding.message


@pytest.mark.parametrize(
    ("size", "message"),
    [
        (
            54,
            "the image is truncated: it has 54 bytes, but the memory has 64 (10 bytes missing); "
            "it lacks 5 tables: one, two, three and 2 more",
        ),
        (
            57,
            "the image is truncated: it has 57 bytes, but the memory has 64 (7 bytes missing); "
            "it lacks 4 tables: two, three, four and 1 more",
        ),
        (
            58,
            "the image is truncated: it has 58 bytes, but the memory has 64 (6 bytes missing); "
            "it lacks 3 tables: three, four, five",
        ),
        (
            63,
            "the image is truncated: it has 63 bytes, but the memory has 64 (1 byte missing); "
            "it lacks 1 table: five",
        ),
        (65, "the image is too long: it has 65 bytes, but the memory has 64 (1 byte too many)"),
        (0, "the image is empty"),
    ],
)
def test_an_image_of_the_wrong_size_names_what_it_lacks(size: int, message: str) -> None:
    names = ("one", "two", "three", "four", "five")
    xml = definition_xml("".join(table("scalar", name, at=54 + 2 * n) for n, name in enumerate(names)))
    (finding,) = of_rule(findings(xml, bytes(size)), "image/wrong-size")
    assert finding.message == message


@pytest.mark.parametrize(
    ("end", "messages"),
    [
        (3, ["fuel lies in a gap: the image lacks its cell"]),
        (
            5,
            [
                "fuel lies in a gap: the image lacks its cell",
                "pair lies in a gap: the image lacks 1 of its 2 cells",
                "mark lies in a gap: the image lacks 3 of its 4 bytes",
            ],
        ),
        (
            0,
            [
                "fuel lies in a gap: the image lacks its cell",
                "pair lies in a gap: the image lacks its cells",
                "mark lies in a gap: the image lacks its bytes",
            ],
        ),
    ],
)
def test_cells_in_a_gap_are_reported_one_by_one(end: int, messages: list[str]) -> None:
    xml = definition_xml(
        table("scalar", "fuel", at=8)
        + table("curve", "pair", '<x axis="two"/>', at=2, type="uint16")
        + '<text name="mark" title="Mark" at="4" length="4" encoding="latin-1" purpose="general"/>',
        axes='<fixed-axis name="two" signal="speed" values="1 2"/>',
    )
    data = hex_file({0: bytes(end), 12: b"x"}) if end != 3 else hex_file({0: bytes(8), 12: b"x"})
    assert [finding.message for finding in of_rule(findings(xml, data), "image/missing-table")] == messages


def test_cells_in_a_gap_are_taken_for_nothing() -> None:
    xml = definition_xml(
        table("scalar", "idle_fuel", '<limits min="1"/>', at=0)
        + table("scalar", "full_fuel", '<limits min="1"/>', at=62)
    )
    reported = findings(xml, hex_file({0: bytes(2)}))
    assert [item.table for item in of_rule(reported, "value/out-of-range")] == ["idle_fuel"]
