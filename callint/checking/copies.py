"""Finds images whose files became equal to those of other images of the policy."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from callint.checking.assignments import Assignment, assignments
from callint.checking.checker import Checker
from callint.checking.unit_numbers import read_unit
from callint.decoding.unit_numbers import unit_numbers
from callint.model.finding import Finding
from callint.reading.tree import Tree, content_or_reason
from callint.rules.context import CheckContext, OtherImage
from callint.rules.registry import in_scope
from callint.rules.rule import Scope


def copy_findings(
    checker: Checker, images: Sequence[Assignment], earlier: Callable[[], Sequence[Tree]]
) -> Iterator[Finding]:
    """The settled findings about images that equal another image but differed from it in every earlier state.

    ``earlier`` gives the trees of these states. They are read only for images that equal another one.
    """
    if not images:
        return
    paths = [item.image for item in assignments(checker.policy, checker.tree)]
    equal = _equal_paths(checker.tree, {*paths, *(item.image for item in images)})
    suspects = [item for item in images if item.image in equal]
    trees = earlier() if suspects else ()
    if not trees:
        return
    for item in suspects:
        context = _context(checker, item, equal[item.image], trees)
        if context is not None:
            findings = [finding for rule in in_scope(Scope.COPY) for finding in rule.findings(context)]
            yield from checker.settler.settle_copy(item.image, context, findings)


def _equal_paths(tree: Tree, paths: Iterable[str]) -> Mapping[str, list[str]]:
    """For the path of each file that equals others, the paths of the equal files."""
    of_content: dict[str, list[str]] = defaultdict(list)
    for path, digest in sorted(tree.digests(paths).items()):
        of_content[digest].append(path)
    groups = (group for group in of_content.values() if len(group) > 1)
    return {path: [other for other in group if other != path] for group in groups for path in group}


def _context(
    checker: Checker, assignment: Assignment, equal: Sequence[str], trees: Sequence[Tree]
) -> CheckContext | None:
    """An image with the others of ``equal`` that it differed from in every earlier state; None without any.

    The rule about unit numbers handles an image with such a number. An image that equals its base was reset,
    and is not a copy of another unit.
    """
    path, now = assignment.image, content_or_reason(checker.tree, assignment.image)
    before = [content_or_reason(tree, path) for tree in trees]
    if any(content is None or content == now for content in before):
        return None
    others = []
    for other in equal:
        contents = [content_or_reason(tree, other) for tree in trees]
        if any(own == content for own, content in zip(before, contents, strict=True)):
            continue
        others.append((other, now not in contents))
    read = read_unit(checker, assignment) if others else None
    if read is None or read.image == read.base:
        return None
    if unit_numbers(read.loaded.definition, read.image, read.base):
        return None
    return CheckContext(
        read.loaded,
        read.image,
        read.base,
        start=assignment.start,
        is_raw=read.is_raw,
        others=tuple(OtherImage(other, read.image, changed=changed) for other, changed in others),
    )
