"""Rules about an image as a file of its software."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.decoding import checksums
from callint.decoding.statistics import distinct
from callint.model import rule_ids
from callint.model.definition import Memory, Table
from callint.model.finding import Evidence, Finding, Severity
from callint.model.image import Image
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule


@rule(rule_ids.IMAGE_UNREADABLE, Severity.ERROR, Scope.FILE)
def unreadable(context: CheckContext) -> Iterator[Finding]:
    """The image file cannot be read.

    Why it matters: nothing about it can be said, so it must not be flashed on callint's word.

    Example: the path is a folder, the file is missing from the commit, or permission is missing.

    Fix: see to the file; the message says what is in the way.
    """
    if context.read_error:
        yield Finding(
            rule=rule_ids.IMAGE_UNREADABLE,
            subject=context.read_error,
            message=f"the image cannot be read: {context.read_error}",
            hint="Fix the file, or remove it from the paths in the policy.",
        )


@rule(rule_ids.IMAGE_DAMAGED_RECORD, Severity.ERROR, Scope.FILE)
def damaged_record(context: CheckContext) -> Iterator[Finding]:
    """A line of an Intel HEX file or of S-records is wrong, or contradicts another.

    A wrong checksum or length, a line that is no record, two records with different data for one address, a
    missing end record, a record behind it, a count that is not that of the records.

    Why it matters: the file was cut off, damaged on its way or edited by hand. What a programmer makes of it
    is anybody's guess: some stop in the middle, and leave the control unit half written. So nothing else in
    such a file is checked, and callint does not write one.

    Example: `:0300300002337A1F` in line 17, whose bytes give the checksum 0x1E.

    Fix: take the file anew from where it comes. Where the line was meant, have it made by the program that
    makes such files.
    """
    for damage in context.damages:
        yield Finding(
            rule=rule_ids.IMAGE_DAMAGED_RECORD,
            subject=f"line {damage.line}: {damage.words}",
            image_line=damage.line,
            message=f"line {damage.line}: {damage.words}",
            hint="Get the file from its source again; callint checked nothing else in it.",
        )


@rule(rule_ids.IMAGE_WRONG_SIZE, Severity.ERROR, Scope.FILE)
def wrong_size(context: CheckContext) -> Iterator[Finding]:
    """The image is empty, or a raw image is shorter or longer than the memory.

    Intel HEX files, S-records and raw files with a start in the policy may hold part of the memory.

    Why it matters: a truncated file lacks tables, an oversized one is often two files glued together or
    an image of other software; flashing either can leave a control unit dead.

    Example: 524,280 bytes where the definition's memory has 524,288.

    Fix: read the image out again, or correct the memory's size in the definition.
    """
    if context.image is None:
        return
    memory = context.definition.memory
    size = context.image.size
    if size == memory.size or (size and context.image.is_part):
        return
    if size == 0:
        message = "the image is empty"
    else:
        kind, difference = (
            ("truncated", memory.size - size) if size < memory.size else ("too long", size - memory.size)
        )
        message = (
            f"the image is {kind}: it has {size:,} bytes and the memory has {memory.size:,} "
            f"({fmt.count(difference, 'byte')} {'missing' if size < memory.size else 'too many'})"
        )
        if lacking := _lacking(context):
            message += f"; it lacks {fmt.count(len(lacking), 'table')}: {_listed(lacking)}"
    yield Finding(
        rule=rule_ids.IMAGE_WRONG_SIZE,
        raw=size,
        message=message,
        hint="Read the image out again, or correct the memory's size in the definition.",
        inherited=context.base is not None and context.base.size == size,
        evidence=Evidence(),
    )


@rule(rule_ids.IMAGE_OUTSIDE_MEMORY, Severity.ERROR, Scope.FILE)
def outside_memory(context: CheckContext) -> Iterator[Finding]:
    """The image has bytes at addresses that are not in the memory.

    Why it matters: nothing describes them, so nothing about them is checked, and a programmer writes them all
    the same: into another memory of the control unit, over its boot loader, or over its beginning where the
    address is cut off. Where all bytes lie outside, the file is of something else, or its start is wrong.

    Example: four bytes at 0x80000, the end of a memory of 512 KiB from 0x0.

    Fix: take such records out where they do not belong to the calibration, correct `start` in the policy, or
    the memory in the definition.
    """
    if context.image is None or not context.image.is_part:
        return
    memory = context.definition.memory
    outside = _outside(context.image, memory)
    if not outside:
        return
    size = sum(end - start for start, end in outside)
    first = outside[0][0]
    what = fmt.count(size, "byte") if size < context.image.size else "all bytes of the image"
    yield Finding(
        rule=rule_ids.IMAGE_OUTSIDE_MEMORY,
        subject=repr(outside),
        address=first,
        message=f"{what} {'lies' if size == 1 < context.image.size else 'lie'} outside the memory "
        f"({fmt.address(memory.start)} to {fmt.address(memory.end - 1)}); "
        f"the first is at {fmt.address(first)}",
        hint="Remove these bytes, or correct "
        f"{'the start in the policy or ' if context.is_raw else ''}the memory in the definition.",
        inherited=context.base is not None and _outside(context.base, memory) == outside,
        evidence=Evidence(ranges=tuple((start, end - start) for start, end in outside)),
    )


def _outside(image: Image, memory: Memory) -> list[tuple[int, int]]:
    """First address of each stretch of the image that the memory does not have, and the one behind it."""
    low, high = memory.start, memory.end
    cut = [part for start, end in image.extents for part in ((start, min(end, low)), (max(start, high), end))]
    return [(start, end) for start, end in cut if start < end]


@rule(rule_ids.IMAGE_MISSING_TABLE, Severity.ERROR, Scope.IMAGE)
def missing_table(context: CheckContext) -> Iterator[Finding]:
    """A table, axis or text lies where an image of part of the memory has a gap.

    Why it matters: there is nothing to be checked, and whatever the control unit has there stays in it when
    the image is flashed: two calibrations mixed, which nobody has looked at. Such cells are never taken for
    zeros.

    Example: a map at 0x40020 to 0x4005F, and records that end at 0x4004F: 8 of its 32 cells are missing. A
    map that ends with the last byte of the records barely passes.

    Fix: have the file written with all of the calibration, or leave the table out of the definition of such
    files.
    """
    if not context.new.image.is_part:
        return
    layout, present = context.layout, context.new.present
    in_base = present if context.old is None else context.old.present
    for number in distinct(layout.item[~present]).tolist():
        item, cells = layout.items[number], layout.cells(number)
        absent = ~present[cells]
        size, count = len(absent), int(absent.sum())
        which = "cells" if size > 1 else "cell"
        yield context.about_table(
            rule_ids.IMAGE_MISSING_TABLE,
            item,
            _absence(item.name, count, size, which),
            _ABSENT,
            inherited=context.old is not None and not (absent & in_base[cells]).any(),
        )
    for text in context.definition.texts.values():
        count = text.length - context.new.image.amount(text.at, text.at + text.length)
        if count:
            base = context.base
            yield Finding(
                rule=rule_ids.IMAGE_MISSING_TABLE,
                table=text.name,
                line=text.line,
                address=text.at,
                message=_absence(text.name, count, text.length, "bytes"),
                hint=_ABSENT,
                inherited=base is not None
                and base.amount(text.at, text.at + text.length) == text.length - count,
            )


_ABSENT = "Export the file again with the whole calibration, or correct the address in the definition."


def _absence(name: str, count: int, size: int, what: str) -> str:
    amount = "its" if count == size else f"{count} of its {size}"
    return f"{name} lies in a gap: the image lacks {amount} {what}"


@rule(rule_ids.IMAGE_UNKNOWN_IDENTITY, Severity.WARNING, Scope.FILE)
def unknown_identity(context: CheckContext) -> Iterator[Finding]:
    """The bytes that say of which software an image is lie where it has a gap.

    Why it matters: nothing proves that the definition is the image's own. With that of other software every
    value that is shown is meaningless.

    Example: an Intel HEX file of the calibration alone, and a software number at 0x5FFE0, which it does not
    have.

    Fix: have the file written with these bytes, or describe an identity that lies in the calibration.
    """
    if context.image is None or not context.image.is_part or not context.image.size:
        return
    for identity in context.definition.memory.identities:
        size = len(identity.content)
        if context.image.read(identity.at, size) is None:
            yield Finding(
                rule=rule_ids.IMAGE_UNKNOWN_IDENTITY,
                subject=identity.name,
                line=identity.line,
                address=identity.at,
                message=f"the {identity.name} lies in a gap: nothing identifies the software of the image",
                hint="Export the file again with these bytes, or verify the software in another way.",
                inherited=context.base is not None and context.base.read(identity.at, size) is None,
                evidence=Evidence(),
            )


@rule(rule_ids.IMAGE_UNCOVERED_CHECKSUM, Severity.ERROR, Scope.IMAGE)
def uncovered_checksum(context: CheckContext) -> Iterator[Finding]:
    """A checksum covers bytes, or is stored, where the image has a gap.

    Why it matters: whether it is right depends on what the control unit has in the gap, which the image does
    not tell. It is neither checked nor computed over zeros, and a stale one leaves the control unit in its
    boot loader.

    Example: a CRC over 0x40000 to 0x5FFFF, and an S-record file that ends at 0x5FEFF.

    Fix: have the file written with all bytes that the checksum covers, or correct its range in the
    definition.
    """
    image, base = context.new.image, context.base
    if not image.is_part:
        return
    for checksum in context.definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            continue
        end = checksum.start + checksum.size
        covered = checksum.size - image.amount(checksum.start, end)
        is_stored = checksums.stored_value(checksum, image) is not None
        if not covered and is_stored:
            continue
        what = f"{fmt.count(covered, 'byte')} that it covers" if covered else "the bytes that store it"
        yield Finding(
            rule=rule_ids.IMAGE_UNCOVERED_CHECKSUM,
            subject=checksum.name,
            line=checksum.line,
            address=checksum.start if covered else checksum.stored_at,
            message=f"callint cannot check the checksum {checksum.name}: the image lacks {what}",
            hint="Export the file again with these bytes, or correct the checksum in the definition.",
            inherited=base is not None
            and checksum.size - base.amount(checksum.start, end) == covered
            and (checksums.stored_value(checksum, base) is not None) == is_stored,
            evidence=Evidence(),
        )


def _lacking(context: CheckContext) -> list[str]:
    """The tables that the image does not hold whole, in the order of the definition."""
    absent = distinct(context.layout.item[~context.new.present])
    tables = [item for item in (context.layout.items[n] for n in absent.tolist()) if isinstance(item, Table)]
    return [table.name for table in sorted(tables, key=lambda table: table.line)]


#: So many tables are named that an image does not hold.
_MOST_NAMES = 3


def _listed(names: list[str]) -> str:
    rest = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {rest} more" if rest > 0 else "")


@rule(rule_ids.IMAGE_WRONG_IDENTITY, Severity.ERROR, Scope.FILE)
def wrong_identity(context: CheckContext) -> Iterator[Finding]:
    """The image is not of the software that the definition describes.

    Why it matters: in other software the tables lie elsewhere. Every value that would be shown is
    meaningless, and an edit by this definition would write into whatever happens to be there. So
    nothing else about such an image is checked.

    Example: the bytes at 0x5FFE0 read "SK28-0398" where the definition says "SK28-0412".

    Fix: name the right definition in the policy, or rework the right image.
    """
    if context.image is None:
        return
    for identity in context.definition.memory.identities:
        stored = context.image.read(identity.at, len(identity.content))
        if stored is not None and stored != identity.content:
            actual, expected = (fmt.byte_string(content) for content in (stored, identity.content))
            yield Finding(
                rule=rule_ids.IMAGE_WRONG_IDENTITY,
                subject=f"{identity.name} {stored.hex()}",
                line=identity.line,
                address=identity.at,
                size=len(identity.content),
                message=f"the {identity.name} is {actual}, not {expected}: "
                "this is an image of other software",
                hint="Name the right definition, or rework the right image. "
                "callint checked nothing else in it.",
            )


@rule(rule_ids.IMAGE_STALE_CHECKSUM, Severity.ERROR, Scope.IMAGE)
def stale_checksum(context: CheckContext) -> Iterator[Finding]:
    """A stored checksum does not match the bytes that it covers.

    Why it matters: the control unit refuses such an image, stays in its boot loader, or runs with
    defaults; on a boat at sea that is a dead engine.

    Example: a cell was edited and the CRC over the calibration was not computed anew.

    Fix: run callint seal on the image, as the last step after all edits.
    """
    image = context.new.image
    for checksum in context.definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            continue  # definition/unknown-reference says so
        stored = checksums.stored_value(checksum, image)
        value = checksums.expected_value(checksum, image)
        if stored is None or value is None or stored == value:
            continue
        yield Finding(
            rule=rule_ids.IMAGE_STALE_CHECKSUM,
            subject=checksum.name,
            line=checksum.line,
            address=checksum.stored_at,
            size=checksums.stored_size(checksum),
            raw=stored,
            message=f"the stored checksum {checksum.name} is {checksums.written(checksum, stored)}, "
            f"but its bytes give {checksums.written(checksum, value)} ({checksum.algorithm})",
            hint="Run callint seal after the last edit.",
            evidence=Evidence(
                ranges=(
                    (checksum.start, checksum.size),
                    (checksum.stored_at, checksums.stored_size(checksum)),
                )
            ),
        )


#: Fewer fill bytes than this may be values: a single 0xFF is 255.
_BLANK_BYTES = 4


@rule(rule_ids.IMAGE_BLANK_TABLE, Severity.WARNING, Scope.IMAGE)
def blank_table(context: CheckContext) -> Iterator[Finding]:
    """A table holds nothing but fill bytes.

    Why it matters: erased memory reads as fill. Either the table is not in this software, or the image
    was read out incompletely, or something was erased that the engine needs.

    Example: 32 bytes of 0xFF where the torque limit should be.

    Fix: compare with the factory base; correct the address in the definition if the table lies elsewhere.
    """
    layout, fill = context.layout, context.definition.memory.fill
    if not layout.size:
        return
    least, greatest = context.new.extremes
    filled = ~(least < greatest)  # where values differ, not all of them are fill; fill may be no number
    for group, raw in zip(layout.groups, context.new.raw, strict=True):
        bits = raw.view(f"u{group.type.size}")[layout.first[group.items] - group.cells.start]
        filled[group.items] &= bits == int.from_bytes(bytes([fill]) * group.type.size)
    for number in np.flatnonzero(filled).tolist():
        item, cells, raw = layout.items[number], layout.cells(number), context.new.raw_of(number)
        size = raw.size * item.storage.type.size
        if item.storage.mask or size < _BLANK_BYTES or not context.new.present[cells].all():
            continue
        if raw.tobytes() == bytes([fill]) * size:
            yield context.about_table(
                rule_ids.IMAGE_BLANK_TABLE,
                item,
                f"{item.name} is blank: {size} bytes of fill 0x{fill:02X} at {fmt.address(item.at)}",
                "Compare with the factory base; correct the address if the table lies elsewhere.",
                inherited=context.is_unchanged(item),
            )


#: A table of which so large a share is beyond its limits in the base is hardly read as it is meant.
_DOUBTFUL = 0.5


@rule(rule_ids.IMAGE_DOUBTFUL_TABLE, Severity.WARNING, Scope.CHANGE)
def doubtful_table(context: CheckContext) -> Iterator[Finding]:
    """Most of a table is beyond its limits in the factory base itself.

    Why it matters: factories do not ship tables beyond what the hardware stands. Far more likely the
    definition reads the wrong bytes: a wrong address, type, byte order or factor. Then nothing that is
    said about this table means anything, and an edit of it writes into something else.

    Example: `at="130"` where 0x130 is meant: 48 of 48 cells of the base read 6553.5 bar. With 23 of 48
    it barely passes.

    Fix: correct address, type, byte order or conversion; or the limits, if the base really goes there.
    """
    if context.old is None or not context.layout.size:
        return
    beyond = context.old.beyond(*context.layout.limits, context.layout.raw_limits)
    sizes = np.diff(context.layout.first)
    counts = np.bincount(context.layout.item[beyond], minlength=len(sizes))
    for number in np.flatnonzero(counts >= np.maximum(_DOUBTFUL * sizes, 1)).tolist():
        item = context.layout.items[number]
        count, size = int(counts[number]), int(sizes[number])
        yield context.about_table(
            rule_ids.IMAGE_DOUBTFUL_TABLE,
            item,
            f"in the base itself, {count} of {fmt.count(size, 'cell')} {'is' if count == 1 else 'are'} "
            "beyond the limits: "
            "the definition may read the wrong bytes",
            "Check address, type, byte order and conversion of the table, then its limits.",
        )


@rule(rule_ids.IMAGE_MISSING_BASE, Severity.ERROR, Scope.FILE)
def missing_base(context: CheckContext) -> Iterator[Finding]:
    """The policy names a base for the image, but there is none to compare with.

    Why it matters: without its base, nothing can be said about what was changed; a whole class of
    mistakes goes unseen.

    Example: the base file was moved, or none of the named bases has the image's identity.

    Fix: correct the base's path in the policy, or add the base of this software.
    """
    if context.base_problem:
        yield Finding(
            rule=rule_ids.IMAGE_MISSING_BASE,
            subject=context.base_problem,
            message=context.base_problem,
            hint="Correct the base in the policy, or add the factory image of this software.",
            # Without a base the changes of the image were not judged, so that another image is another case.
            evidence=None if context.base is None else Evidence(),
        )
