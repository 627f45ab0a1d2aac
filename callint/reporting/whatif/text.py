"""What a false reading does, as somebody explains it who has to convince a customer."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from callint import fmt
from callint.comparing.sensor_faults import FaultEffect, Threshold
from callint.decoding.sensors import Circuit, Wiring
from callint.model.change import Numbers
from callint.model.definition import PLAIN, Conversion, Definition, Purpose, Range, Signal, States, Table
from callint.reporting.point.unread import unread_sentences
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped
from callint.reporting.whatif.plausible import doubt, plausible_span

_INDENT = "  "
#: Smaller effects, as a share of the table's span, are only counted.
SLIGHT = 0.005
#: Into so many stretches the true values are cut of which the readings are spelled out.
_STRETCHES = 8

CAUTION = (
    "This is arithmetic on the tables that the definition describes, not a test of the engine. A reading "
    "that is not true can defeat protection and emissions functions, which is unlawful in many places; the "
    "maker's limits, local law and licensed practice come first."
)


@dataclass(frozen=True)
class FaultReport:
    """A false reading with all that it does: ``true`` and ``false`` readings, shape (cases,).

    ``image`` is the image's name. ``given`` are fixed values of other signals, ``obstacles`` says by table
    why nothing can be said of it; ``rivals`` are tables that put out a signal on the way but were not
    followed. ``wiring`` and ``circuit`` are there where the reading was worked out from a sensor.
    """

    image: str
    definition: Definition
    signal: Signal
    true: Numbers
    false: Numbers
    effects: list[FaultEffect]
    thresholds: list[Threshold]
    given: Mapping[str, float]
    obstacles: Mapping[str, str]
    rivals: Mapping[str, tuple[Table, ...]] | None = None
    wiring: Wiring | None = None
    circuit: Circuit | None = None
    is_selection: bool = False

    def only(self, names: frozenset[str]) -> FaultReport:
        """The same for some tables."""
        return replace(
            self,
            effects=[effect for effect in self.effects if effect.table.name in names],
            thresholds=[one for one in self.thresholds if one.table.name in names],
            obstacles={name: words for name, words in self.obstacles.items() if name in names},
            is_selection=True,
        )

    @property
    def reading_conversion(self) -> Conversion:
        """What the reading is printed by: the sensor's curve, where it is worked out."""
        curve = None if self.circuit is None else self.definition.tables.get(self.circuit.sensor.curve)
        return PLAIN if curve is None else self.definition.conversion_of(curve)


def round_values(low: float, high: float, stretches: int) -> Numbers:
    """The ends of a range, and round numbers that cut it into at most so many stretches and two rests."""
    if not low < high:
        return np.array([low])
    least = (high - low) / stretches
    power = 10.0 ** math.floor(math.log10(least))
    step = next(digit * power for digit in (1, 2, 5, 10) if digit * power >= least * (1 - 1e-9))
    inside = np.arange(math.floor(low / step) + 1, math.ceil(high / step)) * step
    # 3 * 0.1 is not 0.3; a breakpoint at 0.3 is no other value.
    inside = inside.round(max(0, 1 - math.floor(math.log10(step))))
    return np.unique(np.concatenate([[low], inside, [high]]))


def print_outlook(outlook: FaultReport, terminal: Terminal, everything: bool) -> None:
    """Print the readings, then every effect by purpose, the largest first, then the thresholds."""
    columns = width(terminal)
    definition = outlook.definition
    for title in heading(outlook.image, f": {definition.title or definition.name}", columns):
        terminal.print(title)
    for text in _lead(outlook):
        _print_prose(text, terminal)
    _print_readings(outlook, terminal)
    terminal.print()
    slight = 0
    for purpose in Purpose:
        effects = [effect for effect in outlook.effects if effect.table.purpose is purpose]
        effects.sort(key=lambda effect: -effect.share)
        shown_ = [effect for effect in effects if everything or effect.share >= SLIGHT]
        slight += len(effects) - len(shown_)
        _print_group(
            purpose.value, [(one.table, "", _effect_words(outlook, one)) for one in shown_], terminal
        )
    compared = sorted(outlook.thresholds, key=lambda one: not one.is_crossed)
    listed = [one for one in compared if one.is_crossed or everything]
    _print_group(
        "thresholds",
        [(one.table, f" ({one.table.purpose.value})", _threshold_words(outlook, one)) for one in listed],
        terminal,
    )
    for text in _uncrossed_words(outlook, compared[len(listed) :]):
        _print_prose(text, terminal)
    for text in _closing(outlook, slight):
        _print_prose(text, terminal, QUIET)


def _print_prose(text: str, terminal: Terminal, style: str = "") -> None:
    for one in wrapped(text, width(terminal)):
        terminal.print(line((one, style)))


def _print_group(name: str, members: list[tuple[Table, str, str]], terminal: Terminal) -> None:
    """Tables under a heading, each with what is said of it."""
    columns = width(terminal)
    if members:
        terminal.print(line((name, "bold")))
    for table, note, words in members:
        for title in heading(table.name, f": {table.title}{note}", columns - len(_INDENT)):
            terminal.print(title.indented(_INDENT))
        for text in wrapped(words, columns, 2 * _INDENT):
            terminal.print(line(text))
    if members:
        terminal.print()


def _lead(outlook: FaultReport) -> Iterator[str]:
    signal, true, false = outlook.signal, outlook.true, outlook.false
    name = f"{signal.title} ({signal.name})" if signal.title else signal.name
    if len(true) == 1:
        yield f"{name}: {_value(true[0], signal.unit)} is read as {_reading(outlook, false[0])}."
        if outlook.circuit is not None and outlook.wiring is not None:
            yield _circuit_words(outlook.circuit, outlook.wiring, true[0], signal.unit)
    elif outlook.circuit is not None and outlook.wiring is not None:
        sensor = outlook.circuit.sensor
        yield (
            f"{name}, with {_wiring_words(outlook.wiring)}, behind a pull-up of "
            f"{_ohms_given(sensor.pull_up)} at {sensor.supply:g} V:"
        )
    if outlook.given:
        yield f"At {', '.join(_named(outlook.definition, name, v) for name, v in outlook.given.items())}."
    yield from _plausibility_words(outlook)


def _plausibility_words(outlook: FaultReport) -> Iterator[str]:
    for name, value in outlook.given.items():
        if words := doubt(outlook.definition.signals[name], value):
            yield words
    usual = outlook.signal.plausible
    if usual is None:
        return
    span = plausible_span(outlook.signal)
    if _is_outside(outlook.true, usual):
        yield f"The true value is outside the plausible range of {span}; is it meant?"
    if _is_outside(outlook.false, usual):
        yield (
            f"The reading is outside the plausible range of {span}; the control unit may reject it and go "
            "on with a substitute."
        )


def _is_outside(values: Numbers, usual: Range) -> bool:
    return bool((values < usual.low).any() or (values > usual.high).any())


def _circuit_words(circuit: Circuit, wiring: Wiring, true: float, unit: str) -> str:
    sensor = circuit.sensor
    one = circuit.measured(np.array([true]), wiring)
    words = (
        f"At {_value(true, unit)} the sensor has {_ohms(one.ohms[0])}; with {_wiring_words(wiring)} the "
        f"control unit sees {_ohms(one.seen_ohms[0])}, {one.seen_volts[0]:.3f} V in place of "
        f"{one.volts[0]:.3f} V behind its pull-up of {_ohms_given(sensor.pull_up)} at {sensor.supply:g} V."
    )
    return f"{words} {_beyond_words(circuit, one.seen_volts)}".rstrip()


def _beyond_words(circuit: Circuit, volts: Numbers) -> str:
    """Whether voltages, all or some of them, lie beyond the sensor's curve; empty where none does."""
    beyond = [circuit.is_beyond(one) for one in volts.tolist()]
    if not any(beyond):
        return ""
    where = "The voltage" if all(beyond) else "In part of this range the voltage"
    return f"{where} is beyond {circuit.sensor.curve}, which reads what it reads at its end."


def _wiring_words(wiring: Wiring) -> str:
    if wiring.series and math.isfinite(wiring.parallel):
        return (
            f"{_ohms_given(wiring.parallel)} across the sensor alone and {_ohms_given(wiring.series)} in the "
            "line to both"
        )
    parts = []
    if wiring.is_open:
        parts.append("a broken wire")
    if wiring.is_shorted:
        parts.append("a shorted wire")
    if wiring.series:
        parts.append(f"{_ohms_given(wiring.series)} in series")
    if math.isfinite(wiring.parallel):
        parts.append(f"{_ohms_given(wiring.parallel)} in parallel")
    return " and ".join(parts)


def _print_readings(outlook: FaultReport, terminal: Terminal) -> None:
    """Where there are several true values: a line each for some of them, from the sensor to the reading."""
    circuit, wiring, true = outlook.circuit, outlook.wiring, outlook.true
    if len(true) == 1 or circuit is None or wiring is None:
        return
    wanted = round_values(float(true[0]), float(true[-1]), _STRETCHES)
    picked = true[np.isin(true, wanted)]
    found = circuit.measured(picked, wiring)
    unit = fmt.unit_word(outlook.signal.unit)
    rows = [("true", "sensor", "is seen as", "in place of", "voltage", "read as")]
    rows += [(unit, "Ω", "Ω", "V", "V", unit)]
    rows += [
        (
            _digits(picked[i]),
            _ohms_alone(found.ohms[i]),
            _ohms_alone(found.seen_ohms[i]),
            f"{found.volts[i]:.3f}",
            f"{found.seen_volts[i]:.3f}",
            fmt.number(float(found.reading[i]), outlook.reading_conversion),
        )
        for i in range(len(picked))
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = (text.rjust(columns) for text, columns in zip(row, widths, strict=True))
        terminal.print(line(f"{_INDENT}{'  '.join(cells)}"))
    if words := _beyond_words(circuit, circuit.measured(true, wiring).seen_volts):
        _print_prose(words, terminal)


def _ohms(value: float) -> str:
    return "an open line" if math.isinf(value) else f"{_ohms_alone(value)} Ω"


def _ohms_alone(value: float) -> str:
    """Worked out from a curve, so that more digits would say nothing."""
    if math.isinf(value):
        return "open"
    return f"{value:,.0f}" if value >= 1000 or value == 0 else f"{value:.1f}"


def _ohms_given(value: float) -> str:
    return f"{value:,.12g} Ω"


def _digits(value: float) -> str:
    """A value as it was given or stands on an axis, without the noise of a calculation."""
    return fmt.plain(float(f"{value:.7g}"))


def _value(value: float, unit: str) -> str:
    return fmt.with_unit(_digits(value), unit)


def _reading(outlook: FaultReport, value: float) -> str:
    conversion = outlook.reading_conversion
    text = _digits(value) if conversion is PLAIN else fmt.number(float(value), conversion)
    return fmt.with_unit(text, outlook.signal.unit)


def _named(definition: Definition, name: str, value: float) -> str:
    return f"{name} {_value(value, definition.signals[name].unit if name in definition.signals else '')}"


def _effect_words(outlook: FaultReport, effect: FaultEffect) -> str:
    definition, table = outlook.definition, effect.table
    unit, conversion = definition.unit_of(table), definition.conversion_of(table)
    if math.isnan(effect.true) and math.isnan(effect.false):
        return "off by either reading"
    if effect.true == effect.false:
        return "no difference"
    old, new, difference = fmt.format_change(effect.true, effect.false, conversion)
    if math.isnan(effect.true):
        words = f"switched on{_extent(effect)}: off becomes {fmt.with_unit(new, unit)}"
    elif math.isnan(effect.false):
        words = f"switched off{_extent(effect)}: {fmt.with_unit(old, unit)} becomes off"
    elif isinstance(conversion, States):
        words = f"{old} becomes {new}"
    else:
        words = f"{old} becomes {fmt.with_unit(new, unit)} ({difference}, {_share(effect)} of its span)"
    places = []
    if len(outlook.true) > 1:
        places.append(
            f"a true {outlook.signal.name} of {_value(outlook.true[effect.reading], outlook.signal.unit)}"
        )
    places += [
        _named(definition, name, value) for name, value in effect.at.items() if name not in outlook.given
    ]
    if places:
        words += f" at {', '.join(places)}"
    if effect.via:
        words += f"; through {', '.join(effect.via)}"
    return words


def _extent(effect: FaultEffect) -> str:
    if effect.points == 1:
        return ""
    return " everywhere" if effect.switched == effect.points else " in part of the range"


def _share(effect: FaultEffect) -> str:
    return f"{100 * effect.share:.0f} %" if effect.share >= SLIGHT else "less than 1 %"


def _threshold_words(outlook: FaultReport, one: Threshold) -> str:
    definition = outlook.definition
    conversion, unit = definition.conversion_of(one.table), definition.unit_of(one.table)
    if math.isnan(one.value):
        return "off"
    value = fmt.quantity(one.value, conversion, unit)
    readings = f"{_span(one.false, unit)} is read in place of {_span(one.true, unit)}"
    if not one.is_crossed:
        return f"{value} is not crossed; {readings}"
    ends = "a fault may be set" if one.table.purpose is Purpose.DIAGNOSIS else "what it decides changes"
    return f"{value} is crossed: {readings}; {ends}"


def _uncrossed_words(outlook: FaultReport, rest: list[Threshold]) -> Iterator[str]:
    definition = outlook.definition
    listed = []
    for one in rest:
        value = fmt.quantity(one.value, definition.conversion_of(one.table), definition.unit_of(one.table))
        listed.append(f"{one.table.name} ({'off' if math.isnan(one.value) else value})")
    if listed:
        verb = "Threshold" if len(listed) == 1 else "Thresholds"
        yield f"{verb} not crossed: {', '.join(listed)}."


def _span(ends: tuple[float, float], unit: str) -> str:
    low, high = (fmt.plain(float(f"{end:.4g}")) for end in ends)
    return fmt.with_unit(low if low == high else f"{low} to {high}", unit)


def _closing(outlook: FaultReport, slight: int) -> Iterator[str]:
    if not outlook.effects and not outlook.obstacles:
        if outlook.is_selection:
            yield f"{outlook.signal.name} reaches none of the tables that were asked for."
        else:
            yield f"No table is reached by {outlook.signal.name}."
    if slight:
        verb, them = ("notices", "it") if slight == 1 else ("notice", "them")
        yield f"{fmt.count(slight, 'more table')} hardly {verb}; --all shows {them}."
    if outlook.effects and slight < len(outlook.effects):
        words = "A table's span is the distance between its smallest and its largest cell."
        is_free = any(set(effect.at) - set(outlook.given) for effect in outlook.effects)
        if is_free or len(outlook.true) > 1:
            words += " Each table is shown where it differs most within the operating ranges of the signals."
        yield words
    for name, others in (outlook.rivals or {}).items():
        listed = ", ".join(table.name for table in others)
        yield f"{name} may also come from {listed}, which is not reckoned with."
    yield from unread_sentences(outlook.obstacles)
    yield CAUTION
