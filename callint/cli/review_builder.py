"""A review of two images."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.checker import Checker
from callint.checking.image_findings import FindingDetails
from callint.checking.new_findings import KnownFindings, new_findings
from callint.checking.report import Report
from callint.checking.version_findings import version_key
from callint.cli.authorship import AuthorshipFactory
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.log_option import read_log
from callint.cli.revision_pairs import two_images
from callint.cli.software_pair import SoftwarePair, read_change_log
from callint.comparing.definitions.renames import match_items, renamed
from callint.decoding.surfaces import surfaces
from callint.model.policy import Policy
from callint.reading.tree import OverlayTree
from callint.reading.workspace import Workspace
from callint.rules.context import CheckContext
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content
from callint.versioning.review import (
    Digests,
    ImageState,
    Review,
    ReviewedImage,
    VersionPair,
    policy_file,
)

if TYPE_CHECKING:  # git is slow to import, and two files need none of it
    from callint.versioning.git.log import LoggedCommit
    from callint.versioning.revision_names import RevisionName


@dataclass(frozen=True, slots=True)
class ReviewOptions:
    """The definition, the date and the driving log that the command line names."""

    definitions: tuple[str, ...] = ()
    day: date | None = None
    log: str | None = None

    @property
    def definition(self) -> str | None:
        """The definition of NEW; None if the policy has it."""
        return self.definitions[-1] if self.definitions else None


def review_of_images(
    workspace: Workspace, arguments: tuple[str, ...], options: ReviewOptions
) -> tuple[Review, Workspace]:
    """The review of two images, and their workspace. InputError if one of them is unreadable."""
    workspace, old, new = two_images(workspace, options.definition, arguments)
    refuse_unknown_rules(workspace.policy)
    resolver = DefinitionResolver(workspace, options.definition)
    old_resolver = resolver
    if len(options.definitions) > 1:
        old_resolver = resolver.with_definition(options.definitions[0])
        old_loaded, loaded = old_resolver.resolve(old), resolver.resolve(new)
    else:
        old_loaded, loaded = resolver.resolve_each(old, new)
    before, after = old_resolver.read_image(old_loaded, old), resolver.read_image(loaded, new)
    if old_loaded is not loaded:
        pair = SoftwarePair(old_loaded, loaded, before, after)
        return _review_of_versions(workspace, resolver, pair, (old, new), arguments, options), workspace
    policy = workspace.policy
    known_as = assignment_of_named(policy, new.path) or assignment_of_named(policy, old.path)
    bases = known_as.bases if known_as else ()
    assignment = Assignment(new.path, (loaded.file.path,), bases or (old.name,), resolver.start_of(new))
    # OLD is checked under the name of NEW, so that findings of both have the same content digest.
    trees = (
        OverlayTree(workspace, {**({} if bases else {old.name: old.data}), new.path: new.data}),
        OverlayTree(workspace, {new.path: old.data}),
    )
    commit = _commit_of(arguments[1])
    day = ReviewDay(policy, options.day, commit, {new.path, ""})
    authorship = AuthorshipFactory().for_tree(workspace, policy.path)
    checker, earlier = (
        Checker(tree, policy, day.checked, authorship, details=FindingDetails(contents=True, causes=is_new))
        for tree, is_new in zip(trees, (True, False), strict=True)
    )
    report = checker.report([assignment])
    known = KnownFindings(earlier.report([replace(assignment, bases=bases)]), policy.fail_on)
    report = new_findings(report, [known], policy.fail_on)
    base = checker.loader.choose_base(loaded, assignment, after)
    image = ReviewedImage(
        path=new.path,
        state=ImageState.SAME if old.data == new.data else ImageState.CHANGED,
        old=old.name,
        new=new.name,
        base=base.path,
        base_image=base.image,
        context=CheckContext(loaded, after, before),
        sha256=Digests.of(old, new).judged_by(loaded.definition, base.path, checker.tree),
    )
    image = with_log(image, resolver, options.log)
    return _review(workspace, arguments, (old, new), image, report, (commit, day)), workspace


def _review_of_versions(
    workspace: Workspace,
    resolver: DefinitionResolver,
    pair: SoftwarePair,
    images: tuple[Content, Content],
    arguments: tuple[str, ...],
    options: ReviewOptions,
) -> Review:
    """The review of images of two software versions.

    Each image is judged by its own definition; a finding of NEW is known if OLD has it in the same table.
    """
    old, new = images
    policy = workspace.policy
    assigned = assignment_of_named(policy, new.path)
    bases = assigned.bases if assigned else ()
    assignment = Assignment(new.path, (pair.new.file.path,), bases, resolver.start_of(new))
    commit = _commit_of(arguments[1])
    day = ReviewDay(policy, options.day, commit, {new.path, ""})
    authorship = AuthorshipFactory().for_tree(workspace, policy.path)
    checker = Checker(OverlayTree(workspace, {new.path: new.data}), policy, day.checked, authorship)
    base = checker.loader.choose_base(pair.new, assignment, pair.new_image).path
    image = ReviewedImage(
        path=new.path,
        state=ImageState.SAME if old.data == new.data else ImageState.CHANGED,
        old=old.name,
        new=new.name,
        base=base,
        context=CheckContext(pair.new, pair.new_image),
        sha256=Digests.of(old, new).judged_by(pair.new.definition, base, checker.tree),
        versions=VersionPair(pair.compare(()), pair.old.file.path),
    )
    image = with_log(image, resolver, options.log)
    old_tree, details = OverlayTree(workspace, {old.path: old.data}), FindingDetails(causes=False)
    earlier = Checker(old_tree, policy, day.checked, authorship, details=details)
    assigned = assignment_of_named(policy, old.path)
    before = Assignment(
        old.path, (pair.old.file.path,), assigned.bases if assigned else (), resolver.start_of(old)
    )
    keys = version_key(renamed(match_items(pair.old.definition, pair.new.definition))), version_key()
    known = KnownFindings(earlier.report([before]), policy.fail_on, keys)
    report = new_findings(checker.report([assignment]), [known], policy.fail_on)
    return _review(workspace, arguments, images, image, report, (commit, day))


def _review(
    workspace: Workspace,
    arguments: tuple[str, ...],
    images: tuple[Content, Content],
    image: ReviewedImage,
    report: Report,
    dated: tuple[LoggedCommit | None, ReviewDay],
) -> Review:
    """The review of two images; ``dated`` has the commit of NEW and the day of the review."""
    commit, day = dated
    title, revisions = _named_files(arguments)
    old, new = images
    return Review(
        title=title or new.name,
        old=old.name,
        new=new.name,
        images=(image,),
        report=report,
        commit=commit,
        day=day.printed,
        revisions=revisions,
        policy=policy_file(workspace.policy, workspace),
    )


def _named_files(arguments: tuple[str, ...]) -> tuple[str, tuple[RevisionName | None, RevisionName | None]]:
    """NEW with the name of its revision, "" for a file on disk, and the revisions of OLD and NEW."""
    if not any(":" in argument for argument in arguments[:2]):
        return "", (None, None)  # importing git's modules takes long
    from callint.versioning.revision_names import name_of_file

    (_, old), (title, new) = (name_of_file(Path.cwd(), argument) for argument in arguments[:2])
    return title if new else "", (old, new)


def _commit_of(argument: str) -> LoggedCommit | None:
    """The commit in ``REV:path``; None for a file on disk or in the index."""
    revision = argument.partition(":")[0]
    if ":" not in argument or not revision or Path(argument).exists():
        return None
    from callint.versioning.git.log import read_commit
    from callint.versioning.git.repository import open_repository

    return read_commit(open_repository(Path.cwd(), bare=True), revision)


class ReviewDay:
    """The day for which waivers are checked: the requested one, or else the commit's, or else today.

    ``printed`` is the day that the review shows: None if it is today and no waiver of these images has a last
    day.
    """

    def __init__(
        self, policy: Policy, requested: date | None, commit: LoggedCommit | None, images: set[str]
    ) -> None:
        authored = commit.authored if commit else None
        chosen_day = requested or (authored.date() if authored else None)
        self.checked = chosen_day or date.today()
        has_last_day = any(waiver.until and waiver.image in images for waiver in policy.waivers)
        self.printed = self.checked if chosen_day or has_last_day else None


def with_log(image: ReviewedImage, resolver: DefinitionResolver, log: str | None) -> ReviewedImage:
    """The image with the logged time in the cells of the tables that changed, if there is a log."""
    if log is None or image.context is None or image.context.image is None:
        return image
    if image.versions is not None:
        return replace(image, log=read_change_log(log, resolver, image.versions.change))
    context = image.context
    changed = surfaces(context.new, context.changes.touched_tables)
    return replace(image, log=read_log(log, resolver.policy, context.definition, changed))
