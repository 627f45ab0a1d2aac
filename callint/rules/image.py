"""Rules about an image as a file of its software."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.decoding import checksums
from callint.decoding.statistics import distinct
from callint.decoding.unit_numbers import UnitNumber, unit_items, unit_numbers
from callint.model import rule_ids
from callint.model.definition import Memory, Purpose, Table, Text
from callint.model.finding import Evidence, Finding, Severity
from callint.model.image import Image
from callint.rules.context import CheckContext, OtherImage
from callint.rules.rule import Scope, rule


@rule(rule_ids.IMAGE_UNASSIGNED, Severity.WARNING, Scope.UNASSIGNED)
def unassigned(context: CheckContext) -> Iterator[Finding]:
    """No entry of the policy names a file that looks like an image.

    A file looks like an image if it carries every identity of a definition in the policy and is as large as
    the memory. Intel HEX files, S-records and raw files of an entry with a `start` may hold part of it;
    callint looks for them by suffix: those that are usual for records, and those in the policy. `callint
    check` looks at all files that git does not ignore, the hook and ranges at those that changed.

    Why it matters: callint does not check the file. It gets into the repository, and from there into a
    control unit, with any content.

    Example: `boats/dora.BIN`, while the policy names `boats/*.bin`: paths distinguish upper and lower case.

    Fix: add the file to `paths` in the policy, rename it, or move it out of the repository. The rule is a
    warning because a repository may keep such files on purpose; to stop their commits, write
    `"image/unassigned" = "error"` below `[severity]` in the policy.
    """
    image, memory = context.image, context.definition.memory
    if image is None or not memory.identities:
        return
    if image.size != memory.size and not image.is_part:
        return
    if any(image.read(item.at, len(item.content)) != item.content for item in memory.identities):
        return
    names = fmt.list_names([item.name for item in memory.identities], _MOST_NAMES)
    yield Finding(
        rule=rule_ids.IMAGE_UNASSIGNED,
        message=f"callint does not check this image: it carries the {names} of {context.file.path}, but no "
        "entry of the policy names it",
        hint="Add the file to the paths of the policy, rename it to match them, or move it out of the "
        "repository.",
    )


@rule(rule_ids.IMAGE_UNREADABLE, Severity.ERROR, Scope.FILE)
def unreadable(context: CheckContext) -> Iterator[Finding]:
    """The image file cannot be read.

    Why it matters: callint has not checked anything in the file. Do not flash it.

    Example: the path is a folder, the commit lacks the file, or callint lacks the permission to read it.

    Fix: remove the obstacle that the message names.
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
    """A line of an Intel HEX file or of S-records is invalid or contradicts another line.

    The rule reports a wrong checksum or length, a line that is not a record, two records with different data
    for one address, a missing end record, a record after it, and a record count that does not match.

    Why it matters: the file was truncated, damaged in transfer or edited by hand. Programmers handle such a
    file differently: some stop in the middle and leave the control unit half written. callint therefore
    checks nothing else in such a file, and never writes one.

    Example: `:0300300002337A1F` in line 17, whose bytes give the checksum 0x1E.

    Fix: copy the file again from its source. If the line is intended, let the program that generates such
    files write it.
    """
    for damage in context.damages:
        yield Finding(
            rule=rule_ids.IMAGE_DAMAGED_RECORD,
            subject=f"line {damage.line}: {damage.message}",
            image_line=damage.line,
            message=f"line {damage.line}: {damage.message}",
            hint="Get the file from its source again; callint checked nothing else in it.",
        )


@rule(rule_ids.IMAGE_WRONG_SIZE, Severity.ERROR, Scope.FILE)
def wrong_size(context: CheckContext) -> Iterator[Finding]:
    """The image is empty, or a raw image is shorter or longer than the memory.

    Intel HEX files, S-records and raw files with a start in the policy may hold part of the memory.

    Why it matters: a truncated file lacks tables; an oversized one is often two concatenated files or an
    image of other software. Flashing either can leave a control unit dead.

    Example: 524,280 bytes, while the memory in the definition has 524,288.

    Fix: read the image from the control unit again, or correct the size of the memory in the definition.
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
            f"the image is {kind}: it has {size:,} bytes, but the memory has {memory.size:,} "
            f"({fmt.count(difference, 'byte')} {'missing' if size < memory.size else 'too many'})"
        )
        if lacking := _incomplete_tables(context):
            message += (
                f"; it lacks {fmt.count(len(lacking), 'table')}: {fmt.list_names(lacking, _MOST_NAMES)}"
            )
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
    """The image has bytes at addresses outside the memory.

    Why it matters: the definition does not describe these bytes, so callint does not check them. A programmer
    still writes them: into another memory of the control unit, over its boot loader or, if it truncates
    addresses, over the start of the memory. If all bytes lie outside, the file belongs to something else or
    its start is wrong.

    Example: four bytes at 0x80000, the end of a memory of 512 KiB from 0x0.

    Fix: remove the records that do not belong to the calibration, or correct `start` in the policy or the
    memory in the definition.
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
    """The first address of each range of the image outside the memory, and the one after it."""
    low, high = memory.start, memory.end
    cut = [part for start, end in image.extents for part in ((start, min(end, low)), (max(start, high), end))]
    return [(start, end) for start, end in cut if start < end]


@rule(rule_ids.IMAGE_MISSING_TABLE, Severity.ERROR, Scope.IMAGE)
def missing_table(context: CheckContext) -> Iterator[Finding]:
    """A table, axis or text lies in a gap of an image of part of the memory.

    Why it matters: callint has nothing to check. When the image is flashed, the control unit keeps its old
    content there: a mix of two calibrations that nobody has checked. callint never treats missing cells as
    zeros.

    Example: a map at 0x40020 to 0x4005F, and records that end at 0x4004F: 8 of its 32 cells are missing. A
    map that ends with the last byte of the records barely passes.

    Fix: generate the file with the whole calibration, or remove the table from the definition of such files.
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
            _absence_message(item.name, count, size, which),
            _ABSENT_HINT,
            inherited=context.old is not None and not (absent & in_base[cells]).any(),
        )
    for text in context.definition.texts.values():
        count = text.length - context.new.image.count_bytes(text.at, text.at + text.length)
        if count:
            base = context.base
            yield Finding(
                rule=rule_ids.IMAGE_MISSING_TABLE,
                table=text.name,
                line=text.line,
                address=text.at,
                message=_absence_message(text.name, count, text.length, "bytes"),
                hint=_ABSENT_HINT,
                inherited=base is not None
                and base.count_bytes(text.at, text.at + text.length) == text.length - count,
            )


_ABSENT_HINT = "Export the file again with the whole calibration, or correct the address in the definition."


def _absence_message(name: str, count: int, size: int, what: str) -> str:
    amount = "its" if count == size else f"{count} of its {size}"
    return f"{name} lies in a gap: the image lacks {amount} {what}"


@rule(rule_ids.IMAGE_UNKNOWN_IDENTITY, Severity.WARNING, Scope.FILE)
def unknown_identity(context: CheckContext) -> Iterator[Finding]:
    """The bytes that identify the software lie in a gap of the image.

    Why it matters: nothing proves that the definition matches the image. With the definition of other
    software, every value that callint shows is meaningless.

    Example: an Intel HEX file with only the calibration, which lacks the software number at 0x5FFE0.

    Fix: generate the file with these bytes, or describe an identity inside the calibration.
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
    """A checksum covers bytes in a gap of the image, or is stored there.

    Why it matters: the right value depends on what the control unit has in the gap. callint therefore neither
    checks such a checksum nor computes it over zeros. A stale checksum keeps the control unit in its boot
    loader. If the definition says gaps="fill" of the checksum, missing bytes count as the fill byte of the
    memory, unless the image has no byte that the checksum covers.

    Example: a CRC over 0x40000 to 0x5FFFF, and an S-record file that ends at 0x5FEFF.

    Fix: generate the file with all bytes that the checksum covers, correct the range in the definition, or
    add gaps="fill" to the checksum if the control unit has fill in the gap.
    """
    image, base = context.new.image, context.base
    if not image.is_part:
        return
    for checksum in context.definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            continue
        end = checksum.start + checksum.size
        absent = checksum.size - image.count_bytes(checksum.start, end)
        is_stored = checksums.stored_value(checksum, image) is not None
        if checksum.gap_fill is not None and absent < checksum.size:
            absent = 0  # the definition says what is there
        if not absent and is_stored:
            continue
        what = f"{fmt.count(absent, 'byte')} that it covers" if absent else "the bytes that store it"
        yield Finding(
            rule=rule_ids.IMAGE_UNCOVERED_CHECKSUM,
            subject=checksum.name,
            line=checksum.line,
            address=checksum.start if absent else checksum.stored_at,
            message=f"callint cannot check the checksum {checksum.name}: the image lacks {what}",
            hint="Export the file again with these bytes, or correct the checksum in the definition.",
            inherited=base is not None
            and checksum.size - base.count_bytes(checksum.start, end) == absent
            and (checksums.stored_value(checksum, base) is not None) == is_stored,
            evidence=Evidence(),
        )


def _incomplete_tables(context: CheckContext) -> list[str]:
    """The names of the tables of which the image lacks cells, in the order of the definition."""
    absent = distinct(context.layout.item[~context.new.present])
    tables = [item for item in (context.layout.items[n] for n in absent.tolist()) if isinstance(item, Table)]
    return [table.name for table in sorted(tables, key=lambda table: table.line)]


#: The most absent tables that a message names.
_MOST_NAMES = 3


@rule(rule_ids.IMAGE_WRONG_IDENTITY, Severity.ERROR, Scope.FILE)
def wrong_identity(context: CheckContext) -> Iterator[Finding]:
    """The image is not of the software that the definition describes.

    Why it matters: in other software the tables lie elsewhere. Every value that callint would show is
    meaningless, and an edit with this definition would overwrite unrelated bytes. callint therefore checks
    nothing else in such an image.

    Example: the bytes at 0x5FFE0 are "SK28-0398", but the definition says "SK28-0412".

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


@rule(rule_ids.IMAGE_UNIT_NUMBER, Severity.ERROR, Scope.UNIT)
def unit_number(context: CheckContext) -> Iterator[Finding]:
    """A number of the unit is that of another image, or changed in the history of the file.

    The definition marks such numbers, a hull number or a serial number, with `unit-own="true"`. The hook and
    the checks of ranges compare an image with its earlier version, and every check compares it with the other
    images of the policy. Filling, and the number that the base has, count as no number.

    Why it matters: somebody saved the image of one boat over the file of another. Each value in it may be
    right, for the wrong engine. The next person flashes it.

    Example: `boats/petrel.bin` has the hull number "HERON-3" of `boats/heron.bin`, and its last commit had
    "PETREL-1".

    Fix: restore the image of the unit from git. If the unit got a new number, waive the finding with the
    reason.
    """
    image, definition = context.image, context.definition
    if image is None or not (context.others or context.earlier):
        return
    numbers = unit_numbers(definition, image, context.base)
    earlier = [unit_numbers(definition, before, context.base) for before in context.earlier]
    for item in unit_items(definition):
        number = numbers.get(item.name)
        before = [present.get(item.name) for present in earlier]
        sharing = [other for other in context.others if number and other.numbers.get(item.name) == number]
        old = before[0] if before and None not in before and number not in before else None
        if sharing or old:
            yield Finding(
                rule=rule_ids.IMAGE_UNIT_NUMBER,
                table=item.name,
                line=item.line,
                address=item.at,
                size=item.length if isinstance(item, Text) else item.storage.type.size,
                message=_unit_message(item.name, image, number, old, sharing),
                hint="Restore the image of this unit, or waive the finding with a reason.",
                protective=item.purpose is Purpose.PROTECTION,
            )


def _unit_message(
    name: str, image: Image, number: UnitNumber | None, old: UnitNumber | None, sharing: list[OtherImage]
) -> str:
    """The message about a number of the unit that changed, or that other images have too."""
    now = "the number of the base or filling" if number is None else number.text
    copies = [other for other in sharing if other.image == image]
    is_copy = bool(copies)
    paths = fmt.list_names([other.path for other in copies or sharing], _MOST_NAMES)
    whose = f"the number of {paths}" + (", with all other bytes" if is_copy else "")
    if old is None:
        return f"{name} is {now}, {whose} too" if not is_copy else f"{name} is {now}, {whose}"
    if not sharing:
        return f"{name} changed from {old.text} to {now}, but it is the unit's own number"
    return f"{name} changed from {old.text} to {now}, {whose}: was that image saved over this file?"


@rule(rule_ids.IMAGE_COPIED, Severity.WARNING, Scope.COPY)
def copied(context: CheckContext) -> Iterator[Finding]:
    """The file of an image now holds the same bytes as another image of the policy.

    The hook and the checks of ranges compare an image with its earlier version, and its new bytes with the
    other images of the policy. They report an image that differed from the other one before. If both changed,
    the finding is a note: one new calibration may be meant for both. Several boats may carry the same
    calibration from the start, so a new file, and files that change together and stay equal, are not
    reported; nor is an image that became equal to its base.

    Why it matters: somebody saved the image of one boat over the file of another, and what was tuned on that
    engine is lost. Each value in it may be right, for the wrong engine. `unit-own="true"` at a hull or serial
    number finds such a copy even after it was edited (`image/unit-number`).

    Example: `boats/petrel.bin` is committed with all bytes of `boats/heron.bin`.

    Fix: restore the image of the unit from git. If both units are meant to have one calibration, waive the
    finding with the reason.
    """
    if not context.others:
        return
    kept = [other for other in context.others if not other.changed]
    paths = fmt.list_names([other.path for other in kept or context.others], _MOST_NAMES)
    if kept:
        message = f"the image became equal to {paths}: was that image saved over this file?"
    else:
        message = f"the image and {paths} differed and are now equal: is one calibration meant for all?"
    yield Finding(
        rule=rule_ids.IMAGE_COPIED,
        message=message,
        hint="Restore the image of this unit, or waive the finding if one calibration is meant for both.",
        unsure=not kept,
    )


@rule(rule_ids.IMAGE_STALE_CHECKSUM, Severity.ERROR, Scope.IMAGE)
def stale_checksum(context: CheckContext) -> Iterator[Finding]:
    """A stored checksum does not match the bytes that it covers.

    Why it matters: the control unit rejects such an image, stays in its boot loader, or runs with defaults.
    On a boat at sea that is a dead engine.

    Example: a cell was edited, but the CRC over the calibration was not recalculated.

    Fix: run callint seal on the image, as the last step after all edits.
    """
    image = context.new.image
    for checksum in context.definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            continue  # definition/unknown-reference reports it
        stored = checksums.stored_value(checksum, image)
        value = checksums.expected_value(checksum, image)
        if stored is None or value is None or stored == value:
            continue
        order = checksums.other_byte_order(checksum, image)
        yield Finding(
            rule=rule_ids.IMAGE_STALE_CHECKSUM,
            subject=checksum.name,
            line=checksum.line,
            address=checksum.stored_at,
            size=checksums.stored_size(checksum),
            raw=stored,
            message=f"the stored checksum {checksum.name} is {checksums.written(checksum, stored)}, "
            f"but its bytes give {checksums.written(checksum, value)} ({checksum.algorithm})",
            hint="Run callint seal after the last edit."
            if order is None
            else f'Write byte-order="{order}" for it in the definition; then the stored checksum is right.',
            evidence=Evidence(
                ranges=(
                    (checksum.start, checksum.size),
                    (checksum.stored_at, checksums.stored_size(checksum)),
                )
            ),
        )


#: Fewer fill bytes than this may be a value: a single 0xFF is 255.
_BLANK_BYTES = 4


@rule(rule_ids.IMAGE_BLANK_TABLE, Severity.WARNING, Scope.IMAGE)
def blank_table(context: CheckContext) -> Iterator[Finding]:
    """A table contains only fill bytes.

    Why it matters: erased memory contains fill bytes. Either this software does not have the table, or the
    image was not read completely, or something that the engine needs was erased.

    Example: 32 bytes of 0xFF at the address of the torque limit.

    Fix: compare the image with the factory base; correct the address in the definition if the table lies
    elsewhere.
    """
    layout, fill = context.layout, context.definition.memory.fill
    if not layout.size:
        return
    least, greatest = context.new.extremes
    filled = ~(least < greatest)  # an item with different values is not all fill; fill may be NaN
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


#: If this share of a table is beyond its limits in the base, the definition probably reads other bytes.
_DOUBTFUL_SHARE = 0.5


@rule(rule_ids.IMAGE_DOUBTFUL_TABLE, Severity.WARNING, Scope.CHANGE)
def doubtful_table(context: CheckContext) -> Iterator[Finding]:
    """Most cells of a table are beyond its limits in the factory base itself.

    Why it matters: factories do not ship tables beyond what the hardware withstands. More likely the
    definition reads the wrong bytes: a wrong address, type, byte order or factor. Then every statement about
    this table is meaningless, and an edit of it overwrites something else.

    Example: `at="130"` instead of 0x130: 48 of 48 cells of the base are 6553.5 bar. With 23 of 48 it barely
    passes.

    Fix: correct the address, type, byte order or conversion; or the limits, if the base really exceeds them.
    """
    if context.old is None or not context.layout.size:
        return
    cells = context.old.cells_outside(*context.layout.limits, context.layout.raw_limits)
    sizes = np.diff(context.layout.first)
    counts = np.bincount(context.layout.item[cells], minlength=len(sizes))
    for number in np.flatnonzero(counts >= np.maximum(_DOUBTFUL_SHARE * sizes, 1)).tolist():
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
    """The policy names a base for the image, but callint cannot find it.

    Why it matters: without its base, callint cannot report what was changed, and misses a whole class of
    mistakes.

    Example: the base file was moved, or none of the named bases has the image's identity.

    Fix: correct the path of the base in the policy, or add the base of this software.
    """
    if context.base_problem:
        yield Finding(
            rule=rule_ids.IMAGE_MISSING_BASE,
            subject=context.base_problem,
            message=context.base_problem,
            hint="Correct the base in the policy, or add the factory image of this software.",
            # Without a base the changes were not judged: then the finding is about the whole image.
            evidence=None if context.base is None else Evidence(),
        )
