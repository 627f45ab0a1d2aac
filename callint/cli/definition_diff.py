"""callint diff for definitions: what changed in their meaning."""

from __future__ import annotations

import sys
from dataclasses import replace
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Any

from callint.fmt import clean
from callint.model.errors import InputError
from callint.reading.definition_cache import open_definition
from callint.reading.definition_file import problem_place
from callint.reading.family import FileReader
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # most calls compare images
    from callint.model.definition import Definition
    from callint.model.definition_change import DefinitionDiff
    from callint.reporting.terminal import Terminal


def read_side(content: Content, beside: FileReader) -> Definition:
    """The definition in a file; a warning if it has invalid lines, InputError if it is none.

    ``beside`` has the files that it builds on, unless the content has its own tree.
    """
    file = open_definition(content.data, content.path, content.tree or beside)
    if file.definition is None:
        problem = file.problems[0]
        place = problem_place(replace(problem, definition=content.name))
        raise InputError(f"{place}: {problem.message}; run callint check for all problems")
    if file.problems:
        warning = f"{content.name} has invalid lines; run callint check {content.path} to list them"
        sys.stderr.write(f"callint: {clean(warning)}\n")
    return file.definition


def definition_diff(
    old: Content,
    new: Content,
    beside: FileReader,
    globs: tuple[str, ...] = (),
    image: Content | None = None,
) -> DefinitionDiff:
    """The differences between two definition files; of those about tables that match the globs, if any.

    ``beside`` has the files that they build on. With an ``image``, also what they do to its values.
    """
    from callint.comparing.definitions.diff import compare_definitions

    diff = compare_definitions(read_side(old, beside), read_side(new, beside))
    if globs:
        diff = _selected(diff, globs)
    return diff if image is None else _with_image(diff, image)


def _with_image(diff: DefinitionDiff, image: Content) -> DefinitionDiff:
    from callint.comparing.definitions.image_effects import with_image_effects
    from callint.reading.images import DamagedError, read_image

    try:
        read = read_image(image.data, diff.old.memory)
    except DamagedError as error:
        damage = error.damages[0]
        raise InputError(f"{image.name}:{damage.line}: {damage.message}; read the image out again") from None
    return with_image_effects(diff, read)


def _selected(diff: DefinitionDiff, globs: tuple[str, ...]) -> DefinitionDiff:
    """The changes of elements whose name, or one of whose tables, matches a glob."""
    kept = tuple(
        change
        for change in diff.changes
        if any(
            fnmatchcase(name, glob) for glob in globs for name in (change.name, change.other, *change.tables)
        )
    )
    return replace(diff, changes=kept)


def print_diff(
    diff: DefinitionDiff,
    names: tuple[str, str] | None,
    terminal: Terminal,
    stat: bool = False,
    everything: bool = False,
) -> None:
    """Print the differences for people; nothing if there are none."""
    from callint.reporting.definition_changes.text import (
        print_definition_changes,
        print_definition_statistics,
    )

    if stat:
        print_definition_statistics(diff, terminal)
    else:
        print_definition_changes(diff, names, terminal, everything)


def diff_document(diff: DefinitionDiff, names: tuple[str, str]) -> dict[str, Any]:
    """The differences as a JSON document."""
    from callint.reporting.definition_changes.json import definition_changes_document

    return definition_changes_document(diff, *names)
