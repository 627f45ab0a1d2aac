"""Findings as JUnit XML, which build servers show as tests."""

from __future__ import annotations

import re
from collections.abc import Sequence

from lxml import etree

from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding, Severity
from callint.reporting.findings.wording import sentence, told

#: What XML 1.0 cannot hold even as a reference (production 2, Char).
_UNSPEAKABLE = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

#: Where only what is new counts, there may be findings that are not.
_NOTHING = {True: "nothing found", False: "nothing new"}


def findings_junit(reports: Sequence[Report], levels: Sequence[Severity]) -> str:
    """A test suite for each file that was looked at, and in it a test case for each finding.

    What reaches the report's level is a failure, what somebody waived is skipped, and the rest passes with
    its words as output. A file without findings is one test that passes. Where only what is new
    counts, findings that were there before are not in it.
    """
    root = etree.Element("testsuites", name="callint")
    for report, level in zip(reports, levels, strict=True):
        lead = f"{report.commit[:10]}:" if report.commit else ""
        suites: dict[str, list[Finding]] = {path: [] for path in report.files}
        for finding in report.findings:
            suites.setdefault(finding.image or finding.definition or finding.policy, []).append(finding)
        for path, findings in suites.items():
            suite = etree.SubElement(root, "testsuite", name=_text(f"{lead}{path}"))
            for finding in findings:
                _add_case(suite, finding, level)
            if not findings:
                etree.SubElement(
                    suite, "testcase", classname=_text(path), name=_NOTHING[report.known is None]
                )
            _count(suite, [suite])
    _count(root, list(root))
    content = etree.tostring(root, encoding="us-ascii", pretty_print=True).decode("ascii")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{content}'


def _add_case(suite: etree._Element, finding: Finding, level: Severity) -> None:
    place = f"{finding.table} {finding.place}".strip()
    case = etree.SubElement(
        suite,
        "testcase",
        classname=_text(finding.image or finding.definition or finding.policy),
        name=_text(f"{finding.rule}: {place}" if place else finding.rule),
        file=_text(finding.policy or finding.definition or finding.image),
        line=str(finding.line or 1),
    )
    properties = etree.SubElement(case, "properties")
    cell = f"{finding.cell.x},{finding.cell.y}" if finding.cell else ""
    for name, value in (
        ("rule", finding.rule),
        ("severity", finding.severity.value),
        ("table", finding.table),
        ("cell", cell),
        ("address", "" if finding.address is None else f"0x{finding.address:05X}"),
        ("fingerprint", finding.fingerprint),
    ):
        if value:
            etree.SubElement(properties, "property", name=name, value=_text(value))
    words = _text(f"{finding.severity.value}: {told(finding)}")
    if finding.hint:
        words += f"\n{_text(finding.hint)}"
    if finding.waiver:
        reason = f"waived by {finding.waiver.who}: {finding.waiver.reason}"
        etree.SubElement(case, "skipped", type=finding.rule, message=_text(reason))
        etree.SubElement(case, "system-out").text = words
    elif finding.severity.reaches(level):
        failure = etree.SubElement(case, "failure", type=finding.rule, message=_text(sentence(finding)))
        failure.text = words
    else:
        etree.SubElement(case, "system-out").text = words


def _count(element: etree._Element, suites: Sequence[etree._Element]) -> None:
    """Put down how many cases there are, and how many of them failed or were skipped."""
    for name, tag in (("tests", "testcase"), ("failures", "failure"), ("skipped", "skipped")):
        element.set(name, str(sum(1 for suite in suites for _ in suite.iter(tag))))
    element.set("errors", "0")


def _text(text: str) -> str:
    return _UNSPEAKABLE.sub("\ufffd", clean(text))
