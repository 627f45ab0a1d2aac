"""Identifies an image as a release, or finds the nearest release, by content alone.

callint looks for the content in all releases first, then among all versions in the history, and compares
cells only if the content is unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from callint.comparing.compare import compare
from callint.decoding.decode import decode
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.change import ChangeSet
from callint.model.definition import Purpose
from callint.model.image import Image
from callint.model.release import ReleasedCommit
from callint.reading.images import DamagedError, read_image, read_image_file
from callint.versioning import signatures
from callint.versioning.git.blob_reader import blob_id
from callint.versioning.git.objects import blobs_in_commits, read_blob, resolve_pointer
from callint.versioning.git.repository import Repo
from callint.versioning.image_distance import Distance, DistanceMeter
from callint.versioning.image_versions import ImageVersion
from callint.versioning.releases import KnownRelease, releases_of
from callint.versioning.signatures import SignatureCheck, Trust

Candidate = KnownRelease | ImageVersion

_NO_DISTANCE = Distance(0, 0, 0)


@dataclass(frozen=True, slots=True)
class KnownImage:
    """A release, or a version in the history, with its distance from the image that was read out.

    ``signature`` is None if the release is not signed. ``contradictions`` are clauses about deviations from
    its manifest.
    """

    path: str
    commit: ReleasedCommit
    distance: Distance
    release: KnownRelease | None = None
    signature: SignatureCheck | None = None
    contradictions: tuple[str, ...] = ()

    @property
    def is_sound(self) -> bool:
        """Whether it is a release without contradictions."""
        is_signed_well = self.signature is None or self.signature.trust is Trust.GOOD
        return self.release is not None and is_signed_well and not self.contradictions


@dataclass(frozen=True, slots=True)
class Difference:
    """The change from the nearest known image to the one that was read out."""

    changes: ChangeSet
    old: Image
    new: Image
    definition: str


@dataclass(frozen=True, slots=True)
class Verification:
    """The identity of an image: ``matches`` have its content, releases first; without any, ``nearest``.

    ``is_complete`` is True if the image holds every cell of the definition; ``incomplete_tables`` are the
    tables with missing cells. ``releases`` and ``versions`` are the numbers of known ones, ``unreadable`` the
    number of those whose image could not be read, and ``total_cells`` the number of cells of the definition.
    ``surplus`` is the number of erased bytes of a raw file beyond the memory, negative if the file ends
    before the memory.
    """

    image: str
    releases: int
    versions: int
    matches: tuple[KnownImage, ...] = ()
    nearest: KnownImage | None = None
    difference: Difference | None = None
    is_complete: bool = True
    unreadable: int = 0
    incomplete_tables: tuple[str, ...] = ()
    surplus: int = 0
    total_cells: int = 0

    def is_verified(self, *, signed: bool) -> bool:
        """Whether the image is a release; with ``signed``, one with a good signature.

        A signature that is not good, or a file that contradicts the manifest, prevents this.
        """
        found = [match for match in self.matches if match.release is not None]
        is_sound = bool(found) and all(match.is_sound for match in found) and self.is_complete
        return is_sound and (not signed or any(match.signature for match in found))


@dataclass(frozen=True, slots=True)
class KnownImages:
    """The releases and versions to compare with; ``repo`` is None outside a repository."""

    repo: Repo | None
    releases: Sequence[KnownRelease]
    versions: Sequence[ImageVersion]

    @property
    def folder(self) -> Path:
        """The folder in which git's settings about signatures are read."""
        return Path.cwd() if self.repo is None else self.repo.working_dir

    def known_release(self, known: KnownRelease, distance: Distance = _NO_DISTANCE) -> KnownImage:
        """A release with the state of its signature: a good one, otherwise the first."""
        checks = [signatures.check(self.folder, known.manifest, item) for item in known.signatures]
        checks.sort(key=lambda check: check.trust is not Trust.GOOD)
        return KnownImage(
            known.release.path,
            known.release.commit,
            distance,
            known,
            checks[0] if checks else None,
            tuple(known.contradictions(self.repo)),
        )


def exact_matches(data: bytes, known: KnownImages) -> list[KnownImage]:
    """The releases with the content of an image file; without any, the version that is the same file."""
    with suppress(DamagedError):
        found = releases_of(data, known.releases)
        if found:
            return [known.known_release(release) for release in found]
    ids = {blob_id(data, digits) for digits in {len(version.blob) for version in known.versions}}
    return [_known_version(version) for version in known.versions if version.blob in ids]


def surplus(data: bytes, match: KnownImage) -> int:
    """The number of bytes of a raw file beyond the memory of a release; negative if the file ends before it.

    It is 0 for a file of records, which may omit erased memory.
    """
    if match.release is None:
        return 0
    release = match.release.release
    file = read_image_file(data, release.memory.memory, release.start)
    return 0 if file.records is not None else len(data) - release.memory.size


def verify(
    name: str,
    image: Image,
    loaded: LoadedDefinition,
    known: KnownImages,
    step: Callable[[int], None] = lambda done: None,
) -> Verification:
    """The identity of an image if no release and no version is the same file.

    ``step`` is called with the number of known images that were compared.
    """
    meter, reader = DistanceMeter(loaded, image), _ImageReader(known, loaded)
    distances: dict[str, Distance] = {}
    candidates: list[tuple[Distance, Candidate]] = []
    everything: list[Candidate] = [*known.releases, *known.versions]
    for done, candidate in enumerate(everything, 1):
        step(done)
        distance = distances.get(reader.key(candidate))
        if distance is None:
            other = reader.read(candidate)
            if other is None:
                continue
            distance = meter.distance(other)
            if key := reader.key(candidate):
                distances[key] = distance
        candidates.append((distance, candidate))
    unreadable = len(everything) - len(candidates)
    result = Verification(name, len(known.releases), len(known.versions), unreadable=unreadable)
    if not candidates:
        return result
    # Of equal distances, the first one counts: releases come before versions, and the newest come first.
    candidates.sort(key=lambda item: item[0])
    equal = [item for item in candidates if item[0].is_equal]
    if equal:
        incomplete = _incomplete_tables(loaded, image)
        if any(isinstance(candidate, KnownRelease) for _, candidate in equal):
            equal = [item for item in equal if isinstance(item[1], KnownRelease)]
        matches = [_known(known, candidate, distance) for distance, candidate in equal]
        whole = [match for match in matches if not match.distance.lacking]
        if whole:
            return replace(result, matches=tuple(whole))
        return replace(
            result, matches=tuple(matches), is_complete=not incomplete, incomplete_tables=incomplete
        )
    distance, candidate = candidates[0]
    nearest = reader.read(candidate)
    assert nearest is not None
    old = meter.aligned(nearest)
    changes = compare(decode(loaded.layout, old), decode(loaded.layout, image))
    return replace(
        result,
        total_cells=loaded.layout.size,
        nearest=_known(known, candidate, distance),
        difference=Difference(changes, old, image, loaded.file.path),
    )


def _incomplete_tables(loaded: LoadedDefinition, image: Image) -> tuple[str, ...]:
    """The tables with cells or breakpoints that an image lacks, protection first."""
    layout, tables, purposes = loaded.layout, loaded.definition.tables, list(Purpose)
    present = decode(layout, image).present
    lacking = [
        name
        for name, table in tables.items()
        if name in layout.table_items
        and not all(
            present[layout.cells(number)].all()
            for number in (
                layout.table_items[name],
                *(number for axis in table.axes for number in layout.sources_of(axis)),
            )
        )
    ]
    return tuple(sorted(lacking, key=lambda name: purposes.index(tables[name].purpose)))


class _ImageReader:
    """Reads the images of releases and versions; distances are computed once for each blob."""

    def __init__(self, known: KnownImages, loaded: LoadedDefinition) -> None:
        self._repo = known.repo
        self._memory = loaded.definition.memory
        self._blobs: dict[tuple[str, str], str] = {}
        if known.repo is not None:
            files = {(item.release.commit.id, item.release.path) for item in known.releases}
            self._blobs = blobs_in_commits(known.repo, files)

    def key(self, candidate: Candidate) -> str:
        """A key that candidates with the same image share; "" if unknown."""
        if isinstance(candidate, ImageVersion):
            return candidate.blob
        return self._blobs.get((candidate.release.commit.id, candidate.release.path), "")

    def read(self, candidate: Candidate) -> Image | None:
        """The image of a candidate; None if it cannot be read, or contradicts its manifest."""
        if isinstance(candidate, ImageVersion):
            with suppress(OSError, DamagedError):
                image = read_image(self._content(candidate.blob), self._memory, candidate.start)
                return image if image.size else None
            return None
        release = candidate.release
        if blob := self.key(candidate):
            with suppress(OSError):
                committed = candidate.image_of(release.image, self._content(blob))
                if committed is not None:
                    return committed
        return candidate.image_of(release.file, candidate.read_file(release.file))

    def _content(self, blob: str) -> bytes:
        assert self._repo is not None
        return resolve_pointer(self._repo, read_blob(self._repo, blob))


def _known(known: KnownImages, candidate: Candidate, distance: Distance) -> KnownImage:
    if isinstance(candidate, KnownRelease):
        return known.known_release(candidate, distance)
    return replace(_known_version(candidate), distance=distance)


def _known_version(version: ImageVersion) -> KnownImage:
    commit = version.commit
    authored = commit.authored
    date = authored.isoformat() if authored else ""
    released = ReleasedCommit(commit.id, commit.author, commit.email, date, commit.subject)
    return KnownImage(version.path, released, _NO_DISTANCE)
