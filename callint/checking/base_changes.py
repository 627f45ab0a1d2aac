"""Finds bases that differ from an earlier state of the repository."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from callint.checking.assignments import assignments
from callint.checking.checker import Checker
from callint.checking.identity import same_identity
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.finding import Finding
from callint.model.image import Image
from callint.model.policy import ImageRule
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import content_or_reason
from callint.rules.base import unreadable_change
from callint.rules.context import CheckContext
from callint.rules.registry import in_scope
from callint.rules.rule import Scope


@dataclass(frozen=True, slots=True)
class _EarlierBase:
    """A base in an earlier state; if the file could not be read, ``content`` is the reason as text."""

    path: str
    definitions: tuple[str, ...]
    start: int | None
    content: bytes | str


@dataclass(frozen=True, slots=True)
class _ChangedBase:
    """A base and the content that it replaces.

    ``replaced_path`` is the path of the earlier base, "" if it is the same.
    """

    path: str
    definitions: tuple[str, ...]
    start: int | None
    old: bytes | str
    replaced_path: str = ""


def base_findings(checker: Checker, earlier: Sequence[Checker]) -> Iterator[Finding]:
    """The settled findings about bases that differ from their content in every earlier state that has them.

    The earlier states of a merge are its parents: the merge did not change a base that equals the base of
    one parent.
    """
    by_state = [{base.path: base for base in _changed_bases(checker, state)} for state in earlier]
    first, *others = by_state or [{}]
    changed = {path: base for path, base in first.items() if all(path in bases for bases in others)}
    for path in checker.policy.bases:
        if path in changed:
            yield from checker.settler.settle_base(path, *_compare_base(checker, changed[path]))
    checker.settler.judge_unchanged_bases()


def _changed_bases(checker: Checker, state: Checker) -> Iterator[_ChangedBase]:
    """The bases whose file differs or is gone, and the new bases that replace one of the same software."""
    earlier = {
        path: _EarlierBase(path, entry.definitions, entry.start, content)
        for entry in state.policy.images
        for path in entry.bases
        if (content := content_or_reason(state.tree, path)) is not None
    }
    used = {path for item in assignments(checker.policy, checker.tree) for path in item.bases}
    for entry in checker.policy.images:
        for path in entry.bases:
            new, old = content_or_reason(checker.tree, path), earlier.get(path)
            if old is not None:
                # If an image uses an unreadable base, image/missing-base reports it.
                is_reported = path in used and not isinstance(new, bytes)
                if not is_reported and (new is None or _digest(old.content) != _digest(new)):
                    yield _ChangedBase(path, entry.definitions, entry.start, old.content)
            elif isinstance(new, bytes) and (replaced := _replaced(checker, state, entry, new, earlier)):
                yield _ChangedBase(path, entry.definitions, entry.start, replaced.content, replaced.path)


def _digest(content: bytes | str) -> str:
    """The digest by which git-lfs names a content, or the reason why there is no content."""
    return content if isinstance(content, str) else hashlib.sha256(content).hexdigest()


def _replaced(
    checker: Checker,
    state: Checker,
    entry: ImageRule,
    new: bytes,
    earlier: Mapping[str, _EarlierBase],
) -> _EarlierBase | None:
    """The earlier base that a new one replaces: of the same software, with other content.

    None if an earlier base has the same content: then the file was only moved.
    """
    if any(_digest(old.content) == _digest(new) for old in earlier.values()):
        return None
    for old in earlier.values():
        results = [checker.loader.load(path) for path in entry.definitions]
        results += [state.loader.load(path) for path in old.definitions]
        shares = not set(entry.definitions).isdisjoint(old.definitions)
        for result in results:
            image = _read_image(result.loaded, new, entry.start)
            before = _read_image(result.loaded, old.content, old.start)
            if result.loaded is None or image is None or before is None or image == before:
                continue
            identities = result.loaded.definition.memory.identities
            if not identities and not shares:
                continue
            has_all = all(
                image.read(identity.at, len(identity.content)) is not None for identity in identities
            )
            if has_all and same_identity(image, before, identities):
                return old
    return None


def _compare_base(checker: Checker, base: _ChangedBase) -> tuple[CheckContext | None, list[Finding]]:
    """The context of a changed base and its earlier content, and the findings of the rules about it."""
    results = (checker.loader.load(path) for path in base.definitions)
    loaded = next((result.loaded for result in results if result.loaded), None)
    new = content_or_reason(checker.tree, base.path)
    image, before = (_read_image(loaded, content, base.start) for content in (new, base.old))
    if loaded is None or image is None or before is None:
        return None, [unreadable_change(f"the factory base was changed, and {_problem(new, base.old)}")]
    context = CheckContext(loaded, image=image, base=before, base_path=base.replaced_path or base.path)
    findings = [finding for rule in in_scope(Scope.BASE) for finding in rule.findings(context)]
    if base.replaced_path:
        prefix = f"it replaces {base.replaced_path}; "
        findings = [replace(finding, message=prefix + finding.message) for finding in findings]
    if not findings:  # other bytes with the same content, such as records of another length
        return None, []
    return context, findings


def _read_image(
    loaded: LoadedDefinition | None, content: bytes | str | None, start: int | None
) -> Image | None:
    if loaded is None or not isinstance(content, bytes):
        return None
    try:
        return read_image(content, loaded.definition.memory, start)
    except DamagedError:
        return None


def _problem(new: bytes | str | None, old: bytes | str) -> str:
    """A clause that says why two contents of a base cannot be compared."""
    if new is None:
        return "it is no longer there"
    for name, content in (("it", new), ("the one from before", old)):
        if not isinstance(content, bytes):
            return f"{name} cannot be read: {content}"
    return "the two cannot be compared: one of them is damaged, or their definition is not valid"
