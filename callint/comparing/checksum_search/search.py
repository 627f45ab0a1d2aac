"""Finds stored values that an algorithm gives over a range in all images, and the probability of chance.

Two images of one software give the most evidence: if their bytes differ, a stored checksum differs too.
callint searches for a value at all places whose bytes differ between the images. For a range that is equal in
all images, it searches only beside the range, because fewer contents prove less.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from callint.comparing.checksum_search.bounds import SearchSpace, search_space
from callint.comparing.checksum_search.values import ChecksumFamily, FamilyPlan, families, plans
from callint.decoding.crc_combination import Registers, reflected
from callint.decoding.word_order import unsigned_number
from callint.model.definition import ByteOrder, Checksum, Memory
from callint.model.image import Image

#: A value is reported only if fewer coincidences than this are expected among all that was tried.
MOST_COINCIDENCES = 0.01
_ORDERS = (ByteOrder.BIG, ByteOrder.LITTLE)
#: A range with this number of equal bytes at an end begins or ends in fill.
_FILL = 32
_MULTIPLIER = np.uint64(0x9E3779B97F4A7C15)


@dataclass(frozen=True, slots=True)
class Search:
    """The trials with values of a width: ``tried`` hypotheses, anywhere or only beside the range.

    ``images`` is the number of images with which chance would explain fewer than ``MOST_COINCIDENCES``
    values. ``is_done`` is True if there are that many.
    """

    width: int
    beside: bool
    tried: int
    images: int
    is_done: bool


@dataclass(frozen=True, slots=True)
class FoundChecksum:
    """A checksum that all images confirm.

    ``contents`` is the number of different contents of its range, each of which proves at most ``width``
    bits; ``chance`` is the expected number of coincidences among the ``tried`` hypotheses.
    ``alternatives`` are other ranges that give the same values.
    """

    checksum: Checksum
    width: int
    contents: int
    tried: int
    bits: float
    chance: float
    alternatives: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class ChecksumSearch:
    """The checksums of some images, and what was tried; ``bounds`` is the number of possible borders."""

    bounds: int
    found: tuple[FoundChecksum, ...]
    searches: tuple[Search, ...]


@dataclass(frozen=True, slots=True)
class _Hit:
    family: ChecksumFamily
    variant: int
    first: int
    last: int
    place: int
    order: ByteOrder
    tried: int


def find_checksums(images: Sequence[Image], memory: Memory) -> ChecksumSearch:
    """The checksums that all images confirm, without those stored in their own range; the images differ."""
    space = search_space(list(images), memory)
    all_plans = plans()
    searches: list[Search] = []
    hits: list[_Hit] = []
    pairs = len(space.bounds) * (len(space.bounds) - 1) // 2
    for width in sorted({plan.width for plan in all_plans}):
        of_width = [plan for plan in all_plans if plan.width == width]
        variants = sum(plan.count for plan in of_width)
        places = space.places((width + 7) // 8)
        anywhere = _search(width, False, 2 * pairs * variants * len(places), len(images))
        beside = _search(width, True, 4 * pairs * variants, len(images))
        searches += [anywhere, beside]
        if beside.is_done or anywhere.is_done:
            for plan in of_width:
                hits += _plan_hits(plan, space, places, anywhere, beside)
    return ChecksumSearch(len(space.bounds), _grouped(hits, space), tuple(searches))


def _search(width: int, beside: bool, tried: int, images: int) -> Search:
    needed = 1
    while tried * 2.0 ** (-width * needed) > MOST_COINCIDENCES:
        needed += 1
    return Search(width, beside, tried, needed, needed <= images)


def _plan_hits(
    plan: FamilyPlan, space: SearchSpace, places: NDArray[np.int64], anywhere: Search, beside: Search
) -> list[_Hit]:
    hits = []
    for family in families(plan, space):
        if anywhere.is_done:
            hits += _hits_anywhere(family, space, places, anywhere.tried)
        if beside.is_done:
            hits += _hits_beside(family, space, beside.tried)
    return hits


def stored_values(
    space: SearchSpace, image: int, places: NDArray[np.int64], size: int, order: ByteOrder
) -> Registers:
    """The numbers of ``size`` bytes that an image stores at some offsets."""
    numbers = space.numbers(image)
    values = np.zeros(len(places), np.uint64)
    for byte in range(size):
        shift = 8 * (size - 1 - byte if order is ByteOrder.BIG else byte)
        values |= numbers[places + byte].astype(np.uint64) << np.uint64(shift)
    return values


def _hits_anywhere(
    family: ChecksumFamily, space: SearchSpace, places: NDArray[np.int64], tried: int
) -> list[_Hit]:
    """Ranges whose values differ between the images as the numbers at a place do."""
    size = (family.width + 7) // 8
    changes = _changes(family, family.values)
    is_changed = family.valid & (changes != 0)
    first, last = np.nonzero(is_changed)
    keys = changes[first, last]
    hits = []
    for order in _ORDERS[: 2 if size > 1 else 1]:
        stored = np.array([stored_values(space, n, places, size, order) for n in range(len(space.contents))])
        fitting = (stored <= family.mask).all(axis=0)
        for is_reflected in family.is_reflected:
            numbers = reflected(stored, family.width) if is_reflected else stored
            for sign in (1, -1) if family.is_sum else (1,):
                targets = _changes(family, numbers if sign == 1 else ~numbers & family.mask)
                for pair, target in _equal(keys, np.where(fitting, targets, np.uint64(0))):
                    hits += _confirmed(
                        family, space, int(first[pair]), int(last[pair]), int(places[target]), order, tried
                    )
    return hits


def _changes(family: ChecksumFamily, values: Registers) -> Registers:
    """One number for the differences of the values of all images from those of the first one; 0 for none."""
    total = np.zeros(values.shape[1:], np.uint64)
    for image in range(1, len(values)):
        change = (values[image] - values[0]) & family.mask if family.is_sum else values[image] ^ values[0]
        total = total * _MULTIPLIER + change
    return total


def _equal(keys: Registers, targets: Registers) -> list[tuple[int, int]]:
    """The pairs of indexes of equal numbers, without zeros."""
    order = np.argsort(targets, kind="stable")
    rising = targets[order]
    begin = np.searchsorted(rising, keys, side="left")
    end = np.searchsorted(rising, keys, side="right")
    matches = np.flatnonzero((end > begin) & (keys != 0))
    return [(key, int(order[at])) for key in matches.tolist() for at in range(begin[key], end[key])]


def _confirmed(
    family: ChecksumFamily,
    space: SearchSpace,
    first: int,
    last: int,
    place: int,
    order: ByteOrder,
    tried: int,
) -> list[_Hit]:
    """The variants that give the stored value of each image; none if it is stored in the range."""
    size = (family.width + 7) // 8
    low, high = int(space.bounds[first]), int(space.bounds[last])
    is_absent = not space.present[place : place + size].all()
    if is_absent or (place < high and place + size > low):
        return []
    if any(len(set(content[place : place + size])) == 1 for content in space.contents):
        return []  # fill, or a number of no content
    rows, columns = np.array([first]), np.array([last])
    hits = []
    for variant in range(len(family.variants)):
        for image, content in enumerate(space.contents):
            stored = unsigned_number(content[place : place + size], order)
            if int(family.value_of(variant, image, rows, columns)[0]) != stored:
                break
        else:
            hits.append(_Hit(family, variant, first, last, place, order, tried))
    return hits


def _hits_beside(family: ChecksumFamily, space: SearchSpace, tried: int) -> list[_Hit]:
    """Ranges with their value directly after or before them."""
    size = (family.width + 7) // 8
    bounds, end = space.bounds, len(space.contents[0])
    first, last = np.nonzero(family.valid)
    hits = []
    for is_behind in (True, False):
        at = bounds[last] if is_behind else bounds[first] - size
        inside = (at >= 0) & (at + size <= end)
        rows, columns, places = first[inside], last[inside], at[inside]
        for order in _ORDERS[: 2 if size > 1 else 1]:
            stored = stored_values(space, 0, places, size, order)
            for pair in family.pairs_with(rows, columns, stored):
                place = int(places[pair])
                hits += _confirmed(family, space, int(rows[pair]), int(columns[pair]), place, order, tried)
    return hits


def _bits(hit: _Hit) -> tuple[int, float]:
    """The number of different contents of the range, and the bits that their stored values prove.

    A sum of few or small numbers proves fewer bits than it has, and so does a small change of a sum.
    """
    values = sorted({int(row[hit.first, hit.last]) for row in hit.family.values})
    width, modulus = hit.family.width, hit.family.modulus
    if not hit.family.is_sum:
        return len(values), float(width * len(values))
    first, *others = values
    bits = min(float(width), float(np.log2(1 + first)))
    for value in others:
        change = min((value - first) % modulus, (first - value) % modulus)
        bits += min(float(width), float(np.log2(1 + 2 * change)))
    return len(values), bits


def _grouped(hits: Sequence[_Hit], space: SearchSpace) -> tuple[FoundChecksum, ...]:
    """One checksum by place and algorithm: over the range with the most plausible borders."""
    groups: dict[tuple[object, ...], dict[tuple[int, int], _Hit]] = defaultdict(dict)
    for hit in _without_synonyms(hits):
        _, bits = _bits(hit)
        if hit.tried * 2.0**-bits <= MOST_COINCIDENCES:
            variant = hit.family.variants[hit.variant]
            key = hit.place, hit.order, variant.algorithm, variant.word, variant.complement
            previous = groups[key].get((hit.first, hit.last))
            if previous is None or hit.tried < previous.tried:
                groups[key][hit.first, hit.last] = hit
    found = []
    for group in groups.values():
        first_choice, *others = sorted(group.values(), key=lambda hit: _plausibility(hit, space))
        found.append(_found(first_choice, others, space))
    found = [item for item in found if not _has_empty_bytes(item, found)]
    found.sort(key=lambda item: (item.checksum.stored_at, item.chance, item.checksum.algorithm))
    places = Counter[str]()
    named = []
    for item in found:
        name = item.checksum.name
        places[name] += 1
        suffix = f"_{places[name]}" if places[name] > 1 else ""
        named.append(replace(item, checksum=replace(item.checksum, name=f"{name}{suffix}")))
    return tuple(named)


def _has_empty_bytes(item: FoundChecksum, others: Sequence[FoundChecksum]) -> bool:
    """Whether a sum has zeros in the bytes that a found narrower sum does not have, and so proves no more."""
    mine = item.checksum
    for other in others:
        its, extra = other.checksum, (item.width - other.width) // 8
        at = mine.stored_at + (extra if mine.byte_order is ByteOrder.BIG else 0)
        if (
            extra > 0
            and mine.complement is its.complement is None
            and (its.stored_at, its.start, its.size, its.word) == (at, mine.start, mine.size, mine.word)
            and its.byte_order is mine.byte_order
            and item.bits < other.bits + 1
        ):
            return True
    return False


def _without_synonyms(hits: Sequence[_Hit]) -> list[_Hit]:
    """The hits without those CRCs whose complement is a CRC of the catalogue that fits too."""
    plain = {
        _place(hit) for hit in hits if hit.family.crcs and hit.family.variants[hit.variant].complement is None
    }
    return [
        hit
        for hit in hits
        if hit.family.is_sum
        or hit.family.variants[hit.variant].complement is None
        or _place(hit) not in plain
    ]


def _place(hit: _Hit) -> tuple[int, int, int, int, str]:
    return hit.family.width, hit.first, hit.last, hit.place, hit.order


def _plausibility(hit: _Hit, space: SearchSpace) -> tuple[int, int, int]:
    """The sort key of ranges that give the same values: no fill at an end, plausible borders, long ones."""
    low, high = int(space.bounds[hit.first]), int(space.bounds[hit.last])
    content = space.contents[0][low:high]
    fill = sum(len(set(end)) == 1 for end in (content[:_FILL], content[-_FILL:]))
    ranks = int(space.ranks[hit.first] + space.ranks[hit.last])
    return fill, ranks, low - high


def _found(hit: _Hit, others: Sequence[_Hit], space: SearchSpace) -> FoundChecksum:
    variant = hit.family.variants[hit.variant]
    low, high = int(space.bounds[hit.first]), int(space.bounds[hit.last])
    contents, bits = _bits(hit)
    checksum = Checksum(
        name=f"checksum_{space.start + hit.place:X}",
        algorithm=variant.algorithm,
        start=space.start + low,
        size=high - low,
        stored_at=space.start + hit.place,
        byte_order=hit.order,
        complement=variant.complement,
        word=variant.word if variant.word.type.size > 1 else replace(variant.word, byte_order=hit.order),
        crc=None,
        line=0,
    )
    stretches = tuple(
        (
            space.start + int(space.bounds[other.first]),
            int(space.bounds[other.last] - space.bounds[other.first]),
        )
        for other in others
    )
    chance = hit.tried * 2.0**-bits
    return FoundChecksum(checksum, hit.family.width, contents, hit.tried, bits, chance, stretches)
