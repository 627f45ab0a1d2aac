"""Computes content digests: a waiver accepts a digest, and new findings differ from known ones by it.

A digest has three parts, so that callint can say why a waiver no longer holds: the stored bytes, their
meaning, and the demands of the definition on them. The meaning and the demands are canonical texts of the
objects of the definition, without names that only people read and without line numbers: a new attribute of
the definition becomes part of them as soon as the model has it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.model.definition import (
    Axis,
    Definition,
    FixedAxis,
    Memory,
    Relation,
    StoredAxis,
    Table,
    Text,
)
from callint.model.derived_axis import DerivedAxis
from callint.model.image import Image

#: Hexadecimal digits of the first part, 112 bits, and of each of the other two, 56 bits.
_CONTENT_DIGITS, _PART_DIGITS = 28, 14

#: The number of bytes of a block of ``content_digest``; its blocks start at multiples of it.
_BLOCK_SIZE = 4096

#: Fields that only people read, names that are replaced by the objects they refer to, and demands.
_NOT_MEANING = frozenset(
    {"name", "title", "notes", "group", "line", "decimals", "conversion", "x", "y", "demands", "purpose"}
)


class DigestDifference(Enum):
    """Why a digest in a policy differs from the current one."""

    CONTENT = "other bytes"
    MEANING = "the same bytes, read in another way"
    DEMANDS = "the same bytes, of which something else is demanded"
    WRITTEN_BEFORE = "the same bytes, written before digests covered the definition"


@dataclass(frozen=True, slots=True)
class ContentDigest:
    """The content that a finding was judged on, as three SHA-256 digests in hexadecimal.

    ``content`` covers the stored bytes, ``meaning`` how they are read (address, storage, conversion, axes,
    unit), ``demands`` what the definition requires of them (purpose, limits, guards, relations).
    """

    content: str
    meaning: str
    demands: str

    def __str__(self) -> str:
        """``sha256:`` and the three parts, separated by slashes, as in a policy."""
        meaning, demands = self.meaning[:_PART_DIGITS], self.demands[:_PART_DIGITS]
        return f"sha256:{self.content[:_CONTENT_DIGITS]}/{meaning}/{demands}"

    def difference(self, written: str) -> DigestDifference | None:
        """Why a digest from a policy differs from this one; None if it is the same."""
        if written == str(self):
            return None
        content, *parts = written.removeprefix("sha256:").split("/")
        if not self.content.startswith(content):
            return DigestDifference.CONTENT
        if not parts:
            return DigestDifference.WRITTEN_BEFORE
        return DigestDifference.DEMANDS if self.meaning.startswith(parts[0]) else DigestDifference.MEANING


def sha256(content: bytes) -> str:
    """The SHA-256 of bytes in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def combined(digests: Iterable[ContentDigest]) -> ContentDigest:
    """One digest for several, in their order."""
    parts = list(digests)
    return ContentDigest(
        sha256("".join(part.content for part in parts).encode()),
        sha256("".join(part.meaning for part in parts).encode()),
        sha256("".join(part.demands for part in parts).encode()),
    )


# Digests of what a finding is about


def table_digest(decoded: Decoded, table: Table) -> ContentDigest:
    """The digest of a table: its cells as stored, x fastest, masked; then its axes, x before y.

    The axes are included because moving an axis changes the output of the table.
    """
    layout = decoded.layout
    numbers = [layout.table_items[table.name]]
    numbers += [number for axis in table.axes for number in layout.sources_of(axis)]
    content = b"".join(stored_bytes(decoded, number) for number in numbers)
    meaning, demands = statements(layout.definition, table)
    return ContentDigest(sha256(content), meaning, demands)


def axis_digest(decoded: Decoded, name: str) -> ContentDigest:
    """The digest of an axis: its breakpoints, or what they follow from, as stored; then its stored count."""
    definition = decoded.layout.definition
    axis = definition.axes[name]
    content = b"".join(stored_bytes(decoded, number) for number in decoded.layout.sources_of(name))
    if isinstance(axis, StoredAxis) and axis.stored_count:
        count = axis.stored_count
        content += decoded.image.read(count.at, count.storage.type.size) or b""
    return ContentDigest(sha256(content), *statements(definition, axis))


def text_digest(image: Image, text: Text) -> ContentDigest:
    """The digest of a text: its bytes, if the image has them."""
    content = image.read(text.at, text.length) or b""
    return ContentDigest(sha256(content), sha256(canonical(text)), sha256(canonical(text.purpose)))


def image_digest(image: Image) -> str:
    """The SHA-256 of all bytes of an image, and of their addresses if the image is partial."""
    extents = repr(image.extents).encode() if image.is_part else b""
    return sha256(image.content.tobytes() + extents)


def content_digest(image: Image, fill: int) -> str:
    """The SHA-256 of the bytes of an image and their addresses, in 64 hexadecimal digits.

    The format of the file does not count, and neither does erased memory: a byte of ``fill`` is the same as
    an absent one. Only blocks with other bytes are hashed, each after its number.
    """
    erased = bytes([fill]) * _BLOCK_SIZE
    digest = hashlib.sha256()
    for number, block in _blocks(image, erased):
        if block != erased:
            digest.update(number.to_bytes(8, "big") + block)
    return digest.hexdigest()


def _blocks(image: Image, erased: bytes) -> Iterator[tuple[int, bytearray]]:
    """The blocks that hold a byte of the image, by rising numbers; absent bytes are erased."""
    number, block = -1, bytearray(erased)
    for segment in image.segments:
        position = 0
        while position < len(segment.data):
            address = segment.start + position
            if address // _BLOCK_SIZE != number:
                if number >= 0:
                    yield number, block
                number, block = address // _BLOCK_SIZE, bytearray(erased)
            offset = address % _BLOCK_SIZE
            part = segment.data[position : position + _BLOCK_SIZE - offset]
            block[offset : offset + len(part)] = part
            position += len(part)
    if number >= 0:
        yield number, block


def whole_digest(image: Image, definition: Definition) -> ContentDigest:
    """The digest of a whole image, for a finding that is not about a table.

    Its meaning is the layout of the definition: which bytes belong to which item.
    """
    return ContentDigest(image_digest(image), layout_statement(definition), sha256(b""))


def base_digest(image: Image) -> ContentDigest:
    """The digest of a factory base, for a finding about the base itself."""
    return ContentDigest(image_digest(image), sha256(b""), sha256(b""))


def definition_digest(definition: Definition) -> ContentDigest:
    """The digest of a definition file, for a finding about the definition itself."""
    return ContentDigest(definition.digest, sha256(b""), sha256(b""))


# What the definition says, as digests


def statements(definition: Definition, item: Table | Axis) -> tuple[str, str]:
    """The digests of the meaning of a table or axis, and of the demands on it."""
    if not isinstance(item, Table):
        meaning, demands = _axis_meaning(definition, item), _signal_demands(definition, item)
    else:
        meaning, demands = _table_meaning(definition, item), _table_demands(definition, item)
    return sha256(canonical(meaning)), sha256(canonical(demands))


def _table_meaning(definition: Definition, table: Table) -> list[object]:
    axes = [definition.axes[name] for name in table.axes if name in definition.axes]
    signal = definition.signals.get(table.signal or "")
    return [
        table,
        definition.conversion_of(table),
        definition.unit_of(table),
        [_axis_meaning(definition, axis) for axis in axes],
        signal and signal.unit,
    ]


def _table_demands(definition: Definition, table: Table) -> list[object]:
    axes = [definition.axes[name] for name in table.axes if name in definition.axes]
    signal = definition.signals.get(table.signal or "")
    return [
        table.purpose,
        table.demands,
        [_signal_demands(definition, axis) for axis in axes],
        signal and (signal.plausible, signal.operating),
    ]


def relation_statement(relations: Iterable[Relation]) -> str:
    """The digest of the demands of relations."""
    return sha256(
        canonical(
            [
                (
                    relation.kind,
                    relation.table,
                    relation.other,
                    relation.amount,
                    *filter(None, [relation.within]),
                )
                for relation in relations
            ]
        )
    )


def layout_statement(definition: Definition) -> str:
    """The digest of which bytes of the memory belong to which item."""
    memory: Memory = definition.memory
    layout = [
        memory,
        [(axis, axis.count) for axis in definition.axes.values()],
        [(table, definition.shape_of(table)) for table in definition.tables.values()],
        list(definition.texts.values()),
    ]
    return sha256(canonical(layout))


def _axis_meaning(definition: Definition, axis: Axis) -> list[object]:
    if isinstance(axis, DerivedAxis):
        curve = definition.curve_of(axis)
        return [axis, curve and _table_meaning(definition, curve)]
    conversion = None if isinstance(axis, FixedAxis) else definition.conversion_of(axis)
    return [axis, conversion, definition.unit_of(axis)]


def _signal_demands(definition: Definition, axis: Axis) -> object:
    signal = definition.signals.get(axis.signal)
    return signal and (signal.plausible, signal.operating)


def canonical(value: object) -> bytes:
    """A value of the definition's model as canonical bytes: equal values give equal bytes.

    Every part has its type and its length, so that two different values never give the same bytes.
    """
    if is_dataclass(value) and not isinstance(value, type):
        given = ((field.name, getattr(value, field.name)) for field in fields(value))
        # Absent attributes are left out, so that a new optional attribute does not change other digests.
        kept = [(name, part) for name, part in given if name not in _NOT_MEANING and not _is_absent(part)]
        parts = [canonical(name) + canonical(part) for name, part in kept]
        # By its attributes and not by the name of its class, which may change with the code.
        return _framed("element", b"".join(parts))
    if isinstance(value, Enum):
        return _framed("enum", value.name.encode())
    if isinstance(value, Mapping):
        pairs = [canonical(key) + canonical(inner) for key, inner in value.items()]
        return _framed("mapping", b"".join(pairs))
    if isinstance(value, list | tuple):
        return _framed("list", b"".join(map(canonical, value)))
    if isinstance(value, bytes):
        return _framed("bytes", value)
    # The type distinguishes 1, 1.0 and True, the text -0.0 and 0.0.
    return _framed(type(value).__name__, str(value).encode("utf-8", "surrogateescape"))


def _is_absent(value: object) -> bool:
    """Whether a value means that an element lacks the attribute; the number 0 does not."""
    return value is None or value is False or (isinstance(value, str | tuple) and not value)


def _framed(kind: str, content: bytes) -> bytes:
    return f"{kind}:{len(content)}:".encode() + content


def stored_bytes(decoded: Decoded, number: int) -> bytes:
    """The bytes of an item's cells as they are stored, x fastest, masked."""
    item: Item = decoded.layout.items[number]
    raw = decoded.raw_of(number)
    if item.storage.mask:
        raw = (raw.astype(np.uint64) << np.uint64(item.storage.shift)).astype(raw.dtype)
    return raw.astype(item.storage.dtype).tobytes()
