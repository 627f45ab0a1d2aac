"""The rule about a definition beside the factory image that it describes."""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.model import rule_ids
from callint.model.finding import Finding, Severity
from callint.rules import image
from callint.rules.context import CheckContext
from callint.rules.definition.base_faults import faulty_conversions, find_faults
from callint.rules.definition.byte_order import wrong_byte_order
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule

#: Rules about the file as a whole, whose messages say all.
_OF_THE_FILE = (image.unreadable, image.damaged_record, image.wrong_size, image.wrong_identity)
#: The most items of a conversion that a message names.
_MOST_NAMES = 4


@rule(
    rule_ids.DEFINITION_CONTRADICTS_BASE,
    Severity.WARNING,
    Scope.FACTORY,
    if_severe=Severity.ERROR,
)
def contradicts_base(context: CheckContext) -> Iterator[Finding]:
    """The factory image breaks what the definition demands of a table or axis.

    `callint check definition.xml --base factory.bin` judges a definition against a factory image alone, and
    `callint init` does so with the files that it writes into a new policy. In reworked images, the same
    faults are notes, because the base has them too.

    Why it matters: a factory image is in order. If a table in it is out of range, out of order or blank, the
    definition probably reads the wrong bytes: a wrong address, type, byte order or factor. Then every
    statement about this table is meaningless, and an edit of it overwrites something else. The same applies
    to a guard that a protection matches, to a broken relation, to a checksum that is not that of its range,
    to axes that miss the operating range of their signal, to texts of other bytes than characters, and to
    maps that are at least twice as smooth with their cells in the other order (`order=`, or x and y swapped).

    Example: `at="130"` instead of `at="0x130"`: 48 values of the factory image are out of range. A factory
    image that keeps every demand passes. callint leaves out what follows from another fault: a relation to a
    table that is itself wrong, or a slope between wrong breakpoints. If at least three tables and axes of one
    conversion are wrong, and half of all that it has, the conversion is reported in their place.

    If no more than half of the axes rise or fall throughout, and 90 % do in the other byte order, the byte
    order of the definition is wrong. That is an error. callint then checks nothing else, nor in other images.

    Fix: correct the address, type, byte order or conversion; or the demand, if the factory image really
    breaks it.
    """
    if context.image is None and not (context.read_error or context.damages):
        return
    if (other_file := _finding_about_file(context)) is not None:
        yield other_file
        return
    if (other_order := wrong_byte_order(context)) is not None:
        yield other_order
        return
    yield from _wrong_checksums(context)
    faults = find_faults(context)
    for conversion in [*faulty_conversions(context, faults)]:
        names = fmt.list_names(conversion.faulty, _MOST_NAMES)
        yield definition_finding(
            rule_ids.DEFINITION_CONTRADICTS_BASE,
            conversion.line,
            f"conversion {conversion.name}",
            f"{len(conversion.faulty)} of {conversion.count} tables and axes of conversion {conversion.name} "
            f"contradict {context.base_path}: {names}",
            "Check the conversion, then the addresses and types.",
        )
        for name in conversion.faulty:
            faults.pop(name, None)
    for table, fault in sorted(faults.items(), key=lambda item: item[1].line):
        yield definition_finding(
            rule_ids.DEFINITION_CONTRADICTS_BASE,
            fault.line,
            "",
            f"{table} {fault.text} in {context.base_path}: the definition may read the wrong bytes",
            "Check address, type, byte order and conversion, then the demand itself.",
            table=table,
        )


def _finding_about_file(context: CheckContext) -> Finding | None:
    """The finding about an image that is unreadable or not of the definition's software; None if neither."""
    for checked in _OF_THE_FILE:
        for finding in checked.check(context):
            return definition_finding(
                rule_ids.DEFINITION_CONTRADICTS_BASE,
                finding.line or 1,
                finding.subject or checked.id,
                f"{context.base_path}: {finding.message}",
                "Name the factory image of this software, or correct the definition.",
            )
    return None


def _wrong_checksums(context: CheckContext) -> Iterator[Finding]:
    """The findings about checksums that are not those of their ranges."""
    for finding in image.stale_checksum.check(context):
        yield definition_finding(
            rule_ids.DEFINITION_CONTRADICTS_BASE,
            finding.line or 1,
            f"checksum {finding.subject}",
            f"{context.base_path}: {finding.message}",
            "Check range, algorithm, byte order and address of the checksum.",
        )


def is_of_other_file(context: CheckContext) -> bool:
    """Whether the factory image is unreadable, not of the definition's software, or in another byte order."""
    return _finding_about_file(context) is not None or wrong_byte_order(context) is not None
