"""Finds the commit that last set each cell of an image.

callint walks from the present image back through the commits. A cell that has its present value in a parent
too belongs to the parent or to an older commit; the commit set the rest. In a merge, a cell goes to the first
parent with the same value, so that it ends at the commit that introduced it on its own side. A cell that was
changed and set back belongs to the commit that set it back.

callint reads all images with the present definition. If an older image is of other software, or unreadable,
the walk ends on that path and says so.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from callint.checking.identity import identity_mismatch
from callint.comparing.compare import changed_cells
from callint.decoding.decode import decode
from callint.decoding.footprint import footprint
from callint.decoding.layout import Layout, make_layout, make_table_layout
from callint.model.change import Flags, Grid
from callint.model.definition import Table, Text
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import reason
from callint.versioning.attribution import Attribution, EndReason, HistoryEnd, Integers, Origin, Rename
from callint.versioning.git.diff import staged_rename_source
from callint.versioning.git.log import read_history, shallow_commits
from callint.versioning.git.objects import read_blob, resolve_pointer
from callint.versioning.git.refs import is_revision
from callint.versioning.git.repository import Repo
from callint.versioning.history_graph import HistoryGraph, HistoryNode
from callint.versioning.repository_file import RepositoryFile

#: The number of comparisons that are kept: branches that lead to one older image follow each other closely.
_KEPT_COMPARISONS = 64
#: The position of the working tree, before that of the newest commit, which is 0.
_UNCOMMITTED = -1


@dataclass(frozen=True, slots=True)
class HistoryQuery:
    """A cell of a table, or a text; for a text, x and y are unused."""

    item: Table | Text
    x: int
    y: int


@dataclass(frozen=True, slots=True)
class Setting:
    """A value that a cell or text once had: its origin, and the table's grid or the text at that time."""

    origin: Origin
    grid: Grid | None
    text: str


@dataclass(frozen=True, slots=True)
class PresentImage:
    """The image whose history is walked: its content, and its nodes in the newest commits.

    ``is_committed`` is True if ``newest`` has the same content. ``others`` are the nodes of the image in the
    other commits that an unfinished merge joins with the newest one. ``start`` is the start address of raw
    images of part of the memory.
    """

    data: bytes
    newest: HistoryNode
    is_committed: bool
    others: tuple[HistoryNode, ...] = ()
    start: int | None = None


@dataclass(frozen=True, slots=True)
class _End:
    """The reason why the walk ends at a commit; ``text`` follows "Before COMMIT"."""

    reason: EndReason
    text: str | None = None


_ADDED = _End(EndReason.ADDED)
_SHALLOW = _End(
    EndReason.SHALLOW, "nothing is known: the clone is shallow; git fetch --unshallow fetches the rest"
)


class _Walk:
    """Follows cells back from image to image, to the commit that set them.

    ``setter`` (cells, then texts) is the position in the log of the commit that set each. ``ends`` are the
    positions at which a path ends.
    """

    def __init__(self, size: int, compare: Callable[[str], Integers | _End]) -> None:
        """``compare`` takes the id of an older content and returns the cells and texts that differ."""
        self.setter = np.full(size, _UNCOMMITTED, np.int64)
        self.ends: dict[int, _End] = {}
        self._compare = lru_cache(_KEPT_COMPARISONS)(compare)
        self._pending: dict[HistoryNode, Flags] = {}
        self._queue: list[tuple[int, str, HistoryNode]] = []

    def __iter__(self) -> Iterator[tuple[HistoryNode, Flags]]:
        """Each image with the cells that reached it, once: a commit comes after all its children."""
        while self._queue:
            *_, node = heapq.heappop(self._queue)
            yield node, self._pending.pop(node)

    def send(self, cells: Flags, node: HistoryNode) -> None:
        """Send cells on to an image."""
        if node in self._pending:
            self._pending[node] = self._pending[node] | cells
        elif cells.any():
            self._pending[node] = cells
            heapq.heappush(self._queue, (node.commit, node.path, node))

    def distribute(self, cells: Flags, position: int, blob: str | None, parents: list[HistoryNode]) -> None:
        """Send the cells on to the first parent in which they have their present value.

        The commit at ``position`` set the rest.
        """
        for parent in parents:
            if parent.blob == blob:
                self.send(cells, parent)
                return
            differing = self._compare(parent.blob)
            if isinstance(differing, _End):
                self.ends[position] = differing
                continue
            unchanged = cells.copy()
            unchanged[differing] = False
            self.send(unchanged, parent)
            cells = cells & ~unchanged
            if not cells.any():
                return
        self.setter[cells] = position


class ImageHistory:
    """The history of one image, from its present content backwards.

    Raises DamagedError if the present image is damaged.
    """

    def __init__(self, repo: Repo, graph: HistoryGraph, layout: Layout, present: PresentImage) -> None:
        self.layout = layout
        self._repo = repo
        self._graph = graph
        self._present = present
        self._image = read_image(present.data, layout.definition.memory, present.start)
        self._texts = list(layout.definition.texts.values())
        self._footprint = footprint(layout, self._image, self._texts)

    @property
    def commit_count(self) -> int:
        """The number of commits in the history, including those without the image."""
        return len(self._graph.commits)

    # Contents

    def _read_older(self, blob: str) -> Image | _End:
        """An older image, or the reason why it cannot be compared with the present one."""
        if self._present.is_committed and blob == self._present.newest.blob:
            return self._image
        try:
            data = resolve_pointer(self._repo, read_blob(self._repo, blob))
        except OSError as error:
            return _End(EndReason.UNREADABLE, f"the image could not be read: {reason(error)}")
        memory = self.layout.definition.memory
        try:
            image = read_image(data, memory, self._present.start)
        except DamagedError as error:
            return _End(EndReason.INCOMPARABLE, f"the image was damaged: {error}")
        if mismatch := identity_mismatch(image, memory):
            return _End(EndReason.INCOMPARABLE, f"the image was of other software: {mismatch}")
        if image.size != self._image.size:
            sizes = f"{image.size:,} bytes and not {self._image.size:,}"
            return _End(EndReason.INCOMPARABLE, f"the image had {sizes}")
        if image.extents != self._image.extents:
            return _End(EndReason.INCOMPARABLE, "the image had its bytes at other addresses")
        return image

    def _compare(self, blob: str) -> Integers | _End:
        """The numbers of the differing cells, followed by those of the differing texts."""
        image = self._read_older(blob)
        if isinstance(image, _End):
            return image
        return self._footprint.changed(self._image, image)

    # Attribution

    def attribution(self, step: Callable[[int], None] = lambda done: None) -> Attribution:
        """The commit that last set each cell and text.

        Calls ``step`` at each commit that has the image, with the number of commits before it in the log.
        """
        walk = _Walk(self.layout.size + len(self._texts), self._compare)
        every_cell = np.ones(len(walk.setter), bool)
        newest = self._present.newest
        if self._present.is_committed:
            walk.send(every_cell, newest)
        else:
            walk.distribute(every_cell, _UNCOMMITTED, None, [newest, *self._present.others])
        shallow = shallow_commits(self._repo)
        renames: dict[int, str] = {}
        for node, cells in walk:
            parents = self._graph.parents(node)
            if not parents:
                is_cut = self._graph.commits[node.commit].id in shallow
                walk.ends[node.commit] = _SHALLOW if is_cut else _ADDED
            elif parents[0].path != node.path:
                renames.setdefault(node.commit, parents[0].path)
            walk.distribute(cells, node.commit, node.blob, parents)
            step(node.commit)
        return self._make_attribution(walk, renames)

    def _make_attribution(self, walk: _Walk, renames: dict[int, str]) -> Attribution:
        positions = np.unique(walk.setter)
        indexes = np.searchsorted(positions, walk.setter)
        texts = indexes[self.layout.size :].tolist()

        def origin(position: int) -> Origin:
            return self._origin(position, position in walk.ends)

        return Attribution(
            origins=tuple(origin(position) for position in positions.tolist()),
            cells=indexes[: self.layout.size],
            texts={text.name: index for text, index in zip(self._texts, texts, strict=True)},
            ends=tuple(
                HistoryEnd(origin(position), end.reason, end.text)
                for position, end in sorted(walk.ends.items())
            ),
            renames=tuple(Rename(origin(position), path) for position, path in sorted(renames.items())),
        )

    def _origin(self, position: int, is_first: bool) -> Origin:
        if position == _UNCOMMITTED:
            return Origin("", "", "", None, "", is_first)
        commit = self._graph.commits[position]
        return Origin(
            id=commit.id,
            author=commit.author,
            email=commit.email,
            date=commit.authored,
            subject=commit.subject,
            is_first=is_first,
            own_email=commit.own_email,
        )

    # All values of one cell or text

    def query(self, query: HistoryQuery) -> Iterator[Setting]:
        """Every value that a cell or text ever had, newest first."""
        if isinstance(query.item, Text):
            return self._text_values(query.item)
        return self._cell_values(query.item, query.x, query.y)

    def _cell_values(self, table: Table, x: int, y: int) -> Iterator[Setting]:
        # A layout of only this table is fast to decode.
        layout = make_table_layout(self.layout.definition, table)
        item = layout.table_items[table.name]
        cell = int(layout.first[item]) + y * layout.shape(item)[1] + x

        def is_same(first: Image, second: Image) -> bool:
            return not changed_cells(decode(layout, first), decode(layout, second))[cell]

        for origin, image in self._settings(is_same):
            yield Setting(origin, decode(layout, image).grid(table), "")

    def _text_values(self, text: Text) -> Iterator[Setting]:
        def is_same(first: Image, second: Image) -> bool:
            return first.read(text.at, text.length) == second.read(text.at, text.length)

        layout = make_layout(replace(self.layout.definition, tables={}, axes={}))
        for origin, image in self._settings(is_same):
            yield Setting(origin, None, decode(layout, image).text(text) or "")

    def _settings(self, is_same: Callable[[Image, Image], bool]) -> Iterator[tuple[Origin, Image]]:
        """Every commit that set the value, with its image, newest first.

        At a merge the walk follows the first parent with the same value, or else the first readable parent.
        """
        image = self._image
        parents, position, blob = [self._present.newest], _UNCOMMITTED, ""
        if self._present.is_committed:
            newest = self._present.newest
            parents, position, blob = self._graph.parents(newest), newest.commit, newest.blob
        while True:
            readable: list[tuple[HistoryNode, Image]] = []
            following: tuple[HistoryNode, Image] | None = None
            for parent in parents:
                older = image if parent.blob == blob else self._read_older(parent.blob)
                if isinstance(older, _End):
                    continue
                readable.append((parent, older))
                if older is image or is_same(older, image):
                    following = parent, older
                    break
            if following is None:
                yield self._origin(position, not readable), image
                if not readable:
                    return
                following = readable[0]
            node, image = following
            parents, position, blob = self._graph.parents(node), node.commit, node.blob


def open_history(file: RepositoryFile, layout: Layout, data: bytes, start: int | None = None) -> ImageHistory:
    """The history of an image whose present content is ``data``; ``start`` as in ``PresentImage``.

    InputError if no commit has the image yet.
    """
    revision = file.revision or "HEAD"
    if not is_revision(file.repo, revision):
        raise InputError(f"{file.argument}: the repository has no {revision} yet; commit the image first")
    commits = read_history(file.repo, revision)
    graph = HistoryGraph(commits, file.path)
    newest = graph.start(file.path)
    if newest is None and file.revision is None and (old := staged_rename_source(file.repo, file.path)):
        graph = HistoryGraph(commits, old)
        newest = graph.start(old)
    if newest is None:
        raise InputError(f"{file.argument}: {revision} has no such file; commit it first")
    try:
        committed = resolve_pointer(file.repo, read_blob(file.repo, newest.blob))
    except OSError:
        committed = None
    present = PresentImage(data, newest, data == committed, start=start)
    return ImageHistory(file.repo, graph, layout, present)
