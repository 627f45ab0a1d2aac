"""Whether a waiver is another person's than the change that it covers, by what the commits say.

A waiver is written by the author of the commit that last brought it, in its whole substance, into the policy.
A change is made by the authors of the commits that last set its cells. What is not committed yet is the
present author's. This trusts what commits say of their authors, as git itself does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cached_property

import numpy as np

from callint.model.definition import Text
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.reading.definition_file import normalized
from callint.reading.policy import read_policy
from callint.reading.tree import Tree, WorkingTree, reason
from callint.reading.workspace import Workspace
from callint.rules.context import CheckContext
from callint.rules.second_person import AuthorshipCheck, NoAuthorship, WaiverObjection
from callint.versioning.git.authors import Person, current_author, mailmapped
from callint.versioning.git.diff import staged_rename_source
from callint.versioning.git.entries import TreeEntry, index_entries
from callint.versioning.git.log import LoggedCommit, read_history, shallow_commits
from callint.versioning.git.objects import read_blob, resolve_pointer
from callint.versioning.git.refs import commit_id, next_parents
from callint.versioning.git.repository import Repo, folder_of, open_repository, top_level
from callint.versioning.git.trees import RevisionTree, StoredTree
from callint.versioning.history import (
    SHALLOW,
    Attribution,
    HistoryEnd,
    HistoryGraph,
    HistoryNode,
    ImageHistory,
    Origin,
)

_ASK = "Ask a colleague to look at the change and to write the waiver."


class _UnknownError(Exception):
    """Nobody can tell who did something; the doubt says why."""

    def __init__(self, why: str, remedy: str) -> None:
        super().__init__(why)
        self.doubt = WaiverObjection(f"does not count: {why}", remedy)


class CommitAuthorship:
    """The histories in which waivers and changes are looked up, each read once.

    ``newest`` is a revision whose history holds the trees to come, so that it alone has to be read.
    """

    def __init__(self, newest: str = "") -> None:
        self._newest = newest
        self._read: list[_CommitLog] = []

    def independence(self, tree: Tree, policy: str) -> AuthorshipCheck:
        """Who wrote waivers and made changes, as it is seen from one state of the files.

        ``policy`` is the path of the policy in the tree.
        """
        try:
            state = _State.of(tree, policy)
        except InputError:
            return NoAuthorship()
        return _Commits(state, self._chronicle(state))

    def _chronicle(self, state: _State) -> _CommitLog:
        if self._newest and not self._read:
            self._read.append(_CommitLog(state.repo, self._newest))
        for one in self._read:
            if one.ids.issuperset(state.heads):
                return one
        self._read.append(_CommitLog(state.repo, *state.heads))
        return self._read[-1]


class _CommitLog:
    """All commits of some revisions' history, and where files were in it."""

    def __init__(self, repo: Repo, *revisions: str) -> None:
        self._repo = repo
        self.commits = read_history(repo, *revisions) if revisions else []
        self.ids = {commit.id for commit in self.commits}
        self.shallow = shallow_commits(repo)
        self._lineages: dict[str, HistoryGraph] = {}
        self._waivers: dict[str, frozenset[Waiver]] = {}

    def lineage(self, path: str) -> HistoryGraph:
        if path not in self._lineages:
            self._lineages[path] = HistoryGraph(self.commits, path)
        return self._lineages[path]

    def content(self, blob: str) -> bytes:
        try:
            return resolve_pointer(self._repo, read_blob(self._repo, blob))
        except OSError as error:
            why = f"an older state could not be read: {reason(error)}"
            raise _UnknownError(why, "Fetch it, or check where all commits are.") from None

    def waivers(self, blob: str) -> frozenset[Waiver]:
        """The waivers of a policy, wherever they stand in it; none of one that is no policy."""
        if blob not in self._waivers:
            try:
                found = read_policy(self.content(blob), "").waivers
            except InputError:
                found = ()
            self._waivers[blob] = frozenset(map(_substance, found))
        return self._waivers[blob]


def _substance(waiver: Waiver) -> Waiver:
    return replace(waiver, line=0)


class _State:
    """One state of the files: a commit, the index or the working tree.

    ``heads`` are the commits that it is or builds on.
    """

    def __init__(self, repo: Repo, tree: Tree, folder: str, policy: str, commit: str | None) -> None:
        self.repo = repo
        self.tree = tree
        self.policy = policy
        self.is_commit = commit is not None
        self.heads = next_parents(repo) if commit is None else [commit]
        self._folder = folder

    @staticmethod
    def of(tree: Tree, policy: str) -> _State:
        """The state that a tree is; InputError where git has no part in it."""
        if isinstance(tree, StoredTree):
            commit = commit_id(tree.repo, tree.revision) if isinstance(tree, RevisionTree) else None
            return _State(tree.repo, tree, tree.from_top(""), policy, commit)
        if not isinstance(tree, Workspace | WorkingTree):
            raise InputError("these files are not in a git repository; run callint inside one")
        repo = open_repository(tree.root)
        if not tree.root.resolve().is_relative_to(top_level(repo)):
            raise InputError(f"{tree.root}: it lies outside the repository; run callint inside it")
        return _State(repo, tree, f"{folder_of(repo, tree.root)}/".lstrip("/"), policy, None)

    def whole(self, path: str) -> str:
        """A path from the top; _UnknownError where git does not keep such a file."""
        whole = self._folder + path
        if not self.is_commit and whole not in self._index:
            raise _UnknownError(f"git does not keep {path}", f"git add {path}, and ask a colleague.")
        return whole

    @cached_property
    def _index(self) -> dict[str, TreeEntry]:
        return index_entries(self.repo)

    @cached_property
    def author(self) -> Person:
        """Whoever has done what is not committed yet."""
        try:
            return mailmapped(self.repo, current_author(self.repo.working_dir))
        except InputError:
            remedy = "Set user.name and user.email with git config."
            raise _UnknownError("git does not know who you are", remedy) from None


class _Commits:
    """Who wrote waivers and made changes, by the commits behind one state of the files."""

    def __init__(self, state: _State, chronicle: _CommitLog) -> None:
        self._state = state
        self._chronicle = chronicle
        self._attributions: dict[tuple[str, str], Attribution | None] = {}

    def objection(self, waiver: Waiver, finding: Finding, case: CheckContext) -> WaiverObjection | None:
        try:
            author = self._writer(waiver)
            if author is None:
                return None
            if any(author.is_same(maker) for maker in self._makers(finding, case)):
                name = author.name or author.email
                return WaiverObjection(f"was written by the one who made the change, {name}", _ASK)
        except _UnknownError as unknown:
            return unknown.doubt
        return None

    def _writer(self, waiver: Waiver) -> Person | None:
        """Who wrote a waiver; None where a commit is judged that does not have it, as an older one may."""
        wanted = _substance(waiver)
        found = self._bringer(self._state.policy, lambda blob: wanted in self._chronicle.waivers(blob))
        return found if found or self._state.is_commit else self._state.author

    def _makers(self, finding: Finding, case: CheckContext) -> Iterator[Person]:
        """Who made the change that a finding is about; nobody where all is as in the base."""
        if not finding.image:
            content = normalized(self._state.tree.read(finding.definition))
            found = self._bringer(
                finding.definition, lambda blob: normalized(self._chronicle.content(blob)) == content
            )
            yield found or self._state.author
            return
        attribution = self._attribution(finding, case)
        if attribution is None:
            yield self._state.author
            return
        gaps = {one.origin.id: one for one in attribution.beginnings if one.is_gap}
        setters = sorted(_setters(finding, case, attribution))
        if not setters and not finding.inherited:
            # Bytes that are no cells, as of an identity, are whose last made the image what it is.
            data = self._state.tree.read(finding.image)
            found = self._bringer(finding.image, lambda blob: self._chronicle.content(blob) == data)
            yield found or self._state.author
        for number in setters:
            origin = attribution.origins[number]
            if origin.id in gaps:
                raise _gap(gaps[origin.id])
            yield _person(origin) if origin.id else self._state.author

    # Commits

    def _held(self, path: str) -> tuple[HistoryGraph, list[HistoryNode]]:
        """A file in the commits that the state is or builds on, and its lineage."""
        heads, whole = self._state.heads, self._state.whole(path)
        lineage = self._chronicle.lineage(whole)
        nodes = [node for head in heads if (node := lineage.at(head, whole))]
        if heads and not nodes and (old := staged_rename_source(self._state.repo, whole)):
            lineage = self._chronicle.lineage(old)
            nodes = [node for head in heads if (node := lineage.at(head, old))]
        return lineage, nodes

    def _bringer(self, path: str, has: Callable[[str], bool]) -> Person | None:
        """The author of the commit that last brought something into a file; None where no commit has it."""
        lineage, nodes = self._held(path)
        found: HistoryNode | None = None
        while following := next((node for node in nodes if has(node.blob)), None):
            found, nodes = following, lineage.parents(following)
        if found is None:
            return None
        commit = self._chronicle.commits[found.commit]
        if commit.id in self._chronicle.shallow:
            raise _shallow()
        return _person(commit)

    def _attribution(self, finding: Finding, case: CheckContext) -> Attribution | None:
        """Who set what in an image; None where no commit has it."""
        key = finding.image, finding.definition
        if key not in self._attributions:
            lineage, nodes = self._held(finding.image)
            self._attributions[key] = self._attributed(lineage, nodes, finding, case) if nodes else None
        return self._attributions[key]

    def _attributed(
        self, lineage: HistoryGraph, nodes: list[HistoryNode], finding: Finding, case: CheckContext
    ) -> Attribution:
        newest, *others = nodes
        data = self._state.tree.read(finding.image)
        try:
            is_committed = data == self._chronicle.content(newest.blob)
        except _UnknownError:
            is_committed = False
        history = ImageHistory(
            self._state.repo, lineage, newest, case.layout, data, is_committed, others, case.start
        )
        return history.attribution()


def _person(commit: LoggedCommit | Origin) -> Person:
    """The author of a commit; _UnknownError where it names none, who would be anybody else than everybody."""
    if not commit.author and not commit.email:
        raise _UnknownError(f"commit {commit.id[:8]} names no author", "Have it made again by its author.")
    return Person(commit.author, commit.email, commit.own_email)


def _setters(finding: Finding, case: CheckContext, found: Attribution) -> set[int]:
    """The numbers of the origins of what differs from the base in what a finding is about.

    Without a base that is all of it. Where a table is as in the base and yet has a finding that the base has
    not, something else in the image must be behind it, which may be anything that differs.
    """
    changed = ~case.kept
    text = case.definition.texts.get(finding.table)
    if text is not None:
        return {found.texts[text.name]} if _differs(text, case) else set()
    numbers: set[int] = set()
    for item in _items(finding, case):
        cells = case.layout.cells(item)
        numbers.update(np.unique(found.cells[cells][changed[cells]]).tolist())
    if not numbers and not finding.inherited:
        numbers.update(np.unique(found.cells[changed]).tolist())
    return numbers


def _items(finding: Finding, case: CheckContext) -> Iterator[int]:
    """The table that a finding is about and its stored axes, or the axis, by their numbers."""
    layout = case.layout
    if finding.table in layout.table_items:
        yield layout.table_items[finding.table]
    table = case.definition.tables.get(finding.table)
    for axis in table.axes if table else (finding.table,):
        if axis in layout.axis_items:
            yield layout.axis_items[axis]


def _differs(text: Text, case: CheckContext) -> bool:
    if case.base is None or case.image is None:
        return True
    return case.base.read(text.at, text.length) != case.image.read(text.at, text.length)


def _gap(beginning: HistoryEnd) -> _UnknownError:
    if beginning.words == SHALLOW:
        return _shallow()
    return _UnknownError(beginning.words, "Fetch it, or check where all commits are.")


def _shallow() -> _UnknownError:
    return _UnknownError(
        "the clone is shallow, and lacks the commits that tell who did what",
        "git fetch --unshallow brings them.",
    )
