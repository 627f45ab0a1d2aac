"""A release for people: what was written, or what prevents it."""

from __future__ import annotations

from collections.abc import Sequence

from callint import fmt
from callint.checking.report import Report
from callint.model.finding import Severity
from callint.reporting.findings.cause_text import print_causes
from callint.reporting.terminal import Terminal, line, print_prose, width, wrapped
from callint.versioning.git.log import LoggedCommit
from callint.versioning.release_gate import GateResult

_CAUTION = (
    "Caution. callint checks; it does not approve. The maker's limits, local law and licensed practice come "
    "first."
)
#: The number of digits of a commit's id, as in callint history.
_SHORT = 8


def print_refusal(name: str, result: GateResult, terminal: Terminal, everything: bool = False) -> None:
    """Print what prevents the release of an image: first what is not ready, then the findings."""
    print_prose(f"{name} is not released.", terminal)
    for obstacle in result.obstacles:
        for number, text in enumerate(wrapped(obstacle, width(terminal) - 2)):
            terminal.print(line(f"{'  ' if number else '- '}{fmt.clean(text)}"))
    if result.blocking.findings:
        terminal.print()
        print_causes(result.blocking, terminal, everything)


def print_release(
    name: str, commit: LoggedCommit, target: tuple[str, Sequence[str]], report: Report, terminal: Terminal
) -> None:
    """Print what was released, the folder and its files, the open warnings, and the caution."""
    folder, files = target
    print_prose(f"{name} of {commit.id[:_SHORT]} is released to {folder}: {', '.join(files)}.", terminal)
    warnings = sum(finding.severity is Severity.WARNING and not finding.waived for finding in report.findings)
    if warnings:
        verb = "is" if warnings == 1 else "are"
        count = fmt.count(warnings, "warning")
        print_prose(
            f"{count} {verb} open; callint check {name} lists {'it' if warnings == 1 else 'them'}.", terminal
        )
    print_prose(_CAUTION, terminal)
