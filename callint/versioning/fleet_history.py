"""Finds the images of a fleet that had the value of a cell before another image got it.

Equal values are evidence of a copy but not proof, so the results are only called "same value".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache

from callint.checking.assignments import assignment_of_named
from callint.checking.fleet.changed_cells import same_cells
from callint.checking.fleet.table_digests import table_form
from callint.checking.identity import identity_mismatch, size_problem
from callint.checking.loading import ImageLoader
from callint.decoding.decode import decode
from callint.decoding.layout import make_table_layout
from callint.model.change import Grid
from callint.model.definition import Definition, Table
from callint.reading.images import DamagedError, read_image
from callint.reading.workspace import Workspace
from callint.versioning.attribution import Origin, SameValue
from callint.versioning.git.entries import revision_entries
from callint.versioning.git.log import LoggedCommit, read_history
from callint.versioning.git.objects import read_blob, resolve_pointer
from callint.versioning.git.repository import Repo, folder_of
from callint.versioning.history_graph import HistoryGraph, HistoryNode

#: The largest number of images through which a value is followed.
MOST_STEPS = 20
#: The number of contents for which callint remembers whether they have the value.
_KEPT = 2**16


class FleetHistory:
    """Follows the value of one cell through the images of a workspace.

    ``definition`` and ``grid`` are those of the image whose value is followed, ``cell`` is x and y, and the
    history begins at ``revision``.
    """

    def __init__(
        self,
        repo: Repo,
        workspace: Workspace,
        definition: Definition,
        grid: Grid,
        cell: tuple[int, int],
        revision: str,
    ) -> None:
        self._revision = revision
        self._repo = repo
        self._workspace = workspace
        self._folder = folder_of(repo, workspace.root)
        self._loader = ImageLoader(workspace)
        self._grid, self._cell = grid, cell
        self._form = table_form(definition, grid.table)
        self._has_value = lru_cache(_KEPT)(self._holds)

    @property
    def image_count(self) -> int:
        """The number of files at the revision, each of which may be an image."""
        return len(revision_entries(self._repo, self._revision))

    def trail(
        self, path: str, commit: str, step: Callable[[int], None] = lambda done: None
    ) -> Iterator[SameValue]:
        """The last image that had the value before a commit set it in the image at ``path``, then its source.

        The walk ends at an image if no other one had the value before it. ``commit`` is "" if the value is
        not committed yet. ``path`` is from the top of the repository; paths in the results are those of the
        policy. ``step`` is called with the number of images searched.
        """
        visited = {path}
        is_uncommitted, commit = not commit, commit or self._revision
        for _ in range(MOST_STEPS):
            source = self._source(commit, is_uncommitted, visited, step)
            if source is None:
                return
            same, node_path = source
            yield same
            if same.is_together:
                return
            visited.add(node_path)
            is_uncommitted, commit = False, same.origin.id

    def _source(
        self, commit: str, is_uncommitted: bool, visited: set[str], step: Callable[[int], None]
    ) -> tuple[SameValue, str] | None:
        """Of the images with the value at a commit, the last to get it, if possible before the commit."""
        commits = read_history(self._repo, commit)
        candidates: list[HistoryNode] = []
        entries = revision_entries(self._repo, commit)
        for done, path in enumerate(sorted(entries)):
            step(done)
            if path in visited or not self._has_value(path, entries[path].blob):
                continue
            graph = HistoryGraph(commits, path)
            node = graph.start(path)
            if node is not None and self._has_value(path, node.blob):
                candidates.append(self._set_at(graph, node))
        if not candidates:
            return None
        before = [node for node in candidates if node.commit or is_uncommitted]
        nearest = min(before or candidates, key=lambda node: (node.commit, node.path))
        others = len(candidates) - 1
        same = SameValue(self._name(nearest.path), _origin(commits[nearest.commit]), not before, others)
        return same, nearest.path

    def _set_at(self, graph: HistoryGraph, node: HistoryNode) -> HistoryNode:
        """The image in the commit that set the value: no parent of this commit has it."""
        while True:
            parents = graph.parents(node)
            same = next((parent for parent in parents if self._has_value(parent.path, parent.blob)), None)
            if same is None:
                return node
            node = same

    def _name(self, path: str) -> str:
        """The path from the policy's folder."""
        return path.removeprefix(f"{self._folder}/") if self._folder else path

    def _holds(self, path: str, blob: str) -> bool:
        """Whether a content has the same number in the cell, at the same breakpoints and read alike."""
        assignment = assignment_of_named(self._workspace.policy, self._name(path))
        if assignment is None:
            return False
        try:
            data = resolve_pointer(self._repo, read_blob(self._repo, blob))
        except OSError:
            return False
        loaded = self._loader.choose_definition(assignment, data)
        table = None if loaded is None else loaded.definition.tables.get(self._grid.table.name)
        if loaded is None or table is None or table.name not in loaded.layout.table_items:
            return False
        if self._form_of(loaded.file.path, table) != self._form:
            return False
        memory = loaded.definition.memory
        try:
            image = read_image(data, memory, assignment.start)
        except DamagedError:
            return False
        if identity_mismatch(image, memory) or size_problem(image, memory):
            return False
        grid = decode(make_table_layout(loaded.definition, table), image).grid(table)
        x, y = self._cell
        return bool(same_cells(grid, self._grid)[y, x])

    def _form_of(self, definition: str, table: Table) -> bytes:
        loaded = self._loader.load(definition).loaded
        assert loaded is not None  # it was chosen for an image
        return table_form(loaded.definition, table)


def _origin(commit: LoggedCommit) -> Origin:
    return Origin(
        commit.id,
        commit.author,
        commit.email,
        commit.authored,
        commit.subject,
        not commit.parents,
        commit.own_email,
    )
