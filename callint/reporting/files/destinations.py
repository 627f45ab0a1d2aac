"""Which files a command may write: the one place that decides it, asked by the one that writes.

``writing.py`` takes a ``Destination`` and no path, so that no command can write without saying what kind of
file it means: an output, an image, a new file, or the very file that was read. A path may be spelled in many
ways, so that it is judged by the place that it leads to, and files by their identity on the disk.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from callint.checking.assignments import assignment, assignments
from callint.model.errors import InputError
from callint.reading.tree import POLICY, reason, require_inside_repository, resolved
from callint.reading.workspace import Workspace

#: How git's merge driver is handed a version of a file: beside the files of a working tree, and in git's own
#: folder where there is none (from memory of git's ll-merge.c).
_HANDED = ".merge_file_"

#: Characters that the file system of some Macs passes over in names, and what Windows calls a ".git" by its
#: short name: git refuses both for the same reason (from memory of its utf8.c and path.c).
_PASSED_OVER = dict.fromkeys([*range(0x200C, 0x2010), *range(0x202A, 0x202F), *range(0x206A, 0x2070), 0xFEFF])
_GITS_NAMES = {".git", "git~1"}


@dataclass(frozen=True, slots=True)
class Destination:
    """A file that is to be written. ``path`` is what the user calls it.

    ``kept`` are files that it must not be, and ``claims`` the workplaces whose policy must not name it.
    ``gits`` are folders and files that git keeps for itself, beside those that are known by their look.
    """

    path: Path
    kept: tuple[Path, ...] = ()
    claims: tuple[Workspace, ...] = ()
    gits: tuple[Path, ...] = ()
    is_image: bool = False
    is_new: bool = False
    is_in_place: bool = False
    is_own: bool = False
    follows: bool = False

    def sparing(self, *inputs: Path) -> Destination:
        """The destination, which must not be these files either."""
        return replace(self, kept=(*self.kept, *inputs))

    def elsewhere(self, path: Path) -> Destination:
        """A file of the same kind at another path."""
        return replace(self, path=path, follows=False)

    def place(self) -> Path:
        """Where the content goes, without links; ``follows`` says that a link stays one.

        InputError where nothing may be written there.
        """
        path = self.path
        try:
            target = resolved(path)
            if path.is_dir():
                raise InputError(f"{path}: it cannot be written: it is a folder; name a file")
            if self.is_new and os.path.lexists(path):
                raise InputError(f"{path}: it exists; remove it, or name another with --to")
            if not path.parent.is_dir():
                words = f"it cannot be written: there is no folder {path.parent}; make it first"
                raise InputError(f"{path}: {words}")
            if (path.exists() and not path.is_file()) or _is_systems(path):
                # A device or pipe would be gone, and a file in its place.
                words = "it cannot be written: it is no regular file; choose another place"
                raise InputError(f"{path}: {words}")
            require_inside_repository(path if self.follows else path.parent, str(path))
            place = target if self.follows else resolved(path.parent) / path.name
            if not self.is_own:
                self._refuse(place, target)
        except OSError as error:
            words = f"{path}: it cannot be written: {reason(error)}; choose another place"
            raise InputError(words) from None
        return place

    def _refuse(self, place: Path, target: Path) -> None:
        """InputError where the place, or what a link in it leads to, is kept or claimed."""
        path = self.path
        places = (_spelled_out(path), place, target)
        for one in places:
            if (folder := gits_own(one, self.gits)) is not None:
                raise InputError(f"{path}: it lies in git's own folder, {folder}; choose another file")
        if self.is_in_place:
            return
        if any(_is_same(one, kept) for one in (place, target) for kept in self._kept()):
            raise InputError(f"{path}: the output would replace an input; choose another file")
        if any(one.name.casefold() == POLICY for one in places):
            raise InputError(f"{path}: this is the name of a policy; choose another file")
        for claim in () if self.is_image else self.claims:
            for one in places:
                if _is_claimed(one, claim):
                    raise InputError(
                        f"{path}: {claim.policy.path} takes it for an image; choose another file"
                    )

    def _kept(self) -> Iterator[Path]:
        yield from self.kept
        for claim in self.claims:
            yield from (claim.root / name for name in claim.policy.inputs)
            yield from claim.named.values()
            if not self.is_image:
                yield from (claim.root / one.image for one in assignments(claim.policy, claim.tree))


def output(path: Path, *claims: Workspace, inputs: Iterable[Path] = ()) -> Destination:
    """A report: no file that the policies of workplaces name, or that was read.

    What the workplaces know by name was read; ``inputs`` are what was read beside. InputError where it may
    not be written, as from all of these.
    """
    return _demanded(Destination(path, tuple(inputs), claims))


def image(path: Path, *claims: Workspace, inputs: Iterable[Path] = (), follows: bool = False) -> Destination:
    """An image, which the policies may name as one; as ``output`` else. With ``follows`` a link stays one."""
    return _demanded(Destination(path, tuple(inputs), claims, is_image=True, follows=follows))


def image_of_git(path: Path, workspace: Workspace) -> Destination | None:
    """An image as git's merge driver is told of it; None in git's own folder, as without a working tree."""
    destination = Destination(path, (), (workspace,), _gits_around(path), is_image=True)
    with suppress(OSError):
        if all(gits_own(one, destination.gits) is None for one in (_spelled_out(path), resolved(path))):
            return destination
    return None


def new_file(path: Path) -> Destination:
    """A file that is not there yet."""
    return _demanded(Destination(path, is_new=True))


def in_place(path: Path) -> Destination:
    """The file that was read, with its new content. A link stays one."""
    return _demanded(Destination(path, is_in_place=True, follows=True))


def handed_by_git(path: Path) -> Destination:
    """The file in which git's merge driver leaves its result."""
    is_gits = path.name.startswith(_HANDED) and path.parent == Path()
    return own_file(path) if is_gits else in_place(path)


def own_file(path: Path) -> Destination:
    """A file of callint's own making, at a place that callint itself chose."""
    return Destination(path, is_own=True)


def refuse_as_folder(path: Path) -> None:
    """InputError where a path, which need not exist, leads into git's own folder or out of the repository."""
    require_inside_repository(path)
    try:
        target = resolved(path)
    except OSError as error:
        raise InputError(f"{path}: {reason(error)}; choose another place") from None
    found = _gits_around(path)
    for one in (_spelled_out(path), target):
        if (folder := gits_own(one, found)) is not None:
            raise InputError(f"{path}: it lies in git's own folder, {folder}; choose another place")


def _demanded(destination: Destination) -> Destination:
    """The destination with what git says, once it is known that it may be written."""
    destination = replace(destination, gits=_gits_around(destination.path))
    destination.place()
    return destination


# What is git's


def gits_own(place: Path, known: Iterable[Path] = ()) -> Path | None:
    """The folder or file of git's that a place is or lies in, None where there is none."""
    for one in (place, *place.parents):
        if _has_gits_name(one.name) or _looks_like_gits(one):
            return one
        if any(_is_same(one, gits) for gits in known):
            return one
    return None


def _has_gits_name(name: str) -> bool:
    """Whether a name is that of git's own folder to some file system."""
    plain = name.translate(_PASSED_OVER).partition(":")[0].rstrip(". ").casefold()
    return plain in _GITS_NAMES


def _looks_like_gits(folder: Path) -> bool:
    """Whether git takes a folder for its own: that of a repository, bare or not, or of one working tree."""
    if not os.path.lexists(folder / "HEAD"):
        return False
    has_all = (folder / "objects").is_dir() and (folder / "refs").is_dir()
    return has_all or (folder / "commondir").is_file()


def _gits_around(path: Path) -> tuple[Path, ...]:
    """What git keeps for itself, as it is called here or where a path lies."""
    from callint.versioning.git.repository import git_folders

    here = Path.cwd()
    there = path.parent
    with suppress(OSError):
        there = resolved(path.parent)
    there = next((one for one in (there, *there.parents) if one.is_dir()), here)
    starts = dict.fromkeys(_top(start) for start in (here, there))
    return tuple(dict.fromkeys(one for start in starts for one in git_folders(start)))


def _top(start: Path) -> Path:
    """The top of the repository around a folder, which is asked in its place; the folder without one."""
    return next((one for one in (start, *start.parents) if os.path.lexists(one / ".git")), start)


# Places


def _is_systems(path: Path) -> bool:
    """Whether a path lies where the system keeps its devices and processes.

    There even what looks like a file is none: /dev/stdout is a link to whatever the output goes to, and would
    become a file for everybody.
    """
    place = resolved(path.parent)
    return place == Path("/dev") or any(place.is_relative_to(one) for one in ("/proc", "/sys"))


def _spelled_out(path: Path) -> Path:
    """The path from the top, ".." worked out in words."""
    return Path(os.path.abspath(path))  # noqa: PTH100 (resolve would follow the links)


def _is_same(one: Path, other: Path) -> bool:
    """Whether two paths are one file, whatever it is called, or one place where there is no file."""
    with suppress(OSError, ValueError):
        return one.samefile(other)
    with suppress(OSError):
        return one == resolved(other)
    return False


def _is_claimed(place: Path, claim: Workspace) -> bool:
    """Whether a policy takes what lies at a place for an image."""
    for root in dict.fromkeys((claim.root, claim.root.resolve())):
        if place.is_relative_to(root):
            return assignment(claim.policy, place.relative_to(root).as_posix()) is not None
    return False
