"""The files that a definition builds on: its line of parents, and the files of shared parts.

callint finds the references by a look at the head of each file, before it knows whether the file is valid.
So it can name the content of a definition, for the cache and for the scope of a commit, without reading XML.
"""

from __future__ import annotations

import hashlib
import posixpath
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol

from callint.reading.definition_bounds import MAX_FAMILY_BYTES, MAX_GENERATIONS, MAX_SHARED_FILES
from callint.reading.definition_file import content_digest
from callint.reading.tree import error_with_remedy

NAMESPACE = "urn:callint:definition:1"

#: The end of the name of every file that a definition builds on: so the scope of a commit is known by names.
SUFFIX = ".xml"
#: Every reference has one of these; most definitions lack them, and their heads need no look.
_HINTS = (b"extends", b"<use", b":use")
#: Bytes in which nearly every head ends.
_STEP = 2**16


class FileReader(Protocol):
    """The files from which a definition takes others."""

    def read(self, path: str) -> bytes:
        """The content of a file. Raises FileNotFoundError, or OSError with a reason."""
        ...


@dataclass(frozen=True, slots=True)
class Reference:
    """A file that a definition names at a line: its parent, or a file of shared parts."""

    is_parent: bool
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class SharedFile:
    """A file of shared parts, and the line of the definition that names it."""

    path: str
    data: bytes
    line: int


@dataclass(frozen=True, slots=True)
class Family:
    """A definition file with its parent and its shared files.

    ``parent_line`` is the line that names the parent, 0 if none does; ``parent`` is None if it cannot be
    read. ``problems`` are the lines of this file that name a file that is not read, with the reasons, and
    ``missing`` the paths of these files.
    """

    path: str
    data: bytes
    parent: Family | None = None
    parent_line: int = 0
    shared: tuple[SharedFile, ...] = ()
    problems: tuple[tuple[int, str], ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def line(self) -> Iterator[Family]:
        """The definition, its parent, and so on."""
        member: Family | None = self
        while member is not None:
            yield member
            member = member.parent

    @property
    def first(self) -> int:
        """The number of lines in the files of the parents, which come first in the count of all lines."""
        return sum(
            data.count(b"\n") + 1
            for member in self.line
            if member is not self
            for data in (member.data, *(file.data for file in member.shared))
        )

    @property
    def paths(self) -> tuple[str, ...]:
        """The paths of all its files, the definition first, and of those that cannot be read."""
        paths = [
            path
            for member in self.line
            for path in (member.path, *(file.path for file in member.shared), *member.missing)
        ]
        return tuple(dict.fromkeys(paths))

    @property
    def size(self) -> int:
        """The bytes of all files."""
        return sum(
            len(data)
            for member in self.line
            for data in (member.data, *(file.data for file in member.shared))
        )

    @property
    def is_alone(self) -> bool:
        """Whether the definition refers to no other file."""
        return not self.parent_line and not self.shared and not self.problems

    @property
    def digest(self) -> str:
        """The SHA-256 of the content of all files in hexadecimal; without other files, that of the file."""
        if self.is_alone:
            return content_digest(self.data)
        contents = [
            content_digest(data)
            for member in self.line
            for data in (member.data, *(file.data for file in member.shared))
        ]
        return hashlib.sha256(" ".join(contents).encode()).hexdigest()

    @property
    def key(self) -> tuple[bytes, ...]:
        """What the meaning of the definition, and the messages about it, depend on, for the cache."""
        parts = []
        for member in self.line:
            files = [(member.data, member.path), *((file.data, file.path) for file in member.shared)]
            for data, path in files:
                parts += [hashlib.sha256(data).digest(), _encoded(path)]
            parts += [_encoded(f"{line} {reason}") for line, reason in member.problems]
        return tuple(parts)


def find_family(data: bytes, path: str, tree: FileReader | None) -> Family:
    """A definition file with all files that it builds on, read from the same tree.

    Files that cannot be read become problems; ``tree`` is None for bytes that belong to no folder.
    """
    members: list[Family] = []
    size = len(data)
    while True:
        reader = _Reader(tree, path, size)
        member, parent, size = reader.member(data, [member.path for member in members])
        members.append(member)
        if parent is None:
            break
        path, data = parent
    result = members.pop()
    while members:
        result = replace(members.pop(), parent=result)
    return result


@dataclass
class _Reader:
    """Reads the files that one definition names; ``size`` counts the bytes of the family so far."""

    tree: FileReader | None
    path: str
    size: int

    def member(self, data: bytes, children: list[str]) -> tuple[Family, tuple[str, bytes] | None, int]:
        """The definition without its parent, path and content of the parent, and the new size."""
        shared: dict[str, SharedFile] = {}
        problems: list[tuple[int, str]] = []
        missing: list[str] = []
        parent: tuple[str, bytes] | None = None
        parent_line = 0
        for reference in references(data):
            target = ""
            parent_line = reference.line if reference.is_parent else parent_line
            try:
                target = resolve(self.path, reference.file)
                if reference.is_parent:
                    self._refuse_line(target, [*children, self.path])
                    parent = target, self._read(target)
                elif target in shared:
                    raise OSError("an earlier <use> names it too; remove one of them")
                elif len(shared) + len(problems) >= MAX_SHARED_FILES:
                    raise OSError(f"a definition uses at most {MAX_SHARED_FILES} files; join some of them")
                else:
                    shared[target] = SharedFile(target, self._read(target), reference.line)
            except OSError as error:
                what = "the parent" if reference.is_parent else "the shared file"
                reason = error_with_remedy(error, "correct the path, or add the file")
                problems.append((reference.line, f"{what} {target or reference.file} is not read: {reason}"))
                missing += [target] if target else []
        family = Family(
            self.path,
            data,
            parent_line=parent_line,
            shared=tuple(shared.values()),
            problems=tuple(problems),
            missing=tuple(missing),
        )
        return family, parent, self.size

    def _refuse_line(self, target: str, line: list[str]) -> None:
        """OSError for a parent that is its own descendant, and above the number of generations."""
        if target in line:
            cycle = " extends ".join([*line[line.index(target) :], target])
            raise OSError(f"{cycle}: they extend each other in a cycle; remove one extends")
        if len(line) >= MAX_GENERATIONS:
            raise OSError(f"more than {MAX_GENERATIONS} definitions extend each other; shorten the chain")

    def _read(self, path: str) -> bytes:
        if self.tree is None:
            raise OSError("a definition without a file has no other files; read it from its path")
        try:
            data = self.tree.read(path)
        except ValueError:
            raise OSError("no file can have this name") from None
        self.size += len(data)
        if self.size > MAX_FAMILY_BYTES:
            raise OSError(f"all files have more than {MAX_FAMILY_BYTES >> 20} MiB together, the most read")
        return data


def resolve(path: str, reference: str) -> str:
    """The path of a file that the definition at ``path`` names from its own folder.

    Raises OSError if it leads out of the repository, or, for a definition outside the repository, out of the
    folder of the definition.
    """
    folder = posixpath.dirname(path)
    if reference.startswith("/") or reference[1:2] == ":" or "\0" in reference or "\\" in reference:
        raise OSError("it leads out of the repository; give a path inside it")
    target = posixpath.normpath(posixpath.join(folder, reference))
    if not target.lower().endswith(SUFFIX):
        raise OSError(f"its name does not end in {SUFFIX}; rename the file")
    if not is_outside(path) and is_outside(target):
        raise OSError("it leads out of the repository; give a path inside it")
    if is_outside(path) and is_outside(posixpath.relpath(target, folder)):
        raise OSError("it leads out of the folder of the definition; move it there")
    return target


def is_outside(path: str) -> bool:
    """Whether a path is absolute or leads up from the folder to which it belongs."""
    return path.startswith(("/", "../")) or path == ".." or path[1:2] == ":"


def references(data: bytes) -> tuple[Reference, ...]:
    """The files that a definition names in its head, in their order; none if it is not well-formed."""
    if not any(hint in data for hint in _HINTS):
        return ()
    return tuple(_parsed_head(data).references)


def _parsed_head(data: bytes) -> _Head:
    from xml.parsers import expat  # most definitions name no other file

    head = _Head()
    parser = expat.ParserCreate("utf-8", " ")
    parser.StartElementHandler = lambda tag, attributes: head.start(tag, attributes, parser.CurrentLineNumber)
    parser.StartDoctypeDeclHandler = head.stop
    try:
        parser.Parse(data[:_STEP], False)
        parser.Parse(data[_STEP:], False)  # at once: expat may read a long token again with each further part
    except (_EndError, expat.ExpatError):
        pass
    return head


def is_shared(data: bytes) -> bool:
    """Whether a file is one of shared parts, by its outermost element."""
    if b"shared" not in data:
        return False
    head = _parsed_head(data)
    return head.outermost == f"{NAMESPACE} shared"


class _EndError(Exception):
    """The head is read."""


class _Head:
    """Collects references up to the first element that cannot be followed by one."""

    def __init__(self) -> None:
        self.references: list[Reference] = []
        self.outermost = ""

    def start(self, tag: str, attributes: dict[str, str], line: int) -> None:
        if not self.outermost:
            self.outermost = tag
            if tag != f"{NAMESPACE} definition":
                raise _EndError
            if "extends" in attributes:
                self.references.append(Reference(True, _token(attributes["extends"]), line))
        elif tag == f"{NAMESPACE} use":
            if "file" in attributes and len(self.references) <= 2 * MAX_SHARED_FILES:
                self.references.append(Reference(False, _token(attributes["file"]), line))
        elif tag != f"{NAMESPACE} title":
            raise _EndError

    def stop(self, *_: object) -> None:
        raise _EndError


def _token(text: str) -> str:
    """A value as the schema's type xs:token reads it."""
    return " ".join(text.split())


def _encoded(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")
