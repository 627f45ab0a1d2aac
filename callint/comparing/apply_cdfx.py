"""The values of a CDFX file laid over an image: what the image would be if it held them.

Physical values go through the table's own conversion and storage, rounded to the nearest number that the type
holds, so that what differs afterwards differs in the stored bits. Everything that the file does not name
keeps its bytes.
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
from callint.decoding.encode import encode
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
from callint.model.image import Image
from callint.reading.cdfx import (
    ASCII,
    BOOLEAN,
    COM_AXIS,
    CURVE,
    MAP,
    VALUE,
    CdfxFile,
    Instance,
    InstanceAxis,
    Values,
    short_name,
)

#: What each kind of table may be called in a file.
_CATEGORIES = {
    Kind.SCALAR: (VALUE, BOOLEAN),
    Kind.CURVE: (CURVE,),
    Kind.MAP: (MAP,),
    Kind.TEXT: (ASCII,),
}
#: Labels may be rounded for people.
_LABEL_SLACK = 1e-3
Noun = TypeVar("Noun", Axis, Table | Text)

_SAME_SOFTWARE = "give a file of the same software"
_SAME_UNIT = "give values in the unit of the definition"


def apply_values(decoded: Decoded, file: CdfxFile) -> Image:
    """The decoded image with the values of the file.

    InputError, with the line, where the file names what the definition has not, where shapes, units or fixed
    breakpoints differ, where a value does not fit its storage, or where two values contradict each other.
    """
    target = replace(decoded, raw=tuple(raw.copy() for raw in decoded.raw))
    laying = _CdfxApplier(decoded, file, target)
    for instance in file.instances:
        laying.lay(instance)
    return laying.image()


@dataclass
class _CdfxApplier:
    """The state of laying one file over one image: the numbers and texts so far, and where they stood."""

    decoded: Decoded
    file: CdfxFile
    target: Decoded
    texts: dict[str, bytes] = field(default_factory=dict)
    laid: list[tuple[int, NDArray[Any], int]] = field(default_factory=list)
    labelled: list[tuple[str, Instance]] = field(default_factory=list)

    def __post_init__(self) -> None:
        definition = self.decoded.layout.definition
        tables: list[Table | Text] = [*definition.texts.values()]
        tables += [definition.tables[name] for name in self.decoded.layout.table_items]
        axes: list[Axis] = [
            definition.axes[name] for name in self.decoded.layout.axis_items if "/" not in name
        ]
        self.tables = _by_short_name(tables)
        self.axes = _by_short_name(axes)

    def lay(self, instance: Instance) -> None:
        """Put the values of an instance in their place."""
        if instance.category == COM_AXIS:
            axis = self.named(self.axes, instance, "axis")
            self.lay_axis(axis, instance.values, instance.line)
            return
        table = self.named(self.tables, instance, "table")
        kind = table.kind if isinstance(table, Table) else Kind.TEXT
        if instance.category not in _CATEGORIES[kind]:
            words = f"{instance.name} is a {kind.value} here and {instance.category} in the file"
            raise self.file.wrong(instance.line, words, _SAME_SOFTWARE)
        if isinstance(table, Text):
            self.lay_text(table, instance)
            return
        self.lay_values(table, instance.values, instance.line)
        names = [along.index for along in instance.axes]
        if names != list(range(1, len(table.axes) + 1)):
            words = f"{instance.name} has {fmt.count(len(table.axes), 'axis')} here, not those of the file"
            raise self.file.wrong(instance.line, words, _SAME_SOFTWARE)
        for name, along in zip(table.axes, instance.axes, strict=True):
            self.lay_along(self.decoded.layout.definition.axes[name], along)
        if table.y is not None:
            self.labelled.append((table.y, instance))

    def named(self, nouns: Mapping[str, list[Noun]], instance: Instance, what: str) -> Noun:
        """The one thing that an instance can mean."""
        found = nouns.get(instance.name, [])
        if len(found) == 1:
            return found[0]
        words = f"there is no {what} {instance.name!r} in the definition"
        if found:
            words = f"{instance.name!r} may be {' or '.join(one.name for one in found)}"
        raise self.file.wrong(instance.line, words, "give the definition that the file was written by")

    def lay_along(self, axis: Axis, along: InstanceAxis) -> None:
        """Put the breakpoints of a table's axis in their place; a shared one need only be the same."""
        if along.reference and along.reference != short_name(axis.name):
            words = f"the axis is {axis.name} here and {along.reference} in the file"
            raise self.file.wrong(along.line, words, _SAME_SOFTWARE)
        if along.values is not None:
            self.lay_axis(axis, along.values, along.line)

    def lay_axis(self, axis: Axis, values: Values, line: int) -> None:
        if isinstance(axis, StoredAxis):
            self.lay_values(axis, values, line)
            return
        self.check(axis, (1, axis.count), values, line)
        differing = np.flatnonzero(values.numbers[0] != np.array(axis.values))
        if len(differing):
            first = int(differing[0])
            here, there = (fmt.exact(float(one[first])) for one in (axis.values, values.numbers[0]))
            words = f"the fixed axis has {here} here and {there} in the file"
            raise self.file.wrong(int(values.lines[0, first]), words, _SAME_SOFTWARE)

    def check(self, item: Table | Axis, shape: tuple[int, int], values: Values, line: int) -> None:
        """InputError where shape or unit are not those of the item."""
        rows, columns = values.numbers.shape
        if (rows, columns) != shape:
            sizes = f"{shape[0]} by {shape[1]} values here and {rows} by {columns} in the file"
            words = f"{item.name} has {sizes}"
            raise self.file.wrong(line, words, _SAME_SOFTWARE)
        unit = self.decoded.layout.definition.unit_of(item)
        if values.unit is not None and _unit(values.unit) != _unit(unit):
            units = f"in {unit or 'no unit'} here and in {values.unit or 'no unit'} in the file"
            words = f"{item.name} is {units}"
            raise self.file.wrong(line, words, _SAME_UNIT)

    def lay_values(self, item: Table | StoredAxis, values: Values, line: int) -> None:
        """Put numbers and states in the place of an item's cells."""
        layout = self.decoded.layout
        number = layout.table_items[item.name] if isinstance(item, Table) else layout.axis_items[item.name]
        self.check(item, layout.shape(number), values, line)
        if not self.decoded.of_item(self.decoded.present, number).all():
            raise self.file.wrong(line, f"the image does not hold {item.name} whole", "give a whole image")
        conversion = layout.definition.conversion_of(item)
        raw = self.encoded(conversion, item.storage, values)
        self.target.raw_of(number)[...] = raw
        self.laid.append((number, raw, line))

    def encoded(self, conversion: Conversion, storage: Storage, values: Values) -> NDArray[Any]:
        """The raw numbers of physical values, in the same shape."""
        numbers: Numbers = values.numbers.copy()
        for code, word in enumerate(values.texts):
            here = values.text_index == code
            state = conversion.raw_of(word) if isinstance(conversion, States) else None
            if state is None:
                line = int(values.lines[here][0])
                raise self.file.wrong(line, f"there is no state {word!r} here", "write a state, or a number")
            numbers[here] = state
        # A raw number that has no name is one all the same.
        found = quantise(PLAIN if isinstance(conversion, States) else conversion, storage, numbers)
        if not found.fits.all():
            place = int(np.argmin(found.fits))
            value = fmt.with_unit(fmt.exact(float(numbers.flat[place])), conversion.unit)
            words = f"{value} does not fit the {storage.type.name} that it is stored in"
            raise self.file.wrong(int(values.lines.flat[place]), words, "write a value that does")
        return found.raw

    def check_labels(self, breakpoints: Numbers, instance: Instance) -> None:
        """InputError where a row is labelled with another breakpoint than it would lie at."""
        for row, (label, here) in enumerate(zip(instance.values.labels, breakpoints.tolist(), strict=False)):
            try:
                there = float(label or "")
            except ValueError:
                continue  # words for people
            if not math.isclose(here, there, rel_tol=_LABEL_SLACK, abs_tol=1e-6):
                line = int(instance.values.lines[row, 0])
                words = f"a row of {instance.name} is labelled {label}, and lies at {fmt.exact(here)}"
                raise self.file.wrong(line, words, "put the rows in the order of the axis")

    def lay_text(self, text: Text, instance: Instance) -> None:
        """Put a text in its place; one that is there already keeps its padding."""
        here, data = self.decoded.text(text), self.decoded.image.read(text.at, text.length)
        if here is None or data is None:
            line = instance.line
            raise self.file.wrong(line, f"the image does not hold {text.name} whole", "give a whole image")
        line, words = int(instance.values.lines.flat[0]), instance.values.texts
        if instance.values.numbers.size != 1 or not words:
            raise self.file.wrong(line, f"{text.name} is not one text", "write it as one <VT>")
        if words[0] == here:
            return
        try:
            content = words[0].encode(text.encoding)
        except UnicodeEncodeError:
            what = f"the text cannot be written in {text.encoding}"
            raise self.file.wrong(line, what, "leave out what is foreign to it") from None
        if len(content) > text.length:
            raise self.file.wrong(line, f"the text is longer than {text.length} bytes", "shorten it")
        padding = data[-1:] if len(here.encode(text.encoding, "replace")) < text.length else b" "
        self.texts[text.name] = content.ljust(text.length, padding)

    def image(self) -> Image:
        """The image with everything that was laid; InputError where two things want the same bytes."""
        image = encode(self.decoded, self.target.raw, changed_cells(self.decoded, self.target), self.texts)
        result = decode(self.decoded.layout, image)
        for number, raw, line in self.laid:
            if result.raw_of(number).tobytes() != raw.tobytes():
                name = self.decoded.layout.items[number].name
                raise self.file.wrong(line, f"{name} stands there with two contents", "make them agree")
        for axis, instance in self.labelled:
            self.check_labels(result.breakpoints(axis), instance)
        for name, content in self.texts.items():
            text = self.decoded.layout.definition.texts[name]
            if image.read(text.at, text.length) != content:
                line = next(one.line for one in self.file.instances if one.name == short_name(name))
                raise self.file.wrong(line, f"{name} shares its bytes with another value", "make them agree")
        return image


def _by_short_name(nouns: Iterable[Noun]) -> dict[str, list[Noun]]:
    found: dict[str, list[Noun]] = {}
    for noun in nouns:
        found.setdefault(short_name(noun.name), []).append(noun)
    return found


def _unit(unit: str) -> str:
    return "" if unit == "-" else unit
