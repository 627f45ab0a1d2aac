"""What a range of revisions changes: two trees, and the images that differ between them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.checking.assignments import assigned_and_others, definition_parts
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, Tree, content_or_reason, reason
from callint.versioning.git.entries import revision_entries
from callint.versioning.git.log import Commit, LoggedCommit, commits_between, count_apart, newest_commits
from callint.versioning.git.refs import commit_id, merge_base, merge_bases
from callint.versioning.git.repository import Repo, folder_of, open_repository, top_level
from callint.versioning.git.trees import RevisionTree, StoredTree, policy_folder
from callint.versioning.staging import CheckScope, TreeState, affected_scope, common_scope, state_at

#: The most commits of a range that a report lists.
_MOST_COMMITS = 20


class EmptyTree:
    """The tree before the first commit."""

    def read(self, path: str) -> bytes:
        raise FileNotFoundError(path)

    def paths(self) -> Iterator[str]:
        return iter(())

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        return {}

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        return {}


@dataclass(frozen=True, slots=True)
class Span:
    """A state, the states before it, and the scope that differs between them.

    ``earlier`` is one state, or each parent of a merge. ``commit`` is the commit that made the difference, if
    a single commit did. ``folder`` is the folder of the new tree's files on disk.
    """

    earlier: tuple[TreeState, ...]
    new: Tree
    policy: Policy
    scope: CheckScope
    folder: Path
    commit: Commit | None = None

    @property
    def old(self) -> Tree:
        """The state before, or a merge's first parent; no files before the first commit."""
        return self.earlier[0].tree if self.earlier else EmptyTree()

    def from_top(self, path: str) -> str:
        """A path of the trees as a path from the top of the repository."""
        return self.new.from_top(path) if isinstance(self.new, StoredTree) else path


@dataclass(frozen=True, slots=True)
class Course:
    """The commits from one revision to another, newest first, and the number of further ones.

    The new revision lacks ``lacking`` of the old one's commits. ``base`` is the merge base if it lacks any,
    None if they have no commit in common. ``is_backward`` says that the new revision is the older one.
    """

    commits: tuple[LoggedCommit, ...]
    more: int
    lacking: int
    base: str | None
    is_backward: bool


def since(root: Path, policy: Policy, tree: Tree, revision: str) -> Span:
    """From a revision to the working tree below ``root``, including uncommitted changes."""
    repo = open_repository(root)
    old = state_at(repo, revision, folder_of(repo, root), policy.path)
    return _span([old], tree, policy, root)


def between(start: Path, old: str, new: str) -> Span:
    """From one revision to another."""
    repo = open_repository(start, bare=True)
    folder = policy_folder(repo, start, revision_entries(repo, new))
    tree = RevisionTree(repo, new, folder)
    return _span([state_at(repo, old, folder)], tree, _policy(tree, new), _folder(repo, start, folder))


def each_commit(start: Path, old: str, new: str) -> Iterator[Span]:
    """Every commit between two revisions, oldest first, a merge compared with each of its parents.

    Unless the commits form a straight line without changes of bases, the last span is the one from the old
    revision to the new one. Some changes are in the whole range but in none of its commits: the old revision
    may have fixed something that a merge of an older branch brings back, or a base was removed and returned
    edited.
    """
    repo = open_repository(start, bare=True)
    folder = policy_folder(repo, start, revision_entries(repo, new))
    commits, last = commits_between(repo, old, new), commit_id(repo, old)
    for commit in commits:
        tree = RevisionTree(repo, commit.id, folder)
        try:
            policy = _policy(tree, commit.id)
        except FileNotFoundError:
            continue  # without a policy there was nothing to check yet
        parents = [state_at(repo, parent, folder) for parent in commit.parents]
        yield _span(parents, tree, policy, _folder(repo, start, folder), commit)
    for commit in commits:
        last = commit.id if commit.parents == (last,) else ""
    whole = between(start, old, new)
    if not commits or last != commit_id(repo, new) or _has_other_bases(whole):
        yield whole


def _has_other_bases(span: Span) -> bool:
    """Whether the bases differ, or cannot be looked up, in one of the states before."""
    return any(
        state.policy is None
        or state.policy.bases != span.policy.bases
        or any(_differs(state.tree, span.new, path) for path in span.policy.bases)
        for state in span.earlier
    )


def parse_range(text: str, start: Path) -> tuple[str, str]:
    """The two revisions of ``A..B``; for ``A...B``, the merge base of A and B, and B.

    InputError for anything else.
    """
    dots = "..." if "..." in text else ".."
    old, separator, new = text.partition(dots)
    if not separator or not old or new.startswith("."):
        raise InputError(f"{text}: it is not a range; write A..B, two revisions with two dots between them")
    new = new or "HEAD"
    return (old, new) if dots == ".." else (require_merge_base(start, old, new), new)


def require_merge_base(start: Path, old: str, new: str) -> str:
    """The merge base of two revisions; InputError if they have none, or several."""
    repo = open_repository(start, bare=True)
    bases = merge_bases(repo, old, new)
    if len(bases) > 1:
        raise InputError(
            f"{old}...{new}: they have {len(bases)} merge bases, as each was merged into the other; "
            "compare them with two dots"
        )
    if not bases:
        raise InputError(f"{old}...{new}: they have no commit in common; compare them with two dots")
    return merge_base(repo, old, new) or bases[0]


def course(start: Path, old: str, new: str) -> Course:
    """The commits that lead from the first revision to the second."""
    repo = open_repository(start, bare=True)
    lacking, total = count_apart(repo, old, new)
    commits = newest_commits(repo, old, new, _MOST_COMMITS)
    base = merge_base(repo, old, new) if lacking else None
    return Course(tuple(commits), total - len(commits), lacking, base, lacking > 0 and total == 0)


def _folder(repo: Repo, start: Path, folder: str) -> Path:
    return start if repo.working_tree_dir is None else top_level(repo) / folder


def _policy(tree: RevisionTree, revision: str) -> Policy:
    try:
        return read_policy(tree.read(POLICY), POLICY)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise InputError(f"{revision}:{POLICY}: {reason(error)}") from None


def _span(
    earlier: Sequence[TreeState], new: Tree, policy: Policy, folder: Path, commit: Commit | None = None
) -> Span:
    assigned, others = assigned_and_others(policy, new)
    # On disk, the contents of all other files would have to be read; their sizes tell most of them apart.
    unread = set() if isinstance(new, StoredTree) else set(others)
    paths = {policy.path, *others} - unread
    for assignment in assigned:
        paths |= {assignment.image, *assignment.definitions, *assignment.bases}
    parts = definition_parts(policy.definitions, new).values()
    paths.update(path for files in parts for path in files)
    paths -= {""}
    # An image that equals one parent's, with its definition, bases and policy, was checked in that parent.
    by_parent = [
        affected_scope(
            policy, new, {path for path in paths if _differs(state.tree, new, path)} | (unread - paths)
        )
        for state in earlier
    ]
    scope = common_scope(by_parent) if by_parent else affected_scope(policy, new, paths | unread)
    return Span(tuple(earlier), new, policy, scope, folder, commit)


def _differs(old: Tree, new: Tree, path: str) -> bool:
    """Whether a file differs between two trees; for stored files by blob and mode."""
    if isinstance(old, StoredTree) and isinstance(new, StoredTree):
        return old.entry(path) != new.entry(path)
    return content_or_reason(old, path) != content_or_reason(new, path)
