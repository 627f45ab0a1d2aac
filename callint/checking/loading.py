"""Loads definitions, images and bases for the rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from callint.checking.assignments import Assignment
from callint.checking.bases import BaseChoice, BaseChooser
from callint.checking.identity import is_foreign
from callint.model import rule_ids
from callint.model.finding import Finding
from callint.model.image import Image
from callint.reading.definition_cache import open_family
from callint.reading.definition_file import DefinitionFile
from callint.reading.family import Family, FileReader, find_family
from callint.reading.images import Damage, DamagedError, ImageFile, read_image_file
from callint.reading.tree import Tree, reason

if TYPE_CHECKING:  # commands that run no rule load images too
    from callint.rules.context import CheckContext
from callint.decoding.loaded_definition import LoadedDefinition

#: The number of definitions kept in addition to those that a loader needs: a range of revisions has one for
#: every commit that changed a definition file.
_KEPT_DEFINITIONS = 8


@dataclass(frozen=True, slots=True)
class DefinitionResult:
    """A definition file; if it gives no definition, ``loaded`` is None and the problems give the reason."""

    file: DefinitionFile
    loaded: LoadedDefinition | None


class Definitions:
    """Definition files by path and content: a file that several trees have is read once."""

    def __init__(self) -> None:
        self._results: dict[tuple[bytes, ...], DefinitionResult] = {}

    def load(self, data: bytes, path: str, tree: FileReader | None = None) -> DefinitionResult:
        """The definition in the content of a file; ``tree`` has the files that it builds on."""
        return self._load(find_family(data, path, tree))

    def _load(self, family: Family) -> DefinitionResult:
        key = family.key
        result = self._results.pop(key, None)
        if result is None:
            file = open_family(family, lambda parent: self._load(parent).file)
            loaded = LoadedDefinition(file, file.definition) if file.definition else None
            result = DefinitionResult(file, loaded)
        self._results[key] = result
        if len(self._results) > _KEPT_DEFINITIONS:
            del self._results[next(iter(self._results))]
        return result


class ImageLoader:
    """Reads the images of one tree with their definitions and bases; reads every definition and base once."""

    def __init__(self, tree: Tree, definitions: Definitions | None = None) -> None:
        """``definitions`` were read already; loaders of several trees share them."""
        self.bases = BaseChooser(tree)
        self._shared = definitions or Definitions()
        #: The definition files that were asked for, by path.
        self.definitions: dict[str, DefinitionResult] = {}

    @property
    def tree(self) -> Tree:
        return self.bases.tree

    @tree.setter
    def tree(self, tree: Tree) -> None:
        """Read from another tree; a file that both trees have must be the same in both."""
        self.bases.tree = tree

    def load(self, path: str) -> DefinitionResult:
        """The definition file at a path; an unreadable file has a finding about it."""
        if path not in self.definitions:
            try:
                self.definitions[path] = self._shared.load(self.tree.read(path), path, self.tree)
            except OSError as error:
                message = f"the definition cannot be read: {reason(error)}"
                hint = "Correct the path in the policy."
                finding = Finding(
                    rule=rule_ids.DEFINITION_INVALID, subject=message, message=message, hint=hint
                )
                self.definitions[path] = DefinitionResult(DefinitionFile(path, None, (finding,)), None)
        return self.definitions[path]

    def peek(self, path: str) -> LoadedDefinition | None:
        """The definition at a path, without entering it as requested: the file gets no findings from this."""
        if path in self.definitions:
            return self.definitions[path].loaded
        try:
            return self._shared.load(self.tree.read(path), path, self.tree).loaded
        except OSError:
            return None

    def choose_definition(self, assignment: Assignment, data: bytes | None) -> LoadedDefinition | None:
        """The first definition whose identity the image has, or the first one if none fits.

        ``data`` is the content of the image file, None if it cannot be read. None if no definition is
        readable, or none of the readable ones fits.
        """
        results = [self.load(path).loaded for path in assignment.definitions]
        candidates = [loaded for loaded in results if loaded is not None]
        if data is not None and len(assignment.definitions) > 1:
            for loaded in candidates:
                if not is_foreign(data, loaded.definition.memory, assignment.start):
                    return loaded
            if len(candidates) < len(results):
                return None  # the image may belong to the definition that is not readable
        return candidates[0] if candidates else None

    def choose_base(self, loaded: LoadedDefinition, assignment: Assignment, image: Image) -> BaseChoice:
        """The base that an image is compared with."""
        return self.bases.choose(loaded.definition.memory, assignment, image)

    def context(self, assignment: Assignment) -> CheckContext | None:
        """An image with its definition and base; None if no definition is readable."""
        from callint.rules.context import CheckContext

        data: bytes | None = None
        read_error: str | None = None
        try:
            data = self.tree.read(assignment.image)
        except OSError as error:
            read_error = reason(error)
        loaded = self.choose_definition(assignment, data)
        if loaded is None:
            return None
        memory = loaded.definition.memory
        file: ImageFile | None = None
        damages: tuple[Damage, ...] = ()
        if data is not None:
            try:
                file = read_image_file(data, memory, assignment.start)
            except DamagedError as error:
                damages = error.damages
        image = file.image if file else None
        base = self.bases.choose(memory, assignment, image)
        return CheckContext(
            loaded,
            image,
            base.image,
            read_error=read_error,
            damages=damages,
            base_path=base.path,
            base_problem=base.problem,
            start=assignment.start,
            is_raw=file is not None and file.records is None,
        )
