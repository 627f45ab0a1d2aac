"""A review of all images that differ between two revisions."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from callint.checking.assignments import Assignment, assignment
from callint.checking.checker import Checker
from callint.checking.image_findings import NO_DETAILS, FindingDetails
from callint.checking.new_findings import KnownFindings, new_findings
from callint.checking.report import Report
from callint.cli.authorship import AuthorshipFactory
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.progress import progress
from callint.cli.review_builder import ReviewDay, ReviewOptions, with_log
from callint.cli.revision_pairs import require_revisions
from callint.cli.software_pair import SoftwarePair
from callint.fmt import count
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.reading.definition_cache import open_definition
from callint.reading.tree import OverlayTree, content_or_reason, reason
from callint.reading.workspace import Workspace
from callint.rules.context import CheckContext
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content
from callint.versioning.review import (
    Digests,
    ImageState,
    Review,
    ReviewedDefinition,
    ReviewedImage,
    VersionPair,
    policy_file,
)

if TYPE_CHECKING:  # git is slow to import
    from callint.versioning.ranges import Span

#: From this number of images on, a progress bar is useful.
_LONG = 4


def review_of_range(arguments: tuple[str, ...], options: ReviewOptions) -> tuple[Review, Workspace]:
    """The review of two revisions, by the policy and the definitions of the new one.

    ``arguments`` are the two revisions and, optionally, paths to which the review is restricted.
    """
    from callint.versioning import ranges
    from callint.versioning.git.log import read_commit
    from callint.versioning.git.repository import open_repository
    from callint.versioning.revision_names import revision_name

    require_revisions(arguments)
    old, new, *paths = arguments
    span = ranges.between(Path.cwd(), old, new)
    named = revision_name(Path.cwd(), old), revision_name(Path.cwd(), new)
    refuse_unknown_rules(span.policy)
    _require_images(span, f"{old}..{new}", paths)
    commit = read_commit(open_repository(Path.cwd(), bare=True), new)
    workspace = Workspace(span.folder, span.policy, span.new)
    resolver = DefinitionResolver(workspace, None)
    reviewed_range = _ReviewedRange(span, (old, new), paths)
    versions = reviewed_range.versions
    day = ReviewDay(span.policy, options.day, commit, {*(version.path for version in versions), ""})
    report = reviewed_range.report(day.checked)
    with_findings = {finding.image for finding in report.findings}
    images = [_reviewed(resolver, version) for version in versions]
    names = {old: named[0].name, new: named[1].name}
    images = [replace(image, problem=_with_names(image.problem, names)) for image in images]
    # A change of the policy puts every image into the scope; the review omits those without any difference.
    images = [
        image
        for image in images
        if image.state is not ImageState.SAME or image.renamed or image.path in with_findings
    ]
    images = [with_log(image, resolver, options.log) for image in images]
    listed = {"", *(image.path for image in images)}
    known = tuple(finding for finding in report.known or () if finding.image in listed)
    review = Review(
        title=_title(images, "..".join(names[revision] for revision in (old, new)), paths),
        old=old,
        new=new,
        images=tuple(images),
        report=replace(report, known=known),
        commit=commit,
        day=day.printed,
        course=ranges.course(Path.cwd(), old, new),
        paths=tuple(paths),
        definitions=tuple(_definitions(span, (old, new), paths)),
        revisions=named,
        policy=policy_file(span.policy, span.new),
    )
    return review, workspace


def _with_names(problem: str, names: dict[str, str]) -> str:
    """A problem with a file at a revision, with the name of that revision."""
    revision, colon, rest = problem.partition(":")
    return f"{names.get(revision, revision)}{colon}{rest}"


def _definitions(span: Span, revisions: tuple[str, str], paths: list[str]) -> Iterator[ReviewedDefinition]:
    """The definitions of the new policy of which the meaning differs between the revisions."""
    from callint.comparing.definitions.diff import compare_definitions
    from callint.versioning.revisions import is_below

    for path in span.policy.definitions:
        if paths and not is_below(span.from_top(path), paths):
            continue
        sides = [
            open_definition(content, path, tree).definition
            for tree in (span.old, span.new)
            if isinstance(content := content_or_reason(tree, path), bytes)
        ]
        if len(sides) < 2 or sides[0] is None or sides[1] is None:
            continue  # a new definition has nothing to compare with; the findings name an invalid one
        if sides[0].digest == sides[1].digest:
            continue
        diff = compare_definitions(sides[0], sides[1])
        if diff.changes:
            names = [f"{revision}:{span.from_top(path)}" for revision in revisions]
            yield ReviewedDefinition(path, names[0], names[1], diff)


def _require_images(span: Span, revisions: str, selected: list[str]) -> None:
    """InputError if neither revision has an image below one of the selected paths."""
    from callint.versioning.revisions import is_below

    paths = {path for tree in (span.old, span.new) for path in tree.paths()}
    images = [span.from_top(path) for path in paths if assignment(span.policy, path) is not None]
    for place in selected:
        if not any(is_below(path, [place]) for path in images):
            raise InputError(f"{revisions}: no image below {place}; paths begin at the top of the repository")


def _title(images: list[ReviewedImage], revisions: str, paths: list[str]) -> str:
    if len(images) != 1:
        below = f" below {' and '.join(paths)}" if paths else ""
        return f"{count(len(images), 'image')}{below}, {revisions}"
    (image,) = images
    if image.renamed:
        return f"{image.renamed} → {image.path}, renamed according to git"
    return image.path


@dataclass(frozen=True, slots=True)
class _Version:
    """An image in two revisions. ``read_error`` says why one of its contents is unreadable.

    ``assignment`` is None if the image was removed.
    """

    path: str
    assignment: Assignment | None
    old: Content | None
    new: Content | None
    read_error: str = ""


class _ReviewedRange:
    """The images that differ between two revisions, or whose definition, base or policy differs."""

    def __init__(self, span: Span, revisions: tuple[str, str], paths: list[str]) -> None:
        from callint.versioning.revisions import changed_names

        self._span = span
        self._revisions = revisions
        self._is_complete = not paths
        renames = list(changed_names(Path.cwd(), span.folder, *revisions, paths))
        old_paths = {new: old for old, new in renames if old and new}
        in_scope = {image.image: image for image in span.scope.images}
        if paths:
            in_scope = {new: in_scope[new] for _, new in renames if new in in_scope}
        versions = [self._version(image, old_paths.get(path, path)) for path, image in in_scope.items()]
        versions += [self._removed(old) for old, new in renames if old and self._is_removal(old, new)]
        self.versions = sorted(versions, key=lambda version: version.path)

    def _is_removal(self, old: str, new: str | None) -> bool:
        """Whether an image was removed, or renamed to a path that the policy does not name."""
        policy = self._span.policy
        return assignment(policy, old) is not None and (not new or assignment(policy, new) is None)

    def _version(self, image: Assignment, old_path: str) -> _Version:
        old, old_error = self._read(0, old_path)
        new, new_error = self._read(1, image.image)
        return _Version(image.image, image, old, new, new_error or old_error)

    def _removed(self, path: str) -> _Version:
        content, error = self._read(0, path)
        return _Version(path, None, content, None, error)

    def _read(self, side: int, path: str) -> tuple[Content | None, str]:
        """A file of the old (0) or new revision (1), or why it is unreadable; None and "" if it is absent."""
        tree = (self._span.old, self._span.new)[side]
        name = f"{self._revisions[side]}:{self._span.from_top(path)}"
        try:
            return Content(name, path, tree.read(path)), ""
        except FileNotFoundError:
            return None, ""
        except OSError as error:
            return None, f"{name}: {reason(error)}"

    def report(self, day: date) -> Report:
        """The findings in the new revision; those that the old revision has too are ``known``.

        OLD is checked under the new paths, so that findings of both have the same content digest.
        """
        span = self._span
        authorships = AuthorshipFactory()
        old, new = (OverlayTree(tree) for tree in (span.old, span.new))
        earlier: list[Assignment] = []
        later: list[Assignment] = []
        for version in self.versions:
            if version.assignment is None:
                continue
            image = version.assignment
            if version.old is not None:
                old.files[image.image] = version.old.data
                earlier.append(image)
                if not image.bases:
                    new.files[version.old.name] = version.old.data
                    image = replace(image, bases=(version.old.name,))
            later.append(image)
        definitions = span.scope.definitions if self._is_complete else ()
        stored = set(span.old.paths())
        old_definitions = [path for path in definitions if path in stored]
        done = itertools.count(1)
        with progress("checking", len(later) + len(earlier), _LONG) as step:

            def check(tree: OverlayTree, images: list[Assignment], named: Sequence[str]) -> Report:
                authorship = authorships.for_tree(tree.below, span.policy.path)
                checker = Checker(
                    tree,
                    span.policy,
                    day,
                    authorship,
                    details=FindingDetails(contents=True, causes=tree is new),
                )
                is_complete = tree is new and self._is_complete and span.scope.is_complete
                further = self._comparisons(images) if tree is new and self._is_complete else ()
                return checker.report(
                    images, named, is_complete, lambda path: step(next(done)), further=further
                )

            fail_on = span.policy.fail_on
            known = KnownFindings(check(old, earlier, old_definitions), fail_on)
            return new_findings(check(new, later, definitions), [known], fail_on)

    def _comparisons(self, images: Sequence[Assignment]) -> Iterator[Callable[[Checker], Iterable[Finding]]]:
        """What compares the definitions and the policy with those of the old revision."""
        from callint.checking.definition_changes import loosened_findings
        from callint.checking.policy_changes import policy_findings

        earlier = [
            Checker(state.tree, state.policy, date.today(), details=NO_DETAILS)
            for state in self._span.earlier
            if state.policy is not None
        ]
        yield partial(loosened_findings, earlier=earlier, images=images)
        yield partial(policy_findings, earlier=earlier)


def _reviewed(resolver: DefinitionResolver, version: _Version) -> ReviewedImage:
    """An image of a range, compared if both versions are readable."""
    old, new = version.old, version.new
    image = ReviewedImage(
        path=version.path,
        state=_state(version),
        old=old.name if old else "",
        new=new.name if new else "",
        renamed=old.path if old and old.path != version.path else "",
        problem=version.read_error,
        sha256=Digests.of(old, new),
    )
    if new is None or version.read_error:
        return image
    try:
        loaded = resolver.resolve(new)
        after = resolver.read_image(loaded, new)
        base_name, base = resolver.read_base(loaded, new, after, None)
        digests = image.sha256.judged_by(loaded.definition, base_name, resolver.workspace)
        image = replace(image, sha256=digests)
        if old is None:
            return replace(image, context=CheckContext(loaded, after, base), old=base_name, base=base_name)
        old_loaded, _ = resolver.resolve_each(old, new)
        before = resolver.read_image(old_loaded, old)
    except InputError as error:
        # The remedy at the end is for a command line that names a single image.
        line = error.lines[0]
        image = replace(image, problem=line.rpartition("; ")[0] or line)
        return image if image.state is ImageState.SAME else replace(image, state=ImageState.UNREADABLE)
    has_base = version.assignment is not None and version.assignment.bases
    image = replace(image, base=base_name if has_base else old.name, base_image=base if has_base else None)
    if not has_base:
        image = replace(image, sha256=replace(image.sha256, base=image.sha256.old))
    if old_loaded is loaded:
        return replace(image, context=CheckContext(loaded, after, before))
    change = SoftwarePair(old_loaded, loaded, before, after).compare(())
    versions = VersionPair(change, old_loaded.file.path)
    return replace(image, context=CheckContext(loaded, after), versions=versions)


def _state(version: _Version) -> ImageState:
    if version.read_error:
        return ImageState.UNREADABLE
    if version.new is None:
        return ImageState.REMOVED
    if version.old is None:
        return ImageState.ADDED
    return ImageState.SAME if version.old.data == version.new.data else ImageState.CHANGED
