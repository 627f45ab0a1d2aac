"""Conflicts that are still listed when somebody commits, or checks files on disk."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

from callint.checking.assignments import assignments, definition_parts
from callint.fmt import clean
from callint.model.errors import InputError
from callint.reading.tree import CONFLICT_TEXT
from callint.reading.workspace import Workspace

if TYPE_CHECKING:  # a check of files on disk does without git
    from callint.versioning.staging import StagedState


def warn_of_unresolved(workspace: Workspace, files: Iterable[str]) -> None:
    """Warn on standard error of images and definitions on disk whose conflicts are still listed."""
    for file in files:
        conflict_list = workspace.place(f"{file}{CONFLICT_TEXT}")
        # A name that is too long for the system has no list.
        if os.path.isfile(conflict_list) and not conflict_list.is_symlink():  # noqa: PTH113
            warning = f"{file} has unresolved conflicts, in which it keeps ours: see {file}{CONFLICT_TEXT}"
            sys.stderr.write(f"callint: {clean(warning)}\n")


def refuse_unresolved(state: StagedState) -> None:
    """InputError if the next commit records an image or definition whose conflicts are still listed.

    Unlike a text with conflict markers it looks like any other one; where the sides are contrary it has
    nothing of theirs.
    """
    from callint.versioning.git.entries import resolved_conflicts
    from callint.versioning.git.refs import is_concluding

    staged = {assignment.image for assignment in state.scope.images} | {*state.scope.definitions}
    images = (assignment.image for assignment in assignments(state.policy, state.tree))
    # The scope alone is not enough: a file that stays as ours had it is not part of the commit.
    definitions = dict.fromkeys(state.policy.definitions)
    if is_concluding(state.repo):
        parts = definition_parts(state.policy.definitions, state.tree).values()
        definitions |= dict.fromkeys(path for paths in parts for path in paths)
    for file in (*images, *definitions):
        conflict_list = f"{file}{CONFLICT_TEXT}"
        if (state.folder / conflict_list).is_file() and (
            file in staged
            or is_concluding(state.repo)
            or state.tree.from_top(file) in resolved_conflicts(state.repo)
        ):
            raise InputError(
                f"{file}: it has unresolved conflicts; resolve them with callint merge --take, "
                f"or remove {conflict_list} if you resolved them by hand"
            )
