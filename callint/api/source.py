"""Content that a caller passes as bytes or as a path, with its name in reports."""

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
class NamedBytes:
    """Content with its name. ``path`` is its file, None if the caller passed the bytes."""

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


def read_source(source: Readable, name: str | None, default: str) -> NamedBytes:
    """A file, or bytes with a name; InputError if a file is unreadable.

    ``name`` applies to bytes only; ``default`` is the name of bytes without one.
    """
    if isinstance(source, bytes | bytearray | memoryview):
        return NamedBytes(name or default, bytes(source), None)
    workspace = workspace_here()
    label = workspace.name(os.fspath(source))
    return NamedBytes(label, workspace.read_required(label), Path(source).absolute())
