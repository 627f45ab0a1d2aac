"""Bytes that a caller hands over, or the file that holds them, and the name by which reports know them."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from callint.model.policy import Policy
from callint.reading.tree import WorkingTree
from callint.reading.workspace import Workspace

#: A path, or the content of a file.
Readable = str | os.PathLike[str] | bytes | bytearray | memoryview


@dataclass(frozen=True, slots=True)
class Source:
    """Content with its name. ``path`` is where it was read from, None where the caller gave the bytes."""

    name: str
    data: bytes = field(repr=False)
    path: Path | None

    def label(self, workspace: Workspace) -> str:
        """The name in reports: the path as seen from the workspace's root, or the name of the bytes."""
        return self.name if self.path is None else workspace.label(self.path)


def workspace_here() -> Workspace:
    """The current folder without a policy."""
    here = Path.cwd()
    return Workspace(here, Policy(), WorkingTree(here))


def read_source(source: Readable, name: str | None, default: str) -> Source:
    """A file, or bytes under a name; InputError where a file cannot be read.

    ``name`` is given for bytes only; ``default`` names those without one.
    """
    if isinstance(source, bytes | bytearray | memoryview):
        return Source(name or default, bytes(source), None)
    workspace = workspace_here()
    label = workspace.name(os.fspath(source))
    return Source(label, workspace.read_required(label), Path(source).absolute())
