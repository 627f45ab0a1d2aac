"""callint whatif."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import click
import numpy as np

from callint import fmt
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.name_selection import table_selection
from callint.cli.operating_point_option import number, parse_point
from callint.cli.options import as_options
from callint.cli.progress import progress
from callint.comparing.fault_report import FaultReport, obstacles
from callint.comparing.sensor_faults import ComparedSignal, FalseReading, SensorFault
from callint.decoding.decode import Decoded
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.round_numbers import round_values
from callint.decoding.sensors import Circuit, UnusableSensorError, Wiring, circuit
from callint.decoding.signal_graph import CycleError, ReachedTables, reached_tables
from callint.decoding.signal_names import signal_named
from callint.decoding.surfaces import Surface, surface
from callint.model.change import Numbers
from callint.model.definition import Definition, Sensor, Signal
from callint.model.errors import InputError
from callint.reporting.whatif.text import print_fault_report

#: The number of steps in the range of the true signal, and the most breakpoints that are tried besides.
_STEPS, _MAX_BREAKPOINTS = 100, 1000
#: From this number of tables on, a progress bar is useful.
_LONG = 100
#: Less resistance is a piece of wire, and more is an open circuit.
_MIN_OHMS, _MAX_OHMS = 1e-3, 1e9


@dataclass(frozen=True, slots=True)
class WhatIfOptions:
    """The arguments and options of callint whatif."""

    image: str
    true: str | None
    reads: str | None
    signal: str | None
    series: str | None
    parallel: str | None
    is_open: bool
    is_shorted: bool
    at: tuple[str, ...]
    globs: tuple[str, ...]
    everything: bool
    definition: str | None
    policy: str | None
    form: str

    @property
    def has_wiring(self) -> bool:
        return self.is_open or self.is_shorted or self.has_resistor

    @property
    def has_resistor(self) -> bool:
        return self.series is not None or self.parallel is not None


@click.command()
@click.argument("image")
@click.option("--true", "true", metavar="SIGNAL=VALUE", help="True value of the signal.")
@click.option("--reads", metavar="VALUE", help="Value that the control unit reads instead.")
@click.option("--signal", metavar="SIGNAL", help="Try every value that the sensor of SIGNAL can read.")
@click.option("--series-resistor", "series", metavar="OHM", help="Resistor in series with the sensor.")
@click.option("--parallel-resistor", "parallel", metavar="OHM", help="Resistor in parallel with the sensor.")
@click.option("--open", "is_open", is_flag=True, help="The sensor wire is broken.")
@click.option("--short", "is_shorted", is_flag=True, help="The sensor wire is shorted.")
@click.option(
    "--at",
    "at",
    multiple=True,
    metavar="SIGNAL=VALUE,...",
    help="Values of other signals (default: their operating ranges).",
)
@click.option(
    "-t", "--table", "globs", multiple=True, metavar="GLOB", help="Show only tables that match GLOB."
)
@click.option("--all", "everything", is_flag=True, help="Also show tables whose output hardly changes.")
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@as_options(WhatIfOptions)
def command(options: WhatIfOptions) -> int:
    """Show how the output of every table in IMAGE changes if the control unit misreads a signal.

    --true intake_air_temp=35 --reads -20 gives both values. With --series-resistor, --parallel-resistor,
    --open or --short, callint computes the false reading from the sensor's circuit and its curve in the
    image: for the --true value, or with --signal for every value in the signal's operating range. The result
    includes tables that the signal reaches through other tables.
    """
    workspace = workspace_for(options.policy, options.definition, options.image)
    content = read_content(workspace, options.image)
    resolver = DefinitionResolver(workspace, options.definition)
    loaded = resolver.resolve(content)
    decoded = loaded.decoded(resolver.read_image(loaded, content))
    report = _report(loaded, decoded, content.name, options)
    if options.globs:
        report = report.only(table_selection(loaded.definition, options.globs))
    if options.form == "json":
        from callint.reporting.whatif.json import whatif_json

        sys.stdout.write(whatif_json(loaded.file.path, report))
    else:
        from callint.reporting.terminal import console

        print_fault_report(report, console(sys.stdout), options.everything or bool(options.globs))
    return 0


@dataclass(frozen=True, slots=True)
class _Fault:
    """The misread signal: true values and the readings instead, same length; the sensor's circuit if used."""

    signal: Signal
    true: Numbers
    false: Numbers
    wiring: Wiring | None = None
    circuit: Circuit | None = None


def _report(loaded: LoadedDefinition, decoded: Decoded, name: str, options: WhatIfOptions) -> FaultReport:
    definition = loaded.definition
    fixed = parse_point(definition, ",".join(options.at)) if options.at else {}
    fault = _fault(decoded, options)
    signal = fault.signal
    try:
        reached = reached_tables(definition, signal.name)
    except CycleError as error:
        raise InputError(f"{loaded.file.path}: {error}, in a cycle; correct what they produce") from None
    _check_fixed(fixed, signal, reached)
    surfaces = _surfaces(decoded, reached)
    reading = FalseReading(signal.name, fault.true, fault.false)
    sensor_fault = SensorFault(definition, surfaces, reached, reading, fixed)
    with progress("following the signal", len(reached.tables), _LONG) as step:
        effects = sensor_fault.effects(step)
    return FaultReport(
        name,
        definition,
        signal,
        fault.true,
        fault.false,
        effects,
        list(sensor_fault.thresholds(_watched(definition, fault))),
        fixed,
        obstacles(decoded, reached, sensor_fault.unread),
        reached.other_producers,
        fault.wiring,
        fault.circuit,
    )


def _fault(decoded: Decoded, options: WhatIfOptions) -> _Fault:
    """The misread signal with its true and false values; InputError if options are missing or conflict."""
    definition = decoded.layout.definition
    signal, value = _misread_signal(definition, options)
    if not options.has_wiring:
        if value is None or options.reads is None:
            raise InputError(
                "--true SIGNAL=VALUE needs --reads VALUE, a resistor, --open or --short; add one"
            )
        reading = number(options.reads, f"--reads {options.reads}", signal.unit)
        return _Fault(signal, np.array([value]), np.array([reading]))
    if options.reads is not None:
        raise InputError("--reads excludes a resistor, --open and --short; use only one")
    wiring, sensor_circuit = _wiring(options), _circuit(definition, decoded, signal)
    true = _true_values(decoded, signal, sensor_circuit) if value is None else np.array([value])
    low, high = sensor_circuit.range
    if value is not None and not low <= value <= high:
        raise InputError(
            f"--true {options.true}: the sensor's curve reads {fmt.plain(low)} to "
            f"{fmt.with_unit(fmt.plain(high), signal.unit)}; "
            "choose a value between, or give --reads"
        )
    return _Fault(signal, true, sensor_circuit.measured(true, wiring).reading, wiring, sensor_circuit)


def _check_fixed(fixed: dict[str, float], signal: Signal, reached: ReachedTables) -> None:
    """InputError if --at fixes the misread signal, or a signal that a table derives from it."""
    for name in fixed:
        if name == signal.name:
            raise InputError(f"--at {name}: this is the false signal itself; remove it")
        if name in reached.producers:
            producer = reached.producers[name].name
            raise InputError(f"--at {name}: {producer} derives this signal from the reading; remove it")


def _surfaces(decoded: Decoded, reached: ReachedTables) -> dict[str, Surface]:
    """The complete tables that the signal reaches or that produce any signal, as surfaces by name."""
    definition = decoded.layout.definition
    tables = [*reached.tables, *(table for table in definition.tables.values() if table.signal is not None)]
    surfaces = {}
    for table in tables:
        if table.name in decoded.layout.table_items:
            table_surface = surface(decoded, table)
            if table_surface is not None and table_surface.grid.present.all():
                surfaces[table.name] = table_surface
    return surfaces


def _watched(definition: Definition, fault: _Fault) -> dict[str, ComparedSignal]:
    """What scalars may be compared with: the signal, and the voltage from which it is computed."""
    signal = fault.signal
    watched = {signal.name: ComparedSignal(signal.unit, fault.true, fault.false)}
    if fault.circuit is not None and fault.wiring is not None:
        (name,) = fault.circuit.curve.signals
        measured = fault.circuit.measured(fault.true, fault.wiring)
        watched.setdefault(name, ComparedSignal("V", measured.volts, measured.seen_volts))
    return watched


def _misread_signal(definition: Definition, options: WhatIfOptions) -> tuple[Signal, float | None]:
    """The misread signal, and its true value if --true gives one."""
    if options.true is not None:
        if options.signal is not None:
            raise InputError("--true and --signal exclude each other; use only one")
        point = parse_point(definition, options.true, "--true")
        if len(point) > 1:
            raise InputError(
                f"--true {options.true}: only one signal can be false; pass the others with --at"
            )
        ((name, value),) = point.items()
        return definition.signals[name], value
    if options.signal is None:
        raise InputError("missing --true SIGNAL=VALUE or --signal SIGNAL; name the misread signal")
    return signal_named(definition, options.signal, "--signal"), None


def _wiring(options: WhatIfOptions) -> Wiring:
    if sum((options.is_open, options.is_shorted, options.has_resistor)) > 1:
        raise InputError("--open, --short and resistors exclude each other; use only one")
    ohms = {}
    for option, text in (("--series-resistor", options.series), ("--parallel-resistor", options.parallel)):
        if text is not None:
            ohms[option] = number(text, f"{option} {text}", "ohms, as in 2200")
            if not _MIN_OHMS <= ohms[option] <= _MAX_OHMS:
                raise InputError(
                    f"{option} {text}: a resistor has {_MIN_OHMS:g} to {_MAX_OHMS:,.0f} ohms; correct it, "
                    "or give --open or --short"
                )
    return Wiring(
        ohms.get("--series-resistor", 0.0),
        ohms.get("--parallel-resistor", math.inf),
        options.is_open,
        options.is_shorted,
    )


def _circuit(definition: Definition, decoded: Decoded, signal: Signal) -> Circuit:
    sensor = next((sensor for sensor in definition.sensors if sensor.signal == signal.name), None)
    if sensor is None:
        raise InputError(
            f"{signal.name}: the definition does not describe its sensor; add a <sensor>, or pass --reads"
        )
    try:
        return circuit(sensor, *_curve(definition, decoded, sensor))
    except UnusableSensorError as error:
        raise InputError(f"{signal.name}: {error}; correct the definition, or give --reads") from None


def _curve(definition: Definition, decoded: Decoded, sensor: Sensor) -> tuple[Surface, str]:
    table = definition.tables.get(sensor.curve)
    curve = surface(decoded, table) if table and table.name in decoded.layout.table_items else None
    if table is None or curve is None or table.x is None:
        raise UnusableSensorError(f"its curve {sensor.curve} cannot be read")
    if definition.unit_of(table) != definition.signals[sensor.signal].unit:
        raise UnusableSensorError(f"its curve {sensor.curve} has another unit")
    return curve, definition.unit_of(definition.axes[table.x])


def _true_values(decoded: Decoded, signal: Signal, sensor_circuit: Circuit) -> Numbers:
    """The true values to try: round values and breakpoints within the ranges of signal and sensor."""
    low, high = sensor_circuit.range
    limits = signal.operating or signal.plausible
    if limits is not None:
        low, high = max(low, limits.low), min(high, limits.high)
        if low > high:
            raise InputError(
                f"--signal {signal.name}: the sensor's curve reads nothing of the operating range; "
                "give --true SIGNAL=VALUE"
            )
    axes = decoded.layout.definition.axes
    values = [decoded.breakpoints(name) for name, axis in axes.items() if axis.signal == signal.name]
    breakpoints = np.unique(np.concatenate([np.zeros(0), *values]))
    breakpoints = breakpoints[(breakpoints >= low) & (breakpoints <= high)]
    if len(breakpoints) > _MAX_BREAKPOINTS:
        breakpoints = breakpoints[:: math.ceil(len(breakpoints) / _MAX_BREAKPOINTS)]
    true: Numbers = np.unique(np.concatenate([breakpoints, round_values(low, high, _STEPS)]))
    return true
