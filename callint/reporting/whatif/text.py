"""The effects of a misread signal for people."""

from __future__ import annotations

import math
from collections.abc import Iterator

from callint import fmt
from callint.comparing.fault_report import SLIGHT, FaultReport, WiringReadings
from callint.comparing.sensor_faults import FaultEffect, Threshold
from callint.decoding.sensors import Wiring
from callint.model.definition import PLAIN, Definition, Purpose, States, Table
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped
from callint.reporting.wording import plausibility_question, plausible_range, unreadable_sentences

_INDENT = "  "
#: The range of true values is divided into at most this many steps, and a row is printed for each.
_STEPS = 8

CAUTION = (
    "This is arithmetic on the tables that the definition describes, not a test of the engine. A reading "
    "that is not true can defeat protection and emissions functions, which is unlawful in many places; the "
    "maker's limits, local law and licensed practice come first."
)


def print_fault_report(report: FaultReport, terminal: Terminal, everything: bool) -> None:
    """Print the readings, then every effect by purpose, the largest first, then the thresholds.

    Unless ``everything`` is set, slight effects are only counted and thresholds that are not crossed are
    only named.
    """
    columns = width(terminal)
    for title in heading(report.image, f": {report.definition.title or report.definition.name}", columns):
        terminal.print(title)
    for sentence in _lead(report):
        _print_prose(sentence, terminal)
    _print_readings(report, terminal)
    terminal.print()
    for purpose in Purpose:
        effects = report.effects_of(purpose, with_slight=everything)
        entries = [(effect.table, "", _effect_text(report, effect)) for effect in effects]
        _print_group(purpose.value, entries, terminal)
    thresholds = report.crossed + (report.uncrossed if everything else [])
    entries = [
        (threshold.table, f" ({threshold.table.purpose.value})", _threshold_text(report, threshold))
        for threshold in thresholds
    ]
    _print_group("thresholds", entries, terminal)
    if not everything:
        for sentence in _uncrossed_sentences(report):
            _print_prose(sentence, terminal)
    for sentence in _closing(report, 0 if everything else report.slight_count):
        _print_prose(sentence, terminal, QUIET)


def _print_prose(sentence: str, terminal: Terminal, style: str = "") -> None:
    for text in wrapped(sentence, width(terminal)):
        terminal.print(line((text, style)))


def _print_group(name: str, entries: list[tuple[Table, str, str]], terminal: Terminal) -> None:
    """Print tables under a heading, each with a note behind its title and the text about it."""
    columns = width(terminal)
    if entries:
        terminal.print(line((name, "bold")))
    for table, note, entry in entries:
        for title in heading(table.name, f": {table.title}{note}", columns - len(_INDENT)):
            terminal.print(title.indented(_INDENT))
        for text in wrapped(entry, columns, 2 * _INDENT):
            terminal.print(line(text))
    if entries:
        terminal.print()


def _lead(report: FaultReport) -> Iterator[str]:
    signal, readings = report.signal, report.wiring_readings
    name = f"{signal.title} ({signal.name})" if signal.title else signal.name
    if len(report.true) == 1:
        yield f"{name}: {_value(report.true[0], signal.unit)} is read as {_reading(report, report.false[0])}."
        if readings is not None:
            yield _circuit_sentences(report, readings)
    elif readings is not None:
        sensor = readings.circuit.sensor
        yield (
            f"{name}, with {_wiring_text(readings.wiring)}, behind a pull-up of "
            f"{_ohms_given(sensor.pull_up)} at {sensor.supply:g} V:"
        )
    if report.given:
        values = (_signal_value(report.definition, name, value) for name, value in report.given.items())
        yield f"At {', '.join(values)}."
    yield from _plausibility_sentences(report)


def _plausibility_sentences(report: FaultReport) -> Iterator[str]:
    for name, value in report.given.items():
        if question := plausibility_question(report.definition.signals[name], value):
            yield question
    limits = plausible_range(report.signal)
    if report.is_true_implausible:
        yield f"The true value is outside the plausible range of {limits}; is this intended?"
    if report.is_false_implausible:
        yield (
            f"The reading is outside the plausible range of {limits}; the control unit may reject it and go "
            "on with a substitute."
        )


def _circuit_sentences(report: FaultReport, readings: WiringReadings) -> str:
    sensor, measurement = readings.circuit.sensor, readings.measurement
    sentence = (
        f"At {_value(report.true[0], report.signal.unit)} the sensor has {_ohms(measurement.ohms[0])}; with "
        f"{_wiring_text(readings.wiring)} the control unit sees {_ohms(measurement.seen_ohms[0])}, "
        f"{measurement.seen_volts[0]:.3f} V in place of {measurement.volts[0]:.3f} V behind its pull-up of "
        f"{_ohms_given(sensor.pull_up)} at {sensor.supply:g} V."
    )
    return f"{sentence} {_beyond_curve_sentence(readings)}".rstrip()


def _beyond_curve_sentence(readings: WiringReadings) -> str:
    """Whether voltages, all or some of them, lie beyond the sensor's curve; "" if none does."""
    if not readings.is_beyond_curve.any():
        return ""
    where = "The voltage" if readings.is_beyond_curve.all() else "In part of this range the voltage"
    return f"{where} is outside {readings.circuit.sensor.curve}, which holds the reading at its end."


def _wiring_text(wiring: Wiring) -> str:
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


def _print_readings(report: FaultReport, terminal: Terminal) -> None:
    """Print a row for each round true value, from the sensor to the reading, if there are several."""
    readings = report.wiring_readings
    if len(report.true) == 1 or readings is None:
        return
    measurement, unit = readings.measurement, fmt.unit_word(report.signal.unit)
    rows = [("true", "sensor", "is seen as", "in place of", "voltage", "read as")]
    rows += [(unit, "Ω", "Ω", "V", "V", unit)]
    rows += [
        (
            _digits(report.true[index]),
            _ohms_alone(measurement.ohms[index]),
            _ohms_alone(measurement.seen_ohms[index]),
            f"{measurement.volts[index]:.3f}",
            f"{measurement.seen_volts[index]:.3f}",
            fmt.number(float(measurement.reading[index]), report.reading_conversion),
        )
        for index in report.round_readings(_STEPS)
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = (text.rjust(columns) for text, columns in zip(row, widths, strict=True))
        terminal.print(line(f"{_INDENT}{'  '.join(cells)}"))
    if sentence := _beyond_curve_sentence(readings):
        _print_prose(sentence, terminal)


def _ohms(value: float) -> str:
    return "an open line" if math.isinf(value) else f"{_ohms_alone(value)} Ω"


def _ohms_alone(value: float) -> str:
    """Ohms that are computed from a curve, in as many digits as the curve supports."""
    if math.isinf(value):
        return "open"
    return f"{value:,.0f}" if value >= 1000 or value == 0 else f"{value:.1f}"


def _ohms_given(value: float) -> str:
    return f"{value:,.12g} Ω"


def _digits(value: float) -> str:
    """A value as it was given or as it is on an axis, without the noise of a calculation."""
    return fmt.plain(float(f"{value:.7g}"))


def _value(value: float, unit: str) -> str:
    return fmt.with_unit(_digits(value), unit)


def _reading(report: FaultReport, value: float) -> str:
    conversion = report.reading_conversion
    text = _digits(value) if conversion is PLAIN else fmt.number(float(value), conversion)
    return fmt.with_unit(text, report.signal.unit)


def _signal_value(definition: Definition, name: str, value: float) -> str:
    return f"{name} {_value(value, definition.signals[name].unit if name in definition.signals else '')}"


def _effect_text(report: FaultReport, effect: FaultEffect) -> str:
    definition, table = report.definition, effect.table
    unit, conversion = definition.unit_of(table), definition.conversion_of(table)
    if math.isnan(effect.true) and math.isnan(effect.false):
        return "off by either reading"
    if effect.true == effect.false:
        return "no difference"
    old, new, difference = fmt.format_change(effect.true, effect.false, conversion, table.storage)
    if math.isnan(effect.true):
        text = f"switched on{_extent(effect)}: off becomes {fmt.with_unit(new, unit)}"
    elif math.isnan(effect.false):
        text = f"switched off{_extent(effect)}: {fmt.with_unit(old, unit)} becomes off"
    elif isinstance(conversion, States):
        text = f"{old} becomes {new}"
    else:
        text = f"{old} becomes {fmt.with_unit(new, unit)} ({difference}, {_share(effect)} of its span)"
    place = []
    if len(report.true) > 1:
        true = _value(report.true[effect.reading], report.signal.unit)
        place.append(f"a true {report.signal.name} of {true}")
    place += [
        _signal_value(definition, name, value)
        for name, value in effect.at.items()
        if name not in report.given
    ]
    if place:
        text += f" at {', '.join(place)}"
    if effect.via:
        text += f"; through {', '.join(effect.via)}"
    return text


def _extent(effect: FaultEffect) -> str:
    if effect.points == 1:
        return ""
    return " everywhere" if effect.switched == effect.points else " in part of the range"


def _share(effect: FaultEffect) -> str:
    return f"{100 * effect.share:.0f} %" if effect.share >= SLIGHT else "less than 1 %"


def _threshold_text(report: FaultReport, threshold: Threshold) -> str:
    definition, table = report.definition, threshold.table
    conversion, unit = definition.conversion_of(table), definition.unit_of(table)
    if math.isnan(threshold.value):
        return "off"
    value = fmt.quantity(threshold.value, conversion, unit, table.storage)
    readings = f"{_span(threshold.false, unit)} is read in place of {_span(threshold.true, unit)}"
    if not threshold.is_crossed:
        return f"{value} is not crossed; {readings}"
    outcome = "a fault may be set" if table.purpose is Purpose.DIAGNOSIS else "what it decides changes"
    return f"{value} is crossed: {readings}; {outcome}"


def _uncrossed_sentences(report: FaultReport) -> Iterator[str]:
    definition = report.definition
    listed = []
    for threshold in report.uncrossed:
        conversion, unit = definition.conversion_of(threshold.table), definition.unit_of(threshold.table)
        storage = threshold.table.storage
        is_off = math.isnan(threshold.value)
        value = "off" if is_off else fmt.quantity(threshold.value, conversion, unit, storage)
        listed.append(f"{threshold.table.name} ({value})")
    if listed:
        noun = "Threshold" if len(listed) == 1 else "Thresholds"
        yield f"{noun} not crossed: {', '.join(listed)}."


def _span(ends: tuple[float, float], unit: str) -> str:
    low, high = (fmt.plain(float(f"{end:.4g}")) for end in ends)
    return fmt.with_unit(low if low == high else f"{low} to {high}", unit)


def _closing(report: FaultReport, slight: int) -> Iterator[str]:
    """What is left out and how to read the report; ``slight`` is the number of effects left out."""
    if not report.effects and not report.unreadable:
        if report.is_selection:
            yield f"{report.signal.name} reaches none of the selected tables."
        else:
            yield f"{report.signal.name} reaches no table."
    if slight:
        verb, them = ("changes", "it") if slight == 1 else ("change", "them")
        yield f"{fmt.count(slight, 'more table')} hardly {verb}; --all shows {them}."
    if report.effects and slight < len(report.effects):
        sentence = "A table's span is the distance between its smallest and its largest cell."
        if report.has_free_signals or len(report.true) > 1:
            sentence += (
                " Each table is shown where it differs most within the operating ranges of the signals."
            )
        yield sentence
    for name, rivals in report.rivals.items():
        listed = ", ".join(table.name for table in rivals)
        yield f"callint does not follow {listed}, which may also make {name}."
    yield from unreadable_sentences(report.unreadable)
    yield CAUTION
