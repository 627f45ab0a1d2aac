"""Rules about the changes from the base to the image."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from callint import fmt
from callint.comparing.compare import missing_runs
from callint.comparing.decimal_compare import exceeds
from callint.comparing.entry_errors.counterparts import (
    Counterpart,
    counterpart_relations,
    find_counterparts,
    weigh,
)
from callint.comparing.entry_errors.detect import Suspect, find_entry_errors
from callint.comparing.entry_errors.paste_errors import PasteError
from callint.comparing.entry_errors.table_edits import range_broken
from callint.comparing.entry_errors.typing_errors import TypingError, find_typing_error
from callint.comparing.weakening import Weakening, weakening
from callint.decoding.conversions import exact_value, largest_step, raw_distances
from callint.decoding.operating_range import operating_cells
from callint.decoding.surfaces import surface
from callint.decoding.unread import outside
from callint.model import rule_ids
from callint.model.change import Flags, Run, TableChange
from callint.model.definition import Linear, Purpose, States, Table, decimal
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule

if TYPE_CHECKING:  # loaded when a table with an off code changed
    from callint.comparing.off_codes import Calculation, MovedOffCodes


@rule(rule_ids.CHANGE_UNEXPLAINED_BYTES, Severity.ERROR, Scope.CHANGE)
def unexplained_bytes(context: CheckContext) -> Iterator[Finding]:
    """Bytes that the definition does not describe differ from the base.

    Why it matters: somebody changed something that nobody can read. It may be a table that the definition
    lacks, program code, or a fault of the tool that wrote the image.

    Example: 4 bytes at 0x01A40, in no region, although all edits were made in known tables.

    Fix: find out what these bytes are and describe them in the definition, or restore the bytes of the base.
    """
    for run in _unexplained_runs(context):
        region = context.definition.memory.region_of(run.start)
        where = f"in region {region.name}" if region else "outside all regions, possibly program code"
        end = run.start + run.size - 1
        stretch = fmt.address(run.start) + (f" to {fmt.address(end)}" if run.size > 1 else "")
        verb = "differs" if run.changed == 1 else "differ"
        content = context.new.image.read(run.start, run.size) or b""
        yield Finding(
            rule=rule_ids.CHANGE_UNEXPLAINED_BYTES,
            subject=f"{run.start:x} {content.hex()[:64]}",
            address=run.start,
            size=run.size,
            message=f"{fmt.count(run.changed, 'byte')} at {stretch} {verb} from the base, "
            f"but the definition does not describe {'it' if run.changed == 1 else 'them'} ({where})",
            hint="Describe these bytes in the definition, or restore the bytes of the base.",
            evidence=Evidence(ranges=((run.start, run.size),)),
        )


def _unexplained_runs(context: CheckContext) -> Iterator[Run]:
    """The changed bytes that the definition does not describe, without those of what is invalid in it."""
    unread, base = context.unread, context.base
    ranges = unread.undescribed(context.layout) if unread else ()
    if ranges is None or base is None:
        return  # definition/invalid reports it, and any byte may belong to that
    for run in context.changes.unexplained:
        end = run.start + run.size
        parts = list(outside(run.start, end, ranges))
        if parts == [(run.start, end)]:
            yield run
            continue
        for low, high in parts:
            before, after = (image.read(low, high - low) or b"" for image in (base, context.new.image))
            differing = [
                low + n for n, pair in enumerate(zip(before, after, strict=True)) if pair[0] != pair[1]
            ]
            if differing:
                yield Run(differing[0], differing[-1] - differing[0] + 1, len(differing))


@rule(rule_ids.CHANGE_MISSING_BYTES, Severity.WARNING, Scope.CHANGE)
def missing_bytes(context: CheckContext) -> Iterator[Finding]:
    """The image lacks bytes of the base that the definition does not describe.

    Why it matters: records were lost, or the file was written without them. A programmer erases more than it
    writes, and leaves fill bytes there; or the control unit keeps its old bytes. Either way it runs with
    bytes that nobody has checked. Other rules report missing bytes that the definition describes.

    A file of part of the memory need not hold the rest. callint therefore counts missing bytes that have
    bytes of the image before and after them, or that lie in a region of which the image holds a part. If the
    definition has no regions, or the base covers only part of the memory too, callint counts any missing byte
    of the base. An image with a `start` in the policy is intentionally a part; in it, callint counts only
    regions of which it holds a part.

    Example: the base has 64 bytes from 0x0, and the records hold 0x0 to 0x2F and 0x34 to 0x3F: the four bytes
    from 0x30 on are missing, and the definition has no table there.

    Fix: generate the file with these bytes, or describe the contents of such files as a region.
    """
    image, base = context.new.image, context.base
    if base is None or not image.is_part:
        return
    runs = list(missing_runs(context.layout, base, image, is_intended=context.start is not None))
    if not runs:
        return
    count, first = sum(run.size for run in runs), runs[0]
    end = first.start + first.size - 1
    where = fmt.address(first.start) + (f" to {fmt.address(end)}" if first.size > 1 else "")
    others = f", and {fmt.count(len(runs) - 1, 'more range')}" if len(runs) > 1 else ""
    yield Finding(
        rule=rule_ids.CHANGE_MISSING_BYTES,
        subject=" ".join(f"{run.start:x}+{run.size:x}" for run in runs[:_MOST_RUNS]),
        address=first.start,
        size=first.size,
        message=f"the image lacks {fmt.count(count, 'byte')} of the base that "
        f"the definition does not describe: {where}{others}",
        hint="Export the file again with these bytes, or add a region for what such files hold.",
        evidence=Evidence(ranges=tuple((run.start, run.size) for run in runs)),
    )


#: The most ranges of absent bytes by which findings differ.
_MOST_RUNS = 64

_REDUCE_HINT = "Reduce the change to the agreed limit, or waive the finding with a reason."


@rule(rule_ids.CHANGE_TOO_LARGE, Severity.ERROR, Scope.CHANGE)
def too_large(context: CheckContext) -> Iterator[Finding]:
    """A cell, or the output between cells, is further from the base than the accepted change.

    Why it matters: the workshop agrees on the largest change of a table before the work starts. A cell beyond
    it is a slip, or a decision that somebody must take responsibility for.

    Example: `<change max="6"/>`: 41.0 to 47.5 mg is too large, and 41.0 to 47.0 mg barely passes.

    If an axis was moved, callint compares the outputs at the operating point where they are furthest apart. A
    table has 40 and 60 mg at 1000 and 2000 rpm, and its second breakpoint became 1500 rpm: it gives 60 mg at
    1500 rpm instead of 50 mg. That is 10 mg, though no cell changed. At breakpoints that are not in both
    images, one stored step more than the limit is accepted, because recalculated cells are rounded to what
    the table can store.

    Fix: reduce the change to the accepted size, or waive the finding with the reason and the measurement.
    """
    for change in context.changes.tables:
        limit = change.table.demands.change
        if limit is None or change.table.name in context.changes.output_shift_of:
            continue  # if an axis moved, a cell has different operating points before and after
        valued = change.changed & ~change.old.off & ~change.new.off
        exceeding = valued & _exceeding_cells(context, change, limit)
        for y, x in np.argwhere(exceeding).tolist():
            yield context.about_cell(
                rule_ids.CHANGE_TOO_LARGE,
                context.cell_number(change.table, x, y),
                f"{_cell_change_text(context, change, y, x, limit)}; "
                f"at most {_limit_text(context, change.table, limit)} is accepted",
                _REDUCE_HINT,
                judged=(context.cell_number(change.table, x, y),),
            )
    for shift in context.changes.output_shifts:
        limit = shift.table.demands.change
        if limit is None or not exceeds(np.array(shift.old), np.array(shift.new), limit):
            continue
        moved = _furthest_move(context, shift.table, limit)
        if moved is None:
            continue
        message = (
            f"{_change_text(context, shift.table, moved.old, moved.new, limit)} at "
            f"{fmt.point(context.definition, shift.table.axes, moved.at)}, because an axis moved; "
            f"at most {_limit_text(context, shift.table, limit)} is accepted"
        )
        yield replace(
            context.about_table(rule_ids.CHANGE_TOO_LARGE, shift.table, message, _REDUCE_HINT), at=moved.at
        )


def _furthest_move(context: CheckContext, table: Table, limit: float) -> Weakening | None:
    """The largest change of an output that exceeds the limit, by more than rounding to new breakpoints."""
    assert context.old is not None
    old, new = surface(context.old, table), surface(context.new, table)
    if old is None or new is None:
        return None
    return weakening(old, new, True, True, context.stored_steps(table), limit)


def _exceeding_cells(context: CheckContext, change: TableChange, limit: float) -> Flags:
    """Which cells differ from the base by more than the limit; exact for 64 bits too."""
    conversion = context.conversion(change.table)
    if context.layout.wide[context.layout.table_items[change.table.name]] and isinstance(conversion, Linear):
        accepted = largest_step(conversion, decimal(limit))
        distances = raw_distances(change.old.raw, change.new.raw)
        return distances > (_LARGEST if accepted is None else accepted)
    return exceeds(change.old.physical, change.new.physical, limit)


#: The largest difference between two 64-bit numbers.
_LARGEST = 2**64 - 1


def _limit_text(context: CheckContext, table: Table, limit: float) -> str:
    return fmt.with_unit(fmt.plain(limit), fmt.distance_unit(context.definition.unit_of(table)))


def _cell_change_text(context: CheckContext, change: TableChange, y: int, x: int, limit: float) -> str:
    """The change of a cell as a clause, with all digits if doubles do not have them."""
    table, conversion = change.table, context.conversion(change.table)
    cell, decoded = context.cell_number(table, x, y), (context.old, context.new)
    if isinstance(conversion, Linear) and any(side and side.exact_at(cell) is not None for side in decoded):
        old, new = (exact_value(conversion, grid.raw[y, x].item()) for grid in (change.old, change.new))
        unit = context.definition.unit_of(table)
        texts = [fmt.with_unit(fmt.decimal_digits(value), unit) for value in (old, new)]
        sign = "+" if new > old else ""
        moved = fmt.with_unit(f"{sign}{fmt.decimal_digits(new - old)}", fmt.distance_unit(unit))
        return f"{texts[0]} became {texts[1]}, {moved}"
    old_value, new_value = (float(grid.physical[y, x]) for grid in (change.old, change.new))
    return _change_text(context, table, old_value, new_value, limit)


def _change_text(context: CheckContext, table: Table, old: float, new: float, limit: float) -> str:
    """A change as a clause: "41.0 mg became 47.5 mg, +6.5 mg"."""
    conversion, unit = context.conversion(table), context.definition.unit_of(table)
    if isinstance(conversion, States):
        return " became ".join(context.texts.format_distinct(table, old, new))
    old_text, new_text, difference = fmt.format_change(old, new, conversion, table.storage)
    if math.isclose(abs(float(difference)), limit):
        # The difference is slightly above the limit, and its digits must show it.
        old_text, new_text = fmt.format_distinct((old, new), conversion, table.storage)
        difference = f"{difference[0]}{fmt.format_near(abs(new - old), limit, conversion, table.storage)}"
    before, after = (fmt.with_unit(text, unit) for text in (old_text, new_text))
    return f"{before} became {after}, {fmt.with_unit(difference, fmt.distance_unit(unit))}"


# Entry errors


@rule(rule_ids.CHANGE_SUSPICIOUS_CELL, Severity.WARNING, Scope.CHANGE, in_protection=Severity.ERROR)
def suspicious_cell(context: CheckContext) -> Iterator[Finding]:
    """A changed cell fits neither the edit around it nor the surface around it.

    Why it matters: somebody who types hundreds of numbers mistypes one of them, and in that one cell the
    engine jerks or knocks. Limits seldom catch it, because a wrong number is usually a possible one.

    How it is judged: callint predicts each changed cell from the cells that changed with it: by their
    difference and their ratio to the base, by the new values next to it, by a common limit, and by a copied
    neighbour. A prediction that fits most of these cells must fit each of them within 2 % of the span of the
    base's values, plus an allowance for how rounded or uneven the others are. A cell that changed alone must
    stay on the surface around it, within 4.5 % of the span and as evenly as the base lies there. One of its
    axes is enough, so a dent that follows its row or its column passes. A cell that alone has the other sign
    than its old value and its neighbours lost its sign, however little it moved. If the cells around keep a
    pattern to the step, such as one factor, a copied row or even steps, a cell that breaks it by more than
    2 % of the span is suspicious if a slip explains it. If the table has a mirror or an inverse, a cell that
    contradicts it is suspicious if a slip turns the value that the other table suggests into the new one; if
    the other table kept its value there, only one of the first five slips counts. callint ignores off codes,
    which are not numbers, and unchanged cells among changed ones.

    How sure it is: a cell that somebody may as well have meant is a note, whatever the policy says. That is a
    cell that changed alone and deviates by less than 8 % of the span, or by less than 20 % if it lies within
    15 % of a neighbour, from which it may have been copied; a small edit of one cell that looks mistyped from
    its old value, such as 54.3 for 53.4; a cell of an edit that has too few points on a score card;
    and a cell whose mirror or inverse table agrees. The score card counts how far the
    cell deviates and stands out, how many changed cells lie beside it, how well the edit is understood, and
    how much more often a slip makes the number than somebody means it. A lone cell is more than a note if its
    sign or its decimal point is lost, it is out by ten, or digits are swapped or doubled, so that its old
    value or that of a neighbour becomes this one.

    Example: 41.0, 13.0, 83.0, 27.0 and 93.0 mg became 45.1, 14.3, 913.0, 29.7 and 102.3 mg. Four of them are
    1.1 times the base, and the third is 913.0 / 83.0 = 11 times. 1.1 × 83.0 = 91.3 mg would fit, and 913.0 is
    ten times that, as if the decimal point had been lost. The base spans 93.0 - 13.0 = 80.0 mg, and 2 % of
    that is 1.6 mg: a third cell of 92.9 mg barely passes.

    Fix: look up the intended value and enter it again. If the number is intended, waive the finding with the
    reason.
    """
    relations = counterpart_relations(context.definition)
    for change in context.changes.tables:
        edit, blocks = context.edits[change.table.name]
        counterparts: tuple[Counterpart, ...] = ()
        if context.old is not None and (related := relations.get(change.table.name)):
            counterparts = tuple(find_counterparts(context.old, context.new, change.table, edit, related))
        for suspect in weigh(edit, find_entry_errors(edit), counterparts):
            if any(block.holds(suspect.y, suspect.x) for block in blocks):
                continue  # change/shifted-block reports the block
            yield _suspect_finding(context, change, suspect)


def _suspect_finding(context: CheckContext, change: TableChange, suspect: Suspect) -> Finding:
    table, value = change.table, float(change.new.physical[suspect.y, suspect.x])
    decimals = fmt.decimals(context.conversion(table))
    error = find_typing_error(value, suspect.expected, suspect.allowed, decimals)
    finding = context.about_cell(
        rule_ids.CHANGE_SUSPICIOUS_CELL,
        context.cell_number(table, suspect.x, suspect.y),
        _suspect_text(context, change, suspect, error),
        "Look up the intended value and enter it again, or waive the finding with a reason.",
    )
    if suspect.counterpart:
        finding = replace(finding, evidence=Evidence(tables=(table.name, suspect.counterpart)))
    explanation = _explanation(context, table, suspect, error)
    return replace(finding, explanation=explanation, unsure=not suspect.is_sure)


def _explanation(context: CheckContext, table: Table, suspect: Suspect, error: TypingError | None) -> str:
    """The slip that explains a cell, with the number that fits: "swapped digits? 1200 fits".

    A number that the limits forbid, or that is not expected, does not fit: "1200 is above the limit".
    """
    fitting = fmt.rounded(suspect.expected, 0.25 * suspect.allowed, context.conversion(table))
    outside = _range_broken(table, suspect.expected, fitting)
    verb = f"is {outside}" if outside else "fits" if error else "would fit"
    return f"{error.name}? {fitting} {verb}" if error else f"{fitting} {verb}"


def _range_broken(table: Table, value: float, text: str) -> str:
    """How a number breaks the limits or the expected range of its table, both rounded and not; else ""."""
    return range_broken(table.demands, value) and range_broken(table.demands, float(text))


def _suspect_text(
    context: CheckContext, change: TableChange, suspect: Suspect, error: TypingError | None
) -> str:
    """The value and the expected one: "the cell is 850 mg, but its neighbours suggest about 85: ..."."""
    table, value = change.table, float(change.new.physical[suspect.y, suspect.x])
    conversion = context.conversion(table)
    source = "its neighbours suggest" if suspect.is_lone else "the edit around it suggests"
    if suspect.counterpart:
        source = f"{suspect.counterpart} suggests"
    expected = fmt.rounded(suspect.expected, 0.25 * suspect.allowed, conversion, table.storage)
    outside = _range_broken(table, suspect.expected, expected)
    return (
        f"the cell is {context.texts.quantity(table, value)}, but {source} about {expected}"
        f"{f', which is {outside}' if outside else ''}"
        f"{f': {error.name}?' if error else '; no simple slip explains it'}"
    )


@rule(rule_ids.CHANGE_SHIFTED_BLOCK, Severity.WARNING, Scope.CHANGE, in_protection=Severity.ERROR)
def shifted_block(context: CheckContext) -> Iterator[Finding]:
    """A row, a column or a block looks pasted one cell off, or a row looks pasted twice.

    Why it matters: every number in it is right but in the wrong place. No limit is broken and nothing stands
    out, but the engine runs with the values of another speed or load.

    How it is judged: in a block that was pasted one cell off, each changed cell has the old value of the next
    cell, along the whole block. If the block was edited first, each has that value by one factor or offset,
    in at least 8 cells, of three along the axis and two across or more. A row was pasted twice if it repeats
    the changed row next to it but no third one does, and that row continues the rows before it but does not
    lead to the rows after it. callint does not report a neighbour that was copied on purpose, once or over
    several rows. On an even slope, nobody can distinguish a block that is one cell off from an offset, nor
    from a factor where values grow by one; and a single row that was edited before it was pasted looks like a
    copied row that was edited.

    Example: 10.0, 14.0, 23.0, 31.0 and 52.0 mg became 10.0, 10.0, 14.0, 23.0 and 31.0 mg. Each of the last
    four has the old value of the cell before it, and no offset or factor explains them: 10.0 - 14.0 = -4.0
    mg, but 31.0 - 52.0 = -21.0 mg; 10.0 / 14.0 = 0.71, but 31.0 / 52.0 = 0.60. Three such cells barely pass.

    Fix: paste the block again in the right place. If the values were moved on purpose, waive the finding with
    the reason.
    """
    for change in context.changes.tables:
        for block in context.edits[change.table.name][1]:
            finding = context.about_cell(
                rule_ids.CHANGE_SHIFTED_BLOCK,
                context.cell_number(change.table, block.left, block.top),
                _block_text(context, change.table, block),
                "Paste the block in the right place, or waive the finding with a reason.",
            )
            # A cell may be the first of several blocks.
            yield replace(finding, subject=f"{block.right} {block.bottom} {block.x_off} {block.y_off}")


def _block_text(context: CheckContext, table: Table, block: PasteError) -> str:
    """What a block repeats: "6 cells up to 1800 rpm, 45 mg hold the old values of the cells before ..."."""
    cells = fmt.count(block.size, "cell")
    end = context.texts.place(table, block.right, block.bottom).removeprefix("at ")
    axis = context.axes_of(table)[0 if block.x_off else 1]
    side = "before" if block.x_off + block.y_off > 0 else "after"
    if block.twice:
        return f"{cells} up to {end} repeat the cells {side} them along {axis.signal}: pasted twice?"
    if block.edited:
        return (
            f"{cells} up to {end} follow the old values of the cells {side} them along {axis.signal} by one "
            "factor or offset: edited, then pasted one place off?"
        )
    return (
        f"{cells} up to {end} hold the old values of the cells {side} them along {axis.signal}: "
        "pasted one place off?"
    )


@rule(rule_ids.CHANGE_OFF_CODE, Severity.WARNING, Scope.CHANGE, in_protection=Severity.ERROR)
def off_code(context: CheckContext) -> Iterator[Finding]:
    """A calculation turned the off code into a value, or a value into the off code.

    Why it matters: the off code is a raw number. If a block with off cells is multiplied by a factor or moved
    by an offset, the code becomes a value, often inside the limits, and the function is on where it was off.
    A value that the calculation carries to the end of the storage may become the code there, and the function
    is off where it was on.

    How it is judged: at least two cells that changed and hold values before and after must show one factor or
    one offset, and nine tenths of them must follow it within rounding. The switched cell must hold what the
    same calculation makes of its old number, or the limit at which that was cut off. callint does not report
    cells that were switched on or off with another value: that is a decision.

    Example: 20, 30 and 50 degC and the off code, raw 255, which would be 215 degC, became 18, 27, 45 and 194
    degC: 0.9 × 215 = 193.5. The same edit with 60 degC in the last cell passes.

    Fix: restore the off code, or the value. If the change is intended, waive the finding with the reason.
    """
    for change in context.changes.tables:
        if change.table.demands.off is None:
            continue
        from callint.comparing.off_codes import find_moved_off_codes

        conversion = context.conversion(change.table)
        moved = find_moved_off_codes(change, conversion, context.edits[change.table.name][0].resolution)
        if moved is None:
            continue
        for cells, is_lost in ((moved.lost, True), (moved.gained, False)):
            if cells.any():
                yield _off_code_finding(context, change, moved, cells, is_lost)


def _off_code_finding(
    context: CheckContext, change: TableChange, moved: MovedOffCodes, cells: Flags, is_lost: bool
) -> Finding:
    table, off = change.table, change.table.demands.off
    assert off is not None
    y, x = np.argwhere(cells)[0].tolist()
    count, place = int(np.count_nonzero(cells)), context.texts.place(table, x, y)
    old, new = (
        context.texts.quantity(table, float(grid.physical[y, x])) for grid in (change.old, change.new)
    )
    cause = _calculation_text(context, table, moved.calculation)
    if is_lost:
        value = f"{new} {place}".strip()
        were = f"{count} cells were off in the base and now hold values, such as {value}"
        if count == 1:
            were = f"a cell was off in the base and now holds {value}"
        message = f"{were}: {cause} was applied to the off code, raw {off.raw}, too"
    else:
        value = f"{old} {place}".strip()
        were = f"{count} cells held values in the base and are now off, such as {value}"
        if count == 1:
            were = f"a cell held {value} in the base and is now off"
        message = f"{were}: {cause} turned them into the off code, raw {off.raw}"
        message = message if count > 1 else message.replace(" turned them ", " turned it ")
    hint = "Restore the off code" if is_lost else "Enter a value that the table can hold"
    finding = context.about_table(
        rule_ids.CHANGE_OFF_CODE, table, message, f"{hint}, or waive the finding with a reason."
    )
    return replace(finding, subject="lost" if is_lost else "gained")


def _calculation_text(context: CheckContext, table: Table, calculation: Calculation) -> str:
    """The calculation as a noun phrase: "the factor 0.9 of 11 other changed cells"."""
    others = f"of {calculation.explained:,} other changed cells"
    if calculation.factor is not None:
        return (
            f"the factor {calculation.factor:.4g} {'on raw numbers ' if calculation.is_raw else ''}{others}"
        )
    unit = fmt.distance_unit(context.definition.unit_of(table))
    return f"the offset {fmt.with_unit(f'{calculation.offset:+.6g}', unit)} {others}"


@rule(rule_ids.CHANGE_EMISSIONS, Severity.WARNING, Scope.CHANGE)
def emissions(context: CheckContext) -> Iterator[Finding]:
    """An emissions table differs from the base.

    Why it matters: in many places the law forbids changes to what an engine emits, whoever makes them and for
    whatever reason. callint reports every such change; the law, the maker and an approved test decide whether
    it is allowed.

    Example: twelve cells of the recirculation demand went from 30 to 24 %.

    Fix: undo the change, or waive the finding and name the approval that covers it.
    """
    moved = {
        table.name: axis for axis in context.changes.by_axis for table in context.definition.tables_on(axis)
    }
    for name in dict.fromkeys([*context.changes.by_table, *moved]):
        table, change = context.definition.tables[name], context.changes.by_table.get(name)
        if table.purpose is not Purpose.EMISSIONS or name not in context.layout.table_items:
            continue
        if change is None:
            message = (
                f"the axis {moved[name]} of an emissions table changed, which changes what its cells mean"
            )
        else:
            cells = fmt.count(change.count, "cell")
            message = f"{cells} of an emissions table changed: {_largest_change(context, change)}"
        yield context.about_table(rule_ids.CHANGE_EMISSIONS, table, message, _UNDO_HINT)
    yield from context.about_texts(rule_ids.CHANGE_EMISSIONS, Purpose.EMISSIONS, _UNDO_HINT)


_UNDO_HINT = "Undo the change, or waive the finding and name the approval that covers it."


def _largest_change(context: CheckContext, change: TableChange) -> str:
    """The largest change of a table as a clause: "30 % became 24 % at 1800 rpm, 20 mg"."""
    table = change.table
    y, x = change.largest
    went_off = change.changed & change.new.off & ~change.old.off
    switched = int(np.count_nonzero(went_off))
    inside = int(
        np.count_nonzero(went_off & operating_cells(context.definition, table, change.new.x, change.new.y))
    )
    old, new = context.texts.cell_change(change, y, x)
    lead = (
        "" if change.count == 1 or isinstance(context.conversion(table), States) else "the largest change: "
    )
    if switched > 1:
        lead = f"{switched:,} of them went off, {inside:,} inside the operating range; the largest change: "
    return f"{lead}{old} became {new} {context.texts.place(table, x, y)}".strip()


#: The share of equal cells from which on an image has the base's software, whatever its identity.
_SAME_SOFTWARE = 0.9


@rule(rule_ids.CHANGE_IDENTITY, Severity.ERROR, Scope.FILE)
def identity(context: CheckContext) -> Iterator[Finding]:
    """The identity bytes differ from the base, but the rest of the image matches the base.

    Why it matters: somebody changed the number that tells workshops and authorities which software runs in
    the engine. An image of other software differs everywhere; `image/wrong-identity` reports it.

    Example: the base has "SK28-0412" and the image "SK28-0413", while 99 % of the cells are equal.

    Fix: restore the number; never write the number of another software into an image.
    """
    if context.image is None or context.base is None:
        return
    for known in context.definition.memory.identities:
        old, new = (image.read(known.at, len(known.content)) for image in (context.base, context.image))
        if old is not None and new is not None and old != new:
            share = float(context.kept.mean()) if context.layout.size else 0.0
            if share < _SAME_SOFTWARE:
                return
            yield Finding(
                rule=rule_ids.CHANGE_IDENTITY,
                subject=f"{known.name} {new.hex()}",
                line=known.line,
                address=known.at,
                size=len(known.content),
                message=f"the {known.name} changed from {fmt.byte_string(old)} to {fmt.byte_string(new)}, "
                f"but {100 * share:.0f} % of the cells match the base",
                hint="Restore the number; never write another software's number into an image.",
                evidence=Evidence(ranges=((known.at, len(known.content)),)),
            )
