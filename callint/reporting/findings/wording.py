"""What is said about one finding, whatever the format."""

from __future__ import annotations

from callint.model.finding import Finding

#: Of a fingerprint so many digits are printed, which tell a repository's findings apart.
_DIGITS = 8


def mark(finding: Finding) -> str:
    """By what callint waive knows a finding."""
    return finding.fingerprint[:_DIGITS]


def headline(finding: Finding, with_place: bool = True) -> str:
    """What the finding is about and where: "boats/heron.bin: smoke_limit at 2200 rpm, 45 mg"."""
    source = finding.image or finding.definition or finding.policy
    if finding.commit:
        source = f"{finding.commit[:10]}:{source}"
    if not finding.table:
        return source
    return f"{source}: {finding.table} {finding.place if with_place else ''}".rstrip()


def sentence(finding: Finding, said: str = "") -> str:
    """The message, with the base's value unless it is said already."""
    if finding.inherited:
        return f"{finding.message} (as in the base)"
    if finding.base and finding.base != said and finding.base not in finding.message:
        return f"{finding.message} (base: {finding.base})"
    return finding.message


def told(finding: Finding) -> str:
    """All of it in one line: "boats/heron.bin: smoke_limit at 2200 rpm, 45 mg: 47.5 mg is above ...".

    The definition or policy that a finding is about itself is left out, as is its line.
    """
    place = headline(finding) if finding.image else finding.table
    return f"{place}: {sentence(finding)}" if place else sentence(finding)
