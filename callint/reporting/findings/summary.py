"""The counts of a report as JSON fields and as a sentence."""

from __future__ import annotations

from callint import fmt
from callint.checking.finding_counts import finding_counts
from callint.checking.report import Report
from callint.model.finding import Severity


def summary(report: Report) -> dict[str, int]:
    """The counts of the JSON contract: findings that are not waived by severity, and the others."""
    counts = finding_counts(report)
    return {
        **{severity.value: counts.severities[severity] for severity in Severity},
        "waived": counts.waived,
        "images": counts.images,
        "tables": counts.tables,
        "cells": counts.cells,
    }


def closing_line(report: Report) -> str:
    """The counts in a sentence: "2 errors, 1 warning, 2 waived in 3 images, ..."."""
    counts = finding_counts(report)
    parts = [fmt.count(count, severity.value) for severity, count in counts.severities.items() if count]
    if counts.waived:
        parts.append(f"{counts.waived:,} waived")
    sentence = ", ".join(parts) or ("nothing found" if report.known is None else "nothing new")
    if not counts.images:
        return sentence
    checked = (("image", counts.images), ("table", counts.tables), ("cell", counts.cells))
    return f"{sentence} in {', '.join(fmt.count(count, noun) for noun, count in checked)}"
