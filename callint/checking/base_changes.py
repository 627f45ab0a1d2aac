"""Bases that are not the ones from before: found where two states of a repository are compared."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from callint.checking.checker import Assignment, Checker, assignment, assignments, same_identity
from callint.model.finding import Finding
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import content_or_reason
from callint.rules.base import unreadable_change
from callint.rules.context import CheckContext, LoadedDefinition
from callint.rules.registry import in_scope
from callint.rules.rule import Scope


@dataclass(frozen=True, slots=True)
class _ChangedBase:
    """A base and what stood in its place; ``before`` is "" where it has the same path."""

    path: str
    definitions: tuple[str, ...]
    start: int | None
    old: bytes | str
    before: str = ""


def base_findings(inspector: Checker, earlier: Sequence[Checker]) -> Iterator[Finding]:
    """The settled findings about bases that differ from those of every earlier state that has them.

    Several earlier states are the parents of a merge: a base that one of them has as it is was not changed
    by the merge.
    """
    of_each = [
        {base.path: base for base in (*_edited(inspector, state), *_exchanged(inspector, state))}
        for state in earlier
    ]
    changed = (
        {path: base for path, base in of_each[0].items() if all(path in others for others in of_each[1:])}
        if of_each
        else {}
    )
    for path in inspector.judge.policy.bases:
        if path in changed:
            yield from inspector.settle_base(path, *_compared(inspector, changed[path]))
        else:
            inspector.meet_base(path)


def _edited(inspector: Checker, state: Checker) -> Iterator[_ChangedBase]:
    """Bases of both states whose files differ."""
    earlier = set(state.judge.policy.bases)
    for entry in inspector.judge.policy.images:
        for path in entry.bases:
            if path not in earlier:
                continue
            old, new = (content_or_reason(tree, path) for tree in (state.tree, inspector.tree))
            # Of one that cannot be read now image/missing-base says so.
            if old is not None and isinstance(new, bytes) and _sum(old) != _sum(new):
                yield _ChangedBase(path, entry.definitions, entry.start, old)


def _sum(content: bytes | str) -> str:
    """What git-lfs knows a content by, or why there is none."""
    return content if isinstance(content, str) else hashlib.sha256(content).hexdigest()


def _exchanged(inspector: Checker, state: Checker) -> Iterator[_ChangedBase]:
    """Bases that the policy has put in the place of others of the same software."""
    if state.judge.policy.images == inspector.judge.policy.images:
        return
    stored = set(state.tree.paths())
    for one in assignments(inspector.judge.policy, inspector.tree):
        before = assignment(state.judge.policy, one.image)
        if before is None or before.bases == one.bases or one.image not in stored:
            continue
        yield from _exchanged_of(inspector, state, one, before)


def _exchanged_of(
    inspector: Checker, state: Checker, one: Assignment, before: Assignment
) -> Iterator[_ChangedBase]:
    old, new = state.case(before), inspector.case(one)
    if old is None or new is None or old.base is None or new.base is None:
        return
    if old.base != new.base and same_identity(old.base, new.base, new.definition.memory.identities):
        content = content_or_reason(state.tree, old.base_path)
        yield _ChangedBase(new.base_path, one.definitions, one.start, content or "", old.base_path)


def _compared(inspector: Checker, base: _ChangedBase) -> tuple[CheckContext | None, list[Finding]]:
    """A changed base beside the one from before, and what the rules say of it."""
    subject = next((one for path in base.definitions if (one := inspector.load(path).subject)), None)
    new = content_or_reason(inspector.tree, base.path)
    image, before = (_image(subject, content, base.start) for content in (new, base.old))
    if subject is None or image is None or before is None:
        return None, [unreadable_change(f"the factory base was changed, and {_trouble(new, base.old)}")]
    case = CheckContext(subject, image=image, base=before, base_path=base.before or base.path)
    findings = [finding for rule in in_scope(Scope.BASE) for finding in rule.check(case)]
    if base.before:
        moved = f"it stands in the place of {base.before}; "
        findings = [replace(one, message=moved + one.message) for one in findings]
    if not findings:  # other bytes with the same content, such as records that are cut in another way
        return None, []
    return case, findings


def _image(subject: LoadedDefinition | None, content: bytes | str | None, start: int | None) -> Image | None:
    if subject is None or not isinstance(content, bytes):
        return None
    try:
        return read_image(content, subject.definition.memory, start)
    except DamagedError:
        return None


def _trouble(new: bytes | str | None, old: bytes | str) -> str:
    for which, content in (("it", new), ("the one from before", old)):
        if not isinstance(content, bytes):
            return f"{which} cannot be read: {content}"
    return "the two cannot be compared: one of them is damaged, or their definition is not valid"
