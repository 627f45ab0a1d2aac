"""Who wrote waivers and who made changes, for the commands that check images."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from callint.model.errors import InputError
from callint.reading.tree import Tree
from callint.rules.second_person import AuthorshipCheck, NoAuthorship

if TYPE_CHECKING:  # git is slow to import
    from callint.versioning.commit_authorship import CommitAuthorship


class AuthorshipFactory:
    """Makes the authorship check of one tree after another; all of them share the histories that were read.

    ``newest`` is a revision whose history contains all of the trees, if there are many.
    """

    def __init__(self, newest: str = "") -> None:
        self._newest = newest
        self._authorship: CommitAuthorship | None = None

    def for_tree(self, tree: Tree, policy: str) -> Callable[[], AuthorshipCheck]:
        """A function that makes the check of a tree, when a policy, at a path in the tree, asks for it."""

        def make_check() -> AuthorshipCheck:
            try:
                from callint.versioning.commit_authorship import CommitAuthorship  # git is slow to import
            except InputError:  # git is not installed
                return NoAuthorship()
            if self._authorship is None:
                self._authorship = CommitAuthorship(self._newest)
            return self._authorship.check_for(tree, policy)

        return make_check
