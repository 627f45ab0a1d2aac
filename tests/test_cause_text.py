"""What the printed causes leave out is milder than what they show, and is counted."""

from __future__ import annotations

from io import StringIO

import pytest

from callint.checking.cause_order import sort_findings
from callint.checking.report import Report
from callint.model.cause import Cause, CauseKind, Place
from callint.model.finding import Cell, Finding, Severity
from callint.reporting.findings import cause_text
from callint.reporting.findings.cause_text import print_causes
from callint.reporting.findings.markdown import findings_markdown
from callint.reporting.terminal import console

AXIS = Cause("cause-00000001", CauseKind.AXIS, (Place(CauseKind.AXIS, "speeds", "axis speeds: moved"),))


def finding(rule: str, table: str, x: int, severity: Severity = Severity.ERROR, by: float = 1) -> Finding:
    return Finding(
        rule=rule,
        severity=severity,
        message=f"{table} says {severity.value} {x}",
        image="boats/heron.bin",
        table=table,
        cell=Cell(x, 0),
        physical=100 + by,
        base_physical=100.0,
        cause=AXIS.id,
    )


def report(findings: list[Finding], *causes: Cause) -> Report:
    known = {cause.id: cause for cause in (AXIS, *causes)}
    return Report(tuple(sort_findings(findings, known)), 1, 1, 1, causes=known)


def printed(findings: list[Finding], *causes: Cause) -> list[str]:
    stream = StringIO()
    print_causes(report(findings, *causes), console(stream, colour=False))
    return stream.getvalue().splitlines()


def shown(lines: list[str]) -> list[str]:
    """The findings below the headings, from the name of their table on."""
    return [line.partition(": ")[2] or line for line in lines if " says " in line]


def test_three_notes_of_a_rule_do_not_hide_its_error() -> None:
    notes = [finding("change/suspicious-cell", "fuel", x, Severity.NOTE) for x in range(4)]
    worst = finding("change/suspicious-cell", "torque", 9)
    lines = printed([*notes, worst])
    assert "  " + worst.fingerprint[:8] + " torque: torque says error 9" in lines
    assert sum("says note" in line for line in lines) == 2
    assert "  and 2 more of change/suspicious-cell" in lines


def test_errors_of_one_table_come_before_notes_of_others() -> None:
    errors = [finding("value/too-steep", "fuel", x) for x in range(2)]
    notes = [finding("value/too-steep", name, 0, Severity.NOTE) for name in ("egr", "boost", "timing")]
    lines = printed([*notes, *errors])
    assert sum("says error" in line for line in lines) == 2
    assert "  and 2 more of value/too-steep, also in egr, timing" in lines


def test_each_protection_that_an_axis_disables_is_shown_or_named() -> None:
    cut = [finding("protection/disabled", "cut", x) for x in range(5)]
    others = [finding("protection/disabled", name, 0) for name in ("derate", "monitor", "overspeed", "smoke")]
    lines = printed([*cut, *others])
    tables = [text.split(" says ")[0] for text in shown(lines)]
    assert tables == ["cut", "derate", "monitor"]
    assert "  and 6 more of protection/disabled, also in overspeed, smoke" in lines


def test_of_one_table_the_largest_changes_are_shown_in_the_order_of_cells() -> None:
    sizes = [1, 9, 2, 8, 3, 7]
    lines = printed([finding("change/too-large", "fuel", x, by=by) for x, by in enumerate(sizes)])
    assert [text.split()[-1] for text in shown(lines)] == ["1", "3", "5"]


def test_causes_that_are_not_printed_are_counted_with_what_they_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cause_text, "_MOST_CAUSES", 1)
    other = Cause("cause-00000002", CauseKind.TABLE, (Place(CauseKind.TABLE, "smoke", "smoke"),))
    hidden = Finding(rule="protection/disabled", message="off", image="boats/heron.bin", cause=other.id)
    lines = printed([finding("protection/disabled", "cut", 0), hidden], other)
    assert lines[-1] == "1 more mistake not shown, 1 disables a protection; --all shows it"


def test_many_findings_of_one_cause_leave_room_for_others_in_markdown() -> None:
    other = Cause("cause-00000002", CauseKind.TABLE, (Place(CauseKind.TABLE, "smoke", "smoke"),))
    last = Finding(rule="value/unexpected", message="odd", image="boats/heron.bin", cause=other.id)
    many = [finding("protection/disabled", "cut", x) for x in range(20)]
    visible = findings_markdown(report([*many, last], other)).partition("<details>")[0]
    assert "| error | boats/heron.bin | odd |" in visible
    assert visible.count("cut says") == 7
    assert "13 more findings below." in visible


def test_each_remedy_of_a_line_of_a_definition_is_printed_up_to_three() -> None:
    cause = Cause("cause-00000003", CauseKind.DEFINITION, (Place(CauseKind.DEFINITION, "fuel", "fuel"),))

    def about_line(rule: str, hint: str) -> Finding:
        return Finding(
            rule=rule,
            message=f"{rule} is broken",
            definition="a.xml",
            line=7,
            table="fuel",
            hint=hint,
            cause=cause.id,
        )

    rules = ("overlap", "no-limits", "outside-image", "limits-inverted", "repeated-demand")
    hints = ("Correct the address.", "Add limits.", "Add limits.", "Swap the limits.", "Remove one.")
    lines = printed(
        [about_line(f"definition/{rule}", hint) for rule, hint in zip(rules, hints, strict=True)], cause
    )
    remedies = [line.strip() for line in lines if line.strip().partition(" (")[0] in hints]
    assert len(remedies) == 3
    assert len({line.partition(" (")[0] for line in remedies}) == 3
    assert [line.endswith(f" ({cause.id})") for line in remedies] == [False, False, True]
