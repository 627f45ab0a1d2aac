"""Compares two definitions by what they mean.

Layout, comments, the order of attributes and elements, and spellings of numbers are no change: the
dataclasses of ``model.definition`` do not have them. ``renames`` says what only has another name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from callint.comparing.definitions.conversions import conversion_changes
from callint.comparing.definitions.demands import item_change, purpose_change, table_demands
from callint.comparing.definitions.elements import (
    SignalUse,
    axis_demands,
    element_change,
    memory_changes,
    relation_changes,
    sensor_changes,
    signal_changes,
)
from callint.comparing.definitions.pairs import TablePair, TablePairs
from callint.comparing.definitions.readings import axis_readings, table_readings, text_readings
from callint.comparing.definitions.renames import Matches, match_elements, renamed
from callint.model.definition import Axis, Definition, Purpose, Table, Text
from callint.model.definition_change import (
    ChangeKind,
    DefinitionChange,
    DefinitionDiff,
    ElementKind,
    by_danger,
)
from callint.model.translation import Titled

_GUARDED = (Purpose.PROTECTION, Purpose.EMISSIONS)


def compare_definitions(old: Definition, new: Definition) -> DefinitionDiff:
    """All differences in meaning between two definitions."""
    matches = match_elements(old, new)
    changes = by_danger(_changes(old, new, matches))
    if not (old.lines.is_plain and new.lines.is_plain):
        changes = [_placed(change, old, new) for change in changes]
    return DefinitionDiff(old, new, tuple(changes), renamed(matches.items))


def _placed(change: DefinitionChange, old: Definition, new: Definition) -> DefinitionChange:
    """A change with the lines of the two files, where an inherited element has the line that brings it in."""
    before, after = (
        None if number is None else definition.lines.line_in_file(number)
        for definition, number in ((old, change.old_line), (new, change.new_line))
    )
    if (before, after) == (change.old_line, change.new_line):
        return change
    return replace(change, old_line=before, new_line=after)


def _changes(old: Definition, new: Definition, matches: Matches) -> Iterator[DefinitionChange]:
    uses = SignalUse(old), SignalUse(new)
    yield from _item_changes(old, new, matches)
    yield from _axis_changes(old, new, matches, uses)
    yield from relation_changes(old, new, matches)
    yield from memory_changes(old, new)
    yield from sensor_changes(old, new, matches, uses)
    yield from signal_changes(old, new, matches, uses)
    yield from conversion_changes(old, new, matches)
    yield from _one_sided(ElementKind.CONVERSION, old.conversions, new.conversions, matches.conversions)
    yield from _wording(old, new)


def _one_sided(
    element: ElementKind, old: Mapping[str, Any], new: Mapping[str, Any], pairs: Mapping[str, str]
) -> Iterator[DefinitionChange]:
    """The elements that only one definition has."""
    partners = set(pairs.values())
    for name, item in old.items():
        if name not in pairs:
            yield element_change(ChangeKind.GONE, element, item, None)
    for name, item in new.items():
        if name not in partners:
            yield element_change(ChangeKind.NEW, element, None, item)


# Tables and texts


def _item_changes(old: Definition, new: Definition, matches: Matches) -> Iterator[DefinitionChange]:
    before: dict[str, Table | Text] = {**old.tables, **old.texts}
    after: dict[str, Table | Text] = {**new.tables, **new.texts}
    partners = set(matches.items.values())
    pairs = TablePairs(old, new)
    for name, item in before.items():
        partner = after.get(matches.items.get(name, ""))
        if isinstance(item, Table) and isinstance(partner, Table):
            yield from _table_changes(pairs.pair(item, partner), matches)
        elif isinstance(item, Text) and isinstance(partner, Text):
            yield from purpose_change(item, partner)
            yield from text_readings(item, partner)
            yield from _item_wording(item, partner)
        else:
            yield _one_sided_item(item, is_new=False)
            if partner is not None:
                yield _one_sided_item(partner, is_new=True)
    for name, item in after.items():
        if name not in partners:
            yield _one_sided_item(item, is_new=True)


def _one_sided_item(item: Table | Text, is_new: bool) -> DefinitionChange:
    """A table or text that only one definition has: without it, nothing is asked of its cells."""
    kind = ChangeKind.NEW
    if not is_new:
        is_asked = isinstance(item, Table) or item.unit_own or item.purpose in _GUARDED
        kind = ChangeKind.LOOSENED if is_asked else ChangeKind.GONE
    element = ElementKind.TEXT if isinstance(item, Text) else ElementKind.TABLE
    old, new = (None, item) if is_new else (item, None)
    return element_change(kind, element, old, new, tables=(item.name,), purpose=item.purpose)


def _table_changes(pair: TablePair, matches: Matches) -> Iterator[DefinitionChange]:
    yield from purpose_change(pair.old, pair.new)
    yield from table_demands(pair)
    yield from table_readings(pair, matches)
    yield from _item_wording(pair.old, pair.new)


def _item_wording(old: Table | Text, new: Table | Text) -> Iterator[DefinitionChange]:
    for attribute, before, after in (
        ("name", old.name, new.name),
        ("title", old.title, new.title),
        ("group", old.group, new.group),
    ):
        if before != after:
            yield item_change(ChangeKind.DOCUMENTATION, old, new, attribute, (before or None, after or None))
    if old.notes != new.notes:
        notes = "\n".join(old.notes) or None, "\n".join(new.notes) or None
        yield item_change(ChangeKind.DOCUMENTATION, old, new, "note", notes)


# Axes


def _axis_changes(
    old: Definition, new: Definition, matches: Matches, uses: tuple[SignalUse, SignalUse]
) -> Iterator[DefinitionChange]:
    users: dict[str, list[Table]] | None = None
    for name, partner in matches.axes.items():
        before, after = old.axes[name], new.axes[partner]
        if replace(before, line=after.line) == after:
            continue
        if users is None:  # most definitions differ in no axis
            users = _users_of_axes(new)
        tables = tuple(users.get(partner, ()))
        yield from axis_readings(before, after, tables, matches)
        if matches.signals.get(before.signal, before.signal) != after.signal:
            signals = old.signals.get(before.signal), new.signals.get(after.signal)
            is_judged = before.signal in uses[0].judged or after.signal in uses[1].judged
            yield from axis_demands((before, after), tables, signals, is_judged)
        own = "/" in name and "/" in partner
        if name != partner and not own:
            yield element_change(
                ChangeKind.DOCUMENTATION, ElementKind.AXIS, before, after, "name", (name, partner)
            )
    yield from _one_sided(ElementKind.AXIS, _shared_axes(old), _shared_axes(new), matches.axes)


def _users_of_axes(definition: Definition) -> dict[str, list[Table]]:
    users: dict[str, list[Table]] = {}
    for table in definition.tables.values():
        for axis in table.axes:
            users.setdefault(axis, []).append(table)
    return users


def _shared_axes(definition: Definition) -> dict[str, Axis]:
    """The axes that are not those of single tables."""
    return {name: axis for name, axis in definition.axes.items() if "/" not in name}


# What only people read


def _wording(old: Definition, new: Definition) -> Iterator[DefinitionChange]:
    groups = {name: name for name in old.groups if name in new.groups}
    yield from _one_sided(ElementKind.GROUP, old.groups, new.groups, groups)
    for name in groups:
        titles = old.groups[name].title, new.groups[name].title
        if titles[0] != titles[1]:
            yield element_change(
                ChangeKind.DOCUMENTATION,
                ElementKind.GROUP,
                old.groups[name],
                new.groups[name],
                "title",
                titles,
            )
    yield from _translation_changes(old, new)
    for attribute in ("name", "title", "revision"):
        values = getattr(old, attribute), getattr(new, attribute)
        if values[0] != values[1]:
            yield DefinitionChange(
                kind=ChangeKind.DOCUMENTATION,
                element=ElementKind.DEFINITION,
                name=new.name,
                attribute=attribute,
                old=values[0],
                new=values[1],
                old_line=1,
                new_line=1,
            )


_TRANSLATED = {
    Titled.DEFINITION: ElementKind.DEFINITION,
    Titled.TABLE: ElementKind.TABLE,
    Titled.GROUP: ElementKind.GROUP,
    Titled.SIGNAL: ElementKind.SIGNAL,
}


def _translation_changes(old: Definition, new: Definition) -> Iterator[DefinitionChange]:
    before, after = (
        {(item.language, item.kind, item.name): item for item in definition.translations}
        for definition in (old, new)
    )
    for key in dict.fromkeys((*before, *after)):
        earlier, later = before.get(key), after.get(key)
        titles = [None if item is None else item.title for item in (earlier, later)]
        if titles[0] != titles[1]:
            language, kind, name = key
            yield DefinitionChange(
                kind=ChangeKind.DOCUMENTATION,
                element=_TRANSLATED[kind],
                name=name or new.name,
                attribute=f"title {language}",
                old=titles[0],
                new=titles[1],
                old_line=None if earlier is None else earlier.line,
                new_line=None if later is None else later.line,
            )
