"""The workspace of a command: the folder of the policy, and the files that the user named."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.family import is_outside
from callint.reading.policy import MAX_BYTES, read_policy
from callint.reading.tree import (
    POLICY,
    Tree,
    WorkingTree,
    error_with_remedy,
    find_root,
    read_file,
    reason,
    require_inside_repository,
    resolved,
)


@dataclass
class Workspace:
    """A root folder, its policy, and its files.

    Files that the user names may lie anywhere; ``name`` registers their paths in ``named``. Files that the
    policy names must lie below the root.
    """

    root: Path
    policy: Policy
    tree: Tree
    named: dict[str, Path] = field(default_factory=dict)

    def name(self, path: str) -> str:
        """The name under which callint reads and reports a file from the command line.

        Raises InputError if the file does not exist, or if a link leads to it out of the repository.
        """
        target = Path(path)
        if not target.exists():
            raise InputError(f"{path}: it does not exist; check the path")
        label = self.label(target)
        require_inside_repository(target, label, self.root)
        self.named[label] = target
        return label

    def label(self, target: Path) -> str:
        """A path relative to the root, with ".." for a file outside; an absolute path outside stays as it is.

        So a file outside never has the name of a file that the policy names.
        """
        whole = _absolute(target)
        if whole.is_relative_to(self.root):
            return whole.relative_to(self.root).as_posix()
        if target.is_absolute() or whole.anchor != self.root.anchor:
            return target.as_posix()
        return Path(os.path.relpath(whole, self.root)).as_posix()

    def place(self, label: str) -> Path:
        """The path of a file on disk."""
        return self.named.get(label, self.root / label)

    def read(self, path: str) -> bytes:
        """The content of a named file, of a file below the root, or of one beside a named file outside.

        Raises OSError.
        """
        if path in self.named:
            return read_file(self.named[path])
        return self._read_outside(path) if is_outside(path) else self.tree.read(path)

    def _read_outside(self, path: str) -> bytes:
        """A file on which a named file outside the root builds; it lies in that file's folder or below."""
        target = _absolute(self.root / path)
        folders = [_absolute(place).parent for label, place in self.named.items() if is_outside(label)]
        for folder in folders:
            if target.is_relative_to(folder):
                if not resolved(target).is_relative_to(folder.resolve()):
                    raise OSError("a link leads out of the folder of the definition")
                return read_file(target)
        raise OSError("it lies outside the repository")

    def paths(self) -> Iterator[str]:
        return self.tree.paths()

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        return self.tree.digests(paths)

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        return self.tree.sizes(paths)

    def read_required(self, path: str) -> bytes:
        """As ``read``; raises InputError if the file cannot be read."""
        try:
            return self.read(path)
        except OSError as error:
            raise InputError(f"{path}: {error_with_remedy(error, 'check the path')}") from None


def open_workspace(policy: str | None = None) -> Workspace:
    """The workspace of a policy file, by default of the nearest one from the current folder up.

    Without any policy the root is the current folder, and the policy is empty.
    """
    if policy is not None:
        path = Path(policy)
        root, name = path.parent, path.name
        if not path.is_file():
            raise InputError(f"{policy}: the policy does not exist; check the path")
    else:
        folder = Path.cwd()
        nearest = find_root(folder)
        if nearest is None:
            return Workspace(folder, Policy(), WorkingTree(folder))
        root, name = nearest, POLICY
    root = _absolute(root)
    require_inside_repository(root / name, name)
    try:
        data = read_file(root / name, MAX_BYTES)
    except OSError as error:
        raise InputError(f"{name}: {reason(error)}; correct that first") from None
    return Workspace(root, read_policy(data, name), WorkingTree(root))


def _absolute(path: Path) -> Path:
    """An absolute path without ".."; links on the way keep their own names."""
    return Path(os.path.abspath(path))  # noqa: PTH100 (resolve would follow the links)
