"""The releases and the versions of images that callint knows: on disk, and in the history."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.tree import require_inside_repository
from callint.reading.workspace import Workspace
from callint.versioning.git.log import ALL, LoggedCommit, read_history
from callint.versioning.git.repository import Repo, folder_of, open_repository
from callint.versioning.image_versions import ImageVersion, image_versions
from callint.versioning.releases import (
    KnownRelease,
    release_beside,
    releases_in_folder,
    releases_in_history,
)
from callint.versioning.verification import KnownImages


def find_known_images(
    workspace: Workspace,
    folders: Sequence[str],
    image: Path,
    size: int,
    warn: Callable[[str], None],
) -> KnownImages:
    """All releases and versions that can be found; each manifest once, those on disk first.

    ``folders`` are further folders of releases, ``image`` is the file that is looked for, with ``size``
    bytes. ``warn`` is called with a line about each broken manifest. InputError if a folder does not exist.
    """
    repo, commits = _history(workspace)
    folder = "" if repo is None else folder_of(repo, workspace.root)
    releases: dict[bytes, KnownRelease] = {}
    for known in _releases(workspace, folders, image, warn, repo, commits):
        first = releases.setdefault(known.manifest, known)
        if known.signatures and not first.signatures:
            releases[known.manifest] = known  # a copy without the signature says less
        elif known is not first:
            both = dict.fromkeys((*first.signatures, *known.signatures))
            releases[known.manifest] = replace(first, signatures=tuple(both))
    versions: list[ImageVersion] = []
    if repo is not None:
        sizes = {size, *(known.release.memory.size for known in releases.values())}
        versions = image_versions(repo, commits, workspace.policy, folder, sizes)
    order = {commit.id: number for number, commit in enumerate(commits)}
    newest_first = sorted(releases.values(), key=lambda known: order.get(known.release.commit.id, len(order)))
    return KnownImages(repo, newest_first, versions)


def _history(workspace: Workspace) -> tuple[Repo | None, list[LoggedCommit]]:
    try:
        repo = open_repository(workspace.root, bare=True)
    except InputError:
        return None, []
    return repo, read_history(repo, *ALL)


def _releases(
    workspace: Workspace,
    folders: Sequence[str],
    image: Path,
    warn: Callable[[str], None],
    repo: Repo | None,
    commits: list[LoggedCommit],
) -> Iterator[KnownRelease]:
    for name in folders:
        folder = Path(name)
        if not folder.is_dir():
            raise InputError(f"--releases {name}: it is not a folder; check the path")
        require_inside_repository(folder, name)
        yield from releases_in_folder(folder, name, warn)
    if image.is_file():
        label = "" if image.parent == Path() else image.parent.as_posix()
        yield from release_beside(image, label, warn)
    if repo is not None:
        if repo.working_tree_dir is not None:
            yield from releases_in_folder(workspace.root, "", warn)
        yield from releases_in_history(repo, commits)
