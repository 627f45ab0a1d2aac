"""A description in the standard ASAM MCD-2 MC (ASAP2), versions 1.5 to 1.7, into nouns of its own.

What stands in the file is taken as it is; what it becomes in a definition is for ``asap2_definition``. A
block with a mistake in it is left out with the reason, and everything that is not looked at is counted, so
that nothing is lost in silence. What breaks the structure of the file is an InputError.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from callint.model.definition import Range
from callint.model.errors import InputError
from callint.reading.asap2.tokens import Place, Source, unquoted

#: Bounds on what a file may claim.
MAX_WORDS = 4 * 2**20  # of one block
MAX_DEPTH = 32  # blocks within blocks
MAX_KINDS = 500  # of unknown keywords that are told apart


@dataclass(frozen=True, slots=True)
class AxisDescription:
    """One axis of a characteristic. ``fixed`` is a keyword and its numbers, None where there are none."""

    attribute: str
    input: str
    conversion: str
    points: int
    limits: Range
    reference: str
    fixed: tuple[str, tuple[float, ...]] | None
    byte_order: str
    deposit: str
    monotony: str
    steepest: float | None
    place: Place


@dataclass(frozen=True, slots=True)
class Characteristic:
    """A value, curve, map, block or string that can be calibrated; limits in physical values."""

    name: str
    title: str
    type: str
    address: int
    layout: str
    conversion: str
    limits: Range
    extended: Range | None
    axes: tuple[AxisDescription, ...]
    mask: int | None
    byte_order: str
    sizes: tuple[int, ...]
    encoding: str
    unit: str | None
    extension: int
    is_virtual: bool
    is_dependent: bool
    place: Place


@dataclass(frozen=True, slots=True)
class AxisPoints:
    """An axis in memory that several characteristics may share."""

    name: str
    title: str
    address: int
    input: str
    layout: str
    conversion: str
    points: int
    limits: Range
    byte_order: str
    deposit: str
    monotony: str
    unit: str | None
    extension: int
    place: Place


@dataclass(frozen=True, slots=True)
class Method:
    """A COMPU_METHOD: ``numbers`` are the coefficients, ``table`` names a value table.

    ``unit_reference`` names a UNIT where there is no text in ``unit``; "" for none.
    """

    name: str
    title: str
    type: str
    format: str
    unit: str
    unit_reference: str
    numbers: tuple[float, ...]
    table: str
    place: Place


@dataclass(frozen=True, slots=True)
class Unit:
    """A UNIT: what is shown for it."""

    name: str
    shown: str
    place: Place


@dataclass(frozen=True, slots=True)
class ValueTable:
    """A COMPU_TAB, COMPU_VTAB or COMPU_VTAB_RANGE; the last item of each row is the result.

    ``stated`` is how many rows there are said to be; ``type`` is "" for a COMPU_VTAB_RANGE.
    """

    name: str
    kind: str
    type: str
    stated: int
    rows: tuple[tuple[float | str, ...], ...]
    default: str | None
    place: Place


@dataclass(frozen=True, slots=True)
class Element:
    """One part of a record layout: its keyword, position, and what else is said of it."""

    keyword: str
    position: int
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordLayout:
    """A RECORD_LAYOUT. ``unknown`` is the first keyword that is not understood, "" for none."""

    name: str
    elements: tuple[Element, ...]
    counts: Mapping[str, int]
    alignments: Mapping[str, int]
    unknown: str
    place: Place


@dataclass(frozen=True, slots=True)
class Measurement:
    """A measured quantity; limits in physical values."""

    name: str
    title: str
    conversion: str
    limits: Range
    is_virtual: bool
    place: Place


@dataclass(frozen=True, slots=True)
class Segment:
    """A MEMORY_SEGMENT."""

    name: str
    program: str
    memory: str
    address: int
    size: int
    offsets: tuple[int, ...]
    place: Place


@dataclass(frozen=True, slots=True)
class SkippedItem:
    """A block with a mistake in it, which is left out."""

    kind: str
    name: str
    reason: str
    place: Place


@dataclass(slots=True)
class ItemCounts:
    """How often something stands in the file, and where first."""

    first: Place
    amount: int = 0


_VERSION = re.compile(r"|1\.[567][0-9]?")


@dataclass
class Description:
    """One MODULE of a description.

    A name that is described twice leads to its first block, and the others are in ``bad``. ``unused`` counts
    what the standard has and a definition has no place for, ``uncovered`` what could matter and is not
    covered, ``unknown`` what the standard does not have: each by keyword and the block that it stands in.
    """

    module: str = ""
    place: Place = field(default_factory=lambda: Place("", 0))
    title: str = ""
    version: str = ""
    version_place: Place = field(default_factory=lambda: Place("", 0))
    characteristics: dict[str, Characteristic] = field(default_factory=dict)
    axes: dict[str, AxisPoints] = field(default_factory=dict)
    methods: dict[str, Method] = field(default_factory=dict)
    value_tables: dict[str, ValueTable] = field(default_factory=dict)
    layouts: dict[str, RecordLayout] = field(default_factory=dict)
    measurements: dict[str, Measurement] = field(default_factory=dict)
    units: dict[str, Unit] = field(default_factory=dict)
    segments: list[Segment] = field(default_factory=list)
    byte_order: str = ""
    deposit: str = ""
    alignments: dict[str, int] = field(default_factory=dict)
    epk: str | None = None
    epk_addresses: list[int] = field(default_factory=list)
    bad: list[SkippedItem] = field(default_factory=list)
    unused: dict[tuple[str, str], ItemCounts] = field(default_factory=dict)
    uncovered: dict[tuple[str, str], ItemCounts] = field(default_factory=dict)
    unknown: dict[tuple[str, str], ItemCounts] = field(default_factory=dict)

    @property
    def is_of_covered_version(self) -> bool:
        """Whether it says that it keeps to one of the versions 1.5 to 1.7, or says nothing."""
        return _VERSION.fullmatch(self.version) is not None


#: How many words follow each optional keyword; below 0: numbers, as many as there are.
_ANY = -1
_ALIGNMENTS = {
    f"ALIGNMENT_{kind}": 1
    for kind in ("BYTE", "WORD", "LONG", "INT64", "FLOAT16_IEEE", "FLOAT32_IEEE", "FLOAT64_IEEE")
}
_EVERYWHERE = {
    "BYTE_ORDER": 1,
    "CALIBRATION_ACCESS": 1,
    "DISCRETE": 0,
    "DISPLAY_IDENTIFIER": 1,
    "ECU_ADDRESS_EXTENSION": 1,
    "EXTENDED_LIMITS": 2,
    "FORMAT": 1,
    "MODEL_LINK": 1,
    "PHYS_UNIT": 1,
    "READ_ONLY": 0,
    "REF_MEMORY_SEGMENT": 1,
    "STEP_SIZE": 1,
    "SYMBOL_LINK": 2,
}
_KEYWORDS: dict[str, dict[str, int]] = {
    "CHARACTERISTIC": _EVERYWHERE
    | {
        "BIT_MASK": 1,
        "COMPARISON_QUANTITY": 1,
        "ENCODING": 1,
        "GUARD_RAILS": 0,
        "MATRIX_DIM": _ANY,
        "MAX_REFRESH": 2,
        "NUMBER": 1,
    },
    "AXIS_DESCR": {
        "AXIS_PTS_REF": 1,
        "BYTE_ORDER": 1,
        "CURVE_AXIS_REF": 1,
        "DEPOSIT": 1,
        "EXTENDED_LIMITS": 2,
        "FIX_AXIS_PAR": 3,
        "FIX_AXIS_PAR_DIST": 3,
        "FORMAT": 1,
        "MAX_GRAD": 1,
        "MONOTONY": 1,
        "PHYS_UNIT": 1,
        "READ_ONLY": 0,
        "STEP_SIZE": 1,
    },
    "AXIS_PTS": _EVERYWHERE | {"DEPOSIT": 1, "GUARD_RAILS": 0, "MAX_REFRESH": 2, "MONOTONY": 1},
    "COMPU_METHOD": {
        "COEFFS": 6,
        "COEFFS_LINEAR": 2,
        "COMPU_TAB_REF": 1,
        "REF_UNIT": 1,
        "STATUS_STRING_REF": 1,
    },
    "COMPU_TAB": {"DEFAULT_VALUE": 1, "DEFAULT_VALUE_NUMERIC": 1},
    "COMPU_VTAB": {"DEFAULT_VALUE": 1},
    "COMPU_VTAB_RANGE": {"DEFAULT_VALUE": 1},
    "MEASUREMENT": _EVERYWHERE
    | {
        "ADDRESS_TYPE": 1,
        "ARRAY_SIZE": 1,
        "BIT_MASK": 1,
        "ECU_ADDRESS": 1,
        "ERROR_MASK": 1,
        "LAYOUT": 1,
        "MATRIX_DIM": _ANY,
        "MAX_REFRESH": 2,
        "READ_WRITE": 0,
    },
    "RECORD_LAYOUT": _ALIGNMENTS
    | {"FNC_VALUES": 4, "IDENTIFICATION": 2, "RESERVED": 2, "RIP_ADDR_W": 2}
    | {"STATIC_ADDRESS_OFFSETS": 0, "STATIC_RECORD_LAYOUT": 0}
    | {
        f"{keyword}_{axis}": words
        for axis in "XYZ45"
        for keyword, words in (
            ("AXIS_PTS", 4),
            ("AXIS_RESCALE", 5),
            ("DIST_OP", 2),
            ("FIX_NO_AXIS_PTS", 1),
            ("NO_AXIS_PTS", 2),
            ("NO_RESCALE", 2),
            ("OFFSET", 2),
            ("RIP_ADDR", 2),
            ("SHIFT_OP", 2),
            ("SRC_ADDR", 2),
        )
    },
    "MOD_COMMON": _ALIGNMENTS | {"BYTE_ORDER": 1, "DATA_SIZE": 1, "DEPOSIT": 1, "S_REC_LAYOUT": 1},
    "MOD_PAR": {
        "ADDR_EPK": 1,
        "CPU_TYPE": 1,
        "CUSTOMER": 1,
        "CUSTOMER_NO": 1,
        "ECU": 1,
        "ECU_CALIBRATION_OFFSET": 1,
        "EPK": 1,
        "NO_OF_INTERFACES": 1,
        "PHONE_NO": 1,
        "SUPPLIER": 1,
        "SYSTEM_CONSTANT": 2,
        "USER": 1,
        "VERSION": 1,
    },
    "MEMORY_SEGMENT": {},
    "UNIT": {"REF_UNIT": 1, "SI_EXPONENTS": 7, "UNIT_CONVERSION": 2},
}
#: Words that every block of a kind begins with, its name included.
_FRONT = {
    "CHARACTERISTIC": 9,
    "AXIS_DESCR": 6,
    "AXIS_PTS": 10,
    "COMPU_METHOD": 5,
    "COMPU_TAB": 4,
    "COMPU_VTAB": 4,
    "COMPU_VTAB_RANGE": 3,
    "MEASUREMENT": 8,
    "RECORD_LAYOUT": 1,
    "MOD_COMMON": 1,
    "MOD_PAR": 1,
    "MEMORY_SEGMENT": 12,
    "UNIT": 4,
}
#: Blocks within blocks that a definition has no place for.
_INNER = {
    "ANNOTATION",
    "BIT_OPERATION",
    "CALIBRATION_METHOD",
    "FUNCTION_LIST",
    "IF_DATA",
    "MAP_LIST",
    "MEMORY_LAYOUT",
}
#: Blocks of a module that a definition has no place for, and those whose tables are not covered.
_OUTER = {"A2ML", "ANNOTATION", "FRAME", "FUNCTION", "GROUP", "IF_DATA", "USER_RIGHTS"}
_UNCOVERED = {
    "BLOB",
    "INSTANCE",
    "TRANSFORMER",
    "TYPEDEF_AXIS",
    "TYPEDEF_BLOB",
    "TYPEDEF_CHARACTERISTIC",
    "TYPEDEF_MEASUREMENT",
    "TYPEDEF_STRUCTURE",
    "VARIANT_CODING",
}
#: Keywords that are counted among what is not covered, for what they say could matter.
_MATTERS = {"ECU_CALIBRATION_OFFSET", "S_REC_LAYOUT", "STATUS_STRING_REF"}


def read_asap2(path: Path, module: str | None = None) -> Description:
    """Read one module of a description: the named one, or the only one.

    Raises InputError, with file and line, for what breaks the structure of the file.
    """
    source = Source(path)
    cursor = _Cursor(source)
    reader = _Reader(Description(), source)
    found: list[str] = []
    inside = False
    wanted = False
    opened: list[tuple[str, int]] = []
    while (word := cursor.word()) is not None:
        at = cursor.here
        if word == "/begin":
            kind = cursor.demand("/begin", at)
            if kind == "PROJECT" or (kind == "MODULE" and not inside):
                if [above for above, _ in opened] != (["PROJECT"] if kind == "MODULE" else []):
                    where = f"a {opened[-1][0]}" if opened else "nothing"
                    raise InputError(f"{source.place(at)}: {kind} stands in {where}; correct the structure")
                opened.append((kind, at))
                name, title = cursor.demand(kind, at), cursor.demand(kind, at)
                if kind == "MODULE":
                    inside = True
                    found.append(unquoted(name))
                    wanted = found[-1] == module or (module is None and len(found) == 1)
                    if wanted:
                        reader.description.module, reader.description.title = found[-1], unquoted(title)
                        reader.description.place = source.place(at)
                continue
            texts, places = cursor.block(kind, at)
            if wanted and inside:
                reader.take(kind, texts, places, source.place(at))
            elif not inside and kind == "MODULE":
                raise InputError(f"{source.place(at)}: MODULE stands in no PROJECT; correct the structure")
        elif word == "/end":
            kind = cursor.demand("/end", at)
            if not opened or opened[-1][0] != kind:
                raise InputError(f"{source.place(at)}: /end {kind} closes nothing; remove it")
            opened.pop()
            if kind == "MODULE":
                inside = wanted = False
        elif word == "ASAP2_VERSION" and not opened:
            major, minor = cursor.demand(word, at), cursor.demand(word, at)
            reader.description.version = f"{major}.{minor}"
            reader.description.version_place = source.place(at)
        elif word == "A2ML_VERSION" and not opened:
            cursor.demand(word, at)
            cursor.demand(word, at)
        elif not opened:
            raise InputError(f"{source.place(at)}: {word[:60]!r} is no ASAP2; name a description")
        elif wanted:
            reader.count(reader.description.unknown, word[:60], "MODULE", at)
    if opened:
        kind, at = opened[-1]
        raise InputError(f"{source.place(at)}: /begin {kind} has no /end {kind}; the file may be cut off")
    _choose(path, found, module)
    for kind, (amount, place) in source.skipped.items():
        reader.description.unused[kind, ""] = ItemCounts(place, amount)
    return reader.description


def _choose(path: Path, found: list[str], module: str | None) -> None:
    if not found:
        raise InputError(f"{path}: there is no PROJECT with a MODULE in it; name an ASAP2 description")
    names = ", ".join(found[:20]) + (", ..." if len(found) > 20 else "")
    if module is None and len(found) > 1:
        raise InputError(f"{path}: it has {len(found)} modules; choose one with --module: {names}")
    if module is not None and found.count(module) != 1:
        words = "no module" if module not in found else "more than one module"
        raise InputError(f"{path}: it has {words} {module!r}; it has: {names}")


class _Cursor:
    """Words one by one, and whole blocks."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.stretches = source.words()
        self.texts: list[str] = []
        self.places: list[int] = []
        self.next = 0

    @property
    def here(self) -> int:
        """The place of the last word."""
        return self.places[self.next - 1]

    def more(self) -> bool:
        stretch = next(self.stretches, None)
        if stretch is None:
            return False
        if self.next:
            self.texts, self.places = self.texts[self.next :], self.places[self.next :]
            self.next = 0
        self.texts += stretch.texts
        self.places += stretch.places
        return True

    def word(self) -> str | None:
        while self.next >= len(self.texts):
            if not self.more():
                return None
        self.next += 1
        return self.texts[self.next - 1]

    def demand(self, kind: str, at: int) -> str:
        word = self.word()
        if word is None:
            raise InputError(f"{self.source.place(at)}: {kind} is cut off; the end of the file is missing")
        return word

    def block(self, kind: str, at: int) -> tuple[list[str], list[int]]:
        """The words of the block that has just begun, up to its own end, which is passed."""
        depth, checked, searched = 1, 0, 0
        while True:
            texts = self.texts
            try:
                end = texts.index("/end", self.next + max(checked, searched))
                if end + 1 >= len(texts):
                    raise ValueError
            except ValueError:
                if len(texts) - self.next > MAX_WORDS:
                    raise InputError(
                        f"{self.source.place(at)}: /begin {kind} has no end within {MAX_WORDS:,} words; "
                        f"look for a missing /end {kind}"
                    ) from None
                # The last word may be an /end whose kind is yet to come.
                searched = max(len(texts) - self.next - 1, 0)
                if not self.more():
                    raise InputError(
                        f"{self.source.place(at)}: /begin {kind} has no /end {kind}; the file may be cut off"
                    ) from None
                continue
            depth += texts[self.next + checked : end].count("/begin")
            if depth > MAX_DEPTH:
                raise InputError(
                    f"{self.source.place(self.places[end])}: blocks stand in one another more than "
                    f"{MAX_DEPTH} deep; look for a missing /end"
                )
            depth -= 1
            if depth == 0:
                break
            checked = end + 1 - self.next
        if texts[end + 1] != kind:
            raise InputError(
                f"{self.source.place(self.places[end])}: /end {texts[end + 1]} does not close /begin {kind} "
                f"of {self.source.place(at)}; correct one of them"
            )
        found = texts[self.next : end], self.places[self.next : end]
        self.next = end + 2
        return found


class _MistakeError(ValueError):
    """A word that a block cannot have where it stands."""

    def __init__(self, place: int, message: str) -> None:
        super().__init__(message)
        self.place = place


class _Block:
    """The words of one block, by number."""

    __slots__ = ("end", "kind", "places", "texts")

    def __init__(self, kind: str, texts: list[str], places: list[int]) -> None:
        self.kind, self.texts, self.places, self.end = kind, texts, places, len(texts)

    def fail(self, number: int, message: str) -> _MistakeError:
        return _MistakeError(self.places[min(number, self.end - 1)] if self.end else -1, message)

    def demand(self, words: int, first: int, keyword: str) -> None:
        """That so many words are there from ``first`` on, and none of them begins or ends a block."""
        if first + words > self.end:
            raise self.fail(first, f"{keyword} is cut short: {words} values belong to it")
        for number in range(first, first + words):
            if self.texts[number] in ("/begin", "/end"):
                raise self.fail(number, f"{keyword} is cut short: {words} values belong to it")

    def name(self, number: int) -> str:
        return unquoted(self.texts[number])

    def text(self, number: int) -> str:
        word = self.texts[number]
        if not word.startswith('"'):
            raise self.fail(number, f"{word[:40]!r} stands where a text in quotes belongs")
        return unquoted(word)

    def integer(self, number: int) -> int:
        word = self.texts[number]
        try:
            value = int(word, 16) if word[:2] in ("0x", "0X") else int(word)
        except ValueError:
            raise self.fail(number, f"{word[:40]!r} stands where a whole number belongs") from None
        if not -(2**64) < value < 2**64:
            raise self.fail(number, f"{word[:40]} is too large a number")
        return value

    def real(self, number: int) -> float:
        word = self.texts[number]
        try:
            value = float(int(word, 16)) if word[:2] in ("0x", "0X") else float(word)
        except (ValueError, OverflowError):
            raise self.fail(number, f"{word[:40]!r} stands where a number belongs") from None
        if not math.isfinite(value):
            raise self.fail(number, f"{word[:40]} is no number that can be worked with")
        return value

    def range(self, number: int) -> Range:
        return Range(self.real(number), self.real(number + 1))

    def numbers(self, first: int) -> int:
        """The number of the first word from ``first`` on that is none of several numbers."""
        last = first
        while last < self.end and self.texts[last][:1] in "+-.0123456789":
            last += 1
        return last


Noun = TypeVar("Noun")


class _Reader:
    """Blocks of a module into the nouns of a description."""

    def __init__(self, description: Description, source: Source) -> None:
        self.description = description
        self.source = source
        self.takers = {
            "CHARACTERISTIC": self.characteristic,
            "AXIS_PTS": self.axis_points,
            "COMPU_METHOD": self.method,
            "COMPU_TAB": self.value_table,
            "COMPU_VTAB": self.value_table,
            "COMPU_VTAB_RANGE": self.value_table,
            "RECORD_LAYOUT": self.layout,
            "MEASUREMENT": self.measurement,
            "MOD_COMMON": self.mod_common,
            "MOD_PAR": self.mod_par,
            "UNIT": self.unit,
        }

    def count(self, tallies: dict[tuple[str, str], ItemCounts], keyword: str, kind: str, at: int) -> None:
        """Count something that is not looked at, by its keyword and the block that it stands in."""
        if (keyword, kind) not in tallies:
            if len(tallies) >= MAX_KINDS:
                keyword, kind = "other keywords", ""
            if (keyword, kind) not in tallies:
                tallies[keyword, kind] = ItemCounts(self.source.place(at))
        tallies[keyword, kind].amount += 1

    def take(self, kind: str, texts: list[str], places: list[int], place: Place) -> None:
        """One block of the module: ``texts`` stand between its begin and its end."""
        taker = self.takers.get(kind)
        if taker is None:
            tallies = self.description.unknown
            if kind in _OUTER:
                tallies = self.description.unused
            elif kind in _UNCOVERED:
                tallies = self.description.uncovered
            if len(tallies) >= MAX_KINDS and (kind[:60], "") not in tallies:
                kind = "other blocks"
            tally = tallies.setdefault((kind[:60], ""), ItemCounts(place))
            tally.amount += 1
            return
        block = _Block(kind, texts, places)
        try:
            block.demand(_FRONT[kind], 0, kind)
            taker(block, place)
        except _MistakeError as error:
            where = place if error.place < 0 else self.source.place(error.place)
            self.description.bad.append(
                SkippedItem(kind, unquoted(texts[0]) if texts else "", str(error), where)
            )

    def enter(self, names: dict[str, Noun], noun: Noun, name: str, kind: str, place: Place) -> None:
        if name in names:
            self.description.bad.append(SkippedItem(kind, name, "the name is described before", place))
        else:
            names[name] = noun

    def options(self, block: _Block, first: int) -> Iterator[tuple[str, int, int]]:
        """The optional part of a block: keyword, and the numbers of the first word and behind the last.

        For a block within the block the keyword has "/" before it, and the words are its content. What is
        unknown is counted, up to the next known keyword.
        """
        known, texts, number = _KEYWORDS[block.kind], block.texts, first
        is_lost = False
        while number < block.end:
            word = texts[number]
            words = known.get(word)
            if words is not None:
                number += 1
                behind = block.numbers(number) if words == _ANY else number + words
                if words != _ANY:
                    block.demand(words, number, word)
                yield word, number, behind
                number, is_lost = behind, False
            elif word == "/begin":
                if number + 1 >= block.end:
                    raise block.fail(number, "/begin names no block")
                behind = self.inner_end(block, number)
                yield f"/{texts[number + 1]}", number + 2, behind - 2
                number, is_lost = behind, False
            else:
                if not is_lost:
                    self.count(self.description.unknown, word[:60], block.kind, block.places[number])
                number, is_lost = number + 1, True

    def inner_end(self, block: _Block, begin: int) -> int:
        """The number of the word behind an inner block; InputError where its end is of another kind."""
        opened, number, texts = [_word(block, begin + 1)], begin + 2, block.texts
        while opened:
            if number + 1 >= block.end:
                raise block.fail(begin, f"/begin {opened[-1]} has no end")
            if texts[number] == "/begin":
                opened.append(texts[number + 1])
                number += 2
            elif texts[number] == "/end":
                if texts[number + 1] != opened[-1]:
                    place = self.source.place(block.places[number])
                    raise InputError(
                        f"{place}: /end {texts[number + 1]} does not close /begin {opened[-1]}; "
                        "correct one of them"
                    )
                opened.pop()
                number += 2
            else:
                number += 1
        return number

    def leave(self, block: _Block, keyword: str, number: int) -> None:
        """Count an optional part that is not looked at."""
        if keyword.startswith("/") and keyword[1:] not in _INNER:
            tallies = self.description.unknown
        elif keyword in _MATTERS:
            tallies = self.description.uncovered
        else:
            tallies = self.description.unused
        self.count(tallies, keyword.lstrip("/")[:60], block.kind, block.places[number - 1])

    def inner(self, block: _Block, first: int, behind: int, kind: str) -> _Block:
        return _Block(kind, block.texts[first:behind], block.places[first:behind])

    # Kinds of blocks

    def characteristic(self, block: _Block, place: Place) -> None:
        axes: list[AxisDescription] = []
        extended, mask, unit = None, None, None
        byte_order, encoding, extension = "", "", 0
        sizes: tuple[int, ...] = ()
        is_virtual = is_dependent = False
        for keyword, first, behind in self.options(block, 9):
            match keyword:
                case "/AXIS_DESCR":
                    axes.append(self.axis_description(self.inner(block, first, behind, "AXIS_DESCR")))
                case "BIT_MASK":
                    mask = block.integer(first)
                case "BYTE_ORDER":
                    byte_order = block.name(first)
                case "ECU_ADDRESS_EXTENSION":
                    extension = block.integer(first)
                case "ENCODING":
                    encoding = block.name(first)
                case "EXTENDED_LIMITS":
                    extended = block.range(first)
                case "NUMBER":
                    sizes = sizes or (block.integer(first),)
                case "MATRIX_DIM":
                    sizes = tuple(block.integer(number) for number in range(first, behind))
                case "PHYS_UNIT":
                    unit = block.text(first)
                case "/VIRTUAL_CHARACTERISTIC":
                    is_virtual = True
                case "/DEPENDENT_CHARACTERISTIC":
                    is_dependent = True
                case _:
                    self.leave(block, keyword, first)
        found = Characteristic(
            name=block.name(0),
            title=block.text(1),
            type=block.name(2),
            address=block.integer(3),
            layout=block.name(4),
            conversion=block.name(6),
            limits=block.range(7),
            extended=extended,
            axes=tuple(axes),
            mask=mask,
            byte_order=byte_order,
            sizes=sizes,
            encoding=encoding,
            unit=unit,
            extension=extension,
            is_virtual=is_virtual,
            is_dependent=is_dependent,
            place=place,
        )
        if found.name in self.description.axes:
            raise block.fail(0, "the name is described before")
        self.enter(self.description.characteristics, found, found.name, block.kind, place)

    def axis_description(self, block: _Block) -> AxisDescription:
        block.demand(6, 0, "AXIS_DESCR")
        reference = byte_order = deposit = monotony = ""
        fixed: tuple[str, tuple[float, ...]] | None = None
        steepest = None
        for keyword, number, behind in self.options(block, 6):
            match keyword:
                case "AXIS_PTS_REF" | "CURVE_AXIS_REF":
                    reference = block.name(number)
                case "FIX_AXIS_PAR" | "FIX_AXIS_PAR_DIST":
                    fixed = keyword, tuple(block.real(one) for one in range(number, behind))
                case "/FIX_AXIS_PAR_LIST":
                    fixed = keyword[1:], tuple(block.real(one) for one in range(number, behind))
                case "BYTE_ORDER":
                    byte_order = block.name(number)
                case "DEPOSIT":
                    deposit = block.name(number)
                case "MONOTONY":
                    monotony = block.name(number)
                case "MAX_GRAD":
                    steepest = block.real(number)
                case _:
                    self.leave(block, keyword, number)
        return AxisDescription(
            attribute=block.name(0),
            input=block.name(1),
            conversion=block.name(2),
            points=block.integer(3),
            limits=block.range(4),
            reference=reference,
            fixed=fixed,
            byte_order=byte_order,
            deposit=deposit,
            monotony=monotony,
            steepest=steepest,
            place=self.source.place(block.places[0]),
        )

    def axis_points(self, block: _Block, place: Place) -> None:
        byte_order = deposit = monotony = ""
        unit, extension = None, 0
        for keyword, first, _ in self.options(block, 10):
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
                    self.leave(block, keyword, first)
        found = AxisPoints(
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
        if found.name in self.description.characteristics:
            raise block.fail(0, "the name is described before")
        self.enter(self.description.axes, found, found.name, block.kind, place)

    def method(self, block: _Block, place: Place) -> None:
        numbers: tuple[float, ...] = ()
        table = reference = ""
        unit = block.text(4)
        for keyword, first, behind in self.options(block, 5):
            match keyword:
                case "REF_UNIT" if not unit.strip():
                    reference = block.name(first)
                case "COEFFS" | "COEFFS_LINEAR":
                    numbers = tuple(block.real(one) for one in range(first, behind))
                case "COMPU_TAB_REF":
                    table = block.name(first)
                case "/FORMULA":
                    pass  # the type of the method says that it has one
                case _:
                    self.leave(block, keyword, first)
        found = Method(
            name=block.name(0),
            title=block.text(1),
            type=block.name(2),
            format=block.text(3),
            unit=unit,
            unit_reference=reference,
            numbers=numbers,
            table=table,
            place=place,
        )
        self.enter(self.description.methods, found, found.name, block.kind, place)

    def value_table(self, block: _Block, place: Place) -> None:
        front = _FRONT[block.kind]
        width = 3 if block.kind == "COMPU_VTAB_RANGE" else 2
        rows: list[tuple[float | str, ...]] = []
        number = front
        while number < block.end and block.texts[number][:1] in "+-.0123456789":
            block.demand(width, number, block.kind)
            *values, result = range(number, number + width)
            row: list[float | str] = [block.real(one) for one in values]
            row.append(block.real(result) if block.kind == "COMPU_TAB" else block.text(result))
            rows.append(tuple(row))
            number += width
        default = None
        for keyword, first, _ in self.options(block, number):
            if keyword in ("DEFAULT_VALUE", "DEFAULT_VALUE_NUMERIC"):
                default = block.name(first)
            else:
                self.leave(block, keyword, first)
        stated = block.integer(front - 1)
        type = "" if block.kind == "COMPU_VTAB_RANGE" else block.name(2)
        found = ValueTable(block.name(0), block.kind, type, stated, tuple(rows), default, place)
        self.enter(self.description.value_tables, found, found.name, block.kind, place)

    def layout(self, block: _Block, place: Place) -> None:
        elements: list[Element] = []
        counts: dict[str, int] = {}
        alignments: dict[str, int] = {}
        before = sum(tally.amount for tally in self.description.unknown.values())
        for keyword, first, behind in self.options(block, 1):
            if keyword.startswith("ALIGNMENT_"):
                alignments[keyword] = block.integer(first)
            elif keyword.startswith("FIX_NO_AXIS_PTS_"):
                counts[keyword[-1]] = block.integer(first)
            elif keyword.startswith("STATIC_"):
                continue  # the space is that of the largest count, as it is in a definition anyway
            elif keyword.startswith("/"):
                self.leave(block, keyword, first)
            else:
                words = tuple(block.texts[first + 1 : behind])
                elements.append(Element(keyword, block.integer(first), words))
        after = sum(tally.amount for tally in self.description.unknown.values())
        unknown = "a keyword that is not known" if after > before else ""
        found = RecordLayout(block.name(0), tuple(elements), counts, alignments, unknown, place)
        self.enter(self.description.layouts, found, found.name, block.kind, place)

    def measurement(self, block: _Block, place: Place) -> None:
        is_virtual = False
        for keyword, first, _ in self.options(block, 8):
            if keyword == "/VIRTUAL":
                is_virtual = True
            else:
                self.leave(block, keyword, first)
        found = Measurement(block.name(0), block.text(1), block.name(3), block.range(6), is_virtual, place)
        self.enter(self.description.measurements, found, found.name, block.kind, place)

    def unit(self, block: _Block, place: Place) -> None:
        for keyword, first, _ in self.options(block, 4):
            self.leave(block, keyword, first)
        found = Unit(block.name(0), block.text(2), place)
        self.enter(self.description.units, found, found.name, block.kind, place)

    def mod_common(self, block: _Block, place: Place) -> None:
        for keyword, first, _ in self.options(block, 1):
            if keyword.startswith("ALIGNMENT_"):
                self.description.alignments[keyword] = block.integer(first)
            elif keyword == "BYTE_ORDER":
                self.description.byte_order = block.name(first)
            elif keyword == "DEPOSIT":
                self.description.deposit = block.name(first)
            else:
                self.leave(block, keyword, first)

    def mod_par(self, block: _Block, place: Place) -> None:
        for keyword, first, behind in self.options(block, 1):
            if keyword == "EPK":
                self.description.epk = block.text(first)
            elif keyword == "ADDR_EPK":
                self.description.epk_addresses.append(block.integer(first))
            elif keyword == "/MEMORY_SEGMENT":
                self.segment(self.inner(block, first, behind, "MEMORY_SEGMENT"), block.places[first - 1])
            else:
                self.leave(block, keyword, first)

    def segment(self, block: _Block, at: int) -> None:
        try:
            block.demand(12, 0, "MEMORY_SEGMENT")
            found = Segment(
                name=block.name(0),
                program=block.name(2),
                memory=block.name(3),
                address=block.integer(5),
                size=block.integer(6),
                offsets=tuple(block.integer(number) for number in range(7, 12)),
                place=self.source.place(at),
            )
        except _MistakeError as error:
            name = unquoted(block.texts[0]) if block.texts else ""
            where = self.source.place(at if error.place < 0 else error.place)
            self.description.bad.append(SkippedItem("MEMORY_SEGMENT", name, str(error), where))
            return
        self.description.segments.append(found)
        for keyword, first, _ in self.options(block, 12):
            self.leave(block, keyword, first)


def _word(block: _Block, number: int) -> str:
    """A word of a block; "" behind its end."""
    return block.texts[number] if number < block.end else ""
