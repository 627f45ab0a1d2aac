"""Computes the CRCs of all ranges between some bounds from those of the ranges between neighbouring bounds.

A CRC without its final complement is linear over GF(2): the register after the bytes A B is the register
after A, times x to the power of 8 |B|, plus the register of B alone. So each byte is read once a polynomial,
and all pairs of bounds cost one multiplication each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.model.definition import Crc

Registers = NDArray[np.uint64]
_ONE = np.uint64(1)
#: How bits change places until those of each byte are in reverse order: the distance, and the lower ones.
_BITS_OF_BYTES = [
    (np.uint64(count), np.uint64(mask))
    for count, mask in ((1, 0x5555555555555555), (2, 0x3333333333333333), (4, 0x0F0F0F0F0F0F0F0F))
]


@dataclass(frozen=True, slots=True)
class CrcPolynomial:
    """What two CRCs share whose registers differ by their initial value alone; ``poly`` lacks its top bit."""

    width: int
    poly: int
    reflect_in: bool

    @classmethod
    def of(cls, crc: Crc) -> CrcPolynomial:
        return cls(crc.width, crc.poly, crc.reflect_in)


def registers(
    polynomial: CrcPolynomial, contents: list[bytes], bounds: NDArray[np.int64], inits: list[int]
) -> Registers:
    """The register after each range of each content, and the part of it that an initial value adds.

    ``bounds`` rise. The result has the shape (contents + inits, bounds, bounds): by row, first bound and
    bound after the end. A row of a content has the initial value 0; a row of an initial value is to be added
    (exclusive or). Pairs whose end is not behind their begin are 0. The width is 64 bits at most.
    """
    import anycrc

    width = polynomial.width
    crc = anycrc.CRC(width, polynomial.poly, 0, polynomial.reflect_in, False, 0)
    sizes = np.diff(bounds)
    tables, of_size = _multiplication_tables(polynomial, sizes)
    rows = len(contents) + len(inits)
    views = [memoryview(content) for content in contents]
    result = np.zeros((rows, len(bounds), len(bounds)), np.uint64)
    state = np.zeros((rows, len(bounds)), np.uint64)
    initial = np.array([0] * len(contents) + inits, np.uint64)
    own = np.zeros((rows, 1), np.uint64)
    for step, (low, high) in enumerate(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True)):
        state[:, step] = initial
        for row, view in enumerate(views):
            own[row] = crc.calc(view[low:high])
        grown = own ^ _multiplied(state[:, : step + 1], tables[of_size[step]])
        state[:, : step + 1] = grown
        result[:, : step + 1, step + 1] = grown
    return result


def reflected(values: Registers, width: int) -> Registers:
    """The values with their lowest ``width`` bits in reverse order."""
    for count, mask in _BITS_OF_BYTES:
        values = ((values >> count) & mask) | ((values & mask) << count)
    # All 64 bits are in reverse order now, and those above the width at the lower end.
    return values.byteswap() >> np.uint64(64 - width)


def _multiplied(state: Registers, table: Registers) -> Registers:
    """Registers times a power of x; ``table`` (bytes, 256) has the product of each byte."""
    result: Registers = table[0][(state & np.uint64(0xFF)).astype(np.intp)]
    for byte in range(1, len(table)):
        part = (state >> np.uint64(8 * byte)) & np.uint64(0xFF)
        result ^= table[byte][part.astype(np.intp)]
    return result


def _multiplication_tables(
    polynomial: CrcPolynomial, sizes: NDArray[np.int64]
) -> tuple[Registers, NDArray[Any]]:
    """Each byte of a register times x^(8 size), shape (sizes, bytes, 256); the table of each size."""
    distinct = np.array(sorted(set(sizes.tolist())), np.int64)
    powers = _powers(polynomial, distinct)
    bytes_of_width = (polynomial.width + 7) // 8
    basis = np.zeros((len(distinct), bytes_of_width, 8), np.uint64)
    for bit in range(polynomial.width):
        basis[:, bit // 8, bit % 8] = powers
        powers = _times_x(polynomial, powers)
    tables = np.zeros((len(distinct), bytes_of_width, 1), np.uint64)
    for bit in range(8):
        tables = np.concatenate((tables, tables ^ basis[:, :, bit : bit + 1]), axis=2)
    return tables, np.searchsorted(distinct, sizes)


def _powers(polynomial: CrcPolynomial, sizes: NDArray[np.int64]) -> Registers:
    """Raise x to the power of 8 times each size, modulo the polynomial."""
    result = np.ones(len(sizes), np.uint64)
    factor = _multiples(polynomial, 1, 9)[8]
    for bit in range(int(sizes.max(initial=0)).bit_length()):
        multiples = _multiples(polynomial, factor, polynomial.width)
        product = np.zeros_like(result)
        for power, multiple in enumerate(multiples):
            product ^= ((result >> np.uint64(power)) & _ONE) * np.uint64(multiple)
        result = np.where((sizes >> bit) & 1, product, result)
        square = 0
        for power, multiple in enumerate(multiples):
            square ^= multiple if factor >> power & 1 else 0
        factor = square
    return result


def _multiples(polynomial: CrcPolynomial, value: int, count: int) -> list[int]:
    """A value times the first powers of x, modulo the polynomial, in Python's numbers: there is one value."""
    result = []
    for _ in range(count):
        result.append(value)
        top = value >> (polynomial.width - 1)
        value = ((value << 1) & ((1 << polynomial.width) - 1)) ^ (polynomial.poly if top else 0)
    return result


def _times_x(polynomial: CrcPolynomial, values: Registers) -> Registers:
    top = (values >> np.uint64(polynomial.width - 1)) & _ONE
    mask = np.uint64((1 << polynomial.width) - 1)
    return ((values << _ONE) & mask) ^ np.where(top, np.uint64(polynomial.poly), np.uint64(0))
