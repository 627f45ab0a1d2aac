"""What differs and reads alike is told apart: minus zero, numbers that are none, padding, very large numbers.

The bits of numbers are those of IEEE 754: binary32 has a sign, 8 bits of exponent and 23 of fraction; 0 and
-0 differ in the sign alone, and what has all bits of the exponent and any of the fraction is no number.
"""

from __future__ import annotations

import csv
import io
import re
import struct
from pathlib import Path
from typing import Any

import pytest

from tests.building import definition_xml
from tests.commands.test_review import reviewed, tables_of
from tests.running import Result, Yard, too_wide, valid

_CONVERSIONS = """
    <linear name="bar" unit="bar" factor="1" decimals="1"/>
    <linear name="whole" unit="m" factor="1"/>
    <linear name="tenth" unit="m" factor="0.1"/>
    <interpolated name="ntc" unit="degC"><point raw="10" physical="140"/>
    <point raw="250" physical="-40"/></interpolated>
"""


class Pair:
    """Two images of one definition, and the reports of their difference."""

    def __init__(self, folder: Path, table: str, old: bytes, new: bytes) -> None:
        self.yard = Yard(folder / "yard")
        self.yard.write("d.xml", definition_xml(table, conversions=_CONVERSIONS, size=max(len(old), 16)))
        self.yard.write("old.bin", old.ljust(16, b"\0"))
        self.yard.write("new.bin", new.ljust(16, b"\0"))

    def diff(self, *more: str) -> Result:
        result = self.yard.call("diff", "old.bin", "new.bin", "--definition", "d.xml", *more)
        assert result.status == 1 and not result.stderr
        return result

    def changes(self) -> Any:
        return valid(self.diff("--format", "json").data, "changes.schema.json")

    def review(self) -> Any:
        return reviewed(self.yard, "old.bin", "new.bin", "--definition", "d.xml")

    def table(self) -> Any:
        return tables_of(self.review())["t"]


def scalar(kind: str, conversion: str) -> str:
    return f'<scalar name="t" title="T" purpose="general" at="0" type="{kind}" conversion="{conversion}"/>'


def curve(kind: str, conversion: str) -> str:
    return (
        f'<curve name="t" title="T" purpose="general" at="0" type="{kind}" conversion="{conversion}">'
        '<x><fixed-axis signal="speed" values="1 2"/></x></curve>'
    )


ZERO, MINUS_ZERO = bytes(4), bytes.fromhex("80000000")
QUIET, OTHER = bytes.fromhex("7FC00000"), bytes.fromhex("FFC00001")


def test_zero_that_became_minus_zero_is_reported(tmp_path: Path) -> None:
    pair = Pair(tmp_path, scalar("float32", "bar"), ZERO, MINUS_ZERO)
    assert "0.0 (0x00000000) → -0.0 (0x80000000) bar" in pair.diff().flat
    assert "0.0 (0x00000000) → -0.0 (0x80000000) bar" in pair.diff("--stat").flat
    assert "(+0" not in pair.diff().flat
    (cell,) = pair.changes()["tables"][0]["cells"]
    assert (cell["old_bits"], cell["new_bits"]) == ("0x00000000", "0x80000000")
    table = pair.table()
    assert (table["old"], table["new"]) == (["0.0 (0x00000000)"], ["-0.0 (0x80000000)"])
    assert (table["old_raw"], table["new_raw"], table["difference"]) == ([0.0], ["-0"], [""])


def test_values_that_are_not_numbers_are_distinguished_by_their_bits(tmp_path: Path) -> None:
    pair = Pair(tmp_path, scalar("float32", "bar"), QUIET, OTHER)
    assert "not a number (0x7FC00000) → not a number (0xFFC00001)" in pair.diff().flat
    (cell,) = pair.changes()["tables"][0]["cells"]
    assert (cell["old_raw"], cell["new_raw"]) == ("nan", "nan")
    assert (cell["old_bits"], cell["new_bits"]) == ("0x7FC00000", "0xFFC00001")
    assert (pair.table()["old_raw"], pair.table()["new_raw"]) == (["0x7FC00000"], ["0xFFC00001"])


def test_a_grid_distinguishes_them_too(tmp_path: Path) -> None:
    pair = Pair(tmp_path, curve("float32", "bar"), ZERO + QUIET, MINUS_ZERO + OTHER)
    assert " 0 (0x00000000) → -0 (0x80000000) " in pair.diff().flat
    assert " not a number (0x7FC00000) → not a number (0xFFC00001) " in pair.diff().flat
    assert too_wide(pair.diff().stdout) == []


def test_numbers_that_differ_have_no_bits_in_the_document(tmp_path: Path) -> None:
    pair = Pair(tmp_path, scalar("float32", "bar"), ZERO, struct.pack(">f", 1))
    (cell,) = pair.changes()["tables"][0]["cells"]
    assert not {"old_bits", "new_bits"} & set(cell)


def test_raw_numbers_that_a_conversion_holds_at_its_end_are_distinguished(tmp_path: Path) -> None:
    pair = Pair(tmp_path, scalar("uint8", "ntc"), b"\x00", b"\x05")
    assert "140 (0x00) → 140 (0x05) °C" in pair.diff().flat
    assert (pair.table()["old"], pair.table()["new"]) == (["140 (0x00)"], ["140 (0x05)"])


def test_breakpoints_that_look_alike_are_distinguished(tmp_path: Path) -> None:
    table = (
        '<curve name="t" title="T" purpose="general" at="12" type="uint8">'
        '<x><axis signal="speed" at="0" type="float32" count="2" conversion="bar"/></x></curve>'
    )
    pair = Pair(tmp_path, table, ZERO + QUIET, MINUS_ZERO + OTHER)
    assert "0 (0x00000000) → -0 (0x80000000)" in pair.diff().flat
    assert "(0x7FC00000) → not a number (0xFFC00001)" in pair.diff().flat
    first, second = pair.changes()["axes"][0]["breakpoints"]
    assert (first["old_bits"], first["new_bits"]) == ("0x00000000", "0x80000000")
    assert (second["old_bits"], second["new_bits"]) == ("0x7FC00000", "0xFFC00001")


# Texts


TEXT = '<text name="t" title="T" purpose="protection" at="0" length="8"/>'


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b"ABC\0\0\0\0\0", b"ABC     ", "bytes 00 00 00 00 00 → 20 20 20 20 20"),
        (b"ABC \0\0\0\0", b"ABC  \0\0\0", "bytes 00 → 20"),
        (b"ABC\xff\xff\xff\xff\xff", b"ABC\xff\xff\xff\xff\0", "bytes FF → 00"),
        (b"A\x80C", b"A\x81C", "bytes 80 → 81"),
    ],
)
def test_the_difference_of_texts_that_look_alike_is_reported(
    tmp_path: Path, old: bytes, new: bytes, message: str
) -> None:
    pair = Pair(tmp_path, TEXT, old, new)
    assert f"they read alike; {message}" in pair.diff().flat
    (text,) = pair.changes()["texts"]
    assert text["old"] == text["new"]
    assert text["old_bytes"] == old.ljust(8, b"\0").hex() and text["new_bytes"] == new.ljust(8, b"\0").hex()
    image = pair.review()["images"][0]
    assert image["texts"][0]["old_bytes"] == old.ljust(8, b"\0").hex()
    became = message.replace("→", "became")
    assert any(f"they read alike; {became}" in sentence["text"] for sentence in image["sentences"])


def test_texts_that_differ_say_no_more_than_before(tmp_path: Path) -> None:
    pair = Pair(tmp_path, TEXT, b"ABC\0", b"ABD ")
    assert 'text t: "ABC" → "ABD"' in pair.diff().flat and "alike" not in pair.diff().flat
    assert set(pair.changes()["texts"][0]) == {"name", "old", "new"}


def test_the_first_bytes_of_long_padding_are_shown(tmp_path: Path) -> None:
    text = '<text name="t" title="T" purpose="general" at="0" length="16"/>'
    pair = Pair(tmp_path, text, b"A" + bytes(15), b"A" + b" " * 15)
    assert "bytes 00 00 00 00 00 00 00 00 ... → 20 20 20 20 20 20 20 20 ..." in pair.diff().flat


# Large numbers


def test_whole_numbers_of_64_bits_have_all_their_digits(tmp_path: Path) -> None:
    """2**53 + 1 is the first whole number that no double holds."""
    old, new = struct.pack(">QQ", 2**53, 2**64 - 2), struct.pack(">QQ", 2**53 + 1, 2**64 - 1)
    pair = Pair(tmp_path, curve("uint64", "whole"), old, new)
    assert "9007199254740992 → 9007199254740993" in pair.diff().flat
    assert "18446744073709551614 → 18446744073709551615" in pair.diff().flat
    table = pair.table()
    assert (table["old"], table["new"]) == (
        ["9007199254740992", "18446744073709551614"],
        ["9007199254740993", "18446744073709551615"],
    )
    assert table["difference"] == ["+1", "+1"]
    shown = pair.yard.call("show", "new.bin", "--definition", "d.xml", "--format", "csv").stdout
    rows = [row for row in csv.DictReader(io.StringIO(shown)) if row["table"] == "t"]
    assert [row["value"] for row in rows] == ["9007199254740993", "18446744073709551615"]


def test_a_step_of_such_numbers_is_exact(tmp_path: Path) -> None:
    pair = Pair(tmp_path, scalar("uint64", "tenth"), struct.pack(">Q", 2**53), struct.pack(">Q", 2**53 + 1))
    assert "900719925474099.2 → 900719925474099.3 m (+0.1" in pair.diff().flat


@pytest.mark.parametrize(
    ("number", "text"),
    [(1e300, "1e300"), (-2.5e17, "-2.5e17"), (1e16, "1e16"), (9.9e15, "9900000000000000.0")],
)
def test_a_very_large_number_has_an_exponent(tmp_path: Path, number: float, text: str) -> None:
    pair = Pair(tmp_path, scalar("float64", "bar"), bytes(8), struct.pack(">d", number))
    assert re.search(rf" 0(\.0)? → {re.escape(text)} bar ", pair.diff().flat)
    assert pair.table()["new"] == [text]
    assert max(map(len, pair.diff().lines)) <= 80


def test_large_numbers_close_to_each_other_are_distinguished(tmp_path: Path) -> None:
    old, new = struct.pack(">d", 1e300), struct.pack(">d", 1.0000000000000002e300)
    pair = Pair(tmp_path, scalar("float64", "bar"), old, new)
    assert "1e300 → 1.0000000000000002e300 bar" in pair.diff().flat


def test_the_smallest_number_is_distinguished_from_zero(tmp_path: Path) -> None:
    """The least positive binary64 is 2**-1074, 4.9e-324."""
    pair = Pair(tmp_path, scalar("float64", "bar"), bytes(8), struct.pack(">Q", 1))
    assert "0 → 4.94065645841e-324 bar" in pair.diff().flat
