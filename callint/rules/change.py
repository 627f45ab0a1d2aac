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
from callint.model.change import Flags, TableChange
from callint.model.definition import Linear, Purpose, States, Table, decimal
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.image import as_text
from callint.rules.rule import Scope, rule


@rule("change/unexplained-bytes", Severity.ERROR, Scope.CHANGE)
def unexplained_bytes(case: CheckContext) -> Iterator[Finding]:
    """Bytes that the definition does not describe differ from the base.

    Why it matters: somebody changed something that nobody can read. It may be a table that the definition
    lacks, program code, or a fault of the tool that wrote the image.

    Example: 4 bytes at 0x01A40, in no region, although all edits were made in known tables.

    Fix: find out what these bytes are and describe them in the definition, or restore the bytes of the base.
    """
    for run in case.changes.unexplained:
        region = case.definition.memory.region_of(run.start)
        where = f"in region {region.name}" if region else "outside all regions, possibly program code"
        end = run.start + run.size - 1
        stretch = fmt.address(run.start) + (f" to {fmt.address(end)}" if run.size > 1 else "")
        verb = "differs" if run.changed == 1 else "differ"
        content = case.new.image.read(run.start, run.size) or b""
        yield Finding(
            rule="change/unexplained-bytes",
            subject=f"{run.start:x} {content.hex()[:64]}",
            address=run.start,
            size=run.size,
            message=f"{fmt.count(run.changed, 'byte')} at {stretch} {verb} from the base, "
            f"but the definition does not describe {'it' if run.changed == 1 else 'them'} ({where})",
            hint="Describe these bytes in the definition, or restore the bytes of the base.",
            evidence=Evidence(ranges=((run.start, run.size),)),
        )


@rule("change/missing-bytes", Severity.WARNING, Scope.CHANGE)
def missing_bytes(case: CheckContext) -> Iterator[Finding]:
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
    image, base = case.new.image, case.base
    if base is None or not image.is_part:
        return
    runs = list(missing_runs(case.layout, base, image, is_intended=case.start is not None))
    if not runs:
        return
    count, first = sum(run.size for run in runs), runs[0]
    end = first.start + first.size - 1
    where = fmt.address(first.start) + (f" to {fmt.address(end)}" if first.size > 1 else "")
    others = f", and {fmt.count(len(runs) - 1, 'more range')}" if len(runs) > 1 else ""
    yield Finding(
        rule="change/missing-bytes",
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


@rule("change/too-large", Severity.ERROR, Scope.CHANGE)
def too_large(case: CheckContext) -> Iterator[Finding]:
    """A cell, or the output between cells, is further from the base than the accepted change.

    Why it matters: the workshop agrees on the largest change of a table before the work starts. A cell beyond
    it is a slip, or a decision that somebody must take responsibility for.

    Example: `<change max="6"/>`: 41.0 to 47.5 mg is too large, and 41.0 to 47.0 mg barely passes.

    If an axis was moved, callint compares the outputs at the operating point where they are furthest apart. A
    table has 40 and 60 mg at 1000 and 2000 rpm, and its second breakpoint became 1500 rpm: it gives 60 mg at
    1500 rpm instead of 50 mg. That is 10 mg, though no cell changed.

    Fix: reduce the change to the accepted size, or waive the finding with the reason and the measurement.
    """
    for change in case.changes.tables:
        most = change.table.demands.change
        if most is None or change.table.name in case.changes.movement_of:
            continue  # where an axis moved, cells at one place stand for different operating points
        valued = change.changed & ~change.old.off & ~change.new.off
        beyond = valued & _exceeds(case, change, most)
        for y, x in np.argwhere(beyond).tolist():
            yield case.about_cell(
                "change/too-large",
                case.cell_number(change.table, x, y),
                f"{_cell_step(case, change, y, x, most)}; "
                f"at most {_accepted(case, change.table, most)} is accepted",
                _GO_BACK,
                judged=(case.cell_number(change.table, x, y),),
            )
    for moved in case.changes.movements:
        most = moved.table.demands.change
        if most is None or not exceeds(np.array(moved.old), np.array(moved.new), most):
            continue
        words = (
            f"{_step(case, moved.table, moved.old, moved.new, most)} at "
            f"{fmt.point(case.definition, moved.table.axes, moved.at)}, because an axis moved; "
            f"at most {_accepted(case, moved.table, most)} is accepted"
        )
        yield replace(case.about_table("change/too-large", moved.table, words, _GO_BACK), at=moved.at)


def _exceeds(case: CheckContext, change: TableChange, most: float) -> Flags:
    """Which cells differ from the base by more than ``most``; exactly so for whole raw numbers."""
    conversion = case.conversion(change.table)
    if case.layout.wide[case.layout.table_items[change.table.name]] and isinstance(conversion, Linear):
        accepted = largest_step(conversion, decimal(most))
        distances = raw_distances(change.old.raw, change.new.raw)
        return distances > (_LARGEST if accepted is None else accepted)
    return exceeds(change.old.physical, change.new.physical, most)


#: The largest difference of two numbers of 64 bits.
_LARGEST = 2**64 - 1


def _accepted(case: CheckContext, table: Table, most: float) -> str:
    return fmt.with_unit(fmt.plain(most), fmt.distance_unit(case.definition.unit_of(table)))


def _cell_step(case: CheckContext, change: TableChange, y: int, x: int, most: float) -> str:
    """A cell's change in words, with all digits where doubles do not have them."""
    table, conversion = change.table, case.conversion(change.table)
    cell, decoded = case.cell_number(table, x, y), (case.old, case.new)
    if isinstance(conversion, Linear) and any(one and one.exact_at(cell) is not None for one in decoded):
        old, new = (exact_value(conversion, grid.raw[y, x].item()) for grid in (change.old, change.new))
        unit = case.definition.unit_of(table)
        texts = [fmt.with_unit(fmt.decimal_digits(value), unit) for value in (old, new)]
        sign = "+" if new > old else ""
        moved = fmt.with_unit(f"{sign}{fmt.decimal_digits(new - old)}", fmt.distance_unit(unit))
        return f"{texts[0]} became {texts[1]}, {moved}"
    old_value, new_value = (float(grid.physical[y, x]) for grid in (change.old, change.new))
    return _step(case, table, old_value, new_value, most)


def _step(case: CheckContext, table: Table, old: float, new: float, most: float) -> str:
    """A cell's change in words: "41.0 mg became 47.5 mg, +6.5 mg"."""
    conversion, unit = case.conversion(table), case.definition.unit_of(table)
    if isinstance(conversion, States):
        return " became ".join(case.format_distinct(table, old, new))
    olds, news, difference = fmt.format_change(old, new, conversion)
    if math.isclose(abs(float(difference)), most):
        # It is a little more than that, which the digits must show.
        olds, news = fmt.format_distinct((old, new), conversion)
        difference = f"{difference[0]}{fmt.format_near(abs(new - old), most, conversion)}"
    before, after = (fmt.with_unit(text, unit) for text in (olds, news))
    return f"{before} became {after}, {fmt.with_unit(difference, fmt.distance_unit(unit))}"


# Slips


@rule("change/suspicious-cell", Severity.WARNING, Scope.CHANGE, in_protection=Severity.ERROR)
def suspicious_cell(case: CheckContext) -> Iterator[Finding]:
    """A changed cell fits neither the edit around it nor the surface around it.

    Why it matters: somebody who types hundreds of numbers mistypes one of them, and in that one cell the
    engine jerks or knocks. Limits seldom catch it, because a wrong number is usually a possible one.

    How it is judged: callint predicts each changed cell from the cells that changed with it: by their
    difference and their ratio to the base, by the new values next to it, by a common limit, and by a copied
    neighbour. A prediction that fits most of these cells must fit each of them within 2 % of the span of the
    base's values, plus an allowance for how rounded or uneven the others are. A cell that changed alone must
    stay on the surface around it, within 4.5 % of the span and as evenly as the base lies there. One of its
    axes is enough, so a dent that follows its row or its column passes. callint ignores off codes, which are
    not numbers, and unchanged cells among changed ones.

    Example: 41.0, 13.0, 83.0, 27.0 and 93.0 mg became 45.1, 14.3, 913.0, 29.7 and 102.3 mg. Four of them are
    1.1 times the base, and the third is 913.0 / 83.0 = 11 times. 1.1 × 83.0 = 91.3 mg would fit, and 913.0 is
    ten times that, as if the decimal point had been lost. The base spans 93.0 - 13.0 = 80.0 mg, and 2 % of
    that is 1.6 mg: a third cell of 92.9 mg barely passes.

    Fix: look up the intended value and enter it again. If the number is intended, waive the finding with the
    reason.
    """
    for change in case.changes.tables:
        edit, blocks = case.edits[change.table.name]
        for suspect in find_entry_errors(edit):
            if any(block.holds(suspect.y, suspect.x) for block in blocks):
                continue  # change/shifted-block says it of all of them
            yield case.about_cell(
                "change/suspicious-cell",
                case.cell_number(change.table, suspect.x, suspect.y),
                _suspicion(case, change, suspect),
                "Look up the intended value and enter it again, or waive the finding with a reason.",
            )


def _suspicion(case: CheckContext, change: TableChange, suspect: Suspect) -> str:
    """What stands there and what would fit: "850 mg where its neighbours suggest about 85: out by ten?"."""
    table, stands = change.table, float(change.new.physical[suspect.y, suspect.x])
    conversion = case.conversion(table)
    around = "its neighbours suggest" if suspect.is_lone else "the edit around it suggests"
    slip = mistyping(stands, suspect.expected, suspect.yardstick, fmt.decimals(conversion))
    about = fmt.rounded(suspect.expected, 0.25 * suspect.yardstick, conversion)
    return (
        f"the cell is {case.quantity(table, stands)}, but {around} about {about}"
        f"{f': {slip.name}?' if slip else '; no simple slip explains it'}"
    )


@rule("change/shifted-block", Severity.WARNING, Scope.CHANGE, in_protection=Severity.ERROR)
def shifted_block(case: CheckContext) -> Iterator[Finding]:
    """A row, a column or a block looks pasted one cell off, or a row looks pasted twice.

    Why it matters: every number in it is right but in the wrong place. No limit is broken and nothing stands
    out, but the engine runs with the values of another speed or load.

    How it is judged: in a block that was pasted one cell off, each changed cell has the old value of the next
    cell, along the whole block. A row was pasted twice if it repeats the changed row next to it, and that row
    continues the rows before it but does not lead to the rows after it. callint does not report a neighbour
    that was copied on purpose, once or over several rows. On an even slope, it cannot distinguish a block
    that is one cell off from an offset; and it cannot distinguish a block that was edited before it was
    pasted from another edit.

    Example: 10.0, 14.0, 23.0, 31.0 and 52.0 mg became 10.0, 10.0, 14.0, 23.0 and 31.0 mg. Each of the last
    four has the old value of the cell before it, and no offset or factor explains them: 10.0 - 14.0 = -4.0
    mg, but 31.0 - 52.0 = -21.0 mg; 10.0 / 14.0 = 0.71, but 31.0 / 52.0 = 0.60. Three such cells barely pass.

    Fix: paste the block again in the right place. If the values were moved on purpose, waive the finding with
    the reason.
    """
    for change in case.changes.tables:
        for block in case.edits[change.table.name][1]:
            yield case.about_cell(
                "change/shifted-block",
                case.cell_number(change.table, block.left, block.top),
                _pasting(case, change.table, block),
                "Paste the block in the right place, or waive the finding with a reason.",
                subject=f"{block.right} {block.bottom} {block.x_off} {block.y_off}",
            )


def _pasting(case: CheckContext, table: Table, block: Pasted) -> str:
    """What a block looks like: "6 cells to 1800 rpm, 45 mg hold what the base has one place before ..."."""
    cells = fmt.count(block.size, "cell")
    end = case.place(table, block.right, block.bottom).removeprefix("at ")
    axis = case.axes_of(table)[0 if block.x_off else 1]
    side = "before" if block.x_off + block.y_off > 0 else "after"
    if block.twice:
        return f"{cells} up to {end} repeat the cells {side} them along {axis.signal}: pasted twice?"
    return (
        f"{cells} up to {end} hold the old values of the cells {side} them along {axis.signal}: "
        "pasted one place off?"
    )


@rule("change/emissions", Severity.WARNING, Scope.CHANGE)
def emissions(case: CheckContext) -> Iterator[Finding]:
    """An emissions table differs from the base.

    Why it matters: in many places the law forbids changes to what an engine emits, whoever makes them and for
    whatever reason. callint reports every such change; the law, the maker and an approved test decide whether
    it is allowed.

    Example: twelve cells of the recirculation demand went from 30 to 24 %.

    Fix: undo the change, or waive the finding and name the approval that covers it.
    """
    moved = {table.name: axis for axis in case.changes.by_axis for table in case.definition.tables_on(axis)}
    for name in dict.fromkeys([*case.changes.by_table, *moved]):
        table, change = case.definition.tables[name], case.changes.by_table.get(name)
        if table.purpose is not Purpose.EMISSIONS or name not in case.layout.table_items:
            continue
        if change is not None:
            yield case.about_table(
                "change/emissions",
                table,
                f"{fmt.count(change.count, 'cell')} of an emissions table changed: {_largest(case, change)}",
                "Undo the change, or waive the finding and name the approval that covers it.",
            )
        else:
            yield case.about_table(
                "change/emissions",
                table,
                f"the axis {moved[name]} of an emissions table changed, which changes what its cells mean",
                "Undo the change, or waive the finding and name the approval that covers it.",
            )
    yield from case.about_texts(
        "change/emissions",
        Purpose.EMISSIONS,
        "Undo the change, or waive the finding and name the approval that covers it.",
    )


def _largest(case: CheckContext, change: TableChange) -> str:
    """The largest change of a table in words: "at most 30 % became 24 % at 1800 rpm, 20 mg"."""
    table = change.table
    y, x = change.largest
    went_off = change.changed & change.new.off & ~change.old.off
    switched = int(np.count_nonzero(went_off))
    inside = int(
        np.count_nonzero(went_off & operating_cells(case.definition, table, change.new.x, change.new.y))
    )
    old, new = case.cell_change(change, y, x)
    lead = "" if change.count == 1 or isinstance(case.conversion(table), States) else "the largest change: "
    if switched > 1:
        lead = f"{switched:,} of them went off, {inside:,} inside the operating range; the largest change: "
    return f"{lead}{old} became {new} {case.place(table, x, y)}".strip()


#: An image that shares so much of its cells with the base is the base's software, whatever its identity says.
_SAME_SOFTWARE = 0.9


@rule("change/identity", Severity.ERROR, Scope.FILE)
def identity(case: CheckContext) -> Iterator[Finding]:
    """The identity bytes differ from the base, but the rest of the image matches the base.

    Why it matters: somebody changed the number that tells workshops and authorities which software runs in
    the engine. An image of other software differs everywhere; `image/wrong-identity` reports it.

    Example: the base has "SK28-0412" and the image "SK28-0413", while 99 % of the cells are equal.

    Fix: restore the number; never write the number of another software into an image.
    """
    if case.image is None or case.base is None:
        return
    for known in case.definition.memory.identities:
        old, new = (image.read(known.at, len(known.content)) for image in (case.base, case.image))
        if old is not None and new is not None and old != new:
            share = float(case.kept.mean()) if case.layout.size else 0.0
            if share < _SAME_SOFTWARE:
                return
            yield Finding(
                rule="change/identity",
                subject=f"{known.name} {new.hex()}",
                line=known.line,
                address=known.at,
                size=len(known.content),
                message=f"the {known.name} changed from {as_text(old)} to {as_text(new)}, "
                f"but {100 * share:.0f} % of the cells match the base",
                hint="Restore the number; never write another software's number into an image.",
                evidence=Evidence(ranges=((known.at, len(known.content)),)),
            )
