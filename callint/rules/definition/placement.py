"""Rules about where things lie in memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.decoding import checksums
from callint.decoding.word_order import unsigned_bytes
from callint.model import rule_ids
from callint.model.address_digits import AddressDigits
from callint.model.declarations import DecimalAddress
from callint.model.definition import Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule


@dataclass(frozen=True, slots=True)
class _Extent:
    """The addresses from the first to the last byte of a thing, whose ``name`` a message can use.

    A table with a stride has gaps in between. ``item`` is the number of a table or axis in the layout.
    """

    name: str
    line: int
    start: int
    end: int
    item: int | None = None
    table: str = ""


def _extents(context: CheckContext) -> list[_Extent]:
    """The extents of everything that has its own place in memory.

    Identities are not among them: an identity and a text may read the same bytes.
    """
    layout, definition = context.layout, context.definition
    extents = []
    if layout.size:
        first = layout.first[:-1]
        low = np.minimum.reduceat(layout.address, first)
        high = np.maximum.reduceat(layout.address, first)
        for number, item in enumerate(layout.items):
            kind = "table" if isinstance(item, Table) else "axis"
            table = item.name if isinstance(item, Table) else ""
            end = int(high[number]) + item.storage.type.size
            extents.append(_Extent(f"{kind} {item.name}", item.line, int(low[number]), end, number, table))
    for text in definition.texts.values():
        extents.append(
            _Extent(f"text {text.name}", text.line, text.at, text.at + text.length, None, text.name)
        )
    for axis in definition.stored_axes:
        if axis.stored_count:
            end = axis.stored_count.at + axis.stored_count.storage.type.size
            extents.append(_Extent(f"the count of axis {axis.name}", axis.line, axis.stored_count.at, end))
    for checksum in definition.memory.checksums:
        if checksums.is_known(checksum.algorithm):
            end = checksum.stored_at + checksums.stored_size(checksum)
            name = f"the stored checksum {checksum.name}"
            extents.append(_Extent(name, checksum.line, checksum.stored_at, end))
    return extents


@rule(rule_ids.DEFINITION_OUTSIDE_IMAGE, Severity.ERROR, Scope.DEFINITION)
def outside_image(context: CheckContext) -> Iterator[Finding]:
    """An element lies outside the memory that the definition declares.

    Why it matters: no image has these bytes, so callint can check nothing about them. Usually a digit of the
    address is wrong, and the intended table lies elsewhere.

    Example: `at="0x140200"` in a memory of 0x80000 bytes.

    Fix: correct the address, the count or the size of the memory.
    """
    memory = context.definition.memory
    extents = _extents(context)
    for region in memory.regions:
        end = region.start + region.size
        extents.append(_Extent(f"region {region.name}", region.line, region.start, end))
    for identity in memory.identities:
        end = identity.at + len(identity.content)
        extents.append(_Extent(f"identity {identity.name}", identity.line, identity.at, end))
    for checksum in memory.checksums:
        end = checksum.start + checksum.size
        name = f"the range of checksum {checksum.name}"
        extents.append(_Extent(name, checksum.line, checksum.start, end))
    decimal = {address.line: address for address in context.file.decimal_addresses}
    for extent in extents:
        if extent.start < memory.start or extent.end > memory.end:
            address = decimal.get(extent.line)
            meant = _hexadecimal_in_memory(context, address) if address else ""
            yield definition_finding(
                rule_ids.DEFINITION_OUTSIDE_IMAGE,
                extent.line,
                extent.name,
                f"{extent.name} lies at {fmt.address(extent.start)} to {fmt.address(extent.end - 1)}, "
                f"outside the memory {fmt.address(memory.start)} to {fmt.address(memory.end - 1)}",
                f"Did you mean {meant}?" if meant else "Correct the address, the count or the memory's size.",
                extent.table,
            )


@rule(rule_ids.DEFINITION_DECIMAL_ADDRESS, Severity.WARNING, Scope.DEFINITION)
def decimal_address(context: CheckContext) -> Iterator[Finding]:
    """An address is decimal, but at least three quarters of all addresses are hexadecimal.

    Why it matters: an address without its 0x is another address: 40512 is 0x9E40. What is read there depends
    on chance.

    Example: `at="40512"` among addresses such as `at="0x40510"`. Up to 9, both are the same. An address is
    reported only if it would lie in the memory with 0x and without.

    Fix: add the missing 0x; or write the address in hexadecimal digits, if it is right.
    """
    memory = context.definition.memory
    for address in context.file.decimal_addresses:
        number = AddressDigits(address.text).as_decimal
        meant = _hexadecimal_in_memory(context, address)
        if meant and memory.start <= number < memory.end:  # definition/outside-image reports the others
            yield definition_finding(
                rule_ids.DEFINITION_DECIMAL_ADDRESS,
                address.line,
                f"{address.owner} {address.attribute} {address.text}",
                f"{address.attribute} of {address.owner} is the decimal number {address.text}, which is "
                f"{fmt.address(number)}, but the other addresses are hexadecimal",
                f"Write {meant} if the digits are hexadecimal, otherwise {fmt.address(number)}.",
            )


def _hexadecimal_in_memory(context: CheckContext, address: DecimalAddress) -> str:
    """The address with a 0x before it, if that lies in the memory; else ""."""
    memory, digits = context.definition.memory, AddressDigits(address.text)
    return digits.marked if memory.start <= digits.as_hexadecimal < memory.end else ""


@rule(rule_ids.DEFINITION_OVERLAP, Severity.WARNING, Scope.DEFINITION)
def overlap(context: CheckContext) -> Iterator[Finding]:
    """Two elements occupy the same bytes.

    Why it matters: an edit of one table silently changes the other. Either an address, a count or a type is
    wrong, or the engine really reads one place twice and whoever edits it must know. Tables with different
    masks in one byte do not overlap, and neither do interleaved tables.

    One wrong address can touch many elements. callint reports the element whose removal clears the most
    overlaps, once with all that it touches, and then looks at what is left in the same way.

    Example: a curve of 12 cells with `count="16"` extends into the next curve.

    Fix: correct the address, count, type, stride or mask. If the engine really reads one place twice, set the
    rule to note in the policy.
    """
    pairs = list(islice(_overlaps(context), _MOST_OVERLAPS))
    is_cut = len(pairs) == _MOST_OVERLAPS
    while pairs:
        extent, own = _most_overlapping(context, pairs)
        if len(own) == 1:  # nothing overlaps two others any more
            yield from (_overlapping_pair(context, pair) for pair in pairs)
            return
        yield _overlapping_many(context, extent, own, is_cut)
        pairs = [pair for pair in pairs if extent not in (pair.first, pair.second)]


#: The most overlapping pairs that are looked at.
_MOST_OVERLAPS = 1000
#: The most overlapped elements that a message names.
_MOST_NAMES = 4


@dataclass(frozen=True, slots=True)
class _Overlap:
    """Two extents and an address that both claim."""

    first: _Extent
    second: _Extent
    address: int

    def other(self, extent: _Extent) -> _Extent:
        return self.second if extent == self.first else self.first


def _most_overlapping(context: CheckContext, pairs: list[_Overlap]) -> tuple[_Extent, list[_Overlap]]:
    """The extent in the most pairs, and these pairs; of several, the one that was written or changed last."""
    changed_at = context.definition.lines.changed_at
    by_extent: dict[_Extent, list[_Overlap]] = {}
    for pair in pairs:
        by_extent.setdefault(pair.first, []).append(pair)
        by_extent.setdefault(pair.second, []).append(pair)

    def rank(extent: _Extent) -> tuple[int, int]:
        return len(by_extent[extent]), changed_at.get(extent.line, extent.line)

    most = max(by_extent, key=rank)
    return most, by_extent[most]


def _overlapping_pair(context: CheckContext, pair: _Overlap) -> Finding:
    lines, first, second = context.definition.lines, pair.first, pair.second
    return definition_finding(
        rule_ids.DEFINITION_OVERLAP,
        max(first.line, second.line, key=lambda line: lines.changed_at.get(line, line)),
        f"{first.name} {second.name}",
        f"{first.name} ({lines.text(first.line)}) and {second.name} ({lines.text(second.line)}) "
        f"both claim {fmt.address(pair.address)}",
        "Correct address, count, type, stride or mask of one of them.",
        second.table or first.table,
    )


def _overlapping_many(
    context: CheckContext, extent: _Extent, overlaps: list[_Overlap], is_cut: bool
) -> Finding:
    """The finding about an element that overlaps several; ``is_cut`` says that there may be more."""
    lines = context.definition.lines
    others = [pair.other(extent) for pair in overlaps]
    names = fmt.list_names([f"{other.name} ({lines.text(other.line)})" for other in others], _MOST_NAMES)
    amount = f"{'at least ' if is_cut else ''}{len(others):,}"
    address = min(pair.address for pair in overlaps)
    return definition_finding(
        rule_ids.DEFINITION_OVERLAP,
        extent.line,
        extent.name,
        f"{extent.name} ({lines.text(extent.line)}) overlaps {amount} others from {fmt.address(address)} on: "
        f"{names}",
        f"Check address, count, type, stride and mask of {extent.name} first.",
        extent.table,
    )


def _overlaps(context: CheckContext) -> Iterator[_Overlap]:
    memory = context.definition.memory
    # definition/outside-image reports items outside the memory, which may have any size.
    extents = [
        extent for extent in _extents(context) if memory.start <= extent.start and extent.end <= memory.end
    ]
    extents.sort(key=lambda extent: (extent.start, extent.end, extent.name))
    cluster: list[_Extent] = []
    end = -1
    for extent in [*extents, None]:
        if extent is not None and extent.start < end:
            cluster.append(extent)
            end = max(end, extent.end)
            continue
        if len(cluster) > 1:
            yield from _overlaps_within(context, cluster)
        if extent is not None:
            cluster, end = [extent], extent.end


def _overlaps_within(context: CheckContext, cluster: list[_Extent]) -> Iterator[_Overlap]:
    """The overlapping pairs in a cluster of extents.

    Two extents overlap if they claim the same bits of a byte.
    """
    claims = [_claimed(context, extent) for extent in cluster]
    addresses = np.concatenate([claim[0] for claim in claims])
    masks = np.concatenate([claim[1] for claim in claims])
    owners = np.repeat(np.arange(len(cluster)), [len(claim[0]) for claim in claims])
    order = np.lexsort((owners, addresses))
    addresses, masks, owners = addresses[order], masks[order], owners[order]
    first = np.flatnonzero(np.diff(addresses, prepend=-1))
    united = np.bitwise_or.reduceat(masks, first)
    claimed = np.add.reduceat(np.bitwise_count(masks).astype(np.int64), first)
    seen: set[tuple[int, int]] = set()
    ends = np.append(first[1:], len(addresses))
    for group in np.flatnonzero(claimed > np.bitwise_count(united)).tolist():
        claims_of_byte = range(int(first[group]), int(ends[group]))
        for low in claims_of_byte:
            for high in claims_of_byte[low - claims_of_byte.start + 1 :]:
                pair = (int(owners[low]), int(owners[high]))
                if pair[0] != pair[1] and pair not in seen and masks[low] & masks[high]:
                    seen.add(pair)
                    yield _Overlap(cluster[pair[0]], cluster[pair[1]], int(addresses[low]))


def _claimed(context: CheckContext, extent: _Extent) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """The addresses of an extent's bytes, and the mask of bits that it claims of each."""
    if extent.item is None:
        addresses = np.arange(extent.start, extent.end)
        return addresses, np.full(len(addresses), 0xFF, np.uint8)
    storage = context.layout.items[extent.item].storage
    cells = context.layout.address[context.layout.cells(extent.item)]
    size = storage.type.size
    full = (1 << 8 * size) - 1
    mask = unsigned_bytes(storage.mask or full, size, storage.byte_order)
    addresses = (cells[:, None] + np.arange(size)).ravel()
    return addresses, np.tile(np.frombuffer(mask, np.uint8), len(cells))


@rule(rule_ids.DEFINITION_CHECKSUM_OVER_ITSELF, Severity.ERROR, Scope.DEFINITION)
def checksum_over_itself(context: CheckContext) -> Iterator[Finding]:
    """The range of a checksum contains the address where the checksum is stored.

    Why it matters: storing the result changes the bytes from which it is computed, so no stored value is ever
    right.

    Example: start 0x40000, size 0x20000, stored at 0x5FFFC, which is inside the range.

    Fix: end the range before the stored value, or correct the address of the stored value.
    """
    for checksum in context.definition.memory.checksums:
        size = checksums.stored_size(checksum) if checksums.is_known(checksum.algorithm) else 1
        end = checksum.start + checksum.size
        if checksum.stored_at < end and checksum.start < checksum.stored_at + size:
            yield definition_finding(
                rule_ids.DEFINITION_CHECKSUM_OVER_ITSELF,
                checksum.line,
                checksum.name,
                f"checksum {checksum.name} covers {fmt.address(checksum.start)} to "
                f"{fmt.address(end - 1)}, which includes its own stored value "
                f"at {fmt.address(checksum.stored_at)}",
                "End the range before the stored value.",
            )
