"""Nouns of a definition, and findings about it, into bytes and back, exactly.

The form is JSON, which can hold no code: the nouns of each class stand in columns, one a field, and name one
another by their number. Only the classes below are ever made, and only of numbers, texts and one another.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from enum import Enum
from itertools import accumulate
from typing import Any

from callint.model import definition as nouns
from callint.model.finding import Cell, Finding, Severity

_ENUMS: tuple[type[Enum], ...] = (
    nouns.ByteOrder,
    nouns.NumberType,
    nouns.Purpose,
    nouns.Kind,
    nouns.OffAllowed,
    Severity,
)

#: A class stands behind those of its fields.
_CLASSES: tuple[type[Any], ...] = (
    nouns.Range,
    nouns.Storage,
    nouns.Region,
    nouns.Identity,
    nouns.Crc,
    nouns.Checksum,
    nouns.Memory,
    nouns.Signal,
    nouns.Sensor,
    nouns.Linear,
    nouns.Rational,
    nouns.States,
    nouns.Interpolated,
    nouns.StoredCount,
    nouns.StoredAxis,
    nouns.FixedAxis,
    nouns.OffCode,
    nouns.Monotonic,
    nouns.Gradient,
    nouns.Guard,
    nouns.Constraints,
    nouns.Table,
    nouns.Text,
    nouns.Relation,
    nouns.Group,
    nouns.Declaration,
    nouns.Definition,
    Cell,
    Finding,
)
_FIELDS = tuple(tuple(one.__dataclass_fields__) for one in _CLASSES)
_NUMBERS = {one: number for number, one in enumerate(_CLASSES)}
#: What nouns may refer to beside nouns, in front of them: nothing, and the members of the enumerations.
_FIRST: tuple[object, ...] = (None, *(member for one in _ENUMS for member in one))
_PLACES = {id(member): place for place, member in enumerate(_FIRST)}

#: Themselves alone: a number of NumPy's would come back as one of Python's, which is written in other words.
_SCALARS = {str, int, float, bool}

#: What a column holds.
_PLAIN, _BYTES, _TUPLES, _NOUN, _NOUNS, _MAP, _NOUN_MAP = range(7)


class UnknownFormError(Exception):
    """The bytes were not made by ``pack``."""


def pack(found: Iterable[Any]) -> bytes:
    """Nouns, and all that they hold, as bytes."""
    return _Packer().bytes_of(found)


class _Packer:
    def __init__(self) -> None:
        self._rows: list[list[list[Any]]] = [[] for _ in _CLASSES]
        self._known: dict[tuple[int, str], tuple[int, int]] = {}

    def bytes_of(self, found: Iterable[Any]) -> bytes:
        roots = [self._add(one) for one in found]
        starts = [len(_FIRST), *accumulate((len(rows) for rows in self._rows), initial=len(_FIRST))][1:]

        def place(one: tuple[int, int]) -> int:
            return one[1] if one[0] < 0 else starts[one[0]] + one[1]

        tables = []
        for number, rows in enumerate(self._rows):
            # Without rows there is nothing that tells what a column holds.
            columns = zip(*rows, strict=True) if rows else ()
            tables.append([_packed([*column], place) for column in columns] if rows else [])
            assert not rows or len(tables[-1]) == len(_FIELDS[number])
        return json.dumps([tables, [place(root) for root in roots]], separators=(",", ":")).encode("ascii")

    def _add(self, noun: Any) -> tuple[int, int]:
        """The number of a noun's class and its row there; -1 and the place of what comes first."""
        if id(noun) in _PLACES:
            return -1, _PLACES[id(noun)]
        number = _NUMBERS[type(noun)]
        row = [self._value(getattr(noun, name)) for name in _FIELDS[number]]
        found = number, len(self._rows[number])
        if "line" not in _FIELDS[number]:  # so that there may be many alike
            # By its words, as 1, 1.0 and True are equal, and 0.0 and -0.0 too.
            found = self._known.setdefault((number, repr(row)), found)
        if found[1] == len(self._rows[number]):
            self._rows[number].append(row)
        return found

    def _value(self, value: Any) -> tuple[int, Any]:
        """What kind of column takes a value, and the value with places for nouns."""
        if isinstance(value, Enum) or type(value) in _NUMBERS:
            return _NOUN, self._add(value)
        if value is None or type(value) in _SCALARS:
            return _PLAIN, value
        if isinstance(value, bytes):
            return _BYTES, value.hex()
        if isinstance(value, tuple):
            if value and type(value[0]) in _NUMBERS:
                return _NOUNS, [self._add(one) for one in value]
            return _TUPLES, _scalars(value)
        if isinstance(value, Mapping):
            if value and type(next(iter(value.values()))) in _NUMBERS:
                return _NOUN_MAP, [list(value), [self._add(one) for one in value.values()]]
            return _MAP, [_scalars(value), _scalars(value.values())]
        raise TypeError(f"{type(value).__name__} is no part of a noun")


def _scalars(values: Iterable[Any]) -> list[Any]:
    found = [*values]
    if not _SCALARS.issuperset(map(type, found)):
        raise TypeError("only numbers and texts come back as they were")
    return found


def _packed(values: list[tuple[int, Any]], place: Callable[[tuple[int, int]], int]) -> list[Any]:
    """A column: what it holds, and its values."""
    # None fits beside nouns, and an empty tuple or mapping beside those of nouns, which are the higher kinds.
    kind = max(kind for kind, _ in values)
    match kind:
        case _ if kind == _NOUN:
            return [kind, [place(value) if found == _NOUN else 0 for found, value in values]]
        case _ if kind == _NOUNS:
            return [kind, [[place(one) for one in value] for _, value in values]]
        case _ if kind == _NOUN_MAP:
            return [kind, [[keys, [place(one) for one in inner]] for _, (keys, inner) in values]]
    return [kind, [value for _, value in values]]


def unpack(data: bytes) -> tuple[Any, ...]:
    """The nouns that were packed; raises UnknownFormError for anything else."""
    try:
        tables, roots = json.loads(data)
        pool: list[Any] = list(_FIRST)
        for make, names, columns in zip(_CLASSES, _FIELDS, tables, strict=True):
            if columns:
                fields = [_column(kind, values, pool) for kind, values in columns]
                if len(fields) != len(names) or len({len(field) for field in fields}) != 1:
                    raise ValueError("a column is missing or too short")
                pool += _made(make, names, fields)
        return tuple(_of(pool, roots))
    except (ValueError, TypeError, LookupError, RecursionError) as error:
        raise UnknownFormError(str(error)) from None


def _made(make: type[Any], names: tuple[str, ...], fields: list[list[Any]]) -> Iterable[Any]:
    if make is Finding:  # its fields go by their names alone
        return (make(**dict(zip(names, row, strict=True))) for row in zip(*fields, strict=True))
    return map(make, *fields)


def _column(kind: int, values: list[Any], pool: list[Any]) -> list[Any]:
    """The values of one field of all nouns of a class."""
    match kind:
        case _ if kind == _PLAIN:
            return values
        case _ if kind == _BYTES:
            return [bytes.fromhex(value) for value in values]
        case _ if kind == _TUPLES:
            return [tuple(value) for value in values]
        case _ if kind == _NOUN:
            return _of(pool, values)
        case _ if kind == _NOUNS:
            return [tuple(_of(pool, value)) if value else () for value in values]
        case _ if kind == _MAP:
            return [dict(zip(keys, inner, strict=True)) for keys, inner in values]
        case _ if kind == _NOUN_MAP:
            return [dict(zip(keys, _of(pool, inner), strict=True)) for keys, inner in values]
    raise ValueError("a column of no known kind")


def _of(pool: list[Any], places: list[int]) -> list[Any]:
    """The nouns at places, which all lie before those that are made."""
    if places and min(places) < 0:
        raise LookupError("a place before the first")
    return [pool[place] for place in places]
