"""Intel HEX and S-records against their published descriptions, and against two other readers.

The forms and the rules for addresses are those of Intel's "Hexadecimal Object File Format Specification",
Revision A, January 6, 1988, and of the appendix on S-records in Motorola's "M68000 Family Programmer's
Reference Manual", whose example is below, both quoted from memory. The readers are intelhex and bincopy.
"""

from __future__ import annotations

import io
from collections.abc import Mapping

import bincopy
import pytest
from hypothesis import given
from hypothesis import strategies as st
from intelhex import IntelHex

from callint.model.image import Image, Segment
from callint.reading.records import RecordFormat, kind_of, read_records, rewritten
from tests.building import hex_file, hex_record, s_file, s_record, text_of
from tests.example_counts import examples

#: The example of the Programmer's Reference Manual: a header ("HDR"), 68 bytes of a program, and the end.
MOTOROLA = b"""\
S00600004844521B
S1130000285F245F2212226A000424290008237C2A
S11300100002000800082629001853812341001813
S113002041E900084E42234300182342000824A952
S107003000144ED492
S9030000FC
"""
MOTOROLA_DATA = bytes.fromhex(
    "285F245F2212226A000424290008237C0002000800082629001853812341001841E900084E42234300182342000824A900144ED4"
)


def read(text: bytes) -> dict[int, bytes]:
    """What callint reads, by first address."""
    kind = kind_of(text)
    assert kind is not None
    return {segment.start: segment.data for segment in read_records(text, kind).segments}


def read_by_bincopy(text: bytes) -> dict[int, bytes]:
    result = bincopy.BinFile()
    result.add(text.decode())
    return {segment.address: bytes(segment.data) for segment in result.segments}


def read_by_intelhex(text: bytes) -> dict[int, bytes]:
    result = IntelHex()
    result.loadhex(io.StringIO(text.decode()))
    segments = result.segments()
    return {start: bytes(result.tobinarray(start, end - 1)) for start, end in segments}


# The published descriptions


def test_the_example_of_the_m68000_manual() -> None:
    assert kind_of(MOTOROLA) is RecordFormat.SREC
    assert read(MOTOROLA) == {0: MOTOROLA_DATA}
    assert read_by_bincopy(MOTOROLA) == {0: MOTOROLA_DATA}


def test_the_example_of_the_manual_page_ends_with_its_count() -> None:
    # srec_motorola(5), from memory: an S5 record has the number of S1, S2 and S3 records before it, which are
    # four in its example; that is the example of the manual.
    counted = MOTOROLA.replace(b"S9030000FC\n", b"S5030004F8\n")
    assert s_record(5, 4) == "S5030004F8"
    assert read(counted) == read(counted.lower()) == {0: MOTOROLA_DATA}
    assert read_by_bincopy(counted) == {0: MOTOROLA_DATA}
    with pytest.raises(ValueError, match="line 6: it counts 5 records with data, but there are 4"):
        read(counted.replace(b"S5030004F8", b"S5030005F7"))


def test_the_sum_in_an_s_record_is_the_ones_complement_of_all_pairs_after_the_type() -> None:
    # "The least significant byte of the one's complement of the sum of the values represented by the pairs of
    # characters making up the record length, address, and the code/data fields."
    assert s_record(0, 0, b"HDR") == "S00600004844521B"
    assert s_record(9) == "S9030000FC"


def test_addresses_of_s_records_have_two_three_or_four_bytes_by_their_type() -> None:
    for type_, address in ((1, 0x1234), (2, 0x123456), (3, 0x12345678)):
        assert read(text_of(s_record(type_, address, b"\1\2"), s_record(10 - type_))) == {address: b"\1\2"}


def test_the_end_record_of_the_1988_specification_is_static() -> None:
    # "Since all the fields are static, the checksum can also be calculated statically, and the value is
    # 0FFH."
    assert hex_record(1) == ":00000001FF"


def test_the_sum_of_all_pairs_of_a_hex_record_is_zero() -> None:
    line = hex_record(0, 0x0010, b"address gap")
    assert line == ":0B0010006164647265737320676170A7"
    assert sum(bytes.fromhex(line[1:])) & 0xFF == 0


def test_a_segment_base_is_sixteen_times_its_record() -> None:
    # Bits 4 to 19 of the segment base address: 0x1200 is added as 0x12000.
    assert hex_record(2, 0, b"\x12\x00") == ":020000021200EA"
    text = text_of(":020000021200EA", hex_record(0, 0x0034, b"\1"), hex_record(3, 0, bytes(4)), hex_record(1))
    assert read(text) == {0x12034: b"\1"}
    assert read_by_bincopy(text) == read_by_intelhex(text) == read(text)


def test_a_linear_base_is_the_upper_half_of_the_address() -> None:
    # Bits 16 to 31 of the linear base address; 0xFFFF and an offset of 0xFFFF reach the last of 4 GiB.
    assert hex_record(4, 0, b"\xff\xff") == ":02000004FFFFFC"
    text = text_of(
        ":02000004FFFFFC", hex_record(0, 0xFFFF, b"\1"), ":04000005000000CD2A", hex_record(1), end="\r\n"
    )
    assert read(text) == {0xFFFFFFFF: b"\1"}
    assert read_by_bincopy(text) == read_by_intelhex(text) == read(text)


def test_a_base_counts_until_the_next_one() -> None:
    # "The record remains in effect until the next Extended Linear Address Record".
    text = text_of(
        hex_record(0, 0x10, b"\0"),
        hex_record(4, 0, b"\0\1"),
        hex_record(0, 0x10, b"\1"),
        hex_record(0, 0x20, b"\2"),
        hex_record(4, 0, b"\0\0"),
        hex_record(0, 0x20, b"\3"),
        hex_record(1),
    )
    assert read(text) == {0x10: b"\0", 0x20: b"\3", 0x10010: b"\1", 0x10020: b"\2"}


def test_linear_data_go_on_over_64_kib_and_segmented_data_would_begin_again() -> None:
    # Linear: byte address = (LBA + DRLO + DRI) MOD 4G. Segmented: SBA + ([DRLO + DRI] MOD 64K), which the
    # readers do differently, so that callint takes no such record.
    linear = text_of(hex_record(4, 0, b"\0\1"), hex_record(0, 0xFFFF, b"\1\2"), hex_record(1))
    assert read(linear) == read_by_bincopy(linear) == read_by_intelhex(linear) == {0x1FFFF: b"\1\2"}
    segmented = text_of(hex_record(2, 0, b"\x10\0"), hex_record(0, 0xFFFF, b"\1\2"), hex_record(1))
    with pytest.raises(ValueError, match="line 2: its data run over the end of the 64 KiB"):
        read(segmented)


# Against the other readers

_ADDRESSES = st.one_of(
    st.integers(0, 0x3000), st.integers(0xFF00, 0x10100), st.integers(0x7FFF0000, 0xFFFFFE00)
)


@st.composite
def _parts(draw: st.DrawFn, below: int = 1 << 32) -> dict[int, bytes]:
    """Ranges of bytes, by first address, with a gap between any two."""
    actual: dict[int, bytes] = {}
    reach = -1
    for start in sorted(
        draw(st.sets(_ADDRESSES.filter(lambda at: at < below - 200), min_size=1, max_size=6))
    ):
        if start > reach:
            actual[start] = draw(st.binary(min_size=1, max_size=100))
            reach = start + len(actual[start])
    return actual


def made_by_bincopy(parts: Mapping[int, bytes], what: str, size: int, bits: int = 32) -> bytes:
    file = bincopy.BinFile()
    for start, data in parts.items():
        file.add_binary(data, start)
    file.execution_start_address = 0x100
    file.header = "yard"
    # The start address comes as a record of type 05, and says that a HEX file is linear from its first line
    # on.
    text: str = file.as_ihex(size, bits) if what == "hex" else file.as_srec(size, bits)
    return text.encode()


def made_by_intelhex(parts: Mapping[int, bytes], size: int) -> bytes:
    file, stream = IntelHex(), io.StringIO()
    for start, data in parts.items():
        file.frombytes(data, start)
    file.write_hex_file(stream, byte_count=size)
    return stream.getvalue().encode()


@given(_parts(), st.integers(1, 40))
def test_hex_files_read_the_same_by_three_readers(parts: dict[int, bytes], size: int) -> None:
    for text in (made_by_intelhex(parts, size), made_by_bincopy(parts, "hex", size), hex_file(parts, size)):
        assert read(text) == parts
        assert read_by_bincopy(text) == parts
        assert read_by_intelhex(text) == parts


_NOTES = st.text(st.characters(min_codepoint=32, max_codepoint=0xFF, exclude_categories=["Cc"]), max_size=20)


@given(_parts(), st.sampled_from(["hex", "srec"]), st.lists(_NOTES, max_size=6), st.data())
def test_records_with_comments_read_as_the_readers_read_them_without(
    parts: dict[int, bytes], what: str, notes: list[str], draw: st.DataObject
) -> None:
    text = made_by_bincopy(parts, what, 20)
    lines = text.decode().splitlines()
    if draw.draw(st.booleans(), "lower case"):
        lines = [line.lower() for line in lines]
    for note in notes:
        place = draw.draw(st.integers(0, len(lines) - 1))
        lines[place:place] = [f"{draw.draw(st.sampled_from([';', '#', '//', ' ; ']))}{note}"]
    messy = "\r\n".join(lines).encode("utf-8-sig") + b"\r\n" + b"\x1a" * draw.draw(st.integers(0, 3))
    assert read(messy) == read_by_bincopy(text) == parts


@given(_parts(below=1 << 20))
@examples(40)
def test_segmented_hex_files_read_the_same_by_three_readers(parts: dict[int, bytes]) -> None:
    # Records of one byte, as bincopy lets longer ones run over the end of their segment.
    text = made_by_bincopy(parts, "hex", 1, bits=24)
    assert b":0400000300000100F8" in text
    assert read(text) == read_by_bincopy(text) == read_by_intelhex(text) == parts


@given(st.data(), st.integers(1, 40), st.sampled_from([16, 24, 32]))
@examples(40)
def test_s_records_read_the_same_by_two_readers(draw: st.DataObject, size: int, bits: int) -> None:
    parts = draw.draw(_parts(below=1 << bits))
    for text in (made_by_bincopy(parts, "srec", size, bits), s_file(parts, bits // 8 - 1, size)):
        assert read(text) == parts
        assert read_by_bincopy(text) == parts


@given(_parts(), st.integers(1, 40), st.sampled_from(["hex", "srec"]), st.data())
def test_rewritten_records_read_as_meant_and_differ_only_in_changed_data(
    parts: dict[int, bytes], size: int, what: str, draw: st.DataObject
) -> None:
    text = made_by_bincopy(parts, what, size)
    if draw.draw(st.booleans(), "lower case"):
        text = text.lower().replace(b"s", b"S")
    if draw.draw(st.booleans(), "CRLF"):
        text = text.replace(b"\n", b"\r\n")
    kind = kind_of(text)
    assert kind is not None
    records = read_records(text, kind)
    old = Image(records.segments)
    changed = draw.draw(st.sets(st.integers(0, old.size - 1), max_size=4))
    content = bytearray(old.content.tobytes())
    for place in changed:
        content[place] ^= draw.draw(st.integers(1, 255))
    segments, start = [], 0
    for segment in old.segments:
        segments.append(Segment(segment.start, bytes(content[start : start + len(segment.data)])))
        start += len(segment.data)
    new = rewritten(text, records, old, Image(tuple(segments)))
    wanted = {segment.start: segment.data for segment in segments}
    assert read_by_bincopy(new) == wanted
    if what == "hex":
        assert read_by_intelhex(new) == wanted
    before, after = text.splitlines(keepends=True), new.splitlines(keepends=True)
    assert [len(line) for line in before] == [len(line) for line in after]
    differing = sum(item != other for item, other in zip(before, after, strict=True))
    assert differing <= len(changed)
    assert (differing > 0) == bool(changed)
    assert new == new.lower().replace(b"s", b"S") or text != text.lower().replace(b"s", b"S")
