"""Compares images of two software versions table by table."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

import numpy as np

from callint.comparing.definitions.renames import match_items
from callint.comparing.softwares.comparison_definition import ComparisonDefinition
from callint.comparing.softwares.pairs import SoftwareTables, table_pair
from callint.comparing.softwares.result import (
    IdentityPair,
    RespacedTable,
    SlightDifference,
    SoftwareChange,
    UncomparedTable,
)
from callint.comparing.softwares.tables import TableComparison, are_alike, compare_tables
from callint.decoding.decode import Decoded
from callint.decoding.operating_range import operating_cells
from callint.model.change import ChangeSet, Numbers, TableChange, TextChange
from callint.model.definition import Definition, Purpose, States, Table, Text


def compare_softwares(
    old: Decoded,
    new: Decoded,
    names: Collection[str] | None = None,
    at: Mapping[str, float] | None = None,
) -> SoftwareChange:
    """The change from an image of one software version to an image of another, as the engine reads both.

    ``names`` selects tables and texts by their old or new names. ``at`` is an operating point by signal; the
    tables over its signals are compared there. Scalars are the same everywhere, and are compared only if they
    are selected.
    """
    # Values from strangers' images may be infinite or not numbers.
    with np.errstate(all="ignore"):
        return _Comparison(old, new, names, at).result()


def matched_tables(old: Definition, new: Definition) -> Iterator[tuple[Table, Table]]:
    """The tables that both versions have, in the order of the old one."""
    for name, new_name in match_items(old, new).items():
        if name in old.tables and new_name in new.tables:
            yield old.tables[name], new.tables[new_name]


def matched_texts(old: Definition, new: Definition) -> Iterator[tuple[Text, Text]]:
    """The texts that both versions have, in the order of the old one."""
    for name, new_name in match_items(old, new).items():
        if name in old.texts and new_name in new.texts:
            yield old.texts[name], new.texts[new_name]


class _Comparison:
    """One comparison with its results so far."""

    def __init__(
        self,
        old: Decoded,
        new: Decoded,
        names: Collection[str] | None,
        at: Mapping[str, float] | None,
    ) -> None:
        self._images = old, new
        self._definitions = old.layout.definition, new.layout.definition
        self._names = names
        self._at = at
        self._left_out = 0
        self._compared = ComparisonDefinition(*self._definitions)
        self._changes: list[TableChange] = []
        self._pairs: dict[str, SoftwareTables] = {}
        self._respaced: dict[str, RespacedTable] = {}
        self._slight: list[SlightDifference] = []
        self._uncompared: list[UncomparedTable] = []
        self._unknown: dict[str, int] = {}
        self._equal = 0

    def result(self) -> SoftwareChange:
        """Compare everything."""
        old, new = self._definitions
        tables = list(matched_tables(old, new))
        for old_table, new_table in tables:
            if self._is_selected(old_table.name, new_table.name):
                self._add(old_table, new_table)
        definition = self._compared.build()
        changes = sorted(self._changes, key=lambda change: _importance(definition, change))
        change = SoftwareChange(
            old=old,
            new=new,
            changes=ChangeSet(definition, tuple(changes), partial=self._names is not None),
            pairs=self._pairs,
            respaced=self._respaced,
            slight=tuple(self._slight),
            renamed=(),
            uncompared=tuple(self._uncompared),
            unknown=self._unknown,
            only_old=(),
            only_new=(),
            identities=(),
            equal=self._equal,
            partial=self._names is not None,
            at=self._at,
            left_out=self._left_out,
        )
        return change if self._at is not None else self._with_everything_else(change, tables)

    def _with_everything_else(
        self, change: SoftwareChange, tables: list[tuple[Table, Table]]
    ) -> SoftwareChange:
        """The result, with the differences outside the tables of both versions."""
        old, new = self._definitions
        texts = list(matched_texts(old, new))
        matched: list[tuple[Table | Text, Table | Text]] = [*tables, *texts]
        return replace(
            change,
            changes=replace(change.changes, texts=tuple(self._text_changes(texts))),
            renamed=tuple(
                (before, after)
                for before, after in matched
                if before.name != after.name and self._is_selected(before.name, after.name)
            ),
            only_old=tuple(self._unmatched(old, {before.name for before, _ in matched})),
            only_new=tuple(self._unmatched(new, {after.name for _, after in matched})),
            identities=() if change.partial else tuple(self._identities()),
        )

    def _is_selected(self, *names: str) -> bool:
        return self._names is None or any(name in self._names for name in names)

    def _add(self, old: Table, new: Table) -> None:
        pair = table_pair(self._definitions[0], old, self._definitions[1], new)
        if not isinstance(pair, SoftwareTables):
            self._uncompared.append(UncomparedTable(old, new, pair))
            return
        if self._at is not None and not self._is_read_at(pair):
            self._left_out += 1
            return
        if are_alike(*self._images, pair):
            self._equal += 1
            return
        comparison = compare_tables(*self._images, pair, self._at)
        if not isinstance(comparison, TableComparison):
            self._uncompared.append(UncomparedTable(old, new, comparison))
            return
        if not comparison.has_same_breakpoints and self._at is None:
            self._respaced[new.name] = RespacedTable(pair, comparison.breakpoint_counts)
        if unknown := int(np.count_nonzero(comparison.unknown)):
            self._unknown[new.name] = unknown
        differs = comparison.changed | comparison.within
        if not differs.any():
            self._equal += 1
            return
        is_rounding = not comparison.changed.any()
        table = self._compared.add(pair, comparison.unions, comparison.states)
        grids = comparison.grids(table)
        if is_rounding or comparison.is_slight:
            self._slight.append(SlightDifference(pair, TableChange(table, *grids, differs), is_rounding))
            return
        self._changes.append(TableChange(table, *grids, comparison.changed))
        self._pairs[new.name] = pair

    def _is_read_at(self, pair: SoftwareTables) -> bool:
        """Whether the operating point has all signals of a table; a scalar has none and must be selected."""
        assert self._at is not None
        return all(axis.signal in self._at for axis in pair.axes) and (
            bool(pair.axes) or self._names is not None
        )

    def _text_changes(self, texts: list[tuple[Text, Text]]) -> Iterator[TextChange]:
        """The texts that read differently, regardless of their lengths."""
        for old, new in texts:
            if not self._is_selected(old.name, new.name):
                continue
            before, after = self._images[0].text(old), self._images[1].text(new)
            if before is not None and after is not None and before != after:
                contents = [
                    decoded.image.read(text.at, text.length) or b""
                    for decoded, text in zip(self._images, (old, new), strict=True)
                ]
                yield TextChange(new, before, after, *contents)

    def _unmatched(self, definition: Definition, matched: set[str]) -> Iterator[Table | Text]:
        """The selected tables and texts of one definition that the other one lacks, by purpose."""
        purposes = list(Purpose)
        items: list[Table | Text] = [*definition.tables.values(), *definition.texts.values()]
        for item in sorted(items, key=lambda item: purposes.index(item.purpose)):
            if item.name not in matched and self._is_selected(item.name):
                yield item

    def _identities(self) -> Iterator[IdentityPair]:
        """The identities that differ, by name."""
        contents: list[Mapping[str, bytes | None]] = [
            {
                identity.name: decoded.image.read(identity.at, len(identity.content))
                for identity in definition.memory.identities
            }
            for decoded, definition in zip(self._images, self._definitions, strict=True)
        ]
        for name in dict.fromkeys([*contents[0], *contents[1]]):
            before, after = (content.get(name) for content in contents)
            if before != after:
                yield IdentityPair(name, before, after)


def _importance(definition: Definition, change: TableChange) -> tuple[float, ...]:
    """The sort key of changes: purpose, then the largest change in the operating range.

    The size of a change is its share of the span of the old table; a switch to or from off is the largest.
    """
    purpose = list(Purpose).index(change.table.purpose)
    sizes = _sizes(definition, change)
    inside = operating_cells(definition, change.table, change.new.x, change.new.y)
    return purpose, -float(np.max(np.where(inside, sizes, 0.0))), -float(np.max(sizes))


def _sizes(definition: Definition, change: TableChange) -> Numbers:
    """The size of the change at each point, relative to the span of the old table or to its only value."""
    old, new = change.old.physical, change.new.physical
    if isinstance(definition.conversion_of(change.table), States):
        return change.changed.astype(np.float64)
    values = old[np.isfinite(old)]
    span = float(values.max() - values.min()) if values.size else 0.0
    scale = span or (float(abs(values.flat[0])) if values.size else 0.0) or 1.0
    return np.where(change.changed, np.nan_to_num(np.abs(new - old) / scale, nan=np.inf), 0.0)
