"""Conversions of a description into those of a definition, by the standard's formulas.

LINEAR is phys = a * int + b; RAT_FUNC is int = (a p² + b p + c) / (d p² + e p + f), p being physical.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fractions import Fraction

from callint.model.definition import Conversion, Interpolated, Linear, Rational, States
from callint.reading.asap2.parser import Description, Method, ValueTable
from callint.reading.asap2.report import ImportReport, LostError, label, plain

#: A range of raw values becomes one state each, up to so many in a table of values.
MAX_STATES = 256


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a conversion's name leads to; ``lost`` says why the values stay raw, "" where they do not."""

    conversion: Conversion | None
    unit: str
    lost: str = ""

    @property
    def name(self) -> str | None:
        return None if self.conversion is None else self.conversion.name

    def is_like(self, other: Meaning) -> bool:
        """Whether raw values have the same physical ones by both, and the same unit."""
        if self.conversion is None or other.conversion is None:
            return self.conversion is other.conversion
        return replace(self.conversion, name="", decimals=None, line=0) == replace(
            other.conversion, name="", decimals=None, line=0
        )


@dataclass
class Conversions:
    """The conversions of a description, each worked out once.

    ``kept`` has them by their names in the definition. ``numbered_names`` are states that are named by
    numbers, so that limits mean those and not raw values.
    """

    description: Description
    ledger: ImportReport
    meanings: dict[str, Meaning] = field(default_factory=dict)
    kept: dict[str, Conversion] = field(default_factory=dict)
    numbered_names: set[str] = field(default_factory=set)
    without_unit: set[str] = field(default_factory=set)

    def meaning(self, name: str) -> Meaning:
        """What a conversion's name leads to, worked out once."""
        found = self.meanings.get(name)
        if found is None:
            found = self.meanings[name] = self.new_meaning(name)
        return found

    def new_meaning(self, name: str) -> Meaning:
        if name == "NO_COMPU_METHOD":
            return Meaning(None, "")
        method = self.description.methods.get(name)
        if method is None:
            return Meaning(None, "", f"COMPU_METHOD {name} is not described")
        unit = self.unit(method)
        try:
            made = self.conversion(method, unit)
        except LostError as error:
            self.ledger.lose("COMPU_METHOD", name, str(error), method.place)
            return Meaning(None, "", f"COMPU_METHOD {name} is not kept")
        self.kept[made.name] = made
        return Meaning(made, unit)

    def unit(self, method: Method) -> str:
        """The unit of a conversion: its text, or that of the UNIT that it refers to; "" for none."""
        reference = method.unit_reference
        unit = self.description.units.get(reference)
        found = label(method.unit if unit is None else unit.shown, "")
        if reference and not found and method.name not in self.without_unit:
            self.without_unit.add(method.name)
            state = "not described" if unit is None else "without a text"
            self.ledger.lose(
                "COMPU_METHOD", method.name, f"its unit {reference[:60]} is {state}", method.place
            )
        return found

    def conversion(self, method: Method, unit: str) -> Conversion:
        decimals = _decimals(method.format)
        match method.type:
            case "IDENTICAL":
                return Linear(self.conversion_name(method), unit, decimals, 1.0, 0.0, 0)
            case "LINEAR":
                if len(method.numbers) != 2:
                    raise LostError("LINEAR has no COEFFS_LINEAR")
                factor, offset = method.numbers
                if not factor:
                    raise LostError("the factor of LINEAR is 0")
                return Linear(self.conversion_name(method), unit, decimals, factor, offset, 0)
            case "RAT_FUNC":
                if len(method.numbers) != 6:
                    raise LostError("RAT_FUNC has no COEFFS")
                return self.rational(method, unit, decimals)
            case "TAB_INTP" | "TAB_NOINTP" | "TAB_VERB":
                return self.tabular(method, unit, decimals)
            case "FORM":
                raise LostError("a FORMULA is not covered")
        raise LostError(f"its type {method.type[:40]} is not covered")

    def conversion_name(self, method: Method) -> str:
        return self.ledger.name("COMPU_METHOD", method.name, method.place)

    def rational(self, method: Method, unit: str, decimals: int | None) -> Conversion:
        """Linear where it is that in decimal numbers, which decode exactly; rational otherwise."""
        a, b, c, d, e, f = method.numbers
        if not any((a, d, e)) and b and f:
            factor = Fraction(repr(f)) / Fraction(repr(b))
            offset = -Fraction(repr(c)) / Fraction(repr(b))
            if all(_is_decimal(number) for number in (factor, offset)):
                return Linear(self.conversion_name(method), unit, decimals, float(factor), float(offset), 0)
        if not any((a, b, d, e)) or not any((d, e, f)):
            raise LostError("RAT_FUNC has no way from raw to physical")
        return Rational(self.conversion_name(method), unit, decimals, (a, b, c, d, e, f), 0)

    def tabular(self, method: Method, unit: str, decimals: int | None) -> Conversion:
        table = self.description.value_tables.get(method.table)
        if table is None:
            raise LostError(f"its table {method.table or 'of values'} is not described")
        if len(table.rows) != table.stated:
            raise LostError(f"its table {table.name} has {len(table.rows)} rows and says {table.stated}")
        if not table.rows:
            raise LostError(f"its table {table.name} is empty")
        if table.kind == "COMPU_TAB":
            if method.type == "TAB_INTP" and table.type == "TAB_INTP" and len(table.rows) > 1:
                found = self.interpolated(method, table, unit, decimals)
            else:
                found = self.numbered(method, table, unit, decimals)
        else:
            found = self.named(method, table)
        if table.default is not None:
            self.ledger.lose(table.kind, table.name, "its default value is not kept", table.place)
        return found

    def interpolated(self, method: Method, table: ValueTable, unit: str, decimals: int | None) -> Conversion:
        raw, physical = zip(*((float(one), float(other)) for one, other in table.rows), strict=True)
        return Interpolated(self.conversion_name(method), unit, decimals, raw, physical, 0)

    def numbered(self, method: Method, table: ValueTable, unit: str, decimals: int | None) -> Conversion:
        """Single values without anything between them, as states whose names are the numbers."""
        names = [(float(raw), f"{plain(float(value))} {unit}".strip()) for raw, value in table.rows]
        states = self.states(method, table, names)
        self.numbered_names.add(states.name)
        self.ledger.lose(
            "COMPU_METHOD",
            method.name,
            "its single values are kept as named states, without limits",
            method.place,
        )
        return states

    def named(self, method: Method, table: ValueTable) -> Conversion:
        names: list[tuple[float, str]] = []
        spread = 0
        for *ends, title in table.rows:
            low, high = float(ends[0]), float(ends[-1])
            if low == high:
                names.append((low, str(title)))
                continue
            if not (low.is_integer() and high.is_integer() and low < high):
                raise LostError(f"its range {plain(low)} to {plain(high)} does not fit named states")
            if high - low >= MAX_STATES or len(names) + high - low >= MAX_STATES:
                raise LostError(f"its ranges span more than {MAX_STATES} raw values")
            spread += 1
            names += [(float(raw), f"{title} ({raw})") for raw in range(int(low), int(high) + 1)]
        if spread:
            self.ledger.lose(
                table.kind, table.name, "its ranges are kept as a named state for each raw value", table.place
            )
        return self.states(method, table, names)

    def states(self, method: Method, table: ValueTable, names: list[tuple[float, str]]) -> States:
        found: dict[int, str] = {}
        used: set[str] = set()
        renamed = False
        for number, title in names:
            if not number.is_integer() or not -(2**63) <= number < 2**64:
                raise LostError(f"its raw value {plain(number)} is no whole number")
            raw = int(number)
            if raw in found:
                raise LostError(f"its raw value {raw} has two names")
            words = label(title)
            if words in used:
                words, renamed = label(f"{words[:460]} (raw {raw})"), True
            if words in used:
                raise LostError(f"its state {words} stands for two raw values")
            found[raw] = words
            used.add(words)
        if renamed:
            reason = "states with one name have their raw values behind it"
            self.ledger.lose(table.kind, table.name, reason, table.place)
        return States(self.conversion_name(method), found, (), 0)


def _decimals(text: str) -> int | None:
    """Digits after the point by a format such as %8.4; None where it has none that can be shown."""
    found = re.fullmatch(r"%[0-9]*\.([0-9])", text.strip())
    return int(found[1]) if found else None


def _is_decimal(number: Fraction) -> bool:
    """Whether a number is what its shortest decimal form as a double says."""
    try:
        return Fraction(repr(float(number))) == number
    except OverflowError:
        return False
