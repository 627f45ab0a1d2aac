"""Reading definition files: the whole format by example, and files that are not what they should be."""

from __future__ import annotations

import dataclasses
import functools
import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from callint.decoding.layout import make_layout
from callint.model.cell_demands import OffAllowed
from callint.model.definition import (
    ByteOrder,
    Crc,
    Definition,
    FixedAxis,
    Interpolated,
    Kind,
    Linear,
    NumberType,
    Purpose,
    Range,
    Rational,
    States,
    StoredAxis,
    Table,
)
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.finding import Finding, Severity
from callint.model.translation import Titled
from callint.reading import xml
from callint.reading.definition import read_definition
from callint.reading.definition_bounds import (
    MAX_ALL_BREAKPOINTS,
    MAX_BREAKPOINTS,
    MAX_CELLS,
    MAX_MEMORY,
)
from callint.reading.definition_file import DefinitionFile
from tests.building import definition_xml, findings
from tests.example_counts import examples

EXAMPLE = (Path(__file__).parent / "data" / "example.xml").read_bytes()
SCHEMA = Path(__file__).resolve().parent.parent / "schemas" / "definition.xsd"
XS = "{http://www.w3.org/2001/XMLSchema}"


def read(data: bytes) -> DefinitionFile:
    return read_definition(data, "example.xml")


@functools.cache
def example() -> Definition:
    file = read(EXAMPLE)
    assert file.definition is not None and not file.problems
    return file.definition


def edited(old: str, new: str) -> bytes:
    """The example with one part of its text replaced, which must occur once."""
    assert EXAMPLE.count(old.encode()) == 1, old
    return EXAMPLE.replace(old.encode(), new.encode())


def only_problem(data: bytes) -> Finding:
    """The one thing that is wrong with the form of a file."""
    (problem,) = problems(data)
    return problem


def problems(data: bytes) -> tuple[Finding, ...]:
    """What is wrong with the form of a file: one line of text each, at a line of the file."""
    result = read(data).problems
    for problem in result:
        assert problem.rule == "definition/invalid" and problem.definition == "example.xml"
        assert problem.line is not None and 1 <= problem.line <= data.count(b"\n") + 1
        assert problem.message.isprintable()
    return result


# The whole format


def test_the_example_has_no_findings_at_all() -> None:
    assert read(EXAMPLE).problems == ()
    assert findings(EXAMPLE) == []


def table(name: str) -> Callable[[Definition], Table]:
    return lambda definition: definition.tables[name]


def stored_axis(definition: Definition, name: str) -> StoredAxis:
    axis = definition.axes[name]
    assert isinstance(axis, StoredAxis)
    return axis


def fixed_axis(definition: Definition, name: str) -> FixedAxis:
    axis = definition.axes[name]
    assert isinstance(axis, FixedAxis)
    return axis


def derived_axis(definition: Definition, name: str) -> DerivedAxis:
    axis = definition.axes[name]
    assert isinstance(axis, DerivedAxis)
    return axis


def linear(definition: Definition, name: str) -> Linear:
    conversion = definition.conversions[name]
    assert isinstance(conversion, Linear)
    return conversion


def rational(definition: Definition) -> Rational:
    conversion = definition.conversions["period_to_speed"]
    assert isinstance(conversion, Rational)
    return conversion


def states(definition: Definition) -> States:
    conversion = definition.conversions["on_off"]
    assert isinstance(conversion, States)
    return conversion


def interpolated(definition: Definition) -> Interpolated:
    conversion = definition.conversions["sensor"]
    assert isinstance(conversion, Interpolated)
    return conversion


def limits(definition: Definition, name: str) -> Range:
    result = definition.tables[name].demands.limits
    assert result is not None
    return result


def expected(definition: Definition, name: str) -> Range:
    result = definition.tables[name].demands.expected
    assert result is not None
    return result


def off(definition: Definition, name: str) -> tuple[int, OffAllowed]:
    result = definition.tables[name].demands.off
    assert result is not None
    return result.raw, result.allowed


def falling(definition: Definition, *axes: str) -> list[bool]:
    return [definition.axes[name].falling for name in axes]


def count_of(definition: Definition, axis: str) -> tuple[int, NumberType, ByteOrder]:
    result = stored_axis(definition, axis).stored_count
    assert result is not None
    return result.at, result.storage.type, result.storage.byte_order


def crc(definition: Definition) -> Crc:
    result = definition.memory.checksums[2].crc
    assert result is not None
    return result


BIG, LITTLE = ByteOrder.BIG, ByteOrder.LITTLE
OWN = "boost_demand/x"

Check = tuple[Callable[[Definition], object], object]

#: What the model must hold for every element and attribute of the example: "element/@attribute", and
#: "element/text()" for text; "own axis" is one that stands inside the x or y of its table.
#: The attribute of XML itself that names a language: the schema lets it through, and the reader checks it.
LANGUAGE = "{http://www.w3.org/XML/1998/namespace}lang"


def names_of(definition: Definition, kind: Titled) -> list[str]:
    """The names of the elements of a kind that have a title in another language."""
    return [item.name for item in definition.translations if item.kind is kind]


EXPECTED: dict[str, Check] = {
    "definition/@name": (lambda d: d.name, "skerry-28"),
    "definition/@revision": (lambda d: d.revision, 4),
    "definition/@byte-order": (lambda d: d.tables["overspeed_cut"].storage.byte_order, BIG),
    "title/text()": (lambda d: d.title, "Skerry 28 engine controller, software SK28-0412 (fictional)"),
    # Memory
    "memory/@start": (lambda d: d.memory.start, 0),
    "memory/@size": (lambda d: d.memory.size, 512 * 1024),
    "memory/@fill": (lambda d: d.memory.fill, 255),
    "region/@name": (lambda d: [region.name for region in d.memory.regions], ["calibration"]),
    "region/@start": (lambda d: d.memory.regions[0].start, 0x40000),
    "region/@size": (lambda d: d.memory.regions[0].size, 0x20000),
    "identity/@name": (
        lambda d: [identity.name for identity in d.memory.identities],
        ["software number", "hardware number"],
    ),
    "identity/@at": (lambda d: [identity.at for identity in d.memory.identities], [0x5FFE0, 0x5FFF0]),
    "identity/@text": (lambda d: d.memory.identities[0].content, b"SK28-0412"),
    "identity/@bytes": (lambda d: d.memory.identities[1].content, b"SK-1"),
    "checksum/@name": (
        lambda d: [checksum.name for checksum in d.memory.checksums],
        ["calibration", "code", "boot"],
    ),
    "checksum/@algorithm": (
        lambda d: [checksum.algorithm for checksum in d.memory.checksums],
        ["CRC-32/ISO-HDLC", "sum16", "crc"],
    ),
    "checksum/@start": (lambda d: [checksum.start for checksum in d.memory.checksums], [0x40000, 0x10000, 0]),
    "checksum/@size": (lambda d: [checksum.size for checksum in d.memory.checksums], [0x1FFD0, 8192, 0x8000]),
    "checksum/@stored-at": (
        lambda d: [checksum.stored_at for checksum in d.memory.checksums],
        [0x5FFFC, 0x12000, 0x8000],
    ),
    "checksum/@byte-order": (
        lambda d: [checksum.byte_order for checksum in d.memory.checksums],
        [BIG, LITTLE, BIG],
    ),
    "checksum/@complement": (
        lambda d: [checksum.complement for checksum in d.memory.checksums],
        [None, "twos", None],
    ),
    "checksum/@word": (
        lambda d: [checksum.word.type.name for checksum in d.memory.checksums],
        ["uint8", "uint16", "uint8"],
    ),
    "checksum/@word-order": (lambda d: d.memory.checksums[1].word.byte_order, BIG),
    "checksum/@gaps": (
        lambda d: [checksum.gap_fill for checksum in d.memory.checksums],
        [None, None, 0xFF],
    ),
    "checksum/@width": (lambda d: crc(d).width, 16),
    "checksum/@poly": (lambda d: crc(d).poly, 0x1021),
    "checksum/@init": (lambda d: crc(d).init, 0xFFFF),
    "checksum/@reflect-in": (lambda d: crc(d).reflect_in, True),
    "checksum/@reflect-out": (lambda d: crc(d).reflect_out, True),
    "checksum/@xorout": (lambda d: crc(d).xorout, 1),
    # Signals
    "signals": (lambda d: len(d.signals), 8),
    "signal/@name": (lambda d: list(d.signals)[:3], ["engine_speed", "intake_air_temp", "coolant_temp"]),
    "signal/@unit": (lambda d: d.signals["intake_air_temp"].unit, "degC"),
    "signal/@plausible": (lambda d: d.signals["intake_air_temp"].plausible, Range(-40, 130)),
    "signal/@operating": (
        lambda d: [d.signals[name].operating for name in ("intake_air_temp", "intake_air_volt")],
        [Range(5, 60), None],
    ),
    "signal/text()": (lambda d: d.signals["intake_air_temp"].title, "Intake air temperature"),
    "sensor/@signal": (lambda d: [sensor.signal for sensor in d.sensors], ["intake_air_temp"]),
    "sensor/@curve": (lambda d: d.sensors[0].curve, "intake_air_linearisation"),
    "sensor/@supply": (lambda d: d.sensors[0].supply, 5.0),
    "sensor/@pull-up": (lambda d: d.sensors[0].pull_up, 2490.0),
    # Conversions
    "conversions": (lambda d: len(d.conversions), 13),
    "linear/@name": (lambda d: linear(d, "temp").name, "temp"),
    "linear/@unit": (lambda d: linear(d, "temp").unit, "degC"),
    "linear/@factor": (lambda d: [linear(d, item).factor for item in ("temp", "speed")], [1.0, 0.25]),
    "linear/@offset": (lambda d: [linear(d, item).offset for item in ("temp", "speed")], [-40.0, 0.0]),
    "linear/@decimals": (lambda d: [linear(d, item).decimals for item in ("temp", "air")], [0, None]),
    "rational/@name": (lambda d: rational(d).name, "period_to_speed"),
    "rational/@unit": (lambda d: rational(d).unit, "rpm"),
    "rational/@decimals": (lambda d: rational(d).decimals, 1),
    "rational/@a": (lambda d: rational(d).coefficients[0], 0.0),
    "rational/@b": (lambda d: rational(d).coefficients[1], 0.0),
    "rational/@c": (lambda d: rational(d).coefficients[2], 1e6),
    "rational/@d": (lambda d: rational(d).coefficients[3], 0.0),
    "rational/@e": (lambda d: rational(d).coefficients[4], 1.0),
    "rational/@f": (lambda d: rational(d).coefficients[5], 0.0),
    "states/@name": (lambda d: states(d).name, "on_off"),
    "state/@raw": (lambda d: list(states(d).names), [0, 1]),
    "state/text()": (lambda d: list(states(d).names.values()), ["off", "on"]),
    "interpolated/@name": (lambda d: interpolated(d).name, "sensor"),
    "interpolated/@unit": (lambda d: interpolated(d).unit, "degC"),
    "interpolated/@decimals": (lambda d: interpolated(d).decimals, 1),
    "point/@raw": (lambda d: interpolated(d).raw, (12.0, 250.0)),
    "point/@physical": (lambda d: interpolated(d).physical, (140.0, -40.0)),
    # Axes
    "axes": (lambda d: len([name for name in d.axes if "/" not in name]), 11),
    "axis/@name": (lambda d: list(d.axes)[:3], ["release_iat", "release_ect", "speed_16"]),
    "axis/@signal": (lambda d: d.axes["release_ect"].signal, "coolant_temp"),
    "axis/@at": (lambda d: stored_axis(d, "release_ect").at, 0x4001B),
    "axis/@type": (lambda d: stored_axis(d, "release_ect").storage.type, NumberType.uint8),
    "axis/@conversion": (lambda d: stored_axis(d, "release_ect").conversion, "temp"),
    "axis/@count": (lambda d: [d.axes[item].count for item in ("release_ect", "speed_16")], [11, 16]),
    "axis/@byte-order": (
        lambda d: [stored_axis(d, item).storage.byte_order for item in ("release_ect", "speed_16")],
        [BIG, LITTLE],
    ),
    "axis/@stride": (
        lambda d: [stored_axis(d, item).storage.stride for item in ("air_mass_12", "speed_16")],
        [2, 4],
    ),
    "axis/@count-at": (lambda d: count_of(d, "release_ect"), (0x4000F, NumberType.uint8, BIG)),
    "axis/@count-type": (lambda d: count_of(d, "intake_air_volts"), (0x408B0, NumberType.uint32, BIG)),
    "axis/@order": (lambda d: falling(d, "fuel_6", "torque_6"), [True, False]),
    "fixed-axis/@order": (lambda d: falling(d, "idle_speeds", "gear"), [True, False]),
    "own axis/@order": (lambda d: d.axes[OWN].falling, True),
    "own fixed-axis/@order": (lambda d: d.axes["boost_ceiling/x"].falling, True),
    "fixed-axis/@name": (lambda d: fixed_axis(d, "gear").name, "gear"),
    "fixed-axis/@signal": (lambda d: fixed_axis(d, "idle_speeds").signal, "engine_speed"),
    "fixed-axis/@values": (lambda d: fixed_axis(d, "idle_speeds").values, (600.0, 750.0, 900.0)),
    "fixed-axis/@count": (lambda d: fixed_axis(d, "gear").count, 6),
    "fixed-axis/@start": (lambda d: fixed_axis(d, "gear").values[0], 1.0),
    "fixed-axis/@step": (lambda d: fixed_axis(d, "gear").values, (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)),
    "derived-axis/@name": (lambda d: derived_axis(d, "fuel_9").name, "fuel_9"),
    "derived-axis/@signal": (lambda d: derived_axis(d, "speed_3").signal, "engine_speed"),
    "derived-axis/@curve": (lambda d: derived_axis(d, "fuel_9").curve, "torque_to_fuel"),
    "derived-axis/@by": (
        lambda d: [derived_axis(d, item).derivation for item in ("fuel_9", "speed_3")],
        [Derivation.RESCALED, Derivation.INVERTED],
    ),
    "derived-axis/@count": (lambda d: [d.axes[item].count for item in ("fuel_9", "speed_3")], [9, 3]),
    "derived-axis/@order": (lambda d: falling(d, "speed_3", "fuel_9"), [True, False]),
    "own axis/@signal": (lambda d: d.axes[OWN].signal, "engine_speed"),
    "own axis/@at": (lambda d: stored_axis(d, OWN).at, 0x40940),
    "own axis/@type": (lambda d: stored_axis(d, OWN).storage.type, NumberType.int16),
    "own axis/@conversion": (lambda d: stored_axis(d, OWN).conversion, "speed"),
    "own axis/@count": (lambda d: stored_axis(d, OWN).count, 4),
    "own axis/@byte-order": (lambda d: stored_axis(d, OWN).storage.byte_order, LITTLE),
    "own axis/@stride": (lambda d: stored_axis(d, OWN).storage.stride, 3),
    "own axis/@count-at": (lambda d: count_of(d, OWN)[0], 0x40950),
    "own axis/@count-type": (lambda d: count_of(d, OWN)[1:], (NumberType.uint16, LITTLE)),
    "own fixed-axis/@signal": (lambda d: d.axes["egr_share/x"].signal, "gear"),
    "own fixed-axis/@values": (lambda d: fixed_axis(d, "egr_share/x").values, (1.0, 2.0, 3.5)),
    "own fixed-axis/@count": (lambda d: fixed_axis(d, "boost_ceiling/x").count, 4),
    "own fixed-axis/@start": (lambda d: fixed_axis(d, "boost_ceiling/x").values[0], 1000.0),
    "own fixed-axis/@step": (
        lambda d: fixed_axis(d, "boost_ceiling/x").values,
        (1000.0, 1750.5, 2501.0, 3251.5),
    ),
    # Tables
    "tables": (lambda d: (len(d.tables), len(d.texts)), (16, 2)),
    "group/@name": (
        lambda d: (list(d.groups), d.tables["smoke_limit"].group),
        (["egr", "limits", "sensors"], "limits"),
    ),
    "group/@title": (lambda d: d.groups["egr"].title, "Exhaust gas recirculation"),
    "map/@name": (lambda d: d.tables["smoke_limit"].name, "smoke_limit"),
    "map/@title": (lambda d: d.tables["smoke_limit"].title, "Fuel limit by air mass"),
    "map/@purpose": (lambda d: d.tables["smoke_limit"].purpose, Purpose.PROTECTION),
    "map/@at": (lambda d: d.tables["smoke_limit"].at, 0x40200),
    "map/@type": (lambda d: d.tables["smoke_limit"].storage.type, NumberType.uint16),
    "map/@conversion": (lambda d: d.tables["smoke_limit"].conversion, "quantity"),
    "map/@byte-order": (lambda d: d.tables["smoke_limit"].storage.byte_order, LITTLE),
    "map/@stride": (lambda d: d.tables["smoke_limit"].storage.stride, 2),
    "map/@mask": (lambda d: d.tables["egr_share"].storage.mask, 0x7F),
    "map/@order": (
        lambda d: [d.tables[item].y_first for item in ("egr_share", "smoke_limit")],
        [True, False],
    ),
    "map/@signal": (lambda d: d.tables["egr_share"].signal, "gear"),
    "map/@produces": (lambda d: d.tables["smoke_limit"].produces, "fuel"),
    "curve/@name": (
        lambda d: (d.tables["gear_share"].name, d.tables["gear_share"].kind),
        ("gear_share", Kind.CURVE),
    ),
    "curve/@title": (lambda d: d.tables["gear_share"].title, "Torque share by gear"),
    "curve/@purpose": (lambda d: d.tables["intake_air_linearisation"].purpose, Purpose.CORRECTION),
    "curve/@at": (lambda d: d.tables["intake_air_linearisation"].at, 0x40700),
    "curve/@type": (lambda d: d.tables["intake_air_linearisation"].storage.type, NumberType.int16),
    "curve/@conversion": (lambda d: d.tables["intake_air_linearisation"].conversion, "temp_tenths"),
    "curve/@produces": (lambda d: d.tables["intake_air_linearisation"].produces, "intake_air_temp"),
    "curve/@signal": (lambda d: d.tables["gear_share"].signal, "gear"),
    "curve/@byte-order": (lambda d: d.tables["gear_share"].storage.byte_order, BIG),
    "curve/@stride": (lambda d: d.tables["gear_share"].storage.stride, 2),
    "curve/@mask": (lambda d: d.tables["gear_share"].storage.mask, 0xFE),
    "scalar/@name": (lambda d: (d.tables["fan_on"].name, d.tables["fan_on"].kind), ("fan_on", Kind.SCALAR)),
    "scalar/@title": (lambda d: d.tables["overspeed_cut"].title, "Fuel cut-off speed"),
    "scalar/@purpose": (lambda d: d.tables["fan_on"].purpose, Purpose.DEMAND),
    "scalar/@at": (lambda d: d.tables["overspeed_cut"].at, 0x40600),
    "scalar/@type": (lambda d: d.tables["overspeed_cut"].storage.type, NumberType.uint16),
    "scalar/@conversion": (lambda d: d.tables["overboost_monitor"].conversion, "on_off"),
    "scalar/@signal": (lambda d: d.tables["overspeed_cut"].signal, "engine_speed"),
    "scalar/@unit-own": (
        lambda d: [d.tables[item].unit_own for item in ("fan_on", "idle_speed_b")],
        [False, True],
    ),
    "scalar/@produces": (lambda d: d.tables["fan_on"].produces, "coolant_temp"),
    "scalar/@byte-order": (lambda d: d.tables["idle_speed_a"].storage.byte_order, LITTLE),
    "scalar/@stride": (lambda d: d.tables["idle_speed_b"].storage.stride, 4),
    "scalar/@mask": (lambda d: d.tables["overboost_monitor"].storage.mask, 0x04),
    "x/@axis": (lambda d: d.tables["smoke_limit"].x, "speed_16"),
    "x": (lambda d: d.tables["boost_demand"].x, OWN),
    "y/@axis": (lambda d: d.tables["smoke_limit"].y, "air_mass_12"),
    "limits/@min": (
        lambda d: [limits(d, item).low for item in ("overspeed_cut", "gear_share")],
        [3000, -math.inf],
    ),
    "limits/@max": (lambda d: limits(d, "overspeed_cut").high, 4800),
    "expected/@min": (lambda d: expected(d, "smoke_limit").low, 4),
    "expected/@max": (
        lambda d: [expected(d, item).high for item in ("smoke_limit", "overspeed_cut")],
        [72, math.inf],
    ),
    "off/@raw": (lambda d: off(d, "egr_release")[0], 15),
    "off/@allowed": (
        lambda d: [off(d, item)[1] for item in ("egr_release", "egr_share", "fan_on")],
        [OffAllowed.OUTSIDE_OPERATING, OffAllowed.NOWHERE, OffAllowed.ANYWHERE],
    ),
    "monotonic/@along": (lambda d: d.tables["smoke_limit"].demands.monotonic[0].along, "y"),
    "monotonic/@direction": (
        lambda d: [d.tables[item].demands.monotonic[0].rising for item in ("smoke_limit", "gear_share")],
        [True, False],
    ),
    "monotonic/@strict": (
        lambda d: [d.tables[item].demands.monotonic[0].strict for item in ("smoke_limit", "gear_share")],
        [False, True],
    ),
    "gradient/@along": (lambda d: d.tables["smoke_limit"].demands.gradients[0].along, "x"),
    "gradient/@max": (lambda d: d.tables["smoke_limit"].demands.gradients[0].max, 0.02),
    "change/@max": (
        lambda d: [d.tables[item].demands.change for item in ("smoke_limit", "fan_on")],
        [6.0, None],
    ),
    "guard/@above": (
        lambda d: [table.above for table in d.tables["overspeed_cut"].demands.guards],
        [5000, None, None],
    ),
    "guard/@below": (
        lambda d: [table.below for table in d.tables["overspeed_cut"].demands.guards],
        [None, 1000, None],
    ),
    "guard/@raw": (
        lambda d: [table.raw for table in d.tables["overspeed_cut"].demands.guards],
        [None, None, 0xFFFF],
    ),
    "guard/@state": (
        lambda d: [table.state for table in d.tables["overboost_monitor"].demands.guards],
        ["off"],
    ),
    "guard/@flat": (lambda d: [table.flat for table in d.tables["gear_share"].demands.guards], [True, False]),
    "guard/@share": (
        lambda d: [d.tables[item].demands.guards[0].share for item in ("smoke_limit", "overspeed_cut")],
        [0.5, 1.0],
    ),
    "note/text()": (lambda d: d.tables["overspeed_cut"].notes, ("First note.", "Second note.")),
    "text/@name": (lambda d: list(d.texts), ["hull_number", "yard"]),
    "text/@title": (lambda d: d.texts["hull_number"].title, "Hull number"),
    "text/@at": (lambda d: d.texts["hull_number"].at, 0x5FFC0),
    "text/@length": (lambda d: d.texts["hull_number"].length, 17),
    "text/@encoding": (lambda d: [value.encoding for value in d.texts.values()], ["ascii", "latin-1"]),
    "text/@unit-own": (lambda d: [value.unit_own for value in d.texts.values()], [False, True]),
    "text/@purpose": (
        lambda d: [value.purpose for value in d.texts.values()],
        [Purpose.GENERAL, Purpose.DIAGNOSIS],
    ),
    # Relations
    "relations": (
        lambda d: [relation.kind for relation in d.relations],
        ["at-most", "equal", "inverse", "gap"],
    ),
    "at-most/@table": (lambda d: d.relations[0].table, "boost_demand"),
    "at-most/@bound": (lambda d: d.relations[0].other, "boost_ceiling"),
    "at-most/@margin": (lambda d: d.relations[0].amount, 50.0),
    "at-most/@within": (lambda d: d.relations[0].within, "operating"),
    "equal/@table": (lambda d: d.relations[1].table, "idle_speed_a"),
    "equal/@mirror": (lambda d: d.relations[1].other, "idle_speed_b"),
    "equal/@tolerance": (lambda d: d.relations[1].amount, 0.5),
    "equal/@within": (lambda d: d.relations[1].within, "operating"),
    "inverse/@table": (lambda d: d.relations[2].table, "torque_to_fuel"),
    "inverse/@of": (lambda d: d.relations[2].other, "fuel_to_torque"),
    "inverse/@tolerance": (lambda d: d.relations[2].amount, 2.5),
    "inverse/@within": (lambda d: d.relations[2].within, "operating"),
    "gap/@upper": (lambda d: d.relations[3].table, "fan_on"),
    "gap/@lower": (lambda d: d.relations[3].other, "fan_off"),
    "gap/@min": (lambda d: d.relations[3].amount, 3.0),
    "gap/@within": (lambda d: d.relations[3].within, "operating"),
    # Titles in other languages
    f"titles/@{LANGUAGE}": (
        lambda d: [(item.language, item.kind.value) for item in d.translations],
        [*(("de", kind) for kind in ("definition", "group", "signal", "table", "table")), ("nb-NO", "table")],
    ),
    "translation/text()": (
        lambda d: d.translations[0].title,
        "Motorsteuerung der Skerry 28, Software SK28-0412 (erfunden)",
    ),
    "translation/@group": (lambda d: names_of(d, Titled.GROUP), ["sensors"]),
    "translation/@signal": (lambda d: names_of(d, Titled.SIGNAL), ["engine_speed"]),
    "translation/@table": (lambda d: names_of(d, Titled.TABLE), ["fan_on", "yard", "fan_on"]),
}


@pytest.mark.parametrize("part", EXPECTED)
def test_the_definition_holds_what_the_example_says(part: str) -> None:
    get, value = EXPECTED[part]
    assert get(example()) == value


def local(element: etree._Element) -> str:
    return etree.QName(element).localname


def kind_of(element: etree._Element) -> str:
    """The element's name; it distinguishes a table's own axis from a shared one."""
    parent = element.getparent()
    own = parent is not None and local(parent) in ("x", "y")
    return f"own {local(element)}" if own else local(element)


def parts(root: etree._Element) -> Iterator[str]:
    """Every element, attribute and text as the table above names them; bare elements are containers."""
    for element in root.iter(etree.Element):
        kind = kind_of(element)
        yield from (f"{kind}/@{name}" for name in element.attrib)
        if (element.text or "").strip():
            yield f"{kind}/text()"
        elif not element.attrib and kind not in ("memory", "states"):
            yield kind


def test_every_element_and_attribute_of_the_example_has_an_expectation() -> None:
    assert set(parts(etree.fromstring(EXAMPLE))) == set(EXPECTED)


#: The elements that refer to other files, whose example is tests/data/family.
FAMILY = {"use", "inherited"}


def declared_attributes() -> Iterator[str]:
    """Every attribute of every element that the schema declares, by walking its types from the root."""
    schema = etree.parse(SCHEMA).getroot()
    types = {result.get("name"): result for result in schema.findall(f"{XS}complexType")}
    open_elements, seen = [(schema.find(f"{XS}element"), "")], set()
    while open_elements:
        element, parent = open_elements.pop()
        assert element is not None
        name = str(element.get("name"))
        name = f"own {name}" if parent in ("x", "y") else name
        content = types.get(element.get("type"))
        content = element.find(f"{XS}complexType") if content is None else content
        if content is None or name in seen or name in FAMILY:
            continue
        seen.add(name)
        attributes = [str(result.get("name")) for result in content.iter(f"{XS}attribute")]
        yield from (f"{name}/@{attribute}" for attribute in attributes if attribute != "extends")
        if content.find(f"{XS}anyAttribute") is not None:
            yield f"{name}/@{LANGUAGE}"
        open_elements += [(child, name) for child in content.iter(f"{XS}element")]


def test_the_example_has_every_attribute_that_the_schema_declares() -> None:
    assert set(declared_attributes()) == {part for part in EXPECTED if "/@" in part}


def substance(noun: Any) -> Any:
    """A noun as plain values, without lines and digest, which any edit of the file moves."""
    if dataclasses.is_dataclass(noun) and not isinstance(noun, type):
        names = [
            field.name
            for field in dataclasses.fields(noun)
            if field.name not in ("line", "lines", "digest", "declarations")
        ]
        return type(noun).__name__, [(name, substance(getattr(noun, name))) for name in names]
    if isinstance(noun, dict):
        return [(key, substance(value)) for key, value in noun.items()]
    if isinstance(noun, tuple):
        return [substance(item) for item in noun]
    return noun


@functools.cache
def substance_of_the_example() -> Any:
    return substance(example())


def makes_a_difference(root: etree._Element) -> bool:
    file = read(etree.tostring(root))
    return bool(file.problems) or substance(file.definition) != substance_of_the_example()


def test_no_attribute_of_the_example_can_be_left_out_unnoticed() -> None:
    root = etree.fromstring(EXAMPLE)
    unnoticed = []
    for element in root.iter(etree.Element):
        for name, value in list(element.attrib.items()):
            del element.attrib[name]
            if not makes_a_difference(root):
                unnoticed.append(f"{element.get('name', kind_of(element))}/@{name}={value}")
            element.set(name, value)
    # These say what holds anyway.
    assert sorted(set(unnoticed)) == [
        "gear_share/@byte-order=big",
        "guard/@share=1",
        "hull_number/@encoding=ascii",
        "memory/@fill=0xFF",
        "off/@allowed=outside-operating",
        "release_ect/@count-type=uint8",
        "smoke_limit/@stride=2",
    ]


def test_no_element_of_the_example_can_be_left_out_unnoticed() -> None:
    elements = len(list(etree.fromstring(EXAMPLE).iter(etree.Element)))
    for number in range(1, elements):
        root = etree.fromstring(EXAMPLE)
        element = list(root.iter(etree.Element))[number]
        parent = element.getparent()
        assert parent is not None
        parent.remove(element)
        assert makes_a_difference(root), f"{kind_of(element)} {dict(element.attrib)}"


# Lines


def line_of(text: str) -> int:
    """The one line of the example in which the text stands, counted from 1."""
    (line,) = (number for number, item in enumerate(EXAMPLE.decode().splitlines(), 1) if text in item)
    return line


def test_items_have_the_line_of_their_element() -> None:
    definition = example()
    assert definition.memory.line == line_of("<memory ")
    assert definition.memory.identities[1].line == line_of("hardware number")
    assert definition.signals["gear"].line == line_of('<signal name="gear"')
    assert definition.sensors[0].line == line_of("<sensor ")
    assert definition.conversions["on_off"].line == line_of('<states name="on_off"')
    assert definition.conversions["sensor"].line == line_of('<interpolated name="sensor"')
    assert definition.axes["torque_6"].line == line_of('<axis name="torque_6"')
    assert definition.groups["limits"].line == line_of('<group name="limits"')
    assert definition.texts["yard"].line == line_of('<text name="yard"')
    assert definition.tables["overspeed_cut"].demands.guards[1].line == line_of('<guard below="1000"')
    assert definition.relations[3].line == line_of("<gap ")


@pytest.mark.parametrize("name", ["smoke_limit", "overspeed_cut", "gear_share", "fan_on"])
def test_the_line_of_an_element_is_the_one_where_it_begins(name: str) -> None:
    """Not the one where its start tag ends: that is where the next reader looks for the name."""
    assert example().tables[name].line == line_of(f' name="{name}"')


def test_lines_beyond_65535_are_kept() -> None:
    moved = 70_000
    data = edited("  <relations>\n", "  <relations>" + "\n" * (moved + 1))
    definition = read(data).definition
    assert definition is not None
    assert definition.relations[3].line == line_of("<gap ") + moved


def test_problems_beyond_line_65535_have_their_line() -> None:
    moved = 70_000
    data = edited("  <relations>\n", "  <relations>" + "\n" * (moved + 1))
    broken = data.replace(b'<gap upper="fan_on"', b'<gap upper="fan on"')
    assert only_problem(broken).line == line_of("<gap ") + moved


# References that lead nowhere

REFERENCES = {
    "x/@axis": ('<x axis="torque_6"/>', "torque_6", "axis"),
    "y/@axis": ('<y axis="idle_speeds"/>', "idle_speeds", "axis"),
    "axis/@signal": ('<axis name="torque_6" signal="torque"', '"torque"', "signal"),
    "fixed-axis/@signal": ('<fixed-axis name="gear" signal="gear"', 'signal="gear', "signal"),
    "own fixed-axis/@signal": ('<fixed-axis signal="gear"', "gear", "signal"),
    "derived-axis/@signal": ('<derived-axis name="fuel_9" signal="fuel"', 'signal="fuel', "signal"),
    "derived-axis/@curve": ('curve="torque_to_fuel"', "torque_to_fuel", "curve"),
    "axis/@conversion": ('conversion="volts"', "volts", "conversion"),
    "table/@conversion": ('conversion="release_step"', "release_step", "conversion"),
    "table/@signal": ('mask="0x7F" signal="gear"', "gear", "signal"),
    "table/@produces": ('produces="fuel"', "fuel", "signal"),
    "sensor/@signal": ('<sensor signal="intake_air_temp"', "intake_air_temp", "signal"),
    "sensor/@curve": ('curve="intake_air_linearisation"', "intake_air_linearisation", "curve"),
    "guard/@state": ('<guard state="off"/>', "off", "state"),
    "checksum/@algorithm": ('algorithm="CRC-32/ISO-HDLC"', "ISO-HDLC", "algorithm"),
    "at-most/@table": ('<at-most table="boost_demand"', "boost_demand", "table"),
    "at-most/@bound": ('bound="boost_ceiling"', "boost_ceiling", "table"),
    "equal/@mirror": ('mirror="idle_speed_b"', "idle_speed_b", "table"),
    "inverse/@of": ('of="fuel_to_torque"', "fuel_to_torque", "table"),
    "gap/@upper": ('<gap upper="fan_on"', "fan_on", "table"),
}


@pytest.mark.parametrize("reference", REFERENCES)
def test_a_reference_without_a_target_is_only_an_unknown_reference(reference: str) -> None:
    place, name, kind = REFERENCES[reference]
    nowhere = "NOWHERE" if kind == "algorithm" else "nowhere"
    wrong = place.replace(name, name.replace(re.findall(r"[\w-]+", name)[-1], nowhere))
    data = edited(place, wrong)
    assert read(data).problems == ()
    reported = findings(data)
    (finding,) = (finding for finding in reported if finding.rule == "definition/unknown-reference")
    assert nowhere in finding.message and kind in finding.message
    assert finding.severity is Severity.ERROR
    # The element that refers begins in the same line or, if it is a table, a few lines before.
    assert finding.line is not None and -4 <= finding.line - line_of(place) <= 0
    # What the name led to before may now be unused.
    assert {finding.rule for finding in reported} <= {
        "definition/unknown-reference",
        "definition/unused",
    }


def test_a_definition_that_only_begins_has_unknown_references_and_no_other_errors() -> None:
    root = etree.fromstring(EXAMPLE)
    for container in ("signals", "conversions", "axes"):
        for parent in root.iter("{*}" + container):
            parent.getparent().remove(parent)  # type: ignore[union-attr]
    for name in ("boost_ceiling", "idle_speed_b", "fuel_to_torque", "fan_off"):
        for element in root.iter("{*}curve", "{*}scalar"):
            if element.get("name") == name:
                element.getparent().remove(element)  # type: ignore[union-attr]
    references = [
        f"{element.get('name', '')} {value}"
        for element in root.iter(etree.Element)
        for name, value in element.attrib.items()
        if name in ("signal", "produces", "conversion", "axis", "state", "bound", "mirror", "of", "lower")
    ]
    data = etree.tostring(root)
    assert read(data).problems == ()
    # Without its conversion, a table of states looks as if it lacked limits; that is but a note.
    reported = [finding for finding in findings(data) if finding.severity is not Severity.NOTE]
    assert {finding.rule for finding in reported} == {"definition/unknown-reference"}
    # Whether a guard's state exists cannot be told where its table's conversion is unknown.
    states = sum(1 for element in root.iter(etree.Element) if element.get("state") is not None)
    assert len(reported) == len(references) - states > 30


@pytest.mark.parametrize("reference", ["axis/@conversion", "table/@conversion", "x/@axis", "axis/@signal"])
def test_an_image_is_checked_in_spite_of_a_reference_without_a_target(reference: str) -> None:
    place, name, _ = REFERENCES[reference]
    data = edited(place, place.replace(name, name.replace(re.findall(r"[\w-]+", name)[-1], "nowhere")))
    assert "definition/unknown-reference" in {finding.rule for finding in findings(data, IMAGE, BASE)}


# Files that are refused whole

HEAD, _, BODY = EXAMPLE.decode().partition("\n")
BOMB = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10 if n else "lol"}">' for n in range(10))
ENTITY = BODY.replace(">Gear<", ">&e;<")

DOCTYPES = {
    "a document type": "<!DOCTYPE definition>" + BODY,
    "a document type elsewhere": '<!DOCTYPE definition SYSTEM "http://localhost:9/d.dtd">' + BODY,
    "an internal entity": '<!DOCTYPE d [<!ENTITY e "x">]>' + ENTITY,
    "an entity in an attribute": '<!DOCTYPE d [<!ENTITY e "x">]>' + BODY.replace('name="gear"', 'name="&e;"'),
    "an external entity": '<!DOCTYPE d [<!ENTITY e SYSTEM "file:///etc/hostname">]>' + ENTITY,
    "a parameter entity": '<!DOCTYPE d [<!ENTITY % e SYSTEM "file:///etc/hostname"> %e;]>' + BODY,
    "an entity bomb": f"<!DOCTYPE d [{BOMB}]>" + BODY.replace(">Gear<", ">&e9;<"),
    "a document type behind a comment": "<!-- <x> --><?p i?>\n\n<!DOCTYPE definition>" + BODY,
}


@pytest.mark.parametrize("name", DOCTYPES)
def test_a_document_type_is_refused(name: str) -> None:
    file = DOCTYPES[name]
    for data in (f"{HEAD}\n{file}".encode(), file.encode(), b"\xef\xbb\xbf" + file.encode()):
        problem = only_problem(data)
        assert "DOCTYPE" in problem.message and "remove it" in problem.message
        assert problem.line == data[: data.index(b"<!DOCTYPE")].count(b"\n") + 1
        assert read(data).definition is None


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"])
@pytest.mark.parametrize("name", DOCTYPES)
def test_a_document_type_is_refused_in_any_encoding(name: str, encoding: str) -> None:
    """Without a byte order mark these are well-formed UTF-8 too, with a NUL beside every letter."""
    for head in ("", '<?xml version="1.0"?>', HEAD.replace("UTF-8", encoding[:6].upper())):
        data = (head + DOCTYPES[name]).encode(encoding)
        only_problem(data)
        assert read(data).definition is None


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le", "utf-32-be"])
def test_a_file_in_a_wider_encoding_is_refused(encoding: str) -> None:
    for text in (EXAMPLE.decode(), EXAMPLE.decode().replace("UTF-8", encoding[:6].upper())):
        assert "UTF-8" in only_problem(text.encode(encoding)).message


@pytest.mark.parametrize("encoding", ["ISO-8859-1", "latin-1", "UTF-16", "UTF-7", "windows-1252", "x"])
def test_a_declared_encoding_other_than_utf_8_is_refused(encoding: str) -> None:
    problem = only_problem(edited('encoding="UTF-8"', f"encoding = '{encoding}'"))
    assert encoding in problem.message and "UTF-8" in problem.message and problem.line == 1


@pytest.mark.parametrize(
    "declaration", ['<?xml version="1.0"?>', '<?xml version="1.0" encoding="utf-8"?>', ""]
)
def test_utf_8_needs_no_declaration_and_may_have_a_byte_order_mark(declaration: str) -> None:
    for mark in (b"", b"\xef\xbb\xbf"):
        file = read(mark + (declaration + BODY).encode())
        assert file.problems == ()
        assert substance(file.definition) == substance(example())


def test_a_byte_that_is_not_utf_8_is_refused_with_its_line() -> None:
    problem = only_problem(EXAMPLE.replace(b">Gear<", b">G\xe4ar<"))
    assert "UTF-8" in problem.message and problem.line == line_of(">Gear<")


def test_a_file_that_is_not_in_the_ascii_that_it_declares_is_refused_with_the_line() -> None:
    data = edited('encoding="UTF-8"', 'encoding="us-ascii"').replace(b">Gear<", ">Gängig<".encode())
    problem = only_problem(data)
    assert problem.line == line_of(">Gear<") and "declare UTF-8" in problem.message


#: References to what XML 1.0 has no characters for (production [2] Char), and to nothing at all.
NO_CHARACTERS = [
    "&#0;",
    "&#1;",
    "&#8;",
    "&#11;",
    "&#27;",
    "&#x1F;",
    "&#xD800;",
    "&#xDFFF;",
    "&#xFFFE;",
    "&#xFFFF;",
    "&#x110000;",
    "&#99999999999999999999;",
    "&#;",
    "&#x;",
    "&undeclared;",
    "\x01",
    "\x1b",
    "\uffff",
]


@pytest.mark.parametrize("place", [">Gear", 'unit="', "<signals>", "<title>", '<guard above="'])
@pytest.mark.parametrize("character", NO_CHARACTERS)
def test_an_invalid_character_is_an_error_of_form_in_its_line(character: str, place: str) -> None:
    at = EXAMPLE.index(place.encode()) + len(place)
    data = EXAMPLE[:at] + character.encode() + EXAMPLE[at:]
    first, *others = problems(data)
    assert first.line == data.count(b"\n", 0, at) + 1
    for other in (first, *others):
        assert other.message.startswith("not well-formed XML: ")
        assert "xml" not in other.message.removeprefix("not well-formed XML: "), other.message
    assert read(data).definition is None


@pytest.mark.parametrize(
    "character", ["&#9;", "&#10;", "&#13;", "&#x20;", "&#xD7FF;", "&#xE000;", "&#x10FFFF;"]
)
def test_a_reference_to_a_character_of_xml_is_read(character: str) -> None:
    """The ends of the ranges of XML 1.0, production [2] Char."""
    definition = read(edited(">Gear<", f">Ge{character}ar<")).definition
    number = int(character[3:-1], 16) if "x" in character else int(character[2:-1])
    title = " ".join(f"Ge{chr(number)}ar".split())
    assert definition is not None and definition.signals["gear"].title == title


def test_text_before_an_invalid_character_is_checked() -> None:
    data = edited(">Gear<", ">&#27;<").replace(b"<memory ", b'<memory colour="red" ')
    first, second = problems(data)
    assert first.line == line_of("<memory ") and "colour" in first.message
    assert second.line == line_of(">Gear<") and "the character 27" in second.message


def test_letters_beyond_ascii_are_kept() -> None:
    definition = read(edited(">Gear<", ">Wendegetriebe vorwärts, 前進<")).definition
    assert definition is not None and definition.signals["gear"].title == "Wendegetriebe vorwärts, 前進"


def test_a_file_over_the_size_bound_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(xml, "MAX_BYTES", len(EXAMPLE))
    assert read(EXAMPLE).problems == ()
    assert "larger than" in only_problem(EXAMPLE + b"\n").message


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b" \n\t ",
        b"\xef\xbb\xbf",
        b"hello, world",
        bytes(100),
        bytes(range(256)),
        b"PK\x03\x04" + bytes(60),
        b"\x7fELF" + bytes(range(128)),
        b"<",
        b"<!DOCTYPE",
        b"<?xml",
        b'<?xml version="1.0" encoding="',
        b"<a/><b/>",
        b"&lol;",
        b"<a>" * 10_000 + b"</a>" * 10_000,
        b"<a>" * 10_000,
        b"<a b='" + b"x" * 12_000_000 + b"'/>",
        b"<a " + b" ".join(b"a%d='1'" % n for n in range(20_000)) + b"/>",
        b"<html><body/></html>",
        b"<definition/>",
        EXAMPLE.replace(b"urn:callint:definition:1", b"urn:callint:definition:2"),
        EXAMPLE.replace(b"</definition>", b""),
        EXAMPLE + b"<definition/>",
        EXAMPLE + bytes(4),
    ],
    ids=lambda data: repr(data[:12]),
)
def test_a_file_that_is_not_a_definition_is_invalid_and_gives_no_definition(data: bytes) -> None:
    assert read(data).definition is None
    assert problems(data)
    assert {finding.rule for finding in findings(data, IMAGE, BASE)} == {"definition/invalid"}


@pytest.mark.parametrize("end", [b"</tables>", b"</definition>"])
def test_a_file_that_breaks_off_has_problems_only_where_it_does(end: bytes) -> None:
    data = EXAMPLE[: EXAMPLE.index(end)]
    assert {problem.line for problem in problems(data)} == {data.count(b"\n") + 1}


def test_a_file_with_content_after_its_end_has_one_problem_there() -> None:
    for more in (b"<definition/>", b"text"):
        assert only_problem(EXAMPLE + more).line == EXAMPLE.count(b"\n") + 1


def test_nesting_of_10000_levels_is_refused() -> None:
    nest = '<group name="g" title="t">' * 10_000 + "</group>" * 10_000
    data = edited("  <tables>\n", f"<tables>{nest}\n")
    assert "depth" in problems(data)[0].message.lower()
    assert read(data).definition is None


def test_a_huge_attribute_gives_one_short_line() -> None:
    for size in (1_000_000, 11_000_000):
        message = only_problem(edited('name="skerry-28"', f'name="{"a" * size}"')).message
        assert len(message) < 500


# Files in which very much is wrong


def many(element: str, count: int, **parts: str) -> bytes:
    """A definition of many scalars, each on its line, or of many other elements."""
    lines = "\n".join(element.replace("@", str(number)) for number in range(count))
    return definition_xml(lines, **parts)  # type: ignore[arg-type]


SCALAR = '<scalar name="t@" title="T" purpose="general" at="0" type="uint8"/>'

#: Where much is wrong: names the lines that may be told, and how many.
FLOODS = {
    "attributes of one element": many(
        SCALAR.replace("/>", "".join(f' a{n}="1"' for n in range(xml.MOST_PROBLEMS + 1)) + "/>"), 1
    ),
    "an attribute of each element": many(SCALAR.replace("/>", ' a="1"/>'), xml.MOST_PROBLEMS + 1),
    "many attributes of many elements on one line": many(
        SCALAR.replace("/>", "".join(f' a{n}="1"' for n in range(40)) + "/>"), 40
    ).replace(b"\n", b" "),
    "unknown elements": many("<w@/>", xml.MOST_PROBLEMS + 2),
    "unknown elements between others": many(f"{SCALAR}<w/>", xml.MOST_PROBLEMS + 2),
    "values": many(SCALAR.replace('at="0"', 'at="x"'), xml.MOST_PROBLEMS + 1),
    "lacking attributes": many("<scalar/>", xml.MOST_PROBLEMS + 1),
    "what only the reader sees": many(SCALAR.replace("/>", "><guard/></scalar>"), xml.MOST_PROBLEMS + 1),
}


@pytest.mark.parametrize("name", FLOODS)
def test_the_number_of_reported_mistakes_is_bounded(name: str) -> None:
    file = read_definition(FLOODS[name], "flood.xml")
    assert file.definition is None
    assert len(file.problems) <= xml.MOST_PROBLEMS + 1
    assert f"callint stops at {xml.MOST_PROBLEMS:,} mistakes" in file.problems[-1].message


def test_up_to_the_bound_all_mistakes_are_reported_and_the_rest_is_read() -> None:
    data = many(SCALAR.replace("/>", ' a="1"/>'), xml.MOST_PROBLEMS)
    file = read_definition(data, "test.xml")
    assert len(file.problems) == xml.MOST_PROBLEMS
    assert file.definition is not None and len(file.definition.tables) == xml.MOST_PROBLEMS


@pytest.mark.parametrize("group", [False, True])
def test_mistakes_among_very_many_siblings_are_reported_and_all_others_are_read(group: bool) -> None:
    """More siblings than are looked at together, so that none may get lost at a seam."""
    count, wrong = 3500, (0, 999, 1000, 1001, 2500, 3499)
    lines = [SCALAR.replace("@", str(number)) for number in range(count)]
    for number in wrong:
        lines[number] = lines[number].replace("/>", ' colour="red"/>')
    lines[1700] = "<widget/>"
    tables = "\n".join(lines)
    data = definition_xml(f'<group name="g" title="G">{tables}</group>' if group else tables)
    file = read_definition(data, "test.xml")
    assert file.definition is not None
    names = [f"t{number}" for number in range(count) if number != 1700]
    assert list(file.definition.tables) == names
    first = data[: data.index(b'name="t0"')].count(b"\n") + 1
    assert [problem.line for problem in file.problems] == [first + n for n in sorted((*wrong, 1700))]


def test_repeated_names_are_all_reported_and_the_first_is_read() -> None:
    file = read_definition(many(SCALAR.replace("@", ""), 3000), "test.xml")
    assert file.problems == () and file.definition is not None
    assert len(file.definition.tables) == 1 and len(file.definition.declarations) == 3000 + 2 + 3


def test_in_a_faulty_table_with_very_many_children_only_some_are_checked() -> None:
    notes = SCALAR.replace("/>", f">{'<note>n</note>' * 1500}</scalar>")
    assert read_definition(many(notes, 1), "test.xml").problems == ()
    file = read_definition(many(notes, 1).replace(b"<tables>", b'<tables colour="red">'), "test.xml")
    assert {problem.message for problem in file.problems} == {
        "<tables> colour: there is no such attribute",
        "<scalar>: of its children only the first 1,000 are looked at, as the file has mistakes",
    }


def test_prefixes_of_namespaces_may_be_as_many_as_they_like() -> None:
    prefixes = " ".join(f'xmlns:n{number}="urn:{number}"' for number in range(3000))
    data = edited("<signals>", "<n7:widget/><signals>").replace(
        b"<definition ", f"<definition {prefixes} ".encode()
    )
    assert "not expected here" in only_problem(data).message


# Elements that do not belong


@pytest.mark.parametrize("place", ["<tables>", "<title>", "<note>15 = no recirculation", ">Gear<"])
def test_an_inclusion_is_not_followed(place: str, tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("the secret", encoding="utf-8")
    include = '<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" parse="text" href="{}"/>'
    inside = place.removesuffix("<")
    data = edited(place, inside + include.format(secret.as_uri()) + place[len(inside) :])
    file = read(data)
    assert file.problems
    assert "the secret" not in str(file)


@pytest.mark.parametrize(
    "element",
    [
        "<widget/>",
        '<w:widget xmlns:w="urn:other"/>',
        '<widget xmlns=""/>',
        '<xi:include xmlns:xi="urn:xi" href="/"/>',
    ],
)
@pytest.mark.parametrize("place", ["<memory start", "<signals>", "<conversions>", "<axes>", "<relations>"])
def test_an_unknown_element_is_one_problem_with_its_line(place: str, element: str) -> None:
    data = edited(place, element + place) if place.startswith("<memory") else edited(place, place + element)
    problem = only_problem(data)
    assert problem.line == line_of(place)
    assert "not expected here" in problem.message


def test_an_unknown_attribute_is_one_problem_with_its_line() -> None:
    problem = only_problem(edited("<signals>", '<signals colour="red">'))
    assert problem.line == line_of("<signals>") and "colour" in problem.message


def test_a_schema_location_is_not_followed() -> None:
    hint = (
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        'xsi:schemaLocation="urn:callint:definition:1 http://localhost:9/nothing.xsd" revision="4"'
    )
    file = read(edited('revision="4"', hint))
    assert file.problems == () and substance(file.definition) == substance(example())


# Numbers out of bounds: one problem each, and everything else is read


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('conversion="speed" count="16"', 'conversion="speed" count="4294967296"', "count"),
        ('conversion="speed" count="16"', f'conversion="speed" count="{MAX_BREAKPOINTS + 1}"', "count"),
        ('count="6" start="1"', 'count="4000000000" start="1"', "count"),
        ('at="0x40600"', 'at="0xFFFFFFFFFFFFFFFF"', "48"),
        ('at="0x40600"', 'at="0x1000000000000"', "48"),
        ('at="0x40600"', 'at="99999999999999999999"', "48"),
        ('stored-at="0x12000"', 'stored-at="0xFFFFFFFFFFFFFFFF"', "48"),
        ('count-at="0x4000F"', 'count-at="0xFFFFFFFFFFFFFFFF"', "48"),
        ('at="0x5FFC0"', 'at="0xFFFFFFFFFFFFFFFF"', "48"),
        ('size="0x80000"', 'size="0x10000000000"', "256 MiB"),
        ('size="0x80000"', 'size="0x10000001"', "256 MiB"),
        ('factor="0.25"', 'factor="1e999"', "too large"),
        ('factor="0.25"', 'factor="-1e999"', "too large"),
        ('plausible="0 6000"', 'plausible="0 1e999"', "too large"),
        ('values="600 750 900"', 'values="600 750 1e999"', "too large"),
        ('<guard above="5000"/>', '<guard above="1e999"/>', "too large"),
        ('min="3"/>', 'min="1e999"/>', "too large"),
        ('stride="3"', 'stride="1"', "stride"),
        ('stride="3"', 'stride="0x7FFFFFFFFFFFFFFF"', "stride"),
        ('mask="0x04"', 'mask="0x100"', "mask"),
        ('mask="0x04"', 'mask="0xFFFFFFFFFFFFFFFF"', "mask"),
        ('<guard raw="0xFFFF"/>', '<guard raw="65536"/>', "65536"),
        ('<guard raw="0xFFFF"/>', '<guard raw="-1"/>', "-1"),
        ('start="1000" step="750.5"', 'start="1000" step="1e308"', "too large"),
    ],
)
def test_a_number_out_of_bounds_is_one_problem_with_its_line(old: str, new: str, message: str) -> None:
    problem = only_problem(edited(old, new))
    assert message in problem.message
    # The line is the one where the element begins, which may be some lines before the attribute.
    assert -5 <= (problem.line or 0) - line_of(old) <= 0


def test_everything_but_what_is_out_of_bounds_is_read() -> None:
    definition = read(edited('at="0x40600"', 'at="0xFFFFFFFFFFFFFFFF"')).definition
    assert definition is not None
    assert set(example().tables) - set(definition.tables) == {"overspeed_cut"}
    assert definition.axes == example().axes


def test_the_highest_bounds_are_read() -> None:
    table_xml = '<scalar name="t" title="T" purpose="general" at="0xFFFFFFFFFFFF" type="float64"/>'
    assert read(definition_xml(table_xml, size=256 * 2**20)).problems == ()
    axis = f'<fixed-axis name="a" signal="speed" start="0" step="1" count="{MAX_BREAKPOINTS}"/>'
    assert read(definition_xml("", axes=axis)).problems == ()


def test_tables_with_too_many_cells_are_refused_before_memory_is_taken() -> None:
    axis = f'<fixed-axis name="a" signal="speed" start="0" step="1" count="{MAX_BREAKPOINTS}"/>'
    maps = "".join(
        f'<map name="m{n}" title="M" purpose="general" at="0" type="uint8"><x axis="a"/><y axis="a"/></map>'
        for n in range(2)
    )
    file = read(definition_xml(maps, axes=axis, size=MAX_MEMORY))
    assert MAX_BREAKPOINTS**2 > MAX_CELLS
    assert file.definition is not None and not file.definition.tables
    assert [str(MAX_CELLS) in finding.message for finding in file.problems] == [True, True]


def test_tables_have_no_more_cells_than_the_memory_has_bits() -> None:
    def problems(count: int) -> list[str]:
        axis = f'<fixed-axis name="a" signal="speed" start="0" step="1" count="{count}"/>'
        table = (
            '<map name="m" title="M" purpose="general" at="0" type="uint8"><x axis="a"/><y axis="a"/></map>'
        )
        return [finding.message for finding in read(definition_xml(table, axes=axis, size=2**15)).problems]

    assert problems(512) == []
    assert problems(513) == [
        "table m brings the cells to more than 262144, the most that callint reads for a memory of "
        "32768 bytes"
    ]


def test_all_axes_together_have_a_bound_too() -> None:
    axes = "".join(
        f'<fixed-axis name="a{n}" signal="speed" start="0" step="1" count="{MAX_BREAKPOINTS}"/>'
        for n in range(MAX_ALL_BREAKPOINTS // MAX_BREAKPOINTS + 1)
    )
    (problem,) = read(definition_xml("", axes=axes)).problems
    assert str(MAX_ALL_BREAKPOINTS) in problem.message


# What an attribute cannot mean, with images to check


def _sealed(content: bytes) -> bytes:
    data = bytearray(content)
    data[0x5FFE0:0x5FFE9], data[0x5FFF0:0x5FFF4] = b"SK28-0412", b"SK-1"
    return bytes(data)


def _sparse(data: bytes) -> bytes:
    """An image with one of sixteen cells of each table of the example, and zeros in the others.

    The rules report nearly the same of every table as in all cells, and do so in half the time.
    """
    definition = read(EXAMPLE).definition
    assert definition is not None
    layout = make_layout(definition)
    new = bytearray(data)
    for item in layout.table_items.values():
        size = layout.items[item].storage.type.size
        for number, address in enumerate(layout.address[layout.cells(item)].tolist()):
            if number % 16 > 1:
                new[address : address + size] = bytes(size)
    return bytes(new)


#: An image and its base that carry the example's identities; texts, tables and axes differ.
BASE = _sealed(bytes(0x80000))
IMAGE = _sealed(_sparse(bytes(0x40000) + bytes(n * n % 251 for n in range(0x20000)) + bytes(0x20000)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('conversion="speed" count="16"', 'conversion="speed" count="0"'),
        ('conversion="speed" count="16"', 'conversion="speed" count="-1"'),
        ('count="6" start="1"', 'count="-3" start="1"'),
        ('fill="0xFF"', 'fill="256"'),
        ('fill="0xFF"', 'fill="-1"'),
        ('encoding="latin-1"', 'encoding="zip"'),
        ('encoding="latin-1"', 'encoding="nonsense"'),
        ('unit="rpm" factor="0.25" decimals="0"', 'unit="rpm" factor="0.25" decimals="-1"'),
        ('unit="rpm" factor="0.25" decimals="0"', 'unit="rpm" factor="0.25" decimals="9999999999"'),
        ('mask="0x04"', 'mask="-1"'),
        ('mask="0x04"', 'mask="0"'),
        ('size="0x80000"', 'size="-1"'),
        ('size="8192"', 'size="-1"'),
        ('length="17"', 'length="-1"'),
        ('at="0x40600"', 'at="-1"'),
        ('share="0.5"', 'share="nan"'),
        ('type="int16" conversion="temp_tenths"', 'type="uint12" conversion="temp_tenths"'),
        ('purpose="correction"', 'purpose="corection"'),
        ('revision="4"', 'revision="0"'),
    ],
)
def test_a_value_that_the_schema_refuses_is_one_problem_and_stops_nothing_else(old: str, new: str) -> None:
    data = edited(old, new)
    assert abs((only_problem(data).line or 0) - line_of(old)) <= 3
    assert "definition/invalid" in {finding.rule for finding in findings(data, IMAGE, BASE)}


@pytest.mark.parametrize("length", ["281474976710655", "0xFFFFFFFFFFFFFFFF"])
def test_a_text_longer_than_any_memory_takes_no_memory(length: str) -> None:
    data = edited('length="17"', f'length="{length}"')
    reported = findings(data, IMAGE, BASE)
    assert {finding.rule for finding in reported} & {"definition/invalid", "definition/outside-image"}


@pytest.mark.parametrize("number", ["1e308", "-1e308", "1e-308"])
@pytest.mark.parametrize("factor", ['unit="rpm" factor="0.25"', 'unit="%" factor="0.5"'])
def test_a_factor_beyond_all_reason_stops_nothing(factor: str, number: str) -> None:
    findings(edited(factor, re.sub('factor=".*"', f'factor="{number}"', factor)), IMAGE, BASE)


NASTY = [
    "",
    "0",
    "-1",
    "1",
    "7",
    "255",
    "300",
    "4096",
    "0x",
    "0xFFFFFFFFFFFFFFFF",
    "99999999999999999999",
    "9" * 5000,
    "1e308",
    "1e999",
    "-1e-320",
    "nan",
    "inf",
    "1 2",
    "5 1",
    "true",
    "zip",
    "uint64",
    "float16",
    "float32",
    "int8",
    "x",
    "y",
    "little",
    "big-word-swapped",
    "on_off",
    "sensor",
    "gear",
    "egr_release",
    "period_to_speed",
    "CRC-3/GSM",
    "../../x",
    "%s{0}",
    "\u202e\U0001f6a4",
]
PLACES = [
    (number, name)
    for number, element in enumerate(etree.fromstring(EXAMPLE).iter(etree.Element))
    for name in element.attrib
]


@given(edits=st.lists(st.tuples(st.sampled_from(PLACES), st.sampled_from(NASTY)), min_size=1, max_size=6))
@examples(25)
def test_arbitrary_attributes_give_findings_and_no_failure(
    edits: list[tuple[tuple[int, str], str]],
) -> None:
    root = etree.fromstring(EXAMPLE)
    elements = list(root.iter(etree.Element))
    for (number, name), value in edits:
        elements[number].set(name, value)
    data = etree.tostring(root, encoding="UTF-8")
    for problem in read(data).problems:
        assert problem.line is not None and 1 <= problem.line <= EXAMPLE.count(b"\n") + 1
    findings(data, IMAGE, BASE)


@given(
    edits=st.lists(st.tuples(st.integers(0, len(EXAMPLE) - 1), st.binary(max_size=4)), min_size=1, max_size=4)
)
@settings(max_examples=200, deadline=None)
def test_mutated_bytes_never_make_reading_fail(edits: list[tuple[int, bytes]]) -> None:
    data = bytearray(EXAMPLE)
    for place, content in edits:
        data[place : place + len(content)] = content
    read(bytes(data))


@given(
    edits=st.lists(
        st.tuples(st.integers(0, len(EXAMPLE)), st.sampled_from(NO_CHARACTERS)), min_size=1, max_size=3
    )
)
@examples(80)
def test_an_invalid_character_never_makes_reading_fail(edits: list[tuple[int, str]]) -> None:
    data = EXAMPLE
    for place, character in edits:
        data = data[:place] + character.encode() + data[place:]
    file = read(data)
    assert file.problems or file.definition


@given(st.lists(st.tuples(st.integers(0, len(EXAMPLE)), st.integers(0, 400)), min_size=1, max_size=2))
@settings(max_examples=100, deadline=None)
def test_a_file_with_a_piece_cut_out_never_makes_reading_fail(cuts: list[tuple[int, int]]) -> None:
    data = EXAMPLE
    for start, size in cuts:
        data = data[:start] + data[start + size :]
    read(data)


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_junk_never_makes_reading_fail(data: bytes) -> None:
    assert read(data).definition is None
    assert read(data).problems
