"""The conversions and units of a definition as COMPU_METHOD blocks and their tables."""

from __future__ import annotations

from collections.abc import Iterator

from callint.model.cell_demands import OffAllowed, OffCode
from callint.model.definition import (
    Conversion,
    Definition,
    Interpolated,
    Linear,
    Rational,
    States,
)
from callint.reading.asap2.conversions import OFF_STATUSES
from callint.reporting.export.names import Names, quoted, real
from callint.reporting.export.result import ExportLog

NO_METHOD = "NO_COMPU_METHOD"
#: The standard gives raw values as doubles; above this, they are not exact to one.
LARGEST_RAW = 2**53


class Methods:
    """The COMPU_METHOD blocks of a description, each written once.

    A definition names the unit of a signal beside it, while the standard takes it from a COMPU_METHOD: each
    unit that no conversion carries becomes an IDENTICAL method of its own.
    """

    def __init__(self, definition: Definition, log: ExportLog) -> None:
        self._definition = definition
        self._log = log
        self._names = Names(log)
        self._variants: dict[tuple[str, str], str] = {}
        self._with_off: dict[tuple[str, int, OffAllowed], str] = {}
        self._statuses: dict[tuple[int, OffAllowed], str] = {}
        self._rows: list[str] = []
        for conversion in definition.conversions.values():
            name = self._names.add("conversion", conversion.name, conversion.line)
            unit = "" if isinstance(conversion, States) else conversion.unit
            self._variants[conversion.name, unit] = name
            self._rows += self._method(conversion, name, unit)

    def rows(self) -> Iterator[str]:
        """The lines of all methods; complete after the last call of ``method``."""
        yield from self._rows

    def method(self, conversion: str | None, unit: str) -> str:
        """The name of the method with a conversion and a unit; "" and "-" stand for no unit."""
        known = None if conversion is None else self._definition.conversions[conversion]
        own = "" if known is None or isinstance(known, States) else known.unit
        unit = own or ("" if unit == "-" else unit)
        if known is None and not unit:
            return NO_METHOD
        key = known.name if known is not None else "", "" if isinstance(known, States) else unit
        name = self._variants.get(key)
        if name is None:
            stem = f"{key[0] or 'unit'}_{len(self._variants)}"
            name = self._variants[key] = self._names.add("own axis", stem)
            self._rows += self._method(known or Linear("", unit, None, 1.0, 0.0, 0), name, unit)
        return name

    def with_off(self, conversion: str | None, off: OffCode) -> str:
        """The name of the method with a conversion whose status string says that a raw value is off."""
        base = self.method(conversion, "")
        key = base, off.raw, off.allowed
        name = self._with_off.get(key)
        if name is None:
            stem = f"off_{off.raw}" if off.raw >= 0 else f"off_minus_{-off.raw}"
            known = Linear("", "", None, 1.0, 0.0, 0)
            used = known if conversion is None else self._definition.conversions[conversion]
            status = self._status(off, stem)
            name = self._with_off[key] = self._names.add("own axis", f"{base}_{stem}")
            unit = "" if isinstance(used, States) else used.unit
            (row, *_) = self._method(used, base, unit)
            start, end = f"/begin COMPU_METHOD {base} ", " /end COMPU_METHOD"
            inside = row.removeprefix(start).removesuffix(end)
            self._rows.append(f"/begin COMPU_METHOD {name} {inside} STATUS_STRING_REF {status}{end}")
        return name

    def _status(self, off: OffCode, stem: str) -> str:
        """The name of the status strings of an off code."""
        key = off.raw, off.allowed
        if key not in self._statuses:
            name = self._statuses[key] = self._names.add("own axis", f"{stem}_{len(self._statuses)}")
            text = next(text for text, allowed in OFF_STATUSES.items() if allowed is off.allowed)
            rows = f"/begin COMPU_VTAB {name}", f'  "" TAB_VERB 1 {off.raw} {quoted(text)}', "/end COMPU_VTAB"
            self._rows += rows
        return self._statuses[key]

    def _method(self, conversion: Conversion, name: str, unit: str) -> Iterator[str]:
        digits = conversion.decimals
        form = '""' if digits is None or isinstance(conversion, States) else f'"%8.{digits}"'
        head = f'/begin COMPU_METHOD {name} ""'
        tail = f"{form} {quoted(unit)}"
        match conversion:
            case Linear(factor=1.0, offset=0.0):
                yield f"{head} IDENTICAL {tail} /end COMPU_METHOD"
            case Linear():
                numbers = f"{real(conversion.factor)} {real(conversion.offset)}"
                yield f"{head} LINEAR {tail} COEFFS_LINEAR {numbers} /end COMPU_METHOD"
            case Rational():
                numbers = " ".join(map(real, conversion.coefficients))
                yield f"{head} RAT_FUNC {tail} COEFFS {numbers} /end COMPU_METHOD"
            case States():
                yield f"{head} TAB_VERB {tail} COMPU_TAB_REF {name}.states /end COMPU_METHOD"
                yield from self._states(conversion, f"{name}.states")
            case Interpolated():
                yield f"{head} TAB_INTP {tail} COMPU_TAB_REF {name}.points /end COMPU_METHOD"
                yield from _points(conversion, f"{name}.points")

    def _states(self, conversion: States, name: str) -> Iterator[str]:
        if any(abs(raw) > LARGEST_RAW for raw in conversion.names):
            reason = "its raw values of more than 53 bits are doubles in the standard, and may be rounded"
            self._log.change("conversion", conversion.name, reason, conversion.line)
        yield f'/begin COMPU_VTAB {name} "" TAB_VERB {len(conversion.names)}'
        yield from (f"  {raw} {quoted(state)}" for raw, state in conversion.names.items())
        yield "/end COMPU_VTAB"


def _points(conversion: Interpolated, name: str) -> Iterator[str]:
    yield f'/begin COMPU_TAB {name} "" TAB_INTP {len(conversion.raw)}'
    for raw, physical in zip(conversion.raw, conversion.physical, strict=True):
        yield f"  {real(raw)} {real(physical)}"
    yield "/end COMPU_TAB"
