"""Policies: the definitions and bases of images, severities, and waivers."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

from callint.reading.workspace import Workspace, open_workspace
from callint.rules.registry import refuse_unknown_rules


@dataclass(frozen=True, eq=False)
class CheckPolicy:
    """A ``callint.toml`` and its folder, from which its paths count."""

    workspace: Workspace = field(repr=False)

    @property
    def path(self) -> str:
        """The policy's path from its own folder."""
        return self.workspace.policy.path


def load_policy(path: str | os.PathLike[str]) -> CheckPolicy:
    """Read a policy; InputError if it is unreadable or invalid, or names rules that do not exist."""
    workspace = open_workspace(os.fspath(path))
    refuse_unknown_rules(workspace.policy)
    return CheckPolicy(workspace)
