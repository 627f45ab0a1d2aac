"""The memory of a definition: its regions, identities and checksums."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from lxml import etree

from callint.model.declarations import Declaration
from callint.model.definition import Checksum, Crc, Identity, Memory, Region, Storage
from callint.reading.elements.attributes import required, tag_of, to_integer
from callint.reading.elements.reader import BYTE_ORDERS, NUMBER_TYPES, ElementReader

_CRC_PARAMETERS = ("width", "poly", "init", "reflect-in", "reflect-out", "xorout")


def read_memory(reader: ElementReader, element: etree._Element) -> Memory:
    """The memory with its regions, identities and checksums; wrong ones are reported and left out."""
    size = reader.size(element, "size")
    fill = to_integer(element.get("fill", "0xFF"))
    makers: dict[str, Callable[[ElementReader, etree._Element], Region | Identity | Checksum]] = {
        "region": _read_region,
        "identity": _read_identity,
        "checksum": partial(_read_checksum, fill),
    }
    parts: list[Region | Identity | Checksum] = []
    for child in element:
        tag = tag_of(child)
        if tag in makers and (part := reader.build(makers[tag], child)):
            parts.append(part)
            reader.declarations.append(Declaration(tag, part.name, part.line))
    return Memory(
        start=reader.address(element, "start"),
        size=size,
        fill=fill,
        regions=tuple(part for part in parts if isinstance(part, Region)),
        identities=tuple(part for part in parts if isinstance(part, Identity)),
        checksums=tuple(part for part in parts if isinstance(part, Checksum)),
        line=reader.line(element),
    )


def _read_region(reader: ElementReader, element: etree._Element) -> Region:
    start = reader.address(element, "start")
    return Region(required(element, "name"), start, reader.size(element, "size"), reader.line(element))


def _read_identity(reader: ElementReader, element: etree._Element) -> Identity:
    text, digits = element.get("text"), element.get("bytes")
    if (text is None) == (digits is None):
        raise ValueError("give either text or bytes")
    content = bytes.fromhex(digits) if digits is not None else str(text).encode("ascii")
    return Identity(required(element, "name"), reader.address(element, "at"), content, reader.line(element))


def _read_checksum(fill: int, reader: ElementReader, element: etree._Element) -> Checksum:
    algorithm, size = required(element, "algorithm"), reader.size(element, "size")
    return Checksum(
        name=required(element, "name"),
        algorithm=algorithm,
        start=reader.address(element, "start"),
        size=size,
        stored_at=reader.address(element, "stored-at"),
        byte_order=reader.byte_order_of(element),
        complement=element.get("complement"),
        word=_read_word(reader, element, algorithm, size),
        crc=_read_crc(element, algorithm),
        line=reader.line(element),
        gap_fill=fill if element.get("gaps") == "fill" else None,
    )


def _read_word(reader: ElementReader, element: etree._Element, algorithm: str, size: int) -> Storage:
    """The storage of the numbers that a sum adds up, by default single bytes."""
    given = element.get("word")
    if given is None and element.get("word-order") is not None:
        raise ValueError("word-order needs word")
    if given is not None and not algorithm.startswith("sum"):
        raise ValueError(f"word needs the algorithm sum8, sum16 or sum32, not {algorithm}")
    number_type = NUMBER_TYPES[given or "uint8"]
    if size % number_type.size:
        raise ValueError(f"size is {size}, which is not a multiple of the {given} word; correct one of them")
    order = element.get("word-order")
    byte_order = reader.byte_order_of(element) if order is None else BYTE_ORDERS[order]
    return Storage(number_type, byte_order, number_type.size)


def _read_crc(element: etree._Element, algorithm: str) -> Crc | None:
    """The parameters of a CRC that the definition describes itself; None for a named algorithm."""
    given = [name for name in _CRC_PARAMETERS if element.get(name) is not None]
    if algorithm != "crc":
        if given:
            raise ValueError(f'{given[0]} needs algorithm="crc", not {algorithm}')
        return None
    if not {"width", "poly"} <= set(given):
        raise ValueError('algorithm="crc" needs width and poly')
    width = to_integer(required(element, "width"))
    numbers = {name: to_integer(element.get(name, "0")) for name in ("poly", "init", "xorout")}
    for name, value in numbers.items():
        if value >> width:
            raise ValueError(f"{name} has more than the {width} bits of width; leave out the top bit of poly")
    if not numbers["poly"] & 1:
        # Every polynomial of the catalogue ends in 1; an even number is most often written in reverse order.
        mirrored = int(f"{numbers['poly']:0{width}b}"[::-1], 2)
        raise ValueError(
            f"poly is even, as no CRC's polynomial is; it may be written backwards, for 0x{mirrored:X}"
        )
    return Crc(
        width=width,
        poly=numbers["poly"],
        init=numbers["init"],
        reflect_in=element.get("reflect-in") == "true",
        reflect_out=element.get("reflect-out") == "true",
        xorout=numbers["xorout"],
    )
