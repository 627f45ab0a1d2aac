"""What the commands that look into single images have in common."""

from __future__ import annotations

import fnmatch
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.identity import count_held_bytes, identity_mismatch
from callint.checking.loading import ImageLoader
from callint.checking.own_image import read_own_image, read_sound_image
from callint.fmt import clean
from callint.model.definition import Definition, Memory
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.policy import Policy
from callint.reading.images import DamagedError, ImageFile, read_image_file
from callint.reading.tree import Tree
from callint.reading.workspace import Workspace, open_workspace
from callint.rules.context import LoadedDefinition
from callint.rules.second_person import AuthorshipCheck, NoAuthorship
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # files are written by few calls, and git is slow to import
    from callint.reporting.files.destinations import Destination
    from callint.versioning.commit_authorship import CommitAuthorship


def read_content(workspace: Workspace, word: str) -> Content:
    """A file that the command line names, or a file at a revision (``REV:path``)."""
    if Path(word).exists() or ":" not in word:
        name = workspace.name(word)
        return Content(name, name, workspace.demand(name))
    from callint.versioning.revisions import content_at  # git is slow to import

    return content_at(workspace, word)


def stored_workspace(*words: str) -> Workspace | None:
    """The workplace of the revision in the first ``REV:path``, for a repository without a policy on disk."""
    for word in words:
        if ":" in word and not Path(word).exists():
            from callint.versioning.revisions import workspace_at

            return workspace_at(word.partition(":")[0] or "HEAD")
    return None


def workspace_for(policy: str | None, definition: str | None, *words: str) -> Workspace:
    """The workplace of a policy; without one on disk that of the first revision in the words, if any.

    A named definition needs no policy.
    """
    workspace = open_workspace(policy)
    if not workspace.policy.path and definition is None:
        return stored_workspace(*words) or workspace
    return workspace


class DefinitionResolver:
    """The definitions of a workplace's images, each read once."""

    def __init__(self, workspace: Workspace, definition: str | None, option: str = "--definition") -> None:
        self._workplace = workspace
        self._policy = workspace.policy
        self._named = None if definition is None else workspace.name(definition)
        self._inspector = ImageLoader(workspace)
        self._option = option
        self._warned: set[str] = set()
        self._usual_start: int | None = None

    @property
    def policy(self) -> Policy:
        return self._policy

    def output(self, path: str, log: str | None = None) -> Destination:
        """Where a report goes; InputError where that is what the policy names, or what was read."""
        from callint.reporting.files.destinations import output

        return output(Path(path), self._workplace, inputs=() if log is None else (Path(log),))

    def place(self, image: Content) -> Path:
        """Where an image lies on disk, or would lie if it were not one of a revision."""
        return self._workplace.place(image.path)

    def knows(self, path: str) -> bool:
        """Whether the definition of the image at a path is known."""
        return self._named is not None or assignment_of_named(self._policy, path) is not None

    def of(self, *images: Content) -> LoadedDefinition:
        """The definition of images: the named one, or what the policy says; the first that it knows decides.

        InputError where no definition is known or readable.
        """
        return self._usable(*self._assigned(images))

    def base_of(
        self, image: Content, subject: LoadedDefinition, found: Image, named: str | None
    ) -> tuple[str, Image | None]:
        """An image's base and its name: the ``named`` file, or the policy's; None where none is of use.

        InputError where the named one is of no use.
        """
        if named is not None:
            base = read_content(self._workplace, named)
            memory = subject.definition.memory
            read = read_sound_image(subject, base.name, base.data, self.start_of(base)).image
            problem = str(identity_mismatch(read, memory) or _misfit(read, memory))
            if not read.size:
                problem = "the image is empty"
            if problem:
                raise InputError(f"--base {base.name}: {problem}; choose another base")
            return base.name, read
        known = assignment_of_named(self._policy, image.path)
        if known is None:
            return "", None
        choice = self._inspector.choose_base(subject, known, found)
        return choice.path, choice.image

    def whole(self, *images: Content) -> LoadedDefinition:
        """As ``of``, for a command that writes an image.

        InputError also where the definition is not understood whole, or where several fit.
        """
        found, content = self._assigned(images)
        data, start = content.data, self.start_of(content)
        loaded = [self._inspector.load(path) for path in found.definitions]
        problem = next((problem for one in loaded for problem in one.file.problems), None)
        if problem is not None:
            place = f"{problem.definition}:{problem.line}" if problem.line else found.definitions[0]
            raise InputError(f"{place}: {problem.message}; correct this before you write an image")
        fitting = [one.loaded.file.path for one in loaded if one.loaded and _fits(data, one.loaded, start)]
        if len(fitting) > 1:
            name = images[0].name
            raise InputError(f"{name}: it matches {' and '.join(fitting)}; choose one with {self._option}")
        if fitting:
            found = replace(found, definitions=tuple(fitting))
        return self._usable(found, content)

    def start_of(self, image: Content) -> int | None:
        """Where a raw image of part of the memory begins, as the policy says.

        One that it does not name begins where those do whose definition it is read by.
        """
        found = assignment_of_named(self._policy, image.path)
        return self._usual_start if found is None else found.start

    def image_file(self, subject: LoadedDefinition, image: Content) -> ImageFile:
        """An image of the definition's software; InputError where it is damaged, empty or a stranger."""
        return read_own_image(subject, image.name, image.data, self.start_of(image), self._option)

    def image(self, subject: LoadedDefinition, image: Content) -> Image:
        """As ``image_file``, for the image alone."""
        return self.image_file(subject, image).image

    def whole_file(self, subject: LoadedDefinition, image: Content) -> ImageFile:
        """As ``image_file``, for a command that writes: InputError also where a size is not the memory's."""
        found, memory = self.image_file(subject, image), subject.definition.memory
        if words := _misfit(found.image, memory):
            raise InputError(f"{image.name}: {words}; read the image out again, or correct the definition")
        return found

    def _assigned(self, images: tuple[Content, ...]) -> tuple[Assignment, Content]:
        """The definitions that images may have, and the one that decides between them."""
        if self._named is not None:
            return Assignment("", (self._named,), (), self.start_of(images[0])), images[0]
        known = [(one, image) for image in images if (one := assignment_of_named(self._policy, image.path))]
        if not known:
            names = " and ".join(dict.fromkeys(image.name for image in images))
            where = self._policy.path or "a callint.toml"
            advice = f"name the image in {where}, or give {self._option}"
            raise InputError(f"{names}: no definition is known; {advice}")
        self._usual_start = known[0][0].start
        return known[0]

    def fitting(self, image: Content) -> tuple[LoadedDefinition, Image]:
        """An image whose path may be unknown, and its definition: of all in the policy, one that it fits.

        A raw image of part of the memory is known only where all entries have one start.
        """
        every = self._policy.definitions
        if self._named is not None or self.knows(image.path) or not every:
            subject = self.of(image)
            return subject, self.image(subject, image)
        starts = {entry.start for entry in self._policy.images}
        self._usual_start = starts.pop() if len(starts) == 1 else None
        subject = self._usable(Assignment("", every, (), self._usual_start), image)
        return subject, self.image(subject, image)

    def _usable(self, found: Assignment, image: Content) -> LoadedDefinition:
        subject = self._inspector.choose_definition(found, image.data)
        problems = [p for path in found.definitions for p in self._inspector.load(path).file.problems]
        if subject is None:
            first = problems[0]
            place = f"{first.definition}:{first.line}" if first.line else found.definitions[0]
            raise InputError(f"{place}: {first.message}; run callint check for all problems")
        path = problems[0].definition or subject.file.path if problems else ""
        if path and path not in self._warned:
            self._warned.add(path)
            words = f"{path} has invalid lines; run callint check {path} to list them"
            sys.stderr.write(f"callint: {clean(words)}\n")
        return subject


def _fits(data: bytes, subject: LoadedDefinition, start: int | None) -> bool:
    """Whether an image is of the definition's software and has its size, or is a part of its memory.

    An image that does not hold an identity has none that is foreign.
    """
    memory = subject.definition.memory
    try:
        image = read_image_file(data, memory, start).image
    except DamagedError:
        return False
    return not _misfit(image, memory) and not identity_mismatch(image, memory)


class AuthorshipFactory:
    """Who can tell whose a waiver is, in one tree after another.

    ``newest`` is a revision whose history holds them all, where there are many.
    """

    def __init__(self, newest: str = "") -> None:
        self._newest = newest
        self._chronicles: CommitAuthorship | None = None

    def of(self, tree: Tree, policy: str) -> Callable[[], AuthorshipCheck]:
        """What an inspector of the tree calls when its policy, at a path in the tree, asks for it."""

        def independence() -> AuthorshipCheck:
            try:
                from callint.versioning.commit_authorship import CommitAuthorship  # git is slow to import
            except InputError:  # it is not installed
                return NoAuthorship()
            if self._chronicles is None:
                self._chronicles = CommitAuthorship(self._newest)
            return self._chronicles.independence(tree, policy)

        return independence


def _misfit(image: Image, memory: Memory) -> str:
    """In what an image does not fit into the memory; a raw one has to fill it."""
    if image.is_part:
        held = count_held_bytes(image, memory)
        return "" if held else "nothing of it lies in the memory that the definition describes"
    if image.size == memory.size:
        return ""
    return f"it has {image.size:,} bytes where the memory has {memory.size:,}"


def table_selection(definition: Definition, globs: tuple[str, ...]) -> frozenset[str]:
    """The names of tables, texts and axes that match any of the globs; InputError where one matches none."""
    return names_matching([*definition.tables, *definition.texts, *definition.axes], globs)


def names_matching(names: list[str], globs: tuple[str, ...], option: str = "") -> frozenset[str]:
    """The names that match any of the globs; InputError where one matches none, with its ``option``."""
    found: set[str] = set()
    for glob in globs:
        matching = fnmatch.filter(names, glob)
        if not matching:
            from difflib import get_close_matches

            close = get_close_matches(glob, names, n=1)
            advice = f"did you mean {close[0]!r}?" if close else "callint show IMAGE --list lists them"
            place = f"there is no table {glob!r}"
            if option:
                place = f"{option} {glob}: there is no such table, axis or text"
            raise InputError(f"{place}; {advice}")
        found.update(matching)
    return frozenset(found)
