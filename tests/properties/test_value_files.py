"""A file of values that nobody edited changes no byte, whatever stored and wrote the numbers."""

from __future__ import annotations

import csv
from contextlib import suppress
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given
from hypothesis import strategies as st

from callint.comparing.apply_rows import apply_rows
from callint.decoding.decode import Decoded
from callint.model.definition import Axis, Table, Text
from callint.reading.value_rows import ValueFile, read_value_file
from callint.reporting.tables.csv import csv_lines
from callint.reporting.tables.grid_csv import DIALECTS, grid_csv
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, images, references


def items(reference: Reference, decoded: Decoded) -> tuple[list[Table | Text], list[Axis]]:
    """All tables and texts, and all stored axes."""
    definition = reference.definition
    names = [*decoded.layout.table_items, *definition.texts]
    tables = [definition.tables.get(name) or definition.texts[name] for name in names]
    return tables, [definition.axes[name] for name in decoded.layout.axis_items if name in definition.axes]


def written(reference: Reference, decoded: Decoded) -> list[list[str]]:
    """All tables, texts and axes as ``callint show --format csv`` writes them."""
    return list(csv.reader(StringIO("".join(csv_lines(decoded, *items(reference, decoded))))))


def read_back(rows: list[list[str]], delimiter: str) -> ValueFile:
    stream = StringIO(newline="")
    csv.writer(stream, delimiter=delimiter).writerows(rows)
    return read_text(stream.getvalue())


def read_text(text: str) -> ValueFile:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "values.csv"
        path.write_text(text, "utf-8", newline="")
        return read_value_file(path)


def as_a_spreadsheet_saves(field: str) -> str:
    """A number with the 15 digits that a spreadsheet keeps, and a decimal comma."""
    with suppress(ValueError):
        if field.lower() not in ("nan", "inf", "-inf", "infinity"):
            return f"{float(field):.15g}".replace(".", ",")
    return field


@property_examples
@given(st.data())
def test_what_show_wrote_changes_nothing_when_it_is_applied(data: st.DataObject) -> None:
    reference = data.draw(references())
    decoded = reference.decoded(data.draw(images(reference)))
    applied = apply_rows(decoded, read_back(written(reference, decoded), ","))
    assert applied.image.segments == decoded.image.segments


@property_examples
@given(st.data())
def test_what_a_spreadsheet_saved_changes_nothing_when_it_is_applied(data: st.DataObject) -> None:
    reference = data.draw(references())
    decoded = reference.decoded(data.draw(images(reference)))
    header, *rows = written(reference, decoded)
    numeric = [header.index(name) for name in ("value", "raw", "x_breakpoint", "y_breakpoint")]
    for row in rows:
        for place in numeric:
            row[place] = as_a_spreadsheet_saves(row[place])
    applied = apply_rows(decoded, read_back([header, *rows], ";"))
    assert applied.image.segments == decoded.image.segments


@property_examples
@given(st.data(), st.sampled_from(sorted(DIALECTS)))
def test_grids_that_nobody_edited_change_nothing_when_they_are_applied(
    data: st.DataObject, dialect: str
) -> None:
    reference = data.draw(references())
    decoded = reference.decoded(data.draw(images(reference)))
    text = "".join(grid_csv(decoded, *items(reference, decoded), DIALECTS[dialect]))
    applied = apply_rows(decoded, read_text(text))
    assert applied.image.segments == decoded.image.segments
