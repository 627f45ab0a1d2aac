"""Examples of rules: files, and what a rule says about them or that it says nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial

import pytest

from callint.checking.assignments import Assignment
from callint.checking.base_changes import base_findings
from callint.checking.checker import Checker
from callint.checking.copies import copy_findings
from callint.checking.definition_base import findings_against_base
from callint.checking.definition_changes import loosened_findings
from callint.checking.policy_changes import policy_findings
from callint.checking.report import Report
from callint.checking.unassigned import unassigned_findings
from callint.checking.unit_numbers import unit_findings
from callint.decoding import digest
from callint.model.finding import Cell, Finding, Severity
from callint.model.image import Image
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from tests.building import TODAY, Files, decoded, definition_xml, image, read

#: Names under which the files of an example lie.
DEFINITION, IMAGE, BASE, OTHER = "test.xml", "new.bin", "base.bin", "other.bin"


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What a finding must say.

    ``words`` stand in its message. ``line`` is a piece of the definition that stands only in the line
    that the finding names, or that line's number; ``image_line`` is one of the image.
    """

    severity: Severity
    words: tuple[str, ...]
    line: str | int | None = None
    image_line: int | None = None
    table: str = ""
    cell: Cell | None = None
    at: Mapping[str, float] = field(default_factory=dict)
    address: int | None = None
    raw: int | float | None = None
    physical: float | None = None
    base_physical: float | None = None
    unit: str = ""


@dataclass(frozen=True, kw_only=True)
class Example:
    """Files that a rule finds one thing in, or none where nothing is ``expected``.

    ``assignment`` stands in for the usual one: the image new.bin, where ``data`` is given, of the
    definition test.xml, with the base base.bin where one is given. If not ``is_assigned``, no entry of the
    policy names new.bin. If it ``is_factory``, it judges the definition. ``earlier`` and ``earlier_base`` are
    what the image and the base were in the state before, ``earlier_xml`` and ``earlier_policy`` what the
    definition and the policy were; ``other`` is other.bin, now and before.
    """

    rule: str
    name: str
    xml: bytes
    data: bytes | None = None
    base: bytes | None = None
    policy: Policy = field(default_factory=Policy)
    assignment: Assignment | None = None
    is_assigned: bool = True
    is_factory: bool = False
    earlier: bytes | None = None
    other: bytes | None = None
    earlier_other: bytes | None = None
    earlier_base: bytes | None = None
    earlier_xml: bytes | None = None
    earlier_policy: Policy | None = None
    expected: Expected | None = None

    def __str__(self) -> str:
        return f"{self.rule} {'finds' if self.expected else 'passes over'} {self.name}"

    def report(self) -> Report:
        """What callint says about the files."""
        files = Files()
        files.files[DEFINITION] = self.xml
        if self.data is not None:
            files.files[IMAGE] = self.data
        if self.base is not None:
            files.files[BASE] = self.base
        if self.other is not None:
            files.files[OTHER] = self.other
        bases = (BASE,) if self.base is not None else ()
        has_usual = self.data is not None and self.is_assigned and not self.is_factory
        usual = [Assignment(IMAGE, (DEFINITION,), bases)] if has_usual else []
        images = [self.assignment] if self.assignment else usual
        inspector = Checker(files, self.policy, TODAY)
        return inspector.report(
            images,
            [DEFINITION],
            whole=True,
            further=[*self._bases(files), *self._further(images)],
        )

    def _further(self, images: list[Assignment]) -> list[Callable[[Checker], Iterable[Finding]]]:
        """What looks at files beside each other."""
        if self.is_factory:
            return [partial(findings_against_base, definitions=[DEFINITION], base=IMAGE)]
        if not self.is_assigned:
            return [partial(unassigned_findings, paths=[IMAGE])]
        earlier = Files()
        if self.earlier is not None:
            earlier.files[IMAGE] = self.earlier
        if self.earlier_other is not None:
            earlier.files[OTHER] = self.earlier_other
        finders = (unit_findings, copy_findings)
        images_before = [partial(find, images=images, earlier=lambda: [earlier]) for find in finders]
        return [*images_before, *self._comparisons(images)]

    def _comparisons(self, images: list[Assignment]) -> Iterator[Callable[[Checker], Iterable[Finding]]]:
        """What compares definition and policy with the state before, if there is one."""
        if self.earlier_xml is None and self.earlier_policy is None:
            return
        before = Files()
        before.files.update({DEFINITION: self.earlier_xml or self.xml})
        if self.earlier is not None:
            before.files[IMAGE] = self.earlier
        states = [Checker(before, self.earlier_policy or self.policy, TODAY)]
        yield partial(loosened_findings, earlier=states, images=images)
        yield partial(policy_findings, earlier=states)

    def _bases(self, files: Files) -> Iterator[Callable[[Checker], Iterable[Finding]]]:
        """What finds the bases that differ from the state before, if there is one."""
        if self.earlier_base is None:
            return
        before = Files()
        before.files.update({**files.files, BASE: self.earlier_base})
        yield partial(base_findings, earlier=[Checker(before, self.policy, TODAY)])

    def check(self) -> None:
        """Assert that the rule says what is expected, once, or nothing."""
        findings = [finding for finding in self.report().findings if finding.rule == self.rule]
        if self.expected is None:
            assert findings == []
            return
        assert len(findings) == 1, findings
        assert _content(findings[0]) == _expected_content(self, self.expected)
        for text in self.expected.words:
            assert text in findings[0].message
        assert findings[0].hint
        _check_place(findings[0])


def _content(finding: Finding) -> dict[str, object]:
    return {
        "severity": finding.severity,
        "line": finding.line,
        "image_line": finding.image_line,
        "table": finding.table,
        "cell": finding.cell,
        "at": dict(finding.at),
        "address": finding.address,
        "raw": finding.raw,
        "physical": finding.physical,
        "base_physical": finding.base_physical,
        "unit": finding.unit,
        "inherited": finding.inherited,
        "waived": finding.waived,
    }


def _expected_content(example: Example, expected: Expected) -> dict[str, object]:
    line = expected.line
    return {
        "severity": expected.severity,
        "line": line_of(example.xml, line) if isinstance(line, str) else line,
        "image_line": expected.image_line,
        "table": expected.table,
        "cell": expected.cell,
        "at": dict(expected.at),
        "address": expected.address,
        "raw": expected.raw,
        "physical": expected.physical,
        "base_physical": expected.base_physical,
        "unit": expected.unit,
        "inherited": False,
        "waived": False,
    }


def _check_place(finding: Finding) -> None:
    """Each family's findings name the file that they are about."""
    match finding.rule.partition("/")[0]:
        case "definition":
            assert (finding.image, finding.definition) == ("", DEFINITION)
        case "waiver" | "policy":
            assert (finding.image, finding.definition, finding.policy) == ("", "", "callint.toml")
        case "base":
            assert (finding.image, finding.definition) == (BASE, DEFINITION)
        case _:
            assert (finding.image, finding.definition) == (IMAGE, DEFINITION)


def line_of(xml: bytes, piece: str) -> int:
    """The one line of a file that has a piece of text in it, counted from 1."""
    lines = [number for number, line in enumerate(xml.decode().splitlines(), 1) if piece in line]
    assert len(lines) == 1, f"{piece!r} stands in the lines {lines}"
    return lines[0]


def all_examples(examples: Iterable[Example]) -> pytest.MarkDecorator:
    """Run a test once for each example, under the example's own words."""
    return pytest.mark.parametrize("example", tuple(examples), ids=str)


def of_rule(findings: Iterable[Finding], rule: str) -> list[Finding]:
    """The findings of one rule."""
    return [finding for finding in findings if finding.rule == rule]


# Definitions


def table(kind: str, name: str, inside: str = "", **attributes: str | int) -> str:
    """A table's element on a line of its own: 16-bit, in tenths of a mg, where nothing else is said."""
    given: dict[str, str | int] = {
        "title": name.replace("_", " ").capitalize(),
        "purpose": "general",
        "at": 0,
        "type": "uint16",
        "conversion": "mg",
        **{key.replace("_", "-"): value for key, value in attributes.items()},
    }
    text = " ".join(f'{key}="{value}"' for key, value in given.items())
    return f'\n<{kind} name="{name}" {text}>\n{inside}</{kind}>\n'


def axis(name: str, signal: str = "speed", **attributes: str | int) -> str:
    """A stored axis on a line of its own: two 16-bit breakpoints in rpm where nothing else is said."""
    given: dict[str, str | int] = {
        "signal": signal,
        "at": 0,
        "type": "uint16",
        "conversion": "rpm",
        "count": 2,
        **{key.replace("_", "-"): value for key, value in attributes.items()},
    }
    text = " ".join(f'{key}="{value}"' for key, value in given.items())
    return f'\n<axis name="{name}" {text}/>\n'


#: Two shared axes in the first ten bytes: three breakpoints of speed, two of load.
AXES = axis("speeds", at=0, count=3) + axis("loads", "load", at=6, conversion="mg", count=2)

#: The axes of a map over them; the next free address is 10.
ON_AXES = '<x axis="speeds"/><y axis="loads"/>'


# Waivers


def waiver(rule: str, digest: str, **about: str) -> Waiver:
    """A waiver without an end, written in line 12 of the policy."""
    return Waiver(
        rule=rule,
        image=about.get("image", ""),
        table=about.get("table", ""),
        reason="agreed on after the trial",
        who="Ines Falk",
        until=None,
        digest=digest,
        line=12,
    )


def table_digest(xml: bytes, data: bytes, name: str) -> str:
    """What a waiver of a table's findings holds for."""
    item = decoded(xml, data)
    return str(digest.table_digest(item, item.layout.definition.tables[name]))


def image_digest(xml: bytes, data: bytes) -> str:
    """What a waiver of an image's findings holds for."""
    return str(digest.whole_digest(Image.raw(data), read(xml)))


def text_examples(rule: str, purpose: str) -> tuple[Example, Example]:
    """A changed text of the purpose that a rule is about, and one of another."""
    fails, passes = (
        definition_xml(f'\n<text name="approval" title="Approval" purpose="{item}" at="20" length="4"/>\n')
        for item in (purpose, "general")
    )
    new, old = image(at_20=b"E-28"), image(at_20=b"E-27")
    expected = Expected(
        severity=Severity.WARNING,
        words=(f'{purpose} text changed: "E-27" became "E-28"',),
        line='name="approval"',
        table="approval",
        address=20,
    )
    return (
        Example(
            rule=rule,
            name=f"a changed {purpose} text",
            xml=fails,
            data=new,
            base=old,
            expected=expected,
        ),
        Example(rule=rule, name="a changed text of another purpose", xml=passes, data=new, base=old),
    )
