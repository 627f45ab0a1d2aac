"""Files that the command line names, on disk or at a revision, and the workspace for them."""

from __future__ import annotations

from pathlib import Path

from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.file_version import Content


def read_content(workspace: Workspace, name: str) -> Content:
    """A file that the command line names, or a file at a revision (``REV:path``)."""
    if _is_on_disk(name):
        label = workspace.name(name)
        return Content(label, label, workspace.read_required(label))
    from callint.versioning.revisions import content_at  # git is slow to import

    return content_at(workspace, name)


def stored_workspace(*names: str) -> Workspace | None:
    """The workspace of the revision in the first ``REV:path``, for a repository without a policy on disk."""
    for name in names:
        if not _is_on_disk(name):
            from callint.versioning.revisions import workspace_at

            return workspace_at(name.partition(":")[0] or "HEAD")
    return None


def workspace_for(policy: str | None, definition: str | None, *names: str) -> Workspace:
    """The workspace of a policy; without a policy on disk, that of the first revision in the names, if any.

    With a ``definition`` no policy is needed.
    """
    workspace = open_workspace(policy)
    if not workspace.policy.path and definition is None:
        return stored_workspace(*names) or workspace
    return workspace


def _is_on_disk(name: str) -> bool:
    return ":" not in name or Path(name).exists()
