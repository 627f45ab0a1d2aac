"""A fleet as JSON, by ``schemas/fleet.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.report import CommitOfFleet, FleetReport
from callint.fmt import letter
from callint.model.definition import Kind, Table
from callint.reporting.fleet.differences import compared_tables
from callint.reporting.fleet.values import answer_images, calibration_values, listed_calibrations


def fleet_json(report: FleetReport) -> str:
    """The document as text."""
    return json.dumps(fleet_document(report), indent=1, allow_nan=False) + "\n"


def fleet_document(report: FleetReport) -> dict[str, Any]:
    """The document; images are given by their indexes in ``images``."""
    document: dict[str, Any] = {
        "format": "callint-fleet",
        "version": 1,
        "images": [
            {
                "path": record.path,
                **({"definition": record.definition} if record.definition else {}),
                **({"problem": record.problem} if record.problem else {}),
            }
            for record in report.records
        ],
    }
    if report.question is not None:
        document["question"] = {"text": report.question.text, **dict(answer_images(report))}
    elif report.commit is not None:
        document["commit"] = _commit(report.commit, len(report.records))
    else:
        document["tables"] = [_table(report, groups) for groups in report.tables]
        document["uniform"] = list(report.uniform)
    if report.compared:
        document["compared"] = {
            "image": report.compared,
            "differing": [
                {"image": number, "tables": [groups.table.name for groups in tables]}
                for number, tables in compared_tables(report)
            ],
        }
    return document


def _table(report: FleetReport, groups: TableGroups) -> dict[str, Any]:
    table = groups.table
    document: dict[str, Any] = {
        "table": table.name,
        "kind": (table.kind if isinstance(table, Table) else Kind.TEXT).value,
        "purpose": table.purpose.value,
        "calibrations": [
            _calibration(report, groups, number, digest)
            for number, digest in zip(listed_calibrations(groups), groups.digests, strict=True)
        ],
    }
    if more := len(groups.counts) - len(document["calibrations"]):
        images = int(groups.counts[len(document["calibrations"]) :].sum())
        document["more"] = {"calibrations": more, "images": images}
    return document


def _calibration(report: FleetReport, groups: TableGroups, number: int, digest: str) -> dict[str, Any]:
    document: dict[str, Any] = {
        "mark": letter(number),
        "digest": digest,
        "images": groups.images(number),
    }
    if report.is_selection:
        values = calibration_values(report.contents, groups, number)
        fields = {"low": values.low, "high": values.high, "unit": values.unit, "text": values.text}
        document |= {key: value for key, value in fields.items() if value not in (None, "", "-")}
        document |= {"cells": values.cells, "off": values.off}
    return document


def _commit(commit: CommitOfFleet, images: int) -> dict[str, Any]:
    document: dict[str, Any] = {"id": commit.id, "author": commit.author, "subject": commit.subject}
    if commit.day:
        document["date"] = commit.day
    document["changes"] = [
        {
            "image": change.path,
            "tables": list(change.rollout.tables),
            "cells": change.rollout.cells,
            "images": [
                {
                    "image": number,
                    "values": change.rollout.of(number).value,
                    **dict(zip(("new", "old", "other"), change.rollout.counts[number].tolist(), strict=True)),
                }
                for number in range(images)
            ],
        }
        for change in commit.changes
    ]
    return document
