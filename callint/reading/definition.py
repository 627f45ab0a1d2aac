"""A definition file into the nouns of ``model.definition``.

The reader goes on behind every mistake: what the schema refuses is reported and left out, the rest
becomes a definition, so that one run shows everything that is wrong with a file.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from typing import TypeVar

from lxml import etree

from callint.model import rule_ids
from callint.model.definition import (
    NO_CONSTRAINTS,
    Axis,
    ByteOrder,
    Checksum,
    Constraints,
    Conversion,
    Crc,
    Declaration,
    Definition,
    FixedAxis,
    Gradient,
    Group,
    Guard,
    Identity,
    Interpolated,
    Kind,
    Linear,
    Memory,
    Monotonic,
    NumberType,
    OffAllowed,
    OffCode,
    Purpose,
    Range,
    Rational,
    Region,
    Relation,
    Sensor,
    Signal,
    States,
    Storage,
    StoredAxis,
    StoredCount,
    Table,
    Text,
)
from callint.model.finding import Finding
from callint.reading import xml
from callint.reading.definition_file import DefinitionFile, content_digest

NAMESPACE = "urn:callint:definition:1"

#: Bounds on what a file may claim, so that a lie is refused before memory is taken.
MAX_MEMORY = 256 * 2**20  # bytes of one image
MAX_ADDRESS = 2**48
MAX_BREAKPOINTS = 2**16  # of one axis
MAX_ALL_BREAKPOINTS = 2**22  # of all axes together
MAX_CELLS = 2**26  # of all tables together
#: Cells for each byte of the memory: as many as a byte has bits, or a definition is mostly overlaps.
MAX_CELLS_A_BYTE = 8
FEW_CELLS = 2**16  # that any definition may have

_PURPOSES = {purpose.value: purpose for purpose in Purpose}
_ORDERS = {order.value: order for order in ByteOrder}
_TYPES = {number_type.name: number_type for number_type in NumberType}
_CRC_PARAMETERS = ("width", "poly", "init", "reflect-in", "reflect-out", "xorout")
_KINDS = {kind.value: kind for kind in Kind if kind is not Kind.TEXT}


def read_definition(data: bytes, path: str) -> DefinitionFile:
    """Read a definition; ``path`` is the name that findings show. Never raises for what is in it."""
    tree = xml.parse(data, is_definition=True)
    if tree.root is None:
        problems = [*_before(tree), *tree.problems]
        return DefinitionFile(path, None, tuple(_finding(path, p) for p in problems))
    if tree.root.tag != f"{{{NAMESPACE}}}definition":
        problem = xml.XmlProblem(
            tree.line_of(tree.root), f"the outermost element is not <definition> of {NAMESPACE}"
        )
        return DefinitionFile(path, None, (_finding(path, problem),))
    try:
        reader = _Reader(*xml.schema_problems(tree), tree)
        definition = reader.definition(tree.root, content_digest(data))
    except xml.FloodError as flood:
        return DefinitionFile(path, None, tuple(_finding(path, p) for p in _in_order(_cut(flood))))
    return DefinitionFile(path, definition, tuple(_finding(path, p) for p in _in_order(reader.problems)))


def _in_order(problems: Iterable[xml.XmlProblem]) -> list[xml.XmlProblem]:
    return sorted(problems, key=lambda problem: problem.line)


def _cut(flood: xml.FloodError) -> list[xml.XmlProblem]:
    """What is told of a file in which more is wrong."""
    line = max(problem.line for problem in flood.problems)
    words = f"no more than {xml.MOST_PROBLEMS:,} mistakes are looked at, and nothing else is read"
    return [*flood.problems, xml.XmlProblem(line, f"so much is wrong that {words}")]


def _before(tree: xml.XmlDocument) -> list[xml.XmlProblem]:
    """What is wrong with a file that is not well-formed in the lines before that shows.

    What an element lacks, or holds in the wrong place, is left out: it may only seem so because of what
    comes later.
    """
    if tree.recovered is None or not tree.problems:
        return []
    first = min(problem.line for problem in tree.problems)
    try:
        reader = _Reader(*xml.schema_problems(tree.recovered), tree.recovered)
        if tree.recovered.root is not None:
            reader.definition(tree.recovered.root, "")
        found = _in_order(reader.problems)
    except xml.FloodError as flood:
        found = _in_order(flood.problems)
    guesses = ("missing child", "not expected here", "character content")
    return [p for p in found if p.line < first and not any(guess in p.message for guess in guesses)]


def _finding(path: str, problem: xml.XmlProblem) -> Finding:
    return Finding(
        rule=rule_ids.DEFINITION_INVALID,
        definition=path,
        line=problem.line,
        subject=problem.message,
        message=problem.message,
        hint="Correct the line; docs/definition.md and schemas/definition.xsd describe the format.",
    )


def _tag(element: etree._Element) -> str:
    return str(element.tag).rpartition("}")[2]


def _need(element: etree._Element, name: str) -> str:
    """An attribute that must be there; KeyError otherwise, which the schema has reported."""
    value = element.get(name)
    if value is None:
        raise KeyError(name)
    return value


def _integer(text: str) -> int:
    text = text.strip()
    return int(text, 16) if text[:2] == "0x" else int(text)


def _real(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text.strip()} is too large a number")
    return value


def _optional_real(element: etree._Element, name: str) -> float | None:
    value = element.get(name)
    return None if value is None else _real(value)


#: A double tells any two decimal numbers of so many digits apart (IEEE 754; DBL_DIG of C).
_DIGITS = 15


def _precise(text: str | None) -> str:
    """A number as it is written, where the double nearest to it is written otherwise; "" elsewhere."""
    text = (text or "").strip()
    if len(text) <= _DIGITS or Fraction(text) == Fraction(repr(float(text))):
        return ""
    return text


def _reals(text: str) -> tuple[float, ...]:
    return tuple(_real(word) for word in text.split())


Noun = TypeVar("Noun")


@dataclass
class _Reader:
    """The state of reading one file: the problems so far, the elements that have some, the byte order."""

    problems: list[xml.XmlProblem]
    flagged: set[etree._Element]
    tree: xml.XmlDocument
    order: ByteOrder = ByteOrder.BIG
    axes: dict[str, Axis] = field(default_factory=dict)
    breakpoints: int = 0
    declarations: list[Declaration] = field(default_factory=list)

    def definition(self, root: etree._Element, digest: str) -> Definition | None:
        self.order = _ORDERS.get(root.get("byte-order", ""), ByteOrder.BIG)
        parts = {_tag(child): child for child in reversed(root)}
        memory = self.build(self.memory, parts["memory"]) if "memory" in parts else None
        if memory is None:
            return None
        signals: dict[str, Signal] = {}
        sensors: list[Sensor] = []
        for element in parts.get("signals", ()):
            if _tag(element) == "sensor":
                if sensor := self.build(self.sensor, element):
                    sensors.append(sensor)
            elif signal := self.build(self.signal, element):
                self.declare("signal", signals, signal)
        conversions: dict[str, Conversion] = {}
        for element in parts.get("conversions", ()):
            if conversion := self.build(self.conversion, element):
                self.declare("conversion", conversions, conversion)
        for element in parts.get("axes", ()):
            if axis := self.build(self.axis, element):
                self.declare("axis", self.axes, axis)
        groups: dict[str, Group] = {}
        tables: dict[str, Table] = {}
        texts: dict[str, Text] = {}
        for element, group in self.tables(parts.get("tables", ()), groups):
            if _tag(element) == "text":
                if text := self.build(partial(self.text, group=group), element):
                    self.declare("table", texts, text)
            elif table := self.build(partial(self.table, group=group), element):
                self.declare("table", tables, table)
        relations = (self.build(self.relation, element) for element in parts.get("relations", ()))
        self.bound_cells(tables, memory.size)
        return Definition(
            name=root.get("name", ""),
            title=" ".join((root.findtext(f"{{{NAMESPACE}}}title") or "").split()),
            revision=self.build(lambda e: _integer(e.get("revision", "0")), root) or 0,
            memory=memory,
            signals=signals,
            sensors=tuple(sensors),
            conversions=conversions,
            axes=self.axes,
            groups=groups,
            tables=tables,
            texts=texts,
            relations=tuple(relation for relation in relations if relation is not None),
            declarations=tuple(self.declarations),
            digest=digest,
        )

    # Going on behind mistakes

    def line(self, element: etree._Element) -> int:
        return self.tree.line_of(element)

    def complain(self, element: etree._Element, message: str) -> None:
        self.problem(self.line(element), f"<{_tag(element)}>: {message}")

    def problem(self, line: int, message: str) -> None:
        """FloodError where more is wrong than is told."""
        self.problems.append(xml.XmlProblem(line, xml.shortened(message)))
        if len(self.problems) > xml.MOST_PROBLEMS:
            raise xml.FloodError(self.problems)

    def build(self, make: Callable[[etree._Element], Noun], element: etree._Element) -> Noun | None:
        """The noun of an element, or None where the element is beyond reading; that is reported once."""
        before = len(self.problems)
        try:
            return make(element)
        except (KeyError, ValueError, OverflowError) as error:
            if len(self.problems) == before and self.flagged.isdisjoint(element.iter()):
                missing = isinstance(error, KeyError)
                self.complain(element, f"{error.args[0]} is missing or wrong" if missing else str(error))
            return None

    def declare(self, space: str, names: dict[str, Noun], noun: Noun) -> None:
        """Enter a noun under its name; the first of two with one name stays."""
        name, line = noun.name, noun.line  # type: ignore[attr-defined]
        self.declarations.append(Declaration(space, name, line))
        names.setdefault(name, noun)

    def bound_cells(self, tables: dict[str, Table], size: int) -> None:
        """Drop tables from the one on with which the cells become too many for a memory of ``size`` bytes."""
        total, most = 0, min(MAX_CELLS, max(FEW_CELLS, MAX_CELLS_A_BYTE * size))
        for table in list(tables.values()):
            cells = math.prod(self.axes[axis].count for axis in table.axes if axis in self.axes)
            if total + cells > most:
                words = f"table {table.name} brings the cells to more than {most}, the most that is read"
                self.problem(table.line, f"{words} for a memory of {size} bytes")
                del tables[table.name]
            else:
                total += cells

    # Memory

    def memory(self, element: etree._Element) -> Memory:
        size = self.size(element, "size")
        found: dict[str, list[object]] = {"region": [], "identity": [], "checksum": []}
        makers: dict[str, Callable[[etree._Element], Region | Identity | Checksum]] = {
            "region": self.region,
            "identity": self.identity,
            "checksum": self.checksum,
        }
        for child in element:
            kind = _tag(child)
            if kind in makers and (noun := self.build(makers[kind], child)):
                found[kind].append(noun)
                self.declarations.append(Declaration(kind, noun.name, noun.line))
        return Memory(
            start=self.address(element, "start"),
            size=size,
            fill=_integer(element.get("fill", "0xFF")),
            regions=tuple(noun for noun in found["region"] if isinstance(noun, Region)),
            identities=tuple(noun for noun in found["identity"] if isinstance(noun, Identity)),
            checksums=tuple(noun for noun in found["checksum"] if isinstance(noun, Checksum)),
            line=self.line(element),
        )

    def address(self, element: etree._Element, name: str) -> int:
        address = _integer(element.attrib[name])
        if address >= MAX_ADDRESS:
            raise ValueError(f"{name} is not below 2 to the power of 48, the highest address that is read")
        return address

    def size(self, element: etree._Element, name: str) -> int:
        size = _integer(_need(element, name))
        if size > MAX_MEMORY:
            raise ValueError(f"{name} is above {MAX_MEMORY >> 20} MiB, the most that is read")
        return size

    def region(self, element: etree._Element) -> Region:
        start = self.address(element, "start")
        return Region(_need(element, "name"), start, self.size(element, "size"), self.line(element))

    def identity(self, element: etree._Element) -> Identity:
        text, pairs = element.get("text"), element.get("bytes")
        if (text is None) == (pairs is None):
            raise ValueError("give either text or bytes")
        content = bytes.fromhex(pairs) if pairs is not None else str(text).encode("ascii")
        return Identity(_need(element, "name"), self.address(element, "at"), content, self.line(element))

    def checksum(self, element: etree._Element) -> Checksum:
        algorithm, size = _need(element, "algorithm"), self.size(element, "size")
        return Checksum(
            name=_need(element, "name"),
            algorithm=algorithm,
            start=self.address(element, "start"),
            size=size,
            stored_at=self.address(element, "stored-at"),
            byte_order=self.byte_order(element),
            complement=element.get("complement"),
            word=self.word(element, algorithm, size),
            crc=self.crc(element, algorithm),
            line=self.line(element),
        )

    def word(self, element: etree._Element, algorithm: str, size: int) -> Storage:
        """How the numbers lie that a sum adds up: single bytes where nothing is said."""
        given = element.get("word")
        if given is None and element.get("word-order") is not None:
            raise ValueError("word-order means nothing without word")
        if given is not None and not algorithm.startswith("sum"):
            raise ValueError(f"word goes with sum8, sum16 and sum32, and not with {algorithm}")
        number_type = _TYPES[given or "uint8"]
        if size % number_type.size:
            raise ValueError(
                f"size is {size}, which is no whole number of {given} words; correct one of them"
            )
        order = element.get("word-order")
        return Storage(
            number_type, self.byte_order(element) if order is None else _ORDERS[order], number_type.size
        )

    def crc(self, element: etree._Element, algorithm: str) -> Crc | None:
        """The parameters of a CRC that is the definition's own; None for one that has a name."""
        given = [name for name in _CRC_PARAMETERS if element.get(name) is not None]
        if algorithm != "crc":
            if given:
                raise ValueError(f'{given[0]} goes with algorithm="crc", and not with {algorithm}')
            return None
        if not {"width", "poly"} <= set(given):
            raise ValueError('algorithm="crc" needs width and poly')
        width = _integer(_need(element, "width"))
        numbers = {name: _integer(element.get(name, "0")) for name in ("poly", "init", "xorout")}
        for name, value in numbers.items():
            if value >> width:
                raise ValueError(
                    f"{name} has more than the {width} bits of width; poly goes without its top bit"
                )
        if not numbers["poly"] & 1:
            # Every polynomial of the catalogue ends in 1; an even number is most often one written backwards.
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

    def byte_order(self, element: etree._Element) -> ByteOrder:
        order = element.get("byte-order")
        return self.order if order is None else _ORDERS[order]

    # Signals and conversions

    def signal(self, element: etree._Element) -> Signal:
        return Signal(
            name=_need(element, "name"),
            title=" ".join("".join(element.itertext()).split()),
            unit=_need(element, "unit").strip(),
            plausible=self.span(element, "plausible"),
            operating=self.span(element, "operating"),
            line=self.line(element),
        )

    def span(self, element: etree._Element, name: str) -> Range | None:
        text = element.get(name)
        if text is None:
            return None
        low, high = _reals(text)
        return Range(low, high)

    def sensor(self, element: etree._Element) -> Sensor:
        return Sensor(
            signal=_need(element, "signal"),
            curve=_need(element, "curve"),
            supply=_real(_need(element, "supply")),
            pull_up=_real(_need(element, "pull-up")),
            line=self.line(element),
        )

    def conversion(self, element: etree._Element) -> Conversion:
        name, line = _need(element, "name"), self.line(element)
        unit = element.get("unit", "").strip()
        decimals = int(_need(element, "decimals")) if element.get("decimals") is not None else None
        match _tag(element):
            case "linear":
                factor, offset = _real(_need(element, "factor")), _real(element.get("offset", "0"))
                return Linear(name, unit, decimals, factor, offset, line)
            case "rational":
                a, b, c, d, e, f = (_real(_need(element, key)) for key in "abcdef")
                return Rational(name, unit, decimals, (a, b, c, d, e, f), line)
            case "states":
                states = [(_integer(_need(s, "raw")), (s.text or "").strip()) for s in element]
                raws, titles = Counter(raw for raw, _ in states), Counter(title for _, title in states)
                repeats = [str(raw) for raw, times in raws.items() if times > 1]
                repeats += [title for title, times in titles.items() if times > 1]
                return States(name, dict(states), tuple(repeats), line)
            case "interpolated":
                points = [(_real(_need(p, "raw")), _real(_need(p, "physical"))) for p in element]
                raw, physical = zip(*points, strict=True)
                return Interpolated(name, unit, decimals, tuple(raw), tuple(physical), line)
        raise KeyError(element.tag)

    # Axes

    def axis(self, element: etree._Element, name: str | None = None) -> Axis:
        """A shared axis under its own name, or one of a table's own under the given name."""
        name = _need(element, "name") if name is None else name
        signal, line = _need(element, "signal"), self.line(element)
        if _tag(element) == "fixed-axis":
            return FixedAxis(name, signal, self.fixed_values(element), line)
        count = self.count(element)
        at = self.address(element, "at")
        storage = self.storage(element)
        stored_count = None
        if element.get("count-at") is not None:
            count_type = _TYPES[element.get("count-type", "uint8")]
            count_storage = Storage(count_type, self.byte_order(element), count_type.size)
            stored_count = StoredCount(self.address(element, "count-at"), count_storage)
        elif element.get("count-type") is not None:
            self.complain(element, "count-type means nothing without count-at")
        conversion = element.get("conversion")
        return StoredAxis(name, signal, at, storage, conversion, count, stored_count, line)

    def count(self, element: etree._Element) -> int:
        count = _integer(_need(element, "count"))
        if count > MAX_BREAKPOINTS:
            raise ValueError(f"count is above {MAX_BREAKPOINTS}, the most that is read")
        self.breakpoints += count
        if self.breakpoints > MAX_ALL_BREAKPOINTS:
            words = f"the axes have more than {MAX_ALL_BREAKPOINTS} breakpoints together"
            raise ValueError(f"{words}, the most that is read")
        return count

    def fixed_values(self, element: etree._Element) -> tuple[float, ...]:
        listed = element.get("values")
        given = [key for key in ("count", "start", "step") if element.get(key) is not None]
        if (listed is None) == (not given) or (listed is None and len(given) < 3):
            raise ValueError("give either values, or count, start and step")
        if listed is not None:
            return _reals(listed)
        start, step = _real(_need(element, "start")), _real(_need(element, "step"))
        values = tuple(start + step * index for index in range(self.count(element)))
        if not math.isfinite(values[-1]):
            raise ValueError("the last breakpoint is too large a number")
        return values

    def storage(self, element: etree._Element) -> Storage:
        number_type = _TYPES[_need(element, "type")]
        stride = _integer(_need(element, "stride")) if element.get("stride") is not None else number_type.size
        mask = _integer(_need(element, "mask")) if element.get("mask") is not None else None
        if stride < number_type.size:
            raise ValueError(
                f"stride is {stride}, less than the {number_type.size} bytes of a {number_type.name}"
            )
        if stride >= MAX_MEMORY:
            raise ValueError("stride is larger than any memory")
        if mask is not None and number_type.kind != "u":
            raise ValueError(f"mask needs an unsigned type, not {number_type.name}")
        if mask is not None and mask >= 1 << 8 * number_type.size:
            raise ValueError(f"mask is wider than a {number_type.name}")
        return Storage(number_type, self.byte_order(element), stride, mask)

    # Tables

    def tables(
        self, elements: etree._Element | tuple[()], groups: dict[str, Group]
    ) -> Iterator[tuple[etree._Element, str]]:
        """Every table and text with the name of its group, "" for none."""
        for element in elements:
            if _tag(element) != "group":
                yield element, ""
                continue
            name = element.get("name", "")
            self.declare("group", groups, Group(name, element.get("title", ""), self.line(element)))
            for child in element:
                yield child, name

    def text(self, element: etree._Element, group: str) -> Text:
        length = self.size(element, "length")
        return Text(
            name=_need(element, "name"),
            title=_need(element, "title").strip(),
            purpose=_PURPOSES[_need(element, "purpose")],
            group=group,
            at=self.address(element, "at"),
            length=length,
            encoding=element.get("encoding", "ascii"),
            notes=self.notes(element),
            line=self.line(element),
        )

    def notes(self, element: etree._Element) -> tuple[str, ...]:
        return tuple(" ".join((note.text or "").split()) for note in element if _tag(note) == "note")

    def table(self, element: etree._Element, group: str) -> Table:
        kind, name = _KINDS[_tag(element)], _need(element, "name")
        storage = self.storage(element)
        children: dict[str, list[etree._Element]] = {}
        for child in element:
            children.setdefault(_tag(child), []).append(child)
        x = self.table_axis(children["x"][0], name) if kind is not Kind.SCALAR else None
        y = self.table_axis(children["y"][0], name) if kind is Kind.MAP else None
        return Table(
            name=name,
            title=_need(element, "title").strip(),
            kind=kind,
            purpose=_PURPOSES[_need(element, "purpose")],
            group=group,
            at=self.address(element, "at"),
            storage=storage,
            conversion=element.get("conversion"),
            x=x,
            y=y,
            y_first=element.get("order") == "y-first",
            signal=element.get("signal"),
            produces=element.get("produces"),
            demands=self.demands(children, kind, storage),
            notes=self.notes(element) if "note" in children else (),
            line=self.line(element),
        )

    def table_axis(self, element: etree._Element, table: str) -> str:
        """The name of a table's axis. One of its own is entered under a name no shared axis can have."""
        shared = element.get("axis")
        if (shared is None) == (len(element) == 0):
            self.complain(element, "name a shared axis, or put one inside, not both")
            raise ValueError("axis")
        if shared is not None:
            return shared
        name = f"{table}/{_tag(element)}"
        self.axes.setdefault(name, self.axis(element[0], name))
        return name

    def demands(self, children: dict[str, list[etree._Element]], kind: Kind, storage: Storage) -> Constraints:
        if not children.keys() & {"limits", "expected", "off", "monotonic", "gradient", "change", "guard"}:
            return NO_CONSTRAINTS
        return Constraints(
            limits=self.only(children, "limits", self.bounds),
            expected=self.only(children, "expected", self.bounds),
            off=self.only(children, "off", lambda e: self.off(e, storage)),
            monotonic=self.every(children, "monotonic", lambda e: self.monotonic(e, kind)),
            gradients=self.every(children, "gradient", lambda e: self.gradient(e, kind)),
            change=self.only(children, "change", lambda e: _real(_need(e, "max"))),
            guards=self.every(children, "guard", lambda e: self.guard(e, storage)),
        )

    def every(
        self, children: dict[str, list[etree._Element]], tag: str, make: Callable[[etree._Element], Noun]
    ) -> tuple[Noun, ...]:
        made = (self.build(make, child) for child in children.get(tag, ()))
        return tuple(noun for noun in made if noun is not None)

    def only(
        self, children: dict[str, list[etree._Element]], tag: str, make: Callable[[etree._Element], Noun]
    ) -> Noun | None:
        return next(iter(self.every(children, tag, make)), None)

    def bounds(self, element: etree._Element) -> Range:
        if not element.attrib:
            raise ValueError("give min, max or both")
        low, high = _optional_real(element, "min"), _optional_real(element, "max")
        return Range(
            -math.inf if low is None else low,
            math.inf if high is None else high,
            _precise(element.get("min")),
            _precise(element.get("max")),
        )

    def off(self, element: etree._Element, storage: Storage) -> OffCode:
        raw = self.raw(element, storage)
        allowed = OffAllowed(element.get("allowed", "outside-operating"))
        return OffCode(raw, allowed, self.line(element))

    def raw(self, element: etree._Element, storage: Storage) -> int:
        raw = _integer(_need(element, "raw"))
        if not storage.holds(raw):
            raise ValueError(f"raw {raw} does not fit the table's {storage.type.name}")
        return raw

    def along(self, element: etree._Element, kind: Kind) -> str:
        along = _need(element, "along")
        if kind is Kind.SCALAR or (kind is Kind.CURVE and along == "y"):
            raise ValueError(f"a {kind} has no {along} axis")
        return along

    def monotonic(self, element: etree._Element, kind: Kind) -> Monotonic:
        rising = {"rising": True, "falling": False}[_need(element, "direction")]
        return Monotonic(
            self.along(element, kind), rising, element.get("strict") == "true", self.line(element)
        )

    def gradient(self, element: etree._Element, kind: Kind) -> Gradient:
        return Gradient(self.along(element, kind), _real(_need(element, "max")), self.line(element))

    def guard(self, element: etree._Element, storage: Storage) -> Guard:
        given = [key for key in ("above", "below", "state", "raw", "flat") if element.get(key) is not None]
        if len(given) != 1:
            raise ValueError("give exactly one of above, below, state, raw, flat")
        return Guard(
            above=_optional_real(element, "above"),
            below=_optional_real(element, "below"),
            state=element.get("state", "").strip() or None,
            raw=self.raw(element, storage) if "raw" in given else None,
            flat="flat" in given,
            share=float(element.get("share", "1")),
            line=self.line(element),
            text=_precise(element.get("above", element.get("below"))),
        )

    def relation(self, element: etree._Element) -> Relation:
        kind = _tag(element)
        table, other, amount = {
            "at-most": ("table", "bound", "margin"),
            "equal": ("table", "mirror", "tolerance"),
            "inverse": ("table", "of", "tolerance"),
            "gap": ("upper", "lower", "min"),
        }[kind]
        names = _need(element, table), _need(element, other)
        return Relation(kind, *names, _real(element.get(amount, "0")), self.line(element))
