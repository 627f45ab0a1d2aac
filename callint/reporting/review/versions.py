"""Images of two software versions as the entry of a review's document."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from callint import fmt
from callint.comparing.softwares.result import SoftwareChange
from callint.decoding.log_residency import LogSummary
from callint.model.change import TableChange
from callint.model.definition import Purpose, Table, Text
from callint.model.finding import Severity
from callint.reporting.json_fields import without_none
from callint.reporting.log.wording import log_sentences
from callint.reporting.review.pictures import bounds
from callint.reporting.review.tables import ReviewTables, group_title
from callint.reporting.review.wording import group_sentence
from callint.reporting.softwares.wording import cause_text, closing_sentence, pair_parts, point_parts
from callint.rules.context import CheckContext
from callint.versioning.review import VersionPair

#: The number of names in a sentence.
_MOST_NAMES = 12


def version_fields(
    versions: VersionPair, context: CheckContext, ranks: dict[str, int], log: LogSummary | None
) -> dict[str, Any]:
    """The contents of images of two software versions and their differences.

    ``ranks`` has the rank of the worst finding by table.
    """
    change, definition = versions.change, context.definition
    tables = list(_tables(change, ranks, log))
    return {
        "definition": context.file.path,
        "title": definition.title or definition.name,
        "old_definition": versions.definition,
        "old_title": change.old.title or change.old.name,
        "software": [
            without_none({"name": item.name, "old": _printable(item.old), "new": _printable(item.new)})
            for item in change.identities
        ],
        "sentences": [*_group_sentences(change, tables), *({"text": text} for text in _sentences(change))],
        "texts": [
            {"name": item.text.name, "title": item.text.title, "old": item.old, "new": item.new}
            for item in change.changes.texts
        ],
        "log": None if log is None else list(log_sentences(log)),
        "tables": tables,
    }


def _printable(content: bytes | None) -> str | None:
    """Bytes as text if they are printable, in hexadecimal otherwise."""
    if content is None:
        return None
    text = fmt.byte_string(content)
    return text[1:-1] if text.startswith('"') else text


def _tables(
    change: SoftwareChange, ranks: dict[str, int], log: LogSummary | None
) -> Iterator[dict[str, Any]]:
    """The entries of the tables that read differently: by purpose, those with findings first."""
    builder = ReviewTables(change.changes, log)
    purposes, no_finding = list(Purpose), len(Severity) + 1

    def order(table: TableChange) -> tuple[int, int]:
        return purposes.index(table.table.purpose), ranks.get(table.table.name, no_finding)

    for number, table in enumerate(sorted(change.changes.tables, key=order)):
        name = table.table.name
        limits = bounds(change.new, change.new.tables[name])
        fields = {"bounds": limits} if limits else {}
        parts = [
            *point_parts(change.changes.definition, table, "→"),
            *pair_parts(change.pairs[name], change.respaced.get(name), change.unknown.get(name, 0)),
        ]
        yield {"id": number, **builder.entry(table), **fields, "points": True, "summary": "; ".join(parts)}


def _group_sentences(change: SoftwareChange, entries: list[dict[str, Any]]) -> Iterator[dict[str, str]]:
    """A sentence for each purpose and group of tables in the order of the entries."""
    definition = change.new
    totals = Counter((table.purpose.value, table.group) for table in definition.tables.values())
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for entry in entries:
        key = entry["purpose"], definition.tables[entry["name"]].group
        groups.setdefault(key, []).append(entry)
    for (purpose, group), members in groups.items():
        fields = {"purpose": purpose, "group": group_title(definition, group)}
        sentence = group_sentence(members, max(totals[purpose, group], len(members)))
        yield {**{key: value for key, value in fields.items() if value}, "text": sentence}


def _sentences(change: SoftwareChange) -> Iterator[str]:
    """Everything but the tables that read differently."""
    for items, version in ((change.only_new, "new"), (change.only_old, "old")):
        if items:
            yield f"Only in the {version} software: {fmt.list_names(list(map(_named, items)), _MOST_NAMES)}."
    for item in change.uncompared:
        yield f"{_named(item.new)} cannot be compared: {cause_text(item.cause)}."
    if change.renamed:
        names = [f"{old.name} is now {new.name}" for old, new in change.renamed]
        yield f"Renamed: {fmt.list_names(names, _MOST_NAMES)}."
    for is_rounding, lead in (
        (False, "Slightly bent by other breakpoints, by up to a hundredth of the span"),
        (True, "Different by rounding alone, within half of a storage step"),
    ):
        slight = [_named(item.change.table) for item in change.slight if item.is_rounding is is_rounding]
        if slight:
            yield f"{lead}: {fmt.list_names(slight, _MOST_NAMES)}."
    for text in change.changes.texts:
        yield f"{text.text.title or text.text.name}: {fmt.text_change(text, 'became')}."
    yield closing_sentence(change)


def _named(item: Table | Text) -> str:
    return fmt.name_with_purpose(item) if isinstance(item, Table) else item.name
