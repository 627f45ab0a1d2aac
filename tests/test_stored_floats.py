"""Floats of tables without decimals: printed in the shortest decimal that is stored as the same float.

IEEE 754: any binary16 is told from all others by 5 significant decimal digits, any binary32 by 9, and any
binary64 by 17.
"""

from __future__ import annotations

import csv
import io
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from callint import fmt
from callint.decoding.conversions import to_physical, to_raw
from callint.model.definition import PLAIN, ByteOrder, Linear, NumberType, Storage
from tests.building import definition_xml, findings
from tests.commands.test_review import reviewed, tables_of
from tests.running import Yard

HALF, SINGLE, DOUBLE = (
    Storage(type, ByteOrder.BIG, type.size)
    for type in (NumberType.float16, NumberType.float32, NumberType.float64)
)
TABLES = """
    <map name="gain" title="Gain" purpose="general" at="0" type="float32">
      <x><fixed-axis signal="speed" values="800 1600"/></x>
      <y><fixed-axis signal="load" values="10 40"/></y>
      <limits max="0.5"/>
    </map>
    <scalar name="pressure" title="Pressure" purpose="general" at="16" type="float32" conversion="tenth"/>
"""
XML = definition_xml(TABLES, conversions='<linear name="tenth" unit="bar" factor="0.1"/>', size=20)
OLD = struct.pack(">5f", 0.36, 0.35, 1.5, 0.25, 3.6)
NEW = struct.pack(">5f", 0.36, 0.351, 1.5, 0.25, 3.7)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path / "yard")
    yard.write("d.xml", XML)
    yard.write("old.bin", OLD)
    yard.write("new.bin", NEW)
    yard.write("callint.toml", '[[images]]\npaths = ["new.bin"]\ndefinition = "d.xml"\nbase = "old.bin"\n')
    return yard


@given(bits=st.integers(0, 2**32 - 1))
@settings(max_examples=300, deadline=None)
def test_a_printed_float32_is_stored_as_itself_and_no_shorter_decimal_is(bits: int) -> None:
    raw = np.array([bits], np.uint32).view(np.float32)
    if not np.isfinite(raw[0]):
        return
    text = fmt.number(float(raw[0]), PLAIN, SINGLE)
    assert np.float32(text) == raw[0]
    digits = len(text.lstrip("-").partition("e")[0].replace(".", "").strip("0"))
    assert digits <= 9
    if digits > 1:
        assert np.float32(f"{raw[0]:.{digits - 2}e}") != raw[0]


def test_a_printed_float16_is_stored_as_itself_and_no_shorter_decimal_is() -> None:
    for raw in np.arange(0, 0x7C00, 23, dtype=np.uint16).view(np.float16):
        text = fmt.number(float(raw), PLAIN, HALF)
        assert np.float16(text) == raw
        digits = len(text.partition("e")[0].replace(".", "").strip("0"))
        assert digits <= 5
        if digits > 1:
            assert np.float16(f"{raw:.{digits - 2}e}") != raw


@given(
    raw=st.floats(width=32, min_value=-1e6, max_value=1e6), factor=st.sampled_from([0.1, 0.25, -3.0, 0.007])
)
@settings(max_examples=200, deadline=None)
def test_a_printed_value_is_stored_as_the_float_that_it_was_converted_from(raw: float, factor: float) -> None:
    conversion = Linear("c", "bar", None, factor, 2.5, 0)
    stored = np.array([raw], np.float32)
    (value,) = to_physical(conversion, stored).tolist()
    text = fmt.number(value, conversion, SINGLE)
    # The offset takes digits of small numbers with it.
    back = to_raw(conversion, SINGLE, np.array([float(text)]))
    assert back[0] == pytest.approx(stored[0], abs=4 * np.spacing(np.float64(2.5)) / abs(factor))


@given(value=st.floats(allow_nan=False, allow_infinity=False))
@settings(max_examples=200, deadline=None)
def test_a_printed_float64_reads_back(value: float) -> None:
    assert float(fmt.number(value, PLAIN, DOUBLE)) == value


def test_declared_decimals_and_whole_raw_numbers_stay_as_they_were() -> None:
    assert fmt.number(0.36, Linear("c", "bar", 1, 1.0, 0.0, 0), SINGLE) == "0.4"
    assert fmt.number(3.0, PLAIN, Storage(NumberType.uint8, ByteOrder.BIG, 1)) == "3"
    assert fmt.number(0.0, PLAIN, SINGLE) == fmt.number(-0.0, PLAIN, SINGLE) == "0"


def test_a_value_between_cells_has_the_digits_of_a_float32() -> None:
    between = (float(np.float32(0.36)) + float(np.float32(0.35))) / 2
    assert fmt.number(between, PLAIN, SINGLE) == "0.355"
    assert fmt.number(1 / 3, PLAIN, SINGLE) == "0.3333333"


def test_a_table_aligns_its_numbers(yard: Yard) -> None:
    lines = yard.call("show", "old.bin", "--definition", "d.xml").lines
    assert lines[3:7] == [
        "  load  speed, rpm",
        "    mg   800  1600",
        "    10  0.36  0.35",
        "    40  1.50  0.25",
    ]
    assert "  0.36 bar" in lines


def test_a_change_of_a_float_shows_what_was_typed(yard: Yard) -> None:
    result = yard.call("diff", "new.bin")
    assert result.lines[0] == "new.bin compared with old.bin"
    assert "0.350 → 0.351 (+0.001, +0.3 %) at 1600 rpm, 10 mg" in result.flat
    assert "    10  0.360  0.350 ↑ 0.351" in result.lines
    assert "0.36 → 0.37 bar (+0.01, +2.8 %)" in result.flat
    at_point = yard.call("show", "new.bin", "gain", "--at", "speed=1200,load=10")
    assert "0.3555; base 0.3550 (+0.0005, +0.1 %)" in at_point.flat
    assert "50.0 % of 0.35 → 0.351 at 1600 rpm, 10 mg" in at_point.flat


def test_files_for_programs_and_git_have_the_same_digits(yard: Yard) -> None:
    rows = list(csv.DictReader(io.StringIO(yard.call("show", "new.bin", "--format", "csv").stdout)))
    assert [(row["value"], row["raw"]) for row in rows] == [
        ("0.36", "0.36"),
        ("0.351", "0.351"),
        ("1.5", "1.5"),
        ("0.25", "0.25"),
        ("0.37", "3.7"),
    ]
    assert "gain at load 10 mg: 0.36  0.351" in yard.call("show", "new.bin", "--plain").lines


def test_a_review_has_the_same_digits(yard: Yard) -> None:
    tables = tables_of(reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml"))
    gain = tables["gain"]
    assert (gain["old"], gain["new"], gain["difference"]) == (
        ["0.360", "0.350", "1.500", "0.250"],
        ["0.351"],
        ["+0.001"],
    )


def test_a_finding_shows_a_float_as_it_was_typed_and_keeps_its_fingerprint() -> None:
    (finding,) = (item for item in findings(XML, NEW) if item.rule == "value/out-of-range")
    assert finding.message == "1.5 is above the limit of 0.5"
    assert finding.raw == 1.5
    just_above = struct.pack(">5f", 0.36, 0.35, 0.50000006, 0.25, 3.6)
    (finding,) = (item for item in findings(XML, just_above) if item.rule == "value/out-of-range")
    assert finding.message == "0.50000006 is above the limit of 0.5"
    # The stored number, and not its text, is what a finding is known by.
    assert repr(finding.raw) == repr(float(np.float32(0.50000006)))
