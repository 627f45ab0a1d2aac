"""Rules about an image as a file of its software."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint.decoding import checksums
from callint.model import shown
from callint.model.definition import Table
from callint.model.finding import Finding, Severity
from callint.rules.case import Case
from callint.rules.rule import Scope, rule


@rule("image/unreadable", Severity.ERROR, Scope.FILE)
def unreadable(case: Case) -> Iterator[Finding]:
    """The image file cannot be read.

    Why it matters: nothing about it can be said, so it must not be flashed on callint's word.

    Example: the path is a folder, the file is missing from the commit, or permission is missing.

    Fix: see to the file; the message says what is in the way.
    """
    if case.trouble:
        yield Finding(
            rule="image/unreadable",
            subject=case.trouble,
            message=f"the image cannot be read: {case.trouble}",
            hint="See to the file, or take it out of the policy's paths.",
        )


@rule("image/wrong-size", Severity.ERROR, Scope.FILE)
def wrong_size(case: Case) -> Iterator[Finding]:
    """The image is shorter or longer than the memory.

    Why it matters: a truncated file lacks tables, an oversized one is often two files glued together or
    an image of other software; flashing either can leave a control unit dead.

    Example: 524,280 bytes where the definition's memory has 524,288.

    Fix: read the image out again, or correct the memory's size in the definition.
    """
    if case.image is None:
        return
    memory = case.definition.memory
    size = case.image.size
    if size == memory.size:
        return
    if size == 0:
        message = "the image is empty"
    else:
        kind, difference = (
            ("truncated", memory.size - size) if size < memory.size else ("too long", size - memory.size)
        )
        message = (
            f"the image is {kind}: {size:,} bytes where the memory has {memory.size:,} "
            f"({shown.count(difference, 'byte')} {'missing' if size < memory.size else 'too many'})"
        )
        if lacking := _lacking(case):
            message += f"; {shown.count(len(lacking), 'table')} not in it: {_listed(lacking)}"
    yield Finding(
        rule="image/wrong-size",
        raw=size,
        message=message,
        hint="Read the image out again, or correct the memory's size in the definition.",
        inherited=case.base is not None and case.base.size == size,
    )


def _lacking(case: Case) -> list[str]:
    """The tables that the image does not hold whole, in the order of the definition."""
    absent = np.unique(case.plan.item[~case.new.present])
    tables = [item for item in (case.plan.items[n] for n in absent.tolist()) if isinstance(item, Table)]
    return [table.name for table in sorted(tables, key=lambda table: table.line)]


def _listed(names: list[str], most: int = 3) -> str:
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")


@rule("image/wrong-identity", Severity.ERROR, Scope.FILE)
def wrong_identity(case: Case) -> Iterator[Finding]:
    """The image is not of the software that the definition describes.

    Why it matters: in other software the tables lie elsewhere. Every value that would be shown is
    meaningless, and an edit by this definition would write into whatever happens to be there. So
    nothing else about such an image is checked.

    Example: the bytes at 0x5FFE0 read "SK28-0398" where the definition says "SK28-0412".

    Fix: name the right definition in the policy, or rework the right image.
    """
    if case.image is None:
        return
    for identity in case.definition.memory.identities:
        found = case.image.read(identity.at, len(identity.content))
        if found is not None and found != identity.content:
            yield Finding(
                rule="image/wrong-identity",
                subject=f"{identity.name} {found.hex()}",
                line=identity.line,
                address=identity.at,
                size=len(identity.content),
                message=f"the {identity.name} is {as_text(found)}, not {as_text(identity.content)}: "
                "this is an image of other software",
                hint="Nothing else in it was checked. Name its own definition, or rework the right image.",
            )


def as_text(content: bytes) -> str:
    """Bytes in quotes where they are printable, in hexadecimal where not."""
    text = content.decode("ascii", "replace")
    return f'"{text}"' if text.isprintable() and "\ufffd" not in text else content.hex(" ")


@rule("image/stale-checksum", Severity.ERROR, Scope.IMAGE)
def stale_checksum(case: Case) -> Iterator[Finding]:
    """A stored checksum does not match the bytes that it covers.

    Why it matters: the control unit refuses such an image, stays in its boot loader, or runs with
    defaults; on a boat at sea that is a dead engine.

    Example: a cell was edited and the CRC over the calibration was not computed anew.

    Fix: run callint seal on the image, as the last step after all edits.
    """
    image = case.new.image
    for checksum in case.definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            continue  # definition/unknown-reference says so
        stored = checksums.stored_value(checksum, image)
        value = checksums.expected_value(checksum, image)
        if stored is None or value is None or stored == value:
            continue
        digits = 2 * checksums.stored_size(checksum)
        yield Finding(
            rule="image/stale-checksum",
            subject=checksum.name,
            line=checksum.line,
            address=checksum.stored_at,
            size=checksums.stored_size(checksum),
            raw=stored,
            message=f"the stored checksum {checksum.name} is 0x{stored:0{digits}X}, "
            f"but its bytes give 0x{value:0{digits}X} ({checksum.algorithm})",
            hint="Run callint seal after the last edit.",
        )


#: Fewer fill bytes than this may be values: a single 0xFF is 255.
_BLANK_BYTES = 4


@rule("image/blank-table", Severity.WARNING, Scope.IMAGE)
def blank_table(case: Case) -> Iterator[Finding]:
    """A table holds nothing but fill bytes.

    Why it matters: erased memory reads as fill. Either the table is not in this software, or the image
    was read out incompletely, or something was erased that the engine needs.

    Example: 32 bytes of 0xFF where the torque limit should be.

    Fix: compare with the factory base; correct the address in the definition if the table lies elsewhere.
    """
    plan, fill = case.plan, case.definition.memory.fill
    if not plan.size:
        return
    filled = case.new.present.copy()
    for group, raw in zip(plan.groups, case.new.raw, strict=True):
        pattern = int.from_bytes(bytes([fill]) * group.type.size)
        filled[group.cells] &= raw.view(f"u{group.type.size}") == pattern
    filled[np.concatenate([masks.cells for masks in plan.masks])] = False
    blank = np.logical_and.reduceat(filled, plan.first[:-1])
    for number in np.flatnonzero(blank).tolist():
        item = plan.items[number]
        rows, columns = plan.shape(number)
        size = rows * columns * item.storage.type.size
        if size >= _BLANK_BYTES:
            yield case.about_table(
                "image/blank-table",
                item,
                f"{item.name} is blank: {size} bytes of fill 0x{fill:02X} at {shown.address(item.at)}",
                "Compare with the factory base; correct the address if the table lies elsewhere.",
                inherited=case.is_unchanged(item),
            )


#: A table of which so large a share is beyond its limits in the base is hardly read as it is meant.
_DOUBTFUL = 0.5


@rule("image/doubtful-table", Severity.WARNING, Scope.CHANGE)
def doubtful_table(case: Case) -> Iterator[Finding]:
    """Most of a table is beyond its limits in the factory base itself.

    Why it matters: factories do not ship tables beyond what the hardware stands. Far more likely the
    definition reads the wrong bytes: a wrong address, type, byte order or factor. Then nothing that is
    said about this table means anything, and an edit of it writes into something else.

    Example: `at="130"` where 0x130 is meant: 48 of 48 cells of the base read 6553.5 bar. With 23 of 48
    it barely passes.

    Fix: correct address, type, byte order or conversion; or the limits, if the base really goes there.
    """
    if case.old is None or not case.plan.size:
        return
    low, high = case.plan.limits
    physical = case.old.physical
    beyond = case.old.valued & ((physical < low) | (physical > high))
    first, sizes = case.plan.first[:-1], np.diff(case.plan.first)
    counts = np.add.reduceat(beyond.astype(np.int64), first)
    for number in np.flatnonzero(counts >= np.maximum(_DOUBTFUL * sizes, 1)).tolist():
        item = case.plan.items[number]
        count, size = int(counts[number]), int(sizes[number])
        yield case.about_table(
            "image/doubtful-table",
            item,
            f"{count} of {shown.count(size, 'cell')} are beyond the limits in the base itself: "
            "the definition may read the wrong bytes",
            "Check address, type, byte order and conversion of the table, then its limits.",
        )


@rule("image/missing-base", Severity.ERROR, Scope.FILE)
def missing_base(case: Case) -> Iterator[Finding]:
    """The policy names a base for the image, but there is none to compare with.

    Why it matters: without its base, nothing can be said about what was changed; a whole class of
    mistakes goes unseen.

    Example: the base file was moved, or none of the named bases has the image's identity.

    Fix: correct the base's path in the policy, or add the base of this software.
    """
    if case.base_trouble:
        yield Finding(
            rule="image/missing-base",
            subject=case.base_trouble,
            message=case.base_trouble,
            hint="Correct the base in the policy, or add the factory image of this software.",
        )
