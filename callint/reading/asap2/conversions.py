"""Translates conversions of a description into those of a definition, by the standard's formulas.

LINEAR is phys = a * int + b; RAT_FUNC is int = (a p² + b p + c) / (d p² + e p + f), p being physical.
"""

from __future__ import annotations

import re
from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

from callint.model.cell_demands import OffAllowed, OffCode
from callint.model.definition import Conversion, Interpolated, Linear, Rational, States
from callint.reading.asap2.formulas import linear_coefficients
from callint.reading.asap2.nodes import ConversionMethod, ConversionTable, Description
from callint.reading.asap2.report import ImportLog, NotKeptError, label, plain

#: The largest number of states of one table; a range of raw values becomes one state per value.
MAX_STATES = 256
#: The status strings that stand for an off code, and where it is allowed.
OFF_STATUSES = {
    "off": OffAllowed.OUTSIDE_OPERATING,
    "off (anywhere)": OffAllowed.ANYWHERE,
    "off (nowhere)": OffAllowed.NOWHERE,
}


@dataclass(frozen=True, slots=True)
class ResolvedConversion:
    """The conversion and the unit that a name in a description stands for.

    ``failure`` is the reason why the values stay raw, None if they are converted. NO_COMPU_METHOD has neither
    a conversion nor a failure.
    """

    conversion: Conversion | None
    unit: str
    failure: str | None = None

    @property
    def name(self) -> str | None:
        """The name of the conversion in the definition, None without a conversion."""
        return None if self.conversion is None else self.conversion.name

    def is_equivalent(self, other: ResolvedConversion) -> bool:
        """Whether both convert raw values into the same physical values and unit."""
        if self.conversion is None or other.conversion is None:
            return self.conversion is other.conversion
        return replace(self.conversion, name="", decimals=None, line=0) == replace(
            other.conversion, name="", decimals=None, line=0
        )


@dataclass
class Conversions:
    """The conversions of a description, each made once.

    ``kept`` has the conversions by their names in the definition, and ``off_codes`` the raw values with the
    status "off" by the names of methods. ``numeric_states`` are the names of state conversions whose states
    are numbers: limits refer to those numbers and not to raw values.
    """

    description: Description
    log: ImportLog
    resolved: dict[str, ResolvedConversion] = field(default_factory=dict)
    kept: dict[str, Conversion] = field(default_factory=dict)
    numeric_states: set[str] = field(default_factory=set)
    off_codes: dict[str, OffCode] = field(default_factory=dict)
    _without_unit: set[str] = field(default_factory=set)

    def resolve(self, name: str) -> ResolvedConversion:
        """The conversion that a name stands for."""
        resolved = self.resolved.get(name)
        if resolved is None:
            resolved = self.resolved[name] = self._make(name)
        return resolved

    def _make(self, name: str) -> ResolvedConversion:
        if name == "NO_COMPU_METHOD":
            return ResolvedConversion(None, "")
        method = self.description.methods.get(name)
        if method is None:
            return ResolvedConversion(None, "", f"COMPU_METHOD {name} is not described")
        if method.status:
            self._read_status(method)
            same = self._without_status.get(_content(method))
            if same is not None:
                return self.resolve(same)
        unit = self.unit(method)
        if method.status and method.type == "IDENTICAL" and not unit:
            return ResolvedConversion(None, "")
        try:
            conversion = self._conversion(method, unit)
        except NotKeptError as error:
            self.log.change("COMPU_METHOD", name, str(error), method.place)
            return ResolvedConversion(None, "", f"COMPU_METHOD {name} is not kept")
        self.kept[conversion.name] = conversion
        return ResolvedConversion(conversion, unit)

    @cached_property
    def _without_status(self) -> dict[Hashable, str]:
        """The names of the methods without status strings by their content."""
        methods = reversed(self.description.methods.values())
        return {_content(method): method.name for method in methods if not method.status}

    def _read_status(self, method: ConversionMethod) -> None:
        """Enter the off code among the status strings of a method; the log lists others."""
        table = self.description.conversion_tables.get(method.status)
        if table is None or table.kind == "COMPU_TAB":
            reason = f"its STATUS_STRING_REF {method.status[:60]} is not described"
            self.log.change("COMPU_METHOD", method.name, reason, method.place)
            return
        others = 0
        for *ends, title in table.rows:
            raw, allowed = float(ends[0]), OFF_STATUSES.get(str(title).strip().casefold())
            is_single = raw.is_integer() and raw == float(ends[-1])
            if allowed is None or not is_single or method.name in self.off_codes:
                others += 1
            else:
                self.off_codes[method.name] = OffCode(int(raw), allowed, 0)
        if others:
            reason = "its status strings are not kept, but for one that is off"
            self.log.change("COMPU_METHOD", method.name, reason, method.place)

    def unit(self, method: ConversionMethod) -> str:
        """The unit of a conversion: its text, or the symbol of the UNIT that it refers to; "" for none."""
        reference = method.unit_reference
        unit = self.description.units.get(reference)
        symbol = label(method.unit if unit is None else unit.symbol, "")
        if reference and not symbol and method.name not in self._without_unit:
            self._without_unit.add(method.name)
            state = "not described" if unit is None else "without a text"
            self.log.change(
                "COMPU_METHOD", method.name, f"its unit {reference[:60]} is {state}", method.place
            )
        return symbol

    def _conversion(self, method: ConversionMethod, unit: str) -> Conversion:
        decimals = _decimals(method.format)
        match method.type:
            case "IDENTICAL":
                return Linear(self._name(method), unit, decimals, 1.0, 0.0, 0)
            case "LINEAR":
                if len(method.numbers) != 2:
                    raise NotKeptError("LINEAR has no COEFFS_LINEAR")
                factor, offset = method.numbers
                if not factor:
                    raise NotKeptError("the factor of LINEAR is 0")
                return Linear(self._name(method), unit, decimals, factor, offset, 0)
            case "RAT_FUNC":
                if len(method.numbers) != 6:
                    raise NotKeptError("RAT_FUNC has no COEFFS")
                return self._rational(method, method.numbers, unit, decimals)
            case "TAB_INTP" | "TAB_NOINTP" | "TAB_VERB":
                return self._tabular(method, unit, decimals)
            case "FORM":
                return self._rational(method, linear_coefficients(method.formula), unit, decimals)
        raise NotKeptError(f"its type {method.type[:40]} is not covered")

    def _name(self, method: ConversionMethod) -> str:
        return self.log.name("COMPU_METHOD", method.name, method.place)

    def _rational(
        self, method: ConversionMethod, numbers: tuple[float, ...], unit: str, decimals: int | None
    ) -> Conversion:
        """Linear if it is linear in decimal numbers, which decode exactly; otherwise rational."""
        a, b, c, d, e, f = numbers
        if not any((a, d, e)) and b and f:
            factor = Fraction(repr(f)) / Fraction(repr(b))
            offset = -Fraction(repr(c)) / Fraction(repr(b))
            if all(_is_decimal(number) for number in (factor, offset)):
                return Linear(self._name(method), unit, decimals, float(factor), float(offset), 0)
        if not any((a, b, d, e)) or not any((d, e, f)):
            raise NotKeptError("RAT_FUNC gives no physical value")
        return Rational(self._name(method), unit, decimals, (a, b, c, d, e, f), 0)

    def _tabular(self, method: ConversionMethod, unit: str, decimals: int | None) -> Conversion:
        table = self.description.conversion_tables.get(method.table)
        if table is None:
            raise NotKeptError(f"its table {method.table or 'of values'} is not described")
        if len(table.rows) != table.stated_rows:
            raise NotKeptError(
                f"its table {table.name} has {len(table.rows)} rows and announces {table.stated_rows}"
            )
        if not table.rows:
            raise NotKeptError(f"its table {table.name} is empty")
        if table.kind == "COMPU_TAB":
            if method.type == "TAB_INTP" and table.type == "TAB_INTP" and len(table.rows) > 1:
                conversion = self._interpolated(method, table, unit, decimals)
            else:
                conversion = self._single_values(method, table, unit, decimals)
        else:
            conversion = self._verbal(method, table)
        if table.default is not None:
            self.log.change(table.kind, table.name, "its default value is not kept", table.place)
        return conversion

    def _interpolated(
        self, method: ConversionMethod, table: ConversionTable, unit: str, decimals: int | None
    ) -> Conversion:
        raw, physical = zip(*((float(x), float(y)) for x, y in table.rows), strict=True)
        return Interpolated(self._name(method), unit, decimals, raw, physical, 0)

    def _single_values(
        self, method: ConversionMethod, table: ConversionTable, unit: str, decimals: int | None
    ) -> Conversion:
        """Single values without interpolation, as states whose names are the physical values."""
        names = [(float(raw), f"{plain(float(value))} {unit}".strip()) for raw, value in table.rows]
        states = self._states(method, table, names)
        self.numeric_states.add(states.name)
        self.log.change(
            "COMPU_METHOD",
            method.name,
            "its single values are kept as named states, without limits",
            method.place,
        )
        return states

    def _verbal(self, method: ConversionMethod, table: ConversionTable) -> Conversion:
        """Texts for raw values; a text for a range becomes a state per raw value."""
        names: list[tuple[float, str]] = []
        has_ranges = False
        for *ends, title in table.rows:
            low, high = float(ends[0]), float(ends[-1])
            if low == high:
                names.append((low, str(title)))
                continue
            if not (low.is_integer() and high.is_integer() and low < high):
                raise NotKeptError(f"its range {plain(low)} to {plain(high)} does not fit named states")
            if high - low >= MAX_STATES or len(names) + high - low >= MAX_STATES:
                raise NotKeptError(f"its ranges span more than {MAX_STATES} raw values")
            has_ranges = True
            names += [(float(raw), f"{title} ({raw})") for raw in range(int(low), int(high) + 1)]
        if has_ranges:
            self.log.change(
                table.kind, table.name, "its ranges are kept as one named state per raw value", table.place
            )
        return self._states(method, table, names)

    def _states(
        self, method: ConversionMethod, table: ConversionTable, names: list[tuple[float, str]]
    ) -> States:
        states: dict[int, str] = {}
        used: set[str] = set()
        has_renamed = False
        for number, title in names:
            if not number.is_integer() or not -(2**63) <= number < 2**64:
                raise NotKeptError(f"its raw value {plain(number)} is not a whole number")
            raw = int(number)
            if raw in states:
                raise NotKeptError(f"its raw value {raw} has two names")
            state = label(title)
            if state in used:
                state, has_renamed = label(f"{state[:460]} (raw {raw})"), True
            if state in used:
                raise NotKeptError(f"its state {state} stands for two raw values")
            states[raw] = state
            used.add(state)
        if has_renamed:
            reason = "its states of the same name have the raw value appended"
            self.log.change(table.kind, table.name, reason, table.place)
        return States(self._name(method), states, (), 0)


def _content(method: ConversionMethod) -> Hashable:
    """The content of a method apart from its name, its title and its status strings."""
    unit = method.unit, method.unit_reference
    return method.type, method.format, unit, method.numbers, method.table, method.formula


def _decimals(text: str) -> int | None:
    """Digits after the point by a format such as %8.4; None for any other format."""
    match = re.fullmatch(r"%[0-9]*\.([0-9])", text.strip())
    return int(match[1]) if match else None


def _is_decimal(number: Fraction) -> bool:
    """Whether a number equals the shortest decimal form of its nearest double."""
    try:
        return Fraction(repr(float(number))) == number
    except OverflowError:
        return False
