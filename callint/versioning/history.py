"""Which commit last set each cell of an image.

The present image is walked back through the commits. Cells that have at a parent the value that they have
now belong to the parent or to something older; what remains was set by the commit. A merge's cell goes to the
first parent that has its value, so that it ends at the commit that introduced it on its own side. A cell
that was changed and set back belongs to the commit that set it back.

All images are read by the definition that applies now. Where an older image is of other software, or cannot
be read, the walk ends on that path, and says so.
"""

from __future__ import annotations

import heapq
import posixpath
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from itertools import count
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from callint.checking.identity import identity_mismatch
from callint.comparing.compare import changed_cells
from callint.decoding.decode import decode
from callint.decoding.layout import Item, Layout, make_layout
from callint.model.change import Flags, Grid
from callint.model.definition import Table, Text
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import error_with_remedy, reason, resolved
from callint.versioning.git.diff import staged_rename_source
from callint.versioning.git.log import FileChange, LoggedCommit, read_history, shallow_commits
from callint.versioning.git.objects import read_blob, resolve_pointer
from callint.versioning.git.refs import is_revision
from callint.versioning.git.repository import Repo, folder_of, from_top, open_repository, top_level
from callint.versioning.git.trees import RevisionTree

Integers = NDArray[np.int64]

#: So many comparisons are kept: branches that lead to the same older image come one soon after the other.
_KEPT = 64
#: The place of the working tree, before that of the newest commit, which is 0.
_UNCOMMITTED = -1
#: Why nothing is known from before a commit of a shallow clone.
SHALLOW = "nothing is known: the clone is shallow, and git fetch --unshallow brings the rest"
_UNREADABLE = "the image could not be read"


@dataclass(frozen=True, slots=True)
class Origin:
    """A commit that set values; ``id`` is "" for the working tree, whose changes are not committed yet.

    ``date`` is the author's own, with zone, or None where the commit has none that can be read. ``is_first``
    says that history begins there: the values may be older, but nothing says so.
    """

    id: str
    author: str
    email: str
    date: datetime | None
    subject: str
    is_first: bool
    own_email: str = ""


@dataclass(frozen=True, slots=True)
class HistoryEnd:
    """A commit that nothing older is known of; ``words`` say why, or are "" where it added the image."""

    origin: Origin
    words: str

    @property
    def is_gap(self) -> bool:
        """Whether something older should be there, so that the commit need not have set its values."""
        return self.words.startswith((SHALLOW, _UNREADABLE))


@dataclass(frozen=True, slots=True)
class Rename:
    """The path that the image had before a commit gave it another one."""

    origin: Origin
    path: str


@dataclass(frozen=True)
class Attribution:
    """Who set what: ``cells`` (cells) and ``texts`` hold numbers of ``origins``, which are newest first."""

    origins: tuple[Origin, ...]
    cells: Integers
    texts: dict[str, int]
    beginnings: tuple[HistoryEnd, ...]
    renames: tuple[Rename, ...]

    def of(self, layout: Layout, item: Item | Text) -> Integers:
        """The origins of an item's cells, shape (rows, columns), or of a text, shape (1, 1), as numbers."""
        if isinstance(item, Text):
            return np.full((1, 1), self.texts[item.name], np.int64)
        numbers = layout.table_items if isinstance(item, Table) else layout.axis_items
        number = numbers[item.name]
        return self.cells[layout.cells(number)].reshape(layout.shape(number))

    def later(self, numbers: Integers) -> Flags:
        """Which of some origins, as numbers, are later than the first commit; any shape."""
        flags: Flags = np.array([not origin.is_first for origin in self.origins], bool)[numbers]
        return flags


@dataclass(frozen=True, slots=True)
class HistoryQuery:
    """A cell of a table, or a text, whose x and y mean nothing."""

    item: Table | Text
    x: int
    y: int


@dataclass(frozen=True, slots=True)
class Setting:
    """A value that a cell or text once had: who set it, and the cell's table, or the text, as it was then."""

    origin: Origin
    grid: Grid | None
    text: str


@dataclass(frozen=True, slots=True)
class FileVersion:
    """A file in one commit: which one it is, whatever it is called, and the id of its content."""

    file: int
    blob: str


@dataclass(frozen=True, slots=True)
class HistoryNode:
    """An image in one commit: the commit's place in the log, the image's path there, and its content."""

    commit: int
    path: str
    blob: str


#: The files of one commit by their paths.
_Files = dict[str, FileVersion]


class HistoryGraph:
    """Where one file was in every commit of a history, by whatever name.

    A file keeps its number when it is renamed, so that a merge's other parents lead to it under the name that
    it had there.
    """

    def __init__(self, commits: list[LoggedCommit], path: str) -> None:
        self.commits = commits
        self._places = {commit.id: place for place, commit in enumerate(commits)}
        names = _connected_names(commits, path)
        numbers = count()
        self._files: list[_Files] = [{}] * len(commits)
        for place in reversed(range(len(commits))):
            commit = commits[place]
            parents = [self._files[self._places[parent]] for parent in commit.parents]
            files = parents[0] if parents else {}
            changes = [change for change in commit.changes if change.path in names]
            if changes:
                files = _after(files, parents[1:], changes, numbers)
            self._files[place] = files

    def start(self, path: str) -> HistoryNode | None:
        """The file in the newest commit, or None where that has none of this name."""
        return self.at(self.commits[0].id, path)

    def at(self, commit: str, path: str) -> HistoryNode | None:
        """The file in a commit of the history, or None where that has none of this name."""
        place = self._places[commit]
        held = self._files[place].get(path)
        return HistoryNode(place, path, held.blob) if held else None

    def parents(self, node: HistoryNode) -> list[HistoryNode]:
        """The file in the commit's parents, in their order; those that lack it are left out."""
        file = self._files[node.commit][node.path].file
        found = []
        for parent in self.commits[node.commit].parents:
            place = self._places[parent]
            files = self._files[place]
            same = [path for path, held in files.items() if held.file == file]
            # The same name counts where histories without a common file were joined.
            for path in [node.path] if node.path in same else [*same, node.path]:
                if path in files:
                    found.append(HistoryNode(place, path, files[path].blob))
                    break
        return found


def _connected_names(commits: list[LoggedCommit], path: str) -> set[str]:
    """Every name that renames connect with a path, in whatever direction and on whatever branch."""
    renames: dict[str, set[str]] = {}
    for commit in commits:
        for change in commit.changes:
            if change.old is not None and change.old != change.path:
                renames.setdefault(change.path, set()).add(change.old)
                renames.setdefault(change.old, set()).add(change.path)
    names, waiting = {path}, [path]
    while waiting:
        new = renames.get(waiting.pop(), set()) - names
        names |= new
        waiting += new
    return names


def _after(files: _Files, others: list[_Files], changes: list[FileChange], numbers: Iterator[int]) -> _Files:
    """The files of a commit from those of its parents, the first and the others."""
    after = dict(files)
    for change in changes:
        after.pop(change.path if change.old is None else change.old, None)
    for change in changes:
        if change.blob is None:
            continue
        known = None if change.old is None else files.get(change.old)
        if change.old != change.path:
            # What a merge adds or renames was added or renamed on another side already.
            known = next((other[change.path] for other in others if change.path in other), known)
        after[change.path] = FileVersion(next(numbers) if known is None else known.file, change.blob)
    return after


@dataclass(frozen=True, slots=True)
class Footprint:
    """Which cells each byte of an image belongs to: one entry for each byte of each cell, by position.

    ``first`` (bytes + 1) is where each byte's entries begin; ``owners`` (entries) are numbers of cells,
    and behind all cells of texts; ``masks`` (entries) the bits that are theirs. So a thousand contents
    that differ in a few bytes each cost a thousand plain comparisons of bytes and next to nothing beside.
    """

    first: NDArray[np.int32]
    owners: Integers
    masks: NDArray[np.uint8]

    def touched(self, one: Image, other: Image) -> Integers:
        """The cells and texts whose bits differ, some repeatedly; both images have the same addresses."""
        differing = _differing_positions(one.content, other.content)
        first = self.first[differing]
        amounts = self.first[differing + 1] - first
        ends = np.cumsum(amounts)
        entries = np.arange(ends[-1] if len(ends) else 0) + np.repeat(first - ends + amounts, amounts)
        bits = np.repeat(one.content[differing] ^ other.content[differing], amounts)
        found: Integers = self.owners[entries[(bits & self.masks[entries]) != 0]]
        return found


def footprint(layout: Layout, image: Image, texts: list[Text]) -> Footprint:
    """The footprint of everything in the plan, and of texts, that the image holds whole."""
    positions, owners, masks = [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0, np.uint8)]
    for group, masked in zip(layout.groups, layout.masks, strict=True):
        size = group.type.size
        here = image.positions(layout.address[group.cells], size)
        bits = np.full((len(here), size), 0xFF, np.uint8)
        stored = masked.masks.astype(group.dtype)
        bits[masked.cells - group.cells.start] = stored.view(np.uint8).reshape(-1, size)
        cells = np.arange(group.cells.start, group.cells.stop)
        held = here >= 0
        positions.append((here[held, None] + np.arange(size)).ravel())
        owners.append(np.repeat(cells[held], size))
        masks.append(bits[held].ravel())
    for number, text in enumerate(texts):
        (start,) = image.positions(np.array([text.at], np.int64), text.length).tolist()
        if start >= 0:
            positions.append(np.arange(start, start + text.length))
            owners.append(np.full(text.length, layout.size + number))
            masks.append(np.full(text.length, 0xFF, np.uint8))
    everywhere = np.concatenate(positions)
    # Tables lie behind one another, in stretches that rise already, which a stable sort is quick with.
    order = np.argsort(everywhere, kind="stable")
    first = np.zeros(image.size + 1, np.int32)
    np.cumsum(np.bincount(everywhere, minlength=image.size), out=first[1:])
    return Footprint(first, np.concatenate(owners)[order], np.concatenate(masks)[order])


def _differing_positions(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> Integers:
    """Where two contents of one size differ, rising; eight bytes at a time, as most do not."""
    whole = len(one) // 8 * 8
    words = np.flatnonzero(one[:whole].view(np.uint64) != other[:whole].view(np.uint64))
    near = np.concatenate([(8 * words[:, None] + np.arange(8)).ravel(), np.arange(whole, len(one))])
    found: Integers = near[one[near] != other[near]]
    return found


class _Walk:
    """Cells on their way back from image to image, until a commit turns out to have set them.

    ``setter`` (cells, then texts) is the place in the log of the commit that set each; ``beginnings`` are the
    places from which some path leads no further, and why.
    """

    def __init__(self, size: int, changed: Callable[[str], Integers | str]) -> None:
        self.setter = np.full(size, _UNCOMMITTED, np.int64)
        self.beginnings: dict[int, str] = {}
        self._changed = lru_cache(_KEPT)(changed)
        self._waiting: dict[HistoryNode, Flags] = {}
        self._order: list[tuple[int, str, HistoryNode]] = []

    def __iter__(self) -> Iterator[tuple[HistoryNode, Flags]]:
        """The images with the cells that came to them, each once: a commit comes after all its children."""
        while self._order:
            *_, node = heapq.heappop(self._order)
            yield node, self._waiting.pop(node)

    def send(self, cells: Flags, node: HistoryNode) -> None:
        """Cells to an image."""
        if node in self._waiting:
            self._waiting[node] = self._waiting[node] | cells
        elif cells.any():
            self._waiting[node] = cells
            heapq.heappush(self._order, (node.commit, node.path, node))

    def share(self, cells: Flags, place: int, blob: str | None, parents: list[HistoryNode]) -> None:
        """To each parent the cells that have their present value there; what remains was set here."""
        for parent in parents:
            if parent.blob == blob:
                self.send(cells, parent)
                return
            differing = self._changed(parent.blob)
            if isinstance(differing, str):
                self.beginnings[place] = differing
                continue
            given = cells.copy()
            given[differing] = False
            self.send(given, parent)
            cells = cells & ~given
            if not cells.any():
                return
        self.setter[cells] = place


class ImageHistory:
    """The history of one image, from its present content on.

    ``data`` is the present content; ``is_committed`` says that it is what the newest commit holds.
    ``others`` are the image in the other commits that a merge under way joins with the newest one, ``start``
    is where raw images of part of the memory begin. Raises DamagedError where the present image is damaged.
    """

    def __init__(
        self,
        repo: Repo,
        lineage: HistoryGraph,
        newest: HistoryNode,
        layout: Layout,
        data: bytes,
        is_committed: bool,
        others: Sequence[HistoryNode] = (),
        start: int | None = None,
    ) -> None:
        self.layout = layout
        self.present = read_image(data, layout.definition.memory, start)
        self._repo = repo
        self._lineage = lineage
        self._newest = newest
        self._others = others
        self._is_committed = is_committed
        self._start = start
        self._texts = list(layout.definition.texts.values())
        self._footprint = footprint(layout, self.present, self._texts)

    # Contents

    def _image(self, blob: str) -> Image | str:
        """An older image, or why it cannot be compared with the present one, as the end of a sentence."""
        if self._is_committed and blob == self._newest.blob:
            return self.present
        try:
            data = resolve_pointer(self._repo, read_blob(self._repo, blob))
        except OSError as error:
            return f"{_UNREADABLE}: {reason(error)}"
        memory = self.layout.definition.memory
        try:
            image = read_image(data, memory, self._start)
        except DamagedError as error:
            return f"the image was damaged: {error}"
        if words := identity_mismatch(image, memory):
            return f"the image was of other software: {words}"
        if image.size != self.present.size:
            return f"the image had {image.size:,} bytes and not {self.present.size:,}"
        if image.extents != self.present.extents:
            return "the image had its bytes at other addresses"
        return image

    def _changed(self, blob: str) -> Integers | str:
        """The numbers of the cells, and behind them of the texts, that differ from the present ones.

        Or why the image cannot be compared.
        """
        image = self._image(blob)
        if isinstance(image, str):
            return image
        return self._footprint.touched(self.present, image)

    # Who set what

    def attribution(self, step: Callable[[int], None] = lambda done: None) -> Attribution:
        """The commit that last set each cell and text.

        ``step`` is called with how many of ``commits`` are behind, at each that has the image.
        """
        walk = _Walk(self.layout.size + len(self._texts), self._changed)
        everything = np.ones(len(walk.setter), bool)
        if self._is_committed:
            walk.send(everything, self._newest)
        else:
            walk.share(everything, _UNCOMMITTED, None, [self._newest, *self._others])
        shallow = shallow_commits(self._repo)
        renames: dict[int, str] = {}
        for node, cells in walk:
            place = node.commit
            parents = self._lineage.parents(node)
            if not parents:
                is_cut = self._lineage.commits[place].id in shallow
                walk.beginnings[place] = SHALLOW if is_cut else ""
            elif parents[0].path != node.path:
                renames.setdefault(place, parents[0].path)
            walk.share(cells, place, node.blob, parents)
            step(place)
        places = np.unique(walk.setter)
        numbers = np.searchsorted(places, walk.setter)
        texts = numbers[self.layout.size :].tolist()

        def origin(place: int) -> Origin:
            return self._origin(place, place in walk.beginnings)

        beginnings, renamed = sorted(walk.beginnings.items()), sorted(renames.items())
        return Attribution(
            origins=tuple(origin(place) for place in places.tolist()),
            cells=numbers[: self.layout.size],
            texts={text.name: number for text, number in zip(self._texts, texts, strict=True)},
            beginnings=tuple(HistoryEnd(origin(place), words) for place, words in beginnings),
            renames=tuple(Rename(origin(place), path) for place, path in renamed),
        )

    @property
    def commits(self) -> int:
        """How many commits there are, with and without the image."""
        return len(self._lineage.commits)

    def _origin(self, place: int, is_first: bool) -> Origin:
        if place == _UNCOMMITTED:
            return Origin("", "", "", None, "", is_first)
        commit = self._lineage.commits[place]
        return Origin(
            commit.id,
            commit.author,
            commit.email,
            commit.authored,
            commit.subject,
            is_first,
            commit.own_email,
        )

    # Every value that there was

    def cell_values(self, table: Table, x: int, y: int) -> Iterator[Setting]:
        """Every value that a cell ever had, newest first."""
        # Of the definition only what the one table needs, so that an image is decoded in no time.
        definition = self.layout.definition
        axes = {name: definition.axes[name] for name in table.axes}
        layout = make_layout(replace(definition, tables={table.name: table}, axes=axes))
        item = layout.table_items[table.name]
        cell = int(layout.first[item]) + y * layout.shape(item)[1] + x

        def is_same(one: Image, other: Image) -> bool:
            return not changed_cells(decode(layout, one), decode(layout, other))[cell]

        for origin, image in self._settings(is_same):
            yield Setting(origin, decode(layout, image).grid(table), "")

    def text_values(self, text: Text) -> Iterator[Setting]:
        """Every content that a text ever had, newest first."""

        def is_same(one: Image, other: Image) -> bool:
            return one.read(text.at, text.length) == other.read(text.at, text.length)

        layout = make_layout(replace(self.layout.definition, tables={}, axes={}))
        for origin, image in self._settings(is_same):
            yield Setting(origin, None, decode(layout, image).text(text) or "")

    def _settings(self, is_same: Callable[[Image, Image], bool]) -> Iterator[tuple[Origin, Image]]:
        """Every commit that set something, with the image that it made of it, newest first.

        At a merge the line goes to the first parent that has the same; where none has, to the first one.
        """
        node, image = self._newest, self.present
        parents, place = [node], _UNCOMMITTED
        blob: str | None = None
        if self._is_committed:
            parents, place, blob = self._lineage.parents(node), node.commit, node.blob
        while True:
            readable: list[tuple[HistoryNode, Image]] = []
            following: tuple[HistoryNode, Image] | None = None
            for parent in parents:
                older = image if parent.blob == blob else self._image(parent.blob)
                if isinstance(older, str):
                    continue
                readable.append((parent, older))
                if older is image or is_same(older, image):
                    following = parent, older
                    break
            if following is None:
                yield self._origin(place, not readable), image
                if not readable:
                    return
                following = readable[0]
            node, image = following
            parents, place, blob = self._lineage.parents(node), node.commit, node.blob


@dataclass(frozen=True, slots=True)
class Place:
    """Where an image is: its repository, its path from the top, and the revision, None for the working tree.

    ``word`` is what the user called it.
    """

    repo: Repo
    word: str
    path: str
    revision: str | None

    @property
    def name(self) -> str:
        """What content of it is called: the file, or REV:path."""
        return self.word if self.revision is None else f"{self.revision}:{self.path}"

    def below(self, folder: Path) -> str:
        """The image's path from a folder of the working tree, as a policy in that folder names it."""
        above = folder_of(self.repo, folder)
        return self.path.removeprefix(f"{above}/") if above else self.path

    def read(self) -> bytes:
        """The image at the revision; InputError where there is none."""
        revision = self.revision or "HEAD"
        try:
            return RevisionTree(self.repo, revision).read(self.path)
        except OSError as error:
            words = error_with_remedy(error, f"git ls-tree -r {revision} lists what there is")
            raise InputError(f"{revision}:{self.path}: {words}") from None


def find_image(word: str, revision: str | None) -> Place:
    """Where the image is that a user names by a path from the current folder.

    In a bare repository paths start at the top and the revision is HEAD where none is given. InputError
    where the path lies in no repository. REV:path is understood as elsewhere, its path from the top.
    """
    if revision is None and ":" in word and not Path(word).exists():
        revision, _, path = word.partition(":")
        repo = open_repository(Path.cwd(), bare=True)
        if path.startswith(("./", "../")):
            path = from_top(repo, Path.cwd(), path)
        return Place(repo, word, posixpath.normpath(path), revision or "HEAD")
    target = Path(word)
    folder = target.parent if target.parent.is_dir() else Path.cwd()
    repo = open_repository(folder.resolve(), bare=True)
    if repo.working_tree_dir is None:
        return Place(repo, word, posixpath.normpath(target.as_posix()), revision or "HEAD")
    try:
        top, here = top_level(repo), resolved(target.parent)
    except OSError as error:
        raise InputError(f"{word}: {error_with_remedy(error, 'check the path')}") from None
    if not here.is_relative_to(top):
        raise InputError(f"{word}: it lies outside the repository {top}; run callint in its own repository")
    return Place(repo, word, (here / target.name).relative_to(top).as_posix(), revision)


def open_history(place: Place, layout: Layout, data: bytes, start: int | None = None) -> ImageHistory:
    """The history of an image whose present content is ``data``; ``start`` as in ``ImageHistory``.

    InputError where no commit has the image yet.
    """
    revision = place.revision or "HEAD"
    if not is_revision(place.repo, revision):
        raise InputError(f"{place.word}: the repository has no {revision} yet; commit the image first")
    commits = read_history(place.repo, revision)
    newest = (lineage := HistoryGraph(commits, place.path)).start(place.path)
    if newest is None and place.revision is None and (old := staged_rename_source(place.repo, place.path)):
        newest = (lineage := HistoryGraph(commits, old)).start(old)
    if newest is None:
        raise InputError(f"{place.word}: {revision} has no such file; commit it first")
    try:
        committed = resolve_pointer(place.repo, read_blob(place.repo, newest.blob))
    except OSError:
        committed = None
    return ImageHistory(place.repo, lineage, newest, layout, data, data == committed, start=start)
