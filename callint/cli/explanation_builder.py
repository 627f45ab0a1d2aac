"""The explanation of a change of one image: its review, and the history of the new image."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path

from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.checker import Checker
from callint.cli.image_loading import read_content
from callint.cli.known_images import find_known_images
from callint.cli.progress import LONG_HISTORY, progress
from callint.cli.review_builder import ReviewOptions, review_of_images
from callint.decoding.unit_numbers import unit_items, unit_number
from callint.model.definition import Definition
from callint.model.errors import InputError
from callint.model.finding import Finding, Severity
from callint.model.image import Image
from callint.model.release import Release
from callint.reading.tree import OverlayTree
from callint.reading.workspace import Workspace
from callint.versioning.explanation import (
    ChangeReason,
    ExplainedTable,
    Explanation,
    explained_tables,
    is_of_other_software,
    problem_counts,
    reasons_of,
    unchanged_tables,
)
from callint.versioning.file_version import Content
from callint.versioning.git.log import read_messages
from callint.versioning.history import open_history
from callint.versioning.releases import releases_of
from callint.versioning.repository_file import find_image
from callint.versioning.review import ReviewedImage


def explain_images(
    workspace: Workspace,
    arguments: tuple[str, str],
    options: ReviewOptions,
    folders: Sequence[str] = (),
) -> tuple[Explanation, Workspace]:
    """The explanation of the change between two images, and their workspace.

    ``folders`` have releases, besides those of the repository. InputError if one of the images is unreadable.
    """
    review, workspace = review_of_images(workspace, arguments, options)
    (image,) = review.images
    context, changes = image.context, image.changes
    assert context is not None and context.image is not None and changes is not None
    report = review.report
    findings = (*report.findings, *(report.known or ()))
    tables = explained_tables(image, findings)
    old, new = (read_content(workspace, argument) for argument in arguments)
    own = _own_findings(workspace, new, image)
    counts = problem_counts(findings if own is None else own)
    definition = context.definition
    explanation = Explanation(
        image=image,
        changes=changes,
        definition=definition,
        is_from_maker=_is_from_maker(workspace, old, image),
        tables=tables,
        unit_numbers=tuple(_unit_numbers(definition, context.image)),
        errors=counts[Severity.ERROR],
        warnings=counts[Severity.WARNING],
        is_other_software=is_of_other_software(image),
        reasons=_reasons(arguments[1], new, image, tables),
        releases=tuple(_releases(workspace, arguments[1], new, folders)),
        unchanged=unchanged_tables(definition, tables),
    )
    return explanation, workspace


def _own_findings(workspace: Workspace, new: Content, image: ReviewedImage) -> tuple[Finding, ...] | None:
    """The findings in a factory base by itself: a return to it is not a change from OLD that could be wrong.

    None for any other image, which the review judges by its base.
    """
    context = image.context
    if image.path not in workspace.policy.bases or context is None:
        return None
    tree = OverlayTree(workspace, {image.path: new.data})
    definition = context.loaded.file.path
    assignment = Assignment(image.path, (definition,), (image.path,), context.start)
    return Checker(tree, workspace.policy, date.today()).report([assignment]).findings


def _releases(workspace: Workspace, argument: str, new: Content, folders: Sequence[str]) -> Iterator[Release]:
    """The releases of the image, the newest first; broken manifests are left to ``callint verify``."""
    known = find_known_images(workspace, folders, Path(argument), len(new.data), lambda line: None)
    for found in releases_of(new.data, known.releases):
        yield found.release


def _is_from_maker(workspace: Workspace, old: Content, image: ReviewedImage) -> bool:
    """Whether OLD is a factory base that the policy gives NEW."""
    assigned = assignment_of_named(workspace.policy, image.path)
    return assigned is not None and old.path in assigned.bases


def _unit_numbers(definition: Definition, image: Image) -> Iterator[tuple[str, str]]:
    """The name and the text of each number of the unit that somebody entered."""
    for item in unit_items(definition):
        number = unit_number(definition, item, image)
        if number is not None:
            yield item.name, number.text.strip('"')


def _reasons(
    argument: str, new: Content, image: ReviewedImage, tables: Sequence[ExplainedTable]
) -> tuple[ChangeReason, ...] | None:
    """The commits that set the changed values; None if NEW has no history."""
    context = image.context
    assert context is not None
    try:
        file = find_image(argument, None)
        history = open_history(file, context.loaded.layout, new.data, context.start)
    except InputError:
        return None
    with progress("walking back", history.commit_count, LONG_HISTORY) as step:
        attribution = history.attribution(step)
    ids = [origin.id for origin in attribution.origins if origin.id]
    return reasons_of(tables, image, attribution, read_messages(file.repo, ids))
