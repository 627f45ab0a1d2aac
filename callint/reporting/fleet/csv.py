"""A fleet as CSV, as ``reporting/tables/csv.py`` writes it: a line for each image with its results."""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.checking.fleet.report import FleetReport
from callint.reporting.fleet.differences import compared_tables
from callint.reporting.fleet.values import answer_images, calibration_values, listed_calibrations
from callint.reporting.tables.csv import csv_text, harmless, unit_field

#: The columns about calibrations, about differences from an image, about a question, and about a commit.
CALIBRATIONS = (
    "table", "purpose", "calibration", "digest", "images", "image", "definition", "low", "high", "unit",
    "off", "text",
)  # fmt: skip
DIFFERENCES = ("image", "definition", "table", "purpose")
ANSWERS = ("image", "definition", "answer")
COMMIT = ("commit", "changed_image", "image", "definition", "values", "new", "old", "other")


def csv_lines(report: FleetReport) -> Iterator[str]:
    """The file in chunks: column names, then the rows."""
    if report.question is not None:
        yield csv_text([ANSWERS])
        for answer, numbers in answer_images(report):
            yield csv_text((*_image(report, number), answer) for number in numbers)
    elif report.commit is not None:
        yield csv_text([COMMIT])
        yield csv_text(_commit_rows(report))
    elif report.compared:
        yield csv_text([DIFFERENCES])
        for number, tables in compared_tables(report):
            yield csv_text(
                (*_image(report, number), groups.table.name, groups.table.purpose.value) for groups in tables
            )
    else:
        yield csv_text([CALIBRATIONS])
        yield from _calibrations(report)


def _image(report: FleetReport, number: int) -> tuple[str, str]:
    record = report.records[number]
    return harmless(record.path), harmless(record.definition)


def _calibrations(report: FleetReport) -> Iterator[str]:
    for groups in report.tables:
        for number, digest in zip(listed_calibrations(groups), groups.digests, strict=True):
            fields = ("", "", "", "", "")
            if report.is_selection:
                values = calibration_values(report.contents, groups, number)
                low, high = ("" if end is None else fmt.exact(end) for end in (values.low, values.high))
                fields = low, high, unit_field(values.unit), str(values.off), harmless(values.text)
            head = (
                groups.table.name,
                groups.table.purpose.value,
                fmt.letter(number),
                digest,
                str(int(groups.counts[number])),
            )
            yield csv_text((*head, *_image(report, image), *fields) for image in groups.images(number))


def _commit_rows(report: FleetReport) -> Iterator[tuple[str, ...]]:
    commit = report.commit
    for change in commit.changes if commit else ():
        assert commit is not None
        for number in range(len(report.records)):
            counts = map(str, change.rollout.counts[number].tolist())
            values = change.rollout.of(number).value
            yield commit.id, harmless(change.path), *_image(report, number), values, *counts
