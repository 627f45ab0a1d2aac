"""Sentences of a review: the verdict, the cautions, and what changed in each group of tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from callint import fmt
from callint.checking.cause_order import CauseFindings, Danger
from callint.checking.review_findings import (
    ReviewFinding,
    disabled_protections,
    new_mistakes,
    review_counts,
    stale_checksums,
)
from callint.comparing.one_sided import one_sided_runs, uncompared_tables
from callint.model.change import ChangeSet, Run
from callint.model.definition import Purpose
from callint.model.definition_change import ChangeKind
from callint.model.finding import Severity
from callint.reporting.findings.cause_wording import mistakes_text
from callint.reporting.review.tables import group_title
from callint.rules.context import CheckContext
from callint.versioning.review import ImageState, Review

if TYPE_CHECKING:  # git is slow to import, and a review of two files does not need it
    from callint.versioning.ranges import Course

#: What a reader must know first.
CAUTIONS = (
    "This page helps a second calibrator to read a change. It reports; it does not approve.",
    "A wrong calibration can destroy an engine and hurt people.",
    "Changing what an engine emits, or what protects it and those around it, is unlawful in many places, "
    "no matter who does it and why.",
    "No finding means only that callint found nothing wrong in what the definition describes. The maker's "
    "limits, local law and licensed practice decide, and whoever flashes an image is responsible for it.",
)
_NO_APPROVAL = "That is not an approval."


def verdict(review: Review, findings: Sequence[ReviewFinding]) -> str:
    """A summary of the review in a few sentences, the most severe first."""
    sentences = []
    if review.course is not None and review.course.lacking:
        sentences.append(f"{diverged_text(review.course, *revision_texts(review))}.")
    mistakes = new_mistakes(findings, review.report.causes)
    sentences += _mistakes_sentence(mistakes, findings)
    sentences.append(_findings_sentence(findings))
    sentences += _most_severe(mistakes, findings)
    if unreadable := sum(image.state is ImageState.UNREADABLE for image in review.images):
        sentences.append(f"{fmt.count(unreadable, 'image')} could not be compared.")
    contexts = [image.context for image in review.images if image.context is not None]
    changes = [image.changes for image in review.images if image.changes is not None]
    unexplained = [run for change_set in changes for run in change_set.unexplained]
    sentences += [unexplained_sentence(unexplained)] if unexplained else []
    sentences += _critical_tables(changes)
    sentences += _one_sided(contexts)
    sentences += _image_sentences(review)
    if not review_counts(findings).severe:
        sentences.append(_NO_APPROVAL)
    return " ".join(sentences)


def revision_texts(review: Review) -> tuple[str, str]:
    """The names of OLD and NEW."""
    given = (review.old, review.new)
    old, new = (named.name if named else text for named, text in zip(review.revisions, given, strict=True))
    return old, new


def diverged_text(course: Course, old: str, new: str) -> str:
    """That the old revision has commits which the new one lacks, so that their changes look undone."""
    commits = fmt.count(course.lacking, "commit")
    text = f"{old} has {commits} that {new} lacks; what {_form(course.lacking, 'it', 'they')} changed"
    text += " appears undone here"
    if course.is_backward:
        return f"{text}, as {new} is the older of the two"
    if course.base is None:
        return f"{text}, and they have no commit in common"
    return f"{text}; git merge-base gives {course.base}: compare with that to see {new} alone"


def _mistakes_sentence(mistakes: Sequence[CauseFindings], findings: Sequence[ReviewFinding]) -> Iterator[str]:
    """The number of mistakes and what they do to protections, as ``callint check`` counts them."""
    if mistakes:
        noun = "new mistake" if review_counts(findings).known_severe else "mistake"
        yield f"{mistakes_text(mistakes, noun=noun)}."


def _findings_sentence(findings: Sequence[ReviewFinding]) -> str:
    counts = review_counts(findings)
    waived, notes = counts.waived, counts.severities[Severity.NOTE]
    waived_part = f"; {waived:,} more {_form(waived, 'is', 'are')} waived" if waived else ""
    if total := counts.severe:
        severe = " and ".join(
            fmt.count(counts.severities[severity], severity.value)
            for severity in (Severity.ERROR, Severity.WARNING)
            if counts.severities[severity]
        )
        sentence = f"{severe} {_form(total, 'is', 'are')} not waived"
        if known := counts.known_severe:
            which = "it" if total == 1 else "all of them" if known == total else f"{known:,} of them"
            sentence += f" ({which} {_form(known, 'is', 'are')} in OLD too)"
        return f"{sentence}{waived_part}."
    if notes:
        return f"No error and no warning, and {fmt.count(notes, 'note')}{waived_part}."
    if waived:
        sentence = f"{fmt.count(waived, 'finding')} {_form(waived, 'is', 'are')} waived"
        return f"{sentence}, and the rules found nothing else."
    return "The rules found nothing."


def _most_severe(mistakes: Sequence[CauseFindings], findings: Sequence[ReviewFinding]) -> Iterator[str]:
    """Findings that must not go under: tables that no longer protect, checksums that do not fit.

    The tables are left out if there are as many as mistakes that the first sentence says it of.
    """
    disabled = disabled_protections(findings)
    if disabled and disabled != sum(mistake.danger is Danger.DISABLED for mistake in mistakes):
        yield f"{fmt.count(disabled, 'protection')} no longer {_form(disabled, 'protects', 'protect')}."
    if stale := stale_checksums(findings):
        yield f"{fmt.count(stale, 'checksum')} {_form(stale, 'does', 'do')} not fit the contents."


def _image_sentences(review: Review) -> Iterator[str]:
    """Which images were added, removed or renamed, and whether nothing changed at all."""
    states = Counter(image.state for image in review.images)
    # An image that cannot be read was added too if there was no file before.
    unreadable = (image for image in review.images if image.state is ImageState.UNREADABLE)
    states[ImageState.ADDED] += sum(not image.sha256.old and bool(image.sha256.new) for image in unreadable)
    for state in (ImageState.ADDED, ImageState.REMOVED):
        if states[state]:
            verb = _form(states[state], "was", "were")
            yield f"{fmt.count(states[state], 'image')} {verb} {state.value}."
    renamed = [image for image in review.images if image.renamed]
    if len(renamed) == 1:
        yield f"git reports {renamed[0].renamed} → {renamed[0].path} as a rename."
    elif renamed:
        yield f"git reports {len(renamed):,} images as renamed."
    for definition in review.definitions:
        less = len(definition.diff.of_kind(ChangeKind.LOOSENED))
        amount = fmt.count(len(definition.diff.changes), "change")
        loosened = f"; {less:,} {_form(less, 'loosens a demand', 'loosen demands')}" if less else ""
        yield f"{definition.path} has {amount} in its meaning{loosened}."
    if all(image.is_unchanged for image in review.images) and not review.definitions:
        yield f"Nothing changed below {' and '.join(review.paths)}." if review.paths else "Nothing changed."


def _critical_tables(changes: Iterable[ChangeSet]) -> Iterator[str]:
    """The number of tables for protection and emissions that changed or moved with their axes."""
    touched = Counter(table.purpose for change_set in changes for table in change_set.touched_tables)
    parts = [
        fmt.count(touched[purpose], f"{purpose.value} table")
        for purpose in (Purpose.PROTECTION, Purpose.EMISSIONS)
        if touched[purpose]
    ]
    if parts:
        yield f"{' and '.join(parts)} changed."


def _one_sided(contexts: Sequence[CheckContext]) -> Iterator[str]:
    """The bytes that only OLD or NEW holds, and the tables that cannot be compared because of them."""
    sides = [one_sided_runs(context.changes, context.base) for context in contexts]
    for index, name in enumerate(("OLD", "NEW")):
        if total := sum(run.size for side in sides for run in side[index]):
            yield f"{fmt.count(total, 'byte')} {_form(total, 'is', 'are')} in {name} only."
    tables = sum(len(context.layout.table_items) for context in contexts)
    if missing := sum(uncompared_tables(context.old, context.new) for context in contexts):
        sentence = f"{missing:,} of {fmt.count(tables, 'table')} could not be compared"
        yield f"{sentence}, as not both images hold {_form(missing, 'it', 'them')}."


def change_sentences(context: CheckContext, entries: Sequence[dict[str, Any]]) -> Iterator[dict[str, str]]:
    """A sentence for each purpose and group in the order of the entries, then for everything else."""
    definition = context.definition
    totals = Counter((table.purpose.value, table.group) for table in definition.tables.values())
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for entry in entries:
        table = definition.tables[entry["name"]]
        groups.setdefault((table.purpose.value, table.group), []).append(entry)
    for (purpose, group), members in groups.items():
        fields = {"purpose": purpose, "group": group_title(definition, group)}
        sentence = group_sentence(members, totals[purpose, group])
        yield {**{key: value for key, value in fields.items() if value}, "text": sentence}
    yield from ({"text": sentence} for sentence in _other_sentences(context))


def group_sentence(entries: Sequence[dict[str, Any]], total: int) -> str:
    """The change of a group: its largest change, and how many of its ``total`` tables changed or moved."""
    changed = [entry for entry in entries if entry["changed"]]
    moved = len(entries) - len(changed)
    counted = changed or entries
    sentence = _entry_text(max(counted, key=lambda entry: float(entry["size"])))
    if len(counted) > 1:
        verb = "changed" if changed else "moved with their axes"
        sentence = f"{len(counted):,} of {fmt.count(total, 'table')} {verb}, most of all {sentence}"
    if changed and moved:
        sentence += f"; {moved:,} more moved with {_form(moved, 'its', 'their')} axes"
    return f"{sentence}."


def _entry_text(entry: dict[str, Any]) -> str:
    """The change of one table."""
    parts = [entry[key] for key in ("summary", "movement") if key in entry]
    if log := entry.get("logged", {}).get("text"):
        parts.append(log)
    return f"{entry['title']}: {'; '.join(parts)}"


def _other_sentences(context: CheckContext) -> Iterator[str]:
    """The changes outside tables."""
    changes = context.changes
    for axis in changes.axes:
        moved = int(axis.changed.sum())
        tables = len(list(changes.definition.tables_on(axis.axis.name)))
        counts = f"{moved:,} of {fmt.count(len(axis.changed), 'breakpoint')} changed"
        share = _form(tables, "has", "share")
        yield f"Axis {axis.axis.name}, which {fmt.count(tables, 'table')} {share}: {counts}."
    for count in changes.counts:
        yield f"Axis {count.axis.name}: its stored count of breakpoints became {count.new} from {count.old}."
    for text in changes.texts:
        yield f"{text.text.title or text.text.name}: {fmt.text_change(text, 'became')}."
    yield from _one_sided([context])
    if changes.unexplained:
        yield unexplained_sentence(changes.unexplained)


def unexplained_sentence(runs: Sequence[Run]) -> str:
    """The number of changed bytes that nothing in the definition explains."""
    total = sum(run.changed for run in runs)
    belong = _form(total, "belongs", "belong")
    return f"{fmt.count(total, 'changed byte')} {belong} to nothing that the definition describes."


def _form(count: int, singular: str, plural: str) -> str:
    return singular if count == 1 else plural
