"""Finds the tables of one software in the image of another, and writes the definition of that."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from callint.checking.own_image import read_sound_image
from callint.checking.relocation_report import RelocationReport
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, workspace_for
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.definition_file import problem_place
from callint.reading.workspace import Workspace
from callint.rules.registry import refuse_unknown_rules

if TYPE_CHECKING:  # few calls relocate
    from callint.comparing.relocation.moved_definition import MovedDefinition
    from callint.reporting.files.destinations import Destination


@dataclass(frozen=True, slots=True)
class RelocationJob:
    """The images of two softwares, with the definition of the old one."""

    workspace: Workspace
    loaded: LoadedDefinition
    old: Image
    new: Image
    old_name: str
    new_name: str

    @staticmethod
    def read(old: str, new: str, definition: str | None, policy: str | None) -> RelocationJob:
        """Read the images and the definition; InputError if one is unusable."""
        workspace = workspace_for(policy, definition, old, new)
        refuse_unknown_rules(workspace.policy)
        before, after = read_content(workspace, old), read_content(workspace, new)
        resolver = DefinitionResolver(workspace, definition)
        loaded = resolver.resolve_for_writing(before)
        image = read_sound_image(loaded, after.name, after.data, resolver.start_of(after)).image
        if not image.size:
            raise InputError(f"{after.name}: the image is empty; read it out again")
        job = RelocationJob(
            workspace=workspace,
            loaded=loaded,
            old=resolver.read_for_writing(loaded, before).image,
            new=image,
            old_name=before.name,
            new_name=after.name,
        )
        job._refuse_large()
        return job

    def _refuse_large(self) -> None:
        from callint.comparing.relocation.relocate import MAX_BYTES

        for name, image in ((self.old_name, self.old), (self.new_name, self.new)):
            size = image.extents[-1][1] - image.extents[0][0]
            if size > MAX_BYTES:
                raise InputError(
                    f"{name}: it spans {size:,} bytes, but relocate compares at most {MAX_BYTES >> 20} MiB; "
                    "cut out the calibration"
                )

    def relocate(self, name: str | None, target: Path | None, whole: bool) -> RelocationReport:
        """Find all items, and write the definition to ``target`` if there is one.

        InputError, and nothing is written, if the file cannot be written or could not be read.
        """
        from callint.comparing.relocation.moved_definition import move_definition
        from callint.comparing.relocation.relocate import relocate

        destination = None if target is None else self._destination(target)
        name = self._name(name, target)
        parent = "" if target is None or whole else self._parent(target)
        definition = self.loaded.definition
        placements = relocate(definition, self.old, self.new)
        moved = move_definition(definition, placements, self.new, name)
        is_written = bool(moved.definition.tables or moved.definition.texts)
        if target is not None and destination is not None and is_written:
            self._write(moved, target, destination, parent)
        return RelocationReport(
            moved=moved,
            old=self.old_name,
            new=self.new_name,
            definition=self.loaded.file.path,
            target="" if target is None or not is_written else self.workspace.label(target),
            parent=parent if is_written else "",
        )

    def _destination(self, target: Path) -> Destination:
        from callint.reporting.files.destinations import new_file

        return new_file(target)

    def _name(self, name: str | None, target: Path | None) -> str:
        from callint.reading.asap2.report import is_name

        if name is None:
            name = self.loaded.definition.name if target is None else target.stem
            option = f"--to {target}: the name of the file is not one of a definition; give --name"
        else:
            option = f"--name {name}"
        if not is_name(name):
            raise InputError(
                f"{option}: a name has letters, digits, _ . - and [ ], and begins with a letter or _"
            )
        return name

    def _parent(self, target: Path) -> str:
        """The path of the old definition from the folder of the new one; InputError if none is allowed."""
        from callint.reading.family import resolve

        place = self.workspace.place(self.loaded.file.path)
        if not place.is_file():
            raise InputError(
                f"{self.loaded.file.path}: the parent is not a file on disk; write a definition with --whole"
            )
        here = os.path.abspath(target.parent)  # noqa: PTH100 (links on the way keep their names)
        parent = Path(os.path.relpath(os.path.abspath(place), here)).as_posix()  # noqa: PTH100
        try:
            resolve(self.workspace.label(target), parent)
        except OSError as error:
            message = f"it cannot extend {self.loaded.file.path}: {error}; or write it with --whole"
            raise InputError(f"{target}: {message}") from None
        return parent

    def _write(self, moved: MovedDefinition, target: Path, destination: Destination, parent: str) -> None:
        """Write the file after reading it back; InputError if it has a problem."""
        from callint.reporting.files.atomic_write import replace_file

        data = "".join(_lines(moved, parent)).encode()
        label = self.workspace.label(target)
        self.workspace.named[label] = target  # files outside the root may build on those in their folder
        self._require_sound(data, label)
        replace_file(destination, data)

    def _require_sound(self, data: bytes, label: str) -> None:
        from callint.reading.definition import read_definition

        problems = read_definition(data, label, self.workspace).problems
        if problems:
            raise InputError(
                f"{problem_place(problems[0])}: {problems[0].message}; nothing is written: correct "
                f"{self.loaded.file.path}, or write the definition with --whole"
            )


def _lines(moved: MovedDefinition, parent: str) -> Iterable[str]:
    if not parent:
        from callint.reporting.definition.xml import definition_lines

        return definition_lines(moved.definition)
    from callint.comparing.relocation.child import child_content
    from callint.reporting.definition.child import child_lines
    from callint.reporting.relocation.wording import comments

    return child_lines(moved.definition, parent, child_content(moved), comments(moved))
