"""What a range of revisions changed: two trees, and the images that differ between them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.checking.assignments import assignments
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, Tree, content_or_reason, reason
from callint.versioning.git.entries import revision_entries
from callint.versioning.git.log import Commit, LoggedCommit, commits_between, newest_commits
from callint.versioning.git.refs import commit_id, merge_base, merge_bases
from callint.versioning.git.repository import Repo, folder_of, open_repository, top_level
from callint.versioning.git.trees import RevisionTree, StoredTree, policy_folder
from callint.versioning.staging import State, Touched, shared, state_at, touched

#: So many commits of a range are told one by one.
_MOST_COMMITS = 20


class NoFiles:
    """The tree before the first commit."""

    def read(self, path: str) -> bytes:
        raise FileNotFoundError(path)

    def paths(self) -> Iterator[str]:
        return iter(())


@dataclass(frozen=True, slots=True)
class Span:
    """A state, the states before it, and what differs between them.

    ``earlier`` is one state, or each parent of a merge. ``commit`` is the one that made the difference, if it
    is one. ``folder`` is where the new tree's files lie on disk.
    """

    earlier: tuple[State, ...]
    new: Tree
    policy: Policy
    touched: Touched
    folder: Path
    commit: Commit | None = None

    @property
    def old(self) -> Tree:
        """The state before, or a merge's first parent; no files before the first commit."""
        return self.earlier[0].tree if self.earlier else NoFiles()

    def from_top(self, path: str) -> str:
        """A path of the trees as git has it, from the top of the repository."""
        return self.new.from_top(path) if isinstance(self.new, StoredTree) else path


@dataclass(frozen=True, slots=True)
class Course:
    """The commits from one revision to another, newest first, and how many more there are.

    ``lacking`` of the old revision's commits are not in the new one, which parted from it at ``base``, None
    where they have no commit in common. ``is_backward`` says that the new one is older.
    """

    commits: tuple[LoggedCommit, ...]
    more: int
    lacking: int
    base: str | None
    is_backward: bool


def since(root: Path, policy: Policy, tree: Tree, revision: str) -> Span:
    """From a revision to the working tree below ``root``, changes that are not committed included."""
    repo = open_repository(root)
    old = state_at(repo, revision, folder_of(repo, root), policy.path)
    return _span([old], tree, policy, root)


def between(start: Path, old: str, new: str) -> Span:
    """From one revision to another."""
    repo = open_repository(start, bare=True)
    folder = policy_folder(repo, start, revision_entries(repo, new))
    tree = RevisionTree(repo, new, folder)
    return _span([state_at(repo, old, folder)], tree, _policy(tree, new), _place(repo, start, folder))


def each_commit(start: Path, old: str, new: str) -> Iterator[Span]:
    """Every commit between two revisions, oldest first, a merge beside each of its parents.

    The last span is from the old revision to the new one, unless the commits are one straight line that
    leaves the bases alone: what only their sum brings belongs to none of them, such as what the old revision
    had mended and a merge of an older branch brought back, or a base that was removed and came back edited.
    """
    repo = open_repository(start, bare=True)
    folder = policy_folder(repo, start, revision_entries(repo, new))
    commits, last = commits_between(repo, old, new), commit_id(repo, old)
    for commit in commits:
        tree = RevisionTree(repo, commit.id, folder)
        try:
            policy = _policy(tree, commit.id)
        except FileNotFoundError:
            continue  # there was no policy yet, so that nothing was to be checked
        parents = [state_at(repo, parent, folder) for parent in commit.parents]
        yield _span(parents, tree, policy, _place(repo, start, folder), commit)
    for commit in commits:
        last = commit.id if commit.parents == (last,) else ""
    whole = between(start, old, new)
    if not commits or last != commit_id(repo, new) or _has_other_bases(whole):
        yield whole


def _has_other_bases(span: Span) -> bool:
    """Whether a base is not what it was, or cannot be looked up, in one of the states before."""
    return any(
        state.policy is None
        or state.policy.bases != span.policy.bases
        or any(_differs(state.tree, span.new, path) for path in span.policy.bases)
        for state in span.earlier
    )


def parse_range(words: str, start: Path) -> tuple[str, str]:
    """The two revisions of ``A..B``, or of ``A...B``: B since it parted from A.

    InputError for anything else.
    """
    dots = "..." if "..." in words else ".."
    old, found, new = words.partition(dots)
    if not found or not old or new.startswith("."):
        raise InputError(f"{words}: it is not a range; write A..B, two revisions with two dots between them")
    new = new or "HEAD"
    return (old, new) if dots == ".." else (parted(start, old, new), new)


def parted(start: Path, old: str, new: str) -> str:
    """The commit from which two revisions parted; InputError where they have none in common."""
    repo = open_repository(start, bare=True)
    bases = merge_bases(repo, old, new)
    if len(bases) > 1:
        raise InputError(
            f"{old}...{new}: they parted at {len(bases)} commits, as each was merged into the other; "
            "compare them with two dots"
        )
    if not bases:
        raise InputError(f"{old}...{new}: they have no commit in common; compare them with two dots")
    return merge_base(repo, old, new) or bases[0]


def course(start: Path, old: str, new: str) -> Course:
    """How the second of two revisions comes from the first."""
    repo = open_repository(start, bare=True)
    commits, total = newest_commits(repo, old, new, _MOST_COMMITS)
    _, lacking = newest_commits(repo, new, old, 0)
    base = merge_base(repo, old, new) if lacking else None
    return Course(tuple(commits), total - len(commits), lacking, base, lacking > 0 and total == 0)


def _place(repo: Repo, start: Path, folder: str) -> Path:
    return start if repo.working_tree_dir is None else top_level(repo) / folder


def _policy(tree: RevisionTree, revision: str) -> Policy:
    try:
        return read_policy(tree.read(POLICY), POLICY)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise InputError(f"{revision}:{POLICY}: {reason(error)}") from None


def _span(
    earlier: Sequence[State], new: Tree, policy: Policy, folder: Path, commit: Commit | None = None
) -> Span:
    named = {policy.path}
    for one in assignments(policy, new):
        named |= {one.image, *one.definitions, *one.bases}
    named -= {""}
    # An image that stands as in one parent, with all that it is judged by, was judged there.
    by_parent = [
        touched(policy, new, {path for path in named if _differs(state.tree, new, path)}) for state in earlier
    ]
    found = shared(by_parent) if by_parent else touched(policy, new, named)
    return Span(tuple(earlier), new, policy, found, folder, commit)


def _differs(old: Tree, new: Tree, path: str) -> bool:
    """Whether a file differs between two trees; stored files are told apart by their blobs' ids and modes."""
    if isinstance(old, StoredTree) and isinstance(new, StoredTree):
        return old.entry(path) != new.entry(path)
    return content_or_reason(old, path) != content_or_reason(new, path)
