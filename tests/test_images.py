"""Image files into images: their formats, and the faults of their records with places."""

from __future__ import annotations

import os
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from callint.decoding.digest import image_digest
from callint.model.image import Image, Segment
from callint.reading.images import DamagedError, read_image, read_image_file
from callint.reading.records import MAX_STRETCHES, MAX_TEXT, MOST_DAMAGES, RecordFormat, kind_of, read_records
from tests.building import definition_xml, hex_file, hex_record, image, read, s_file, s_record, text_of

MEMORY = read(definition_xml("", start=0x100, size=64)).memory
PARTS = {0x100: bytes(range(20)), 0x130: b"\xaa\xbb"}
HEX = hex_file(PARTS)
SREC = s_file(PARTS, 1)
END = hex_record(1)


def damages(text: bytes) -> list[tuple[int, str]]:
    """Line and words of everything that is wrong with a file of records."""
    kind = kind_of(text)
    assert kind is not None
    with pytest.raises(DamagedError) as error:
        read_records(text, kind)
    return [(item.line, item.message) for item in error.value.damages]


# What a file is


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_records_are_recognised_with_every_line_end(end: str) -> None:
    text = HEX.replace(b"\n", end.encode())
    assert kind_of(text) is RecordFormat.HEX
    assert read_image(text, MEMORY).extents == ((0x100, 0x114), (0x130, 0x132))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b":",
        b"S",
        b":\n",
        b"S1\n",
        b":10" + bytes(30),
        b":00000001FF" + bytes(30),
        b":00000001FF\n" + bytes(30) + b"\n" + bytes(range(1, 9)) + b"\n\xff\xff",
        b"S9030000FC" + b"\xff" * 100_000,
        b"Some text that begins like nothing\nand goes on\n",
        b":" + b"0" * 200_000,
    ],
)
def test_a_raw_image_may_begin_as_records_do(data: bytes) -> None:
    assert kind_of(data) is None
    assert read_image(data, MEMORY).content.tobytes() == data


@given(st.binary(max_size=300), st.sampled_from([b"", b":", b"S1", b"S3", b":00000001"]))
@example(bytes(20), b":00000001FF")
def test_bytes_at_random_are_raw(data: bytes, front: bytes) -> None:
    assert kind_of(front + b"\0" + data) is None


def test_damage_does_not_make_a_file_raw() -> None:
    lines = HEX.splitlines(keepends=True)
    assert kind_of(b"".join([b":broken\n", *lines])) is RecordFormat.HEX
    assert kind_of(b"".join([b"\n", b":10\n", *lines[1:]])) is RecordFormat.HEX
    assert kind_of(HEX[:60]) is RecordFormat.HEX


# Where a raw image begins


def test_a_raw_image_begins_at_the_memory_or_where_the_policy_says() -> None:
    assert read_image(b"abc", MEMORY).extents == ((0x100, 0x103),)
    assert read_image(b"abc", MEMORY, 0x120).extents == ((0x120, 0x123),)
    assert read_image(b"abc", MEMORY, 0x120).is_part
    # Records say it themselves, and a file of the memory's size is all of it.
    assert read_image(HEX, MEMORY, 0x120).extents == ((0x100, 0x114), (0x130, 0x132))
    assert read_image(image(64), MEMORY, 0x120).extents == ((0x100, 0x140),)
    assert not read_image(image(64), MEMORY, 0x120).is_part


def test_the_digest_of_a_part_covers_its_addresses_but_that_of_a_whole_image_does_not() -> None:
    here, there = (image_digest(Image.raw(b"abc", start, is_part=True)) for start in (0x100, 0x120))
    whole = image_digest(Image.raw(b"abc", 0x100))
    assert len({here, there, whole}) == 3
    assert here == image_digest(Image.raw(b"abc", 0x100, is_part=True))
    # FIPS 180-2, appendix B.1: the SHA-256 of "abc".
    assert whole == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


# What is wrong, and where

S1 = s_record(1, 0x100, b"\1\2")


@pytest.mark.parametrize(
    ("lines", "line", "message"),
    [
        # Checksums
        ([hex_record(0, 0, b"\1")[:-2] + "00", END], 1, "its checksum is 0x00, but its bytes give 0xFE"),
        ([S1, S1[:-2] + "00", "S9030000FC"], 2, r"its checksum is 0x00, but its bytes give 0xF6"),
        # Lengths
        (["", ":0200000001FD", END], 2, "it announces 2 bytes of data, but has 1"),
        ([":000000000100", END], 1, "it announces 0 bytes of data, but has 1"),
        ([hex_record(0, 0, b"\1") + "0", END], 1, "an odd number of digits"),
        ([hex_record(0, 0, b"\1"), ":0000", END], 2, "too short"),
        ([S1, "S1060100010200", "S9030000FC"], 2, "it announces 6 bytes behind its length, but has 5"),
        ([S1, "S3040001FA", "S9030000FC"], 2, "too short"),
        ([S1, "S1", "S9030000FC"], 2, "too short"),
        ([hex_record(4, 0, b"\1"), END], 1, "a record of type 04 has 2 bytes of data, but this one has 1"),
        ([hex_record(5, 0, b"\1\2"), END], 1, "type 05 has 4 bytes"),
        ([hex_record(0, 0, b"\1"), hex_record(1, 0, b"\1"), END], 2, "type 01 has 0 bytes"),
        ([S1, s_record(9, 0, b"\1"), s_record(9)], 2, "S9 has 0 bytes of data"),
        # Types
        ([hex_record(6, 0, b"\1"), END], 1, "no record type 06"),
        ([S1, s_record(4, 0, b"\1"), s_record(9)], 2, "there are no S4 records"),
        # Junk
        ([hex_record(0, 0, b"\1"), "by hand", END], 2, "it is not a valid Intel HEX record"),
        ([hex_record(0, 0, b"\1"), ";\x1b[31m", END], 2, "it is not a valid Intel HEX record"),
        (["; by hand", "", hex_record(0, 0, b"\1")[:-2] + "00 ; ?", END], 3, "its checksum is 0x00"),
        ([hex_record(0, 0, b"\1"), "\x1a", END], 2, "it is not a valid Intel HEX record"),
        ([hex_record(0, 0, b"\1"), ":0G000001FF", END], 2, "it is not a valid Intel HEX record"),
        (
            [hex_record(0, 0, b"\1"), hex_record(0, 1, b"\1"), S1, END],
            3,
            "it is not a valid Intel HEX record",
        ),
        ([S1, s_record(1), "\x1b[31mS9030000FC", s_record(9)], 3, "it is not a valid S-record"),
        ([S1, S1, S1, hex_record(0, 0, b"\1"), s_record(9)], 4, "it is not a valid S-record"),
        # Ends
        ([hex_record(0, 0, b"\1")], 1, r"ends without an end record \(:00000001FF\)"),
        ([s_record(0), S1, "", ""], 4, r"ends without an end record \(S7, S8 or S9\)"),
        ([s_record(0), S1, "", "\x1a"], 3, r"ends without an end record \(S7, S8 or S9\)"),
        # A count in the middle does not say that the end is there.
        ([S1, s_record(5, 1), S1], 3, r"ends without an end record \(S7, S8 or S9\)"),
        ([hex_record(0, 0, b"\1"), END, hex_record(0, 1, b"\1")], 3, "behind the end record in line 2"),
        ([hex_record(0, 0, b"\1"), END, "", END], 4, "behind the end record in line 2"),
        ([S1, s_record(9), S1], 3, "behind the end record in line 2"),
        ([s_record(3, 0, b"\1"), s_record(9)], 2, "S9 does not end S3 records; S7 does"),
        # Numbers
        ([S1, S1, s_record(5, 3), s_record(9)], 3, "it counts 3 records with data, but there are 2"),
        ([S1, s_record(6, 0), s_record(9)], 2, "it counts 0 records with data, but there are 1"),
        # Contradictions
        (
            [hex_record(0, 0, b"\1\2\3"), "", hex_record(0, 2, b"\4"), END],
            3,
            "it has 0x04 at 0x2, where line 1 has 0x03",
        ),
        ([S1, s_record(1, 0xFF, b"\0\0"), s_record(9)], 2, "it has 0x00 at 0x100, where line 1 has 0x01"),
        (
            [hex_record(2, 0, b"\x10\0"), hex_record(4, 0, b"\0\1"), END],
            2,
            r"types 02 and 04\) are mixed",
        ),
        # Ends of what can be addressed
        ([hex_record(0, 0xFFFF, b"\1\2"), END], 1, "over the end of the 64 KiB"),
        (
            [hex_record(4, 0, b"\xff\xff"), hex_record(0, 0xFFFF, b"\1\2"), END],
            2,
            "over the end of what 32 bits address",
        ),
        ([s_record(1, 0xFFFF, b"\1\2"), s_record(9)], 1, "over the end of what 16 bits address"),
        ([s_record(3, 0xFFFFFFFF, b"\1\2"), s_record(7)], 1, "over the end of what 32 bits address"),
    ],
)
def test_a_wrong_line_is_reported_with_its_number(lines: list[str], line: int, message: str) -> None:
    for end in ("\n", "\r\n"):
        ((result, said),) = damages(text_of(*lines, end=end))
        assert result == line
        assert re.search(message, said)


def test_a_file_that_was_cut_off_within_a_record_lacks_its_end_too() -> None:
    assert [line for line, _ in damages(HEX[:70])] == [3, 3]


def test_every_wrong_line_is_reported_up_to_a_bound() -> None:
    good = hex_record(0, 0, b"\1")
    three = damages(text_of(good, good, good, good, "x", good, "y", END, "z"))
    assert [line for line, _ in three] == [5, 7, 9]
    many = damages(text_of(*[good] * 100, *["x"] * 100_000))
    assert len(many) == MOST_DAMAGES + 1
    assert many[-1][0] == 100 + MOST_DAMAGES + 1
    assert "callint reports no further damaged lines" in many[-1][1]


def test_lines_are_counted_through_a_long_file() -> None:
    lines = [hex_record(0, 16 * number, bytes(16)) for number in range(4000)]
    lines[3210] = lines[3210][:-2] + "00"
    ((line, _),) = damages(text_of(*lines, END))
    assert line == 3211


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_later_linear_record_determines_the_meaning_of_the_earlier_ones(end: str) -> None:
    across = hex_record(0, 0xFFFF, b"\1\2")
    text = text_of(across, hex_record(5, 0, bytes(4)), END, end=end)
    assert read_records(text, RecordFormat.HEX).segments == (Segment(0xFFFF, b"\1\2"),)
    assert "64 KiB" in damages(text_of(across, hex_record(3, 0, bytes(4)), END, end=end))[0][1]


def test_repeated_equal_data_is_not_a_contradiction() -> None:
    text = text_of(hex_record(0, 4, b"\1\2\3"), hex_record(0, 2, b"\0\0\1\2"), hex_record(0, 20, b"x"), END)
    assert read_records(text, RecordFormat.HEX).segments == (Segment(2, b"\0\0\1\2\3"), Segment(20, b"x"))


def test_records_may_come_in_any_order() -> None:
    lines = [hex_record(0, at, bytes([at, at + 1])) for at in (8, 2, 0, 20, 4, 6)]
    result = read_records(text_of(*lines, END), RecordFormat.HEX).segments
    assert result == (Segment(0, bytes(range(10))), Segment(20, bytes([20, 21])))


def test_gaps_cost_nothing_and_very_many_are_refused() -> None:
    far = hex_file({0: b"\1", 0xFFFFFFFF: b"\2"})
    assert read_image(far, MEMORY).size == 2
    lines = [s_record(3, 2 * number, b"\1") for number in range(MAX_STRETCHES + 1)]
    assert read_records(text_of(*lines[:-1], s_record(7)), RecordFormat.SREC)
    ((line, message),) = damages(text_of(*lines, s_record(7)))
    assert line == MAX_STRETCHES + 1
    assert "4,097 stretches" in message


def test_a_text_that_is_too_large_is_refused_unread() -> None:
    ((line, message),) = damages(HEX + b"\n" * MAX_TEXT)
    assert (line, message) == (1, "the file is larger than 64 MiB, the most that callint reads")


_LINES = st.one_of(
    st.sampled_from([*HEX.decode().splitlines(), *SREC.decode().splitlines()]),
    st.from_regex(r"\A(:|S[0-9])[0-9A-Fa-f]{0,24}\Z"),
    st.builds(hex_record, st.integers(0, 7), st.integers(0, 0xFFFF), st.binary(max_size=5)),
    st.builds(s_record, st.integers(0, 9), st.integers(0, 0xFFFF), st.binary(max_size=5)),
    st.text(max_size=8),
)


@given(st.lists(_LINES, max_size=12), st.sampled_from(["\n", "\r\n", "\r"]))
def test_lines_of_any_kind_make_an_image_or_are_reported(lines: list[str], end: str) -> None:
    data = end.join(lines).encode("utf-8", "surrogatepass")
    try:
        result = read_image(data, MEMORY)
    except DamagedError as error:
        count = len(data.splitlines())
        assert all(1 <= item.line <= count and item.message for item in error.damages)
    else:
        assert all(
            item.end < other.start for item, other in zip(result.segments, result.segments[1:], strict=False)
        )


# More than the formats have, as people keep it


def kept_by_people(text: bytes) -> bytes:
    """A file of records with all that people and editors add to it, at most one addition per line."""
    lines = text.lower().splitlines()
    lines[0] += b"  ; from the yard's programmer"
    lines[2:2] = [b"# Heron \xe4 2026", b"  // :00000001FF", b""]
    return b"\xef\xbb\xbf; main maps\r\n" + b"\r\n".join(lines) + b"\r\n\x1a\x1a\x1a"


@pytest.mark.parametrize("text", [HEX, SREC], ids=["HEX", "S-records"])
def test_comments_lower_case_a_byte_order_mark_and_ctrl_z_are_read_over_and_kept(text: bytes) -> None:
    messy = kept_by_people(text)
    plain, file = read_image_file(text, MEMORY), read_image_file(messy, MEMORY)
    assert kind_of(messy) is kind_of(text)
    assert file.image == plain.image
    other = with_bytes(plain.image, 0x100, b"\xf7")
    new = file.with_content(other)
    assert read_image_file(new, MEMORY).image == other
    before, after = messy.splitlines(keepends=True), new.splitlines(keepends=True)
    (changed,) = [number for number in range(len(before)) if before[number] != after[number]]
    assert len(before[changed]) == len(after[changed])
    assert after[changed] == after[changed].lower()
    assert file.with_content(file.image) == messy


def test_many_comments_before_the_records_do_not_make_a_file_raw() -> None:
    assert kind_of(b"; Heron, 2026\n" * 500 + HEX) is RecordFormat.HEX
    assert kind_of(b"; Heron, 2026\n" * 500) is None


def test_a_comment_belongs_to_the_frame_of_a_file() -> None:
    commented = HEX.replace(b"\n", b" ; main\n", 1)
    assert read_image_file(commented, MEMORY).frame != read_image_file(HEX, MEMORY).frame


@pytest.mark.parametrize("count", [5, 6])
def test_s_records_end_with_an_end_record_or_with_their_count(count: int) -> None:
    lines = [s_record(0), S1, s_record(1, 0x102, b"\3"), s_record(count, 2)]
    whole = read_records(text_of(*lines, s_record(9)), RecordFormat.SREC)
    assert read_records(text_of(*lines), RecordFormat.SREC).segments == whole.segments
    cut_off = text_of(lines[0], lines[1], lines[3])
    assert [line for line, _ in damages(cut_off)] == [3]


# Written again


def with_bytes(result: Image, at: int, data: bytes) -> Image:
    (segment,) = (segment for segment in result.segments if segment.start <= at < segment.end)
    content = bytearray(segment.data)
    content[at - segment.start : at - segment.start + len(data)] = data
    changed = Segment(segment.start, bytes(content))
    return Image(tuple(changed if item is segment else item for item in result.segments))


def test_only_the_changed_record_and_its_sum_are_rewritten() -> None:
    lines = [
        s_record(0, 0, b"by hand"),
        s_record(2, 0x100, b"\xab\xcd").lower().replace("s", "S"),
        "",
        "  " + s_record(1, 0x102, b"\1\2\3") + "\t",
        s_record(3, 0x105, b"\xef"),
        s_record(5, 3),
        s_record(8, 0x1234),
    ]
    text = text_of(*lines, end="\r\n") + b"\r\n"
    file = read_image_file(text, MEMORY)
    assert file.with_content(file.image) == text
    new = file.with_content(with_bytes(file.image, 0x101, b"\xce\xff"))
    before, after = text.splitlines(keepends=True), new.splitlines(keepends=True)
    assert [number for number in range(len(before)) if before[number] != after[number]] == [1, 3]
    assert after[1].strip() == s_record(2, 0x100, b"\xab\xce").lower().replace("s", "S").encode()
    assert after[3].strip() == s_record(1, 0x102, b"\xff\2\3").encode()
    assert (after[3][:2], after[3][-3:]) == (b"  ", b"\t\r\n")


def test_an_address_that_is_in_two_records_is_written_in_both() -> None:
    text = text_of(hex_record(0, 0, b"\1\2"), hex_record(0, 1, b"\2\3"), END)
    file = read_image_file(text, MEMORY)
    new = file.with_content(with_bytes(file.image, 1, b"\x77"))
    assert new == text_of(hex_record(0, 0, b"\1\x77"), hex_record(0, 1, b"\x77\3"), END)


def test_an_image_with_other_addresses_does_not_go_into_the_file() -> None:
    file = read_image_file(HEX, MEMORY)
    with pytest.raises(ValueError, match="addresses"):
        file.with_content(Image.raw(bytes(22), 0x100))


def test_a_large_image_is_read_and_written_whole() -> None:
    data = os.urandom(1 << 17)
    file = read_image_file(hex_file({0x10000: data[: 1 << 16], 0x20000: data[1 << 16 :]}), MEMORY)
    assert file.image.segments == (Segment(0x10000, data),)
    new = with_bytes(file.image, 0x1FFFF, bytes([data[0xFFFF] ^ 1, data[0x10000] ^ 1]))
    again = read_image_file(file.with_content(new), MEMORY)
    assert again.image.segments == new.segments
    assert again.frame == file.frame
