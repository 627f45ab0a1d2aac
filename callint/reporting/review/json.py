"""A review as one JSON document, by ``schemas/review.schema.json``; its page shows this document."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from callint import __version__, fmt
from callint.checking.review_findings import (
    ReviewFinding,
    new_mistakes,
    review_counts,
    review_findings,
    worst_ranks,
)
from callint.comparing.one_sided import one_sided_runs, uncompared_tables
from callint.comparing.touched_tables import touched_changes
from callint.decoding import checksums
from callint.decoding.checksum_states import checksum_state
from callint.model.change import ChangeSet, Run
from callint.model.definition import Axis, Checksum, Purpose
from callint.model.definition_change import ChangeKind
from callint.model.finding import Severity
from callint.reporting.changes.json import hidden_text_fields
from callint.reporting.definition_changes.wording import TITLES, change_rows
from callint.reporting.json_fields import without_none
from callint.reporting.log.wording import log_sentences
from callint.reporting.review.findings import cause_entries, finding_entries
from callint.reporting.review.pictures import PictureFields
from callint.reporting.review.tables import UNKNOWN_MOVEMENT, ReviewTables, printed_unit, signal_title
from callint.reporting.review.wording import (
    CAUTIONS,
    change_sentences,
    diverged_text,
    revision_texts,
    verdict,
)
from callint.reporting.tables.values import breakpoint_texts
from callint.rules.context import CheckContext
from callint.rules.registry import RULES
from callint.versioning.review import Review, ReviewedDefinition, ReviewedImage

if TYPE_CHECKING:  # git is slow to import, and two files need none of it
    from callint.versioning.git.log import LoggedCommit
    from callint.versioning.ranges import Course

#: The largest number of runs of bytes that are listed.
_MOST_RUNS = 20
#: The largest number of changes of one kind that are listed for a definition.
_MOST_CHANGES = 200


def review_document(review: Review) -> dict[str, Any]:
    """The whole review; no text in it contains control characters or characters that reverse a line."""
    findings = review_findings(review.report)
    ranks = worst_ranks(findings)
    images = [_image(number, image, ranks.get(image.path, {})) for number, image in enumerate(review.images)]
    numbers = {image.path: number for number, image in enumerate(review.images)}
    entries = _findings(review, findings, numbers)
    causes = cause_entries(new_mistakes(findings, review.report.causes), entries, numbers)
    document = without_none(
        {
            "format": "callint-review",
            "version": 1,
            "title": review.title,
            "program": f"callint {__version__}",
            "date": None if review.day is None else review.day.isoformat(),
            "old": review.old,
            "new": review.new,
            "revisions": _revisions(review),
            "paths": list(review.paths) or None,
            "policy": None if review.policy is None else asdict(review.policy),
            "commit": None if review.commit is None else _commit(review.commit),
            **({} if review.course is None else _course(review.course, review)),
            "cautions": list(CAUTIONS),
            "verdict": verdict(review, findings),
            "counts": _counts(review, findings),
            "rules": {rule: RULES[rule].title for rule in sorted({item.finding.rule for item in findings})},
            "causes": causes or None,
            "findings": entries,
            "definitions": [_definition(definition) for definition in review.definitions] or None,
            "images": images,
        }
    )
    document = _cleaned(document)
    digest = hashlib.sha256(document_text(document).encode()).hexdigest()[:16]
    return {**document, "digest": digest}


def _findings(
    review: Review, findings: Sequence[ReviewFinding], numbers: dict[str, int]
) -> list[dict[str, Any]]:
    """The entries of the findings; those of a new software version have no cell of the compared points."""
    entries = finding_entries(findings, numbers, _column_counts(review))
    for entry in entries:
        if "image" in entry and review.images[entry["image"]].versions is not None:
            entry.pop("cell", None)
    return entries


def document_text(document: dict[str, Any]) -> str:
    """The document as compact JSON; equal documents have equal texts."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _cleaned(value: Any) -> Any:
    """A value of the document with every text in it cleaned."""
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
        return values  # tested at once, as most texts of a review are numbers
    return list(map(_cleaned, values))


def _revisions(review: Review) -> dict[str, Any] | None:
    """The names and the commits of OLD and NEW, as far as they are at a revision."""
    named = zip(("old", "new"), review.revisions, strict=True)
    return {side: {"name": item.name, "commit": item.commit} for side, item in named if item} or None


def _course(course: Course, review: Review) -> dict[str, Any]:
    """How two revisions are related."""
    diverged = None
    if course.lacking:
        text = diverged_text(course, *revision_texts(review))
        diverged = without_none({"commits": course.lacking, "base": course.base, "text": text})
    return {
        "parted": diverged,
        "commits": [_commit(commit) for commit in course.commits],
        "more_commits": course.more or None,
    }


def _commit(commit: LoggedCommit) -> dict[str, str]:
    day = commit.authored
    fields = {"id": commit.id, "author": commit.author, "subject": commit.subject}
    return fields if day is None else {**fields, "date": day.date().isoformat()}


def _counts(review: Review, findings: Sequence[ReviewFinding]) -> dict[str, int]:
    counts = review_counts(findings)
    severities = {severity.value: number for severity, number in counts.severities.items()}
    mistakes = len(new_mistakes(findings, review.report.causes))
    return {"mistakes": mistakes, **severities, "waived": counts.waived, "known": counts.known}


def _column_counts(review: Review) -> dict[tuple[str, str], int]:
    """The number of columns of the tables and axes, by the image's path and the item's name."""
    counts: dict[tuple[str, str], int] = {}
    for image in review.images:
        if image.context is not None and image.versions is None:
            layout = image.context.layout
            for number, item in enumerate(layout.items):
                counts[image.path, item.name] = layout.shape(number)[1]
    return counts


# Definitions


def _definition(definition: ReviewedDefinition) -> dict[str, Any]:
    """What changed in the meaning of a definition, the most dangerous first."""
    parts = []
    for kind in ChangeKind:
        rows = list(change_rows(definition.diff, kind, "→"))
        if rows:
            part: dict[str, Any] = {
                "kind": kind.value,
                "title": TITLES[kind],
                "count": len(definition.diff.of_kind(kind)),
                "changes": [{"lines": lines, "text": text} for lines, text in rows[:_MOST_CHANGES]],
                "more": max(len(rows) - _MOST_CHANGES, 0) or None,
            }
            parts.append(without_none(part))
    return {"path": definition.path, "old": definition.old, "new": definition.new, "parts": parts}


# Images


def _image(number: int, image: ReviewedImage, ranks: dict[str, int]) -> dict[str, Any]:
    """The entry of an image; ``ranks`` has the rank of the worst finding by table."""
    fields: dict[str, Any] = {
        "id": number,
        "path": image.path,
        "old": image.old or None,
        "new": image.new or None,
        "base": image.base or None,
        "state": image.state.value,
        "trouble": image.problem or None,
        "renamed": image.renamed or None,
        "sha256": {key: digits for key, digits in asdict(image.sha256).items() if digits},
        "software": [],
        "checksums": [],
        "sentences": [],
        "texts": [],
        "axes": [],
        "tables": [],
    }
    if image.context is not None and image.versions is not None:
        from callint.reporting.review.versions import version_fields

        fields |= version_fields(image.versions, image.context, ranks, image.log)
    elif image.context is not None:
        fields |= _content(image, image.context, ranks)
    return without_none(fields)


def _content(image: ReviewedImage, context: CheckContext, ranks: dict[str, int]) -> dict[str, Any]:
    """The contents of an image and their changes."""
    changes, definition = context.changes, context.definition
    tables = _tables(image, context, ranks)
    texts = [
        {"name": c.text.name, "title": c.text.title, "old": c.old, "new": c.new, **hidden_text_fields(c)}
        for c in changes.texts
    ]
    return {
        "definition": context.file.path,
        "title": definition.title or definition.name,
        "software": list(_software(context)),
        "bytes": None if context.base is None else _bytes(context),
        "checksums": [_checksum(checksum, context) for checksum in definition.memory.checksums],
        "sentences": list(change_sentences(context, tables)),
        "uncompared": uncompared_tables(context.old, context.new) or None,
        "texts": texts,
        "axes": list(_axes(context)),
        "log": None if image.log is None else list(log_sentences(image.log)),
        "tables": tables,
    }


def _tables(image: ReviewedImage, context: CheckContext, ranks: dict[str, int]) -> list[dict[str, Any]]:
    """The entries of the tables: by purpose, then the worst finding first, then the largest change first."""
    builder, pictures = ReviewTables(context.changes, image.log), PictureFields(context, image.base_image)
    purposes, no_finding = list(Purpose), len(Severity) + 1

    def order(entry: dict[str, Any]) -> tuple[float, ...]:
        return purposes.index(entry["purpose"]), ranks.get(entry["name"], no_finding), -entry["size"]

    touched = touched_changes(context.changes, context.old, context.new)
    made = ({**builder.entry(change), **pictures.fields(change)} for change in touched)
    entries = sorted(made, key=order)
    return [{"id": number, **entry} for number, entry in enumerate(entries)]


def _software(context: CheckContext) -> Iterator[dict[str, str]]:
    for identity in context.definition.memory.identities:
        stored = {
            key: None if image is None else image.read(identity.at, len(identity.content))
            for key, image in (("old", context.base), ("new", context.image))
        }
        texts = {key: _printable(content) for key, content in stored.items() if content is not None}
        yield {"name": identity.name, **texts}


def _printable(content: bytes) -> str:
    """Bytes as text if they are printable, in hexadecimal otherwise."""
    text = fmt.byte_string(content)
    return text[1:-1] if text.startswith('"') else text


def _bytes(context: CheckContext) -> dict[str, Any]:
    changes = context.changes
    unexplained = changes.unexplained
    fields: dict[str, Any] = {
        "changed": changes.bytes,
        "explained": changes.bytes - sum(run.changed for run in unexplained),
        "runs": _runs(unexplained),
        "more": max(len(unexplained) - _MOST_RUNS, 0),
    }
    only_old, only_new = one_sided_runs(changes, context.base)
    sides = (("only_old", only_old), ("only_new", only_new))
    return fields | {key: _runs(runs) for key, runs in sides if runs}


def _runs(runs: Sequence[Run]) -> list[dict[str, Any]]:
    return [{"address": fmt.address(run.start), "size": run.size} for run in runs[:_MOST_RUNS]]


def _checksum(checksum: Checksum, context: CheckContext) -> dict[str, Any]:
    """The stored values, and whether the new one is stale."""
    state = checksum_state(checksum, context.base, context.image)
    if state is None:
        return {"name": checksum.name}
    fields = {
        "name": checksum.name,
        "old": None if state.old is None else checksums.written(checksum, state.old),
        "new": None if state.new is None else checksums.written(checksum, state.new),
        "stale": state.is_stale,
    }
    return without_none(fields)


# Axes


def _axes(context: CheckContext) -> Iterator[dict[str, Any]]:
    """The axes whose breakpoints or stored counts changed."""
    changes, definition = context.changes, context.definition
    counts = {count.axis.name: [count.old, count.new] for count in changes.counts}
    for axis in definition.axes.values():
        if axis.name not in changes.by_axis and axis.name not in counts:
            continue
        assert context.old is not None
        old, new = (decoded.breakpoints(axis.name).tolist() for decoded in (context.old, context.new))
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
        yield without_none(fields)


def _effects(changes: ChangeSet, axis: Axis) -> Iterator[str]:
    """The effect of an axis' change on each table on the axis."""
    for table in changes.definition.tables_on(axis.name):
        shift = changes.output_shift_of.get(table.name)
        if shift is None:
            yield f"{table.name}: {UNKNOWN_MOVEMENT}"
            continue
        effect = f"{table.name}: {fmt.output_shift_clause(changes.definition, shift)}"
        yield f"{effect}; its cells changed too" if shift.in_cells else effect
