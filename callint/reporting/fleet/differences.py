"""In which tables the images of a fleet differ from the one that they are compared with."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.report import FleetReport


def compared_tables(report: FleetReport) -> Iterator[tuple[int, list[TableGroups]]]:
    """Each compared image with the tables in which it differs from the image for comparison.

    A table that only one of the two has is left out.
    """
    if not report.tables:
        return
    differs = np.stack(
        [
            (groups.numbers != groups.compared) & (groups.numbers >= 0) & (groups.compared >= 0)
            for groups in report.tables
        ]
    )
    for number in np.flatnonzero(differs.any(axis=0)).tolist():
        yield number, [report.tables[row] for row in np.flatnonzero(differs[:, number]).tolist()]
