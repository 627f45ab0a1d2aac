"""Parses single blocks of a description: each parser takes a block's tokens and returns its node.

Every parser raises BlockError for an invalid token, and counts the options that it does not read.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from callint.model.definition import Range
from callint.reading.asap2.blocks import BlockError, OptionScanner, TokenBlock
from callint.reading.asap2.keywords import MANDATORY
from callint.reading.asap2.nodes import (
    AxisDescription,
    AxisPoints,
    Characteristic,
    Component,
    ConversionMethod,
    ConversionTable,
    Grouping,
    LayoutElement,
    MeasurementObject,
    MemorySegment,
    RecordLayout,
    SkippedItem,
    Structure,
    Unit,
)
from callint.reading.asap2.tokens import SourceLocation, unquoted

#: For the keyword of an option, the field of a node and the reader of its argument.
_Fields = dict[str, tuple[str, Callable[[TokenBlock, int], Any]]]

_OPTION_FIELDS: _Fields = {
    "BIT_MASK": ("mask", TokenBlock.integer),
    "BYTE_ORDER": ("byte_order", TokenBlock.name),
    "ECU_ADDRESS_EXTENSION": ("extension", TokenBlock.integer),
    "ENCODING": ("encoding", TokenBlock.name),
    "EXTENDED_LIMITS": ("extended", TokenBlock.range),
    "PHYS_UNIT": ("unit", TokenBlock.text),
}
_AXIS_FIELDS: _Fields = {
    "AXIS_PTS_REF": ("reference", TokenBlock.name),
    "BYTE_ORDER": ("byte_order", TokenBlock.name),
    "CURVE_AXIS_REF": ("reference", TokenBlock.name),
    "DEPOSIT": ("deposit", TokenBlock.name),
    "MAX_GRAD": ("max_gradient", TokenBlock.real),
    "MONOTONY": ("monotony", TokenBlock.name),
}
_FIXED_AXIS = {"FIX_AXIS_PAR", "FIX_AXIS_PAR_DIST", "/FIX_AXIS_PAR_LIST"}
#: For the keyword of an option, the field that it sets to True.
_FLAG_FIELDS = {
    "/VIRTUAL_CHARACTERISTIC": "is_virtual",
    "/DEPENDENT_CHARACTERISTIC": "is_dependent",
    "READ_ONLY": "is_read_only",
}
#: The other options of a CHARACTERISTIC that are read.
_OTHER_OPTIONS = {
    "/AXIS_DESCR",
    "/FUNCTION_LIST",
    "CALIBRATION_ACCESS",
    "MATRIX_DIM",
    "NUMBER",
    *_FLAG_FIELDS,
}


def parse_characteristic(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> Characteristic:
    """A CHARACTERISTIC with its AXIS_DESCR."""
    axes: list[AxisDescription] = []
    fields: dict[str, Any] = {}
    for keyword, first, end in scanner.options(block, MANDATORY[block.kind]):
        if keyword in _OPTION_FIELDS:
            field, read = _OPTION_FIELDS[keyword]
            fields[field] = read(block, first)
        elif keyword not in _OTHER_OPTIONS:
            scanner.skip(block, keyword, first)
        elif keyword == "/AXIS_DESCR":
            axes.append(_parse_axis_description(block.inner("AXIS_DESCR", first, end), scanner))
        elif keyword == "/FUNCTION_LIST":
            fields["functions"] = tuple(block.texts[first:end])
        elif keyword == "MATRIX_DIM":
            if end > first:
                fields["sizes"] = tuple([block.integer(index) for index in range(first, end)])
        elif keyword == "NUMBER":
            fields.setdefault("sizes", (block.integer(first),))
        elif keyword in _FLAG_FIELDS:
            fields[_FLAG_FIELDS[keyword]] = True
        elif keyword == "CALIBRATION_ACCESS" and block.name(first) == "NO_CALIBRATION":
            fields["is_read_only"] = True
    return Characteristic(
        name=block.name(0),
        title=block.text(1),
        type=block.name(2),
        address=block.integer(3),
        layout=block.name(4),
        conversion=block.name(6),
        limits=block.range(7),
        place=place,
        axes=tuple(axes),
        **fields,
    )


#: The record layout of bytes. No layout of a file has its name.
BYTES = RecordLayout(
    "",
    (LayoutElement("FNC_VALUES", 1, ("UBYTE", "ROW_DIR", "DIRECT")),),
    {},
    {},
    False,
    SourceLocation("", 0),
)


def parse_blob(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> Characteristic:
    """A BLOB, as a block of values: its bytes."""
    extension, is_read_only = 0, False
    for keyword, first, _ in scanner.options(block, MANDATORY["BLOB"]):
        if keyword == "ECU_ADDRESS_EXTENSION":
            extension = block.integer(first)
        elif keyword == "CALIBRATION_ACCESS":
            is_read_only = block.name(first) == "NO_CALIBRATION"
        else:
            scanner.skip(block, keyword, first)
    return Characteristic(
        name=block.name(0),
        title=block.text(1),
        type="VAL_BLK",
        address=block.integer(2),
        layout=BYTES.name,
        conversion="NO_COMPU_METHOD",
        limits=Range(0, 255),
        place=place,
        sizes=(block.integer(3),),
        extension=extension,
        is_read_only=is_read_only,
    )


def _parse_axis_description(block: TokenBlock, scanner: OptionScanner) -> AxisDescription:
    mandatory = MANDATORY[block.kind]
    block.require(mandatory, 0, block.kind)
    fields: dict[str, Any] = {}
    for keyword, first, end in scanner.options(block, mandatory):
        if keyword in _AXIS_FIELDS:
            field, read = _AXIS_FIELDS[keyword]
            fields[field] = read(block, first)
        elif keyword in _FIXED_AXIS:
            fields["fixed"] = keyword.removeprefix("/"), block.reals(first, end)
        else:
            scanner.skip(block, keyword, first)
    return AxisDescription(
        attribute=block.name(0),
        input=block.name(1),
        conversion=block.name(2),
        points=block.integer(3),
        limits=block.range(4),
        place=scanner.source.place(block.places[0]),
        **fields,
    )


def parse_axis_points(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> AxisPoints:
    """An AXIS_PTS."""
    byte_order = deposit = monotony = ""
    unit, extension = None, 0
    for keyword, first, _ in scanner.options(block, MANDATORY[block.kind]):
        match keyword:
            case "BYTE_ORDER":
                byte_order = block.name(first)
            case "DEPOSIT":
                deposit = block.name(first)
            case "MONOTONY":
                monotony = block.name(first)
            case "PHYS_UNIT":
                unit = block.text(first)
            case "ECU_ADDRESS_EXTENSION":
                extension = block.integer(first)
            case _:
                scanner.skip(block, keyword, first)
    return AxisPoints(
        name=block.name(0),
        title=block.text(1),
        address=block.integer(2),
        input=block.name(3),
        layout=block.name(4),
        conversion=block.name(6),
        points=block.integer(7),
        limits=block.range(8),
        byte_order=byte_order,
        deposit=deposit,
        monotony=monotony,
        unit=unit,
        extension=extension,
        place=place,
    )


def parse_conversion_method(
    block: TokenBlock, place: SourceLocation, scanner: OptionScanner
) -> ConversionMethod:
    """A COMPU_METHOD; a REF_UNIT counts only without a unit text."""
    numbers: tuple[float, ...] = ()
    table = reference = formula = status = ""
    unit = block.text(4)
    for keyword, first, end in scanner.options(block, MANDATORY[block.kind]):
        match keyword:
            case "REF_UNIT" if not unit.strip():
                reference = block.name(first)
            case "COEFFS" | "COEFFS_LINEAR":
                numbers = block.reals(first, end)
            case "COMPU_TAB_REF":
                table = block.name(first)
            case "STATUS_STRING_REF":
                status = block.name(first)
            case "/FORMULA":
                formula = block.text(first) if first < end else ""
            case _:
                scanner.skip(block, keyword, first)
    return ConversionMethod(
        name=block.name(0),
        title=block.text(1),
        type=block.name(2),
        format=block.text(3),
        unit=unit,
        unit_reference=reference,
        numbers=numbers,
        table=table,
        formula=formula,
        place=place,
        status=status,
    )


def parse_conversion_table(
    block: TokenBlock, place: SourceLocation, scanner: OptionScanner
) -> ConversionTable:
    """A COMPU_TAB, COMPU_VTAB or COMPU_VTAB_RANGE: rows of numbers, each with a number or text at its end."""
    mandatory = MANDATORY[block.kind]
    width = 3 if block.kind == "COMPU_VTAB_RANGE" else 2
    rows: list[tuple[float | str, ...]] = []
    start = mandatory
    while start < block.end and block.texts[start][:1] in "+-.0123456789":
        block.require(width, start, block.kind)
        result = start + width - 1
        row: list[float | str] = [*block.reals(start, result)]
        row.append(block.real(result) if block.kind == "COMPU_TAB" else block.text(result))
        rows.append(tuple(row))
        start += width
    default = None
    for keyword, first, _ in scanner.options(block, start):
        if keyword in ("DEFAULT_VALUE", "DEFAULT_VALUE_NUMERIC"):
            default = block.name(first)
        else:
            scanner.skip(block, keyword, first)
    stated_rows = block.integer(mandatory - 1)
    type = "" if block.kind == "COMPU_VTAB_RANGE" else block.name(2)
    return ConversionTable(block.name(0), block.kind, type, stated_rows, tuple(rows), default, place)


def parse_record_layout(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> RecordLayout:
    """A RECORD_LAYOUT; its elements keep their arguments as text."""
    elements: list[LayoutElement] = []
    counts: dict[str, int] = {}
    alignments: dict[str, int] = {}
    unknown = scanner.description.unknown
    before = sum(count.amount for count in unknown.values())
    for keyword, first, end in scanner.options(block, MANDATORY[block.kind]):
        if keyword.startswith("ALIGNMENT_"):
            alignments[keyword] = block.integer(first)
        elif keyword.startswith("FIX_NO_AXIS_PTS_"):
            counts[keyword[-1]] = block.integer(first)
        elif keyword.startswith("STATIC_"):
            continue  # a definition always takes the space for the largest number of breakpoints
        elif keyword.startswith("/"):
            scanner.skip(block, keyword, first)
        else:
            arguments = tuple(block.texts[first + 1 : end])
            elements.append(LayoutElement(keyword, block.integer(first), arguments))
    has_unknown_keyword = sum(count.amount for count in unknown.values()) > before
    return RecordLayout(block.name(0), tuple(elements), counts, alignments, has_unknown_keyword, place)


def parse_measurement(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> MeasurementObject:
    """A MEASUREMENT."""
    is_virtual = False
    for keyword, first, _ in scanner.options(block, MANDATORY[block.kind]):
        if keyword == "/VIRTUAL":
            is_virtual = True
        else:
            scanner.skip(block, keyword, first)
    return MeasurementObject(block.name(0), block.text(1), block.name(3), block.range(6), is_virtual, place)


def parse_grouping(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> Grouping:
    """A GROUP or FUNCTION."""
    members: list[str] = []
    references: list[str] = []
    for keyword, first, end in scanner.options(block, MANDATORY[block.kind]):
        if keyword == "/DEF_CHARACTERISTIC" or (keyword == "/REF_CHARACTERISTIC" and block.kind == "GROUP"):
            members += block.texts[first:end]
        elif keyword == "/REF_CHARACTERISTIC":
            references += block.texts[first:end]
        elif keyword != "ROOT":
            scanner.skip(block, keyword, first)
    return Grouping(block.kind, block.name(0), block.text(1), tuple(members), tuple(references), place)


def parse_instance(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> Component:
    """An INSTANCE, with its address as the offset."""
    return _component(block, 2, place, scanner)


def parse_structure(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> Structure:
    """A TYPEDEF_STRUCTURE with its components."""
    components: list[Component] = []
    for keyword, first, end in scanner.options(block, MANDATORY[block.kind]):
        if keyword == "/STRUCTURE_COMPONENT":
            inner = block.inner("STRUCTURE_COMPONENT", first, end)
            inner.require(MANDATORY[inner.kind], 0, inner.kind)
            at = scanner.source.place(block.places[first - 1])
            components.append(_component(inner, 1, at, scanner))
        else:
            scanner.skip(block, keyword, first)
    return Structure(block.name(0), block.integer(2), tuple(components), place)


def _component(
    block: TokenBlock, type_index: int, place: SourceLocation, scanner: OptionScanner
) -> Component:
    """An INSTANCE or STRUCTURE_COMPONENT; its address or offset follows its type."""
    sizes: tuple[int, ...] = ()
    direction, extension, is_read_only = "", 0, False
    for keyword, first, end in scanner.options(block, MANDATORY[block.kind]):
        if keyword == "LAYOUT":
            direction = block.name(first)
        elif keyword == "MATRIX_DIM":
            # The size of an absent dimension is 0.
            sizes = tuple(max(block.integer(index), 1) for index in range(first, end))
        elif keyword == "ECU_ADDRESS_EXTENSION":
            extension = block.integer(first)
        elif keyword == "READ_ONLY" or (
            keyword == "CALIBRATION_ACCESS" and block.name(first) == "NO_CALIBRATION"
        ):
            is_read_only = True
        else:
            scanner.skip(block, keyword, first)
    return Component(
        name=block.name(0),
        type=block.name(type_index),
        offset=block.integer(type_index + 1),
        sizes=sizes,
        direction=direction,
        extension=extension,
        is_read_only=is_read_only,
        place=place,
    )


def parse_unit(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> Unit:
    """A UNIT."""
    for keyword, first, _ in scanner.options(block, MANDATORY[block.kind]):
        scanner.skip(block, keyword, first)
    return Unit(block.name(0), block.text(2), place)


def parse_mod_common(block: TokenBlock, scanner: OptionScanner) -> None:
    """Enter the settings of a MOD_COMMON for the whole module into the description."""
    description = scanner.description
    for keyword, first, _ in scanner.options(block, MANDATORY[block.kind]):
        if keyword.startswith("ALIGNMENT_"):
            description.alignments[keyword] = block.integer(first)
        elif keyword == "BYTE_ORDER":
            description.byte_order = block.name(first)
        elif keyword == "DEPOSIT":
            description.deposit = block.name(first)
        else:
            scanner.skip(block, keyword, first)


def parse_mod_par(block: TokenBlock, scanner: OptionScanner) -> None:
    """Enter the EPK and the memory segments of a MOD_PAR into the description."""
    description = scanner.description
    for keyword, first, end in scanner.options(block, MANDATORY[block.kind]):
        if keyword == "EPK":
            description.epk = block.text(first)
        elif keyword == "ADDR_EPK":
            description.epk_addresses.append(block.integer(first))
        elif keyword == "/MEMORY_SEGMENT":
            inner = block.inner("MEMORY_SEGMENT", first, end)
            _parse_memory_segment(inner, scanner.source.place(block.places[first - 1]), scanner)
        else:
            scanner.skip(block, keyword, first)


def _parse_memory_segment(block: TokenBlock, place: SourceLocation, scanner: OptionScanner) -> None:
    """Enter a MEMORY_SEGMENT, or the reason why it is left out, into the description."""
    try:
        block.require(MANDATORY[block.kind], 0, block.kind)
        segment = MemorySegment(
            name=block.name(0),
            program=block.name(2),
            memory=block.name(3),
            address=block.integer(5),
            size=block.integer(6),
            offsets=tuple(block.integer(index) for index in range(7, 12)),
            place=place,
        )
    except BlockError as error:
        name = unquoted(block.texts[0]) if block.end else ""
        where = place if error.place < 0 else scanner.source.place(error.place)
        scanner.description.skipped.append(SkippedItem(block.kind, name, str(error), where))
        return
    scanner.description.segments.append(segment)
    for keyword, first, _ in scanner.options(block, MANDATORY[block.kind]):
        scanner.skip(block, keyword, first)
