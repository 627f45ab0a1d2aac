"""Findings as JUnit XML, which build servers show as tests."""

from __future__ import annotations

import re
from collections.abc import Sequence

from lxml import etree

from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding, Severity
from callint.reporting.findings.wording import location, one_line, sentence

#: Characters that XML 1.0 does not allow even as references (production 2, Char).
_ILLEGAL = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

#: The name of the test of a file without findings, by whether all findings count or only new ones.
_NO_FINDING = {True: "nothing found", False: "nothing new"}


def findings_junit(reports: Sequence[Report], levels: Sequence[Severity]) -> str:
    """A test suite for each checked file, with a test case for each finding.

    A finding that reaches the report's level is a failure, a waived one is skipped, and any other passes with
    its message as output. A file without findings is one test that passes. If only new findings count, known
    ones are left out.
    """
    root = etree.Element("testsuites", name="callint")
    for report, level in zip(reports, levels, strict=True):
        prefix = f"{report.commit[:10]}:" if report.commit else ""
        suites: dict[str, list[Finding]] = {path: [] for path in report.files}
        for finding in report.findings:
            suites.setdefault(finding.image or finding.definition or finding.policy, []).append(finding)
        for path, findings in suites.items():
            suite = etree.SubElement(root, "testsuite", name=_text(f"{prefix}{path}"))
            for finding in findings:
                _add_test_case(suite, finding, level)
            if not findings:
                etree.SubElement(
                    suite, "testcase", classname=_text(path), name=_NO_FINDING[report.known is None]
                )
            _count(suite, [suite])
    _count(root, list(root))
    content = etree.tostring(root, encoding="us-ascii", pretty_print=True).decode("ascii")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{content}'


def _add_test_case(suite: etree._Element, finding: Finding, level: Severity) -> None:
    place = f"{finding.table} {finding.place}".strip()
    path, line = location(finding)
    test_case = etree.SubElement(
        suite,
        "testcase",
        classname=_text(finding.image or finding.definition or finding.policy),
        name=_text(f"{finding.rule}: {place}" if place else finding.rule),
        file=_text(path),
        line=str(line or 1),
    )
    properties = etree.SubElement(test_case, "properties")
    cell = f"{finding.cell.x},{finding.cell.y}" if finding.cell else ""
    for name, value in (
        ("rule", finding.rule),
        ("severity", finding.severity.value),
        ("table", finding.table),
        ("cell", cell),
        ("address", "" if finding.address is None else f"0x{finding.address:05X}"),
        ("fingerprint", finding.fingerprint),
        ("cause", finding.cause),
    ):
        if value:
            etree.SubElement(properties, "property", name=name, value=_text(value))
    output = _text(f"{finding.severity.value}: {one_line(finding)}")
    if finding.hint:
        output += f"\n{_text(finding.hint)}"
    if finding.waiver:
        reason = f"waived by {finding.waiver.who}: {finding.waiver.reason}"
        etree.SubElement(test_case, "skipped", type=finding.rule, message=_text(reason))
        etree.SubElement(test_case, "system-out").text = output
    elif finding.severity.reaches(level):
        failure = etree.SubElement(test_case, "failure", type=finding.rule, message=_text(sentence(finding)))
        failure.text = output
    else:
        etree.SubElement(test_case, "system-out").text = output


def _count(element: etree._Element, suites: Sequence[etree._Element]) -> None:
    """Set the number of test cases, and of those that failed or were skipped."""
    for name, tag in (("tests", "testcase"), ("failures", "failure"), ("skipped", "skipped")):
        element.set(name, str(sum(1 for suite in suites for _ in suite.iter(tag))))
    element.set("errors", "0")


def _text(text: str) -> str:
    return _ILLEGAL.sub("\ufffd", clean(text))
