"""callint verify."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import click

from callint import fmt
from callint.cli.image_loading import read_content
from callint.cli.options import as_options
from callint.cli.progress import progress
from callint.cli.read_back import parse_address, place_read_back
from callint.model.errors import InputError
from callint.reading.tree import require_inside_repository
from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.git.log import ALL, LoggedCommit, read_history
from callint.versioning.git.repository import Repo, folder_of, open_repository
from callint.versioning.image_versions import ImageVersion, image_versions
from callint.versioning.releases import (
    KnownRelease,
    release_beside,
    releases_in_folder,
    releases_in_history,
)
from callint.versioning.verification import KnownImages, Verification, exact_matches, verify

#: From this number of known images on, a progress bar is useful.
_LONG = 200


@dataclass(frozen=True, slots=True)
class VerifyOptions:
    """The arguments and options of callint verify."""

    image: str
    folders: tuple[str, ...]
    signed: bool
    start: str | None
    definition: str | None
    policy: str | None
    form: str
    everything: bool


@click.command()
@click.argument("image")
@click.option(
    "--releases",
    "folders",
    multiple=True,
    metavar="DIR",
    help="Folder of releases, besides those of the repository; can be repeated.",
)
@click.option("--signed", is_flag=True, help="Demand a release with a good signature.")
@click.option("--start", metavar="ADDRESS", help="Address of the first byte of a raw IMAGE.")
@click.option("--definition", metavar="FILE", help="Definition file of IMAGE (default: the one that fits).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="Show every changed cell.")
@as_options(VerifyOptions)
def command(options: VerifyOptions) -> int:
    """Say which release IMAGE is, such as one that was read out of an engine.

    callint looks for the content of IMAGE, whatever its format and name: in the releases beside IMAGE, in
    DIR, in the working tree and in every commit, and then among all versions of all images in the history.
    If none has it, callint shows how IMAGE differs from the nearest one.

    IMAGE can hold a part of the memory. Its bytes are then compared with those of the releases.

    Exits with 0 if IMAGE is a release, if each signature of that is good, and if every file of it is as its
    manifest states. Otherwise exits with 1.
    """
    start = None if options.start is None else parse_address(options.start)
    workspace = open_workspace(options.policy)
    content = read_content(workspace, options.image)
    read_back = None
    if options.definition is not None:
        read_back = place_read_back(workspace, content, options.definition, start)
    known = _known_images(workspace, options, len(content.data))
    matches = exact_matches(content.data, known)
    if matches:
        result = Verification(content.name, len(known.releases), len(known.versions), tuple(matches))
        beyond = 0
    else:
        read_back = read_back or place_read_back(workspace, content, None, start)
        total = len(known.releases) + len(known.versions)
        with progress("comparing", total, _LONG) as step:
            result = verify(content.name, read_back.image, read_back.loaded, known, step)
        beyond = read_back.beyond
    if options.form == "json":
        from callint.reporting.verification.json import verification_document

        document = verification_document(result, signed=options.signed)
        sys.stdout.write(json.dumps(document, indent=1, allow_nan=False) + "\n")
    else:
        from callint.reporting.terminal import console
        from callint.reporting.verification.text import print_verification

        print_verification(result, console(sys.stdout), everything=options.everything, signed=options.signed)
    if beyond:
        last = fmt.count(beyond, "byte")
        _warn(f"{content.name}: callint does not compare the last {last}, after the end of the memory")
    return int(not result.is_verified(signed=options.signed))


def _known_images(workspace: Workspace, options: VerifyOptions, size: int) -> KnownImages:
    """All releases and versions; each manifest once, those on disk first."""
    repo, commits = _history(workspace)
    folder = "" if repo is None else folder_of(repo, workspace.root)
    releases: dict[bytes, KnownRelease] = {}
    for known in _releases(workspace, options, repo, commits):
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
    workspace: Workspace, options: VerifyOptions, repo: Repo | None, commits: list[LoggedCommit]
) -> Iterator[KnownRelease]:
    for name in options.folders:
        folder = Path(name)
        if not folder.is_dir():
            raise InputError(f"--releases {name}: it is not a folder; check the path")
        require_inside_repository(folder, name)
        yield from releases_in_folder(folder, name, _warn)
    image = Path(options.image)
    if image.is_file():
        label = "" if image.parent == Path() else image.parent.as_posix()
        yield from release_beside(image, label, _warn)
    if repo is not None:
        if repo.working_tree_dir is not None:
            yield from releases_in_folder(workspace.root, "", _warn)
        yield from releases_in_history(repo, commits)


def _warn(text: str) -> None:
    sys.stderr.write(f"callint: {fmt.clean(text)}\n")
