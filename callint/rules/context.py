"""What the rules look at: a definition, an image and its base."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any

import numpy as np

from callint import fmt
from callint.comparing.compare import changed_cells, compare
from callint.comparing.entry_errors.neighbours import TableEdit
from callint.comparing.entry_errors.paste_errors import PasteError, find_paste_errors
from callint.comparing.entry_errors.table_edits import edit_of
from callint.decoding.conversions import exact_value, is_large, stored_steps
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Item, Layout
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.unit_numbers import UnitNumber
from callint.fmt.raw_bits import with_bits
from callint.model.change import ChangeSet, Flags, Numbers, TableChange
from callint.model.definition import Axis, Conversion, Definition, Linear, Purpose, Range, StoredAxis, Table
from callint.model.finding import Cell, Evidence, Finding
from callint.model.image import Image
from callint.reading.definition_file import DefinitionFile
from callint.reading.images import Damage

#: The number of definitions for which rules keep what is the same for all of their images.
KEPT_DEFINITIONS = 8


@dataclass(frozen=True, slots=True)
class OtherImage:
    """Another image of the policy.

    ``numbers`` are its numbers of the unit by the name of their items. ``changed`` says whether it changed
    since the state before.
    """

    path: str
    image: Image
    numbers: Mapping[str, UnitNumber] = field(default_factory=dict)
    changed: bool = False


@dataclass(frozen=True)
class CheckContext:
    """A definition, with an image and its base if the rules look at these.

    - ``read_error``: the reason why the image file cannot be read, as a clause.
    - ``damages``: the damaged lines of the image file; then there is no image.
    - ``base_problem``: a clause that says why there is no base although the policy names one, or what is
      wrong with it.
    - ``start``: the address of the first byte, if the image is a raw file of part of the memory.
    - ``others``: the other images of the policy, for the rules about numbers of the unit.
    - ``earlier``: the image in the states before, for the same rules: one, or one for each parent of a merge.
    - ``is_raw``: whether the image file is raw, so that addresses are offsets in it.
    """

    loaded: LoadedDefinition
    image: Image | None = None
    base: Image | None = None
    read_error: str | None = None
    damages: tuple[Damage, ...] = ()
    base_path: str = ""
    base_problem: str | None = None
    start: int | None = None
    is_raw: bool = True
    others: tuple[OtherImage, ...] = ()
    earlier: tuple[Image, ...] = ()

    @property
    def file(self) -> DefinitionFile:
        return self.loaded.file

    @property
    def definition(self) -> Definition:
        return self.loaded.definition

    @property
    def layout(self) -> Layout:
        return self.loaded.layout

    @cached_property
    def new(self) -> Decoded:
        """The decoded image."""
        if self.image is None:
            raise AssertionError("a rule asks for an image that its scope does not promise")
        return self.loaded.decoded(self.image)

    @cached_property
    def old(self) -> Decoded | None:
        """The decoded base."""
        return None if self.base is None else self.loaded.decoded(self.base)

    def with_image(self, image: Image) -> CheckContext:
        """The context of another image with the same base.

        The image is decoded for this context alone: the definition keeps only the last few, and needs those.
        """
        other = replace(self, image=image)
        vars(other).update(new=decode(self.layout, image), old=self.old)
        return other

    @cached_property
    def changes(self) -> ChangeSet:
        """The changes from the base to the image; empty without a base."""
        return ChangeSet(self.definition) if self.old is None else compare(self.old, self.new)

    @cached_property
    def edits(self) -> dict[str, tuple[TableEdit, tuple[PasteError, ...]]]:
        """By the name of a changed table, its edit and the blocks that look wrongly pasted."""
        return {change.table.name: self._edit(change) for change in self.changes.tables}

    def _edit(self, change: TableChange) -> tuple[TableEdit, tuple[PasteError, ...]]:
        edit = edit_of(change, self.conversion(change.table))
        # If an axis moved, its values moved with it.
        axes = ((change.old.x, change.new.x), (change.old.y, change.new.y))
        moved = (
            before is not None and after is not None and not np.array_equal(before, after)
            for before, after in axes
        )
        return edit, find_paste_errors(edit, *moved)

    @cached_property
    def kept(self) -> Flags:
        """Which cells are the same as in the base, shape (cells,); none without a base."""
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
        judged: Sequence[int] | None = None,
    ) -> Finding:
        """A finding about one cell of the image.

        ``cell`` and ``judged`` are numbers in the flat vectors. ``judged`` are the cells that the rule looked
        at (default: the whole table). ``inherited`` says that the base has the same (default: if the cell is
        unchanged).
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
            cell=Cell(x, y),
            at=self.operating_point(table, x, y) if table else {},
            address=address,
            size=size,
            offset=self.offset(address, size),
            raw=_finite(self.new.raw_at(cell)),
            physical=_finite(float(self.new.physical[cell])),
            base_physical=None if base is None else _finite(base),
            unit=self.definition.unit_of(item),
            place=self.place(table, x, y) if table else "",
            base="" if base is None else self._base_text(item, cell, base),
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
        """The findings about changed texts of one purpose."""
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
        """The number of bytes from the first to the last of a table or axis."""
        cells = self.layout.cells(self.item_number(item))
        return int(self.layout.address[cells].max()) + item.storage.type.size - item.at

    def offset(self, address: int, size: int) -> int | None:
        """The offset of bytes in the image's file, if the file is raw and holds them all."""
        if self.image is None or not self.is_raw or self.image.view(address, size) is None:
            return None
        return address - self.image.segments[0].start

    def _base_text(self, item: Item, cell: int, base: float) -> str:
        is_off = self.old is not None and bool(self.old.off[cell])
        return "off" if is_off else self.quantity(item, base)

    # Texts

    def conversion(self, item: Item) -> Conversion:
        return self.definition.conversion_of(item)

    def quantity(self, item: Item, value: float) -> str:
        """A value of a table or axis with its unit."""
        return fmt.quantity(value, self.conversion(item), self.definition.unit_of(item), item.storage)

    def format_near(self, item: Item, value: float, limit: float) -> str:
        """A value with its unit, in enough digits to differ from the limit."""
        text = fmt.format_near(value, limit, self.conversion(item), item.storage)
        return fmt.with_unit(text, self.definition.unit_of(item))

    def limit_violation(self, cell: int, limits: Range) -> tuple[str, str, str]:
        """The value of a cell, "above" or "below", and the limit that it violates.

        Value and limit have enough digits to differ.
        """
        item, _, _ = self.layout.place(cell)
        unit = self.definition.unit_of(item)
        exact, value = self.new.exact_at(cell), float(self.new.physical[cell])
        low, high = limits.exact
        is_below = value < limits.low if exact is None else low is not None and exact < low
        side, limit = ("below", limits.low) if is_below else ("above", limits.high)
        bound = low if is_below else high
        if exact is None or bound is None:
            return self.format_near(item, value, limit), side, self.limit(item, limit)
        texts = (fmt.with_unit(fmt.decimal_digits(number), unit) for number in (exact, bound))
        return next(texts), side, next(texts)

    def cell_values(self, item: Item, *cells: int) -> list[str]:
        """The values of an item's cells with their unit; with all digits if doubles do not have them."""
        exact = [self.new.exact_at(cell) for cell in cells]
        conversion, unit = self.conversion(item), self.definition.unit_of(item)
        if any(value is not None for value in exact) and isinstance(conversion, Linear):
            numbers = [exact_value(conversion, int(self.new.raw_at(cell))) for cell in cells]
            return [fmt.with_unit(fmt.decimal_digits(value), unit) for value in numbers]
        return [self.quantity(item, float(self.new.physical[cell])) for cell in cells]

    def cell_change(self, change: TableChange, y: int, x: int) -> tuple[str, str]:
        """The texts of a changed cell before and after, with the unit; "off" if it is off."""
        old, new = self.format_change(
            change.table,
            float(change.old.physical[y, x]),
            float(change.new.physical[y, x]),
            (change.old.raw[y, x], change.new.raw[y, x]),
        )
        return "off" if change.old.off[y, x] else old, "off" if change.new.off[y, x] else new

    def format_change(self, item: Item, old: float, new: float, raws: Sequence[Any]) -> list[str]:
        """Old and new value with their unit; if their digits are the same, with the bits of ``raws``."""
        conversion, unit = self.conversion(item), self.definition.unit_of(item)
        numbers = [raw.item() for raw in raws]
        if isinstance(conversion, Linear) and self.layout.is_wide(item):
            exact = [exact_value(conversion, int(number)) for number in numbers]
            if any(is_large(conversion, int(number)) for number in numbers):
                return [fmt.with_unit(fmt.decimal_digits(value), unit) for value in exact]
        texts = fmt.format_distinct((old, new), conversion, item.storage)
        if texts[0] == texts[1]:
            texts = with_bits(texts, raws)
        return [
            text if math.isnan(value) else fmt.with_unit(text, unit)
            for text, value in zip(texts, (old, new), strict=True)
        ]

    def format_distinct(self, item: Item, *values: float) -> list[str]:
        """Values with their unit; values that differ have enough digits to show it."""
        texts = fmt.format_distinct(values, self.conversion(item), item.storage)
        return [fmt.with_unit(text, self.definition.unit_of(item)) for text in texts]

    def stored_steps(self, item: Item) -> Callable[[Numbers], Numbers]:
        """Gives the distance between neighbouring stored values of an item around values, any one shape."""
        return partial(stored_steps, self.conversion(item), item.storage)

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
        """By axis, the breakpoints with their unit. Many cells share each of them."""
        return {}

    def axis_value(self, axis: Axis, value: float) -> str:
        """A value along an axis with its unit."""
        return fmt.axis_value(self.definition, axis, value)

    def axes_of(self, table: Table) -> tuple[Axis, ...]:
        return tuple(self.definition.axes[name] for name in table.axes)

    def operating_point(self, table: Table, x: int, y: int) -> dict[str, float]:
        """The cell's breakpoints by signal, without those that are not finite."""
        axes = zip(self.definition.breakpoint_keys(table), table.axes, (x, y), strict=False)
        point = {key: float(self.new.breakpoints(axis)[index]) for key, axis, index in axes}
        return {key: value for key, value in point.items() if math.isfinite(value)}

    def place(self, table: Table, x: int, y: int) -> str:
        """The cell's breakpoints as text: "at 2200 rpm, 45 mg"; "" for a scalar."""
        texts = [
            self.breakpoint(axis, index) for axis, index in zip(self.axes_of(table), (x, y), strict=False)
        ]
        return f"at {', '.join(texts)}" if texts else ""

    def is_unchanged(self, item: Item) -> bool:
        """Whether a table with its axes, or an axis, is the same as in the base."""
        axes = self.layout.axis_items
        numbers = [self.item_number(item)]
        if isinstance(item, Table):
            numbers += [axes[name] for name in item.axes if name in axes]
        return all(bool(self.kept[self.layout.cells(number)].all()) for number in numbers)

    def item_number(self, item: Item) -> int:
        """The number of a table or axis in the layout."""
        return (self.layout.table_items if isinstance(item, Table) else self.layout.axis_items)[item.name]

    def cell_number(self, table: Table, x: int, y: int) -> int:
        """The number of a cell in the flat vectors."""
        item = self.layout.table_items[table.name]
        return int(self.layout.first[item]) + y * self.layout.shape(item)[1] + x


def _finite(value: float) -> float | None:
    """The value, or None for NaN and infinity, which JSON lacks; the message has them."""
    return value if math.isfinite(value) else None


def is_axis(item: Item) -> bool:
    """Whether an item of a layout is a stored axis and not a table."""
    return isinstance(item, StoredAxis)
