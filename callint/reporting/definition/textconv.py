"""A definition as lines that git can compare, blame and search: a line for each attribute.

Every line names its element, so that it is understood alone. Layout, comments and spellings are left out: two
definitions with the same meaning have the same lines.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

from callint import fmt
from callint.fmt.definition_changes import conversion_text, guard_text, value_text
from callint.model.definition import (
    Axis,
    Conversion,
    Definition,
    FixedAxis,
    Interpolated,
    Range,
    Relation,
    States,
    Storage,
    Table,
    Text,
)
from callint.model.derived_axis import DerivedAxis

#: The name of an attribute and its text.
Lines = Iterator[str]


def definition_lines(definition: Definition) -> Lines:
    """The whole definition, its parts in the order of the file, each part by name or address."""
    yield f"definition: {definition.name}, revision {definition.revision}"
    if definition.title:
        yield f"title: {definition.title}"
    yield from _memory(definition)
    for signal in sorted(definition.signals.values(), key=lambda signal: signal.name):
        yield f"signal {signal.name}: {signal.title}, in {signal.unit}"
        for name, limits in (("plausible", signal.plausible), ("operating", signal.operating)):
            if limits is not None:
                yield f"signal {signal.name} {name}: {_range(limits, signal.unit)}"
    for sensor in definition.sensors:
        supply = fmt.with_unit(fmt.exact(sensor.supply), "V")
        pull_up = fmt.with_unit(fmt.exact(sensor.pull_up), "ohm")
        yield f"sensor {sensor.signal}: {sensor.curve}, supply {supply}, pull-up {pull_up}"
    for conversion in sorted(definition.conversions.values(), key=lambda conversion: conversion.name):
        yield from _conversion(conversion)
    for axis in sorted(definition.axes.values(), key=lambda axis: axis.name):
        yield from _axis(axis)
    items: list[Table | Text] = [*definition.tables.values(), *definition.texts.values()]
    for item in sorted(items, key=lambda item: item.name):
        yield from _table(definition, item) if isinstance(item, Table) else _text(item)
    yield from sorted(_relation(definition, relation) for relation in definition.relations)
    yield from sorted(
        f"{f'{item.kind} {item.name}'.strip()} title {item.language}: {item.title}"
        for item in definition.translations
    )


def _memory(definition: Definition) -> Lines:
    memory = definition.memory
    start, size = fmt.address(memory.start), fmt.address(memory.size)
    yield f"memory: start {start}, size {size}, fill 0x{memory.fill:02X}"
    for region in memory.regions:
        yield f"region {region.name}: start {fmt.address(region.start)}, size {fmt.address(region.size)}"
    for identity in memory.identities:
        yield f"identity {identity.name}: {fmt.byte_string(identity.content)} at {fmt.address(identity.at)}"
    for checksum in memory.checksums:
        extent = f"start {fmt.address(checksum.start)}, size {fmt.address(checksum.size)}"
        stored = f"stored at {fmt.address(checksum.stored_at)}, {checksum.byte_order.value}"
        complement = f", complement {checksum.complement}" if checksum.complement else ""
        yield f"checksum {checksum.name}: {checksum.algorithm}, {extent}, {stored}{complement}"
        if checksum.crc is not None:
            crc = checksum.crc
            yield (
                f"checksum {checksum.name} parameters: width {crc.width}, poly 0x{crc.poly:X}, "
                f"init 0x{crc.init:X}, xorout 0x{crc.xorout:X}, reflect {crc.reflect_in} {crc.reflect_out}"
            )
        else:
            yield f"checksum {checksum.name} words: {_storage(checksum.word)}"


def _range(limits: Range, unit: str) -> str:
    low, high = limits.exact
    ends = [
        "open" if end is None or not isfinite(end) else fmt.with_unit(fmt.decimal_digits(end), unit)
        for end in (low, high)
    ]
    return " to ".join(ends)


def _conversion(conversion: Conversion) -> Lines:
    decimals = "" if conversion.decimals is None else f", {fmt.count(conversion.decimals, 'decimal')}"
    yield f"conversion {conversion.name}: {conversion_text(conversion)}{decimals}"
    if isinstance(conversion, States):
        for raw, state in sorted(conversion.names.items()):
            yield f"conversion {conversion.name} raw {raw}: {state}"
    if isinstance(conversion, Interpolated):
        for raw_number, value in zip(conversion.raw, conversion.physical, strict=True):
            yield f"conversion {conversion.name} raw {fmt.exact(raw_number)}: {fmt.exact(value)}"


def _storage(storage: Storage) -> str:
    text = f"{storage.type.name} {storage.byte_order.value}"
    if storage.stride != storage.type.size:
        text += f", stride {storage.stride}"
    return text if storage.mask is None else f"{text}, mask 0x{storage.mask:X}"


def _axis(axis: Axis) -> Lines:
    order = ", falling in memory" if axis.falling else ""
    if isinstance(axis, FixedAxis):
        values = " ".join(fmt.exact(value) for value in axis.values)
        yield f"axis {axis.name}: {axis.signal}, fixed {values}{order}"
        return
    if isinstance(axis, DerivedAxis):
        yield f"axis {axis.name}: {axis.signal}, {axis.count} {axis.derivation} from {axis.curve}{order}"
        return
    conversion = axis.conversion or "none"
    yield (
        f"axis {axis.name}: {axis.signal}, {axis.count} at {fmt.address(axis.at)}, "
        f"{_storage(axis.storage)}, conversion {conversion}{order}"
    )
    if axis.stored_count is not None:
        count = axis.stored_count
        yield f"axis {axis.name} count: at {fmt.address(count.at)}, {count.storage.type.name}"


def _text(text: Text) -> Lines:
    place = f"{fmt.count(text.length, 'byte')} at {fmt.address(text.at)}"
    yield f"{text.name}: {text.title} ({text.purpose.value})"
    yield f"{text.name} text: {place}, {text.encoding}{', unit-own' if text.unit_own else ''}"
    yield from _described(text)


def _described(item: Table | Text) -> Lines:
    if item.group:
        yield f"{item.name} group: {item.group}"
    for note in item.notes:
        yield f"{item.name} note: {note}"


def _table(definition: Definition, table: Table) -> Lines:
    name, unit = table.name, definition.unit_of(table)
    yield f"{name}: {table.title} ({table.purpose.value})"
    axes = "".join(f", {along} {axis}" for along, axis in (("x", table.x), ("y", table.y)) if axis)
    order = ", y-first" if table.y_first else ""
    yield (
        f"{name} {table.kind.value}: at {fmt.address(table.at)}, {_storage(table.storage)}, "
        f"conversion {table.conversion or 'none'}{axes}{order}{', unit-own' if table.unit_own else ''}"
    )
    for attribute, signal in (("signal", table.signal), ("produces", table.produces)):
        if signal:
            yield f"{name} {attribute}: {signal}"
    demands = table.demands
    for attribute, limits in (("limits", demands.limits), ("expected", demands.expected)):
        if limits is not None:
            yield f"{name} {attribute}: {_range(limits, unit)}"
    if demands.off is not None:
        yield f"{name} off: raw {demands.off.raw}, allowed {demands.off.allowed.value}"
    for monotonic in demands.monotonic:
        direction = "rising" if monotonic.rising else "falling"
        yield f"{name} monotonic {monotonic.along}: {'strictly ' if monotonic.strict else ''}{direction}"
    for gradient in demands.gradients:
        yield f"{name} gradient {gradient.along}: {fmt.exact(gradient.max)}"
    if demands.change is not None:
        yield f"{name} change max: {value_text('change max', demands.change, fmt.distance_unit(unit))}"
    for guard in demands.guards:
        yield f"{name} guard: {guard_text(guard, unit)}"
    yield from _described(table)


def _relation(definition: Definition, relation: Relation) -> str:
    unit = (
        definition.unit_of(definition.tables[relation.table]) if relation.table in definition.tables else ""
    )
    within = f", within {relation.within}" if relation.within else ""
    amount = fmt.with_unit(fmt.exact(relation.amount), unit)
    return f"relation {relation.kind} {relation.table} {relation.other}: {amount}{within}"
