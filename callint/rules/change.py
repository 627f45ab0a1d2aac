"""Rules about what an image changed in its base."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from callint import fmt
from callint.comparing.compare import missing_runs
from callint.comparing.decimal_compare import exceeds
from callint.comparing.entry_errors.detect import Suspect, find_entry_errors
from callint.comparing.entry_errors.paste_errors import Pasted
from callint.comparing.entry_errors.typing_errors import mistyping
from callint.decoding.conversions import exact_value, largest_step, raw_distances
from callint.decoding.operating_range import operating_cells
from callint.model import rule_ids
from callint.model.change import Flags, TableChange
from callint.model.definition import Linear, Purpose, States, Table, decimal
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule


@rule(rule_ids.CHANGE_UNEXPLAINED_BYTES, Severity.ERROR, Scope.CHANGE)
def unexplained_bytes(context: CheckContext) -> Iterator[Finding]:
    """Bytes differ from the base that no table, axis, text, checksum or identity accounts for.

    Why it matters: somebody changed something that nobody can read. It may be a table that the
    definition lacks, program code, or a slip of the tool that wrote the image.

    Example: 4 bytes at 0x01A40, in no region, although all edits were made in known tables.

    Fix: find out what lies there and describe it in the definition, or put the bytes of the base back.
    """
    for run in context.changes.unexplained:
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


@rule(rule_ids.CHANGE_MISSING_BYTES, Severity.WARNING, Scope.CHANGE)
def missing_bytes(context: CheckContext) -> Iterator[Finding]:
    """Bytes of the base are absent from the image, and nothing in the definition names them.

    Why it matters: records were lost on the way, or the file was written without them. A programmer erases
    more than it writes, and leaves fill there; or the control unit keeps what it had. Either way it runs with
    bytes that nobody has looked at. What is named and absent, other rules report.

    A file of part of the memory need not hold the rest. So bytes count that the image has others around, that
    lie in a region of which it holds some, or, where the definition has no regions or the base is of part of
    the memory too, any that the base has. An image with a `start` in the policy is a part by intent, and only
    a region that it holds in part counts.

    Example: the base has 64 bytes from 0x0, and the records hold 0x0 to 0x2F and 0x34 to 0x3F: the four bytes
    from 0x30 on are absent, and no table lies there.

    Fix: have the file written with these bytes, or describe as a region what such files hold.
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


#: So many stretches of absent bytes tell one finding from another.
_MOST_RUNS = 64

_GO_BACK = "Reduce the change to the agreed limit, or waive the finding with a reason."


@rule(rule_ids.CHANGE_TOO_LARGE, Severity.ERROR, Scope.CHANGE)
def too_large(context: CheckContext) -> Iterator[Finding]:
    """A cell, or what a table puts out between its cells, is further from the base than is accepted.

    Why it matters: how far a table may be moved is agreed before the work starts; a cell beyond that is
    a slip or a decision that somebody has to stand behind.

    Example: `<change max="6"/>`: 41.0 to 47.5 mg is too large, 41.0 to 47.0 mg barely passes.

    Where an axis was moved, the outputs are compared as the control unit reads them, at the operating point
    where they are furthest apart: 40 and 60 mg at 1000 and 2000 rpm, whose second breakpoint became 1500 rpm,
    give 60 mg at 1500 rpm where it was 50 mg. That is 10 mg, though no cell changed.

    Fix: go back within the agreed distance, or waive it with the reason and the measurement.
    """
    for change in context.changes.tables:
        most = change.table.demands.change
        if most is None or change.table.name in context.changes.movement_of:
            continue  # where an axis moved, cells at one place stand for different operating points
        valued = change.changed & ~change.old.off & ~change.new.off
        beyond = valued & _exceeds(context, change, most)
        for y, x in np.argwhere(beyond).tolist():
            yield context.about_cell(
                rule_ids.CHANGE_TOO_LARGE,
                context.cell_number(change.table, x, y),
                f"{_cell_step(context, change, y, x, most)}; "
                f"at most {_accepted(context, change.table, most)} is accepted",
                _GO_BACK,
                judged=(context.cell_number(change.table, x, y),),
            )
    for moved in context.changes.movements:
        most = moved.table.demands.change
        if most is None or not exceeds(np.array(moved.old), np.array(moved.new), most):
            continue
        words = (
            f"{_step(context, moved.table, moved.old, moved.new, most)} at "
            f"{fmt.point(context.definition, moved.table.axes, moved.at)}, because an axis moved; "
            f"at most {_accepted(context, moved.table, most)} is accepted"
        )
        yield replace(
            context.about_table(rule_ids.CHANGE_TOO_LARGE, moved.table, words, _GO_BACK), at=moved.at
        )


def _exceeds(context: CheckContext, change: TableChange, most: float) -> Flags:
    """Which cells differ from the base by more than ``most``; exactly so for whole raw numbers."""
    conversion = context.conversion(change.table)
    if context.layout.wide[context.layout.table_items[change.table.name]] and isinstance(conversion, Linear):
        accepted = largest_step(conversion, decimal(most))
        distances = raw_distances(change.old.raw, change.new.raw)
        return distances > (_LARGEST if accepted is None else accepted)
    return exceeds(change.old.physical, change.new.physical, most)


#: The largest difference of two numbers of 64 bits.
_LARGEST = 2**64 - 1


def _accepted(context: CheckContext, table: Table, most: float) -> str:
    return fmt.with_unit(fmt.plain(most), fmt.distance_unit(context.definition.unit_of(table)))


def _cell_step(context: CheckContext, change: TableChange, y: int, x: int, most: float) -> str:
    """A cell's change in words, with all digits where doubles do not have them."""
    table, conversion = change.table, context.conversion(change.table)
    cell, decoded = context.cell_number(table, x, y), (context.old, context.new)
    if isinstance(conversion, Linear) and any(one and one.exact_at(cell) is not None for one in decoded):
        old, new = (exact_value(conversion, grid.raw[y, x].item()) for grid in (change.old, change.new))
        unit = context.definition.unit_of(table)
        texts = [fmt.with_unit(fmt.decimal_digits(value), unit) for value in (old, new)]
        sign = "+" if new > old else ""
        moved = fmt.with_unit(f"{sign}{fmt.decimal_digits(new - old)}", fmt.distance_unit(unit))
        return f"{texts[0]} became {texts[1]}, {moved}"
    old_value, new_value = (float(grid.physical[y, x]) for grid in (change.old, change.new))
    return _step(context, table, old_value, new_value, most)


def _step(context: CheckContext, table: Table, old: float, new: float, most: float) -> str:
    """A cell's change in words: "41.0 mg became 47.5 mg, +6.5 mg"."""
    conversion, unit = context.conversion(table), context.definition.unit_of(table)
    if isinstance(conversion, States):
        return " became ".join(context.format_distinct(table, old, new))
    olds, news, difference = fmt.format_change(old, new, conversion)
    if math.isclose(abs(float(difference)), most):
        # It is a little more than that, which the digits must show.
        olds, news = fmt.format_distinct((old, new), conversion)
        difference = f"{difference[0]}{fmt.format_near(abs(new - old), most, conversion)}"
    before, after = (fmt.with_unit(text, unit) for text in (olds, news))
    return f"{before} became {after}, {fmt.with_unit(difference, fmt.distance_unit(unit))}"


# Slips


@rule(rule_ids.CHANGE_SUSPICIOUS_CELL, Severity.WARNING, Scope.CHANGE, in_protection=Severity.ERROR)
def suspicious_cell(context: CheckContext) -> Iterator[Finding]:
    """A changed cell does not fit the edit that it is part of, nor the surface around it.

    Why it matters: whoever types hundreds of numbers mistypes one of them, and one cell is where the engine
    jerks or knocks. Limits seldom catch it: a wrong number is mostly a possible one.

    How it is judged: cells that changed together are compared by their difference and by their ratio to the
    base, with the new values beside them, and with what a held limit or a copied neighbour would give. What
    explains most of them must explain each of them, to within 2 % of the span of the base's values, and
    beyond that by no more than the others are rounded or uneven. A cell that changed alone must stay on the
    surface around it, to within 4.5 % of the span and as evenly as the base lies there; along one of its axes
    is enough, so that a dent that follows its row or its column passes. Off codes are no numbers and are
    passed over, and so is a cell that was left as it was amid others that changed.

    Example: 41.0, 13.0, 83.0, 27.0 and 93.0 mg became 45.1, 14.3, 913.0, 29.7 and 102.3 mg. Four of them are
    1.1 times the base, and the third is 913.0 / 83.0 = 11 times. 1.1 × 83.0 = 91.3 mg would fit, and 913.0
    is ten times that, as if the point had been lost. The base spans 93.0 - 13.0 = 80.0 mg, and 2 % of that is
    1.6 mg: a third cell of 92.9 mg barely passes.

    Fix: look up what was meant and type it again. If the number is meant, waive it with the reason.
    """
    for change in context.changes.tables:
        edit, blocks = context.edits[change.table.name]
        for suspect in find_entry_errors(edit):
            if any(block.holds(suspect.y, suspect.x) for block in blocks):
                continue  # change/shifted-block says it of all of them
            yield context.about_cell(
                rule_ids.CHANGE_SUSPICIOUS_CELL,
                context.cell_number(change.table, suspect.x, suspect.y),
                _suspicion(context, change, suspect),
                "Look up the intended value and enter it again, or waive the finding with a reason.",
            )


def _suspicion(context: CheckContext, change: TableChange, suspect: Suspect) -> str:
    """What stands there and what would fit: "850 mg where its neighbours suggest about 85: out by ten?"."""
    table, stands = change.table, float(change.new.physical[suspect.y, suspect.x])
    conversion = context.conversion(table)
    around = "its neighbours suggest" if suspect.is_lone else "the edit around it suggests"
    slip = mistyping(stands, suspect.expected, suspect.yardstick, fmt.decimals(conversion))
    about = fmt.rounded(suspect.expected, 0.25 * suspect.yardstick, conversion)
    return (
        f"the cell is {context.quantity(table, stands)}, but {around} about {about}"
        f"{f': {slip.name}?' if slip else '; no simple slip explains it'}"
    )


@rule(rule_ids.CHANGE_SHIFTED_BLOCK, Severity.WARNING, Scope.CHANGE, in_protection=Severity.ERROR)
def shifted_block(context: CheckContext) -> Iterator[Finding]:
    """A row, a column or a block looks pasted one place off, or a row pasted twice.

    Why it matters: every number in it is a right one in the wrong place, so that no limit is broken and
    nothing sticks out, while the engine runs with the values of another speed or load.

    How it is judged: in a block that lies one place off, each changed value is what its neighbour was, and
    the neighbour's is what the one behind it was. A row was pasted twice where it repeats the changed row
    beside it, which goes on like the rows before, while it does not go on to the rows behind it. A neighbour
    that was copied on purpose, once or over several rows, is not reported. On an even slope, a block one
    place off cannot be told from an offset, and a block that was edited first not from another edit.

    Example: 10.0, 14.0, 23.0, 31.0 and 52.0 mg became 10.0, 10.0, 14.0, 23.0 and 31.0 mg. Each of the last
    four is what the one before it was, and no offset or factor explains them: 10.0 - 14.0 = -4.0 mg, but
    31.0 - 52.0 = -21.0 mg; 10.0 / 14.0 = 0.71, but 31.0 / 52.0 = 0.60. Three such cells barely pass.

    Fix: paste the block again where it belongs. If the values were moved on purpose, waive it and say why.
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


def _block_text(context: CheckContext, table: Table, block: Pasted) -> str:
    """What a block looks like: "6 cells to 1800 rpm, 45 mg hold what the base has one place before ..."."""
    cells = fmt.count(block.size, "cell")
    end = context.place(table, block.right, block.bottom).removeprefix("at ")
    axis = context.axes_of(table)[0 if block.x_off else 1]
    side = "before" if block.x_off + block.y_off > 0 else "after"
    if block.twice:
        return f"{cells} up to {end} repeat the cells {side} them along {axis.signal}: pasted twice?"
    return (
        f"{cells} up to {end} hold the old values of the cells {side} them along {axis.signal}: "
        "pasted one place off?"
    )


@rule(rule_ids.CHANGE_EMISSIONS, Severity.WARNING, Scope.CHANGE)
def emissions(context: CheckContext) -> Iterator[Finding]:
    """An emissions table differs from the base.

    Why it matters: changing what an engine emits is unlawful in many places, whoever does it and
    whatever for. callint says every such change aloud; whether it is allowed is for the law, the maker
    and an approved test to say.

    Example: twelve cells of the recirculation demand went from 30 to 24 %.

    Fix: undo it, or waive it with the approval that covers it.
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
        yield context.about_table(rule_ids.CHANGE_EMISSIONS, table, message, _UNDO)
    yield from context.about_texts(rule_ids.CHANGE_EMISSIONS, Purpose.EMISSIONS, _UNDO)


_UNDO = "Undo the change, or waive the finding and name the approval that covers it."


def _largest_change(context: CheckContext, change: TableChange) -> str:
    """The largest change of a table in words: "at most 30 % became 24 % at 1800 rpm, 20 mg"."""
    table = change.table
    y, x = change.largest
    went_off = change.changed & change.new.off & ~change.old.off
    switched = int(np.count_nonzero(went_off))
    inside = int(
        np.count_nonzero(went_off & operating_cells(context.definition, table, change.new.x, change.new.y))
    )
    old, new = context.cell_change(change, y, x)
    lead = (
        "" if change.count == 1 or isinstance(context.conversion(table), States) else "the largest change: "
    )
    if switched > 1:
        lead = f"{switched:,} of them went off, {inside:,} inside the operating range; the largest change: "
    return f"{lead}{old} became {new} {context.place(table, x, y)}".strip()


#: An image that shares so much of its cells with the base is the base's software, whatever its identity says.
_SAME_SOFTWARE = 0.9


@rule(rule_ids.CHANGE_IDENTITY, Severity.ERROR, Scope.FILE)
def identity(context: CheckContext) -> Iterator[Finding]:
    """The identity bytes differ from the base, although the rest of the image is that of the base.

    Why it matters: somebody changed the number that tells workshops and authorities what runs in the
    engine. An image that was built on other software differs everywhere, and is image/wrong-identity.

    Example: the base reads "SK28-0412" and the image "SK28-0413", while 99 % of the cells are equal.

    Fix: put the number back; never write another software's number into an image.
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
