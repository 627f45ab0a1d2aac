"""What was carried to another software version, for people: tables, what was left out, problems."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from callint import fmt
from callint.checking.carry_report import CarryReport
from callint.comparing.carry.causes import Reason
from callint.comparing.carry.result import CarriedItem, CarryNote, CarryProblem
from callint.reporting.carry.reasons import deviation, note_message, omission_text, place, problem_message
from callint.reporting.findings.cause_text import print_causes
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped

_INDENT = " " * 9
#: At most this many problems with one reason, and notes, are printed for one table.
_MOST = 5


def print_carry(report: CarryReport, terminal: Terminal, everything: bool = False) -> None:
    """Print what was or would be carried, a closing line, and which rules the written image breaks.

    Without ``everything``, long lists of problems or notes about one table are cut short and counted.
    """
    carried = report.carried
    is_written = carried.image is not None
    problem_names = {problem.name for problem in carried.problems}
    items = [item for item in carried.items if item.cells or item.name not in problem_names]
    for item in items:
        _print_carried(item, carried.notes, is_written, terminal, everything)
    if items:
        terminal.print()
    for omission in carried.left_out:
        _print_item("left out", omission.name, omission_text(omission.what), "", terminal)
    if carried.left_out:
        terminal.print()
    _print_problems(report, terminal, everything)
    _print_prose(closing_line(report), terminal)
    if report.broken.findings:
        rules = fmt.count(len({finding.rule for finding in report.broken.findings}), "rule")
        _print_prose(f"It breaks {rules} that {report.new_base} does not break:", terminal)
        terminal.print()
        print_causes(report.broken, terminal, everything)


def closing_line(report: CarryReport) -> str:
    """Whether the image is written, and what is in it or why not."""
    carried = report.carried
    if carried.image is None:
        count = fmt.count(len(carried.problems), "problem")
        advice = "--leave-out NAME writes the rest without a table, axis or text; carry that by hand"
        return f"Nothing is written: {count}. {advice}."
    if not carried.items:
        return f"{report.image} equals the new base: nothing was carried."
    kinds = Counter("table" if item.kind not in ("axis", "text") else item.kind for item in carried.items)
    items = ", ".join(fmt.count(amount, kind) for kind, amount in kinds.items())
    left = f", {len(carried.left_out):,} left out" if carried.left_out else ""
    cells = f"{fmt.count(carried.cells, 'value')} {'differs' if carried.cells == 1 else 'differ'}"
    return f"{report.image} is written: {items} carried{left}; {cells} from the new base."


def _print_carried(
    item: CarriedItem, all_notes: Iterable[CarryNote], is_written: bool, terminal: Terminal, everything: bool
) -> None:
    title = f": {item.title} ({item.kind})" if item.title else f" ({item.kind})"
    for row in heading(item.name, title, width(terminal)):
        terminal.print(row)
    _print_prose(_carried_text(item, is_written), terminal, indent="  ")
    notes = [note for note in all_notes if note.name == item.name]
    for note in notes if everything else notes[:_MOST]:
        text = f"{note_message(note.reason)} {place(note.cell)}".rstrip()
        _print_prose(text, terminal, indent="  ")
    if len(notes) > _MOST and not everything:
        _print_more(len(notes) - _MOST, "note", terminal, indent="  ")


def _carried_text(item: CarriedItem, is_written: bool) -> str:
    if not item.cells:
        return "nothing to write: the new base already has it"
    if item.kind == "text":
        return "written" if is_written else "would be written"
    noun = "breakpoint" if item.kind == "axis" else "cell"
    text = f"{fmt.count(item.cells, noun)} {'written' if is_written else 'would be written'}"
    if not item.deviation:
        return f"{text}, exactly"
    return f"{text}, at most {deviation(item)} from the wanted value {place(item.cell)}".rstrip()


def _print_problems(report: CarryReport, terminal: Terminal, everything: bool) -> None:
    counts: Counter[tuple[str, Reason]] = Counter()
    problems = report.carried.problems
    for problem in problems:
        counts[problem.name, problem.reason] += 1
        if everything or counts[problem.name, problem.reason] <= _MOST:
            message = problem_message(problem.cause)
            _print_item("problem", problem.name, message, _problem_place(problem), terminal)
    for (name, reason), amount in counts.items():
        if amount > _MOST and not everything:
            _print_more(amount - _MOST, f"{reason} problem", terminal, _INDENT, f" in {name}")
    if problems:
        terminal.print()


def _problem_place(problem: CarryProblem) -> str:
    cell_place = place(problem.cell)
    if not cell_place:
        return ""
    return f" {cell_place}{' of the old table' if problem.is_old else ''}"


def _print_item(label: str, name: str, message: str, cell_place: str, terminal: Terminal) -> None:
    first, *more = wrapped(f"{name}{cell_place}", width(terminal), _INDENT)
    terminal.print(line(f"{label:<9}", (first[len(_INDENT) :], "bold")))
    for text in more:
        terminal.print(line((text, "bold")))
    _print_prose(message, terminal, indent=_INDENT)


def _print_more(amount: int, noun: str, terminal: Terminal, indent: str, scope: str = "") -> None:
    text = f"and {fmt.count(amount, f'more {noun}')}{scope}; --all shows them"
    _print_prose(text, terminal, indent, QUIET)


def _print_prose(prose: str, terminal: Terminal, indent: str = "", style: str = "") -> None:
    for text in wrapped(prose, width(terminal), indent):
        terminal.print(line((text, style)))
