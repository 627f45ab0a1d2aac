"""Finds the definition that fits an image of unknown software, and the distance of the others from it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from callint.checking.identity import count_held_bytes
from callint.checking.loading import ImageLoader
from callint.decoding.checksums import expected_value, stored_value
from callint.decoding.coverage import Flags, is_described, memory_bytes
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import Identity, Memory
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.policy import Policy
from callint.reading.definition_sniff import begins_as_definition, looks_like_definition
from callint.reading.images import read_image_file
from callint.reading.tree import Tree

#: The content of an image contradicts a definition if a smaller share of the axes rises, or a smaller share
#: of the tables lies within limits. A rework has single mistakes; with the definition of another software,
#: most axes do not rise (measured on the demo).
LEAST_SHARE = 0.9
#: The largest file in a repository that may be a definition; the policy may name larger ones.
_LARGEST_DEFINITION = 16 * 2**20
#: The largest number of definition files that are looked for.
_MOST_DEFINITIONS = 1000


@dataclass(frozen=True, slots=True)
class Tally:
    """The number of checks of one kind that hold, and the number of checks that could be made."""

    right: int
    total: int

    @property
    def wrong(self) -> int:
        return self.total - self.right

    @property
    def is_likely(self) -> bool:
        """Whether enough of the checks hold, or no check could be made."""
        return self.right >= LEAST_SHARE * self.total


@dataclass(frozen=True, slots=True)
class IdentityFit:
    """The bytes of an image at the place of an identity; ``stored`` is None if the image lacks them."""

    identity: Identity
    stored: bytes | None

    @property
    def differing(self) -> tuple[int, ...]:
        """The addresses of the bytes that differ."""
        if self.stored is None:
            return ()
        pairs = zip(self.stored, self.identity.content, strict=True)
        return tuple(self.identity.at + n for n, (stored, wanted) in enumerate(pairs) if stored != wanted)


@dataclass(frozen=True, slots=True)
class DefinitionFit:
    """The fit of an image to a definition.

    ``expected_size`` is the size of the memory, and ``size`` the number of its bytes that the image holds.
    ``start`` is the address of the first byte of a raw image of part of the memory, None for any other image.
    ``likeness`` is the share of the described bytes that equal the base at ``base``; None without a base of
    this definition.
    """

    definition: str
    identities: tuple[IdentityFit, ...]
    size: int
    expected_size: int
    is_part: bool
    start: int | None
    regions: Tally
    checksums: Tally
    axes: Tally
    tables: Tally
    base: str = ""
    likeness: float | None = None

    @property
    def size_fits(self) -> bool:
        return self.size > 0 if self.is_part else self.size == self.expected_size

    @property
    def contradicted(self) -> tuple[IdentityFit, ...]:
        """The identities that the image contradicts."""
        return tuple(item for item in self.identities if item.differing)

    @property
    def fits(self) -> bool:
        """Whether identity, size and content fit the definition; a stale checksum is not evidence."""
        is_right = not self.contradicted and self.size_fits
        return is_right and self.axes.is_likely and self.tables.is_likely and self._is_proven

    @property
    def _is_proven(self) -> bool:
        """Whether there is evidence for the definition, and not only none against it."""
        return any(item.stored is not None for item in self.identities) or self.axes.total > 0

    @property
    def checks(self) -> Tally:
        """All checks: each identity, the size, each checksum, each axis and each table with limits."""
        known = [item for item in self.identities if item.stored is not None]
        tallies = (
            Tally(sum(not item.differing for item in known), len(known)),
            Tally(int(self.size_fits), 1),
            self.checksums,
            self.axes,
            self.tables,
        )
        return Tally(sum(tally.right for tally in tallies), sum(tally.total for tally in tallies))

    @property
    def distance(self) -> tuple[float, float, int]:
        """The sort key of candidates: failing checks, difference from the base, differing identity bytes."""
        checks = self.checks
        unlike = 1.0 if self.likeness is None else 1.0 - self.likeness
        differing = sum(len(item.differing) for item in self.identities)
        return checks.wrong / max(checks.total, 1), unlike, differing


@dataclass(frozen=True, slots=True)
class Identification:
    """All definitions by which an image was read, most likely first."""

    image: str
    candidates: tuple[DefinitionFit, ...]

    @property
    def fitting(self) -> tuple[DefinitionFit, ...]:
        return tuple(fit for fit in self.candidates if fit.fits)


def definition_paths(policy: Policy, tree: Tree) -> tuple[str, ...]:
    """The policy's definitions, and all files of the tree that begin as a definition does."""
    named = list(policy.definitions)
    paths = [path for path in tree.paths() if path.lower().endswith(".xml") and path not in named]
    for path, size in tree.sizes(paths).items():
        if size > _LARGEST_DEFINITION:
            continue
        try:
            data = tree.read(path)
        except OSError:
            continue
        if begins_as_definition(data) and looks_like_definition(data):
            named.append(path)
            if len(named) > _MOST_DEFINITIONS:
                raise InputError(
                    f"more than {_MOST_DEFINITIONS:,} files are definitions; name those to try "
                    "with --definition"
                )
    return tuple(named)


def identify(
    name: str, data: bytes, definitions: Iterable[LoadedDefinition], policy: Policy, loader: ImageLoader
) -> Identification:
    """The fit of an image file to each definition. Raises DamagedError for wrong records."""
    fits = []
    for loaded in definitions:
        starts = [entry.start for entry in policy.images if loaded.file.path in entry.definitions]
        fit, image = min(
            (_fit(loaded, data, start) for start in _starts(data, loaded.definition.memory, starts)),
            key=lambda pair: (not pair[0].fits, pair[0].distance),
        )
        fits.append(_with_base(fit, image, loaded, policy, loader))
    return Identification(name, tuple(sorted(fits, key=lambda fit: (not fit.fits, fit.distance))))


def _starts(data: bytes, memory: Memory, starts: Sequence[int | None]) -> list[int | None]:
    """The possible starts of a raw file of part of the memory: by the policy, or regions of its size."""
    regions = [region.start for region in memory.regions if region.size == len(data) != memory.size]
    return list(dict.fromkeys([*starts, *regions])) or [None]


def _fit(loaded: LoadedDefinition, data: bytes, start: int | None) -> tuple[DefinitionFit, Image]:
    memory = loaded.definition.memory
    file = read_image_file(data, memory, start)
    image = file.image
    sums = [(stored_value(checksum, image), expected_value(checksum, image)) for checksum in memory.checksums]
    known = [stored == value for stored, value in sums if stored is not None and value is not None]
    axes, tables = _content(loaded, image)
    held = [
        image.count_bytes(region.start, region.start + region.size) == region.size
        for region in memory.regions
    ]
    fit = DefinitionFit(
        definition=loaded.file.path,
        identities=tuple(
            IdentityFit(item, image.read(item.at, len(item.content))) for item in memory.identities
        ),
        size=count_held_bytes(image, memory) if image.is_part else image.size,
        expected_size=memory.size,
        is_part=image.is_part,
        start=start if image.is_part and file.records is None else None,
        regions=Tally(sum(held), len(held)),
        checksums=Tally(sum(known), len(known)),
        axes=axes,
        tables=tables,
    )
    return fit, image


def _content(loaded: LoadedDefinition, image: Image) -> tuple[Tally, Tally]:
    """The axes that rise or fall throughout, and the tables whose values lie within their limits.

    Items that the image does not hold, and tables without limits, are not counted.
    """
    layout = loaded.layout
    if not layout.items:
        return Tally(0, 0), Tally(0, 0)
    with np.errstate(all="ignore"):
        decoded = loaded.decoded(image)
        held = np.logical_and.reduceat(decoded.present, layout.first[:-1])
        rising = total = 0
        for item in layout.axis_items.values():
            steps = np.diff(decoded.of_item(decoded.physical, item).ravel())
            if held[item] and steps.size:
                total += 1
                rising += bool((steps > 0).all() or (steps < 0).all())
        outside = np.zeros(len(layout.items), bool)
        outside[layout.item[decoded.cells_outside(*layout.limits, layout.raw_limits)]] = True
        limited = np.zeros(len(layout.items), bool)
        for name, item in layout.table_items.items():
            limited[item] = loaded.definition.tables[name].demands.limits is not None
        limited &= held
    return Tally(rising, total), Tally(int((limited & ~outside).sum()), int(limited.sum()))


def _with_base(
    fit: DefinitionFit, image: Image, loaded: LoadedDefinition, policy: Policy, loader: ImageLoader
) -> DefinitionFit:
    """The fit, with the share of described bytes that equal the most similar base of the definition."""
    memory = loaded.definition.memory
    described = is_described(loaded, memory.start, memory.end)
    best = fit
    for entry in policy.images:
        if fit.definition not in entry.definitions:
            continue
        for path in entry.bases:
            base = loader.bases.read(path, memory, entry.start).image
            if base is None or any(
                base.read(item.at, len(item.content)) != item.content for item in memory.identities
            ):
                continue
            share = _likeness(image, base, memory, described)
            if share is not None and (best.likeness is None or share > best.likeness):
                best = replace(fit, base=path, likeness=share)
    return best


def _likeness(image: Image, base: Image, memory: Memory, described: Flags) -> float | None:
    """The share of the described bytes of two images that are equal; None if they share none."""
    first, second = memory_bytes(image, memory), memory_bytes(base, memory)
    both = described & (first >= 0) & (second >= 0)
    return float((first == second)[both].mean()) if both.any() else None
