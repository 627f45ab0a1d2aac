"""Which cells of an image differ, found by its bytes without decoding it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.decoding.layout import Layout
from callint.model.definition import Text
from callint.model.image import Image

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Footprint:
    """The cells to which each byte of an image belongs: an entry per byte of each cell, by position.

    ``first`` (bytes + 1) is the first entry of each byte; ``owners`` (entries) are numbers of cells, and
    after all cells numbers of texts; ``masks`` (entries) are their bits of the byte. ``owned`` (bytes) is 255
    for a byte with an entry and 0 for others. So comparing a thousand
    contents that differ in a few bytes each costs little more than comparing their bytes.
    """

    first: NDArray[np.int32]
    owners: Integers
    masks: NDArray[np.uint8]
    owned: NDArray[np.uint8]

    def changed(self, old: Image, new: Image) -> Integers:
        """The numbers of cells and texts whose bits differ; some occur twice or more.

        Both images must have the same addresses.
        """
        differing = _differing_positions(old.content, new.content, self.owned)
        first = self.first[differing]
        amounts = self.first[differing + 1] - first
        ends = np.cumsum(amounts)
        entries = np.arange(ends[-1] if len(ends) else 0) + np.repeat(first - ends + amounts, amounts)
        bits = np.repeat(old.content[differing] ^ new.content[differing], amounts)
        owners: Integers = self.owners[entries[(bits & self.masks[entries]) != 0]]
        return owners


def footprint(layout: Layout, image: Image, texts: list[Text]) -> Footprint:
    """The footprint of all cells of the layout, and of texts, that the image holds completely."""
    positions, owners, masks = [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0, np.uint8)]
    for group, masked in zip(layout.groups, layout.masks, strict=True):
        size = group.type.size
        starts = image.positions(layout.address[group.cells], size)
        bits = np.full((len(starts), size), 0xFF, np.uint8)
        bits[masked.cells - group.cells.start] = group.stored(masked.masks)
        cells = np.arange(group.cells.start, group.cells.stop)
        is_held = starts >= 0
        positions.append((starts[is_held, None] + np.arange(size)).ravel())
        owners.append(np.repeat(cells[is_held], size))
        masks.append(bits[is_held].ravel())
    for number, text in enumerate(texts):
        (start,) = image.positions(np.array([text.at], np.int64), text.length).tolist()
        if start >= 0:
            positions.append(np.arange(start, start + text.length))
            owners.append(np.full(text.length, layout.size + number))
            masks.append(np.full(text.length, 0xFF, np.uint8))
    all_positions = np.concatenate(positions)
    # Tables follow one another in runs of rising positions, which a stable sort handles fast.
    order = np.argsort(all_positions, kind="stable")
    first = np.zeros(image.size + 1, np.int32)
    np.cumsum(np.bincount(all_positions, minlength=image.size), out=first[1:])
    owned = np.where(np.diff(first) > 0, np.uint8(0xFF), np.uint8(0))
    return Footprint(first, np.concatenate(owners)[order], np.concatenate(masks)[order], owned)


def _differing_positions(
    old: NDArray[np.uint8], new: NDArray[np.uint8], owned: NDArray[np.uint8]
) -> Integers:
    """The rising positions of owned bytes at which two contents of the same size differ.

    Compares eight bytes at a time, as few of them differ.
    """
    end = len(old) // 8 * 8
    old_words, new_words, owned_words = (content[:end].view(np.uint64) for content in (old, new, owned))
    blocks = np.flatnonzero((old_words ^ new_words) & owned_words)
    candidates = np.concatenate([(8 * blocks[:, None] + np.arange(8)).ravel(), np.arange(end, len(old))])
    positions: Integers = candidates[(old[candidates] ^ new[candidates]) & owned[candidates] != 0]
    return positions
