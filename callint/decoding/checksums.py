"""Sums and CRCs over stretches of an image."""

from __future__ import annotations

from functools import cache

import numpy as np

from callint.model.definition import Checksum
from callint.model.image import Image

_SUM_BITS = {"sum8": 8, "sum16": 16, "sum32": 32, "xor8": 8}


@cache
def _crc_names() -> dict[str, str]:
    """The library's names of its CRCs by those of the published catalogue, CRC-32/ISO-HDLC and so on."""
    import anycrc  # only files with a CRC pay for the import

    names = {}
    for name in anycrc.models:
        family, _, kind = name.partition("-")
        names[f"CRC-{family.removeprefix('CRC')}/{kind}"] = name
    return names


def is_known(algorithm: str) -> bool:
    """Whether the algorithm is one that can be computed."""
    return algorithm in _SUM_BITS or algorithm in _crc_names()


def known_algorithms() -> list[str]:
    """Every algorithm that a definition may name."""
    return [*_SUM_BITS, *sorted(_crc_names())]


def width(algorithm: str) -> int:
    """The width of the result in bits."""
    if algorithm in _SUM_BITS:
        return _SUM_BITS[algorithm]
    import anycrc

    return int(anycrc.models[_crc_names()[algorithm]].width)


def stored_size(checksum: Checksum) -> int:
    """How many bytes the stored result takes."""
    return (width(checksum.algorithm) + 7) // 8


def compute(algorithm: str, data: bytes) -> int:
    """The sum or CRC of the bytes.

    sum8, sum16 and sum32 add the bytes up, modulo 2 to the power of the width; xor8 is their
    exclusive or. A CRC is the catalogue's, check value included.
    """
    if algorithm == "xor8":
        return int(np.bitwise_xor.reduce(np.frombuffer(data, np.uint8), initial=0))
    if algorithm in _SUM_BITS:
        total = int(np.frombuffer(data, np.uint8).sum(dtype=np.uint64))
        return total & ((1 << _SUM_BITS[algorithm]) - 1)
    import anycrc

    return int(anycrc.Model(_crc_names()[algorithm]).calc(data))


def expected_value(checksum: Checksum, image: Image) -> int | None:
    """What the stored checksum should be, or None where the image lacks bytes that it covers."""
    data = image.read(checksum.start, checksum.size)
    if data is None:
        return None
    modulus = 1 << width(checksum.algorithm)
    value = compute(checksum.algorithm, data)
    if checksum.complement == "ones":
        value = modulus - 1 - value
    elif checksum.complement == "twos":
        value = -value % modulus
    return value


def stored_value(checksum: Checksum, image: Image) -> int | None:
    """What the image holds as the checksum, or None where it does not hold it."""
    data = image.read(checksum.stored_at, stored_size(checksum))
    return None if data is None else int.from_bytes(data, checksum.byte_order.value)


def sealed_bytes(checksum: Checksum, value: int) -> bytes:
    """A checksum's value as it is stored."""
    return value.to_bytes(stored_size(checksum), checksum.byte_order.value)
