"""The only module that decides which files a command may write.

``atomic_write.py`` takes a ``Destination`` instead of a path, so every command must say what kind of file it
writes: an output, an image, a new file, or the file that it read. As a path may be spelled in many ways,
callint checks the place that it leads to, and identifies files by their identity on the disk.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from callint.checking.assignments import assignment, assignments, definition_parts
from callint.model.errors import InputError
from callint.reading.family import SUFFIX
from callint.reading.tree import POLICY, reason, require_inside_repository, resolved
from callint.reading.workspace import Workspace

#: The prefix of the files that git passes to a merge driver; they lie in the working tree, or in git's own
#: folder without a working tree (git's ll-merge.c; the tests merge with git itself).
_MERGE_FILE = ".merge_file_"

#: Characters that some file systems on Macs ignore in names, and the short name of ".git" on Windows: git
#: refuses both for the same reason (its utf8.c and path.c; the tests ask git itself).
_IGNORED = dict.fromkeys([*range(0x200C, 0x2010), *range(0x202A, 0x202F), *range(0x206A, 0x2070), 0xFEFF])
_GIT_NAMES = {".git", "git~1"}


@dataclass(frozen=True, slots=True)
class Destination:
    """A file to write; ``path`` is the user's name for it.

    It must be none of the ``protected`` files, and no policy of ``workspaces`` may name it. ``git_paths`` are
    git's own folders and files, in addition to those that callint recognises by their contents.
    """

    path: Path
    protected: tuple[Path, ...] = ()
    workspaces: tuple[Workspace, ...] = ()
    git_paths: tuple[Path, ...] = ()
    is_image: bool = False
    is_definition: bool = False
    is_new: bool = False
    is_in_place: bool = False
    is_own: bool = False
    follows_links: bool = False

    def protecting(self, *inputs: Path) -> Destination:
        """The same destination with more protected files."""
        return replace(self, protected=(*self.protected, *inputs))

    def with_path(self, path: Path) -> Destination:
        """A destination of the same kind at another path."""
        return replace(self, path=path, follows_links=False)

    def place(self) -> Path:
        """The place of the content, without links; with ``follows_links`` a link stays a link.

        InputError if callint must not write there.
        """
        path = self.path
        try:
            target = resolved(path)
            if path.is_dir():
                raise InputError(f"{path}: it cannot be written: it is a folder; name a file")
            if self.is_new and os.path.lexists(path):
                raise InputError(f"{path}: it exists; remove it, or name another with --to")
            if not path.parent.is_dir():
                raise InputError(
                    f"{path}: it cannot be written: there is no folder {path.parent}; make it first"
                )
            folder = resolved(path.parent)
            if (path.exists() and not path.is_file()) or _is_system_folder(folder):
                # A file would replace the device or pipe.
                raise InputError(
                    f"{path}: it cannot be written: it is not a regular file; choose another place"
                )
            require_inside_repository(path if self.follows_links else path.parent, str(path))
            place = target if self.follows_links else folder / path.name
            if not self.is_own:
                self._refuse(place, target)
        except OSError as error:
            message = f"{path}: it cannot be written: {reason(error)}; choose another place"
            raise InputError(message) from None
        return place

    def _refuse(self, place: Path, target: Path, is_protected: Callable[[Path], bool] | None = None) -> None:
        """InputError if the place, or the target of a link at the place, is protected or claimed.

        ``is_protected`` tells the protected files, for whoever asks for several places.
        """
        path = self.path
        # Without links these are one place.
        aliases = tuple(dict.fromkeys((_absolute(path), place, target)))
        if (folder := git_path_of(aliases, self.git_paths)) is not None:
            raise InputError(f"{path}: it lies in git's own folder, {folder}; choose another file")
        if self.is_in_place:
            return
        is_protected = is_protected or _same_as_any(self._all_protected())
        if any(map(is_protected, dict.fromkeys((place, target)))):
            raise InputError(f"{path}: the output would replace an input; choose another file")
        if any(alias.name.casefold() == POLICY for alias in aliases):
            raise InputError(f"{path}: this is the name of a policy; choose another file")
        for workspace in () if self.is_image else self.workspaces:
            if any(_is_image_of(alias, workspace) for alias in aliases):
                raise InputError(f"{path}: {workspace.policy.path} names it as an image; choose another file")

    def _all_protected(self) -> Iterator[Path]:
        yield from self.protected
        for workspace in self.workspaces:
            definitions = workspace.policy.definitions
            inputs = workspace.policy.inputs
            if self.is_definition:
                inputs -= {*definitions}
            else:
                named = (name for name in workspace.named if name.lower().endswith(SUFFIX))
                for parts in definition_parts((*definitions, *named), workspace).values():
                    yield from (workspace.place(name) for name in parts)
            yield from (workspace.root / name for name in inputs)
            yield from workspace.named.values()
            if not self.is_image:
                images = assignments(workspace.policy, workspace.tree)
                yield from (workspace.root / item.image for item in images)


def output(path: Path, *workspaces: Workspace, inputs: Iterable[Path] = ()) -> Destination:
    """A report, which must not replace a file that was read or that a policy names.

    ``inputs`` are files that were read in addition to those of the workspaces. InputError if callint must not
    write there, as from all of these functions.
    """
    return _checked(Destination(path, tuple(inputs), workspaces))


def image(
    path: Path, *workspaces: Workspace, inputs: Iterable[Path] = (), follows_links: bool = False
) -> Destination:
    """An image, which a policy may name as an image; otherwise as ``output``."""
    return _checked(Destination(path, tuple(inputs), workspaces, is_image=True, follows_links=follows_links))


def definition(
    path: Path, *workspaces: Workspace, inputs: Iterable[Path] = (), follows_links: bool = False
) -> Destination:
    """A definition, which a policy may name as a definition; otherwise as ``output``."""
    destination = Destination(
        path, tuple(inputs), workspaces, is_definition=True, follows_links=follows_links
    )
    return _checked(destination)


def merge_driver_file(path: Path, workspace: Workspace, is_definition: bool) -> Destination | None:
    """The image or definition that git names to its merge driver; None in git's own folder.

    Git calls the driver there if it has no working tree.
    """
    destination = Destination(
        path,
        (),
        (workspace,),
        _git_paths_around(path),
        is_image=not is_definition,
        is_definition=is_definition,
    )
    with suppress(OSError):
        aliases = (_absolute(path), resolved(path))
        if git_path_of(aliases, destination.git_paths) is None:
            return destination
    return None


def new_file(path: Path) -> Destination:
    """A file that does not exist yet."""
    return _checked(Destination(path, is_new=True))


def in_place(path: Path) -> Destination:
    """The file that was read, with new content. A link stays a link."""
    return _checked(Destination(path, is_in_place=True, follows_links=True))


def merge_driver_result(path: Path) -> Destination:
    """The file in which git expects the result of its merge driver."""
    is_git_file = path.name.startswith(_MERGE_FILE) and path.parent == Path()
    return own_file(path) if is_git_file else in_place(path)


def own_file(path: Path) -> Destination:
    """A file that callint makes at a place that it chose itself."""
    return Destination(path, is_own=True)


def refuse_as_release(folder: Path, names: Iterable[str], workspace: Workspace) -> None:
    """InputError if callint must not write files of these names into a folder, which need not exist.

    As for outputs, neither the folder nor a file in it may be an input, or an image that the policy names.
    """
    refuse_as_folder(folder)
    destination = Destination(folder, (), (workspace,), _git_paths_around(folder))
    try:
        parent = resolved(folder.parent)
        if _is_system_folder(parent):
            raise InputError(f"{folder}: it cannot be written: it is not a folder; choose another place")
        target = resolved(folder)
        is_protected = _same_as_any(destination._all_protected())
        destination._refuse(parent / folder.name, target, is_protected)
        for name in names:
            destination.with_path(folder / name)._refuse(target / name, target / name, is_protected)
    except OSError as error:
        raise InputError(f"{folder}: it cannot be written: {reason(error)}; choose another place") from None


def refuse_as_folder(path: Path) -> None:
    """InputError if a path, which need not exist, leads into git's own folder or out of the repository."""
    require_inside_repository(path)
    try:
        target = resolved(path)
    except OSError as error:
        raise InputError(f"{path}: {reason(error)}; choose another place") from None
    if (folder := git_path_of((_absolute(path), target), _git_paths_around(path))) is not None:
        raise InputError(f"{path}: it lies in git's own folder, {folder}; choose another place")


def _checked(destination: Destination) -> Destination:
    """The destination with git's own paths, after a check that callint may write there."""
    destination = replace(destination, git_paths=_git_paths_around(destination.path))
    destination.place()
    return destination


# Git's own folders and files


def git_path_of(places: Iterable[Path], git_paths: Iterable[Path]) -> Path | None:
    """The first folder or file of git's that contains one of the places or is one; None if there is none."""
    is_reserved = _same_as_any(git_paths)
    for folder in dict.fromkeys(folder for place in places for folder in (place, *place.parents)):
        if _has_git_name(folder.name) or _is_git_folder(folder) or is_reserved(folder):
            return folder
    return None


def _has_git_name(name: str) -> bool:
    """Whether some file system takes a name for that of git's own folder."""
    plain = name.translate(_IGNORED).partition(":")[0].rstrip(". ").casefold()
    return plain in _GIT_NAMES


def _is_git_folder(folder: Path) -> bool:
    """Whether git takes a folder for its own: that of a repository, bare or not, or of a working tree."""
    if not os.path.lexists(folder / "HEAD"):
        return False
    has_all = (folder / "objects").is_dir() and (folder / "refs").is_dir()
    return has_all or (folder / "commondir").is_file()


def _git_paths_around(path: Path) -> tuple[Path, ...]:
    """Git's own paths for the current folder and for the folder of a path."""
    from callint.versioning.git.repository import git_folders

    working_folder = Path.cwd()
    target_folder = path.parent
    with suppress(OSError):
        target_folder = resolved(path.parent)
    target_folder = next(
        (folder for folder in (target_folder, *target_folder.parents) if folder.is_dir()), working_folder
    )
    tops = dict.fromkeys(_top_of(start) for start in (working_folder, target_folder))
    return tuple(dict.fromkeys(folder for top in tops for folder in git_folders(top)))


def _top_of(start: Path) -> Path:
    """The top of the repository around a folder; the folder itself without a repository."""
    return next((folder for folder in (start, *start.parents) if os.path.lexists(folder / ".git")), start)


# Places


def _is_system_folder(folder: Path) -> bool:
    """Whether a folder, without links, is one in which the system keeps its devices and processes.

    A path there is not a file even if it looks like one: /dev/stdout is a link to the output, and writing
    would replace it with a file for all programs.
    """
    return folder == Path("/dev") or any(folder.is_relative_to(top) for top in ("/proc", "/sys"))


def _absolute(path: Path) -> Path:
    """The absolute path without "..", and with its links."""
    return Path(os.path.abspath(path))  # noqa: PTH100 (resolve would follow the links)


def _same_as_any(files: Iterable[Path]) -> Callable[[Path], bool]:
    """Whether a path is one of some files under any name, or the same place as one that does not exist."""
    identities = {file: _identity(file) for file in files}
    existing = set(identities.values()) - {None}
    # Only a file that does not exist can have the place of another one.
    waiting = [file for file, identity in identities.items() if identity is None]
    places: set[Path] = set()

    def is_same(path: Path) -> bool:
        identity = _identity(path)
        if identity is not None:
            return identity in existing
        while waiting:
            with suppress(OSError):
                places.add(resolved(waiting.pop()))
        return path in places

    return is_same


def _identity(path: Path) -> tuple[int, int] | None:
    """What two names of one file have in common; None if there is no file."""
    try:
        status = path.stat()
    except (OSError, ValueError):
        return None
    return status.st_dev, status.st_ino


def _is_image_of(place: Path, workspace: Workspace) -> bool:
    """Whether the policy of a workspace takes the file at a place for an image."""
    for root in dict.fromkeys((workspace.root, workspace.root.resolve())):
        if place.is_relative_to(root):
            return assignment(workspace.policy, place.relative_to(root).as_posix()) is not None
    return False
