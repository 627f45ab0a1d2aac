"""The objects of a definition, and findings about it, into bytes and back, exactly.

The format is JSON, which cannot hold code. The objects of each class are stored as columns, one per field,
and refer to each other by number. Reading makes objects of the classes below only, from numbers, texts and
each other.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from enum import Enum
from itertools import accumulate
from operator import itemgetter
from typing import Any

from callint.model import cell_demands
from callint.model import definition as model
from callint.model.declarations import DecimalAddress, Declaration, InvalidElement
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.finding import Cell, Finding, Severity
from callint.model.lines import Lines, Source
from callint.model.translation import Titled, Translation

_ENUMS: tuple[type[Enum], ...] = (
    model.ByteOrder,
    model.NumberType,
    model.Purpose,
    model.Kind,
    cell_demands.OffAllowed,
    Derivation,
    Severity,
    Titled,
)

#: Each class comes after the classes of its fields.
_CLASSES: tuple[type[Any], ...] = (
    model.Range,
    model.Storage,
    model.Region,
    model.Identity,
    model.Crc,
    model.Checksum,
    model.Memory,
    model.Signal,
    model.Sensor,
    model.Linear,
    model.Rational,
    model.States,
    model.Interpolated,
    model.StoredCount,
    model.StoredAxis,
    model.FixedAxis,
    DerivedAxis,
    cell_demands.OffCode,
    cell_demands.Monotonic,
    cell_demands.Gradient,
    model.Guard,
    model.Constraints,
    model.Table,
    model.Text,
    model.Relation,
    model.Group,
    Translation,
    Declaration,
    Source,
    Lines,
    DecimalAddress,
    InvalidElement,
    model.Definition,
    Cell,
    Finding,
)
_FIELDS = tuple(tuple(cls.__dataclass_fields__) for cls in _CLASSES)
_CLASS_NUMBERS = {cls: number for number, cls in enumerate(_CLASSES)}
#: The first places of the pool have what objects may refer to besides objects: None and enumeration members.
_CONSTANTS: tuple[object, ...] = (None, *(member for enum in _ENUMS for member in enum))
_CONSTANT_PLACES = {id(member): place for place, member in enumerate(_CONSTANTS)}

#: Exactly these types: a NumPy number would come back as a Python number, which has another repr.
_SCALARS = {str, int, float, bool}


class _Kind:
    """What the values of a column are. The numbers are part of the format, and faster than an enumeration.

    In a column of mixed values the highest kind counts: None fits into a column of objects, an empty tuple or
    mapping into a column of tuples or mappings of objects.
    """

    SCALAR = 0
    BYTES = 1
    TUPLE = 2
    OBJECT = 3
    OBJECTS = 4
    MAPPING = 5
    OBJECT_MAPPING = 6


class UnknownFormError(Exception):
    """The bytes were not made by ``pack``."""


def pack(objects: Iterable[Any]) -> bytes:
    """Objects, and all that they hold, as bytes."""
    return _Packer().to_bytes(objects)


#: An object by the number of its class and its row; for a constant, -1 and its place.
_Reference = tuple[int, int]


class _Packer:
    """Collects the rows of each class; ``_known`` has the reference to each row that others may share."""

    def __init__(self) -> None:
        self._rows: list[list[list[tuple[int, Any]]]] = [[] for _ in _CLASSES]
        self._known: dict[tuple[int, str], _Reference] = {}

    def to_bytes(self, objects: Iterable[Any]) -> bytes:
        """The rows of all objects as JSON."""
        roots = [self._add(root) for root in objects]
        starts = [*accumulate((len(rows) for rows in self._rows), initial=len(_CONSTANTS))]

        def place(reference: _Reference) -> int:
            cls, row = reference
            return row if cls < 0 else starts[cls] + row

        tables = []
        for number, rows in enumerate(self._rows):
            # Without rows nothing says what a column holds.
            columns = zip(*rows, strict=True) if rows else ()
            tables.append([_pack_column([*column], place) for column in columns] if rows else [])
            assert not rows or len(tables[-1]) == len(_FIELDS[number])
        return json.dumps([tables, [place(root) for root in roots]], separators=(",", ":")).encode("ascii")

    def _add(self, item: Any) -> _Reference:
        """The reference to an object, which is added if it is new."""
        if id(item) in _CONSTANT_PLACES:
            return -1, _CONSTANT_PLACES[id(item)]
        number = _CLASS_NUMBERS[type(item)]
        row = [
            # Most fields are scalars: what _value says of one, without a call.
            (_Kind.SCALAR, value)
            if (value := getattr(item, name)) is None or type(value) in _SCALARS
            else self._value(value)
            for name in _FIELDS[number]
        ]
        reference = number, len(self._rows[number])
        if "line" not in _FIELDS[number]:  # objects of a class without lines often repeat
            # By its repr: 1, 1.0 and True are equal, and so are 0.0 and -0.0.
            reference = self._known.setdefault((number, repr(row)), reference)
        if reference[1] == len(self._rows[number]):
            self._rows[number].append(row)
        return reference

    def _value(self, value: Any) -> tuple[int, Any]:
        """The kind of a value, and the value with references in place of objects."""
        if isinstance(value, Enum) or type(value) in _CLASS_NUMBERS:
            return _Kind.OBJECT, self._add(value)
        if value is None or type(value) in _SCALARS:
            return _Kind.SCALAR, value
        if isinstance(value, bytes):
            return _Kind.BYTES, value.hex()
        if isinstance(value, tuple):
            if value and type(value[0]) in _CLASS_NUMBERS:
                return _Kind.OBJECTS, [self._add(item) for item in value]
            return _Kind.TUPLE, _scalars(value)
        if isinstance(value, Mapping):
            if value and type(next(iter(value.values()))) in _CLASS_NUMBERS:
                return _Kind.OBJECT_MAPPING, [list(value), [self._add(item) for item in value.values()]]
            return _Kind.MAPPING, [_scalars(value), _scalars(value.values())]
        raise TypeError(f"{type(value).__name__} is not part of a definition")


def _scalars(values: Iterable[Any]) -> list[Any]:
    scalars = [*values]
    if not _SCALARS.issuperset(map(type, scalars)):
        raise TypeError("only numbers and texts can be stored exactly")
    return scalars


def _pack_column(values: list[tuple[int, Any]], place: Callable[[_Reference], int]) -> list[Any]:
    """A column: the kind of its values, and the values with places in place of references."""
    column_kind = max(map(itemgetter(0), values))
    packed: list[Any]
    match column_kind:
        case _Kind.OBJECT:
            packed = [place(value) if kind == _Kind.OBJECT else 0 for kind, value in values]
        case _Kind.OBJECTS:
            packed = [[place(item) for item in value] for _, value in values]
        case _Kind.OBJECT_MAPPING:
            packed = [[keys, [place(item) for item in inner]] for _, (keys, inner) in values]
        case _:
            packed = [value for _, value in values]
    return [column_kind, packed]


def unpack(data: bytes) -> tuple[Any, ...]:
    """The objects that were packed. Raises UnknownFormError for bytes that ``pack`` did not make."""
    try:
        tables, roots = json.loads(data)
        pool: list[Any] = list(_CONSTANTS)
        for cls, names, columns in zip(_CLASSES, _FIELDS, tables, strict=True):
            if columns:
                fields = [_unpack_column(kind, values, pool) for kind, values in columns]
                if len(fields) != len(names) or len({len(field) for field in fields}) != 1:
                    raise ValueError("a column is missing or too short")
                pool += _make_objects(cls, names, fields)
        return tuple(_look_up(pool, roots))
    except (ValueError, TypeError, LookupError, RecursionError) as error:
        raise UnknownFormError(str(error)) from None


def _make_objects(cls: type[Any], names: tuple[str, ...], fields: list[list[Any]]) -> Iterable[Any]:
    if cls is Finding:  # it takes its fields by keyword only
        return (cls(**dict(zip(names, row, strict=True))) for row in zip(*fields, strict=True))
    return map(cls, *fields)


def _unpack_column(kind: int, values: list[Any], pool: list[Any]) -> list[Any]:
    """The values of one field of all objects of a class."""
    match kind:
        case _Kind.SCALAR:
            return values
        case _Kind.BYTES:
            return [bytes.fromhex(value) for value in values]
        case _Kind.TUPLE:
            return [tuple(value) for value in values]
        case _Kind.OBJECT:
            return _look_up(pool, values)
        case _Kind.OBJECTS:
            return [tuple(_look_up(pool, value)) if value else () for value in values]
        case _Kind.MAPPING:
            return [dict(zip(keys, inner, strict=True)) for keys, inner in values]
        case _Kind.OBJECT_MAPPING:
            return [dict(zip(keys, _look_up(pool, inner), strict=True)) for keys, inner in values]
    raise ValueError("a column of unknown kind")


def _look_up(pool: list[Any], places: list[int]) -> list[Any]:
    """The objects at places of the pool, all of which are made before."""
    if places and min(places) < 0:
        raise LookupError("a place before the first")
    return [pool[place] for place in places]
