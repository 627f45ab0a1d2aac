"""Workbooks of strangers as lists of addresses."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from callint.reading import sheets
from tests.running import Yard, environment, run_python


def workbook(*rows: tuple[str | int, ...]) -> bytes:
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    for row in (("name", "address", "type"), *rows):
        page.append(list(row))
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


GOOD = workbook(("cut", "0x30", "uint8"))


def with_part(name: str, content: bytes) -> bytes:
    """A workbook with one part in place of its own."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(GOOD)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            new.writestr(part, content if part == name else old.read(part))
        if name not in old.namelist():
            new.writestr(name, content)
    return stream.getvalue()


#: What a file contains; a function makes large contents, because the tests are collected more often than run.
Content = bytes | Callable[[], bytes]

_PAGE = "xl/worksheets/sheet1.xml"
_ENTITY = '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'


@pytest.mark.parametrize(
    ("content", "error"),
    [
        (b"", "the workbook is damaged or is not one"),
        (b"PK\x03\x04 no more", "the workbook is damaged or is not one"),
        (GOOD[: len(GOOD) // 2], "the workbook is damaged or is not one"),
        (with_part(_PAGE, b"<no xml"), "the workbook is damaged or is not one"),
        (with_part("xl/workbook.xml", b"<a/>"), "the workbook is damaged or is not one"),
        (with_part(_PAGE, _ENTITY.encode()), "the workbook declares a document type"),
        (with_part(_PAGE, _ENTITY.encode("utf-16")), "the workbook declares a document type"),
        (
            lambda: with_part("xl/bomb.xml", bytes(sheets.MAX_UNPACKED)),
            "the workbook unpacks to more than 128 MiB",
        ),
        (workbook(("cut", 48, "uint8")), ":2: nothing tells whether address 48 is decimal"),
        (workbook(), "the list has no row below its header"),
    ],
    ids=range(10),
)
def test_a_bad_workbook_is_one_line_and_nothing_is_written(
    tmp_path: Path, content: Content, error: str
) -> None:
    yard = Yard(tmp_path)
    yard.write("list.xlsx", content() if callable(content) else content)
    result = yard.run("import", "list.xlsx")
    assert (result.status, len(result.stderr.splitlines())) == (2, 1), result.stderr
    assert error in result.error and "list.xlsx" in result.error
    assert not (yard.root / "list.xml").exists()


def test_a_sheet_that_does_not_exist_is_named_with_those_that_do(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("list.xlsx", GOOD)
    assert (
        "no sheet has the name 'Absent'; the sheets are Sheet"
        in yard.run("import", "list.xlsx", "--module", "Absent").error
    )
    yard.write("list.csv", "name;address;type\ncut;0x30;uint8\n")
    assert "a text file has no sheets" in yard.run("import", "list.csv", "--module", "Sheet").error


def test_without_openpyxl_a_workbook_is_refused_with_the_extra_to_install(tmp_path: Path) -> None:
    (tmp_path / "list.xlsx").write_bytes(GOOD)
    program = (
        "import sys; sys.modules['openpyxl'] = None\n"
        "from callint.__main__ import main\nsys.exit(main(['import', 'list.xlsx']))"
    )
    done = run_python("-c", program, cwd=tmp_path, env=environment())
    assert done.status == 2 and "install callint[xlsx], or save it as CSV" in done.error


@pytest.mark.parametrize(
    ("content", "error"),
    [
        (b"", "the list is empty"),
        (b"\n;;;\n", "no row has headers for both name and address"),
        (b"name;address;type\n", "the list has no row below its header"),
        (b"name;type\ncut;uint8\n", "no row has headers for both name and address"),
        (b"name;address\0;type\n", "it is not a text file"),
        (b"name;address;type\n" + b"a" * 5000 + b";0x30;uint8\n", ":2: a cell has more than 4096 characters"),
        (b"name;address;type\n" + b";" * 300 + b"x\n", ":2: the row has more than 200 columns"),
        (lambda: b'name;address;type\n"' + b"a" * 9_000_000, "a cell is too long"),
        (lambda: b"name;address;type\n" + b"a;0x1;uint8\n" * 100_001, "the file has more than 100,000 rows"),
        (lambda: b"name;address;type\n" + b"#" * sheets.MAX_BYTES, "the file is larger than 32 MiB"),
    ],
    ids=range(10),
)
def test_a_bad_text_file_is_one_line_and_nothing_is_written(
    tmp_path: Path, content: Content, error: str
) -> None:
    yard = Yard(tmp_path)
    yard.write("list.csv", content() if callable(content) else content)
    result = yard.run("import", "list.csv")
    assert (result.status, len(result.stderr.splitlines())) == (2, 1), result.stderr
    assert error in result.error and "list.csv" in result.error
    assert not (yard.root / "list.xml").exists()
