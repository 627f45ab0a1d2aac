"""The places of a change: cells, edited blocks, axes, texts and runs of undefined bytes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.compare import changed_cells
from callint.comparing.entry_errors.typing_errors import find_typing_error
from callint.comparing.mirrors import mirrored_cells
from callint.comparing.restore import restore
from callint.decoding.operating_range import operating_share
from callint.decoding.statistics import distinct
from callint.model.cause import CauseKind, Place
from callint.model.change import AxisChange, Flags, Grid, Run, TableChange, TextChange
from callint.model.definition import Conversion, States, Table
from callint.model.image import Image
from callint.rules.context import CheckContext, is_axis

Integers = NDArray[np.int64]

#: The neighbours of a cell that follow it, as steps along x and y: four of its eight neighbours.
_STEPS = ((1, 0), (-1, 1), (0, 1), (1, 1))


@dataclass(frozen=True, slots=True)
class ChangedPlace:
    """A place without its description.

    ``cells`` are sorted numbers in the flat vectors, shape (changed cells,); ``items`` are the numbers of
    their tables or axes, in the order of the definition. A place without cells has a ``change``.
    """

    kind: CauseKind
    items: tuple[int, ...] = ()
    cells: Integers | None = None
    ranges: tuple[tuple[int, int], ...] = ()
    change: TextChange | Run | None = None

    @property
    def size(self) -> int:
        return 0 if self.cells is None else len(self.cells)


class Places:
    """The places of the change from the base to the image of one context."""

    def __init__(self, context: CheckContext, lone: Iterable[int] = ()) -> None:
        """``lone`` are cells that are places of their own, although neighbouring cells changed too."""
        assert context.old is not None
        self.context = context
        self._flags: Flags = changed_cells(context.old, context.new)
        self._is_lone: Flags = np.zeros(context.layout.size, bool)
        self._is_lone[list(lone)] = True
        self.places = [*self._table_places(), *self._axis_places(), *self._byte_places()]

    def of_item(self, name: str) -> tuple[int, ...]:
        """The numbers of the places in a table, axis or text."""
        return self._by_name.get(name, ())

    def of_table(self, name: str) -> tuple[int, ...]:
        """The numbers of the places in a table and its axes, or in an axis or text."""
        table = self.context.definition.tables.get(name)
        axes = table.axes if table else ()
        names = [name, *(source for axis in axes for source in self.context.definition.axis_sources(axis))]
        return tuple(dict.fromkeys(number for name in names for number in self.of_item(name)))

    def of_cell(self, cell: int) -> int | None:
        """The number of the place that holds a cell; None if the cell did not change."""
        number = int(self._place_of_cell[cell])
        return None if number < 0 else number

    def is_lone(self, number: int) -> bool:
        """Whether a place is a cell that does not belong to the edit around it."""
        cells = self.places[number].cells
        return cells is not None and len(cells) == 1 and bool(self._is_lone[cells[0]])

    def of_range(self, start: int, size: int) -> tuple[int, ...]:
        """The numbers of the places outside tables and axes that have bytes in a range."""
        return tuple(
            number
            for number, place in enumerate(self.places)
            if any(start < low + count and low < start + size for low, count in place.ranges)
        )

    @cached_property
    def _by_name(self) -> dict[str, tuple[int, ...]]:
        names: dict[str, list[int]] = {}
        for number, place in enumerate(self.places):
            for item in place.items:
                names.setdefault(self.context.layout.items[item].name, []).append(number)
            if isinstance(place.change, TextChange):
                names.setdefault(place.change.text.name, []).append(number)
        return {name: tuple(numbers) for name, numbers in names.items()}

    @cached_property
    def _place_of_cell(self) -> Integers:
        numbers = np.full(self.context.layout.size, -1, np.int64)
        for number, place in enumerate(self.places):
            if place.cells is not None:
                numbers[place.cells] = number
        return numbers

    # What is a place

    def _table_places(self) -> list[ChangedPlace]:
        """Join neighbouring changed cells to one place, and changed cells with their mirrors."""
        layout = self.context.layout
        cells = np.flatnonzero(self._flags)
        is_table = np.array([not is_axis(item) for item in layout.items], bool)
        cells = cells[is_table[layout.item[cells]]]
        if not len(cells):
            return []
        near, mirrored = self._near_links(cells), self._mirror_links(cells)
        labels = _components(len(cells), np.concatenate([near, mirrored], axis=1))
        # A lone cell joins the edit around it, and is then separated from it together with its own mirror.
        is_lone = self._is_lone[cells]
        both = mirrored[:, is_lone[mirrored].all(axis=0)]
        labels = np.where(is_lone, len(cells) + _components(len(cells), both), labels)
        order = np.argsort(labels, kind="stable")
        starts = np.flatnonzero(np.diff(labels[order])) + 1
        places = []
        for members in np.split(order, starts):
            part = cells[members]
            items = sorted(distinct(layout.item[part]).tolist(), key=lambda item: layout.items[item].line)
            kind = CauseKind.MIRROR if len(items) > 1 else CauseKind.BLOCK
            if len(part) == 1:
                kind = CauseKind.CELL
            places.append(ChangedPlace(kind, tuple(items), part))
        return places

    def _near_links(self, cells: Integers) -> Integers:
        """The pairs of neighbours among rising changed cells, as positions in ``cells``; shape (2, pairs)."""
        layout = self.context.layout
        item = layout.item[cells]
        columns, rows = layout.shapes[item, 1], layout.shapes[item, 0]
        y, x = np.divmod(cells - layout.first[item], columns)
        pairs = []
        for along, down in _STEPS:
            inside = np.flatnonzero((x + along >= 0) & (x + along < columns) & (y + down < rows))
            other = cells[inside] + along + down * columns[inside]
            changed = self._flags[other]
            pairs.append(np.stack([inside[changed], np.searchsorted(cells, other[changed])]))
        return np.concatenate(pairs, axis=1)

    def _mirror_links(self, cells: Integers) -> Integers:
        """The pairs of mirrored cells among rising changed cells, as ``_near_links``."""
        pairs = [np.empty((2, 0), np.int64)]
        for first, second in mirrored_cells(self.context.layout):
            offsets = np.flatnonzero(self._flags[first] & self._flags[second])
            both = np.stack([offsets + first.start, offsets + second.start])
            pairs.append(np.searchsorted(cells, both))
        return np.concatenate(pairs, axis=1)

    def _axis_places(self) -> list[ChangedPlace]:
        """Every axis with changed breakpoints or a changed number of them."""
        layout, changes = self.context.layout, self.context.changes
        counts = {
            change.axis.name: (change.axis.stored_count.at, change.axis.stored_count.storage.type.size)
            for change in changes.counts
            if change.axis.stored_count
        }
        places = []
        for name in dict.fromkeys([*changes.by_axis, *counts]):
            if name not in layout.axis_items:  # a wrong definition may not state its storage
                continue
            cells = layout.cells(layout.axis_items[name])
            places.append(
                ChangedPlace(
                    CauseKind.AXIS,
                    (layout.axis_items[name],),
                    np.flatnonzero(self._flags[cells]) + cells.start,
                    (counts[name],) if name in counts else (),
                )
            )
        return places

    def _byte_places(self) -> list[ChangedPlace]:
        changes = self.context.changes
        return [
            *(
                ChangedPlace(CauseKind.TEXT, ranges=((change.text.at, change.text.length),), change=change)
                for change in changes.texts
            ),
            *(
                ChangedPlace(CauseKind.BYTES, ranges=((run.start, run.size),), change=run)
                for run in changes.unexplained
            ),
        ]

    # The name of a place

    def describe(self, number: int) -> Place:
        """A place as people read it."""
        place = self.places[number]
        cells = () if place.cells is None else tuple(place.cells.tolist())
        name, text = self._name_and_text(place)
        return Place(place.kind, name, text, cells, place.ranges)

    def merged(self, numbers: Sequence[int]) -> Place | None:
        """One place for several places of one table; None if they lie in several tables."""
        places = [self.places[number] for number in numbers]
        if len({place.items for place in places}) > 1 or any(
            place.kind not in (CauseKind.CELL, CauseKind.BLOCK) for place in places
        ):
            return None
        cells = np.sort(np.concatenate([place.cells for place in places if place.cells is not None]))
        name, change = self._change(ChangedPlace(CauseKind.BLOCK, places[0].items, cells), 0)
        count = fmt.count(len(cells), "cell")
        text = f"{name}: {count} in {len(places)} places, the largest change {self._largest(change)}"
        return Place(CauseKind.BLOCK, name, text, tuple(cells.tolist()))

    def _name_and_text(self, place: ChangedPlace) -> tuple[str, str]:
        if isinstance(place.change, TextChange):
            return place.change.text.name, f"{place.change.text.name}: {fmt.text_change(place.change, '→')}"
        if isinstance(place.change, Run):
            run = place.change
            last = f" to {fmt.address(run.start + run.size - 1)}" if run.size > 1 else ""
            return "", f"{fmt.count(run.changed, 'byte')} at {fmt.address(run.start)}{last}"
        if place.kind is CauseKind.AXIS:
            return self._axis_text(place)
        name, change = self._change(place, 0)
        text = f"{name}{self._extent(change)}"
        for item in range(1, len(place.items)):
            other, other_change = self._change(place, item)
            if np.array_equal(other_change.new.physical, change.new.physical, equal_nan=True):
                text += f", with its mirror {other}"
            else:
                text += f"; {other}{self._extent(other_change)}"
        return name, text

    def _axis_text(self, place: ChangedPlace) -> tuple[str, str]:
        axis = self.context.layout.items[place.items[0]]
        change = self.context.changes.by_axis.get(axis.name)
        if change is None:
            return axis.name, f"{axis.name}: the stored number of breakpoints"
        first = int(np.flatnonzero(change.changed)[0])
        raws = change.old_raw[first], change.new_raw[first]
        old, new = float(change.old[first]), float(change.new[first])
        texts = self.context.texts.format_change(axis, old, new, raws)
        others = int(np.count_nonzero(change.changed)) - 1
        more = f" and {fmt.count(others, 'other breakpoint')}" if others else ""
        return (
            axis.name,
            f"{axis.name}: {_arrow(texts[0], texts[1], self.context.definition.unit_of(axis))}{more}",
        )

    def _change(self, place: ChangedPlace, number: int) -> tuple[str, TableChange]:
        """The name of one of a place's tables, and its change with only this place flagged."""
        layout, item = self.context.layout, place.items[number]
        table = layout.items[item]
        assert place.cells is not None
        cells = place.cells[layout.item[place.cells] == item] - int(layout.first[item])
        flags = np.zeros(int(np.prod(layout.shape(item))), bool)
        flags[cells] = True
        change = replace(self.context.changes.by_table[table.name], changed=flags.reshape(layout.shape(item)))
        return table.name, change

    def _extent(self, change: TableChange) -> str:
        """The changed cells and their change: " at 2000 rpm: 41.0 → 47.5 mg"."""
        table = change.table
        if change.count == 1:
            y, x = np.argwhere(change.changed)[0].tolist()
            place = self.context.texts.place(table, x, y)
            return f"{f' {place}' if place else ''}: {self._values(change, y, x)}"
        rows, columns = np.nonzero(change.changed)
        low, high = (
            self.context.texts.place(table, int(x), int(y)).removeprefix("at ")
            for x, y in ((columns.min(), rows.min()), (columns.max(), rows.max()))
        )
        count = fmt.count(change.count, "cell")
        return f" from {low} to {high}: {count}, the largest change {self._largest(change)}"

    def _largest(self, change: TableChange) -> str:
        y, x = change.largest
        return f"{self._values(change, y, x)} {self.context.texts.place(change.table, x, y)}".rstrip()

    def _values(self, change: TableChange, y: int, x: int) -> str:
        texts = self.context.texts.cell_change(change, y, x)
        return _arrow(*texts, self.context.definition.unit_of(change.table))

    def explanation(self, number: int) -> str:
        """The slip that turns the base's number of a scalar or axis into the new one, or ""."""
        place = self.places[number]
        if place.kind not in (CauseKind.CELL, CauseKind.AXIS, CauseKind.MIRROR) or not place.size:
            return ""
        item = self.context.layout.items[place.items[0]]
        if isinstance(item, Table) and item.axes:
            return ""  # change/suspicious-cell judges tables with axes by their neighbours
        old = self.context.old
        conversion = self.context.conversion(item)
        if place.cells is None or old is None or isinstance(conversion, States):
            return ""
        cell = int(place.cells[0])
        before, after = float(old.physical[cell]), float(self.context.new.physical[cell])
        return _slip(before, after, conversion)

    def share(self, number: int) -> float:
        """The share of the operating range that a place affects, from 0 to 1; 0 for bytes and texts."""
        place = self.places[number]
        if place.cells is None:
            return 0.0
        if place.kind is CauseKind.AXIS:
            return self._share_of_axis(self.context.changes.by_axis.get(self._item_name(place)))
        shares = []
        for position in range(len(place.items)):
            _, change = self._change(place, position)
            shares.append(self._share(change.new, change.old, change.changed))
        return max(shares)

    def _item_name(self, place: ChangedPlace) -> str:
        return self.context.layout.items[place.items[0]].name

    def _share_of_axis(self, change: AxisChange | None) -> float:
        """The share of moved columns or rows in the tables on an axis; the largest one counts."""
        if change is None or self.context.old is None:
            return 1.0  # with another number of breakpoints, every cell moves
        shares = [0.0]
        for table in self.context.definition.tables_on(change.axis.name):
            if table.name not in self.context.layout.table_items:
                continue
            old, new = self.context.old.grid(table), self.context.new.grid(table)
            flags = change.changed if table.x == change.axis.name else change.changed[:, None]
            shares.append(self._share(new, old, np.broadcast_to(flags, new.physical.shape)))
        return max(shares)

    def _share(self, new: Grid, old: Grid, flags: Flags) -> float:
        for grid in (new, old):  # an axis of the new image may be unreadable
            share = operating_share(self.context.definition, grid, flags)
            if share is not None and np.isfinite(share):
                return share
        return 0.0


def _arrow(old: str, new: str, unit: str) -> str:
    """Old and new value with one unit: "41.0 → 47.5 mg"."""
    ending = f" {fmt.unit_word(unit)}" if unit else ""
    if ending and old.endswith(ending) and new.endswith(ending):
        old = old.removesuffix(ending)
    return f"{old} → {new}"


def _slip(before: float, after: float, conversion: Conversion) -> str:
    within = 1e-9 * abs(before)
    error = find_typing_error(after, before, within, fmt.decimals(conversion), is_distinctive=True)
    return f"{error.name}? {fmt.number(before, conversion)} fits" if error else ""


def _components(count: int, links: Integers) -> Integers:
    """For each of ``count`` numbers, the least number that links join it to; shape (count,).

    ``links`` are pairs of numbers, shape (2, links).
    """
    labels = np.arange(count)
    while True:
        least = labels[links].min(axis=0)
        joined = labels.copy()
        for ends in links:
            np.minimum.at(joined, labels[ends], least)
            np.minimum.at(joined, ends, least)
        joined = joined[joined]
        if np.array_equal(joined, labels):
            return labels
        labels = joined


def restored(context: CheckContext, places: Iterable[ChangedPlace | Place]) -> Image:
    """The image with the bytes of the base in some places; bits of other masked cells stay."""
    assert context.image is not None
    assert context.base is not None
    flags = np.zeros(context.layout.size, bool)
    ranges: list[tuple[int, int]] = []
    for place in places:
        if place.cells is not None:
            flags[np.asarray(place.cells, np.int64)] = True
        ranges += place.ranges
    return restore(context.layout, context.image, context.base, flags, ranges)
