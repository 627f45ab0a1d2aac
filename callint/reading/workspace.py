"""Where a command works: the policy's folder, and files that its user named."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from callint.model.errors import InputError
from callint.model.policy import Policy
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
)


@dataclass
class Workspace:
    """A root folder, its policy, and its files.

    Files that the user names may lie anywhere; ``name`` makes their paths known. What a policy names
    must lie below the root.
    """

    root: Path
    policy: Policy
    tree: Tree
    named: dict[str, Path] = field(default_factory=dict)

    def name(self, path: str) -> str:
        """The name under which a file from the command line is read and reported.

        InputError where there is no such file, or where a link leads to it out of the repository.
        """
        target = Path(path)
        if not target.exists():
            raise InputError(f"{path}: it does not exist; check the path")
        label = self.label(target)
        require_inside_repository(target, label, self.root)
        self.named[label] = target
        return label

    def label(self, target: Path) -> str:
        """A path relative to the root, with ".." where it lies elsewhere; an absolute one there as it is.

        So a file outside is never taken for one that the policy names by the same path.
        """
        whole = _absolute(target)
        if whole.is_relative_to(self.root):
            return whole.relative_to(self.root).as_posix()
        if target.is_absolute() or whole.anchor != self.root.anchor:
            return target.as_posix()
        return Path(os.path.relpath(whole, self.root)).as_posix()

    def place(self, label: str) -> Path:
        """Where a file lies on disk."""
        return self.named.get(label, self.root / label)

    def read(self, path: str) -> bytes:
        """The content of a named file, or of one below the root."""
        return read_file(self.named[path]) if path in self.named else self.tree.read(path)

    def paths(self) -> Iterator[str]:
        return self.tree.paths()

    def demand(self, path: str) -> bytes:
        """As ``read``, with an input error where the file cannot be read."""
        try:
            return self.read(path)
        except OSError as error:
            raise InputError(f"{path}: {error_with_remedy(error, 'check the path')}") from None


def open_workspace(policy: str | None = None) -> Workspace:
    """The workplace of a policy file, or of the nearest one from the current folder up.

    Without any policy the root is the current folder, and the policy is empty.
    """
    if policy is not None:
        path = Path(policy)
        root, name = path.parent, path.name
        if not path.is_file():
            raise InputError(f"{policy}: there is no such policy; check the path")
    else:
        found = find_root(Path.cwd())
        if found is None:
            here = Path.cwd()
            return Workspace(here, Policy(), WorkingTree(here))
        root, name = found, POLICY
    root = _absolute(root)
    require_inside_repository(root / name, name)
    try:
        data = read_file(root / name, MAX_BYTES)
    except OSError as error:
        raise InputError(f"{name}: {reason(error)}; correct that first") from None
    return Workspace(root, read_policy(data, name), WorkingTree(root))


def _absolute(path: Path) -> Path:
    """The path from the top, ".." worked out in words: links on the way keep their own names."""
    return Path(os.path.abspath(path))  # noqa: PTH100 (resolve would follow the links)
