"""Checks that the author of a waiver did not make the change that the waiver covers.

The author of a waiver is the author of the commit that last added the waiver, with all its fields, to the
policy. The authors of a change are those of the commits that last set its cells. Uncommitted changes belong
to the current author. callint trusts the authors that commits name, as git itself does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cached_property

import numpy as np

from callint.model.definition import Text
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.reading.definition_file import normalized
from callint.reading.policy import read_policy
from callint.reading.tree import Tree, WorkingTree, reason
from callint.reading.workspace import Workspace
from callint.rules.context import CheckContext
from callint.rules.second_person import AuthorshipCheck, NoAuthorship, WaiverObjection
from callint.versioning.attribution import Attribution, EndReason, HistoryEnd, Origin
from callint.versioning.git.authors import Person, current_author, mailmapped
from callint.versioning.git.diff import staged_rename_source
from callint.versioning.git.entries import TreeEntry, index_entries
from callint.versioning.git.log import LoggedCommit, read_history, shallow_commits
from callint.versioning.git.objects import read_blob, resolve_pointer
from callint.versioning.git.refs import commit_id, next_parents
from callint.versioning.git.repository import Repo, folder_of, open_repository, top_level
from callint.versioning.git.trees import RevisionTree, StoredTree
from callint.versioning.history import ImageHistory, PresentImage
from callint.versioning.history_graph import HistoryGraph, HistoryNode

_ASK_COLLEAGUE = "Ask a colleague to look at the change and to write the waiver."
_FETCH_COMMITS = "Fetch it, or run the check in a complete clone."


class _UnknownAuthorError(Exception):
    """callint cannot tell the author of a waiver or a change; ``objection`` says why."""

    def __init__(self, why: str, remedy: str) -> None:
        super().__init__(why)
        self.objection = WaiverObjection(f"does not count: {why}", remedy)


class CommitAuthorship:
    """Makes authorship checks; reads each history once.

    ``newest`` is a revision whose history contains all later trees, so that callint reads only that history.
    """

    def __init__(self, newest: str = "") -> None:
        self._newest = newest
        self._logs: list[_CommitLog] = []

    def check_for(self, tree: Tree, policy: str) -> AuthorshipCheck:
        """The check of one state of the files; ``policy`` is the path of the policy in the tree."""
        try:
            state = _FileState.of(tree, policy)
        except InputError:
            return NoAuthorship()
        return _CommitAuthorshipCheck(state, self._log_of(state))

    def waiver_author(self, tree: RevisionTree, policy: str, waiver: Waiver) -> Person | None:
        """The author of the commit that added a waiver to the policy; None if git cannot tell."""
        state = _FileState.of(tree, policy)
        try:
            return _CommitAuthorshipCheck(state, self._log_of(state)).waiver_author(waiver)
        except _UnknownAuthorError:
            return None

    def _log_of(self, state: _FileState) -> _CommitLog:
        if self._newest and not self._logs:
            self._logs.append(_CommitLog(state.repo, self._newest))
        for log in self._logs:
            if log.ids.issuperset(state.heads):
                return log
        self._logs.append(_CommitLog(state.repo, *state.heads))
        return self._logs[-1]


class _CommitLog:
    """All commits in the history of some revisions, and the files in them."""

    def __init__(self, repo: Repo, *revisions: str) -> None:
        self._repo = repo
        self.commits = read_history(repo, *revisions) if revisions else []
        self.ids = {commit.id for commit in self.commits}
        self.shallow = shallow_commits(repo)
        self._graphs: dict[str, HistoryGraph] = {}
        self._waivers: dict[str, frozenset[Waiver]] = {}

    def graph(self, path: str) -> HistoryGraph:
        if path not in self._graphs:
            self._graphs[path] = HistoryGraph(self.commits, path)
        return self._graphs[path]

    def content(self, blob: str) -> bytes:
        try:
            return resolve_pointer(self._repo, read_blob(self._repo, blob))
        except OSError as error:
            why = f"callint could not read an older version: {reason(error)}"
            raise _UnknownAuthorError(why, _FETCH_COMMITS) from None

    def waivers(self, blob: str) -> frozenset[Waiver]:
        """The waivers of a policy without their lines; none if the content is not a policy."""
        if blob not in self._waivers:
            try:
                waivers = read_policy(self.content(blob), "").waivers
            except InputError:
                waivers = ()
            self._waivers[blob] = frozenset(map(_without_line, waivers))
        return self._waivers[blob]


def _without_line(waiver: Waiver) -> Waiver:
    return replace(waiver, line=0)


def _settings(content: bytes) -> Policy | None:
    """The demands of a policy, without its waivers; None if the content is not a policy."""
    try:
        policy = read_policy(content, "")
    except InputError:
        return None
    images = tuple(replace(entry, line=0) for entry in policy.images)
    return replace(policy, waivers=(), images=images)


class _FileState:
    """One state of the files: a commit, the index or the working tree.

    ``heads`` are the ids of that commit, or of the parents of the next commit.
    """

    def __init__(self, repo: Repo, tree: Tree, folder: str, policy: str, commit: str | None) -> None:
        self.repo = repo
        self.tree = tree
        self.policy = policy
        self.is_commit = commit is not None
        self.heads = next_parents(repo) if commit is None else [commit]
        self._folder = folder

    @staticmethod
    def of(tree: Tree, policy: str) -> _FileState:
        """The state that a tree shows; InputError if the tree is not in a git repository."""
        if isinstance(tree, StoredTree):
            commit = commit_id(tree.repo, tree.revision) if isinstance(tree, RevisionTree) else None
            return _FileState(tree.repo, tree, tree.from_top(""), policy, commit)
        if not isinstance(tree, Workspace | WorkingTree):
            raise InputError("these files are not in a git repository; run callint inside one")
        repo = open_repository(tree.root)
        if not tree.root.resolve().is_relative_to(top_level(repo)):
            raise InputError(f"{tree.root}: it lies outside the repository; run callint inside it")
        return _FileState(repo, tree, f"{folder_of(repo, tree.root)}/".lstrip("/"), policy, None)

    def from_top(self, path: str) -> str:
        """A path from the top; _UnknownAuthorError if git does not track the file."""
        full_path = self._folder + path
        if not self.is_commit and full_path not in self._index:
            raise _UnknownAuthorError(f"git does not track {path}", f"git add {path}, and ask a colleague.")
        return full_path

    @cached_property
    def _index(self) -> dict[str, TreeEntry]:
        return index_entries(self.repo)

    @cached_property
    def author(self) -> Person:
        """The author of all uncommitted changes."""
        try:
            return mailmapped(self.repo, current_author(self.repo.working_dir))
        except InputError:
            remedy = "Set user.name and user.email with git config."
            raise _UnknownAuthorError("git does not know who you are", remedy) from None


class _CommitAuthorshipCheck:
    """Compares the authors of waivers and changes, by the commits behind one state of the files."""

    def __init__(self, state: _FileState, log: _CommitLog) -> None:
        self._state = state
        self._log = log
        self._attributions: dict[tuple[str, str], Attribution | None] = {}

    def objection(
        self, waiver: Waiver, finding: Finding, context: CheckContext | None
    ) -> WaiverObjection | None:
        try:
            author = self.waiver_author(waiver)
            if author is None:
                return None
            if any(author.is_same(person) for person in self._change_authors(finding, context)):
                name = author.name or author.email
                return WaiverObjection(f"was written by the author of the change, {name}", _ASK_COLLEAGUE)
        except _UnknownAuthorError as error:
            return error.objection
        return None

    def waiver_author(self, waiver: Waiver) -> Person | None:
        """The author of a waiver; None if the checked state is an older commit without the waiver."""
        content = _without_line(waiver)
        author = self._introducer(self._state.policy, lambda blob: content in self._log.waivers(blob))
        return author if author or self._state.is_commit else self._state.author

    def _change_authors(self, finding: Finding, context: CheckContext | None) -> Iterator[Person]:
        """The authors of the change that a finding is about; none if nothing differs from the base."""
        if finding.policy:
            settings = _settings(self._state.tree.read(finding.policy))
            author = self._introducer(
                finding.policy, lambda blob: _settings(self._log.content(blob)) == settings
            )
            yield author or self._state.author
            return
        if not finding.image or context is None:
            for path in filter(None, (finding.definition, finding.origin)):
                yield self._definition_author(path)
            return
        attribution = self._attribution(finding, context)
        if attribution is None:
            yield self._state.author
            return
        gaps = {end.origin.id: end for end in attribution.ends if end.is_gap}
        indexes = sorted(_origin_indexes(finding, context, attribution))
        if not indexes and not finding.inherited:
            # For bytes outside all cells, such as an identity, the last author of the file counts.
            data = self._state.tree.read(finding.image)
            author = self._introducer(finding.image, lambda blob: self._log.content(blob) == data)
            yield author or self._state.author
        for index in indexes:
            origin = attribution.origins[index]
            if origin.id in gaps:
                raise _gap_error(gaps[origin.id])
            yield _author(origin) if origin.id else self._state.author

    def _definition_author(self, path: str) -> Person:
        """The author of the present content of a definition file."""
        content = normalized(self._state.tree.read(path))
        author = self._introducer(path, lambda blob: normalized(self._log.content(blob)) == content)
        return author or self._state.author

    # Commits

    def _find_nodes(self, path: str) -> tuple[HistoryGraph, list[HistoryNode]]:
        """The history graph of a file, and the file in each head of the state."""
        heads, full_path = self._state.heads, self._state.from_top(path)
        graph = self._log.graph(full_path)
        nodes = [node for head in heads if (node := graph.at(head, full_path))]
        if heads and not nodes and (old := staged_rename_source(self._state.repo, full_path)):
            graph = self._log.graph(old)
            nodes = [node for head in heads if (node := graph.at(head, old))]
        return graph, nodes

    def _introducer(self, path: str, contains: Callable[[str], bool]) -> Person | None:
        """The author of the commit that last added a content to a file; None if no commit has it.

        ``contains`` tests whether a blob has the content.
        """
        graph, nodes = self._find_nodes(path)
        oldest: HistoryNode | None = None
        while node := next((node for node in nodes if contains(node.blob)), None):
            oldest, nodes = node, graph.parents(node)
        if oldest is None:
            return None
        commit = self._log.commits[oldest.commit]
        if commit.id in self._log.shallow:
            raise _shallow_error()
        return _author(commit)

    def _attribution(self, finding: Finding, context: CheckContext) -> Attribution | None:
        """The attribution of a finding's image; None if no commit has the image."""
        key = finding.image, finding.definition
        if key not in self._attributions:
            graph, nodes = self._find_nodes(finding.image)
            self._attributions[key] = self._attribute(graph, nodes, finding, context) if nodes else None
        return self._attributions[key]

    def _attribute(
        self, graph: HistoryGraph, nodes: list[HistoryNode], finding: Finding, context: CheckContext
    ) -> Attribution:
        newest, *others = nodes
        data = self._state.tree.read(finding.image)
        try:
            is_committed = data == self._log.content(newest.blob)
        except _UnknownAuthorError:
            is_committed = False
        present = PresentImage(data, newest, is_committed, tuple(others), context.start)
        return ImageHistory(self._state.repo, graph, context.layout, present).attribution()


def _author(commit: LoggedCommit | Origin) -> Person:
    """The author of a commit; _UnknownAuthorError if it names no author, as that would match nobody."""
    if not commit.author and not commit.email:
        raise _UnknownAuthorError(
            f"commit {commit.id[:8]} names no author", "Have its author commit the change again."
        )
    return Person(commit.author, commit.email, commit.own_email)


def _origin_indexes(finding: Finding, context: CheckContext, attribution: Attribution) -> set[int]:
    """The indexes of the origins of the subjects of a finding that differ from the base.

    Without a base, all subjects count. If the table equals the base's but the base lacks the finding, another
    difference in the image causes it: then all differing cells count.
    """
    changed = ~context.kept
    text = context.definition.texts.get(finding.table)
    if text is not None:
        return {attribution.texts[text.name]} if _text_differs(text, context) else set()
    indexes: set[int] = set()
    for item in _items(finding, context):
        cells = context.layout.cells(item)
        indexes.update(np.unique(attribution.cells[cells][changed[cells]]).tolist())
    if not indexes and not finding.inherited:
        indexes.update(np.unique(attribution.cells[changed]).tolist())
    return indexes


def _items(finding: Finding, context: CheckContext) -> Iterator[int]:
    """The numbers of the finding's table and of its stored axes, or of the finding's axis."""
    layout = context.layout
    if finding.table in layout.table_items:
        yield layout.table_items[finding.table]
    table = context.definition.tables.get(finding.table)
    for axis in table.axes if table else (finding.table,):
        yield from layout.sources_of(axis)


def _text_differs(text: Text, context: CheckContext) -> bool:
    if context.base is None or context.image is None:
        return True
    return context.base.read(text.at, text.length) != context.image.read(text.at, text.length)


def _gap_error(end: HistoryEnd) -> _UnknownAuthorError:
    if end.reason is EndReason.SHALLOW:
        return _shallow_error()
    return _UnknownAuthorError(end.text or "", _FETCH_COMMITS)


def _shallow_error() -> _UnknownAuthorError:
    return _UnknownAuthorError(
        "the clone is shallow and lacks the commits with the authors", "Run git fetch --unshallow."
    )
