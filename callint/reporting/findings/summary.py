"""How many findings there are, of what severity, in how much."""

from __future__ import annotations

from collections import Counter

from callint import fmt
from callint.checking.report import Report
from callint.model.finding import Severity


def summary(report: Report) -> dict[str, int]:
    """The counts of the JSON contract: findings by severity that nobody waived, and the rest."""
    counts = Counter(finding.severity for finding in report.findings if not finding.waived)
    return {
        **{severity.value: counts[severity] for severity in Severity},
        "waived": sum(finding.waived for finding in report.findings),
        "images": report.images,
        "tables": report.tables,
        "cells": report.cells,
    }


def closing_line(report: Report) -> str:
    """The counts in a sentence, such as "2 errors, 1 warning, 2 waived in 3 images, ..."."""
    counts = summary(report)
    found = [
        fmt.count(counts[severity.value], severity.value) for severity in Severity if counts[severity.value]
    ]
    if counts["waived"]:
        found.append(f"{counts['waived']:,} waived")
    looked = ", ".join(fmt.count(counts[f"{noun}s"], noun) for noun in ("image", "table", "cell"))
    words = ", ".join(found) or ("nothing found" if report.known is None else "nothing new")
    return f"{words} in {looked}" if counts["images"] else words
