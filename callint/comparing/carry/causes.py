"""Why something cannot be carried, and what a user should know about what was carried: codes with numbers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import ClassVar

from callint.model.definition import Conversion, Kind


class Reason(StrEnum):
    """The class of a problem, as programs read it."""

    NO_PARTNER = "no-partner"
    DOES_NOT_FIT = "does-not-fit"
    OUTSIDE_LIMITS = "outside-limits"
    LOSES_RESOLUTION = "loses-resolution"
    VANISHES = "vanishes"
    OFF_CODE = "off-code"
    STATE = "state"
    NO_NUMBER = "no-number"
    AXIS = "axis"
    TEXT = "text"
    UNEXPLAINED = "unexplained-bytes"
    OVERLAP = "overlap"


class CarryCause(Enum):
    """The cause of a problem that needs no numbers."""

    NO_SUCH_TABLE = "no-such-table", Reason.NO_PARTNER
    NO_SUCH_TEXT = "no-such-text", Reason.NO_PARTNER
    STATES_AND_NUMBERS = "states-and-numbers", Reason.NO_PARTNER
    AXES_NOT_MONOTONIC = "axes-not-monotonic", Reason.AXIS
    CELL_MISSING = "cell-missing", Reason.NO_PARTNER
    NEXT_TO_SWITCHED_CELL = "next-to-switched-cell", Reason.OFF_CODE
    NO_OFF_CODE = "no-off-code", Reason.OFF_CODE
    OLD_BASE_IS_OFF = "old-base-is-off", Reason.OFF_CODE
    NEW_BASE_IS_OFF = "new-base-is-off", Reason.OFF_CODE
    NOT_A_NUMBER = "not-a-number", Reason.NO_NUMBER
    BETWEEN_STATES = "between-states", Reason.STATE
    NO_BREAKPOINT_NEARBY = "no-breakpoint-nearby", Reason.VANISHES
    SHARES_BYTES = "shares-bytes", Reason.OVERLAP

    def __init__(self, code: str, reason: Reason) -> None:
        self.code = code
        self.reason = reason


# Causes in one cell


@dataclass(frozen=True, slots=True)
class DoesNotFit:
    """The new type, which holds ``low`` to ``high``, cannot hold the carried value; all in ``unit``."""

    reason: ClassVar = Reason.DOES_NOT_FIT
    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True)
class EqualsOffCode:
    """The carried value would be stored as the off code of the new table."""

    reason: ClassVar = Reason.OFF_CODE
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class OutsideLimit:
    """The value, as it would be stored, breaks a limit of the new table; ``conversion`` has the digits."""

    reason: ClassVar = Reason.OUTSIDE_LIMITS
    value: float
    limit: float
    unit: str
    conversion: Conversion

    @property
    def is_above(self) -> bool:
        return self.value > self.limit


@dataclass(frozen=True, slots=True)
class LosesResolution:
    """The new table would store a value that is off by more than half a step of the old table."""

    reason: ClassVar = Reason.LOSES_RESOLUTION
    wanted: float
    stored: float
    unit: str


@dataclass(frozen=True, slots=True)
class RoundsAway:
    """Rounding to the values of the new table removes the whole change."""

    reason: ClassVar = Reason.VANISHES
    change: float
    unit: str


@dataclass(frozen=True, slots=True)
class UnknownState:
    """The new software has no state of this name."""

    reason: ClassVar = Reason.STATE
    name: str


# Causes in a whole table


@dataclass(frozen=True, slots=True)
class KindDiffers:
    """The table is, for example, a curve in the old software and a map in the new one."""

    reason: ClassVar = Reason.NO_PARTNER
    old: Kind
    new: Kind


@dataclass(frozen=True, slots=True)
class UnitDiffers:
    """The table has another unit in the new software."""

    reason: ClassVar = Reason.NO_PARTNER
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class AxesDiffer:
    """The table has axes of other signals or units; each axis is a pair of signal and unit, x before y."""

    reason: ClassVar = Reason.NO_PARTNER
    old: tuple[tuple[str, str], ...]
    new: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class AxisNotCarried:
    """The rework changed axes of the table, and these are not carried."""

    reason: ClassVar = Reason.AXIS
    axes: tuple[str, ...]


# Causes in an axis


class AxisCause(Enum):
    """Why an axis cannot be carried, where no numbers are needed."""

    COUNT_CHANGED = "count-changed"
    NO_SUCH_AXIS = "no-such-axis"
    SIGNAL_OR_UNIT_DIFFERS = "signal-or-unit-differs"
    BREAKPOINTS_DIFFER = "breakpoints-differ"
    NOT_A_NUMBER = "not-a-number"
    BREAKPOINTS_COINCIDE = "breakpoints-coincide"


@dataclass(frozen=True, slots=True)
class TablesDiffer:
    """These tables are on the axis in only one of the software versions."""

    tables: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MovesLeftOut:
    """The axis moves tables that the user leaves out."""

    tables: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BreakpointDoesNotFit:
    """The new type cannot hold a breakpoint."""

    value: float
    unit: str


AxisObstacle = AxisCause | TablesDiffer | MovesLeftOut | BreakpointDoesNotFit


@dataclass(frozen=True, slots=True)
class AxisRespaced:
    """The changed breakpoints of an axis cannot be carried; ``tables`` are on the axis."""

    reason: ClassVar = Reason.AXIS
    tables: tuple[str, ...]
    obstacle: AxisObstacle


# Causes in texts and bytes


@dataclass(frozen=True, slots=True)
class NotDecodable:
    """The bytes of a text are invalid in its encoding, and the new software stores texts differently."""

    reason: ClassVar = Reason.TEXT
    encoding: str


@dataclass(frozen=True, slots=True)
class NotEncodable:
    """The encoding of the new software lacks a character of the text."""

    reason: ClassVar = Reason.TEXT
    text: str
    encoding: str


@dataclass(frozen=True, slots=True)
class TooLong:
    """The text needs more than the ``length`` bytes of the new software."""

    reason: ClassVar = Reason.TEXT
    text: str
    length: int


@dataclass(frozen=True, slots=True)
class UndefinedBytes:
    """The rework changed ``count`` bytes from address ``start`` that the old definition does not cover."""

    reason: ClassVar = Reason.UNEXPLAINED
    count: int
    start: int


ProblemCause = (
    CarryCause
    | DoesNotFit
    | EqualsOffCode
    | OutsideLimit
    | LosesResolution
    | RoundsAway
    | UnknownState
    | KindDiffers
    | UnitDiffers
    | AxesDiffer
    | AxisNotCarried
    | AxisRespaced
    | NotDecodable
    | NotEncodable
    | TooLong
    | UndefinedBytes
)


# Notes


class NoteCause(Enum):
    """What happened to a carried cell, where no numbers are needed."""

    ZERO_HAS_NO_RATIO = "zero-has-no-ratio"


@dataclass(frozen=True, slots=True)
class HeldOutside:
    """The outermost change is held in ``cells`` cells outside the old breakpoints."""

    cells: int


@dataclass(frozen=True, slots=True)
class Flattened:
    """The new breakpoints flatten the change, by ``amount`` in ``unit`` where most."""

    amount: float
    unit: str


NoteReason = NoteCause | HeldOutside | Flattened


# Omissions


@dataclass(frozen=True, slots=True)
class OmittedCells:
    """Changed cells of a table that the user left out."""

    count: int


@dataclass(frozen=True, slots=True)
class OmittedBreakpoints:
    """Changed breakpoints of an axis that the user left out; ``tables`` are on the axis."""

    count: int
    tables: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OmittedText:
    """A changed text that the user left out, as the rework has it."""

    text: str


Omission = OmittedCells | OmittedBreakpoints | OmittedText | UndefinedBytes
