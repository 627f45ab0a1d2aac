"""Content that a caller passes as bytes or as a path, with its name in reports."""

from __future__ import annotations

import os
import posixpath
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from callint.model.policy import Policy
from callint.reading.family import FileReader, is_outside
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


@dataclass(frozen=True, slots=True)
class _FolderOutside:
    """The files of a folder outside the root, under paths that begin with ``name``."""

    name: str
    tree: WorkingTree

    def read(self, path: str) -> bytes:
        return self.tree.read(posixpath.relpath(path, self.name))


def files_beside(source: NamedBytes, label: str) -> FileReader | None:
    """The files on which a source may build, under paths like its ``label``; None for bytes."""
    if source.path is None:
        return None
    if is_outside(label):
        return _FolderOutside(posixpath.dirname(label), WorkingTree(source.path.parent))
    return WorkingTree(source.path.parents[len(PurePosixPath(label).parts) - 1])


def workspace_here() -> Workspace:
    """The current folder without a policy."""
    folder = Path.cwd()
    return Workspace(folder, Policy(), WorkingTree(folder))


def read_source(source: Readable, name: str | None, default: str) -> NamedBytes:
    """A file, or bytes with a name; InputError if a file is unreadable.

    ``name`` applies to bytes only; ``default`` is the name of bytes without one.
    """
    if isinstance(source, bytes | bytearray | memoryview):
        return NamedBytes(name or default, bytes(source), None)
    workspace = workspace_here()
    label = workspace.name(os.fspath(source))
    return NamedBytes(label, workspace.read_required(label), Path(source).absolute())
