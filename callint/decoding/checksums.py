"""Computes sums and CRCs over ranges of an image."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np

from callint.decoding.word_order import unsigned_bytes, unsigned_number
from callint.model.definition import ByteOrder, Checksum, Crc
from callint.model.image import Image

_SUM_BITS = {"sum8": 8, "sum16": 16, "sum32": 32, "xor8": 8}

#: The algorithm name of a CRC whose parameters are in the definition.
OWN_CRC = "crc"

#: The widest CRC of the fast library; wider ones need the library for any width.
_FAST_WIDTH = 64

#: The only wider CRC of the catalogue: the tests compare it with a second library.
_WIDE_CRCS = {"CRC-82/DARC": Crc(82, 0x0308C0111011401440411, 0, True, True, 0)}


@cache
def catalogue() -> dict[str, Crc]:
    """The CRCs of the published catalogue by name: CRC-32/ISO-HDLC and so on."""
    import anycrc  # only definitions with a CRC need the import

    published = {_catalogue_name(name): Crc(*model[:6]) for name, model in anycrc.models.items()}
    return {**published, **_WIDE_CRCS}


@cache
def aliases() -> dict[str, str]:
    """The names in the catalogue by their aliases: CRC-16/CCITT-FALSE and so on."""
    import anycrc

    return {_catalogue_name(alias): _catalogue_name(name) for alias, name in anycrc.aliases.items()}


def _catalogue_name(name: str) -> str:
    """The spelling of a name in the catalogue: the library writes CRC16-ARC for CRC-16/ARC."""
    return re.sub(r"^CRC(\d+)(?:-(.+))?", lambda m: f"CRC-{m[1]}" + (f"/{m[2]}" if m[2] else ""), name)


def is_known(algorithm: str) -> bool:
    """Whether the algorithm can be computed."""
    return (
        algorithm in _SUM_BITS or algorithm == OWN_CRC or algorithm in catalogue() or algorithm in aliases()
    )


def known_algorithms() -> list[str]:
    """Every algorithm that a definition may name."""
    return [*_SUM_BITS, OWN_CRC, *sorted(catalogue()), *sorted(aliases())]


#: Most algorithms that are suggested for an unknown name.
_MOST_SUGGESTED = 2


def similar_algorithms(name: str) -> list[tuple[str, str]]:
    """The algorithms that an unknown name may mean, each with the alias that resembles it, or "".

    Spellings with other case, hyphens and order are the same name: crc16_ccitt_false is CRC-16/CCITT-FALSE.
    Then the names that go on, or else similar ones, are meant. The width of a CRC must agree.
    """
    from difflib import get_close_matches

    width_digits, letters = _split_name(name)
    candidates: dict[str, list[str]] = {}
    for known in known_algorithms():
        known_width, known_letters = _split_name(known)
        if known != OWN_CRC and (not width_digits or known_width in ("", width_digits)):
            candidates.setdefault(known_letters, []).append(known)
    alike = [known for known in candidates if known == letters or (letters and known.startswith(letters))]
    alike = sorted(alike, key=len) or get_close_matches(letters, candidates, _MOST_SUGGESTED)
    suggested: dict[str, str] = {}
    for known in (known for match in alike for known in candidates[match]):
        target = aliases().get(known, known)
        if not width_digits or _split_name(target)[0] in ("", width_digits):
            suggested.setdefault(target, known if target != known else "")
    return list(suggested.items())[:_MOST_SUGGESTED]


def _split_name(name: str) -> tuple[str, str]:
    """The width in the name of a CRC as digits, and its other letters and digits in upper case."""
    upper = name.upper()
    match = re.search(r"CRC[\W_]*(\d*)", upper)
    rest = upper[: match.start()] + upper[match.end() :] if match else upper
    return match[1] if match else "", re.sub(r"[\W_]", "", rest)


def _crc_parameters(checksum: Checksum) -> Crc:
    """The parameters of a CRC: from the definition, or from the catalogue by name or alias."""
    name = checksum.algorithm
    return checksum.crc or catalogue()[aliases().get(name, name)]


def width(checksum: Checksum) -> int:
    """The width of the result in bits."""
    return _SUM_BITS.get(checksum.algorithm) or _crc_parameters(checksum).width


def stored_size(checksum: Checksum) -> int:
    """The number of bytes of the stored result."""
    return (width(checksum) + 7) // 8


def written(checksum: Checksum, value: int) -> str:
    """A stored result for people: hexadecimal, with all digits of its bytes."""
    return f"0x{value:0{2 * stored_size(checksum)}X}"


def compute(checksum: Checksum, data: bytes | memoryview) -> int:
    """The sum or CRC of the bytes, before its complement.

    sum8, sum16 and sum32 are the sum of the words modulo 2 to the power of the width; xor8 is the exclusive
    or of the bytes. CRCs follow the catalogue, including its check values.
    """
    if checksum.algorithm == "xor8":
        return int(np.bitwise_xor.reduce(np.frombuffer(data, np.uint8), initial=0))
    if checksum.algorithm in _SUM_BITS:
        # 2 to the power of 32, times the largest number of words in an image, fits into 64 bits.
        total = int(np.frombuffer(data, checksum.word.dtype).sum(dtype=np.uint64))
        return total & ((1 << width(checksum)) - 1)
    return _crc(_crc_parameters(checksum), data)


def _crc(crc: Crc, data: bytes | memoryview) -> int:
    if crc.width > _FAST_WIDTH:
        from crccheck.crc import Crc as AnyWidth

        wide = AnyWidth(crc.width, crc.poly, crc.init, crc.reflect_in, crc.reflect_out, crc.xorout)
        return int(wide.calc(data))
    import anycrc

    fast = anycrc.CRC(crc.width, crc.poly, crc.init, crc.reflect_in, crc.reflect_out, crc.xorout)
    return int(fast.calc(data))


def expected_value(checksum: Checksum, image: Image) -> int | None:
    """The correct value of the stored checksum, or None if nobody knows all bytes that it covers.

    If the definition says that gaps contain fill, missing bytes count as fill, except if all are missing.
    """
    data: bytes | memoryview | None = image.view(checksum.start, checksum.size)
    if data is None and checksum.gap_fill is not None:
        data = _with_fill(checksum, image, checksum.gap_fill)
    if data is None:
        return None
    modulus = 1 << width(checksum)
    value = compute(checksum, data)
    if checksum.complement == "ones":
        value = modulus - 1 - value
    elif checksum.complement == "twos":
        value = -value % modulus
    return value


def _with_fill(checksum: Checksum, image: Image, fill: int) -> bytes | None:
    """The bytes that the checksum covers, with fill in the gaps; None if the image has none of them."""
    start, end = checksum.start, checksum.start + checksum.size
    if not image.count_bytes(start, end):
        return None
    data = bytearray([fill]) * checksum.size
    for segment in image.segments:
        low, high = max(start, segment.start), min(end, segment.end)
        if low < high:
            data[low - start : high - start] = segment.data[low - segment.start : high - segment.start]
    return bytes(data)


def stored_value(checksum: Checksum, image: Image) -> int | None:
    """The stored value of the checksum, or None if the image lacks it."""
    data = image.read(checksum.stored_at, stored_size(checksum))
    return None if data is None else unsigned_number(data, checksum.byte_order)


def other_byte_order(checksum: Checksum, image: Image) -> ByteOrder | None:
    """The byte order of the definition's other ones in which the stored checksum is right; None if none is.

    The words of a sum count in the order that the definition gives them, and in that of the checksum. The
    order tells nothing about a checksum of one byte.
    """
    if stored_size(checksum) == 1:
        return None
    for order in ByteOrder:
        for word in (checksum.word, replace(checksum.word, byte_order=order)):
            other = replace(checksum, byte_order=order, word=word)
            stored = stored_value(other, image)
            if order != checksum.byte_order and stored is not None and stored == expected_value(other, image):
                return order
    return None


def sealed_bytes(checksum: Checksum, value: int) -> bytes:
    """The stored bytes of a checksum's value."""
    return unsigned_bytes(value, stored_size(checksum), checksum.byte_order)
