"""Findings about a definition file."""

from __future__ import annotations

from callint.model.finding import Finding


def definition_finding(
    rule: str, line: int, subject: str, message: str, hint: str, table: str = ""
) -> Finding:
    """A finding about a line of a definition; ``subject`` tells findings of one rule apart."""
    return Finding(rule=rule, line=line, subject=subject, message=message, hint=hint, table=table)
