"""Finds new offsets of items by pointers in both images: runs of addresses of described items.

Software has lists of the addresses of its tables. callint knows neither their place nor the address at which
the processor sees the memory: a run of words is such a list if most of its words, minus one base, are
addresses of items. The same run in the new image is found by the items whose shift is known.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.settle import Best
from callint.comparing.relocation.shared_ranges import Bytes, Integers
from callint.comparing.relocation.units import PlacementUnit

#: The bytes of a pointer, and the multiple of the base: a memory begins at a multiple of 64 KiB.
_SIZE, _BASE_BITS = 4, 16
#: The largest number of bases to try.
_BASES = 3
#: The least number of different items that a run points to, the largest number of words from one pointer to
#: the next, and the least share of pointers among its words.
_FEWEST, _APART, _DENSE = 8, 4, 0.5
#: The least probability of a shift by which a run is found, the least number of such pointers, and the least
#: share of them that must agree.
_SURE, _FEWEST_SURE, _AGREE = 0.99, 4, 0.8


@dataclass(frozen=True, slots=True)
class _Pointers:
    """A run of pointers in the old image: the numbers of its words, and the units that they point to."""

    base: int
    words: Integers
    units: Integers


@dataclass
class PointerFinder:
    """Finds pointers to the items among ``units`` in two images whose bytes begin at two addresses."""

    units: Sequence[PlacementUnit]
    old: Bytes
    new: Bytes
    starts: tuple[int, int]

    def offsets(self, best: Sequence[Best]) -> dict[int, int]:
        """The new offset of each item that has a pointer, keyed by the number of its unit.

        ``best`` are the shifts known so far. An offset that several items share is left out: there lies a
        substitute for items that are gone.
        """
        result: dict[int, int] = {}
        for order in ("<u4", ">u4"):
            old = _words(self.old, self.starts[0], order)
            for run in self._runs(old):
                result |= self._followed(run, _words(self.new, self.starts[1], order), best)
        shared = Counter(result.values())
        return {number: at for number, at in result.items() if shared[at] == self._sharing(number)}

    def _sharing(self, number: int) -> int:
        """The number of items that begin at the same place in the old image."""
        at = self.units[number].at
        return sum(self.units[other].at == at for other in range(max(number - 2, 0), number + 3)
                   if other < len(self.units) and self.units[other].kind is not None)  # fmt: skip

    def _runs(self, words: NDArray[np.uint32]) -> Iterator[_Pointers]:
        items = np.array([n for n, unit in enumerate(self.units) if unit.kind is not None], np.int64)
        if not len(items) or not len(words):
            return
        addresses = np.array([self.units[n].at for n in items.tolist()], np.int64) + self.starts[0]
        for base in _bases(words, addresses):
            targets = (words - np.uint32(base)).astype(np.int64)
            place = np.minimum(np.searchsorted(addresses, targets), len(addresses) - 1)
            hits = np.flatnonzero(addresses[place] == targets)
            breaks = np.flatnonzero(np.diff(hits) > _APART) + 1
            for run in np.split(hits, breaks):
                pointed = items[place[run]]
                is_list = len(run) >= _FEWEST and len(run) >= _DENSE * (run[-1] - run[0] + 1)
                if is_list and len(set(pointed.tolist())) >= _FEWEST:
                    yield _Pointers(base, run, pointed)

    def _followed(self, run: _Pointers, words: NDArray[np.uint32], best: Sequence[Best]) -> dict[int, int]:
        """The new offsets that the same run in the new image gives; none if it is not found."""
        known = [
            (word, self.units[number].at + shift)
            for word, number in zip(run.words.tolist(), run.units.tolist(), strict=True)
            for shift, probability in [best[number]]
            if shift is not None and probability >= _SURE
        ]
        if len(known) < _FEWEST_SURE:
            return {}
        base = run.base + self.starts[1]
        expected = (np.array([at for _, at in known], np.int64) + base).astype(np.uint32)
        ordered = np.argsort(words, kind="stable")
        first = np.searchsorted(words, expected, side="left", sorter=ordered)
        last = np.searchsorted(words, expected, side="right", sorter=ordered)
        votes: Counter[int] = Counter()
        for (word, _), low, high in zip(known, first.tolist(), last.tolist(), strict=True):
            votes.update(int(there) - word for there in ordered[low : min(high, low + _FEWEST)])
        if not votes:
            return {}
        step, count = votes.most_common(1)[0]
        there = run.words + step
        if count < max(_FEWEST_SURE, _AGREE * len(known)) or there[0] < 0 or there[-1] >= len(words):
            return {}
        offsets = (words[there] - np.uint32(base & 0xFFFFFFFF)).astype(np.int64)
        pointed = {
            number: at
            for number, at in zip(run.units.tolist(), offsets.tolist(), strict=True)
            if at + self.units[number].size <= len(self.new)
        }
        return self._trusted(pointed, best)

    def _trusted(self, pointed: Mapping[int, int], best: Sequence[Best]) -> dict[int, int]:
        """The offsets whose neighbouring pointers agree with the shifts known so far, by number.

        If memory was moved but the list was not rewritten, the neighbouring pointers disagree.
        """
        trusted = dict(pointed)
        for order in (sorted(pointed), sorted(pointed, reverse=True)):
            agrees = True
            for number in order:
                if not agrees:
                    trusted.pop(number, None)
                shift, probability = best[number]
                if shift is not None and probability >= _SURE:
                    agrees = self.units[number].at + shift == pointed[number]
        return trusted


def _words(content: Bytes, start: int, order: str) -> NDArray[np.uint32]:
    """The words at addresses that are a multiple of their size."""
    skipped = -start % _SIZE
    count = max(len(content) - skipped, 0) // _SIZE
    raw: NDArray[Any] = np.ndarray((count,), order, np.ascontiguousarray(content), skipped if count else 0)
    return raw.astype(np.uint32)


def _bases(words: NDArray[np.uint32], addresses: Integers) -> list[int]:
    """The most likely differences between words and addresses, as unsigned 32-bit numbers."""
    low = (1 << _BASE_BITS) - 1
    order = np.argsort(addresses & low, kind="stable")
    lows, highs = (addresses & low)[order], (addresses >> _BASE_BITS)[order]
    place = np.minimum(np.searchsorted(lows, words & low), len(lows) - 1)
    is_like = lows[place] == (words & low)
    steps = ((words[is_like] >> _BASE_BITS).astype(np.int64) - highs[place[is_like]]) & low
    counts = np.bincount(steps, minlength=1)
    best = np.argsort(-counts, kind="stable")[:_BASES]
    return [int(step) << _BASE_BITS for step in best.tolist() if counts[step] >= _FEWEST]
