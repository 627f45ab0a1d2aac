"""What was carried to another software version, for people: tables, what was left out, problems."""

from __future__ import annotations

from collections import Counter

from callint import fmt
from callint.comparing.carry import CarryProblem, Moved, Note
from callint.reporting.carry.json import CarryReport
from callint.reporting.findings.text import print_findings
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped

_INDENT = " " * 9
#: Of one table so many problems with one reason, and so many notes, are spelled out.
_MOST = 5


def print_carry(report: CarryReport, terminal: Terminal, everything: bool = False) -> None:
    """Print what was or would be carried, a closing line, and which rules the written image breaks.

    Unless ``everything`` is asked for, what is said of a table over and over is cut short and counted.
    """
    carried = report.carried
    is_written = carried.image is not None
    stuck = {problem.name for problem in carried.problems}
    shown_ones = [one for one in carried.moved if one.cells or one.name not in stuck]
    for one in shown_ones:
        words = f": {one.title} ({one.kind})" if one.title else f" ({one.kind})"
        for row in heading(one.name, words, width(terminal)):
            terminal.print(row)
        _print_prose(_moved_words(one, is_written), terminal, indent="  ")
        notes = [note for note in carried.notes if note.name == one.name]
        for note in notes if everything else notes[:_MOST]:
            _print_prose(_note_words(note), terminal, indent="  ")
        if len(notes) > _MOST and not everything:
            _print_more(len(notes) - _MOST, "note", terminal, indent="  ")
    if shown_ones:
        terminal.print()
    for left in carried.left_out:
        _print_item("left out", left.name, left.what, "", terminal)
    if carried.left_out:
        terminal.print()
    _print_problems(report, terminal, everything)
    _print_prose(closing_line(report), terminal)
    if report.broken.findings:
        rules = fmt.count(len({finding.rule for finding in report.broken.findings}), "rule")
        _print_prose(f"It breaks {rules} that {report.new_base} does not break:", terminal)
        terminal.print()
        print_findings(report.broken, terminal, everything)


def closing_line(report: CarryReport) -> str:
    """Whether the image is written, and what is in it or why not."""
    carried = report.carried
    if carried.image is None:
        count = fmt.count(len(carried.problems), "problem")
        advice = "--leave-out NAME writes the rest without a table, axis or text; carry that by hand"
        return f"Nothing is written: {count}. {advice}."
    if not carried.moved:
        return f"{report.image} is the new base as it was: nothing was carried."
    kinds = Counter("table" if one.kind not in ("axis", "text") else one.kind for one in carried.moved)
    things = ", ".join(fmt.count(amount, kind) for kind, amount in kinds.items())
    left = f", {len(carried.left_out):,} left out" if carried.left_out else ""
    cells = f"{fmt.count(carried.cells, 'value')} {'differs' if carried.cells == 1 else 'differ'}"
    return f"{report.image} is written: {things} carried{left}; {cells} from the new base."


def _moved_words(one: Moved, is_written: bool) -> str:
    if not one.cells:
        return "nothing to write: the new base has it so already"
    if one.kind == "text":
        return "written" if is_written else "would be written"
    noun = "breakpoint" if one.kind == "axis" else "cell"
    words = f"{fmt.count(one.cells, noun)} {'written' if is_written else 'would be written'}"
    if not one.deviation:
        return f"{words}, exactly"
    place = f" {one.spot.place}" if one.spot and one.spot.place else ""
    return f"{words}, at most {one.words} from what was wanted{place}"


def _note_words(note: Note) -> str:
    return f"{note.message} {note.spot.place}".rstrip() if note.spot else note.message


def _print_problems(report: CarryReport, terminal: Terminal, everything: bool) -> None:
    spoken: Counter[tuple[str, str]] = Counter()
    problems = report.carried.problems
    for one in problems:
        spoken[one.name, one.reason] += 1
        if everything or spoken[one.name, one.reason] <= _MOST:
            _print_item("problem", one.name, one.message, _problem_place(one), terminal)
    for (name, reason), amount in spoken.items():
        if amount > _MOST and not everything:
            _print_more(amount - _MOST, f"{reason} problem", terminal, _INDENT, f" in {name}")
    if problems:
        terminal.print()


def _problem_place(one: CarryProblem) -> str:
    if one.spot is None or not one.spot.place:
        return ""
    return f" {one.spot.place}{' of the old table' if one.is_old else ''}"


def _print_item(label: str, name: str, words: str, place: str, terminal: Terminal) -> None:
    first, *more = wrapped(f"{name}{place}", width(terminal), _INDENT)
    terminal.print(line(f"{label:<9}", (first[len(_INDENT) :], "bold")))
    for text in more:
        terminal.print(line((text, "bold")))
    _print_prose(words, terminal, indent=_INDENT)


def _print_more(amount: int, noun: str, terminal: Terminal, indent: str, place: str = "") -> None:
    words = f"and {fmt.count(amount, f'more {noun}')}{place}; --all shows them"
    _print_prose(words, terminal, indent, QUIET)


def _print_prose(words: str, terminal: Terminal, indent: str = "", style: str = "") -> None:
    for text in wrapped(words, width(terminal), indent):
        terminal.print(line((text, style)))
