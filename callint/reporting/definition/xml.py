"""A definition as XML in its own format, laid out as a person would write it.

Reading the file gives the same definition, except for the line numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from html import escape as escape_markup
from math import isinf

from callint.fmt import address, exact
from callint.fmt.safe_text import is_harmless
from callint.model.cell_demands import OffAllowed
from callint.model.definition import (
    Axis,
    ByteOrder,
    Checksum,
    Constraints,
    Conversion,
    Definition,
    FixedAxis,
    Guard,
    Identity,
    Interpolated,
    Linear,
    NumberType,
    Range,
    Rational,
    Relation,
    Sensor,
    Signal,
    States,
    Storage,
    Table,
    Text,
)
from callint.model.definition_counts import usual_byte_order
from callint.model.derived_axis import DerivedAxis
from callint.model.translation import Titled, Translation
from callint.reading.family import NAMESPACE

_MOST_IN_A_LINE = 108


def definition_lines(definition: Definition) -> Iterator[str]:
    """The lines of the whole file, each with its line break."""
    order = usual_byte_order(definition)
    writer = DefinitionWriter(definition, order)
    head = attributes(
        xmlns=NAMESPACE, name=definition.name, revision=str(definition.revision), byte_order=order.value
    )
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield f"<definition{head}>\n"
    if definition.title:
        yield f"  <title>{escape(definition.title)}</title>\n"
    yield from writer.memory()
    yield from _part(
        "signals", [*map(_signal, definition.signals.values()), *map(_sensor, definition.sensors)]
    )
    yield from _part(
        "conversions",
        (row for item in definition.conversions.values() for row in _conversion(item)),
    )
    shared = (axis for name, axis in definition.axes.items() if "/" not in name)
    yield from _part("axes", (writer.axis(axis, named=True) for axis in shared))
    yield "\n  <tables>\n"
    yield from (f"    {row}\n" for row in writer.tables())
    yield "  </tables>\n"
    yield from _part("relations", map(_relation, definition.relations))
    yield from _titles(definition.translations)
    yield "</definition>\n"


def _titles(translations: Iterable[Translation]) -> Iterator[str]:
    """A part for each language, in the order in which the languages first appear."""
    languages: dict[str, list[Translation]] = {}
    for translation in translations:
        languages.setdefault(translation.language, []).append(translation)
    for language, titles in languages.items():
        yield f"\n  <titles xml:lang={quoted(language)}>\n"
        for item in titles:
            owner = "" if item.kind is Titled.DEFINITION else attributes(**{item.kind.value: item.name})
            yield f"    <translation{owner}>{escape(item.title)}</translation>\n"
        yield "  </titles>\n"


def with_references(line: str) -> str:
    """A line of the file with references in place of characters that control a terminal: the same XML."""
    if line.isascii() and line.rstrip("\n").isprintable():
        return line
    return "".join(
        character if character == "\n" or is_harmless(character) else f"&#x{ord(character):X};"
        for character in line
    )


def _part(element: str, rows: Iterable[str]) -> Iterator[str]:
    is_open = False
    for row in rows:
        if not is_open:
            yield f"\n  <{element}>\n"
            is_open = True
        yield f"    {row}\n"
    if is_open:
        yield f"  </{element}>\n"


#: Most values lack these characters and need no escaping.
_SPECIAL = re.compile('[&<>"\t\n\r]')


def escape(text: str) -> str:
    """A text as the content of an element."""
    # The standard library's functions for XML load its HTTP client: longer than a small definition takes.
    return escape_markup(text, quote=False)


def quoted(value: str) -> str:
    """The value of an attribute in quotes; a reader makes blanks of line breaks that are not references."""
    text = escape(value).replace("\n", "&#10;").replace("\r", "&#13;").replace("\t", "&#9;")
    if '"' not in text:
        return f'"{text}"'
    if "'" not in text:
        return f"'{text}'"
    text = text.replace('"', "&quot;")
    return f'"{text}"'


def attributes(**pairs: str | None) -> str:
    """Attributes in their order, each behind a space; _ stands for -, and None for an absent one."""
    # One search for all values, and a list, as joining a generator takes longer.
    are_plain = not _SPECIAL.search("".join(filter(None, pairs.values())))
    return "".join(
        [
            f' {_WRITTEN[name]}="{value}"'
            if are_plain or not _SPECIAL.search(value)
            else f" {_WRITTEN[name]}={quoted(value)}"
            for name, value in pairs.items()
            if value is not None
        ]
    )


class _WrittenNames(dict[str, str]):
    """Names of attributes as they are in a file, by their names in Python."""

    def __missing__(self, name: str) -> str:
        self[name] = written = name.replace("_", "-")
        return written


_WRITTEN = _WrittenNames()


def _decimals(conversion: Linear | Rational | Interpolated) -> str | None:
    return None if conversion.decimals is None else str(conversion.decimals)


def _span(limits: Range | None) -> str | None:
    return None if limits is None else f"{exact(limits.low)} {exact(limits.high)}"


def _signal(signal: Signal) -> str:
    head = attributes(
        name=signal.name,
        unit=signal.unit,
        plausible=_span(signal.plausible),
        operating=_span(signal.operating),
    )
    return f"<signal{head}>{escape(signal.title)}</signal>" if signal.title else f"<signal{head}/>"


def _sensor(sensor: Sensor) -> str:
    head = attributes(
        signal=sensor.signal, curve=sensor.curve, supply=exact(sensor.supply), pull_up=exact(sensor.pull_up)
    )
    return f"<sensor{head}/>"


def _conversion(conversion: Conversion) -> Iterator[str]:
    name, unit = conversion.name, "" if isinstance(conversion, States) else conversion.unit
    match conversion:
        case Linear():
            head = attributes(
                name=name,
                unit=unit or None,
                factor=exact(conversion.factor),
                offset=exact(conversion.offset) if conversion.offset else None,
                decimals=_decimals(conversion),
            )
            yield f"<linear{head}/>"
        case Rational():
            numbers = dict(zip("abcdef", map(exact, conversion.coefficients), strict=True))
            head = attributes(name=name, unit=unit or None, **numbers, decimals=_decimals(conversion))
            yield f"<rational{head}/>"
        case States():
            yield f"<states{attributes(name=name)}>"
            for raw, title in conversion.names.items():
                yield f'  <state raw="{raw}">{escape(title)}</state>'
            yield "</states>"
        case Interpolated():
            head = attributes(name=name, unit=unit or None, decimals=_decimals(conversion))
            yield f"<interpolated{head}>"
            for raw_value, physical in zip(conversion.raw, conversion.physical, strict=True):
                yield f'  <point raw="{exact(raw_value)}" physical="{exact(physical)}"/>'
            yield "</interpolated>"


def _relation(relation: Relation) -> str:
    table, other, amount = {
        "at-most": ("table", "bound", "margin"),
        "equal": ("table", "mirror", "tolerance"),
        "inverse": ("table", "of", "tolerance"),
        "gap": ("upper", "lower", "min"),
    }[relation.kind]
    pairs = {table: relation.table, other: relation.other, amount: exact(relation.amount)}
    return f"<{relation.kind}{attributes(**pairs, within=relation.within or None)}/>"


def _values(axis: FixedAxis) -> str:
    """The breakpoints of a fixed axis: start and step if these give exactly the same numbers."""
    values = axis.values
    if len(values) > 2:
        start, step = values[0], values[1] - values[0]
        if step > 0 and all(start + step * index == value for index, value in enumerate(values)):
            return attributes(count=str(len(values)), start=exact(start), step=exact(step))
    return attributes(values=" ".join(map(exact, values)))


def _identity(identity: Identity) -> str:
    text = identity.content.decode("ascii", "replace")
    is_plain = text.isprintable() and text.isascii() and text == " ".join(text.split()) and text != ""
    pairs = {"text": text} if is_plain else {"bytes": identity.content.hex(" ").upper()}
    return f"<identity{attributes(name=identity.name, at=address(identity.at), **pairs)}/>"


def _constraints(constraints: Constraints) -> Iterator[str]:
    if constraints.limits is not None:
        yield _bounds("limits", constraints.limits)
    if constraints.expected is not None:
        yield _bounds("expected", constraints.expected)
    if constraints.off is not None:
        is_usual = constraints.off.allowed is OffAllowed.OUTSIDE_OPERATING
        allowed = None if is_usual else constraints.off.allowed.value
        yield f"<off{attributes(raw=str(constraints.off.raw), allowed=allowed)}/>"
    for rule in constraints.monotonic:
        direction, strict = "rising" if rule.rising else "falling", "true" if rule.strict else None
        yield f"<monotonic{attributes(along=rule.along, direction=direction, strict=strict)}/>"
    for gradient in constraints.gradients:
        yield f"<gradient{attributes(along=gradient.along, max=exact(gradient.max))}/>"
    if constraints.change is not None:
        yield f"<change{attributes(max=exact(constraints.change))}/>"
    yield from map(_guard, constraints.guards)


def _bounds(element: str, bounds: Range) -> str:
    low = bounds.low_text or (None if isinf(bounds.low) else exact(bounds.low))
    high = bounds.high_text or (None if isinf(bounds.high) else exact(bounds.high))
    return f"<{element}{attributes(min=low, max=high)}/>"


def _guard(guard: Guard) -> str:
    head = attributes(
        above=None if guard.above is None else guard.text or exact(guard.above),
        below=None if guard.below is None else guard.text or exact(guard.below),
        state=guard.state,
        raw=None if guard.raw is None else str(guard.raw),
        flat="true" if guard.flat else None,
        share=None if guard.share == 1 else f"{guard.share:.17f}".rstrip("0"),
    )
    return f"<guard{head}/>"


def checksum_line(checksum: Checksum, default: ByteOrder | None = None) -> str:
    """The line of a checksum in a definition whose default byte order is ``default``; None if unknown."""
    word, crc = checksum.word, checksum.crc
    order = None if word.byte_order is checksum.byte_order else word.byte_order.value
    own = {}
    if crc is not None:
        own = {name: f"0x{getattr(crc, name):X}" for name in ("poly", "init", "xorout")}
        own |= {name: str(getattr(crc, name)).lower() for name in ("reflect_in", "reflect_out")}
        own["width"] = str(crc.width)
    head = attributes(
        name=checksum.name,
        algorithm=checksum.algorithm,
        start=address(checksum.start),
        size=f"0x{checksum.size:X}",
        stored_at=address(checksum.stored_at),
        byte_order=None if checksum.byte_order is default else checksum.byte_order.value,
        complement=checksum.complement,
        word=None if word.type is NumberType.uint8 and not order else word.type.name,
        word_order=order,
        gaps=None if checksum.gap_fill is None else "fill",
        **own,
    )
    return f"<checksum{head}/>"


class DefinitionWriter:
    """Writes the elements that depend on other parts of the definition or on its byte order."""

    def __init__(self, definition: Definition, order: ByteOrder) -> None:
        self.definition = definition
        self.order = order

    def memory(self) -> Iterator[str]:
        memory = self.definition.memory
        fill = None if memory.fill == 0xFF else f"0x{memory.fill:02X}"
        head = attributes(start=f"0x{memory.start:X}", size=f"0x{memory.size:X}", fill=fill)
        rows = [
            f"<region{attributes(name=part.name, start=address(part.start), size=f'0x{part.size:X}')}/>"
            for part in memory.regions
        ]
        rows += map(_identity, memory.identities)
        rows += (checksum_line(checksum, self.order) for checksum in memory.checksums)
        if not rows:
            yield f"\n  <memory{head}/>\n"
            return
        yield f"\n  <memory{head}>\n"
        yield from (f"    {row}\n" for row in rows)
        yield "  </memory>\n"

    def byte_order(self, order: ByteOrder) -> str | None:
        return None if order is self.order else order.value

    def storage(self, storage: Storage) -> dict[str, str | None]:
        return {
            "byte_order": self.byte_order(storage.byte_order),
            "stride": None if storage.stride == storage.type.size else str(storage.stride),
            "mask": None if storage.mask is None else f"0x{storage.mask:X}",
        }

    def axis(self, axis: Axis, named: bool) -> str:
        name = axis.name if named else None
        if isinstance(axis, FixedAxis):
            order = attributes(order="falling" if axis.falling else None)
            return f"<fixed-axis{attributes(name=name, signal=axis.signal)}{_values(axis)}{order}/>"
        if isinstance(axis, DerivedAxis):
            head = attributes(
                name=name,
                signal=axis.signal,
                curve=axis.curve,
                by=axis.derivation.value,
                count=str(axis.count),
                order="falling" if axis.falling else None,
            )
            return f"<derived-axis{head}/>"
        stored = axis.stored_count
        count_type = stored.storage.type.name if stored else "uint8"
        head = attributes(
            name=name,
            signal=axis.signal,
            at=address(axis.at),
            type=axis.storage.type.name,
            conversion=axis.conversion,
            count=str(axis.count),
            byte_order=self.byte_order(axis.storage.byte_order),
            stride=self.storage(axis.storage)["stride"],
            count_at=address(stored.at) if stored else None,
            count_type=None if count_type == "uint8" else count_type,
            order="falling" if axis.falling else None,
        )
        return f"<axis{head}/>"

    def tables(self) -> Iterator[str]:
        """The tables of each group in the order of the definition, then its texts."""
        members: dict[str, list[Table | Text]] = {"": [], **{name: [] for name in self.definition.groups}}
        items: list[Table | Text] = [*self.definition.tables.values(), *self.definition.texts.values()]
        for item in items:
            members[item.group if item.group in members else ""].append(item)
        for name, group in self.definition.groups.items():
            yield f"<group{attributes(name=name, title=group.title)}>"
            yield from (f"  {row}" for item in members[name] for row in self.member(item))
            yield "</group>"
        yield from (row for item in members[""] for row in self.member(item))

    def member(self, item: Table | Text) -> list[str]:
        return self.table(item) if isinstance(item, Table) else _text(item)

    def table(self, table: Table) -> list[str]:
        head = attributes(name=table.name, title=table.title, purpose=table.purpose.value)
        place = attributes(
            at=address(table.at),
            type=table.storage.type.name,
            conversion=table.conversion,
            **self.storage(table.storage),
            order="y-first" if table.y_first else None,
            signal=table.signal,
            produces=table.produces,
            unit_own="true" if table.unit_own else None,
        )
        rows = [self.table_axis(along, name) for along, name in zip("xy", table.axes, strict=False)]
        rows += _constraints(table.demands)
        rows += (f"<note>{escape(note)}</note>" for note in table.notes)
        return _element(table.kind.value, head, place, rows)

    def table_axis(self, along: str, name: str) -> str:
        if "/" not in name:
            return f"<{along}{attributes(axis=name)}/>"
        return f"<{along}>{self.axis(self.definition.axes[name], named=False)}</{along}>"


def _text(text: Text) -> list[str]:
    head = attributes(name=text.name, title=text.title, purpose=text.purpose.value)
    encoding = None if text.encoding == "ascii" else text.encoding
    place = attributes(
        at=address(text.at),
        length=str(text.length),
        encoding=encoding,
        unit_own="true" if text.unit_own else None,
    )
    return _element("text", head, place, [f"<note>{escape(note)}</note>" for note in text.notes])


def _element(name: str, head: str, place: str, rows: list[str]) -> list[str]:
    """An element: its head, its place on the same line or the next, and its children below."""
    end = ">" if rows else "/>"
    if len(name) + len(head) + len(place) < _MOST_IN_A_LINE:
        lines = [f"<{name}{head}{place}{end}"]
    else:
        lines = [f"<{name}{head}", f"{' ' * (len(name) + 1)}{place}{end}"]
    if rows:
        lines += [f"  {row}" for row in rows]
        lines.append(f"</{name}>")
    return lines
