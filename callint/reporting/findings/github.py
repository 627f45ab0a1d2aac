"""Findings as workflow commands, which a forge shows as annotations on the lines of a change.

The form is the documented one of workflow commands (from memory):
``::error file=PATH,line=LINE,title=TITLE::MESSAGE``, in which ``%`` and line breaks have percent encoding, in
properties also ``:`` and ``,``.
"""

from __future__ import annotations

from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding, Severity
from callint.reporting.findings.wording import location, one_line, path_from_top, short_fingerprint

_COMMANDS = {Severity.ERROR: "error", Severity.WARNING: "warning", Severity.NOTE: "notice"}


def findings_github(report: Report, folder: str = "") -> str:
    """A command for each finding that is not waived; ``folder`` is that of the policy in the repository."""
    findings = (finding for finding in report.findings if not finding.waived)
    return "".join(f"{_command(finding, folder)}\n" for finding in findings)


def _command(finding: Finding, folder: str) -> str:
    path, line = location(finding)
    from_top = path_from_top(folder, path)
    properties = {"title": f"{finding.rule} [{short_fingerprint(finding)}]"}
    if from_top is not None:
        properties = {"file": from_top, "line": str(line or 1), **properties}
    listed = ",".join(f"{name}={_property(clean(value))}" for name, value in properties.items())
    message = clean(one_line(finding))
    if finding.hint:
        message += f"\n{clean(finding.hint)}"
    return f"::{_COMMANDS[finding.severity]} {listed}::{_message(message)}"


def _message(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _message(text).replace(":", "%3A").replace(",", "%2C")
