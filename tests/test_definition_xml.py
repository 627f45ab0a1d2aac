"""A definition written as XML reads back as the same definition."""

from __future__ import annotations

import dataclasses
import string
from pathlib import Path
from typing import Any
from xml.sax import saxutils

import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.model.cell_demands import Gradient, Monotonic, OffAllowed, OffCode
from callint.model.definition import (
    Axis,
    ByteOrder,
    Checksum,
    Constraints,
    Conversion,
    Crc,
    Definition,
    FixedAxis,
    Group,
    Guard,
    Identity,
    Interpolated,
    Kind,
    Linear,
    Memory,
    NumberType,
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
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.translation import Titled, Translation
from callint.reading.definition import read_definition
from callint.reporting.definition.xml import definition_lines, escape, quoted
from tests.example_counts import examples
from tests.running import REPOSITORY

DEMO = REPOSITORY / "fixtures/demo/steps/01-factory/definitions/skerry-28.xml"


def written(definition: Definition) -> bytes:
    return "".join(definition_lines(definition)).encode()


def read(data: bytes) -> Definition:
    file = read_definition(data, "written.xml")
    assert file.definition is not None and file.problems == (), file.problems
    return file.definition


def bare(noun: Any) -> Any:
    """A noun as plain data, without the lines on which things stand."""
    if dataclasses.is_dataclass(noun) and not isinstance(noun, type):
        fields = [field.name for field in dataclasses.fields(noun)]
        left = {"line", "lines", "declarations", "digest"}
        return type(noun).__name__, {name: bare(getattr(noun, name)) for name in fields if name not in left}
    if isinstance(noun, dict):
        return {name: bare(value) for name, value in noun.items()}
    if isinstance(noun, tuple):
        return tuple(bare(value) for value in noun)
    return noun


@pytest.mark.parametrize("path", [DEMO, REPOSITORY / "tests/data/example.xml"], ids=lambda path: path.stem)
def test_a_definition_written_by_people_stays_the_same(path: Path) -> None:
    before = read(path.read_bytes())
    assert bare(read(written(before))) == bare(before)


# Definitions of every shape

# Hypothesis draws a text at once, but a match of an expression in many pieces. A strategy that is made again
# for each example costs as much as what it draws.
_FIRST_LETTERS = string.ascii_letters + "_"
NAMES = st.tuples(
    st.sampled_from(_FIRST_LETTERS), st.text(_FIRST_LETTERS + string.digits + ".-[]", max_size=12)
).map("".join)
SOME_NAMES = {most: st.lists(NAMES, max_size=most, unique=True) for most in (2, 3, 5)}
ANY_NAME = st.none() | NAMES
REALS = st.floats(allow_nan=False, allow_infinity=False)
POSITIVE = st.floats(min_value=1e-300, allow_infinity=False)
_LETTERS = string.ascii_letters + string.digits + "<>&\"'°µ→€ü%/()[]"
LABELS = st.lists(st.text(_LETTERS, min_size=1, max_size=6), min_size=1, max_size=4).map(" ".join)
TITLES = st.just("") | LABELS
ADDRESSES = st.integers(0, 2**48 - 1)
ORDERS = st.sampled_from(ByteOrder)
SPANS = st.none() | st.builds(Range, REALS, REALS)
BOUNDS = st.none() | st.one_of(
    st.builds(Range, REALS, REALS),
    st.builds(Range, REALS, st.just(float("inf"))),
    st.builds(Range, st.just(float("-inf")), REALS),
)
DECIMALS = st.none() | st.integers(0, 9)
TYPES = st.sampled_from(NumberType)
COUNTS = st.integers(1, 99)
LENGTHS = st.integers(1, 2**20)
LINE = st.just(0)


@st.composite
def storages(draw: st.DrawFn, can_mask: bool = True) -> Storage:
    number_type = draw(TYPES)
    stride = number_type.size + draw(st.sampled_from([0, 0, 3]))
    mask = None
    if can_mask and number_type.kind == "u" and draw(st.booleans()):
        mask = draw(st.integers(1, (1 << 8 * number_type.size) - 1))
    return Storage(number_type, draw(ORDERS), stride, mask)


_COEFFICIENTS = st.tuples(*[REALS] * 6)
_RAWS = st.dictionaries(st.integers(-(2**63), 2**63), LABELS, min_size=1, max_size=4)
_POINTS = st.lists(st.tuples(REALS, REALS), min_size=2, max_size=5)


@st.composite
def conversions(draw: st.DrawFn, name: str) -> Conversion:
    unit, decimals = draw(TITLES), draw(DECIMALS)
    match draw(st.integers(0, 3)):
        case 0:
            return Linear(name, unit, decimals, draw(REALS), draw(REALS), 0)
        case 1:
            return Rational(name, unit, decimals, draw(_COEFFICIENTS), 0)
        case 2:
            names = draw(_RAWS)
            return States(name, {raw: f"{title} {raw}" for raw, title in names.items()}, (), 0)
    points = draw(_POINTS)
    raw, physical = zip(*points, strict=True)
    return Interpolated(name, unit, decimals, raw, physical, 0)


_EVEN = st.builds(
    lambda start, step, count: tuple(start + step * index for index in range(count)),
    st.floats(-1e6, 1e6),
    st.floats(1e-3, 1e6),
    st.integers(1, 9),
)
_UNEVEN = st.lists(REALS, min_size=1, max_size=5).map(tuple)
COUNT_TYPES = st.sampled_from([NumberType.uint8, NumberType.uint16, NumberType.uint32])
_UNMASKED, _STORAGES = storages(can_mask=False), storages()


@st.composite
def axes(draw: st.DrawFn, name: str) -> Axis:
    signal, falling = draw(NAMES), draw(st.booleans())
    if "/" not in name and draw(st.booleans()):
        derivation = draw(st.sampled_from(Derivation))
        return DerivedAxis(name, signal, draw(NAMES), derivation, draw(COUNTS), 0, falling)
    if draw(st.booleans()):
        return FixedAxis(name, signal, draw(_EVEN | _UNEVEN), 0, falling)
    count_type = draw(COUNT_TYPES)
    storage = draw(_UNMASKED)
    stored = None
    if draw(st.booleans()):
        stored = StoredCount(draw(ADDRESSES), Storage(count_type, storage.byte_order, count_type.size))
    conversion, count = draw(ANY_NAME), draw(COUNTS)
    return StoredAxis(name, signal, draw(ADDRESSES), storage, conversion, count, stored, 0, falling)


@st.composite
def demands(draw: st.DrawFn, kind: Kind, storage: Storage) -> Constraints:
    along = st.sampled_from({Kind.SCALAR: [], Kind.CURVE: ["x"], Kind.MAP: ["x", "y"]}[kind] or ["none"])
    shaped = kind is not Kind.SCALAR
    low, high = (0, 1) if storage.mask or storage.type.kind == "u" else (-1, 1)
    raws = st.integers(low, high)
    guard = st.sampled_from(
        [
            {"above": draw(REALS)},
            {"below": draw(REALS)},
            {"state": draw(LABELS)},
            {"raw": draw(raws)},
            {"flat": True},
        ]
    )
    none: dict[str, Any] = {"above": None, "below": None, "state": None, "raw": None, "flat": False}
    guards = st.builds(
        lambda given, share: Guard(**{**none, **given}, share=share, line=0),
        guard,
        st.sampled_from([1.0, 0.5, 0.25, 0.1]),
    )
    shapes = st.builds(Monotonic, along, st.booleans(), st.booleans(), st.just(0))
    steps = st.builds(Gradient, along, POSITIVE, st.just(0))
    return Constraints(
        limits=draw(BOUNDS),
        expected=draw(BOUNDS),
        off=draw(st.none() | st.builds(OffCode, raws, st.sampled_from(OffAllowed), st.just(0))),
        monotonic=tuple(draw(st.lists(shapes, max_size=2))) if shaped else (),
        gradients=tuple(draw(st.lists(steps, max_size=2))) if shaped else (),
        change=draw(st.none() | POSITIVE),
        guards=tuple(draw(st.lists(guards, max_size=2))),
    )


@st.composite
def checksums(draw: st.DrawFn, fill: int) -> Checksum:
    algorithm = draw(st.sampled_from(["CRC-32/ISO-HDLC", "sum16", "crc"]))
    orders = st.sampled_from([ByteOrder.BIG, ByteOrder.LITTLE])
    order, crc, word = draw(orders), None, NumberType.uint8
    if algorithm == "crc":
        width = draw(st.integers(3, 82))
        register = st.integers(0, 2**width - 1)
        poly = draw(register.map(lambda number: number | 1))
        crc = Crc(width, poly, draw(register), draw(st.booleans()), draw(st.booleans()), draw(register))
    if algorithm == "sum16":
        word = draw(COUNT_TYPES)
    return Checksum(
        name=draw(LABELS),
        algorithm=algorithm,
        start=draw(ADDRESSES),
        size=draw(st.integers(1, 2**18)) * word.size,
        stored_at=draw(ADDRESSES),
        byte_order=order,
        complement=draw(st.sampled_from([None, "ones", "twos"])),
        word=Storage(word, draw(orders) if algorithm == "sum16" else order, word.size),
        crc=crc,
        line=0,
        gap_fill=draw(st.sampled_from([None, fill])),
    )


@st.composite
def translations(draw: st.DrawFn) -> tuple[Translation, ...]:
    """Titles in other languages: those of one language stand together, as they do in a file."""
    made: list[Translation] = []
    for language in draw(st.lists(st.sampled_from(["de", "fr-CA", "nb"]), max_size=2, unique=True)):
        keys = st.one_of(
            st.just((Titled.DEFINITION, "")),
            st.tuples(st.sampled_from([Titled.TABLE, Titled.GROUP, Titled.SIGNAL]), NAMES),
        )
        owners = draw(st.lists(keys, min_size=1, max_size=2, unique=True))
        made += [Translation(language, kind, name, draw(LABELS), 0) for kind, name in owners]
    return tuple(made)


_REGIONS = st.builds(Region, NAMES, ADDRESSES, LENGTHS, LINE)
_CONTENTS = st.binary(min_size=1, max_size=9) | LABELS.map(str.encode)
_IDENTITIES = st.builds(Identity, LABELS, ADDRESSES, _CONTENTS, LINE)
_NOTES = st.lists(LABELS, max_size=2)
_SENSORS = st.builds(Sensor, NAMES, NAMES, POSITIVE, POSITIVE, LINE)
_RELATIONS = st.lists(
    st.builds(
        Relation,
        st.sampled_from(["at-most", "equal", "inverse", "gap"]),
        NAMES,
        NAMES,
        REALS,
        LINE,
        st.sampled_from(["", "operating"]),
    ),
    max_size=2,
)
_TRANSLATIONS = translations()


@st.composite
def definitions(draw: st.DrawFn) -> Definition:
    def named(most: int) -> list[str]:
        return draw(SOME_NAMES[most])

    def some(make: st.SearchStrategy[Any]) -> tuple[Any, ...]:
        return tuple(draw(st.lists(make, max_size=2, unique_by=lambda item: getattr(item, "name", id(item)))))

    fill = draw(st.integers(0, 255))
    memory = Memory(
        draw(ADDRESSES),
        draw(st.integers(1, 2**28)),
        fill,
        some(_REGIONS),
        some(_IDENTITIES),
        some(checksums(fill)),
        0,
    )
    groups = {name: Group(name, draw(LABELS), 0) for name in named(2)}
    found_axes: dict[str, Axis] = {name: draw(axes(name)) for name in named(3)}
    shared = list(found_axes)
    tables: dict[str, Table] = {}
    texts: dict[str, Text] = {}
    for name in named(5):
        group = draw(st.sampled_from(["", *groups]))
        notes = tuple(draw(_NOTES))
        purpose, title = draw(st.sampled_from(Purpose)), draw(LABELS)
        kind = draw(st.sampled_from(Kind))
        if kind is Kind.TEXT:
            encoding = draw(st.sampled_from(["ascii", "latin-1", "utf-8"]))
            length = draw(LENGTHS)
            texts[name] = Text(
                name, title, purpose, group, draw(ADDRESSES), length, encoding, notes, 0, draw(st.booleans())
            )
            continue
        own: list[str] = []
        for along in {Kind.SCALAR: "", Kind.CURVE: "x", Kind.MAP: "xy"}[kind]:
            if draw(st.booleans()) and shared:
                own.append(draw(st.sampled_from(shared)))
            else:
                own.append(f"{name}/{along}")
                found_axes[own[-1]] = draw(axes(own[-1]))
        storage = draw(_STORAGES)
        tables[name] = Table(
            name,
            title,
            kind,
            purpose,
            group,
            draw(ADDRESSES),
            storage,
            draw(ANY_NAME),
            own[0] if own else None,
            own[1] if len(own) > 1 else None,
            kind is Kind.MAP and draw(st.booleans()),
            draw(ANY_NAME),
            draw(ANY_NAME),
            draw(demands(kind, storage)),
            notes,
            0,
            kind is Kind.SCALAR and draw(st.booleans()),
        )
    return Definition(
        name=draw(NAMES),
        title=draw(TITLES),
        revision=draw(st.integers(1, 999)),
        memory=memory,
        signals={
            name: Signal(name, draw(TITLES), draw(LABELS), draw(SPANS), draw(SPANS), 0) for name in named(3)
        },
        sensors=some(_SENSORS),
        conversions={name: draw(conversions(name)) for name in named(3)},
        axes=found_axes,
        groups=groups,
        tables=tables,
        texts=texts,
        relations=tuple(draw(_RELATIONS)),
        declarations=(),
        digest="",
        translations=draw(_TRANSLATIONS),
    )


@examples(30)
@given(definitions())
def test_any_definition_reads_back_as_it_was_written(definition: Definition) -> None:
    assert bare(read(written(definition))) == bare(definition)


@given(text=st.text(st.sampled_from("ab&<>\"'\n\r\t é\u2028")))
def test_texts_and_values_are_quoted_as_the_standard_library_does_it(text: str) -> None:
    assert escape(text) == saxutils.escape(text)
    assert quoted(text) == saxutils.quoteattr(text)
