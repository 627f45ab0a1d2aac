"""What the commands that look into single images have in common."""

from __future__ import annotations

import difflib
import fnmatch
import sys
from datetime import date

from callint.model.definition import Definition
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.shown import clean
from callint.reading.images import read_raw
from callint.reading.workplace import Workplace
from callint.rules.case import Subject
from callint.rules.inspection import Assignment, Inspector, assignment, foreign_identity


def open_subject(workplace: Workplace, definition: str | None, *images: tuple[str, bytes]) -> Subject:
    """The definition of images, given by name and content: the named one, or what the policy says.

    The first image that the policy knows decides. InputError where no definition is known or readable.
    """
    if definition is not None:
        name = workplace.name(definition)
        found, data = Assignment("", (name,), ()), images[0][1]
    else:
        known = [(one, data) for name, data in images if (one := assignment(workplace.policy, name))]
        if not known:
            names = " and ".join(name for name, _ in images)
            where = workplace.policy.path or "a callint.toml"
            advice = f"name the image in {where}, or give --definition"
            raise InputError(f"{names}: no definition is known; {advice}")
        found, data = known[0]
    inspector = Inspector(workplace, workplace.policy, date.today())
    subject = inspector.subject(found, data)
    problems = [problem for path in found.definitions for problem in inspector.load(path).file.problems]
    if subject is None:
        first = problems[0]
        place = f"{first.definition}:{first.line}" if first.line else found.definitions[0]
        raise InputError(f"{place}: {first.message}; callint check shows all that is wrong with it")
    if problems:
        words = (
            f"{subject.file.path} is not valid in every line; callint check {subject.file.path} shows where"
        )
        sys.stderr.write(f"callint: {clean(words)}\n")
    return subject


def read_image(subject: Subject, name: str, data: bytes) -> Image:
    """An image of the definition's software; InputError where it is empty or of other software."""
    if not data:
        raise InputError(f"{name}: the image is empty; read it out again")
    image = read_raw(data, subject.definition.memory)
    if words := foreign_identity(image, subject.definition.memory):
        raise InputError(f"{name}: {words}; give its own definition with --definition")
    return image


def table_selection(definition: Definition, globs: tuple[str, ...]) -> frozenset[str]:
    """The names of tables, texts and axes that match any of the globs; InputError where one matches none."""
    names = [*definition.tables, *definition.texts, *definition.axes]
    found: set[str] = set()
    for glob in globs:
        matching = fnmatch.filter(names, glob)
        if not matching:
            close = difflib.get_close_matches(glob, names, n=1)
            advice = f"did you mean {close[0]!r}?" if close else "callint show IMAGE --list lists them"
            raise InputError(f"there is no table {glob!r}; {advice}")
        found.update(matching)
    return frozenset(found)
