"""The sentences about problems, notes and omissions of a carried rework, for people and in JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import assert_never

from callint import fmt
from callint.comparing.carry.causes import (
    AxesDiffer,
    AxisCause,
    AxisNotCarried,
    AxisObstacle,
    AxisRespaced,
    BreakpointDoesNotFit,
    CarryCause,
    DoesNotFit,
    EqualsOffCode,
    Flattened,
    HeldOutside,
    KindDiffers,
    LosesResolution,
    MovesLeftOut,
    NotDecodable,
    NoteCause,
    NotEncodable,
    NoteReason,
    Omission,
    OmittedBreakpoints,
    OmittedCells,
    OmittedText,
    OutsideLimit,
    ProblemCause,
    RoundsAway,
    TablesDiffer,
    TooLong,
    UndefinedBytes,
    UnitDiffers,
    UnknownState,
)
from callint.comparing.carry.result import CarriedItem, CellRef

_CAUSES = {
    CarryCause.NO_SUCH_TABLE: "the new software has no such table",
    CarryCause.NO_SUCH_TEXT: "the new software has no such text",
    CarryCause.STATES_AND_NUMBERS: "it holds named states in one software and numbers in the other",
    CarryCause.AXES_NOT_MONOTONIC: (
        "its breakpoints neither rise nor fall throughout, so nothing can be read between them"
    ),
    CarryCause.CELL_MISSING: "the new base does not hold this cell",
    CarryCause.NEXT_TO_SWITCHED_CELL: (
        "it lies next to a cell that was switched off or on, and off cannot be interpolated"
    ),
    CarryCause.NO_OFF_CODE: "the rework switches it off, but the new table has no off code",
    CarryCause.OLD_BASE_IS_OFF: (
        "the old base is off here, so there is no change to carry; --as value carries the value"
    ),
    CarryCause.NEW_BASE_IS_OFF: "the new base is switched off here, so there is no value to change",
    CarryCause.NOT_A_NUMBER: "the wanted value is not a number",
    CarryCause.BETWEEN_STATES: (
        "it lies between cells with different states, and states cannot be interpolated"
    ),
    CarryCause.NO_BREAKPOINT_NEARBY: (
        "the new table has no breakpoint at or next to this cell, so the change would be lost"
    ),
    CarryCause.SHARES_BYTES: "it shares bytes with something that is carried, which would change it too",
}
_AXIS_CAUSES = {
    AxisCause.COUNT_CHANGED: "the stored count of its breakpoints changed",
    AxisCause.NO_SUCH_AXIS: "the new software stores no such axis",
    AxisCause.SIGNAL_OR_UNIT_DIFFERS: "it has another signal or unit in the new software",
    AxisCause.BREAKPOINTS_DIFFER: "its breakpoints are different in the new base",
    AxisCause.NOT_A_NUMBER: "a breakpoint is not a number",
    AxisCause.BREAKPOINTS_COINCIDE: "breakpoints coincide in the new type",
}
_NOTES = {
    NoteCause.ZERO_HAS_NO_RATIO: (
        "the old base is 0 here, which has no ratio; the difference was carried instead"
    ),
}

_CellCause = DoesNotFit | EqualsOffCode | OutsideLimit | LosesResolution | RoundsAway | UnknownState


def place(cell: CellRef | None) -> str:
    """Where a cell lies: "at 2200 rpm, 45 mg"; "" for a scalar and for None."""
    return f"at {', '.join(cell.breakpoints)}" if cell is not None and cell.breakpoints else ""


def deviation(item: CarriedItem) -> str:
    """The largest deviation of a carried item: "0.04 mg"."""
    return _amount(item.deviation, item.unit)


def problem_message(cause: ProblemCause) -> str:
    """Why something cannot be carried, as a clause without name and place."""
    match cause:
        case CarryCause():
            return _CAUSES[cause]
        case KindDiffers(old, new):
            return f"it is a {old} in the old software and a {new} in the new one"
        case UnitDiffers(old_unit, new_unit):
            return f"its unit was {_unit(old_unit)} and is {_unit(new_unit)} in the new software"
        case AxesDiffer(old_axes, new_axes):
            return f"its axes were {_axes(old_axes)} and are {_axes(new_axes)} in the new software"
        case AxisNotCarried(axes):
            axis = f"axis {axes[0]} was" if len(axes) == 1 else f"axes {' and '.join(axes)} were"
            is_not = "is not" if len(axes) == 1 else "are not"
            return f"its {axis} re-spaced and {is_not} carried; carry the table by hand too"
        case AxisRespaced(tables, obstacle):
            names = ", ".join(tables) or "no table"
            return f"the axis was re-spaced: carry it by hand, with {names}; {_axis_message(obstacle)}"
        case NotDecodable(encoding):
            return f"its bytes are not valid {encoding}, so they cannot be stored in another way"
        case NotEncodable(text, encoding):
            return f'"{text}" cannot be written in {encoding}, as the new software stores it'
        case TooLong(text, length):
            return f'"{text}" is longer than the {length} bytes that the new software has'
        case UndefinedBytes():
            return f"the old definition does not cover {_bytes(cause)}"
    return _cell_message(cause)


def _cell_message(cause: _CellCause) -> str:
    match cause:
        case DoesNotFit(value, low, high, unit):
            span = f"{low:.6g} to {_value(high, unit)}"
            return f"{_value(value, unit)} does not fit the new type, which holds {span}"
        case EqualsOffCode(value, unit):
            return f"{_value(value, unit)} would be stored as the off code of the new table"
        case OutsideLimit(stored, limit, unit, conversion):
            value_text = fmt.with_unit(fmt.format_near(stored, limit, conversion), unit)
            side = "above" if cause.is_above else "below"
            limit_text = fmt.with_unit(fmt.plain(limit), unit)
            return f"{value_text} is {side} the new software's limit of {limit_text}"
        case LosesResolution(wanted, stored, unit):
            change = f"{_value(wanted, unit)} would become {_value(stored, unit)}"
            return f"{change}, which is off by more than half a step of the old table"
        case RoundsAway(difference, unit):
            amount = fmt.with_unit(f"{difference:+.6g}", unit)
            return f"the change of {amount} vanishes when it is rounded to the new table's values"
        case UnknownState(name):
            return f'the new software has no state "{name}" here'
    assert_never(cause)


def _axis_message(obstacle: AxisObstacle) -> str:
    match obstacle:
        case AxisCause():
            return _AXIS_CAUSES[obstacle]
        case TablesDiffer(tables):
            return f"in the new software it does not move the same tables ({', '.join(tables)})"
        case MovesLeftOut(tables):
            return f"tables on it are left out ({', '.join(tables)})"
        case BreakpointDoesNotFit(value, unit):
            return f"{fmt.with_unit(fmt.plain(value), unit)} does not fit the new type"
    assert_never(obstacle)


def note_message(reason: NoteReason) -> str:
    """What a note says, without its place."""
    match reason:
        case NoteCause():
            return _NOTES[reason]
        case HeldOutside(cells):
            verb = "holds" if cells == 1 else "hold"
            return f"{fmt.count(cells, 'cell')} outside the old breakpoints {verb} the outermost change"
        case Flattened(amount, unit):
            most = _amount(amount, unit)
            return f"the new breakpoints flatten the change by at most {most}"
    assert_never(reason)


def omission_text(omission: Omission) -> str:
    """What the user left out of one table, axis or text, or of the undefined bytes."""
    match omission:
        case OmittedCells(count):
            return fmt.count(count, "changed cell")
        case OmittedBreakpoints(count, tables):
            names = ", ".join(tables) or "no table"
            return f"{fmt.count(count, 'changed breakpoint')}; this moves {names}"
        case OmittedText(text):
            return f'the text "{text}"'
        case UndefinedBytes():
            return _bytes(omission)
    assert_never(omission)


def _bytes(changed: UndefinedBytes) -> str:
    return f"{fmt.count(changed.count, 'changed byte')} from {fmt.address(changed.start)}"


def _axes(axes: Iterable[tuple[str, str]]) -> str:
    return " by ".join(f"{signal} ({_unit(unit)})" for signal, unit in axes)


def _value(value: float, unit: str) -> str:
    return fmt.with_unit(f"{value:.6g}", unit)


def _amount(value: float, unit: str) -> str:
    return fmt.with_unit(f"{value:.3g}", unit)


def _unit(unit: str) -> str:
    return fmt.unit_word(unit) if unit not in ("", "-") else "without a unit"
