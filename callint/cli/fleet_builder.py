"""Builds the report about a fleet from the options of the command line."""

from __future__ import annotations

import itertools
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from callint.checking.assignments import Assignment, assignment_of_named, assignments
from callint.checking.fleet.changed_cells import cell_changes, fleet_rollout
from callint.checking.fleet.contents import FleetContents, FleetQuestion
from callint.checking.fleet.fleet_reader import FleetReader
from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.records import pack
from callint.checking.fleet.report import AnsweredQuestion, ChangeOfImage, CommitOfFleet, FleetReport
from callint.checking.fleet.table_digests import TableDigests
from callint.checking.worker_pool import WorkerPool
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.name_selection import names_matching
from callint.comparing.table_query import Question, parse_question
from callint.model.errors import InputError
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content

#: What shows the progress of a step: its label, the total amount, the least amount worth a bar.
Progress = Callable[[str, int, int], AbstractContextManager[Callable[[int], None]]]
#: From this number of contents on, a progress bar is useful.
_LONG = 200
#: The most files of a folder whose images no policy names.
MOST_FILES = 100_000


@dataclass(frozen=True, slots=True)
class FleetRequest:
    """What to find out: about which tables, and at most one of a question, an image and a commit."""

    globs: tuple[str, ...] = ()
    question: str | None = None
    compared: str | None = None
    commit: str | None = None


def fleet_images(workspace: Workspace, paths: tuple[str, ...], definition: str | None) -> list[Assignment]:
    """The images of a fleet: those of the policy, or those that the command line names.

    A folder stands for the policy's images below it, and with a ``definition`` for all files below it.
    """
    named = None if definition is None else (workspace.name(definition),)
    policy = workspace.policy
    if not paths and named is not None:
        raise InputError("--definition needs images; name them, or a folder of them")
    if not paths:
        if not policy.path:
            raise InputError(
                "no callint.toml in this folder or any parent; "
                "run callint init, or name images and --definition"
            )
        images = assignments(policy, workspace.tree)
        if not images:
            raise InputError(f"{policy.path}: no file matches the paths of its images; correct them")
        return images
    images = []
    for path in paths:
        label = workspace.name(path)
        if Path(path).is_dir():
            del workspace.named[label]
            images += _images_below(workspace, path, label, named)
            continue
        own = assignment_of_named(policy, label)
        if own is None and named is None:
            raise InputError(
                f"{label}: no definition is known for it; "
                "name the image in callint.toml, or give --definition"
            )
        images.append(own or Assignment(label, (), ()))
    unique = {image.image: image if named is None else replace(image, definitions=named) for image in images}
    return sorted(unique.values(), key=lambda image: image.image)


def _files_below(path: str) -> Iterator[Path]:
    """The regular files below a folder but definitions and those of git; links are not followed."""
    for folder, folders, names in os.walk(path):  # what vanishes meanwhile, or may not be read, is left out
        folders[:] = [name for name in folders if name != ".git"]
        for name in names:
            with suppress(OSError, ValueError):
                # Someone may name the whole disk: one question about each file, in place of three.
                if not name.lower().endswith(".xml") and stat.S_ISREG(os.lstat(f"{folder}/{name}").st_mode):
                    yield Path(folder, name)


def _images_below(
    workspace: Workspace, path: str, label: str, named: tuple[str, ...] | None
) -> list[Assignment]:
    """The images below a folder; InputError if there are none."""
    prefix = "" if label == "." else f"{label}/"
    known = {
        image.image: image
        for image in assignments(workspace.policy, workspace.tree)
        if image.image.startswith(prefix)
    }
    if named is None or known:
        if not known:
            raise InputError(
                f"{path}: the policy names no image below this folder; give --definition for its files"
            )
        return list(known.values())
    files = list(itertools.islice(_files_below(path), MOST_FILES + 1))
    if len(files) > MOST_FILES:
        raise InputError(f"{path}: it has more than {MOST_FILES:,} files; name a smaller folder")
    images = [Assignment(workspace.name(str(file)), (), ()) for file in sorted(files)]
    if not images:
        raise InputError(f"{path}: the folder has no files; check the path")
    return images


class FleetBuilder:
    """Builds the report about the images of a workspace."""

    def __init__(self, workspace: Workspace, images: list[Assignment], definition: str | None) -> None:
        self._fleet = FleetReader(workspace, images)
        self._resolver = DefinitionResolver(workspace, definition)
        self._resolver.require_named()

    def report(self, request: FleetRequest, pool: WorkerPool | None, progress: Progress) -> FleetReport:
        """Read the images and answer the request; InputError if it does not fit the images."""
        question = None if request.question is None else parse_question(request.question)
        compared = None if request.compared is None else self._resolver.read_named(request.compared)
        with progress("reading", len(self._fleet.images), 4) as step:
            self._fleet.run(pool, step)
        groups = self._fleet.groups
        if compared is not None:
            self._add_compared(compared)
        names = frozenset(groups.tables)
        if request.globs:
            names = names_matching(names, request.globs)
        tables: list[TableGroups] = []
        uniform: list[str] = []
        for of_table in groups.groups(names) if request.commit is None and question is None else ():
            is_same = of_table.is_uniform and (compared is None or of_table.compared in (-1, 0))
            if is_same and not request.globs:
                uniform.append(of_table.table.name)
            else:
                tables.append(of_table)
        return FleetReport(
            records=tuple(self._fleet.records),
            definitions=groups.definitions,
            tables=tuple(tables),
            uniform=tuple(uniform),
            is_selection=bool(request.globs),
            contents=FleetContents(self._fleet),
            compared="" if compared is None else compared.name,
            question=None if question is None else self._answer(request.question or "", question, progress),
            commit=None if request.commit is None else self._commit(request.commit),
        )

    def _answer(self, text: str, parsed: Question, progress: Progress) -> AnsweredQuestion:
        question = FleetQuestion(self._fleet, parsed)
        tables = {of.table.name: of for of in self._fleet.groups.groups(question.tables)}
        total = sum(len(of_table.counts) for of_table in tables.values())
        with progress("comparing", total, _LONG) as step:
            answers = question.answers(tables, step)
        return AnsweredQuestion(text, question, tables, answers)

    def _add_compared(self, image: Content) -> None:
        """Add the image that all others are compared with; InputError if no image has its definition."""
        loaded = self._resolver.resolve(image)
        self._resolver.read_image(loaded, image)
        groups = self._fleet.groups
        if loaded.file.path not in groups.definitions:
            groups.add_definition(loaded)
        digests = TableDigests(loaded).of(self._resolver.read_image(loaded, image))
        groups.add(loaded.file.path, [groups.image_count], pack(digests[None]))

    def _commit(self, revision: str) -> CommitOfFleet:
        """The commit with its changes of images; InputError if it changed none."""
        from callint.comparing.compare import compare
        from callint.versioning.git.log import read_commit
        from callint.versioning.git.repository import open_repository
        from callint.versioning.revisions import changed_files

        workspace = self._fleet.workspace
        commit = read_commit(open_repository(Path.cwd(), bare=True), revision)
        if not commit.parents:
            raise InputError(f"{revision}: it has no parent, so it changed no image; name a later commit")
        changes = []
        problem = f"{revision}: it changed no table of an image; callint history IMAGE lists commits"
        for file in changed_files(workspace, commit.parents[0], commit.id, (), _is_no_definition):
            if file.old is None or file.new is None or not self._resolver.has_definition(file.new.path):
                continue
            try:
                loaded = self._resolver.resolve(file.new)
                old, new = (
                    loaded.decoded(self._resolver.read_image(loaded, side)) for side in (file.old, file.new)
                )
            except InputError as error:  # other software before or after: its cells cannot be compared
                problem = str(error)
                continue
            if cells := cell_changes(compare(old, new), old, new):
                of_fleet = fleet_rollout(self._fleet, loaded.definition, cells)
                changes.append(ChangeOfImage(file.new.path, of_fleet))
        if not changes:
            raise InputError(problem)
        day = "" if commit.authored is None else commit.authored.date().isoformat()
        return CommitOfFleet(commit.id, commit.author, day, commit.subject, tuple(changes))


def _is_no_definition(path: str) -> bool:
    return not path.lower().endswith(".xml")
