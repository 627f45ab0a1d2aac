"""Descriptions in the standard ASAM MCD-2 MC are read word by word, and every error has its file and line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from callint.model.errors import InputError
from callint.reading.asap2 import tokens as asap2_tokens
from callint.reading.asap2.blocks import MAX_DEPTH
from callint.reading.asap2.build import make_definition
from callint.reading.asap2.parser import read_asap2
from callint.reading.asap2.tokens import MAX_INCLUDES, TokenStream, unquoted
from callint.reporting.definition.xml import definition_lines
from tests.describing import (
    LAYOUTS,
    METHODS,
    SPEED_SIGNAL,
    axis,
    described,
    module,
    value,
    words,
    write,
)


def refusal(folder: Path, text: str | bytes, name: str | None = None) -> str:
    """The single line with the reason why a description is refused."""
    with pytest.raises(InputError) as caught:
        described(folder, text, name)
    (line,) = caught.value.lines
    assert line.startswith(str(folder)) and "\n" not in line
    return line.removeprefix(f"{folder}/")


# Words


def test_words_strings_and_numbers_keep_their_lines(tmp_path: Path) -> None:
    path = write(tmp_path, 'A 0x1F\r\n\r\n"two\nlines" -1.5E+3\n/begin B /end B')
    assert words(path) == [
        ("A", 1),
        ("0x1F", 1),
        ('"two\nlines"', 3),
        ("-1.5E+3", 4),
        ("/begin", 5),
        ("B", 5),
        ("/end", 5),
        ("B", 5),
    ]


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_lines_end_as_any_machine_ends_them(tmp_path: Path, end: str) -> None:
    path = write(tmp_path, end.join(["A", "B // note", "/begin C", '"two', 'lines" D']))
    assert words(path) == [("A", 1), ("B", 2), ("/begin", 3), ("C", 3), ('"two\nlines"', 4), ("D", 5)]


def test_comments_separate_words(tmp_path: Path) -> None:
    path = write(tmp_path, 'A/* "x */B // "y\nC /**/ D/***/ "/* no // comment */" /* /* */ E')
    assert words(path) == [("A", 1), ("B", 1), ("C", 2), ("D", 2), ('"/* no // comment */"', 2), ("E", 2)]


@pytest.mark.parametrize(
    ("word", "text"),
    [
        ('"say ""off"" now"', 'say "off" now'),
        (r'"say \"off\" now"', 'say "off" now'),
        (r'"C:\\boats\\heron"', r"C:\boats\heron"),
        (r'"a\nb"', "a\nb"),
        ('""', ""),
        ('""""', '"'),
        ("plain", "plain"),
    ],
)
def test_quotes_within_strings_are_doubled_or_have_a_backslash(tmp_path: Path, word: str, text: str) -> None:
    ((result, _), behind) = words(write(tmp_path, f"{word} BEHIND"))
    assert (result, behind) == (word, ("BEHIND", 1))
    assert unquoted(result) == text


def test_a2ml_and_if_data_are_stepped_over_whole_and_counted(tmp_path: Path) -> None:
    text = """A /begin A2ML block "IF_DATA" struct { /* /end A2ML */ "/end A2ML" ; } // /end A2ML
    /end A2ML B
    /begin /* here */ IF_DATA XCP /begin SEGMENT 0 /end SEGMENT "quoted ""/end IF_DATA"" x" /end IF_DATA_NOT
    /end /**/ IF_DATA C /begin IF_DATAX D /end IF_DATAX"""
    path = write(tmp_path, text)
    assert [word for word, _ in words(path)] == ["A", "B", "C", "/begin", "IF_DATAX", "D", "/end", "IF_DATAX"]
    source = TokenStream(path)
    assert sum(len(stretch.texts) for stretch in source.tokens()) == 8
    assert {kind: (n, place.line) for kind, (n, place) in source.skipped.items()} == {
        "A2ML": (1, 1),
        "IF_DATA": (1, 3),
    }


@pytest.mark.parametrize("block", [1, 2, 3, 7, 64])
def test_the_blocks_in_which_a_file_is_read_make_no_difference(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block: int
) -> None:
    text = (
        '/begin A "x""y" // c\n/begin IF_DATA "/end IF_DATA" /begin Q /end Q /end IF_DATA\n'
        '0x10 /* long\ncomment */ /begin /* z */ B /include "b.a2l" /end B\n/end A'
    )
    path = write(tmp_path, text)
    write(tmp_path, "INNER", "b.a2l")
    whole = words(path)
    monkeypatch.setattr(asap2_tokens, "_CHUNK", block)
    assert words(path) == whole
    assert [word for word, _ in whole] == [
        "/begin", "A", '"x""y"', "0x10", "/begin", "B", "INNER", "/end", "B", "/end", "A",
    ]  # fmt: skip


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le", "utf-16-be"])
def test_the_encoding_is_found_by_the_mark_or_the_bytes(tmp_path: Path, encoding: str) -> None:
    path = write(tmp_path, 'UNIT "°C µ"'.encode(encoding))
    assert words(path) == [("UNIT", 1), ('"°C µ"', 1)]


def test_a_file_with_bytes_that_latin_1_has_no_letters_for_is_windows_1252(tmp_path: Path) -> None:
    path = write(tmp_path, 'UNIT "5 ‰ €"'.encode("cp1252"))
    assert words(path) == [("UNIT", 1), ('"5 ‰ €"', 1)]


# Files within files


def test_an_included_file_stands_where_it_is_named(tmp_path: Path) -> None:
    write(tmp_path, value("INNER"), "parts/inner.aml")
    write(tmp_path, '/include "inner.aml"', "parts/more.a2l")
    text = module(LAYOUTS, METHODS, value("FIRST"), "/include parts/more.a2l", value("LAST"))
    result = described(tmp_path, text)
    assert list(result.characteristics) == ["FIRST", "INNER", "LAST"]
    place = result.characteristics["INNER"].place
    assert (Path(place.file), place.line) == (tmp_path / "parts" / "inner.aml", 1)


def test_an_error_in_an_included_file_names_that_file_and_line(tmp_path: Path) -> None:
    write(tmp_path, '\n\n/begin GROUP G "open"', "part.a2l")
    result = refusal(tmp_path, module("/include part.a2l"))
    assert f"does not close /begin GROUP of {tmp_path / 'part.a2l'}:3;" in result


@pytest.mark.parametrize(
    "name", ["../secret.a2l", "/etc/passwd", "C:/boot.ini", "..\\secret.a2l", "sub/../../secret.a2l"]
)
def test_no_include_leaves_the_folder(tmp_path: Path, name: str) -> None:
    write(tmp_path, "SECRET", "secret.a2l")
    message = refusal(tmp_path / "inside", module(f'/include "{name}"'))
    assert message.startswith("engine.a2l:5: /include") and "leads out" in message


def test_no_link_leaves_the_folder(tmp_path: Path) -> None:
    secret = write(tmp_path, "SECRET", "secret.a2l")
    (tmp_path / "inside").mkdir()
    (tmp_path / "inside/link.a2l").symlink_to(secret)
    assert "leads out" in refusal(tmp_path / "inside", module("/include link.a2l"))


def test_circular_includes_are_refused(tmp_path: Path) -> None:
    write(tmp_path, "\n/include b.a2l", "a.a2l")
    write(tmp_path, "/include a.a2l", "b.a2l")
    assert refusal(tmp_path, module("/include a.a2l")).startswith("b.a2l:1: /include 'a.a2l' is circular")


def test_includes_are_not_followed_without_end(tmp_path: Path) -> None:
    for number in range(MAX_INCLUDES + 2):
        write(tmp_path, f"/include f{number + 1}.a2l", f"f{number}.a2l")
    assert f"more than {MAX_INCLUDES} deep" in refusal(tmp_path, module("/include f0.a2l"))


def test_includes_that_double_are_bounded_by_their_number(tmp_path: Path) -> None:
    for number in range(MAX_INCLUDES - 2):
        write(tmp_path, f"/include f{number + 1}.a2l /include f{number + 1}.a2l", f"f{number}.a2l")
    write(tmp_path, "", f"f{MAX_INCLUDES - 2}.a2l")
    assert "files are included" in refusal(tmp_path, module("/include f0.a2l"))


@pytest.mark.parametrize("name", ["none.a2l", "", "a\0b"])
def test_an_include_that_is_not_there_is_refused_with_its_place(tmp_path: Path, name: str) -> None:
    assert refusal(tmp_path, module(f'/include "{name}"')).startswith("engine.a2l:5: /include")


# Structure


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "engine.a2l: it has no PROJECT with a MODULE"),
        ('/begin PROJECT P "" /end PROJECT', "engine.a2l: it has no PROJECT with a MODULE"),
        ("hello", "engine.a2l:1: 'hello' is not an ASAP2 keyword"),
        ("\0\1\2", "engine.a2l:1: "),
        ('\n/begin PROJECT P "x', "engine.a2l:2: the string that begins here has no end"),
        ("ASAP2_VERSION 1\n/* x", "engine.a2l:2: the comment that begins here has no end"),
        ("\n\n/begin A2ML x", "engine.a2l:3: /begin A2ML has no /end A2ML"),
        ('\n/begin IF_DATA "/end IF_DATA"', "engine.a2l:2: /begin IF_DATA has no /end IF_DATA"),
        ("\n/begin", "engine.a2l:2: /begin is cut off"),
        ("\n/begin PROJECT P", "engine.a2l:2: PROJECT is cut off"),
        ('/begin PROJECT P ""\n/begin MODULE M ""', "engine.a2l:2: /begin MODULE has no /end MODULE"),
        ('/begin PROJECT P ""\n/begin MODULE M "" /begin UNIT', "engine.a2l:2: /begin UNIT has no /end"),
        ('/begin MODULE M "" /end MODULE', "engine.a2l:1: MODULE is outside PROJECT"),
        ("/end MODULE", "engine.a2l:1: /end MODULE has no /begin MODULE"),
        ('/begin PROJECT P "" /end MODULE', "engine.a2l:1: /end MODULE has no /begin MODULE"),
        (
            module("/begin UNIT U\n/end GROUP"),
            "engine.a2l:6: /end GROUP does not close /begin UNIT of ",
        ),
        (
            module(value(rest="/begin ANNOTATION /end FUNCTION_LIST")),
            "engine.a2l:6: /end FUNCTION_LIST does not close /begin ANNOTATION",
        ),
        (module("/begin X " * (MAX_DEPTH + 1) + "/end X " * (MAX_DEPTH + 1)), "deep"),
    ],
)
def test_a_broken_structure_is_refused_with_its_place(tmp_path: Path, text: str, message: str) -> None:
    assert message in refusal(tmp_path, text)


def test_very_deep_nesting_is_refused_and_no_traceback(tmp_path: Path) -> None:
    assert "deep" in refusal(tmp_path, module("/begin X " * 100_000 + "/end X " * 100_000))


def test_a_string_without_an_end_is_not_looked_for_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asap2_tokens, "MAX_TOKEN", 2**20)
    monkeypatch.setattr(asap2_tokens, "_CHUNK", 2**16)
    result = refusal(tmp_path, f'ASAP2_VERSION 1\n"{"x" * 2**22}')
    assert result.startswith("engine.a2l:2: the token that begins here does not end within 1 Mi characters")


def test_a_file_that_is_too_large_is_refused_before_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asap2_tokens, "MAX_BYTES", 100)
    assert "the description is larger than" in refusal(tmp_path, module())


def test_a_folder_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    for path, reason in ((tmp_path, "it is a folder"), (tmp_path / "none.a2l", "it does not exist")):
        with pytest.raises(InputError, match=reason):
            read_asap2(path)


_MODULES = '/begin MODULE A "" {} /end MODULE /begin MODULE B "" {} /end MODULE'
TWO = f'/begin PROJECT P "" {_MODULES} /end PROJECT'


def test_one_of_several_modules_is_chosen_by_name(tmp_path: Path) -> None:
    text = TWO.format(value("IN_A"), value("IN_B"))
    assert "it has 2 modules; choose one with --module: A, B" in refusal(tmp_path, text)
    assert "no module 'C'; its modules are: A, B" in refusal(tmp_path, text, "C")
    assert list(described(tmp_path, text, "A").characteristics) == ["IN_A"]
    assert list(described(tmp_path, text, "B").characteristics) == ["IN_B"]


# Blocks


def test_a_block_with_a_mistake_is_left_out_with_its_line_and_the_rest_is_read(tmp_path: Path) -> None:
    cases = [
        (value("A", at="here"), "'here' is not a whole number", 5),
        (value("A", low="1e999"), "1e999 is not a finite number", 5),
        (value("A", low="nan"), "nan is not a finite number", 5),
        (value("A", at="9" * 5000), f"'{'9' * 40}' is not a whole number", 5),
        (value("A", at="1" * 30), f"{'1' * 30} is too large a number", 5),
        (value("A", rest="BIT_MASK"), "BIT_MASK is cut short: it needs 1 value", 6),
        (value("A", rest="BIT_MASK x"), "'x' is not a whole number", 6),
        (value("A", rest="EXTENDED_LIMITS 1 /begin ANNOTATION /end ANNOTATION"), "it needs 2 values", 6),
        ("/begin CHARACTERISTIC A /end CHARACTERISTIC", "CHARACTERISTIC is cut short: it needs 9 values", 5),
        ("/begin CHARACTERISTIC /end CHARACTERISTIC", "CHARACTERISTIC is cut short: it needs 9 values", 5),
        (value("B"), "the name occurs before", 6),
        (value("A").replace('"A limit"', "NO_TEXT"), "'NO_TEXT' is not a text in quotes", 5),
    ]  # fmt: skip
    for block, reason, line in cases:
        first, second = (
            (block, value("B")) if "before" not in reason else (value("B").replace("\n", " "), block)
        )
        result = described(tmp_path, module(first, second))
        assert [bad.reason for bad in result.skipped] == [result.skipped[0].reason], block
        assert reason in result.skipped[0].reason, block
        assert result.skipped[0].place.line == line, block
        assert list(result.characteristics) == ["B"], block


def test_ignored_parts_are_counted_with_their_first_line(tmp_path: Path) -> None:
    result = described(
        tmp_path,
        module(
            value("A", rest='FORMAT "%5.1"\nSHINE 1 2\nNEW_THING\nBIT_MASK 3\nSHINE 4'),
            value("B", rest='FORMAT "%5.2" /begin FUNCTION_LIST F /end FUNCTION_LIST'),
            '/begin GROUP G "" /end GROUP\n/begin GROUP H "" /end GROUP',
            "/begin WONDER W /begin WITHIN /end WITHIN /end WONDER",
            '/begin TYPEDEF_MEASUREMENT T "" UBYTE one 0 0 0 255 /end TYPEDEF_MEASUREMENT',
        ),
    )
    counted = [
        {key: (tally.amount, tally.first.line) for key, tally in tallies.items()}
        for tallies in (result.unused, result.unknown, result.uncovered)
    ]
    assert counted == [
        {
            ("FORMAT", "CHARACTERISTIC"): (2, 6),
        },
        {("SHINE", "CHARACTERISTIC"): (2, 7), ("WONDER", ""): (1, 17)},
        {("TYPEDEF_MEASUREMENT", ""): (1, 18)},
    ]
    assert result.characteristics["A"].mask == 3


def test_kinds_of_unknown_things_are_not_kept_without_end(tmp_path: Path) -> None:
    blocks = [f"/begin X{number} /end X{number}" for number in range(3000)]
    rest = " ".join(f"BIT_MASK 1 Y{number}" for number in range(3000))
    result = described(tmp_path, module(*blocks, value(rest=rest)))
    assert len(result.unknown) < 600
    assert sum(tally.amount for tally in result.unknown.values()) == 6000


# Whatever a stranger sends

SAMPLE = module(
    LAYOUTS,
    METHODS,
    SPEED_SIGNAL,
    '/begin MOD_PAR "" EPK "SK28" ADDR_EPK 0x40 /begin MEMORY_SEGMENT S "" DATA FLASH INTERN 0 256 0 0 0 0 0 '
    "/end MEMORY_SEGMENT /end MOD_PAR",
    '/begin COMPU_VTAB V "" TAB_VERB 2 0 "off" 1 "on" /end COMPU_VTAB',
    '/begin COMPU_METHOD S "" TAB_VERB "%1.0" "" COMPU_TAB_REF V /end COMPU_METHOD',
    '/begin AXIS_PTS AX "" 0x20 N BYTE_AXIS 0 SPEED 4 0 6000 MONOTONY STRICT_INCREASE /end AXIS_PTS',
    value("A", "EXTENDED_LIMITS 0 200 BIT_MASK 0xFF00"),
    value("C", axis("COM_AXIS", 4, "AXIS_PTS_REF AX MAX_GRAD 2.5"), type="CURVE"),
    value("F", axis("FIX_AXIS", 4, "FIX_AXIS_PAR 0 2 4"), type="CURVE"),
    value("T", "NUMBER 12", type="ASCII", layout="BYTE_VALUES"),
    value("B", "MATRIX_DIM 3 4 1", type="VAL_BLK", method="S"),
    '/begin IF_DATA XCP 1 2 "x" /end IF_DATA',
)
_PIECES = ["/begin", "/end", '"', "/*", "*/", "//", "\n", "0x", "-1", "1e308", "9" * 400, "\\", "", "\0", "é"]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    edits=st.lists(
        st.tuples(
            st.integers(0, len(SAMPLE)), st.integers(0, 40), st.sampled_from([*_PIECES, *SAMPLE.split()])
        ),
        min_size=1,
        max_size=4,
    )
)
def test_no_change_to_a_description_makes_a_traceback(
    tmp_path: Path, edits: list[tuple[int, int, str]]
) -> None:
    text = SAMPLE
    for start, length, piece in edits:
        text = f"{text[:start]} {piece} {text[start + length :]}"
    try:
        result = make_definition(described(tmp_path, text))
    except InputError as error:
        assert len(error.lines) == 1
        return
    if result.definition is not None:
        assert "".join(definition_lines(result.definition)).endswith("</definition>\n")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=200))
def test_no_bytes_at_all_make_a_traceback(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(InputError) as caught:
        described(tmp_path, data)
    assert len(caught.value.lines) == 1
