"""The state that all parts of a callint init plan share, and the files that they write."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.tree import POLICY, find_root, reason, resolved
from callint.versioning.git.repository import Repo, top_level
from callint.versioning.init.managed_block import as_bytes, as_text, block, find
from callint.versioning.init.record import Record, RecordedFile, content_of, remove_own_content
from callint.versioning.init.steps import FileStep


@dataclass(frozen=True, slots=True)
class InitOptions:
    """The user's options. Paths are globs and files from the folder ``here``.

    ``program`` is the shell command that runs callint from anywhere on this machine, ``short`` the one for
    colleagues' machines.
    """

    here: Path
    program: str
    short: str = "callint"
    images: tuple[str, ...] = ()
    definitions: tuple[str, ...] = ()
    bases: tuple[str, ...] = ()
    pre_commit: bool = False
    hook: bool = True


class PlanContext:
    """The repository, record and options of one plan.

    ``top`` is the working tree, ``root`` the policy's folder. ``remarks`` are sentences for the user.
    """

    def __init__(self, repo: Repo, record: Record, options: InitOptions) -> None:
        self.remarks: list[str] = []
        self.repo = repo
        self.record = record
        self.options = options
        self.top = top_level(repo)
        here = options.here.resolve()
        self.root = find_root(here) or self.top
        if not here.is_relative_to(self.top) or not self.root.is_relative_to(self.top):
            raise InputError(f"{here}: it is not inside the working tree {self.top}; call callint init there")

    def check_command(self, program: str) -> str:
        return f"{program} check --staged{self.policy_option()}"

    def policy_option(self) -> str:
        """The option that names the policy if it is not at the top, where git runs drivers and hooks."""
        return "" if self.root == self.top else f" --policy {shlex.quote(self.policy_from_top())}"

    def policy_from_top(self) -> str:
        return (self.root.relative_to(self.top) / POLICY).as_posix()

    def from_root(self, path: str) -> str:
        """The path from the policy's folder of a path from the user's folder."""
        full_path = Path(os.path.normpath(self.options.here.resolve() / path))
        if not full_path.is_relative_to(self.root):
            raise InputError(f"{path}: it leads out of {self.root}; give a path inside it")
        return full_path.relative_to(self.root).as_posix()

    def existing(self, path: str) -> str:
        """As ``from_root``; InputError if the file does not exist."""
        relative = self.from_root(path)
        if self.read(self.root / relative) is None:
            raise InputError(f"{path}: it does not exist; check the path")
        return relative

    def read(self, path: Path) -> bytes | None:
        """A file's content, None if it does not exist; InputError if it is not a plain file in the tree."""
        if path.is_symlink():
            raise InputError(f"{path}: it is a symbolic link; put a file in its place")
        try:
            is_inside = resolved(path.parent).is_relative_to(self.top)
        except OSError as error:
            raise InputError(f"{path}: it cannot be read: {reason(error)}; correct that first") from None
        if not is_inside:
            raise InputError(f"{path}: a link leads out of the repository; give a path inside it")
        return content_of(path)

    def record_file(self, path: Path, recorded: RecordedFile) -> None:
        """Add a file, and the folders that callint init will create for it, to the record."""
        self.record.files[self.record.key(path)] = recorded
        for folder in path.parents:
            if folder.exists():
                break
            self.record.folders.add(self.record.key(folder))

    def write_block(self, path: Path, lines: Sequence[str], purpose: str) -> Iterator[FileStep]:
        """Write a block of lines at the end of a file, or replace the block that the file has."""
        old = self.read(path)
        text, newline = as_text(old)
        if find(text):
            yield from self.replace_block(path, old or b"", lines, purpose)
        elif lines:
            gap = "" if not text else newline if text.endswith("\n") else 2 * newline
            new = as_bytes(text + gap + block(lines).replace("\n", newline))
            self.record_file(path, RecordedFile(None, gap, old is None))
            yield FileStep(path, old, new, purpose)

    def replace_block(self, path: Path, old: bytes, lines: Sequence[str], purpose: str) -> Iterator[FileStep]:
        """Replace the lines in the block of a file, or remove the block if there are no lines.

        A block that is not in the record came with a commit, and stays out of this clone's record.
        """
        text, newline = as_text(old)
        own_block = find(text)
        assert own_block is not None
        if own_block.is_edited:
            raise InputError(
                f"{path}:{own_block.line}: lines that callint init wrote were edited; put your own lines "
                "outside the marks and remove the block"
            )
        if not lines:
            recorded = self.record.files.pop(self.record.key(path), RecordedFile(None, "", False))
            yield FileStep(path, old, remove_own_content(old, recorded), purpose)
            return
        present = text[own_block.start : own_block.end]
        indent = present[: len(present) - len(present.lstrip(" \t"))]
        replacement = block(lines, indent)
        if present.replace("\r\n", "\n") != replacement:
            new = text[: own_block.start] + replacement.replace("\n", newline) + text[own_block.end :]
            yield FileStep(path, old, as_bytes(new), purpose)
