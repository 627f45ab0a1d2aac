"""Sentences about one finding, for every format."""

from __future__ import annotations

import posixpath
import re

from callint import fmt
from callint.model.finding import Finding, can_be_waived

#: The number of printed digits of a fingerprint; they distinguish the findings of a repository.
_DIGITS = 8


def short_fingerprint(finding: Finding) -> str:
    """The digits of the fingerprint that callint waive accepts for a finding."""
    return finding.fingerprint[:_DIGITS]


def rule_text(finding: Finding) -> str:
    """The rule with the fingerprint for callint waive; a finding about a waiver cannot be waived."""
    return f"{finding.rule} ({short_fingerprint(finding)})" if can_be_waived(finding) else finding.rule


def reference_text(finding: Finding) -> str:
    """The address and the line of a finding; "" if neither is known."""
    address = [] if finding.address is None else [fmt.address(finding.address)]
    source = finding.policy or finding.definition
    line = [f"{source} line {finding.line}"] if source and finding.line else []
    origin = [f"from {origin_text(finding)}"] if finding.origin else []
    return ", ".join([*address, *line, *origin])


def origin_text(finding: Finding) -> str:
    """The file and line that a definition takes the subject of the finding from; "" for its own."""
    return f"{finding.origin} line {finding.origin_line}" if finding.origin else ""


def source_of(finding: Finding) -> str:
    """The file that the finding is about, with its commit if commits are judged one by one."""
    source = finding.image or finding.definition or finding.policy
    return f"{finding.commit[:10]}:{source}" if finding.commit else source


def headline(finding: Finding, with_place: bool = True) -> str:
    """The subject of the finding and its place: "boats/heron.bin: smoke_limit at 2200 rpm, 45 mg"."""
    source = source_of(finding)
    if not finding.table:
        return source
    return f"{source}: {finding.table} {finding.place if with_place else ''}".rstrip()


def sentence(finding: Finding, known_base: str = "") -> str:
    """The message, with the base's value unless it is ``known_base`` or in the message."""
    if finding.inherited:
        return f"{finding.message} (as in the base)"
    if finding.base and finding.base != known_base and finding.base not in finding.message:
        return f"{finding.message} (base: {finding.base})"
    return finding.message


def one_line(finding: Finding) -> str:
    """The finding in one line: "boats/heron.bin: smoke_limit at 2200 rpm, 45 mg: 47.5 mg is above ...".

    The definition or policy and its line are left out; of a finding about a definition, the origin is not.
    """
    place = headline(finding) if finding.image else finding.table
    origin = f" (from {origin_text(finding)})" if finding.origin and not finding.image else ""
    return f"{place}: {sentence(finding)}{origin}" if place else f"{sentence(finding)}{origin}"


def location(finding: Finding) -> tuple[str, int | None]:
    """The file to open for a finding, and the line in it; None if no line is known.

    A line of an image file of records comes before the line of the definition. A finding without any line is
    about the image itself, if it has one.
    """
    if finding.policy:
        return finding.policy, finding.line
    if finding.image and finding.image_line:
        return finding.image, finding.image_line
    if finding.definition and (finding.line or not finding.image):
        return finding.definition, finding.line
    return finding.image, None


def path_from_top(folder: str, path: str) -> str | None:
    """A path relative to the policy's folder as one from the top of its repository; None if it leads out.

    ``folder`` is the policy's folder from the top, "" for the top itself.
    """
    full_path = posixpath.normpath(posixpath.join(folder, path))
    return None if full_path.startswith(("../", "/")) or re.match(r"[A-Za-z]:/", full_path) else full_path
