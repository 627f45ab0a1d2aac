"""What a false reading does, as somebody explains it who has to convince a customer."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from rich.console import Console

from callint.comparing.misreading import Effect
from callint.decoding.decode import Decoded
from callint.decoding.sensors import Circuit, Wiring
from callint.model import shown
from callint.model.change import Numbers
from callint.model.definition import Definition, Kind, Purpose, Signal, Table
from callint.reporting.terminal import QUIET, arrow, heading, line, width, wrapped

_INDENT = "  "
#: Smaller effects, as a share of the table's span, are only counted.
SLIGHT = 0.005
#: So many true values are spelled out with their false readings.
_READINGS = 9

CAUTION = (
    "This is arithmetic on the tables that the definition describes, not a test of the engine. A reading "
    "that is not true can defeat protection and emissions functions, which is unlawful in many places; the "
    "maker's limits, local law and licensed practice come first."
)


@dataclass(frozen=True)
class Outlook:
    """A false reading with all that it does: ``true`` and ``false`` readings, shape (cases,).

    ``given`` are fixed values of other signals, ``unread`` tables whose axes cannot be read. ``wiring`` and
    ``circuit`` are there where the reading was worked out from a sensor.
    """

    definition: Definition
    decoded: Decoded
    signal: Signal
    true: Numbers
    false: Numbers
    effects: list[Effect]
    given: dict[str, float]
    unread: tuple[str, ...]
    wiring: Wiring | None
    circuit: Circuit | None

    def only(self, names: frozenset[str]) -> Outlook:
        """The same for some tables."""
        return replace(self, effects=[effect for effect in self.effects if effect.table.name in names])


@dataclass(frozen=True, slots=True)
class Threshold:
    """A scalar that the false signal, or its sensor's voltage, is compared with."""

    table: Table
    value: float
    true: tuple[float, float]
    false: tuple[float, float]

    @property
    def is_crossed(self) -> bool:
        """Whether some reading lies on the other side of it than the truth."""
        (low, high), (false_low, false_high) = self.true, self.false
        above, below = low > self.value, high < self.value
        return (above and false_low <= self.value) or (below and false_high >= self.value)


def thresholds(outlook: Outlook) -> Iterator[Threshold]:
    """Every scalar that is compared with the signal or with the voltage of its sensor."""
    ranges = {outlook.signal.name: (_range(outlook.true), _range(outlook.false))}
    if outlook.circuit is not None and outlook.wiring is not None:
        circuit = outlook.circuit
        before = circuit.voltage_of(outlook.true)
        after = circuit.voltage_at(outlook.wiring.seen(circuit.resistance_at(before)))
        (name,) = circuit.curve.signals
        ranges[name] = _range(before / circuit.scale), _range(after / circuit.scale)
    for table in outlook.definition.tables.values():
        if (
            table.kind is Kind.SCALAR
            and table.signal in ranges
            and table.name in outlook.decoded.plan.table_items
        ):
            value = float(outlook.decoded.grid(table).physical[0, 0])
            true, false = ranges[table.signal]
            yield Threshold(table, value, true, false)


def _range(values: Numbers) -> tuple[float, float]:
    return float(np.min(values)), float(np.max(values))


def print_outlook(outlook: Outlook, terminal: Console, everything: bool) -> None:
    """Print the readings, then every effect by purpose, the largest first."""
    columns = width(terminal)
    for text in _lead(outlook, arrow(terminal)):
        for one in wrapped(text, columns):
            terminal.print(line(one))
    terminal.print()
    slight = 0
    for purpose in Purpose:
        effects = [effect for effect in outlook.effects if effect.table.purpose is purpose]
        effects.sort(key=lambda effect: -effect.share)
        shown_ = [effect for effect in effects if everything or effect.share >= SLIGHT]
        slight += len(effects) - len(shown_)
        if shown_:
            terminal.print(line((purpose.value, "bold")))
        for effect in shown_:
            _print_effect(outlook, effect, terminal)
        if shown_:
            terminal.print()
    for text in _thresholds_words(outlook):
        for one in wrapped(text, columns):
            terminal.print(line(one))
    for text in _closing(outlook, slight):
        for one in wrapped(text, columns):
            terminal.print(line((one, QUIET)))


def _lead(outlook: Outlook, sign: str) -> Iterator[str]:
    signal, true, false = outlook.signal, outlook.true, outlook.false
    unit = signal.unit
    if len(true) == 1:
        words = f"{signal.name}: {_value(true[0], unit)} is read as {_value(false[0], unit)}"
    else:
        picked = np.unique(np.linspace(0, len(true) - 1, min(_READINGS, len(true))).round().astype(int))
        pairs = ", ".join(f"{true[i]:.4g} {sign} {false[i]:.4g}" for i in picked)
        words = f"{signal.name}, true {sign} read, in {shown.unit_word(unit)}: {pairs}"
    yield words
    if outlook.circuit is not None and outlook.wiring is not None:
        yield _circuit_words(outlook.circuit, outlook.wiring, true[0], unit)
    if outlook.given:
        yield f"At {', '.join(_named(outlook.definition, name, v) for name, v in outlook.given.items())}."


def _circuit_words(circuit: Circuit, wiring: Wiring, true: float, unit: str) -> str:
    sensor = circuit.sensor
    before = circuit.voltage_of(np.array([true]))
    resistance = circuit.resistance_at(before)
    seen = wiring.seen(resistance)
    after = circuit.voltage_at(seen)
    parts = []
    if wiring.is_open:
        parts.append("a broken wire")
    if wiring.is_shorted:
        parts.append("a shorted wire")
    if wiring.series:
        parts.append(f"{_ohms(wiring.series)} in series")
    if math.isfinite(wiring.parallel):
        parts.append(f"{_ohms(wiring.parallel)} in parallel")
    look = "nothing" if math.isinf(seen[0]) else _ohms(seen[0])
    return (
        f"At {_value(true, unit)} the sensor has {_ohms(resistance[0])}; with {' and '.join(parts)} the "
        f"control unit sees {look}, {after[0]:.3f} V in place of {before[0]:.3f} V behind its pull-up of "
        f"{_ohms(sensor.pull_up)} at {sensor.supply:g} V."
    )


def _ohms(value: float) -> str:
    return f"{float(f'{value:.4g}'):,g} Ω"


def _value(value: float, unit: str) -> str:
    return shown.with_unit(shown.plain(float(f"{value:.4g}")), unit)


def _named(definition: Definition, name: str, value: float) -> str:
    return f"{name} {_value(value, definition.signals[name].unit)}"


def _print_effect(outlook: Outlook, effect: Effect, terminal: Console) -> None:
    definition, table = outlook.definition, effect.table
    columns = width(terminal)
    for title in heading(table.name, f": {table.title}", columns - len(_INDENT)):
        title.pad_left(len(_INDENT))
        terminal.print(title)
    for text in wrapped(_effect_words(outlook, definition, effect), columns, 2 * _INDENT):
        terminal.print(line(text))


def _effect_words(outlook: Outlook, definition: Definition, effect: Effect) -> str:
    table = effect.table
    unit, conversion = definition.unit_of(table), definition.conversion_of(table)
    olds, news = (
        "off" if math.isnan(value) else shown.number(value, conversion)
        for value in (effect.true, effect.false)
    )
    if effect.switched:
        where = "everywhere" if effect.switched == effect.points else "in part of the operating range"
        if effect.points == 1:
            where = "there"
        state = "off" if math.isnan(effect.false) else "on"
        words = f"switched {state} {where}: {_with(olds, unit)} became {_with(news, unit)}"
    elif not effect.share and effect.true == effect.false:
        return f"no difference: {_with(news, unit)}"
    else:
        difference = shown.signed_number(effect.false - effect.true, conversion)
        words = f"{olds} becomes {_with(news, unit)} ({difference}, {100 * effect.share:.0f} % of its span)"
    places = []
    if len(outlook.true) > 1:
        places.append(f"{outlook.signal.name} {_value(outlook.true[effect.case], outlook.signal.unit)}")
    places += [
        _named(definition, name, value) for name, value in effect.at.items() if name not in outlook.given
    ]
    if places:
        words += f" at {', '.join(places)}"
    if effect.via:
        words += f"; through {', '.join(effect.via)}"
    return words


def _with(text: str, unit: str) -> str:
    return text if text == "off" else shown.with_unit(text, unit)


def _thresholds_words(outlook: Outlook) -> Iterator[str]:
    for one in thresholds(outlook):
        signal = outlook.definition.signals.get(one.table.signal or "")
        unit = signal.unit if signal else ""
        low, high = one.false
        reading = _value(low, unit) if low == high else f"{low:.4g} to {_value(high, unit)}"
        side = "crosses" if one.is_crossed else "does not cross"
        yield (
            f"{one.table.name} ({one.table.purpose.value}) at {_value(one.value, unit)}: the reading, "
            f"{reading}, {side} it."
        )


def _closing(outlook: Outlook, slight: int) -> Iterator[str]:
    if not outlook.effects:
        yield f"No table is reached by {outlook.signal.name}."
    if slight:
        verb = "notices" if slight == 1 else "notice"
        yield f"{shown.count(slight, 'more table')} hardly {verb}; --all shows them."
    if outlook.unread:
        yield f"Their axes cannot be read, so nothing is said of {', '.join(outlook.unread)}."
    yield CAUTION
