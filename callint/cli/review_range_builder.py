"""From two revisions to a review of all images that they have in different states."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from callint.checking.assignments import Assignment, assignment
from callint.checking.checker import Checker
from callint.checking.new_findings import KnownFindings, new_findings
from callint.checking.report import Report
from callint.cli.image_loading import AuthorshipFactory, DefinitionResolver
from callint.cli.progress import progress
from callint.cli.review_builder import Day, ReviewOptions, with_log
from callint.cli.revision_pairs import demand_revisions
from callint.fmt import count
from callint.model.errors import InputError
from callint.reading.tree import OverlayTree, reason
from callint.reading.workspace import Workspace
from callint.reporting.review.document import Digests, Review, ReviewedImage, State
from callint.rules.context import CheckContext
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # git is slow to import
    from callint.versioning.ranges import Span

#: From so many images on the work is long enough for a progress bar.
_LONG = 4


def review_of_range(words: tuple[str, ...], wish: ReviewOptions) -> tuple[Review, Workspace]:
    """What two revisions have in different states, by the policy and the definitions of the new one.

    ``words`` are the revisions, and behind them paths to which the review is confined.
    """
    from callint.versioning import ranges
    from callint.versioning.git.log import read_commit
    from callint.versioning.git.repository import open_repository

    demand_revisions(words)
    span = ranges.between(Path.cwd(), words[0], words[1])
    refuse_unknown_rules(span.policy)
    _demand_images(span, words)
    commit = read_commit(open_repository(Path.cwd(), bare=True), words[1])
    workspace = Workspace(span.folder, span.policy, span.new)
    subjects = DefinitionResolver(workspace, None)
    stretch = _Stretch(span, words)
    day = Day(span.policy, wish.day, commit, {*(one.path for one in stretch.versions), ""})
    report = stretch.report(day.judging)
    told = {finding.image for finding in report.findings}
    images = [_reviewed(subjects, one) for one in stretch.versions]
    # A change of the policy touches every image; those that it says nothing new about are no news.
    images = [one for one in images if one.state is not State.SAME or one.renamed or one.path in told]
    images = [with_log(one, subjects, wish.log) for one in images]
    shown = {"", *(one.path for one in images)}
    known = tuple(finding for finding in report.known or () if finding.image in shown)
    report = replace(report, known=known)
    course = ranges.course(Path.cwd(), words[0], words[1])
    review = Review(
        _title(images, words),
        words[0],
        words[1],
        tuple(images),
        report,
        commit,
        day.shown,
        course,
        tuple(words[2:]),
    )
    return review, workspace


def _demand_images(span: Span, words: tuple[str, ...]) -> None:
    """InputError where neither revision has an image below one of the named paths."""
    from callint.versioning.revisions import is_below

    paths = {path for tree in (span.old, span.new) for path in tree.paths()}
    images = [span.from_top(path) for path in paths if assignment(span.policy, path) is not None]
    for place in words[2:]:
        if not any(is_below(path, [place]) for path in images):
            between = f"{words[0]}..{words[1]}"
            raise InputError(f"{between}: no image below {place}; paths begin at the top of the repository")


def _title(images: list[ReviewedImage], words: tuple[str, ...]) -> str:
    if len(images) != 1:
        below = f" below {' and '.join(words[2:])}" if words[2:] else ""
        return f"{count(len(images), 'image')}{below}, {words[0]}..{words[1]}"
    (image,) = images
    if image.renamed:
        return f"{image.renamed} → {image.path}, taken for renamed by git"
    return image.path


@dataclass(frozen=True, slots=True)
class _Version:
    """An image in two revisions: its contents, or why one cannot be read.

    ``one`` is what the policy says about it, None where it was removed.
    """

    path: str
    one: Assignment | None
    old: Content | None
    new: Content | None
    trouble: str = ""


class _Stretch:
    """What lies between two revisions: the images that differ, or that are judged by what differs."""

    def __init__(self, span: Span, words: tuple[str, ...]) -> None:
        from callint.versioning.revisions import changed_names

        self._span = span
        self._revisions = old, new = words[0], words[1]
        self._is_whole = len(words) == 2
        names = list(changed_names(Path.cwd(), span.folder, old, new, words[2:]))
        before = {now: then for then, now in names if then and now}
        touched = {one.image: one for one in span.touched.images}
        if not self._is_whole:
            touched = {now: touched[now] for _, now in names if now in touched}
        found = [self._version(one, before.get(path, path)) for path, one in touched.items()]
        found += [self._gone(then) for then, now in names if then and self._went(then, now)]
        self.versions = sorted(found, key=lambda one: one.path)

    def _went(self, before: str, after: str | None) -> bool:
        """Whether an image went away: it was removed, or renamed to what the policy does not name."""
        policy = self._span.policy
        return assignment(policy, before) is not None and (not after or assignment(policy, after) is None)

    def _version(self, one: Assignment, before: str) -> _Version:
        old, old_trouble = self._content(0, before)
        new, new_trouble = self._content(1, one.image)
        return _Version(one.image, one, old, new, new_trouble or old_trouble)

    def _gone(self, path: str) -> _Version:
        content, trouble = self._content(0, path)
        return _Version(path, None, content, None, trouble)

    def _content(self, number: int, path: str) -> tuple[Content | None, str]:
        """A file of the old (0) or new revision (1), or why it cannot be read; neither where it is not."""
        tree = (self._span.old, self._span.new)[number]
        name = f"{self._revisions[number]}:{self._span.from_top(path)}"
        try:
            return Content(name, path, tree.read(path)), ""
        except FileNotFoundError:
            return None, ""
        except OSError as error:
            return None, f"{name}: {reason(error)}"

    def report(self, day: date) -> Report:
        """The findings in the new revision, those apart that the old one has too.

        OLD is judged under the new paths, so that what both have is known by its content.
        """
        span = self._span
        witnesses = AuthorshipFactory()
        old, new = (OverlayTree(tree) for tree in (span.old, span.new))
        earlier: list[Assignment] = []
        later: list[Assignment] = []
        for version in self.versions:
            if version.one is None:
                continue
            one = version.one
            if version.old is not None:
                old.files[one.image] = version.old.data
                earlier.append(one)
                if not one.bases:
                    new.files[version.old.name] = version.old.data
                    one = replace(one, bases=(version.old.name,))
            later.append(one)
        definitions = span.touched.definitions if self._is_whole else ()
        stored = set(span.old.paths())
        before = [path for path in definitions if path in stored]
        step = itertools.count(1)
        with progress("checking", len(later) + len(earlier), _LONG) as done:

            def inspected(tree: OverlayTree, images: list[Assignment], named: Sequence[str]) -> Report:
                witness = witnesses.of(tree.below, span.policy.path)
                inspector = Checker(tree, span.policy, day, witness, is_compared=True)
                is_whole = tree is new and self._is_whole and span.touched.whole
                return inspector.report(images, named, is_whole, lambda path: done(next(step)))

            fail_on = span.policy.fail_on
            known = KnownFindings(inspected(old, earlier, before), fail_on)
            return new_findings(inspected(new, later, definitions), [known], fail_on)


def _reviewed(subjects: DefinitionResolver, version: _Version) -> ReviewedImage:
    """An image of a range, compared where that can be."""
    old, new = version.old, version.new
    image = ReviewedImage(
        path=version.path,
        state=_state(version),
        old=old.name if old else "",
        new=new.name if new else "",
        renamed=old.path if old and old.path != version.path else "",
        trouble=version.trouble,
        sha256=Digests.of(old, new),
    )
    if new is None or version.trouble:
        return image
    try:
        subject = subjects.of(new)
        after = subjects.image(subject, new)
        base_name, base = subjects.base_of(new, subject, after, None)
        if old is None:
            return replace(image, case=CheckContext(subject, after, base), old=base_name, base=base_name)
        before = subjects.image(subject, old)
    except InputError as error:
        # The remedy is for a command line that names one image.
        line = error.lines[0]
        image = replace(image, trouble=line.rpartition("; ")[0] or line)
        return image if image.state is State.SAME else replace(image, state=State.UNREADABLE)
    has_base = version.one is not None and version.one.bases
    return replace(image, case=CheckContext(subject, after, before), base=base_name if has_base else old.name)


def _state(version: _Version) -> State:
    if version.trouble:
        return State.UNREADABLE
    if version.new is None:
        return State.REMOVED
    if version.old is None:
        return State.ADDED
    return State.SAME if version.old.data == version.new.data else State.CHANGED
