"""The sentences of a review: the verdict, the cautions, what changed group by group."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from callint import fmt
from callint.model import rule_ids
from callint.model.change import ChangeSet, Run
from callint.model.definition import Purpose
from callint.model.finding import Finding, Severity
from callint.reporting.review.document import Review, State
from callint.reporting.review.sides import held_alone, uncompared
from callint.reporting.review.tables import group_title
from callint.rules.context import CheckContext

if TYPE_CHECKING:  # git is slow to import, and two files need none of it
    from callint.versioning.ranges import Course

#: What a reader must know before anything else.
CAUTIONS = (
    "This page helps a second calibrator to read a change. It reports; it does not approve.",
    "A wrong calibration can destroy an engine and hurt people.",
    "Changing what an engine emits, or what protects it and those around it, is unlawful in many places, "
    "whoever does it and whatever for.",
    "No finding means only that nothing which the definition describes was found wrong. The maker's limits, "
    "local law and licensed practice decide, and whoever flashes an image stands behind it.",
)
_NO_APPROVAL = "That is no approval."


def verdict(review: Review, findings: Sequence[tuple[Finding, bool]]) -> str:
    """Whether there is something to worry about; each finding with whether OLD has it too."""
    course = review.course
    sentences = []
    if course is not None and course.lacking:
        sentences.append(f"{parting_words(course, review.old, review.new)}.")
    sentences.append(_found(findings))
    sentences += _gravest(findings)
    if unread := sum(one.state is State.UNREADABLE for one in review.images):
        sentences.append(f"{fmt.count(unread, 'image')} could not be compared.")
    cases = [one.case for one in review.images if one.case is not None]
    changes = [case.changes for case in cases]
    loose = [run for one in changes for run in one.unexplained]
    sentences += [loose_words(loose)] if loose else []
    sentences += _delicate(changes)
    sentences += _one_sided(cases)
    sentences += _whole(review)
    if not any(finding.severity is not Severity.NOTE and not finding.waived for finding, _ in findings):
        sentences.append(_NO_APPROVAL)
    return " ".join(sentences)


def parting_words(course: Course, old: str, new: str) -> str:
    """That the old revision went on by itself, or that the new one is the older: then it looks undone."""
    commits = fmt.count(course.lacking, "commit")
    words = f"{old} has {commits} that {new} lacks; what {_verb(course.lacking, 'it', 'they')} changed"
    words += " appears undone here"
    if course.is_backward:
        return f"{words}, as {new} is the older of the two"
    if course.base is None:
        return f"{words}, and they have no commit in common"
    return f"{words}; git merge-base gives {course.base}: compare with that to see {new} alone"


def _found(findings: Sequence[tuple[Finding, bool]]) -> str:
    counts = Counter(finding.severity for finding, _ in findings if not finding.waived)
    waived = sum(finding.waived for finding, _ in findings)
    tail = f"{waived:,} more {_verb(waived, 'is', 'are')} waived" if waived else ""
    grave = [fmt.count(counts[one], one.value) for one in (Severity.ERROR, Severity.WARNING) if counts[one]]
    if grave:
        total = sum(counts[one] for one in (Severity.ERROR, Severity.WARNING))
        known = sum(
            known and not finding.waived and finding.severity is not Severity.NOTE
            for finding, known in findings
        )
        words = f"{' and '.join(grave)} {_verb(total, 'is', 'are')} not waived"
        if known:
            who = "and" if total == 1 else "all of which" if known == total else f"{known:,} of which"
            words += f"{'' if total == 1 else ','} {who} {_verb(known, 'was', 'were')} there before"
        return f"{words}; {tail}." if tail else f"{words}."
    if counts[Severity.NOTE]:
        words = f"No error and no warning, and {fmt.count(counts[Severity.NOTE], 'note')}"
        return f"{words}; {tail}." if tail else f"{words}."
    if waived:
        words = f"{fmt.count(waived, 'finding')} {_verb(waived, 'is', 'are')} waived"
        return f"{words}, and the rules found nothing else."
    return "Nothing was found by the rules."


def _gravest(findings: Sequence[tuple[Finding, bool]]) -> Iterator[str]:
    """What must not be one of many errors: protections that protect no longer, checksums that do not fit."""
    alive = [finding for finding, _ in findings if not finding.waived]
    gone = {
        (one.image, one.table)
        for one in alive
        if one.rule in (rule_ids.PROTECTION_DISABLED, rule_ids.PROTECTION_FLAT)
    }
    stale = {(one.image, one.subject) for one in alive if one.rule == rule_ids.IMAGE_STALE_CHECKSUM}
    if gone:
        yield f"{fmt.count(len(gone), 'protection')} no longer {_verb(len(gone), 'protects', 'protect')}."
    if stale:
        yield f"{fmt.count(len(stale), 'checksum')} {_verb(len(stale), 'does', 'do')} not fit the contents."


def _whole(review: Review) -> Iterator[str]:
    """What became of images as a whole; that nothing changed, where that is so."""
    states = Counter(one.state for one in review.images)
    for state in (State.ADDED, State.REMOVED):
        if states[state]:
            verb = _verb(states[state], "was", "were")
            yield f"{fmt.count(states[state], 'image')} {verb} {state.value}."
    renamed = [one for one in review.images if one.renamed]
    if len(renamed) == 1:
        yield f"{renamed[0].renamed} → {renamed[0].path} is taken for renamed by git."
    elif renamed:
        yield f"{len(renamed):,} images are taken for renamed by git."
    is_same = (one.case is not None and one.case.changes.is_empty for one in review.images)
    if all(one.state is State.SAME or same for one, same in zip(review.images, is_same, strict=True)):
        yield f"Nothing changed below {' and '.join(review.paths)}." if review.paths else "Nothing changed."


def _delicate(changes: Iterable[ChangeSet]) -> Iterator[str]:
    """How many tables of protection and emissions changed, or moved with their axes."""
    touched: Counter[Purpose] = Counter()
    for one in changes:
        for table in one.touched_tables:
            touched[table.purpose] += 1
    parts = [
        fmt.count(touched[one], f"{one.value} table")
        for one in (Purpose.PROTECTION, Purpose.EMISSIONS)
        if touched[one]
    ]
    if parts:
        yield f"{' and '.join(parts)} changed."


def _one_sided(cases: Iterable[CheckContext]) -> Iterator[str]:
    """What OLD or NEW alone holds, and how many tables could therefore not be compared."""
    sides = [held_alone(case) for case in cases]
    for place, name in enumerate(("OLD", "NEW")):
        if total := sum(run.size for side in sides for run in side[place]):
            yield f"{fmt.count(total, 'byte')} {_verb(total, 'is', 'are')} in {name} only."
    tables = sum(len(case.layout.table_items) for case in cases)
    if lost := sum(map(uncompared, cases)):
        words = f"{lost:,} of {fmt.count(tables, 'table')} could not be compared"
        yield f"{words}, as not both images hold {_verb(lost, 'it', 'them')}."


def sentences(case: CheckContext, entries: Sequence[dict[str, Any]]) -> Iterator[dict[str, str]]:
    """What changed, a sentence for each purpose and group in the order of the entries, which are tables'."""
    definition = case.definition
    every = Counter((table.purpose.value, table.group) for table in definition.tables.values())
    parts: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for entry in entries:
        table = definition.tables[entry["name"]]
        parts.setdefault((table.purpose.value, table.group), []).append(entry)
    for (purpose, group), found in parts.items():
        fields = {"purpose": purpose, "group": group_title(definition, group)}
        text = _group_words(found, every[purpose, group])
        yield {**{key: value for key, value in fields.items() if value}, "text": text}
    yield from ({"text": text} for text in _small_sentences(case))


def _group_words(entries: Sequence[dict[str, Any]], every: int) -> str:
    changed = [entry for entry in entries if entry["changed"]]
    moved = len(entries) - len(changed)
    found = changed or entries
    words = _told(max(found, key=_size))
    if len(found) > 1:
        verb = "changed" if changed else "moved with their axes"
        words = f"{len(found):,} of {fmt.count(every, 'table')} {verb}, most of all {words}"
    if changed and moved:
        words += f"; {moved:,} more moved with {_verb(moved, 'its', 'their')} axes"
    return f"{words}."


def _told(entry: dict[str, Any]) -> str:
    """What happened to one table."""
    parts = [entry[key] for key in ("summary", "movement") if key in entry]
    if log := entry.get("logged", {}).get("text"):
        parts.append(log)
    return f"{entry['title']}: {'; '.join(parts)}"


def _size(entry: dict[str, Any]) -> float:
    size: float = entry["size"]
    return size


def _small_sentences(case: CheckContext) -> Iterator[str]:
    """What changed beside tables."""
    changes = case.changes
    for axis in changes.axes:
        moved = int(axis.changed.sum())
        tables = len(list(changes.definition.tables_on(axis.axis.name)))
        words = f"{moved:,} of {fmt.count(len(axis.changed), 'breakpoint')} changed"
        share = _verb(tables, "has", "share")
        yield f"Axis {axis.axis.name}, which {fmt.count(tables, 'table')} {share}: {words}."
    for count in changes.counts:
        yield f"Axis {count.axis.name}: its stored count of breakpoints became {count.new} from {count.old}."
    for text in changes.texts:
        yield f"{text.text.title or text.text.name}: {fmt.text_change(text, 'became')}."
    yield from _one_sided([case])
    if changes.unexplained:
        yield loose_words(changes.unexplained)


def loose_words(runs: Sequence[Run]) -> str:
    """How many changed bytes are no part of anything that is known."""
    total = sum(run.changed for run in runs)
    belong = _verb(total, "belongs", "belong")
    return f"{fmt.count(total, 'changed byte')} {belong} to nothing that is defined."


def _verb(count: int, one: str, many: str) -> str:
    return one if count == 1 else many
