"""What the JSON documents of both merges share, by ``schemas/conflicts.schema.json``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from callint.checking.definition_merge_report import DefinitionMergeReport
from callint.checking.merge_report import MergeReport
from callint.reporting.findings.json import brief, causes_json
from callint.reporting.merge.lists import FORMAT

Fields = dict[str, Any]


def conflicts_document(
    report: MergeReport | DefinitionMergeReport, conflicts: Sequence[Fields], settled: Sequence[Fields]
) -> str:
    """The text of the document; ``conflicts`` and ``settled`` are the open and the settled decisions."""
    of_image = report if isinstance(report, MergeReport) else None
    document: Fields = {
        "format": FORMAT,
        "version": 1,
        **({"image": of_image.image} if of_image else {}),
        "base": report.base,
        "ours": report.ours,
        "theirs": report.theirs,
        "definition": report.path,
        "conflicts": conflicts,
        "settled": settled,
        "causes": causes_json(report.broken),
        "broken": [brief(finding) for finding in report.broken.findings],
        "summary": {
            "conflicts": len(conflicts),
            "cells": of_image.open_cells if of_image else 0,
            "settled": len(settled),
            "broken": len(report.broken.findings),
        },
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"
