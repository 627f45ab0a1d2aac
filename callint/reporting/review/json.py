"""A review as one JSON document, by ``schemas/review.schema.json``: what its page shows."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from callint import __version__, fmt
from callint.decoding import checksums
from callint.model.change import ChangeSet, Run, TableChange
from callint.model.definition import Checksum, Purpose, StoredAxis
from callint.model.finding import Finding, Severity
from callint.reporting.changes.json import hidden_fields
from callint.reporting.review.document import Review, ReviewedImage
from callint.reporting.review.findings import finding_entries, told_with_state
from callint.reporting.review.sentences import CAUTIONS, parting_words, sentences, verdict
from callint.reporting.review.sides import held_alone, uncompared
from callint.reporting.review.tables import UNTOLD, ReviewTables, printed_unit, signal_title
from callint.reporting.tables.grids import breakpoint_texts
from callint.reporting.tables.log_text import log_sentences
from callint.rules.context import CheckContext
from callint.rules.registry import RULES

if TYPE_CHECKING:  # git is slow to import, and two files need none of it
    from callint.versioning.git.log import LoggedCommit
    from callint.versioning.ranges import Course

#: Of stretches of bytes so many are listed.
_MOST_RUNS = 20


def review_document(review: Review) -> dict[str, Any]:
    """The whole review; every text in it is free of what could steer a terminal or turn a line round."""
    findings = told_with_state(review.report)
    grave = _grave(findings)
    images = [_image(number, one, grave.get(one.path, {})) for number, one in enumerate(review.images)]
    numbers = {one.path: number for number, one in enumerate(review.images)}
    document = _without_absent(
        {
            "format": "callint-review",
            "version": 1,
            "title": review.title,
            "program": f"callint {__version__}",
            "date": None if review.day is None else review.day.isoformat(),
            "old": review.old,
            "new": review.new,
            "paths": list(review.paths) or None,
            "commit": None if review.commit is None else _commit(review.commit),
            **({} if review.course is None else _course(review.course, review)),
            "cautions": list(CAUTIONS),
            "verdict": verdict(review, findings),
            "counts": _counts(findings),
            "rules": {rule: RULES[rule].title for rule in sorted({one.rule for one, _ in findings})},
            "findings": finding_entries(findings, numbers, _widths(review)),
            "images": images,
        }
    )
    document = _cleaned(document)
    digest = hashlib.sha256(document_text(document).encode()).hexdigest()[:16]
    return {**document, "digest": digest}


def document_text(document: dict[str, Any]) -> str:
    """The document as compact JSON, the same for the same content."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _without_absent(fields: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if value is not None}


def _cleaned(value: Any) -> Any:
    """The same with every text clean, wherever it came from."""
    if isinstance(value, str):
        return fmt.clean(value)
    if isinstance(value, dict):
        return {key: _cleaned(inner) for key, inner in value.items()}
    return _cleaned_list(value) if isinstance(value, list) else value


def _cleaned_list(values: list[Any]) -> list[Any]:
    kinds = set(map(type, values))
    if kinds <= {int, float, bool}:
        return values
    if kinds == {str} and (text := "".join(values)).isascii() and text.isprintable():
        return values  # at once, as most of a review are numbers in words
    return list(map(_cleaned, values))


def _course(course: Course, review: Review) -> dict[str, Any]:
    """How two revisions lie to each other."""
    parted = None
    if course.lacking:
        words = parting_words(course, review.old, review.new)
        fields = {"commits": course.lacking, "base": course.base, "text": words}
        parted = _without_absent(fields)
    return {
        "parted": parted,
        "commits": [_commit(commit) for commit in course.commits],
        "more_commits": course.more or None,
    }


def _commit(commit: LoggedCommit) -> dict[str, str]:
    day = commit.authored
    fields = {"id": commit.id, "author": commit.author, "subject": commit.subject}
    return fields if day is None else {**fields, "date": day.date().isoformat()}


def _counts(findings: Sequence[tuple[Finding, bool]]) -> dict[str, int]:
    counts = Counter(finding.severity for finding, _ in findings if not finding.waived)
    return {
        **{severity.value: counts[severity] for severity in Severity},
        "waived": sum(finding.waived for finding, _ in findings),
        "known": sum(known and not finding.waived for finding, known in findings),
    }


def _grave(findings: Sequence[tuple[Finding, bool]]) -> dict[str, dict[str, int]]:
    """How grave the worst finding on each image's tables is: 0 for an error, waived ones behind notes."""
    worst: dict[str, dict[str, int]] = {}
    for finding, _ in findings:
        rank = len(Severity) if finding.waived else finding.severity.rank
        tables = worst.setdefault(finding.image, {})
        tables[finding.table] = min(rank, tables.get(finding.table, rank))
    return worst


def _widths(review: Review) -> dict[tuple[str, str], int]:
    """How many columns the tables and axes of each image have."""
    widths: dict[tuple[str, str], int] = {}
    for one in review.images:
        if one.case is not None:
            layout = one.case.layout
            for number, item in enumerate(layout.items):
                widths[one.path, item.name] = layout.shape(number)[1]
    return widths


# Images


def _image(number: int, one: ReviewedImage, grave: dict[str, int]) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "id": number,
        "path": one.path,
        "old": one.old or None,
        "new": one.new or None,
        "base": one.base or None,
        "state": one.state.value,
        "trouble": one.trouble or None,
        "renamed": one.renamed or None,
        "sha256": {
            key: digits for key, digits in (("old", one.sha256.old), ("new", one.sha256.new)) if digits
        },
        "software": [],
        "checksums": [],
        "sentences": [],
        "texts": [],
        "axes": [],
        "tables": [],
    }
    if one.case is not None:
        fields |= _content(one, one.case, grave)
    return _without_absent(fields)


def _content(one: ReviewedImage, case: CheckContext, grave: dict[str, int]) -> dict[str, Any]:
    """What is in an image and what changed in it."""
    changes, definition = case.changes, case.definition
    tables = _tables(one, case, grave)
    texts = [
        {"name": c.text.name, "title": c.text.title, "old": c.old, "new": c.new, **hidden_fields(c)}
        for c in changes.texts
    ]
    return {
        "definition": case.file.path,
        "title": definition.title or definition.name,
        "software": list(_software(case)),
        "bytes": None if case.base is None else _bytes(case),
        "checksums": [_checksum(checksum, case) for checksum in definition.memory.checksums],
        "sentences": list(sentences(case, tables)),
        "uncompared": uncompared(case) or None,
        "texts": texts,
        "axes": list(_axes(case)),
        "log": None if one.logged is None else list(log_sentences(one.logged)),
        "tables": tables,
    }


def _tables(one: ReviewedImage, case: CheckContext, grave: dict[str, int]) -> list[dict[str, Any]]:
    """By purpose, then the worst finding first, then the largest change first."""
    maker = ReviewTables(case.changes, one.logged)
    purposes, none = list(Purpose), len(Severity) + 1

    def order(entry: dict[str, Any]) -> tuple[float, ...]:
        return purposes.index(entry["purpose"]), grave.get(entry["name"], none), -entry["size"]

    entries = sorted((maker.entry(change) for change in _table_changes(case)), key=order)
    return [{"id": number, **entry} for number, entry in enumerate(entries)]


def _table_changes(case: CheckContext) -> Iterator[TableChange]:
    """The tables with changed cells, and without one those that moved with their axes."""
    for table in case.changes.touched_tables:
        change = case.changes.by_table.get(table.name)
        if change is None:
            assert case.old is not None
            old, new = case.old.grid(table), case.new.grid(table)
            change = TableChange(table, old, new, np.zeros(old.physical.shape, bool))
        yield change


def _software(case: CheckContext) -> Iterator[dict[str, str]]:
    for identity in case.definition.memory.identities:
        stored = {
            key: None if image is None else image.read(identity.at, len(identity.content))
            for key, image in (("old", case.base), ("new", case.image))
        }
        texts = {key: _printable(content) for key, content in stored.items() if content is not None}
        yield {"name": identity.name, **texts}


def _printable(content: bytes) -> str:
    """Bytes as text where they are printable, in hexadecimal where not."""
    words = fmt.byte_string(content)
    return words[1:-1] if words.startswith('"') else words


def _bytes(case: CheckContext) -> dict[str, Any]:
    changes = case.changes
    loose = changes.unexplained
    fields: dict[str, Any] = {
        "changed": changes.bytes,
        "explained": changes.bytes - sum(run.changed for run in loose),
        "runs": _runs(loose),
        "more": max(len(loose) - _MOST_RUNS, 0),
    }
    old, new = held_alone(case)
    return fields | {key: _runs(found) for key, found in (("only_old", old), ("only_new", new)) if found}


def _runs(runs: Sequence[Run]) -> list[dict[str, Any]]:
    return [{"address": fmt.address(run.start), "size": run.size} for run in runs[:_MOST_RUNS]]


def _checksum(checksum: Checksum, case: CheckContext) -> dict[str, Any]:
    """What is stored; whether it is stale in the new image only where it can be computed."""
    if not checksums.is_known(checksum.algorithm):
        return {"name": checksum.name}
    old, new = (
        None if image is None else checksums.stored_value(checksum, image)
        for image in (case.base, case.image)
    )
    value = None if case.image is None else checksums.expected_value(checksum, case.image)
    fields = {
        "name": checksum.name,
        "old": None if old is None else checksums.written(checksum, old),
        "new": None if new is None else checksums.written(checksum, new),
        "stale": None if new is None or value is None else new != value,
    }
    return _without_absent(fields)


# Axes


def _axes(case: CheckContext) -> Iterator[dict[str, Any]]:
    """The stored axes whose breakpoints, or whose stored count of them, changed."""
    changes, definition = case.changes, case.definition
    counts = {count.axis.name: [count.old, count.new] for count in changes.counts}
    for axis in definition.stored_axes:
        if axis.name not in changes.by_axis and axis.name not in counts:
            continue
        assert case.old is not None
        old, new = (decoded.breakpoints(axis.name).tolist() for decoded in (case.old, case.new))
        texts = [breakpoint_texts(definition, axis, values) for values in (old, new)]
        if texts[0] == texts[1] and axis.name in changes.by_axis:
            texts = [breakpoint_texts(definition, axis, values, exact=True) for values in (old, new)]
        fields = {
            "name": axis.name,
            "signal": signal_title(definition, axis.signal),
            "unit": printed_unit(definition.unit_of(axis)),
            "old": texts[0],
            "new": texts[1],
            "count": counts.get(axis.name),
            "tables": [table.name for table in definition.tables_on(axis.name)],
            "effects": list(_effects(changes, axis)) if axis.name in changes.by_axis else [],
        }
        yield _without_absent(fields)


def _effects(changes: ChangeSet, axis: StoredAxis) -> Iterator[str]:
    """What the change of an axis does to each table on it."""
    for table in changes.definition.tables_on(axis.name):
        moved = changes.movement_of.get(table.name)
        if moved is None:
            yield f"{table.name}: {UNTOLD}"
            continue
        words = f"{table.name}: {fmt.output_movement(changes.definition, moved)}"
        yield f"{words}; its cells changed too" if moved.in_cells else words
