"""Bases that are not the ones from before: found where two states of a repository are compared."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from callint.checking.checker import Checker, assignments, same_identity
from callint.model.finding import Finding
from callint.model.image import Image
from callint.model.policy import ImageRule
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
    of_each = [{base.path: base for base in _changed(inspector, state)} for state in earlier]
    first, *others = of_each or [{}]
    changed = {path: base for path, base in first.items() if all(path in other for other in others)}
    for path in inspector.judge.policy.bases:
        if path in changed:
            yield from inspector.settle_base(path, *_compared(inspector, changed[path]))
        else:
            inspector.meet_base(path)


@dataclass(frozen=True, slots=True)
class _EarlierBase:
    """A base as an earlier state had it."""

    path: str
    definitions: tuple[str, ...]
    start: int | None
    content: bytes | str


def _changed(inspector: Checker, state: Checker) -> Iterator[_ChangedBase]:
    """Bases whose file is another one or gone, and new ones of a software that had a base already."""
    earlier = {
        path: _EarlierBase(path, entry.definitions, entry.start, content)
        for entry in state.judge.policy.images
        for path in entry.bases
        if (content := content_or_reason(state.tree, path)) is not None
    }
    used = {path for one in assignments(inspector.judge.policy, inspector.tree) for path in one.bases}
    for entry in inspector.judge.policy.images:
        for path in entry.bases:
            new, old = content_or_reason(inspector.tree, path), earlier.get(path)
            if old is not None:
                # Of one that cannot be read image/missing-base says so, where there is an image.
                is_told = path in used and not isinstance(new, bytes)
                if not is_told and (new is None or _sum(old.content) != _sum(new)):
                    yield _ChangedBase(path, entry.definitions, entry.start, old.content)
            elif isinstance(new, bytes) and (same := _same_software(inspector, state, entry, new, earlier)):
                yield _ChangedBase(path, entry.definitions, entry.start, same.content, same.path)


def _sum(content: bytes | str) -> str:
    """What git-lfs knows a content by, or why there is none."""
    return content if isinstance(content, str) else hashlib.sha256(content).hexdigest()


def _same_software(
    inspector: Checker,
    state: Checker,
    entry: ImageRule,
    new: bytes,
    earlier: Mapping[str, _EarlierBase],
) -> _EarlierBase | None:
    """The earlier base in whose place a new one stands: of the same software, with other content.

    None where an earlier base has that very content, as one that was only moved.
    """
    if any(_sum(old.content) == _sum(new) for old in earlier.values()):
        return None
    for old in earlier.values():
        definitions = [inspector.load(path) for path in entry.definitions]
        definitions += [state.load(path) for path in old.definitions]
        shares = not set(entry.definitions).isdisjoint(old.definitions)
        for loaded in definitions:
            image = _image(loaded.subject, new, entry.start)
            before = _image(loaded.subject, old.content, old.start)
            if loaded.subject is None or image is None or before is None or image == before:
                continue
            identities = loaded.subject.definition.memory.identities
            if not identities and not shares:
                continue
            if all(image.read(one.at, len(one.content)) is not None for one in identities) and same_identity(
                image, before, identities
            ):
                return old
    return None


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
    if new is None:
        return "it is no longer there"
    for which, content in (("it", new), ("the one from before", old)):
        if not isinstance(content, bytes):
            return f"{which} cannot be read: {content}"
    return "the two cannot be compared: one of them is damaged, or their definition is not valid"
