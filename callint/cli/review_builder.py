"""From two images to a review of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.checker import Checker
from callint.checking.new_findings import KnownFindings, new_findings
from callint.cli.image_loading import AuthorshipFactory, DefinitionResolver
from callint.cli.log_option import read_log
from callint.cli.revision_pairs import two_images
from callint.decoding.surfaces import surfaces
from callint.model.policy import Policy
from callint.reading.tree import OverlayTree
from callint.reading.workspace import Workspace
from callint.reporting.review.document import Digests, Review, ReviewedImage, State
from callint.rules.context import CheckContext
from callint.rules.registry import refuse_unknown_rules

if TYPE_CHECKING:  # git is slow to import, and two files need none of it
    from callint.versioning.git.log import LoggedCommit


@dataclass(frozen=True, slots=True)
class ReviewOptions:
    """What was asked for beside OLD and NEW."""

    definition: str | None = None
    day: date | None = None
    log: str | None = None


def review_of_images(
    workspace: Workspace, words: tuple[str, ...], wish: ReviewOptions
) -> tuple[Review, Workspace]:
    """Two images, and the workplace that knows them. InputError where one of them cannot be read."""
    workspace, old, new = two_images(workspace, wish.definition, words)
    refuse_unknown_rules(workspace.policy)
    subjects = DefinitionResolver(workspace, wish.definition)
    subject = subjects.of(new, old)
    before, after = (subjects.image(subject, one) for one in (old, new))
    policy = workspace.policy
    found = assignment_of_named(policy, new.path) or assignment_of_named(policy, old.path)
    bases = found.bases if found else ()
    one = Assignment(new.path, (subject.file.path,), bases or (old.name,), subjects.start_of(new))
    # OLD is judged as NEW would be, so that what both have is known by its content.
    trees = (
        OverlayTree(workspace, {**({} if bases else {old.name: old.data}), new.path: new.data}),
        OverlayTree(workspace, {new.path: old.data}),
    )
    commit = _commit_of(words[1])
    day = Day(policy, wish.day, commit, {new.path, ""})
    witness = AuthorshipFactory().of(workspace, policy.path)
    inspector, earlier = (Checker(tree, policy, day.judging, witness, is_compared=True) for tree in trees)
    report = inspector.report([one])
    known = KnownFindings(earlier.report([replace(one, bases=bases)]), policy.fail_on)
    report = new_findings(report, [known], policy.fail_on)
    image = ReviewedImage(
        path=new.path,
        state=State.SAME if old.data == new.data else State.CHANGED,
        old=old.name,
        new=new.name,
        base=inspector.loader.choose_base(subject, one, after).path,
        case=CheckContext(subject, after, before),
        sha256=Digests.of(old, new),
    )
    image = with_log(image, subjects, wish.log)
    return Review(new.name, old.name, new.name, (image,), report, commit, day.shown), workspace


def _commit_of(word: str) -> LoggedCommit | None:
    """The commit that ``REV:path`` leads to."""
    revision = word.partition(":")[0]
    if ":" not in word or not revision or Path(word).exists():
        return None
    from callint.versioning.git.log import read_commit
    from callint.versioning.git.repository import open_repository

    return read_commit(open_repository(Path.cwd(), bare=True), revision)


class Day:
    """The day for which waivers are judged: what was asked for, or the commit's.

    Without either it is today, and only ``shown`` where it matters, as a waiver of these images ends.
    """

    def __init__(
        self, policy: Policy, asked: date | None, commit: LoggedCommit | None, images: set[str]
    ) -> None:
        written = commit.authored if commit else None
        given = asked or (written.date() if written else None)
        self.judging = given or date.today()
        matters = any(waiver.until and waiver.image in images for waiver in policy.waivers)
        self.shown = self.judging if given or matters else None


def with_log(image: ReviewedImage, subjects: DefinitionResolver, log: str | None) -> ReviewedImage:
    """The image with the logged time in the cells of the tables that changed, if there is a log."""
    if log is None or image.case is None or image.case.image is None:
        return image
    case = image.case
    asked = surfaces(case.new, case.changes.touched_tables)
    return replace(image, logged=read_log(log, subjects.policy, case.definition, asked))
