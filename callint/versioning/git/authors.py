"""Authors of commits, with ``.mailmap`` applied."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.versioning.git.config import may_have_section
from callint.versioning.git.process import GitError, output
from callint.versioning.git.remembered import remembered
from callint.versioning.git.repository import Repo, run_git


@dataclass(frozen=True, slots=True)
class Person:
    """An author as git knows them.

    ``own_email`` is the e-mail before ``.mailmap`` maps it, "" if unknown.
    """

    name: str
    email: str
    own_email: str = ""

    def is_same(self, other: Person) -> bool:
        """Whether both are the same person: by e-mail, or by name if either has no e-mail.

        A mailmap can only join two identities, never split one, because a branch could add a mailmap that
        splits a person in two. So equal unmapped e-mails are always the same person.
        """
        if self.own_email and self.own_email.casefold() == other.own_email.casefold():
            return True
        if self.email and other.email:
            return self.email.casefold() == other.email.casefold()
        return self.name.casefold() == other.name.casefold()


def current_author(folder: Path) -> Person:
    """The author that git would give a commit made in a folder, which need not be in a repository.

    ``git commit --author`` passes the author to its hooks in the environment. Raises InputError if git has no
    author.
    """
    try:
        identity = os.fsdecode(output(["var", "GIT_AUTHOR_IDENT"], folder))
    except GitError:
        identity = ""
    # The time and zone at the end are not part of the person.
    match = re.fullmatch(r"(.*?) ?<([^<>]*)> \d+ [+-]\d+", identity.strip())
    if not match or not match[1].strip():
        raise InputError("git: it does not know who you are; set user.name and user.email with git config")
    email = match[2].strip()
    return Person(match[1].strip(), email, email)


def mailmapped(repo: Repo, person: Person) -> Person:
    """A person after ``.mailmap``, as in the log."""
    if not person.email:
        return person  # git rejects a contact without an e-mail
    arguments = (*mailmap_options(repo), "check-mailmap", "--", f"{person.name} <{person.email}>")
    name, _, email = run_git(repo, *arguments).strip().removesuffix(">").rpartition("<")
    return Person(name.strip(), email, person.own_email)


def mailmap_options(repo: Repo) -> tuple[str, ...]:
    """Options that keep git from reading any file as a mailmap that the repository's own settings name."""
    return remembered("mailmap", repo.working_dir, lambda: _mailmap_options(repo))


def _mailmap_options(repo: Repo) -> tuple[str, ...]:
    if not may_have_section(repo, "mailmap"):
        return ()
    try:
        scope, _, _ = run_git(repo, "config", "--show-scope", "--null", "--get", "mailmap.file").split("\0")
    except InputError:
        return ()
    return ("-c", "mailmap.file=") if scope in ("local", "worktree") else ()
