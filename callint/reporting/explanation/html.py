"""The page: one file without a script or a request, laid out for one sheet of paper."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from html import escape
from textwrap import wrap

from callint import fmt
from callint.checking.cause_order import Danger
from callint.model.definition import Purpose
from callint.reporting import html_page
from callint.reporting.explanation.english import English
from callint.reporting.explanation.german import German
from callint.reporting.explanation.language import Language
from callint.reporting.explanation.wording import Titles, change_texts, range_lines, shortened
from callint.reporting.html_page import element, items
from callint.versioning.explanation import ChangeReason, ExplainedTable, Explanation

#: The languages in which the page is written, by their tags.
LANGUAGES: Mapping[str, Callable[[], Language]] = {"en": English, "de": German}

#: The lines of tables for which one sheet has room, those of protection and emissions among them, and the
#: padding of a row in lines.
_MOST_LINES, _MOST_GUARDED, _PADDING = 39, 17, 0.4
#: The facts and the labels for which the room is set aside.
_USUAL_FACTS, _MOST_TEXTS = 5, 3
#: A row of one line, the fewest lines for a commit with its settings, and the line for settings further up.
_ONE_LINE, _FEWEST_LINES, _ALSO = 1 + _PADDING, 6, 1
#: The characters of a line in each column, and across all of them.
_COLUMNS, _ACROSS = (25, 50, 25), 108
#: The most characters of a message or a reason.
_MOST_CHARACTERS = 160
#: The most titles in one list, and the most commits.
_MOST_NAMES, _MOST_REASONS = 4, 4
#: Digits of a digest that identify a file on paper, and of the id of a commit.
_DIGITS, _SHORT_ID = 16, 10
_GUARDED = (Purpose.PROTECTION, Purpose.EMISSIONS)
_DANGERS = {Danger.DISABLED: 0, Danger.WEAKENED: 1}


def page(explanation: Explanation, language: Language, titles: Titles) -> str:
    """The whole page. Equal explanations give equal pages, byte for byte."""
    return _Page(explanation, language, titles).text()


class _Room:
    """The lines that are left on the sheet."""

    def __init__(self, lines: float) -> None:
        self.left = lines

    def take(self, lines: float) -> float:
        """Take lines away, or as many as there are."""
        taken = min(lines, self.left)
        self.left -= taken
        return taken

    def fitting(self, texts: list[str]) -> list[str]:
        """The texts, whose lines are taken; none if no line would be left for a row behind them."""
        lines = _line_count(texts, _ACROSS)
        if lines + _ONE_LINE > self.left:
            return []
        self.left -= lines
        return texts

    def give(self, lines: float) -> None:
        """Give lines back that were taken and are not needed."""
        self.left += lines


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of a table and the lines that it takes."""

    html: str
    lines: float


class _Page:
    """Writes the page of one explanation."""

    def __init__(self, explanation: Explanation, language: Language, titles: Titles) -> None:
        self._explanation = explanation
        self._language = language
        self._titles = titles
        self._described: set[str] = set()
        self._room = _Room(_MOST_LINES)

    def text(self) -> str:
        """The whole page."""
        title = fmt.clean(f"{self._language.headings.title}: {self._name()}")
        style = html_page.read_part("reporting/explanation/page.css")
        return html_page.document(title, style, "", self._body(), self._language.tag)

    def _body(self) -> Iterator[str]:
        head = self._language.headings
        yield from ("<main>", element("h1", head.title), *self._facts())
        yield element("h2", head.summary)
        yield from items(filter(None, self._summary()))
        yield from self._guarded()
        yield from self._changes()
        yield from self._unchanged()
        yield element("h2", head.cautions)
        yield from items(self._language.cautions)
        yield from ("</main>", *self._foot())

    # What the page is about

    def _name(self) -> str:
        numbers = self._explanation.unit_numbers
        return numbers[0][1] if numbers else self._explanation.image.new

    def _facts(self) -> Iterator[str]:
        explanation, language = self._explanation, self._language
        head, old = language.headings, explanation.image.old
        facts = [(self._title(name), text) for name, text in explanation.unit_numbers]
        facts.append((head.file, explanation.image.new))
        facts.append((head.engine, self._titles.definition()))
        compared = language.maker_file(old) if explanation.is_from_maker else language.earlier_file(old)
        facts.append((head.compared_with, compared))
        dates = [reason.origin.date for reason in explanation.reasons or () if reason.origin.date is not None]
        if explanation.is_recorded and dates:
            facts.append((head.state, language.day(max(dates).date())))
        facts.append((head.release, self._release()))
        self._room.take(max(0, len(facts) - _USUAL_FACTS))
        yield "<dl>"
        for name, text in facts:
            yield f"<div>{element('dt', fmt.clean(name))}{element('dd', fmt.clean(text))}</div>"
        yield "</dl>"

    def _release(self) -> str:
        """The newest release of the image: the day and the first digits of its commit."""
        if not self._explanation.releases:
            return self._language.no_release
        commit = self._explanation.releases[0].commit
        day = ""
        with suppress(ValueError):  # a manifest may hold any text
            day = self._language.day(datetime.fromisoformat(commit.date).date())
        return ", ".join(filter(None, (commit.id[:_SHORT_ID], day)))

    def _summary(self) -> Iterator[str]:
        explanation, language = self._explanation, self._language
        if explanation.is_other_software:
            yield language.other_software()
        tables = explanation.definition.tables.values()
        yield language.changed_settings(len(explanation.tables), len(tables), explanation.is_from_maker)
        dangers = Counter(item.danger for item in explanation.of_purpose(Purpose.PROTECTION))
        total = sum(table.purpose is Purpose.PROTECTION for table in tables)
        yield language.protections(dangers, dangers.total(), total)
        yield language.emissions(len(explanation.of_purpose(Purpose.EMISSIONS)))
        yield language.problems(explanation.errors, explanation.warnings)
        if explanation.undescribed:
            yield language.undescribed(explanation.undescribed)

    # Settings

    def _guarded(self) -> Iterator[str]:
        guarded = [item for item in self._explanation.tables if item.table.purpose in _GUARDED]
        guarded.sort(key=lambda item: _DANGERS.get(item.danger, len(_DANGERS)))
        if not guarded:
            return
        yield element("h2", self._language.headings.guarded)
        yield from self._table_start()
        yield from self._rows(_Room(self._room.take(_MOST_GUARDED)), [[item] for item in guarded])
        yield "</tbody></table>"

    def _table_start(self) -> Iterator[str]:
        head = self._language.headings
        yield "<table><thead><tr>"
        yield from (element("th", text) for text in (head.setting, head.change, head.where))
        yield "</tr></thead><tbody>"

    def _rows(self, room: _Room, groups: list[list[ExplainedTable]]) -> Iterator[str]:
        """The rows of groups of settings that read alike, as far as there is room."""
        for number, group in enumerate(groups):
            row, is_last = self._row(group), number == len(groups) - 1
            if row.lines + (0 if is_last else _ONE_LINE) > room.left:
                yield _across(self._language.further(sum(map(len, groups[number:]))))
                room.take(_ONE_LINE)
                break
            room.take(row.lines)
            self._described.update(item.table.name for item in group)
            yield row.html
        self._room.give(room.left)

    def _row(self, group: list[ExplainedTable]) -> _Row:
        language, item = self._language, group[0]
        title = self._list_of_titles([item.table.name for item in group])
        texts = [*change_texts(self._explanation, item, self._titles, language)]
        if len(group) > 1:
            texts = texts[: len(item.moved)]  # the settings share the scale, not what follows from it
        notes = [language.danger(item.danger)] if item.danger in _DANGERS else []
        notes += [
            language.accepted(waiver.who, shortened(waiver.reason, _MOST_CHARACTERS), waiver.until)
            for waiver in item.waivers
        ]
        where = [*range_lines(self._explanation, item, self._titles, language)]
        columns = zip(([title], [*texts, *notes], where), _COLUMNS, strict=True)
        html = (
            f'<tr><th scope="row">{escape(title)}</th>'
            f"<td>{_paragraphs(texts)}{_paragraphs(notes, 'note')}</td><td>{_paragraphs(where)}</td></tr>"
        )
        return _Row(html, max(_line_count(column, width) for column, width in columns) + _PADDING)

    def _title(self, name: str) -> str:
        definition = self._explanation.definition
        item = definition.tables.get(name) or definition.texts[name]
        return self._titles.table(name, item.title)

    def _list_of_titles(self, names: list[str]) -> str:
        titles = [self._title(name) for name in names]
        return fmt.clean(self._language.listed(titles[:_MOST_NAMES], len(titles[_MOST_NAMES:])))

    def _changes(self) -> Iterator[str]:
        explanation, language = self._explanation, self._language
        if not explanation.tables and not explanation.texts:
            return
        yield element("h2", language.headings.changes)
        if explanation.reasons is None:
            yield element("p", language.no_history)
        if explanation.tables:
            yield from self._table_start()
            if explanation.reasons is None:
                others = [item for item in explanation.tables if item.table.name not in self._described]
                yield from self._rows(_Room(self._room.take(self._room.left)), _groups(others))
            else:
                yield from self._reasons(explanation.reasons)
            yield "</tbody></table>"
        for change in explanation.texts[:_MOST_TEXTS]:
            title = self._titles.table(change.text.name, change.text.title)
            text = fmt.clean(f"{title}: {language.text_change(change.old.strip(), change.new.strip())}")
            yield element("p", text)

    def _reasons(self, reasons: tuple[ChangeReason, ...]) -> Iterator[str]:
        """The newest commits, oldest first, and below each the settings that it is the first to change.

        The most important settings get what room the messages leave, whichever commit they belong to.
        """
        most = min(_MOST_REASONS, max(1, int((self._room.left - _ONE_LINE) // _FEWEST_LINES)))
        kept = reasons[-most:]
        if left := len(reasons) - len(kept):
            yield _across(self._language.further_reasons(left))
            self._room.take(_ONE_LINE)
        own = [self._first_changed_by(reason, kept[:number]) for number, reason in enumerate(kept)]
        # Each commit keeps a line for the number of settings that are left out.
        headings = [self._heading(reason, _Room(self._room.left / len(kept))) for reason in kept]
        self._room.take(sum(heading.lines + _ONE_LINE for heading in headings))
        printed = self._chosen([group for groups in own for group in groups])
        for reason, heading, groups in zip(kept, headings, own, strict=True):
            others = [name for name in reason.tables if name in self._described]
            chosen = [group for group in groups if group[0].table.name in printed]
            yield f'<tr class="reason"><td colspan="3">{heading.html}{self._also(others)}</td></tr>'
            for group in chosen:
                yield printed[group[0].table.name].html
                self._described.update(item.table.name for item in group)
            if left := sum(map(len, groups)) - sum(map(len, chosen)):
                yield _across(self._language.further(left))

    def _first_changed_by(
        self, reason: ChangeReason, earlier: Sequence[ChangeReason]
    ) -> list[list[ExplainedTable]]:
        """The settings of a commit that neither an earlier one nor the first table of the page has."""
        known = self._described.union(*(other.tables for other in earlier))
        names = set(reason.tables) - known
        return _groups(item for item in self._explanation.tables if item.table.name in names)

    def _chosen(self, groups: list[list[ExplainedTable]]) -> dict[str, _Row]:
        """The rows for which there is room, by the name of their first table: the most important ones."""
        rows: dict[str, _Row] = {}
        for group in sorted(groups, key=lambda group: (not group[0].has_error, -group[0].size)):
            row = self._row(group)
            if row.lines <= self._room.left:
                self._room.take(row.lines)
                rows[group[0].table.name] = row
        return rows

    def _heading(self, reason: ChangeReason, room: _Room) -> _Row:
        """The date, author and subject of a commit, and its message if there is room for it."""
        origin, before = reason.origin, room.left
        title, message = self._language.not_committed, ""
        if origin.id:
            day = "" if origin.date is None else f"{self._language.day(origin.date.date())}, "
            title = f"{day}{origin.author}: {origin.subject}"
            message = shortened(reason.message, _MOST_CHARACTERS)
        room.take(_line_count([title], _ACROSS) + _PADDING + _ALSO)
        quote = room.fitting([message] if message else [])
        html = f"{element('h3', fmt.clean(title))}{_paragraphs(quote, 'quote')}"
        return _Row(html, before - room.left)

    def _also(self, names: list[str]) -> str:
        """Settings of a commit that the page describes further up, in one line."""
        if not names:
            return ""
        return element("p", shortened(self._language.also_changed(self._list_of_titles(names)), _ACROSS))

    def _unchanged(self) -> Iterator[str]:
        explanation, language = self._explanation, self._language
        changed = Counter(item.table.purpose for item in explanation.tables)
        yield element("h2", language.headings.unchanged)
        yield '<ul class="counts">'
        for purpose in Purpose:
            same = explanation.unchanged.get(purpose, 0)
            if total := same + changed[purpose]:
                yield element("li", f"{language.purposes[purpose]}: {language.unchanged(same, total)}")
        yield "</ul>"

    def _foot(self) -> Iterator[str]:
        image = self._explanation.image
        digests = [
            f"{name} SHA-256 {digest[:_DIGITS]}…"
            for name, digest in ((image.new, image.sha256.new), (image.old, image.sha256.old))
            if digest
        ]
        yield f"<footer>{_paragraphs(digests)}</footer>"


def _groups(tables: Iterable[ExplainedTable]) -> list[list[ExplainedTable]]:
    """The tables; those that only moved with the same axes are one group."""
    groups: dict[object, list[ExplainedTable]] = {}
    for item in tables:
        moved = tuple(axis.axis.name for axis in item.moved)
        groups.setdefault(moved or item.table.name, []).append(item)
    return [*groups.values()]


def _line_count(texts: Iterable[str], width: int) -> int:
    return sum(len(wrap(text, width)) for text in texts)


def _across(text: str) -> str:
    """A row with one text across all columns."""
    return f'<tr><td colspan="3">{escape(text)}</td></tr>'


def _paragraphs(texts: Iterable[str], class_name: str = "") -> str:
    return "".join(element("p", fmt.clean(text), class_name) for text in texts)
