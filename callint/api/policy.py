"""Policies: which images belong to what, how severe a finding is, and what is waived."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

from callint.reading.workspace import Workspace, open_workspace
from callint.rules.registry import refuse_unknown_rules


@dataclass(frozen=True, eq=False)
class CheckPolicy:
    """A ``callint.toml`` and its folder, from which the paths in it are meant."""

    workspace: Workspace = field(repr=False)

    @property
    def path(self) -> str:
        """The policy's path from its own folder."""
        return self.workspace.policy.path


def load_policy(path: str | os.PathLike[str]) -> CheckPolicy:
    """Read a policy; InputError where it cannot be read, is not valid, or names rules that do not exist."""
    workspace = open_workspace(os.fspath(path))
    refuse_unknown_rules(workspace.policy)
    return CheckPolicy(workspace)
