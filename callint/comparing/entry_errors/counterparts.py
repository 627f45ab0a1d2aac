"""What mirror and inverse tables say about the cells of a table, as evidence for and against slips.

A table that must equal another one, or be its inverse, says for each cell which value belongs there. Somebody
who meant a new value entered it in both tables; a slip is in one of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from callint.comparing.entry_errors.detect import Suspect
from callint.comparing.entry_errors.neighbours import TableEdit
from callint.comparing.entry_errors.typing_errors import find_typing_error
from callint.comparing.relations import own_signal
from callint.decoding.decode import Decoded
from callint.decoding.surfaces import Surface, grid_points, surface
from callint.model.change import Numbers
from callint.model.definition import Definition, Relation, Table

#: If more cells than this contradict the other table, the tables differ, and no slip explains that.
_MOST = 4
#: If the base is further from the other table than this share of the span, the other table says nothing.
_BASE_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Counterpart:
    """What the table ``name`` says that the cells of another one hold; arrays of shape (rows, columns).

    ``value`` is in the image and ``base`` in the base, both physical and NaN where it says nothing. A cell
    agrees if it is at most ``within`` from that.
    """

    name: str
    value: Numbers
    base: Numbers
    within: Numbers


def counterpart_relations(definition: Definition) -> dict[str, list[Relation]]:
    """The mirror and inverse relations of each table, by its name."""
    relations: dict[str, list[Relation]] = {}
    for relation in definition.relations:
        if relation.kind in ("equal", "inverse") and relation.table != relation.other:
            for name in (relation.table, relation.other):
                relations.setdefault(name, []).append(relation)
    return relations


def find_counterparts(
    old: Decoded, new: Decoded, table: Table, edit: TableEdit, relations: Sequence[Relation]
) -> Iterator[Counterpart]:
    """What the mirrors and inverses of a table, by these relations, say about its cells."""
    for relation in relations:
        name = relation.table if relation.other == table.name else relation.other
        other = new.layout.definition.tables.get(name)
        # A table that a wrong definition describes only in part has no cells.
        if other is None or not {table.name, name} <= new.layout.table_items.keys():
            continue
        before, after = (_implied(decoded, table, other, relation) for decoded in (old, new))
        if before is None or after is None:
            continue
        base, value = before[0], after[0]
        misfit = np.abs(edit.old - base)
        # What the base accepts is accepted; where the base breaks the relation, the other table says nothing.
        within = np.fmax(after[1] + edit.resolution, 1.5 * misfit)
        says = misfit <= np.maximum(_BASE_SHARE * edit.span, edit.resolution)
        yield Counterpart(name, np.where(says, value, np.nan), base, within)


def _implied(
    decoded: Decoded, table: Table, other: Table, relation: Relation
) -> tuple[Numbers, Numbers] | None:
    """The values that another table implies for a table, and how far they may be off; None if it cannot."""
    mine, theirs = surface(decoded, table), surface(decoded, other)
    if mine is None or theirs is None or not mine.signals:
        return None
    with np.errstate(all="ignore"):
        if relation.kind == "equal":
            return _mirrored(mine, theirs, relation.amount)
        return _inverted(mine, theirs, relation.amount, is_input=relation.table == table.name)


def _mirrored(mine: Surface, theirs: Surface, amount: float) -> tuple[Numbers, Numbers] | None:
    if set(mine.signals) != set(theirs.signals):
        return None
    points = dict(mine.breakpoints)
    values = theirs.at(grid_points(points, mine.signals[::-1]))
    for signal, at in grid_points(points, mine.signals[::-1]).items():
        theirs_at = theirs.breakpoints[signal]
        values = np.where((at >= theirs_at.min()) & (at <= theirs_at.max()), values, np.nan)
    values = values.reshape(mine.grid.physical.shape)
    return values, np.full(values.shape, amount)


def _inverted(
    mine: Surface, theirs: Surface, amount: float, is_input: bool
) -> tuple[Numbers, Numbers] | None:
    """The amount is in the unit of the input of this table if ``is_input``, else in that of its output."""
    own, back = own_signal(mine.signals, theirs.signals), own_signal(theirs.signals, mine.signals)
    if own is None or back is None:
        return None
    shared = [signal for signal in mine.signals if signal != own]
    points = {signal: mine.breakpoints[signal] for signal in shared} | {back: theirs.breakpoints[back]}
    lines = np.atleast_2d(theirs.at(grid_points(points, (*shared, back))))
    inputs, outputs = mine.breakpoints[own], theirs.breakpoints[back]
    shifts = (0.0, -amount, amount) if is_input else (0.0,)
    # One interpolation per line of the other table, not per cell.
    values = np.array([[_solved(line, outputs, inputs + shift) for line in lines] for shift in shifts])
    if is_input:
        within = np.fmax(np.abs(values[1] - values[0]), np.abs(values[2] - values[0]))
        within = np.where(np.isnan(within), 0.0, within)
    else:
        within = np.full(values[0].shape, amount)
    is_turned = bool(shared) and shared[0] == mine.signals[0]
    grids = [grid.T if is_turned else grid for grid in (values[0], within)]
    shape = mine.grid.physical.shape
    return grids[0].reshape(shape), grids[1].reshape(shape)


def _solved(line: Numbers, outputs: Numbers, inputs: Numbers) -> Numbers:
    """Where a line of the other table has the inputs as its values; NaN if it does not rise or fall."""
    order = np.argsort(outputs)
    values, at = line[order], outputs[order]
    steps = np.diff(values)
    if not (np.isfinite(values).all() and ((steps > 0).all() or (steps < 0).all())):
        return np.full(inputs.shape, np.nan)
    if len(steps) and steps[0] < 0:
        values, at = values[::-1], at[::-1]
    return np.interp(inputs, values, at, left=np.nan, right=np.nan)


def weigh(
    edit: TableEdit, suspects: Sequence[Suspect], counterparts: Sequence[Counterpart]
) -> tuple[Suspect, ...]:
    """The suspicious cells after what other tables say, in order of row and column.

    A cell with which another table agrees is not sure. A cell that another table contradicts is sure if one
    slip explains it: any slip if the other table has a new value there too, otherwise a distinctive one.
    """
    by_place = {(suspect.y, suspect.x): suspect for suspect in suspects}
    for counterpart in counterparts:
        off = np.abs(edit.new - counterpart.value)
        is_known = edit.cells & np.isfinite(counterpart.value)
        agrees, contradicts = is_known & (off <= counterpart.within), is_known & (off > counterpart.within)
        for place, suspect in by_place.items():
            if agrees[place]:
                by_place[place] = replace(suspect, is_sure=False)
        if np.count_nonzero(contradicts) <= _MOST:
            for y, x in np.argwhere(contradicts).tolist():
                found = _contradicted(edit, counterpart, by_place.get((y, x)), y, x)
                if found is not None:
                    by_place[y, x] = found
    return tuple(by_place[place] for place in sorted(by_place))


def _contradicted(
    edit: TableEdit, counterpart: Counterpart, suspect: Suspect | None, y: int, x: int
) -> Suspect | None:
    new, value, within = (
        float(edit.new[y, x]),
        float(counterpart.value[y, x]),
        float(counterpart.within[y, x]),
    )
    theirs = abs(value - float(counterpart.base[y, x]))
    has_moved = theirs > within
    # If both cells changed and fit their edits, the slip is in the one that went further.
    if suspect is None and theirs >= abs(new - float(edit.old[y, x])):
        return None
    if find_typing_error(new, value, within, edit.decimals, is_distinctive=not has_moved) is None:
        return None
    score = max(abs(new - value) / within, suspect.score if suspect else 0.0)
    is_lone = suspect.is_lone if suspect else False
    return Suspect(x, y, value, within, is_lone, score, True, counterpart.name)
