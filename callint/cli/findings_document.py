"""Findings in the formats for programs."""

from __future__ import annotations

from pathlib import Path

from callint.checking.report import Report
from callint.model.errors import InputError
from callint.model.finding import Severity


def findings_document(
    merged: Report, reports: list[Report], levels: list[Severity], form: str, root: Path
) -> str:
    """The findings in one of the formats other than text.

    ``merged`` is the report of all ``reports``, and ``levels`` are the severities at which each fails.
    ``root`` is the folder that paths are relative to.
    """
    match form:
        case "sarif":
            from callint.reporting.findings.sarif import findings_sarif

            return findings_sarif(reports)
        case "junit":
            from callint.reporting.findings.junit import findings_junit

            return findings_junit(reports, levels)
        case "markdown":
            from callint.reporting.findings.markdown import findings_markdown

            return findings_markdown(merged)
        case "lines":
            from callint.reporting.findings.lines import findings_lines

            return findings_lines(merged)
        case "github":
            from callint.reporting.findings.github import findings_github

            return findings_github(merged, _folder_in_repository(root))
        case "gitlab":
            from callint.reporting.findings.gitlab import findings_gitlab

            return findings_gitlab(merged, _folder_in_repository(root))
        case _:
            from callint.reporting.findings.json import findings_json

            return findings_json(merged)


def _folder_in_repository(root: Path) -> str:
    """The path of a folder from the top of its repository; "" without a repository."""
    from callint.versioning.git.repository import folder_of, open_repository

    try:
        return folder_of(open_repository(root, bare=True), root)
    except InputError:
        return ""
