"""A fleet for people: which images share which calibration of each table, the odd ones named."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from callint import fmt
from callint.checking.fleet.changed_cells import RolloutState
from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.report import AnsweredQuestion, ChangeOfImage, CommitOfFleet, FleetReport
from callint.comparing.table_query import Answer, Condition
from callint.reporting.fleet.differences import compared_tables
from callint.reporting.fleet.wording import (
    ADOPTIONS,
    ANSWERS,
    answered_value,
    calibration,
    images_of,
    name_of,
    software_counts,
)
from callint.reporting.terminal import Terminal, arrow, heading, print_prose, row_with_prose, width

#: The images that are named of one calibration, the calibrations that are listed of one table, and the tables
#: that are named of one image.
_MOST_IMAGES, _MOST_CALIBRATIONS, _MOST_TABLES = 4, 6, 6
#: The tables that are listed with their calibrations.
_MOST_LISTED = 40
_ALL = 10**9
_INDENT = "  "


def _alike(tables: Sequence[TableGroups]) -> list[list[TableGroups]]:
    """The tables, those together that divide the images in the same way; each as early as its first."""
    by_division: dict[bytes, list[TableGroups]] = {}
    for groups in tables:
        by_division.setdefault(groups.numbers.tobytes(), []).append(groups)
    return [*by_division.values()]


class FleetText:
    """Prints a report; ``everything`` lists all images, calibrations and tables."""

    def __init__(self, report: FleetReport, terminal: Terminal, everything: bool) -> None:
        self._report, self._terminal = report, terminal
        self._most_images = _ALL if everything else _MOST_IMAGES
        self._most_calibrations = _ALL if everything else _MOST_CALIBRATIONS
        self._most_tables = _ALL if everything else _MOST_TABLES
        self._most_listed = _ALL if everything else _MOST_LISTED

    def print(self) -> None:
        """Print the report."""
        self._print_not_compared()
        if self._report.question is not None:
            self._print_answers(self._report.question)
        elif self._report.commit is not None:
            self._print_commit(self._report.commit)
        elif self._report.compared:
            self._print_compared()
        else:
            self._print_tables()

    def _prose(self, text: str, indent: str = "") -> None:
        print_prose(text, self._terminal, indent=indent)

    def _images(self, numbers: Sequence[int]) -> str:
        return images_of(numbers, self._report, self._most_images)

    def _print_not_compared(self) -> None:
        problems = self._report.not_compared
        if not problems:
            return
        self._prose(
            f"{fmt.count(len(problems), 'image')} of {len(self._report.records):,} cannot be compared:"
        )
        for record in problems[: max(self._most_images, 10)]:
            self._prose(f"{record.path}: {record.problem}", _INDENT)
        if len(problems) > max(self._most_images, 10):
            self._prose(f"and {len(problems) - max(self._most_images, 10):,} more", _INDENT)
        self._terminal.print()

    def _print_rows(self, rows: Iterable[tuple[str, str]]) -> None:
        """Rows of a label and prose beside it, the labels of one width."""
        rows = list(rows)
        room = max((len(label) for label, _ in rows), default=0)
        for label, text in rows:
            lead = f"{_INDENT}{label:<{room}}"
            for line in row_with_prose(lead, text, width(self._terminal), len(lead)):
                self._terminal.print(line)

    # Calibrations of tables

    def _print_tables(self) -> None:
        report = self._report
        alike = [[groups] for groups in report.tables] if report.is_selection else _alike(report.tables)
        shown = len(alike) if report.is_selection else self._most_listed
        for members in alike[:shown]:
            self._print_names(members)
            self._print_rows(self._calibrations(members[0]))
            self._terminal.print()
        if more := sum(map(len, alike[shown:])):
            self._prose(f"{fmt.count(more, 'more table')} of the least dangerous purposes; --all lists them.")
        self._prose(self._closing())

    def _print_names(self, members: Sequence[TableGroups]) -> None:
        """The name and title of a table, or the names of tables that divide the images alike."""
        first = members[0].table
        if len(members) > 1:
            names = [name_of(groups.table) for groups in members]
            self._prose(fmt.list_names(names, self._most_tables))
            return
        title = f": {first.title}" if first.title else ""
        for line in heading(name_of(first), title, width(self._terminal)):
            self._terminal.print(line)

    def _calibrations(self, groups: TableGroups) -> Iterable[tuple[str, str]]:
        """The calibrations of a table with their images, and their values if tables were selected."""
        shown = min(len(groups.counts), self._most_calibrations)
        for number in range(shown):
            text = self._images(groups.images(number))
            if self._report.is_selection:
                value = calibration(self._report.contents, groups, number, arrow(self._terminal))
                text = f"{value}; {text}" if value else text
            yield fmt.letter(number), text
        if more := len(groups.counts) - shown:
            images = int(groups.counts[shown:].sum())
            yield (
                "",
                f"{fmt.count(more, 'more calibration')} of {fmt.count(images, 'image')}; --all lists them",
            )
        if not shown:
            yield "", "no image has it"

    def _closing(self) -> str:
        report = self._report
        counts = f"{fmt.count(sum(report.image_counts.values()), 'image')} ({software_counts(report)})"
        if report.is_selection:
            return f"{counts}."
        total = len(report.tables) + len(report.uniform)
        if not report.tables:
            return f"{counts}: the same calibration of all {fmt.count(total, 'table')}."
        verb = "differs" if len(report.tables) == 1 else "differ"
        return f"{counts}: {len(report.tables):,} of {fmt.count(total, 'table')} {verb}."

    # A question

    def _print_answers(self, asked: AnsweredQuestion) -> None:
        answers = asked.answers
        total = len(self._report.records)
        yes = np.flatnonzero(answers == Answer.YES).tolist()
        self._prose(f"{asked.text}: {len(yes):,} of {fmt.count(total, 'image')}")
        question = asked.question.question
        if isinstance(question, Condition):
            self._print_rows(self._answers_with_values(asked, question))
            return
        numbers = {answer: np.flatnonzero(answers == answer).tolist() for answer in ANSWERS}
        self._print_rows(
            (ANSWERS[answer], self._images(numbers[answer])) for answer in ANSWERS if numbers[answer]
        )

    def _answers_with_values(
        self, asked: AnsweredQuestion, condition: Condition
    ) -> Iterable[tuple[str, str]]:
        """The images by answer and value; those without the condition only by number."""
        groups = asked.tables[condition.table]
        for answer in (Answer.YES, Answer.PARTLY):
            parts: dict[str, list[int]] = {}
            for number in range(len(groups.counts)):
                if asked.answers[int(groups.first_images[number])] == answer:
                    parts.setdefault(
                        answered_value(self._report.contents, asked, condition, number), []
                    ).extend(groups.images(number))
            for count, (value, images) in enumerate(parts.items()):
                if count == self._most_calibrations:
                    rest = sum(len(part) for part in list(parts.values())[count:])
                    yield "", f"{fmt.count(rest, 'image')} with other values; --all lists them"
                    break
                yield ANSWERS[answer], f"{value}; {self._images(sorted(images))}"
        for answer in (Answer.UNKNOWN, Answer.NO):
            if images := np.flatnonzero(asked.answers == answer).tolist():
                yield ANSWERS[answer], self._images(images)

    # Another image

    def _print_compared(self) -> None:
        report = self._report
        differing = list(compared_tables(report))
        shown = len(differing) if self._most_images == _ALL else 50
        rows = []
        for number, tables in differing[:shown]:
            names = fmt.list_names([name_of(groups.table) for groups in tables], self._most_tables)
            rows.append((report.records[number].path, f"{fmt.count(len(tables), 'table')}: {names}"))
        self._print_rows(rows)
        if len(differing) > shown:
            self._prose(f"and {fmt.count(len(differing) - shown, 'more image')}; --all lists them", _INDENT)
        if rows:
            self._terminal.print()
        total = sum(report.image_counts.values())
        verb = "differs" if len(differing) == 1 else "differ"
        self._prose(f"{len(differing):,} of {fmt.count(total, 'image')} {verb} from {report.compared}.")

    # A commit

    def _print_commit(self, commit: CommitOfFleet) -> None:
        facts = ", ".join(filter(None, (commit.author, commit.day)))
        for change in commit.changes:
            for line in heading(f"{commit.id[:8]} {commit.subject}", f" ({facts})", width(self._terminal)):
                self._terminal.print(line)
            tables = fmt.list_names(change.rollout.tables, self._most_tables)
            cells = fmt.count(change.rollout.cells, "cell")
            self._prose(f"{change.path}: {cells} of {tables}", _INDENT)
            self._print_rows(self._rollouts(change))
            if change is not commit.changes[-1]:
                self._terminal.print()

    def _rollouts(self, change: ChangeOfImage) -> Iterable[tuple[str, str]]:
        parts: dict[RolloutState, list[int]] = {}
        for number in range(len(self._report.records)):
            parts.setdefault(change.rollout.of(number), []).append(number)
        for kind, label in ADOPTIONS.items():
            images = parts.get(kind, [])
            if kind is RolloutState.PARTLY and len(images) <= self._most_images:
                for number in images:
                    new = int(change.rollout.counts[number, 0])
                    path = self._report.records[number].path
                    yield label, f"{path}: {new:,} of {fmt.count(change.rollout.cells, 'cell')}"
            elif images:
                yield label, self._images(images)
