"""Applies the values of a CDFX file to an image.

The conversion and storage of a table turn physical values into the nearest number that the type holds, so
everything that differs afterwards differs in the stored bits. What the file does not name keeps its bytes.
Instances that the definition lacks are left out and listed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.compare import changed_cells
from callint.decoding.conversions import quantise
from callint.decoding.decode import Decoded, decode
from callint.decoding.encode import UnstorableTextError, encode, text_content
from callint.model.change import Numbers
from callint.model.definition import (
    PLAIN,
    Axis,
    Conversion,
    Kind,
    States,
    Storage,
    StoredAxis,
    Table,
    Text,
)
from callint.model.derived_axis import DerivedAxis
from callint.model.image import Image
from callint.reading.cdfx import (
    ASCII,
    BOOLEAN,
    COM_AXIS,
    CURVE,
    EXPORT_AGAIN,
    MAP,
    VAL_BLK,
    VALUE,
    CdfxFile,
    Instance,
    InstanceAxis,
    UnreadInstance,
    Values,
    short_name,
)

#: The categories that a file may give each kind of table.
_CATEGORIES = {
    Kind.SCALAR: (VALUE, BOOLEAN),
    Kind.CURVE: (CURVE, VAL_BLK),
    Kind.MAP: (MAP, VAL_BLK),
    Kind.TEXT: (ASCII,),
}
#: Relative tolerance of row labels, which may be rounded for people.
_LABEL_SLACK = 1e-3
NamedItem = TypeVar("NamedItem", Axis, Table | Text)

_SAME_SOFTWARE = "give a file of the same software"
_SAME_UNIT = "give values in the unit of the definition"


@dataclass(frozen=True, slots=True)
class AppliedValues:
    """The image with the values of a file; ``foreign`` are the names that the definition lacks."""

    image: Image
    foreign: tuple[str, ...]


def apply_values(decoded: Decoded, file: CdfxFile) -> AppliedValues:
    """The decoded image with the values of the file.

    Raises InputError with the line if the definition has no instance of the file, if shapes, units or fixed
    breakpoints differ, if a value does not fit its storage, or if two values contradict each other.
    """
    target = replace(decoded, raw=tuple(raw.copy() for raw in decoded.raw))
    applier = _CdfxApplier(decoded, file, target)
    foreign: list[Instance | UnreadInstance] = []
    for unread in file.unread:
        if applier.knows(unread.name):
            raise unread.error
        foreign.append(unread)
    for instance in file.instances:
        if applier.knows(instance.name):
            applier.apply(instance)
        else:
            foreign.append(instance)
    foreign.sort(key=lambda instance: instance.line)
    if foreign and len(foreign) == len(file.instances) + len(file.unread):
        message = f"the definition has no instance of the file, as it lacks {foreign[0].name!r}"
        raise file.wrong(foreign[0].line, message, "give the definition that the file was written by")
    return AppliedValues(applier.image(), tuple(instance.name for instance in foreign))


@dataclass
class _CdfxApplier:
    """The state of applying one file to one image: the numbers and texts so far, with their lines."""

    decoded: Decoded
    file: CdfxFile
    target: Decoded
    texts: dict[str, bytes] = field(default_factory=dict)
    applied: list[tuple[int, NDArray[Any], int]] = field(default_factory=list)
    labelled: list[tuple[str, Instance]] = field(default_factory=list)
    derived: list[tuple[DerivedAxis, Values]] = field(default_factory=list)

    def __post_init__(self) -> None:
        definition = self.decoded.layout.definition
        tables: list[Table | Text] = [*definition.texts.values()]
        tables += [definition.tables[name] for name in self.decoded.layout.table_items]
        axes: list[Axis] = [
            definition.axes[name] for name in self.decoded.layout.axis_items if "/" not in name
        ]
        self.tables = _by_short_name(tables)
        self.shared = {item.name for item in self.file.instances if item.category == COM_AXIS}
        self.axes = _by_short_name(axes)

    def knows(self, name: str) -> bool:
        """Whether the definition has a table, text or axis of this name."""
        return name in self.tables or name in self.axes

    def apply(self, instance: Instance) -> None:
        """Apply the values of an instance."""
        if instance.category == COM_AXIS:
            axis = self.item_named(self.axes, instance, "axis")
            self.apply_axis(axis, instance.values, instance.line)
            return
        table = self.item_named(self.tables, instance, "table")
        kind = table.kind if isinstance(table, Table) else Kind.TEXT
        if instance.category not in _CATEGORIES[kind]:
            message = f"{instance.name} is a {kind.value} here and {instance.category} in the file"
            raise self.file.wrong(instance.line, message, _SAME_SOFTWARE)
        if isinstance(table, Text):
            self.apply_text(table, instance)
            return
        self.apply_values_to(table, instance.values, instance.line)
        if instance.category == VAL_BLK and not instance.axes and self.is_array(table):
            return
        names = [along.index for along in instance.axes]
        if names != list(range(1, len(table.axes) + 1)):
            message = f"{instance.name} has {fmt.count(len(table.axes), 'axis')} here, not those of the file"
            raise self.file.wrong(instance.line, message, _SAME_SOFTWARE)
        for name, along in zip(table.axes, instance.axes, strict=True):
            self.apply_own_axis(self.decoded.layout.definition.axes[name], along)
        if table.y is not None:
            self.labelled.append((table.y, instance))

    def is_array(self, table: Table) -> bool:
        """Whether no axis of a table has breakpoints in the image, which values without axes would lack."""
        axes = (self.decoded.layout.definition.axes[name] for name in table.axes)
        return not any(isinstance(axis, StoredAxis) for axis in axes)

    def item_named(self, items: Mapping[str, list[NamedItem]], instance: Instance, what: str) -> NamedItem:
        """The table, text or axis that an instance names; InputError if there is not exactly one."""
        candidates = items.get(instance.name, [])
        if len(candidates) == 1:
            return candidates[0]
        message = f"there is no {what} {instance.name!r} in the definition"
        if candidates:
            message = f"{instance.name!r} may be {' or '.join(item.name for item in candidates)}"
        raise self.file.wrong(instance.line, message, "give the definition that the file was written by")

    def apply_own_axis(self, axis: Axis, along: InstanceAxis) -> None:
        """Apply the breakpoints of a table's axis; a reference to a shared axis must name the same axis."""
        if along.reference and along.reference != short_name(axis.name):
            message = f"the axis is {axis.name} here and {along.reference} in the file"
            raise self.file.wrong(along.line, message, _SAME_SOFTWARE)
        if along.values is not None:
            self.apply_axis(axis, along.values, along.line)
        elif along.reference not in self.shared:
            raise self.file.wrong(along.line, f"the file has no axis {along.reference}", EXPORT_AGAIN)

    def apply_axis(self, axis: Axis, values: Values, line: int) -> None:
        if isinstance(axis, StoredAxis):
            self.apply_values_to(axis, values, line)
            return
        self.check_shape_and_unit(axis, (1, axis.count), values, line)
        if isinstance(axis, DerivedAxis):
            self.derived.append((axis, values))
            return
        differing = np.flatnonzero(values.numbers[0] != np.array(axis.values))
        if len(differing):
            first = int(differing[0])
            own_value, file_value = (
                fmt.exact(float(numbers[first])) for numbers in (axis.values, values.numbers[0])
            )
            message = f"the fixed axis has {own_value} here and {file_value} in the file"
            raise self.file.wrong(int(values.lines[0, first]), message, _SAME_SOFTWARE)

    def check_shape_and_unit(
        self, item: Table | Axis, shape: tuple[int, int], values: Values, line: int
    ) -> None:
        """Raise InputError if shape or unit are not those of the item."""
        rows, columns = values.numbers.shape
        if (rows, columns) != shape:
            sizes = f"{shape[0]} by {shape[1]} values here and {rows} by {columns} in the file"
            message = f"{item.name} has {sizes}"
            raise self.file.wrong(line, message, _SAME_SOFTWARE)
        unit = self.decoded.layout.definition.unit_of(item)
        if values.unit is not None and _unit(values.unit) != _unit(unit):
            units = f"in {unit or 'no unit'} here and in {values.unit or 'no unit'} in the file"
            message = f"{item.name} is {units}"
            raise self.file.wrong(line, message, _SAME_UNIT)

    def apply_values_to(self, item: Table | StoredAxis, values: Values, line: int) -> None:
        """Apply numbers and states to the cells of an item."""
        layout = self.decoded.layout
        number = layout.table_items[item.name] if isinstance(item, Table) else layout.axis_items[item.name]
        self.check_shape_and_unit(item, layout.shape(number), values, line)
        if not self.decoded.of_item(self.decoded.present, number).all():
            raise self.file.wrong(line, f"the image does not hold {item.name} whole", "give a whole image")
        conversion = layout.definition.conversion_of(item)
        raw = self.raw_numbers(conversion, item.storage, values)
        self.target.raw_of(number)[...] = raw
        self.applied.append((number, raw, line))

    def raw_numbers(self, conversion: Conversion, storage: Storage, values: Values) -> NDArray[Any]:
        """The raw numbers of physical values, in the same shape."""
        numbers: Numbers = values.numbers.copy()
        for code, word in enumerate(values.texts):
            is_word = values.text_index == code
            state = conversion.raw_of(word) if isinstance(conversion, States) else None
            if state is None:
                line = int(values.lines[is_word][0])
                raise self.file.wrong(
                    line, f"there is no state {word!r} here", "write a known state or a number"
                )
            numbers[is_word] = state
        # A raw number without a state name is valid too.
        quantised = quantise(PLAIN if isinstance(conversion, States) else conversion, storage, numbers)
        if not quantised.fits.all():
            place = int(np.argmin(quantised.fits))
            value = fmt.with_unit(fmt.exact(float(numbers.flat[place])), conversion.unit)
            message = f"{value} does not fit the {storage.type.name} that it is stored in"
            raise self.file.wrong(int(values.lines.flat[place]), message, "write a value that fits")
        return quantised.raw

    def check_labels(self, breakpoints: Numbers, instance: Instance) -> None:
        """Raise InputError if the label of a row is not the breakpoint of that row."""
        for row, (label, breakpoint_value) in enumerate(
            zip(instance.values.labels, breakpoints.tolist(), strict=False)
        ):
            try:
                label_value = float(label or "")
            except ValueError:
                continue  # the label is a text for people
            if not math.isclose(breakpoint_value, label_value, rel_tol=_LABEL_SLACK, abs_tol=1e-6):
                line = int(instance.values.lines[row, 0])
                message = (
                    f"a row of {instance.name} is labelled {label}, but lies at {fmt.exact(breakpoint_value)}"
                )
                raise self.file.wrong(line, message, "put the rows in the order of the axis")

    def check_derived(self, axis: DerivedAxis, breakpoints: Numbers, values: Values) -> None:
        """Raise InputError unless the breakpoints of the file follow from the curve in the new image."""
        is_same = np.isclose(values.numbers[0], breakpoints, rtol=_LABEL_SLACK, atol=1e-6)
        if not is_same.all():
            first = int(np.flatnonzero(~is_same)[0])
            own_value, file_value = (
                fmt.exact(float(numbers[first])) for numbers in (breakpoints, values.numbers[0])
            )
            message = f"{axis.name} is {own_value} by its curve and {file_value} in the file"
            remedy = f"change {axis.curve}, which the breakpoints of {axis.name} follow from"
            raise self.file.wrong(int(values.lines[0, first]), message, remedy)

    def apply_text(self, text: Text, instance: Instance) -> None:
        """Apply a text; an unchanged text keeps its padding."""
        if self.decoded.text(text) is None:
            line = instance.line
            raise self.file.wrong(line, f"the image does not hold {text.name} whole", "give a whole image")
        line, texts = int(instance.values.lines.flat[0]), instance.values.texts
        if instance.values.numbers.size != 1 or not texts:
            raise self.file.wrong(line, f"{text.name} is not one text", "write it as one <VT>")
        try:
            content = text_content(self.decoded, text, texts[0])
        except UnstorableTextError as error:
            raise self.file.wrong(line, error.problem, error.remedy) from None
        if texts[0] != self.decoded.text(text):
            self.texts[text.name] = content

    def image(self) -> Image:
        """The image with all applied values; InputError if two values need the same bytes."""
        image = encode(self.decoded, self.target.raw, changed_cells(self.decoded, self.target), self.texts)
        result = decode(self.decoded.layout, image)
        for number, raw, line in self.applied:
            if result.raw_of(number).tobytes() != raw.tobytes():
                name = self.decoded.layout.items[number].name
                raise self.file.wrong(
                    line, f"{name} gets two different contents from the file", "make them agree"
                )
        for axis, instance in self.labelled:
            self.check_labels(result.breakpoints(axis), instance)
        for derived_axis, values in self.derived:
            self.check_derived(derived_axis, result.breakpoints(derived_axis.name), values)
        for name, content in self.texts.items():
            text = self.decoded.layout.definition.texts[name]
            if image.read(text.at, text.length) != content:
                line = next(
                    instance.line for instance in self.file.instances if instance.name == short_name(name)
                )
                raise self.file.wrong(line, f"{name} shares its bytes with another value", "make them agree")
        return image


def _by_short_name(items: Iterable[NamedItem]) -> dict[str, list[NamedItem]]:
    by_name: dict[str, list[NamedItem]] = {}
    for item in items:
        by_name.setdefault(short_name(item.name), []).append(item)
    return by_name


def _unit(unit: str) -> str:
    return "" if unit == "-" else unit
