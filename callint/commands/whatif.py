"""callint whatif."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import click
import numpy as np

from callint import fmt
from callint.cli.image_loading import DefinitionResolver, read_content, table_selection, workspace_for
from callint.cli.operating_point_option import number, parse_point
from callint.comparing.fault_report import FaultReport
from callint.comparing.sensor_faults import ComparedSignal, FalseReading, SensorFault
from callint.decoding.decode import Decoded
from callint.decoding.round_numbers import round_values
from callint.decoding.sensors import Circuit, UnusableSensorError, Wiring, circuit
from callint.decoding.signal_graph import CycleError, ReachedTables, reached_tables, signals_of
from callint.decoding.signal_names import signal_named
from callint.decoding.surfaces import Surface, obstacle, surface
from callint.model.change import Numbers
from callint.model.definition import Definition, Sensor, Signal
from callint.model.errors import InputError
from callint.reporting.whatif.text import print_fault_report
from callint.rules.context import CheckContext

#: Into so many stretches the range of the true signal is cut, and so many breakpoints on it count at most.
_STRETCHES, _MOST_BREAKPOINTS = 100, 1000
#: What is less than the one is a piece of wire, and what is more than the other is none at all.
_LEAST_OHMS, _MOST_OHMS = 1e-3, 1e9


@dataclass(frozen=True, slots=True)
class _WhatIfOptions:
    """The options that say what is read in place of what."""

    true: str | None
    reads: str | None
    signal: str | None
    series: str | None
    parallel: str | None
    is_open: bool
    is_shorted: bool

    @property
    def is_wired(self) -> bool:
        return self.is_open or self.is_shorted or self.is_resistor

    @property
    def is_resistor(self) -> bool:
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
def command(
    image: str,
    true: str | None,
    reads: str | None,
    signal: str | None,
    series: str | None,
    parallel: str | None,
    is_open: bool,
    is_shorted: bool,
    at: tuple[str, ...],
    globs: tuple[str, ...],
    everything: bool,
    definition: str | None,
    policy: str | None,
    form: str,
) -> int:
    """Show how the output of every table in IMAGE changes if the control unit misreads a signal.

    --true intake_air_temp=35 --reads -20 gives both values. With --series-resistor, --parallel-resistor,
    --open or --short, callint computes the false reading from the sensor's circuit and its curve in the
    image: for the --true value, or with --signal for every value in the signal's operating range. The result
    includes tables that the signal reaches through other tables.
    """
    workspace = workspace_for(policy, definition, image)
    content = read_content(workspace, image)
    subjects = DefinitionResolver(workspace, definition)
    subject = subjects.of(content)
    case = CheckContext(subject, subjects.image(subject, content))
    wishes = _WhatIfOptions(true, reads, signal, series, parallel, is_open, is_shorted)
    given = parse_point(case.definition, ",".join(at)) if at else {}
    outlook = _outlook(case, content.name, wishes, given)
    if globs:
        outlook = outlook.only(table_selection(case.definition, globs))
    if form == "json":
        from callint.reporting.whatif.json import whatif_json

        sys.stdout.write(whatif_json(subject.file.path, outlook))
    else:
        from callint.reporting.terminal import console

        print_fault_report(outlook, console(sys.stdout), everything or bool(globs))
    return 0


def _outlook(case: CheckContext, name: str, wishes: _WhatIfOptions, given: dict[str, float]) -> FaultReport:
    definition, decoded = case.definition, case.new
    signal, value = _subject(definition, wishes)
    wiring, found = None, None
    if wishes.is_wired:
        if wishes.reads is not None:
            raise InputError("--reads excludes a resistor, --open and --short; use only one")
        wiring, found = _wiring(wishes), _circuit(definition, decoded, signal)
        true = _true_values(decoded, signal, found) if value is None else np.array([value])
        low, high = found.range
        if value is not None and not low <= value <= high:
            raise InputError(
                f"--true {wishes.true}: the sensor's curve reads {fmt.plain(low)} to "
                f"{fmt.with_unit(fmt.plain(high), signal.unit)}; "
                "choose a value between, or give --reads"
            )
        false = found.measured(true, wiring).reading
    elif value is None or wishes.reads is None:
        raise InputError("--true SIGNAL=VALUE needs --reads VALUE, a resistor, --open or --short; add one")
    else:
        true, false = (
            np.array([value]),
            np.array([number(wishes.reads, f"--reads {wishes.reads}", signal.unit)]),
        )
    try:
        reached = reached_tables(definition, signal.name)
    except CycleError as error:
        raise InputError(f"{case.file.path}: {error}, in a circle; correct what they produce") from None
    for other in given:
        if other == signal.name:
            raise InputError(f"--at {other}: this is the false signal itself; remove it")
        if other in reached.producers:
            maker = reached.producers[other].name
            raise InputError(f"--at {other}: {maker} derives this signal from the reading; remove it")
    tables = [*reached.tables, *(table for table in definition.tables.values() if table.signal is not None)]
    surfaces = {
        table.name: one
        for table in tables
        if table.name in decoded.layout.table_items
        and (one := surface(decoded, table)) is not None
        and one.grid.present.all()
    }
    misreading = SensorFault(definition, surfaces, reached, FalseReading(signal.name, true, false), given)
    watched = _watched(definition, signal, true, false, found, wiring)
    return FaultReport(
        name,
        definition,
        signal,
        true,
        false,
        misreading.effects(),
        list(misreading.thresholds(watched)),
        given,
        _obstacles(decoded, reached, misreading.unread),
        reached.other_producers,
        wiring,
        found,
    )


def _obstacles(decoded: Decoded, reached: ReachedTables, unread: tuple[str, ...]) -> dict[str, str]:
    """Why nothing can be said of some tables: what is wrong with them, or with those that feed them."""
    definition, found = decoded.layout.definition, {}
    for name in unread:
        table = definition.tables[name]
        if name not in decoded.layout.table_items:
            found[name] = "the definition does not describe them whole"
        elif words := obstacle(decoded, table):
            found[name] = words
        else:
            feeding = [
                reached.producers[one] for one in signals_of(definition, table) if one in reached.producers
            ]
            listed = " and ".join(maker.name for maker in feeding if maker.name in unread)
            found[name] = f"nothing can be said of {listed}, by way of which they are reached"
    return found


def _watched(
    definition: Definition,
    signal: Signal,
    true: Numbers,
    false: Numbers,
    found: Circuit | None,
    wiring: Wiring | None,
) -> dict[str, ComparedSignal]:
    """What scalars may be compared with: the signal, and the voltage that it is worked out from."""
    watched = {signal.name: ComparedSignal(signal.unit, true, false)}
    if found is not None and wiring is not None:
        (name,) = found.curve.signals
        measured = found.measured(true, wiring)
        watched.setdefault(name, ComparedSignal("V", measured.volts, measured.seen_volts))
    return watched


def _subject(definition: Definition, wishes: _WhatIfOptions) -> tuple[Signal, float | None]:
    """The signal, and its true value where one is given."""
    if wishes.true is not None:
        if wishes.signal is not None:
            raise InputError("--true and --signal exclude each other; use only one")
        point = parse_point(definition, wishes.true, "--true")
        if len(point) > 1:
            raise InputError(f"--true {wishes.true}: only one signal can be false; pass the others with --at")
        ((name, value),) = point.items()
        return definition.signals[name], value
    if wishes.signal is None:
        raise InputError("missing --true SIGNAL=VALUE or --signal SIGNAL; name the misread signal")
    return signal_named(definition, wishes.signal, "--signal"), None


def _wiring(wishes: _WhatIfOptions) -> Wiring:
    if sum((wishes.is_open, wishes.is_shorted, wishes.is_resistor)) > 1:
        raise InputError("--open, --short and resistors exclude each other; use only one")
    found = {}
    for option, text in (("--series-resistor", wishes.series), ("--parallel-resistor", wishes.parallel)):
        if text is not None:
            found[option] = number(text, f"{option} {text}", "ohms, as in 2200")
            if not _LEAST_OHMS <= found[option] <= _MOST_OHMS:
                raise InputError(
                    f"{option} {text}: a resistor has {_LEAST_OHMS:g} to {_MOST_OHMS:,.0f} ohms; correct it, "
                    "or give --open or --short"
                )
    return Wiring(
        found.get("--series-resistor", 0.0),
        found.get("--parallel-resistor", math.inf),
        wishes.is_open,
        wishes.is_shorted,
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
    found = surface(decoded, table) if table and table.name in decoded.layout.table_items else None
    if table is None or found is None or table.x is None:
        raise UnusableSensorError(f"its curve {sensor.curve} cannot be read")
    if definition.unit_of(table) != definition.signals[sensor.signal].unit:
        raise UnusableSensorError(f"its curve {sensor.curve} has another unit")
    return found, definition.unit_of(definition.axes[table.x])


def _true_values(decoded: Decoded, signal: Signal, found: Circuit) -> Numbers:
    """What the signal may really be, as far as its sensor can read: round values, and breakpoints on it."""
    low, high = found.range
    usual = signal.operating or signal.plausible
    if usual is not None:
        low, high = max(low, usual.low), min(high, usual.high)
        if low > high:
            raise InputError(
                f"--signal {signal.name}: the sensor's curve reads nothing of the operating range; "
                "give --true SIGNAL=VALUE"
            )
    axes = decoded.layout.definition.axes
    values = [decoded.breakpoints(name) for name, axis in axes.items() if axis.signal == signal.name]
    breakpoints = np.unique(np.concatenate([np.zeros(0), *values]))
    breakpoints = breakpoints[(breakpoints >= low) & (breakpoints <= high)]
    if len(breakpoints) > _MOST_BREAKPOINTS:
        breakpoints = breakpoints[:: math.ceil(len(breakpoints) / _MOST_BREAKPOINTS)]
    every: Numbers = np.unique(np.concatenate([breakpoints, round_values(low, high, _STRETCHES)]))
    return every
