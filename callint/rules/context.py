"""What the rules look at: a definition, an image and its base."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial

import numpy as np

from callint import fmt
from callint.comparing.compare import changed_cells, compare
from callint.comparing.entry_errors.neighbours import TableEdit
from callint.comparing.entry_errors.paste_errors import PasteError, find_paste_errors
from callint.comparing.entry_errors.table_edits import edit_of
from callint.decoding.conversions import stored_steps
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Item, Layout
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.unit_numbers import UnitNumber
from callint.decoding.unread import Unread
from callint.model.change import ChangeSet, Flags, Numbers, TableChange
from callint.model.definition import Axis, Conversion, Definition, Purpose, StoredAxis, Table
from callint.model.finding import Cell, Evidence, Finding
from callint.model.image import Image
from callint.reading.definition_file import DefinitionFile
from callint.reading.images import Damage
from callint.rules.value_texts import ValueTexts

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
    - ``judges_all``: whether what follows from something invalid in the definition is judged too.
    - ``trusts_byte_order``: whether an image is judged even if another byte order fits its axes better.
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
    judges_all: bool = False
    trusts_byte_order: bool = False

    @property
    def unread(self) -> Unread:
        """What cannot be judged because it is invalid; nothing if ``judges_all``."""
        return Unread(self.definition) if self.judges_all else self.loaded.unread

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
        """The edit of each changed table and its blocks that look wrongly pasted, by the table's name."""
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
            place=self.texts.place(table, x, y) if table else "",
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
        return "off" if is_off else self.texts.quantity(item, base)

    # Values and places

    @cached_property
    def texts(self) -> ValueTexts:
        """The texts of the values in the image."""
        return ValueTexts(self.new)

    def conversion(self, item: Item) -> Conversion:
        return self.definition.conversion_of(item)

    def stored_steps(self, item: Item) -> Callable[[Numbers], Numbers]:
        """Gives the distance between neighbouring stored values of an item around values, any one shape."""
        return partial(stored_steps, self.conversion(item), item.storage)

    def axes_of(self, table: Table) -> tuple[Axis, ...]:
        return tuple(self.definition.axes[name] for name in table.axes)

    def operating_point(self, table: Table, x: int, y: int) -> dict[str, float]:
        """The cell's breakpoints by signal, without those that are not finite."""
        axes = zip(self.definition.breakpoint_keys(table), table.axes, (x, y), strict=False)
        point = {key: float(self.new.breakpoints(axis)[index]) for key, axis, index in axes}
        return {key: value for key, value in point.items() if math.isfinite(value)}

    def is_unchanged(self, item: Item) -> bool:
        """Whether a table with its axes, or an axis, is the same as in the base."""
        numbers = [self.item_number(item)]
        for name in item.axes if isinstance(item, Table) else ():
            numbers += self.layout.sources_of(name)
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
