"""What the rules look at: one definition, and with it one image and its base."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from callint import fmt
from callint.comparing.compare import changed_cells, compare
from callint.comparing.entry_errors.detect import edit_of
from callint.comparing.entry_errors.neighbours import TableEdit
from callint.comparing.entry_errors.paste_errors import PasteError, find_paste_errors
from callint.decoding.conversions import exact_value, is_large
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Item, Layout, make_layout
from callint.fmt.raw_bits import with_bits
from callint.model.change import ChangeSet, Flags, TableChange
from callint.model.definition import Axis, Conversion, Definition, Linear, Purpose, Range, StoredAxis, Table
from callint.model.finding import Cell, Evidence, Finding
from callint.model.image import Image
from callint.reading.definition_file import DefinitionFile
from callint.reading.images import Damage

#: What rules work out once for all images of a definition is kept for so many definitions.
SUBJECTS = 8

#: So many decoded images are kept: a base, an image, and the two before it, which the next commit of a range
#: is compared with.
_KEPT = 4


@dataclass(frozen=True, eq=False)
class LoadedDefinition:
    """A definition file and its plan, shared by all images of that definition."""

    file: DefinitionFile
    definition: Definition

    @cached_property
    def layout(self) -> Layout:
        return make_layout(self.definition)

    @cached_property
    def _decoded(self) -> list[Decoded]:
        """The images that were asked for last, the last one at the end."""
        return []

    def decoded(self, image: Image) -> Decoded:
        """An image's cells. What was decoded a moment ago is not decoded again: many images have one base,
        and one content may lie under several names or in several revisions.
        """
        places = [place for place, one in enumerate(self._decoded) if _is_same(one.image, image)]
        found = self._decoded.pop(places[0]) if places else decode(self.layout, image)
        self._decoded.append(found)
        del self._decoded[:-_KEPT]
        return found


def _is_same(one: Image, other: Image) -> bool:
    return one is other or (one == other and one.is_part == other.is_part)


@dataclass(frozen=True)
class CheckContext:
    """One definition; where ``image`` is given, one image; where ``base`` is given, its base.

    ``trouble`` and ``damages`` say why an image that is None could not be read, and ``base_trouble`` why
    there is no base although one is named. ``start`` is where the image's bytes begin if it is a raw file of
    part of the memory; ``is_raw`` says that its file is one, in which addresses are places.
    """

    subject: LoadedDefinition
    image: Image | None = None
    base: Image | None = None
    trouble: str = ""
    base_trouble: str = ""
    base_path: str = ""
    damages: tuple[Damage, ...] = ()
    start: int | None = None
    is_raw: bool = True

    @property
    def file(self) -> DefinitionFile:
        return self.subject.file

    @property
    def definition(self) -> Definition:
        return self.subject.definition

    @property
    def layout(self) -> Layout:
        return self.subject.layout

    @cached_property
    def new(self) -> Decoded:
        """The decoded image."""
        if self.image is None:
            raise AssertionError("a rule asks for an image that its scope does not promise")
        return self.subject.decoded(self.image)

    @cached_property
    def old(self) -> Decoded | None:
        """The decoded base."""
        return None if self.base is None else self.subject.decoded(self.base)

    @cached_property
    def changes(self) -> ChangeSet:
        """What the image changed in the base; empty without a base."""
        return ChangeSet(self.definition) if self.old is None else compare(self.old, self.new)

    @cached_property
    def edits(self) -> dict[str, tuple[TableEdit, tuple[PasteError, ...]]]:
        """The changed tables as edits, each with the blocks that look wrongly pasted."""
        return {change.table.name: self._edit(change) for change in self.changes.tables}

    def _edit(self, change: TableChange) -> tuple[TableEdit, tuple[PasteError, ...]]:
        edit = edit_of(change, self.conversion(change.table))
        # Along an axis that moved, values move with it.
        axes = ((change.old.x, change.new.x), (change.old.y, change.new.y))
        moved = (
            before is not None and after is not None and not np.array_equal(before, after)
            for before, after in axes
        )
        return edit, find_paste_errors(edit, *moved)

    @cached_property
    def kept(self) -> Flags:
        """Which cells are as they are in the base, shape (cells,); none without a base."""
        if self.old is None:
            return np.zeros(self.layout.size, bool)
        return self.old.present & self.new.present & ~changed_cells(self.old, self.new)

    # Findings

    def about_cell(
        self,
        rule: str,
        cell: int,
        message: str,
        hint: str,
        inherited: bool | None = None,
        subject: str = "",
        judged: Sequence[int] | None = None,
    ) -> Finding:
        """A finding about one cell of the image, by its number in the flat vectors.

        ``subject`` tells findings of one rule about one cell apart. ``judged`` are the only cells that the
        rule looked at, by their numbers; without them it is the whole table.
        """
        item, x, y = self.layout.place(cell)
        table = item if isinstance(item, Table) else None
        base = None if self.old is None else float(self.old.physical[cell])
        address, size = int(self.layout.address[cell]), item.storage.type.size
        return Finding(
            rule=rule,
            message=message,
            hint=hint,
            line=item.line,
            table=item.name,
            subject=subject,
            cell=Cell(x, y),
            at=self.at(table, x, y) if table else {},
            address=address,
            size=size,
            offset=self.offset(address, size),
            raw=_finite(self.new.raw_at(cell)),
            physical=_finite(float(self.new.physical[cell])),
            base_physical=None if base is None else _finite(base),
            unit=self.definition.unit_of(item),
            place=self.place(table, x, y) if table else "",
            base="" if base is None else self._base_words(item, cell, base),
            protective=table is not None and table.purpose is Purpose.PROTECTION,
            inherited=bool(self.kept[cell]) if inherited is None else inherited,
            evidence=None if judged is None else Evidence(cells=tuple(judged)),
        )

    def about_table(self, rule: str, item: Item, message: str, hint: str, inherited: bool = False) -> Finding:
        """A finding about a whole table or axis of the image."""
        size = self.extent(item)
        return Finding(
            rule=rule,
            message=message,
            hint=hint,
            line=item.line,
            table=item.name,
            address=item.at,
            size=size,
            offset=self.offset(item.at, size),
            unit=self.definition.unit_of(item),
            protective=isinstance(item, Table) and item.purpose is Purpose.PROTECTION,
            inherited=inherited,
        )

    def about_texts(self, rule: str, purpose: Purpose, hint: str) -> Iterator[Finding]:
        """Findings about the texts of a purpose that differ from the base's."""
        article = "an" if purpose.startswith(("a", "e", "i", "o", "u")) else "a"
        for change in self.changes.texts:
            text = change.text
            if text.purpose is purpose:
                yield Finding(
                    rule=rule,
                    message=f"{article} {purpose} text changed: {fmt.text_change(change, 'became')}",
                    hint=hint,
                    line=text.line,
                    table=text.name,
                    subject=change.new,
                    address=text.at,
                    size=text.length,
                    offset=self.offset(text.at, text.length),
                    protective=purpose is Purpose.PROTECTION,
                )

    def extent(self, item: Item) -> int:
        """How many bytes lie between the first and the last of a table or axis, both included."""
        number = (self.layout.table_items if isinstance(item, Table) else self.layout.axis_items)[item.name]
        return int(self.layout.address[self.layout.cells(number)].max()) + item.storage.type.size - item.at

    def offset(self, address: int, size: int) -> int | None:
        """Where bytes begin in the image's file, if that is raw and holds them all."""
        if self.image is None or not self.is_raw or self.image.view(address, size) is None:
            return None
        return address - self.image.segments[0].start

    def _base_words(self, item: Item, cell: int, base: float) -> str:
        is_off = self.old is not None and bool(self.old.off[cell])
        return "off" if is_off else self.quantity(item, base)

    # Words

    def conversion(self, item: Item) -> Conversion:
        return self.definition.conversion_of(item)

    def quantity(self, item: Item, value: float) -> str:
        """A value of a table or axis with its unit."""
        return fmt.quantity(value, self.conversion(item), self.definition.unit_of(item))

    def beside(self, item: Item, value: float, limit: float) -> str:
        """A value with its unit, and with as many digits as tell it from the limit."""
        text = fmt.format_near(value, limit, self.conversion(item))
        return fmt.with_unit(text, self.definition.unit_of(item))

    def beyond(self, cell: int, limits: Range) -> tuple[str, str, str]:
        """A cell's value, on which side of some limits it lies, and the limit, with all digits they need."""
        item, _, _ = self.layout.place(cell)
        unit = self.definition.unit_of(item)
        exact, value = self.new.exact_at(cell), float(self.new.physical[cell])
        low, high = limits.exact
        is_below = value < limits.low if exact is None else low is not None and exact < low
        side, limit = ("below", limits.low) if is_below else ("above", limits.high)
        bound = low if is_below else high
        if exact is None or bound is None:
            return self.beside(item, value, limit), side, self.limit(item, limit)
        texts = (fmt.with_unit(fmt.decimal_digits(number), unit) for number in (exact, bound))
        return next(texts), side, next(texts)

    def values(self, item: Item, *cells: int) -> list[str]:
        """The values of an item's cells with their unit; with all digits where doubles do not have them."""
        exact = [self.new.exact_at(cell) for cell in cells]
        conversion, unit = self.conversion(item), self.definition.unit_of(item)
        if any(value is not None for value in exact) and isinstance(conversion, Linear):
            numbers = [exact_value(conversion, int(self.new.raw_at(cell))) for cell in cells]
            return [fmt.with_unit(fmt.decimal_digits(value), unit) for value in numbers]
        return [self.quantity(item, float(self.new.physical[cell])) for cell in cells]

    def cell_change(self, change: TableChange, y: int, x: int) -> tuple[str, str]:
        """A changed cell before and after, told apart, with the unit; "off" where it is off."""
        old, new = self.change(
            change.table,
            float(change.old.physical[y, x]),
            float(change.new.physical[y, x]),
            (change.old.raw[y, x], change.new.raw[y, x]),
        )
        return "off" if change.old.off[y, x] else old, "off" if change.new.off[y, x] else new

    def change(self, item: Item, old: float, new: float, raws: Sequence[Any]) -> list[str]:
        """Old and new value with their unit, told apart by their digits or else by the bits of ``raws``."""
        conversion, unit = self.conversion(item), self.definition.unit_of(item)
        numbers = [raw.item() for raw in raws]
        if isinstance(conversion, Linear) and self.layout.is_wide(item):
            exact = [exact_value(conversion, int(number)) for number in numbers]
            if any(is_large(conversion, int(number)) for number in numbers):
                return [fmt.with_unit(fmt.decimal_digits(value), unit) for value in exact]
        texts = fmt.format_distinct((old, new), conversion)
        if texts[0] == texts[1]:
            texts = with_bits(texts, raws)
        return [
            text if math.isnan(value) else fmt.with_unit(text, unit)
            for text, value in zip(texts, (old, new), strict=True)
        ]

    def format_distinct(self, item: Item, *values: float) -> list[str]:
        """Values with their unit; with all their digits where two that differ would look the same."""
        texts = fmt.format_distinct(values, self.conversion(item))
        return [fmt.with_unit(text, self.definition.unit_of(item)) for text in texts]

    def limit(self, item: Item, value: float) -> str:
        """A limit as the definition writes it, with the unit of the table or axis."""
        return fmt.with_unit(fmt.plain(value), self.definition.unit_of(item))

    def breakpoint(self, axis: Axis, index: int) -> str:
        """A breakpoint with its unit."""
        if axis.name not in self._breakpoints:
            values = self.new.breakpoints(axis.name).tolist()
            self._breakpoints[axis.name] = [self.axis_value(axis, value) for value in values]
        return self._breakpoints[axis.name][index]

    @cached_property
    def _breakpoints(self) -> dict[str, list[str]]:
        """The breakpoints with their unit, of the axes that were asked for: many cells stand at each."""
        return {}

    def axis_value(self, axis: Axis, value: float) -> str:
        """A value along an axis with its unit."""
        return fmt.axis_value(self.definition, axis, value)

    def axes_of(self, table: Table) -> tuple[Axis, ...]:
        return tuple(self.definition.axes[name] for name in table.axes)

    def at(self, table: Table, x: int, y: int) -> dict[str, float]:
        """The cell's breakpoints by signal."""
        places = zip(self.definition.place_keys(table), table.axes, (x, y), strict=False)
        found = {key: float(self.new.breakpoints(axis)[index]) for key, axis, index in places}
        return {key: value for key, value in found.items() if math.isfinite(value)}

    def place(self, table: Table, x: int, y: int) -> str:
        """The cell's breakpoints in words: "at 2200 rpm, 45 mg"; "" for a scalar."""
        words = [
            self.breakpoint(axis, index) for axis, index in zip(self.axes_of(table), (x, y), strict=False)
        ]
        return f"at {', '.join(words)}" if words else ""

    def is_unchanged(self, item: Item) -> bool:
        """Whether a table or axis, with the table's axes, is as it is in the base."""
        names = item.axes if isinstance(item, Table) else ()
        number = (self.layout.table_items if isinstance(item, Table) else self.layout.axis_items)[item.name]
        items = [number, *(self.layout.axis_items[name] for name in names if name in self.layout.axis_items)]
        return all(bool(self.kept[self.layout.cells(one)].all()) for one in items)

    def cell_number(self, table: Table, x: int, y: int) -> int:
        """The number of a cell in the flat vectors."""
        item = self.layout.table_items[table.name]
        return int(self.layout.first[item]) + y * self.layout.shape(item)[1] + x


def _finite(value: float) -> float | None:
    """JSON has no NaN or infinity; the message says it."""
    return value if math.isfinite(value) else None


def is_axis(item: Item) -> bool:
    return isinstance(item, StoredAxis)
