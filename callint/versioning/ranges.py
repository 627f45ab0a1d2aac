"""What a range of revisions changed: two trees, and the images that differ between them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.pointers import AbsentError
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, Tree, reason
from callint.rules.inspection import assignments
from callint.versioning import git
from callint.versioning.staging import Touched, touched

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
    """Two states and what differs between them; ``commit`` is the one that made the difference, if it is one.

    ``folder`` is where the new tree's files lie on disk.
    """

    old: Tree
    new: Tree
    policy: Policy
    touched: Touched
    folder: Path
    commit: git.Commit | None = None

    def from_top(self, path: str) -> str:
        """A path of the trees as git has it, from the top of the repository."""
        return self.new.from_top(path) if isinstance(self.new, git.StoredTree) else path


@dataclass(frozen=True, slots=True)
class Course:
    """The commits from one revision to another, newest first, and how many more there are.

    ``lacking`` of the old revision's commits are not in the new one, which parted from it at ``base``, None
    where they have no commit in common. ``is_backward`` says that the new one is older.
    """

    commits: tuple[git.LoggedCommit, ...]
    more: int
    lacking: int
    base: str | None
    is_backward: bool


def since(root: Path, policy: Policy, tree: Tree, revision: str) -> Span:
    """From a revision to the working tree below ``root``, changes that are not committed included."""
    repo = git.open_repository(root)
    old = git.RevisionTree(repo, revision, git.folder_of(repo, root))
    return _span(old, tree, policy, root)


def between(start: Path, old: str, new: str) -> Span:
    """From one revision to another."""
    repo = git.open_repository(start, bare=True)
    folder = git.policy_folder(repo, start, git.revision_entries(repo, new))
    tree = git.RevisionTree(repo, new, folder)
    return _span(git.RevisionTree(repo, old, folder), tree, _policy(tree, new), _place(repo, start, folder))


def each_commit(start: Path, old: str, new: str) -> Iterator[Span]:
    """Every commit between two revisions against its first parent, oldest first."""
    repo = git.open_repository(start, bare=True)
    folder = git.policy_folder(repo, start, git.revision_entries(repo, new))
    for commit in git.commits_between(repo, old, new):
        tree = git.RevisionTree(repo, commit.id, folder)
        try:
            policy = _policy(tree, commit.id)
        except FileNotFoundError:
            continue  # there was no policy yet, so that nothing was to be checked
        before = git.RevisionTree(repo, commit.parent, folder) if commit.parent else NoFiles()
        yield _span(before, tree, policy, _place(repo, start, folder), commit)


def parse_range(words: str, start: Path) -> tuple[str, str]:
    """The two revisions of ``A..B``, or of ``A...B``: B since it parted from A.

    InputError for anything else.
    """
    dots = "..." if "..." in words else ".."
    old, found, new = words.partition(dots)
    if not found or not old or new.startswith("."):
        raise InputError(f"{words}: it is no range; write A..B, two revisions with two dots between them")
    new = new or "HEAD"
    return (old, new) if dots == ".." else (parted(start, old, new), new)


def parted(start: Path, old: str, new: str) -> str:
    """The commit from which two revisions parted; InputError where they have none in common."""
    base = git.merge_base(git.open_repository(start, bare=True), old, new)
    if base is None:
        raise InputError(f"{old}...{new}: they have no commit in common; compare them with two dots")
    return base


def course(start: Path, old: str, new: str) -> Course:
    """How the second of two revisions comes from the first."""
    repo = git.open_repository(start, bare=True)
    commits, total = git.newest_between(repo, old, new, _MOST_COMMITS)
    _, lacking = git.newest_between(repo, new, old, 0)
    base = git.merge_base(repo, old, new) if lacking else None
    return Course(tuple(commits), total - len(commits), lacking, base, lacking > 0 and total == 0)


def _place(repo: git.Repo, start: Path, folder: str) -> Path:
    return start if repo.working_tree_dir is None else git.top_level(repo) / folder


def _policy(tree: git.RevisionTree, revision: str) -> Policy:
    try:
        return read_policy(tree.read(POLICY), POLICY)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise InputError(f"{revision}:{POLICY}: {reason(error)}") from None


def _span(old: Tree, new: Tree, policy: Policy, folder: Path, commit: git.Commit | None = None) -> Span:
    named = {policy.path}
    for one in assignments(policy, new):
        named |= {one.image, *one.definitions, *one.bases}
    changed = {path for path in named - {""} if _differs(old, new, path)}
    return Span(old, new, policy, touched(policy, new, changed), folder, commit)


def _differs(old: Tree, new: Tree, path: str) -> bool:
    """Whether a file differs between two trees; stored files are told apart by their blobs' ids alone."""
    if isinstance(old, git.StoredTree) and isinstance(new, git.StoredTree):
        return old.blob(path) != new.blob(path)
    return _content(old, path) != _content(new, path)


def _content(tree: Tree, path: str) -> bytes | str:
    try:
        return tree.read(path)
    except AbsentError as error:
        return error.pointer.oid
    except OSError as error:
        return reason(error)
