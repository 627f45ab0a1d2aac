"""Computes the values of all algorithms over all ranges between the bounds of a search."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from callint.comparing.checksum_search.bounds import SearchSpace
from callint.decoding.checksums import catalogue
from callint.decoding.crc_combination import CrcPolynomial, Registers, reflected, registers
from callint.model.definition import ByteOrder, Crc, NumberType, Storage

BYTE = Storage(NumberType.uint8, ByteOrder.BIG, 1)
_WORDS = {8: (1,), 16: (1, 2), 32: (1, 2, 4)}
#: The widest CRC that fits into a register of the search.
_WIDEST = 64
#: The shortest range in bytes: shorter ones are more likely tables.
LEAST_SIZE = 64


@dataclass(frozen=True, slots=True)
class Variant:
    """An algorithm as a definition names it: with the words of a sum, and its complement."""

    algorithm: str
    word: Storage
    complement: str | None


@dataclass(frozen=True)
class ChecksumFamily:
    """Algorithms whose values follow from the same numbers.

    ``values`` (images, bounds, bounds) are the numbers by first bound and bound after the end; ``valid``
    (bounds, bounds) flags the ranges that can be tried. Sums are added, all others joined by exclusive or.
    ``inits`` (inits, bounds, bounds) are the parts that initial values add, by the index in ``crcs``.
    """

    width: int
    is_sum: bool
    values: Registers
    valid: NDArray[np.bool_]
    variants: tuple[Variant, ...]
    crcs: tuple[tuple[Crc, int], ...] = ()
    inits: Registers | None = None

    @property
    def modulus(self) -> int:
        return 1 << self.width

    @property
    def mask(self) -> np.uint64:
        return np.uint64(self.modulus - 1)

    @cached_property
    def is_reflected(self) -> tuple[bool, ...]:
        """Whether the values of the variants are reflected registers: which of both occur."""
        return tuple(sorted({crc.reflect_out for crc, _ in self.crcs})) or (False,)

    def value_of(
        self, variant: int, image: int, first: NDArray[np.intp], last: NDArray[np.intp]
    ) -> Registers:
        """The values to be stored of an image, by a variant, for pairs of bounds."""
        values: Registers = self.values[image][first, last]
        if self.crcs:
            crc, init = self.crcs[variant]
            assert self.inits is not None
            values = values ^ self.inits[init][first, last]
            if crc.reflect_out:
                values = reflected(values, self.width)
            values = values ^ np.uint64(crc.xorout)
        complement = self.variants[variant].complement
        if complement == "ones":
            values = ~values & self.mask
        elif complement == "twos":
            values = (~values + np.uint64(1)) & self.mask
        return values

    def pairs_with(self, first: NDArray[np.intp], last: NDArray[np.intp], stored: Registers) -> list[int]:
        """The indexes of pairs of bounds for which any variant gives the stored value of the first image."""
        values = self.values[0][first, last]
        is_equal = np.zeros(len(values), bool)
        if not self.crcs:
            for changed in (stored, ~stored & self.mask, (~stored + np.uint64(1)) & self.mask):
                is_equal |= values == changed
            return [int(pair) for pair in np.flatnonzero(is_equal)]
        assert self.inits is not None
        starts = [part[first, last] for part in self.inits]
        turned = {True: reflected(stored, self.width), False: stored} if True in self.is_reflected else {}
        for (crc, init), variant in zip(self.crcs, self.variants, strict=True):
            xorout = crc.xorout if variant.complement is None else crc.xorout ^ int(self.mask)
            constant = np.array([xorout], np.uint64)
            constant = reflected(constant, self.width) if crc.reflect_out else constant
            target = turned.get(crc.reflect_out, stored) ^ constant
            is_equal |= values ^ starts[init] == target
        return [int(pair) for pair in np.flatnonzero(is_equal & (stored <= self.mask))]


@dataclass(frozen=True, slots=True)
class FamilyPlan:
    """An algorithm family before it is computed."""

    width: int
    crcs: tuple[tuple[str, Crc], ...] = ()

    @property
    def count(self) -> int:
        """The number of variants."""
        if self.crcs:
            return 2 * len(self.crcs)
        return 3 * sum(1 if size == 1 else 2 for size in _WORDS[self.width]) + (self.width == 8)


def plans() -> list[FamilyPlan]:
    """All families: sums, exclusive or, and the CRCs of the catalogue by polynomial."""
    by_polynomial: dict[CrcPolynomial, list[tuple[str, Crc]]] = {}
    for name, crc in catalogue().items():
        if 8 <= crc.width <= _WIDEST:
            by_polynomial.setdefault(CrcPolynomial.of(crc), []).append((name, crc))
    return [
        *(FamilyPlan(width) for width in _WORDS),
        *(FamilyPlan(polynomial.width, tuple(crcs)) for polynomial, crcs in by_polynomial.items()),
    ]


def families(plan: FamilyPlan, space: SearchSpace) -> Iterator[ChecksumFamily]:
    """The values of a family of algorithms over all ranges."""
    bounds = space.bounds
    valid = space.valid(LEAST_SIZE)
    if plan.crcs:
        yield _crcs(plan, space, valid)
        return
    for size in _WORDS[plan.width]:
        for order in (ByteOrder.BIG, ByteOrder.LITTLE) if size > 1 else (ByteOrder.BIG,):
            word = Storage(NumberType[f"uint{8 * size}"], order, size)
            aligned = bounds % size
            same = valid & (aligned[None, :] == aligned[:, None])
            sums = np.array(
                [_prefix_sums(space.numbers(n), bounds, word) for n in range(len(space.contents))]
            )
            mask = np.uint64((1 << plan.width) - 1)
            values = (sums[:, None, :] - sums[:, :, None]) & mask
            algorithm = f"sum{plan.width}"
            yield ChecksumFamily(
                plan.width,
                True,
                values,
                same,
                tuple(Variant(algorithm, word, complement) for complement in (None, "ones", "twos")),
            )
    if plan.width == 8:
        joined = np.array(
            [
                np.concatenate(([0], np.bitwise_xor.accumulate(space.numbers(n))))[bounds]
                for n in range(len(space.contents))
            ],
            np.uint64,
        )
        yield ChecksumFamily(
            8, False, joined[:, None, :] ^ joined[:, :, None], valid, (Variant("xor8", BYTE, None),)
        )


def _crcs(plan: FamilyPlan, space: SearchSpace, valid: NDArray[np.bool_]) -> ChecksumFamily:
    polynomial = CrcPolynomial.of(plan.crcs[0][1])
    inits = sorted({crc.init for _, crc in plan.crcs})
    # The catalogue gives the initial value of the register as it is before any reflection.
    rows = registers(polynomial, list(space.contents), space.bounds, inits)
    images = len(space.contents)
    variants = [
        (Variant(name, BYTE, complement), (crc, inits.index(crc.init)))
        for name, crc in plan.crcs
        for complement in (None, "ones")
    ]
    return ChecksumFamily(
        plan.width,
        False,
        rows[:images],
        valid,
        tuple(variant for variant, _ in variants),
        tuple(crc for _, crc in variants),
        rows[images:],
    )


def _prefix_sums(numbers: NDArray[np.uint8], bounds: NDArray[np.int64], word: Storage) -> Registers:
    """The sum of the words before each bound, counted from the first word with the alignment of the bound."""
    size = word.type.size
    sums = np.zeros(len(bounds), np.uint64)
    for phase in range(size):
        mine = bounds % size == phase
        if mine.any():
            count = (len(numbers) - phase) // size
            words = np.frombuffer(numbers[phase : phase + count * size].tobytes(), word.dtype)
            prefix = np.concatenate(([0], np.cumsum(words, dtype=np.uint64))).astype(np.uint64)
            sums[mine] = prefix[(bounds[mine] - phase) // size]
    return sums
