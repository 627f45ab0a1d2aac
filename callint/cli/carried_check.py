"""diff --as-carried: whether a carried change is the same change."""

from __future__ import annotations

import sys

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, stored_workspace
from callint.cli.name_selection import names_matching
from callint.comparing.softwares.carried_change import compare_carried
from callint.decoding.decode import Decoded
from callint.decoding.loaded_definition import LoadedDefinition
from callint.reading.workspace import Workspace
from callint.reporting.carried_change.json import carried_change_document
from callint.versioning.file_version import Content


class CarriedImages:
    """OLD_BASE, REWORKED, NEW_BASE and CARRIED with the definitions of both software versions."""

    def __init__(self, workspace: Workspace, images: tuple[str, ...], definitions: tuple[str, ...]) -> None:
        """InputError if an image or definition is unusable; ``definitions`` are none, one, or one each."""
        if not workspace.policy.path and not definitions:
            workspace = next(filter(None, map(stored_workspace, images[::-1])), workspace)
        contents = [read_content(workspace, name) for name in images]
        named = (*definitions, *definitions)[-2:] if definitions else (None, None)
        resolvers = [DefinitionResolver(workspace, name) for name in (named[0], named[-1])]
        self.names = tuple(content.name for content in contents)
        self.paths = [resolvers[0].path_on_disk(content) for content in contents]
        self.resolver = resolvers[1]
        self._old, self._new = (
            _CarriedVersion(resolver, *pair)
            for resolver, pair in zip(resolvers, (contents[:2], contents[2:]), strict=True)
        )

    @property
    def definition_paths(self) -> tuple[str, str]:
        return self._old.loaded.file.path, self._new.loaded.file.path

    def report(
        self, globs: tuple[str, ...], form: str, everything: bool
    ) -> tuple[bool, dict[str, object] | None]:
        """Whether the change is the same, and the JSON document; prints the text instead for people."""
        names = None
        if globs:
            known = [
                name
                for version in (self._old, self._new)
                for name in (*version.loaded.definition.tables, *version.loaded.definition.texts)
            ]
            names = names_matching(dict.fromkeys(known), globs)
        change = compare_carried(self._old.decoded, self._new.decoded, names)
        if form == "json":
            return change.is_same, carried_change_document(change, self.names, self.definition_paths)
        from callint.reporting.carried_change.text import print_carried_change
        from callint.reporting.terminal import console

        print_carried_change(change, self.names[1], self.names[3], console(sys.stdout), everything)
        return change.is_same, None


class _CarriedVersion:
    """A base and a rework of one software version."""

    def __init__(self, resolver: DefinitionResolver, base: Content, rework: Content) -> None:
        self.loaded: LoadedDefinition = resolver.resolve(base, rework)
        images = [resolver.read_image(self.loaded, content) for content in (base, rework)]
        self.decoded: tuple[Decoded, Decoded] = (
            self.loaded.decoded(images[0]),
            self.loaded.decoded(images[1]),
        )
