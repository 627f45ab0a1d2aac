"""The definitions of the images that the command line names, and the images read by them."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.identity import identity_mismatch, size_problem
from callint.checking.loading import ImageLoader
from callint.checking.own_image import read_own_image, read_sound_image
from callint.cli.image_loading import read_content
from callint.decoding.checksum_update import misread_checksum
from callint.decoding.loaded_definition import LoadedDefinition
from callint.fmt import clean
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.image import Image
from callint.model.policy import Policy
from callint.reading.definition_file import problem_place
from callint.reading.definition_sniff import looks_like_definition
from callint.reading.images import DamagedError, ImageFile, read_image_file
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # few calls write files
    from callint.reporting.files.destinations import Destination


class DefinitionResolver:
    """Finds the definitions of a workspace's images and reads each once.

    ``definition`` is the file that the command line names for all images with ``option``.
    """

    def __init__(self, workspace: Workspace, definition: str | None, option: str = "--definition") -> None:
        self.policy: Policy = workspace.policy
        self.workspace = workspace
        self._named = None if definition is None else workspace.name(definition)
        self._loader = ImageLoader(workspace)
        self._option = option
        self._warned: set[str] = set()
        self._default_start: int | None = None

    def with_definition(self, definition: str) -> DefinitionResolver:
        """The resolver of the same workspace for images of a definition that the command line names."""
        if self.workspace.name(definition) == self._named:
            return self
        return DefinitionResolver(self.workspace, definition, self._option)

    # Places

    def output(self, path: str, log: str | None = None) -> Destination:
        """The destination of a report; InputError if it is an input, or if the policy names it."""
        from callint.reporting.files.destinations import output

        return output(Path(path), self.workspace, inputs=() if log is None else (Path(log),))

    def read_named(self, name: str) -> Content:
        """A file that the command line names, on disk or at a revision."""
        return read_content(self.workspace, name)

    def path_on_disk(self, image: Content) -> Path:
        """The path of an image on disk; for an image at a revision, the path that it would have."""
        return self.workspace.place(image.path)

    def start_of(self, image: Content) -> int | None:
        """The start address of a raw image of part of the memory, as the policy says.

        An image that the policy does not name has the start address of the image that decided its definition.
        """
        assignment = assignment_of_named(self.policy, image.path)
        return self._default_start if assignment is None else assignment.start

    # Definitions

    def has_definition(self, path: str) -> bool:
        """Whether the definition of the image at a path is known."""
        return self._named is not None or assignment_of_named(self.policy, path) is not None

    def require_named(self) -> None:
        """InputError if the command line names a definition that cannot be read."""
        if self._named is not None:
            self._load(Assignment("", (self._named,), ()), Content(self._named, self._named, b""))

    def resolve(self, *images: Content) -> LoadedDefinition:
        """The definition of images: the file that the command line names, or else the policy's.

        The first image that the policy names decides. InputError if no definition is known or readable.
        """
        return self._load(*self._assign(images))

    def resolve_each(self, old: Content, new: Content) -> tuple[LoadedDefinition, LoadedDefinition]:
        """The definition of each of two images, which may be of two software versions.

        An image that the policy does not name has the definition of the named one. If an image does not fit
        its definition, and it fits another one in the policy, it has that.
        """
        shared = self.resolve(new, old)
        if self._named is not None:
            return shared, shared
        return self._own_definition(old, shared), self._own_definition(new, shared)

    def _own_definition(self, image: Content, shared: LoadedDefinition) -> LoadedDefinition:
        is_named = assignment_of_named(self.policy, image.path) is not None
        own = self.resolve(image) if is_named else shared
        start = self.start_of(image)
        if len(self.policy.definitions) > 1 and not _fits(image.data, own, start):
            for path in self.policy.definitions:
                loaded = self._loader.load(path).loaded
                if loaded is not None and _fits(image.data, loaded, start):
                    return self._load(Assignment("", (path,), (), start), image)
        return own

    def resolve_for_writing(self, *images: Content) -> LoadedDefinition:
        """As ``resolve``, for a command that writes an image.

        InputError also if the definition has any problem, or if several definitions fit.
        """
        assignment, image = self._assign(images)
        start = self.start_of(image)
        results = [self._loader.load(path) for path in assignment.definitions]
        problem = next((problem for result in results for problem in result.file.problems), None)
        if problem is not None:
            place = _problem_place(problem, assignment)
            raise InputError(f"{place}: {problem.message}; correct this before you write an image")
        definitions = [result.loaded for result in results if result.loaded]
        fitting = [loaded.file.path for loaded in definitions if _fits(image.data, loaded, start)]
        if len(fitting) > 1:
            name = images[0].name
            raise InputError(f"{name}: it matches {' and '.join(fitting)}; choose one with {self._option}")
        if fitting:
            assignment = replace(assignment, definitions=tuple(fitting))
        return self._load(assignment, image)

    def match(self, image: Content) -> tuple[LoadedDefinition, Image]:
        """The definition and the image of a file whose path may be unknown to the policy.

        Of all definitions in the policy, the first whose identity the image carries. The start of a raw image
        of part of the memory is known only if all images in the policy have the same.
        """
        definitions = self.policy.definitions
        if self.has_definition(image.path) or not definitions:
            loaded = self.resolve(image)
        else:
            starts = {entry.start for entry in self.policy.images}
            self._default_start = starts.pop() if len(starts) == 1 else None
            loaded = self._load(Assignment("", definitions, (), self._default_start), image)
        return loaded, self.read_image(loaded, image)

    def _assign(self, images: tuple[Content, ...]) -> tuple[Assignment, Content]:
        """The definitions that images may have, and the image that decides between them."""
        if self._named is not None:
            return Assignment("", (self._named,), (), self.start_of(images[0])), images[0]
        for image in images:
            assignment = assignment_of_named(self.policy, image.path)
            if assignment is not None:
                self._default_start = assignment.start
                return assignment, image
        for image in images:
            if looks_like_definition(image.data):
                raise InputError(f"{image.name}: it is a definition; pass an image")
        names = " and ".join(dict.fromkeys(image.name for image in images))
        policy = self.policy.path or "a callint.toml"
        raise InputError(
            f"{names}: no definition is known; name the image in {policy}, or give {self._option}"
        )

    def _load(self, assignment: Assignment, image: Content) -> LoadedDefinition:
        """The definition of an image; a warning if it has invalid lines, InputError if it is unreadable."""
        loaded = self._loader.choose_definition(assignment, image.data)
        problems = [
            problem for path in assignment.definitions for problem in self._loader.load(path).file.problems
        ]
        if loaded is None:
            place = _problem_place(problems[0], assignment)
            raise InputError(f"{place}: {problems[0].message}; run callint check for all problems")
        path = problems[0].definition or loaded.file.path if problems else ""
        if path and path not in self._warned:
            self._warned.add(path)
            warning = f"{path} has invalid lines; run callint check {path} to list them"
            sys.stderr.write(f"callint: {clean(warning)}\n")
        return loaded

    # Images

    def read_image(self, loaded: LoadedDefinition, image: Content) -> Image:
        """An image of the definition's software; InputError if it is damaged, empty or of other software."""
        return self._read_file(loaded, image).image

    def read_for_writing(self, loaded: LoadedDefinition, image: Content) -> ImageFile:
        """The image file, for a command that writes.

        InputError also if its size is not the memory's, or if a stored checksum is right in another byte
        order than that of the definition: the command would store a wrong one.
        """
        file = self._read_file(loaded, image)
        if problem := size_problem(file.image, loaded.definition.memory):
            raise InputError(f"{image.name}: {problem}; read the image out again, or correct the definition")
        if misread := misread_checksum(file.image, loaded.definition.memory):
            checksum, order = misread
            path, line = loaded.definition.location(checksum.line)
            raise InputError(
                f"{path}:{line}: checksum {checksum.name} in {image.name} is right as {order}, not as "
                f'{checksum.byte_order}; write byte-order="{order}" for it'
            )
        return file

    def read_base(
        self, loaded: LoadedDefinition, content: Content, image: Image, named: str | None
    ) -> tuple[str, Image | None]:
        """The name of an image's base and the base: the file ``named``, or the policy's; None if unusable.

        InputError if the named file is unusable.
        """
        if named is not None:
            file = read_content(self.workspace, named)
            return file.name, self._read_named_base(loaded, file)
        assignment = assignment_of_named(self.policy, content.path)
        if assignment is None:
            return "", None
        choice = self._loader.choose_base(loaded, assignment, image)
        return choice.path, choice.image

    def _read_named_base(self, loaded: LoadedDefinition, file: Content) -> Image:
        memory = loaded.definition.memory
        base = read_sound_image(loaded, file.name, file.data, self.start_of(file)).image
        mismatch = identity_mismatch(base, memory)
        problem = str(mismatch) if mismatch else size_problem(base, memory)
        if not base.size:
            problem = "the image is empty"
        if problem:
            raise InputError(f"--base {file.name}: {problem}; choose another base")
        return base

    def _read_file(self, loaded: LoadedDefinition, image: Content) -> ImageFile:
        return read_own_image(loaded, image.name, image.data, self.start_of(image), self._option)


def _problem_place(problem: Finding, assignment: Assignment) -> str:
    """The file and line of a definition's problem, and those in another file; else the first definition."""
    return problem_place(problem) if problem.line else assignment.definitions[0]


def _fits(data: bytes, loaded: LoadedDefinition, start: int | None) -> bool:
    """Whether an image is of the definition's software and has its size, or is a part of its memory.

    An identity whose bytes the image lacks counts as fitting.
    """
    memory = loaded.definition.memory
    try:
        image = read_image_file(data, memory, start).image
    except DamagedError:
        return False
    return size_problem(image, memory) is None and identity_mismatch(image, memory) is None
