"""What is read of a description is what the published ASAP2 reader pya2ldb reads, item by item.

The descriptions are the two that it ships. The larger one, a demo of version 1.6 of the standard, names
record layouts that it does not describe, so that nothing of it can be placed; here they are added to a copy,
as their names say.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections import Counter
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from callint.decoding.conversions import to_physical
from callint.model.definition import ByteOrder, Linear, NumberType, Range, StoredAxis
from callint.reading.asap2.build import Imported, make_definition
from callint.reading.asap2.nodes import Characteristic, Description
from callint.reading.asap2.parser import read_asap2
from callint.reading.asap2.state import excludes_nothing
from callint.reading.definition import read_definition
from callint.reporting.definition.xml import definition_lines
from callint.reporting.export.asap2 import description_lines
from tests.running import REPOSITORY, environment

PROGRAM = Path(__file__).with_name("read_asap2.py")
DEMO, VARIANTS = "ASAP2_Demo_V161.a2l", "variants.a2l"

#: The types of the demo's layouts by the words in their names, and as NumPy and definitions call them.
TYPES = {
    "UBYTE": NumberType.uint8,
    "SBYTE": NumberType.int8,
    "UWORD": NumberType.uint16,
    "SWORD": NumberType.int16,
    "ULONG": NumberType.uint32,
    "SLONG": NumberType.int32,
    "FLOAT32_IEEE": NumberType.float32,
    "FLOAT64_IEEE": NumberType.float64,
}


def shipped(name: str) -> bytes:
    spec = find_spec("pya2l")
    assert spec is not None and spec.origin is not None
    return (Path(spec.origin).parent / "examples" / name).read_bytes()


def completed(demo: str) -> str:
    """The demo with the layouts that it names: FNC and AXIS_PTS ones with the type in their name."""
    layouts = []
    for name in sorted(set(re.findall(r"RL\.[A-Z0-9_.]+", demo))):
        *_, kind, type_name, mode = name.split(".")
        if kind == "FNC":
            layouts.append((name, f"FNC_VALUES 1 {type_name} {mode} DIRECT"))
        elif kind == "AXIS_PTS":
            layouts.append((name, f"AXIS_PTS_X 1 {type_name} INDEX_{mode} DIRECT"))
    layouts.append(("Scalar_FLOAT64_IEEE", "FNC_VALUES 1 FLOAT64_IEEE ROW_DIR DIRECT"))
    layouts.append(
        (
            "RL.CURVE.SWORD.SBYTE.DECR",
            "NO_AXIS_PTS_X 1 UBYTE AXIS_PTS_X 2 SBYTE INDEX_DECR DIRECT FNC_VALUES 3 SWORD ROW_DIR DIRECT",
        )
    )
    text = "\n".join(f"/begin RECORD_LAYOUT {name} {rest} /end RECORD_LAYOUT" for name, rest in layouts)
    return demo.replace("/end MODULE", f"{text}\n/end MODULE")


#: What the demo does not use: half floats, swapped words, axes that lie in memory from their highest end.
FURTHER = """
    <scalar name="half" title="Half" purpose="general" at="0x47F00" type="float16"/>
    <scalar name="far" title="Far" purpose="general" at="0x47F04" type="uint32"
            byte-order="big-word-swapped"/>
    <scalar name="near" title="Near" purpose="general" at="0x47F08" type="float32"
            byte-order="little-word-swapped"/>
    <curve name="back" title="Back" purpose="general" at="0x47F10" type="uint8">
      <x><axis signal="engine_speed" at="0x47F14" type="uint8" count="4" order="falling"/></x>
    </curve>
    <curve name="down" title="Down" purpose="general" at="0x47F20" type="uint8">
      <x><fixed-axis signal="engine_speed" values="800 1600" order="falling"/></x>
    </curve>
    <curve name="pairs" title="Pairs" purpose="general" at="0x47F32" type="uint8" stride="2">
      <x><axis signal="engine_speed" at="0x47F33" type="uint8" count="3" stride="2" count-at="0x47F31"/></x>
    </curve>
    <curve name="cells" title="Cells" purpose="general" at="0x47F40" type="uint8">
      <x><axis signal="engine_speed" at="0x47F44" type="uint8" count="4"/></x>
    </curve>
    <map name="both" title="Both" purpose="general" at="0x47F50" type="uint8">
      <x axis="rescaled"/><y axis="inverted"/>
    </map>
  </tables>"""

#: Axes that follow from curves.
DERIVED = """
    <derived-axis name="rescaled" signal="engine_speed" curve="pairs" by="rescaled" count="5"/>
    <derived-axis name="inverted" signal="engine_speed" curve="cells" by="inverted" count="3"/>
  </axes>"""


def exported() -> str:
    """The demo's definition with further tables as the description that callint export writes."""
    demo = REPOSITORY / "fixtures/demo/steps/01-factory/definitions/skerry-28.xml"
    content = demo.read_bytes().replace(b"\n  </tables>", FURTHER.encode())
    content = content.replace(b"\n  </axes>", DERIVED.encode())
    definition = read_definition(content, demo.name).definition
    assert definition is not None
    return "".join(description_lines(definition)[0])


DESCRIPTIONS = [DEMO, VARIANTS, "completed", "exported"]


@pytest.fixture(scope="module")
def read_by_both(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Description, Any]]:
    """Each description as it is read here, and as the other reader reads it.

    The other reader takes longer to start than to read a description, so that one process reads all of them.
    """
    folder = tmp_path_factory.mktemp("asap2")
    paths = [folder / f"{number}.a2l" for number in range(len(DESCRIPTIONS))]
    for name, path in zip(DESCRIPTIONS, paths, strict=True):
        if name == "completed":
            path.write_text(completed(shipped(DEMO).decode("latin-1")), "latin-1")
        elif name == "exported":
            path.write_text(exported(), "utf-8")
        else:
            path.write_bytes(shipped(name))
    done = subprocess.run(
        [sys.executable, PROGRAM, folder / "read.json", *paths],
        cwd=folder,
        env=environment(),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    others = json.loads((folder / "read.json").read_bytes())
    return {
        name: (read_asap2(path), other) for name, path, other in zip(DESCRIPTIONS, paths, others, strict=True)
    }


@pytest.fixture(scope="module", params=DESCRIPTIONS)
def both(
    request: pytest.FixtureRequest, read_by_both: dict[str, tuple[Description, Any]]
) -> tuple[Description, Any]:
    """A description as it is read here, and as the other reader reads it."""
    return read_by_both[request.param]


def characteristic(item: Characteristic) -> list[Any]:
    return [
        item.title,
        item.type,
        item.address,
        item.layout,
        item.conversion,
        item.limits.low,
        item.limits.high,
        item.mask,
        [
            [
                axis.attribute,
                axis.input,
                axis.conversion,
                axis.points,
                axis.limits.low,
                axis.limits.high,
                axis.reference,
                None if axis.fixed is None else list(axis.fixed[1]),
                axis.max_gradient,
            ]
            for axis in item.axes
        ],
    ]


def test_characteristics_are_the_same(both: tuple[Description, Any]) -> None:
    here, there = both
    assert len(there["characteristics"]) in (54, 1, 166)
    assert {name: characteristic(item) for name, item in here.characteristics.items()} == there[
        "characteristics"
    ]


def test_axes_and_measurements_are_the_same(both: tuple[Description, Any]) -> None:
    here, there = both
    axes = {
        name: [
            item.title,
            item.address,
            item.input,
            item.layout,
            item.conversion,
            item.points,
            item.limits.low,
            item.limits.high,
        ]
        for name, item in here.axes.items()
    }
    measurements = {
        name: [item.title, item.conversion, item.limits.low, item.limits.high]
        for name, item in here.measurements.items()
    }
    assert (axes, measurements) == (there["axes"], there["measurements"])


def test_conversions_and_their_tables_are_the_same(both: tuple[Description, Any]) -> None:
    here, there = both
    methods = {
        name: [item.title, item.type, item.format, item.unit, list(item.numbers), item.table]
        for name, item in here.methods.items()
    }
    states = {
        name: [list(row) for row in item.rows]
        for name, item in here.conversion_tables.items()
        if item.kind == "COMPU_VTAB"
    }
    assert (methods, states) == (there["methods"], there["states"])


def test_memory_and_layouts_are_the_same(both: tuple[Description, Any]) -> None:
    here, there = both
    segments = [[segment.name, segment.memory, segment.address, segment.size] for segment in here.segments]
    assert segments == there["segments"]
    layouts = {
        name: sorted([element.position, *element.arguments] for element in item.elements)
        for name, item in here.layouts.items()
    }
    assert layouts == there["layouts"]
    assert here.byte_order == there["byte_order"]
    assert {name: here.alignments.get(name) for name in there["alignments"]} == there["alignments"]


def test_nothing_of_it_is_a_mistake_or_unknown(both: tuple[Description, Any]) -> None:
    here, _ = both
    assert (here.skipped, here.unknown) == ([], {})


def test_conversions_have_the_same_physical_values(both: tuple[Description, Any]) -> None:
    here, there = both
    made = make_definition(here)
    kept = {} if made.definition is None else made.definition.conversions
    compared = 0
    for name, values in there["physical"].items():
        if values is None or name not in kept:
            continue
        mine = to_physical(kept[name], np.array([-7, 0, 1, 250]))
        # At a pole there is no physical value here, and an infinite one there.
        finite = np.isfinite(np.array(values))
        assert mine[finite] == pytest.approx(np.array(values)[finite], rel=1e-12), name
        compared += 1
    expected = 4 if "RL.FNC.SWORD.ROW_DIR" in here.layouts else 45 if here.module == "skerry_28" else 0
    assert compared == expected


# The definition that is made of the completed demo


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Imported:
    path = tmp_path_factory.mktemp("asap2") / "demo.a2l"
    path.write_text(completed(shipped(DEMO).decode("latin-1")), "latin-1")
    return make_definition(read_asap2(path))


def test_tables_have_the_addresses_types_and_limits_of_the_description(made: Imported) -> None:
    definition, described = made.definition, made.description
    assert definition is not None
    # All 54 but the CUBOID, four on FIX_AXIS without parameters, two strings and a block without a size, and
    # two whose record layouts are not added.
    assert len(definition.tables) == 44
    for name, table in definition.tables.items():
        source = described.characteristics[name]
        layout = source.layout.split(".")
        assert table.title == (source.title or name)
        assert table.storage.byte_order is ByteOrder.LITTLE  # MSB_LAST
        if layout[0] == "RL" and layout[1] == "FNC":
            assert (table.at, table.storage.type) == (source.address, TYPES[layout[2]])
        if table.conversion is not None:
            # The ends of a type demand nothing.
            is_everything = table.demands.limits is None
            assert table.demands.limits == source.limits or (
                is_everything
                and excludes_nothing(source.limits, definition.conversion_of(table), table.storage)
            )


def test_a_record_with_count_and_axis_has_its_values_after_them(made: Imported) -> None:
    definition = made.definition
    assert definition is not None
    table = definition.tables["ASAM.C.CURVE.STD_AXIS"]
    # At 8454912 a byte for the count, 8 bytes of breakpoints, and words at even addresses.
    assert (table.at, table.storage.type) == (8454912 + 10, NumberType.int16)
    own = definition.axes["ASAM.C.CURVE.STD_AXIS/x"]
    assert isinstance(own, StoredAxis)
    assert (own.at, own.count, own.signal) == (8454913, 8, "ASAM.M.SCALAR.SBYTE.IDENTICAL")
    assert definition.signals[own.signal].plausible == Range(-128, 127)
    assert definition.signals[own.signal].unit == "hours"


def test_conversions_of_the_demo_are_what_their_names_say(made: Imported) -> None:
    definition = made.definition
    assert definition is not None
    assert definition.conversions["CM.LINEAR.MUL_2"] == Linear("CM.LINEAR.MUL_2", "m/s", 1, 2, 0, 0)
    assert definition.conversions["CM.RAT_FUNC.DIV_10"] == Linear("CM.RAT_FUNC.DIV_10", "km/h", 1, 0.1, 0, 0)
    form = definition.conversions["CM.FORM.X_PLUS_4"]
    assert isinstance(form, Linear) and (form.factor, form.offset) == (1, 4)


def test_parts_of_the_demo_that_a_definition_cannot_express_are_listed(made: Imported) -> None:
    whole = Counter(
        re.sub(r"(RECORD_LAYOUT) \S+", r"\1", loss.reason) for loss in made.losses if loss.is_whole
    )
    parts = {loss.name: loss.reason for loss in made.losses if not loss.is_whole}
    assert whole["its RECORD_LAYOUT is not described"] == 4
    assert whole["its FIX_AXIS has no parameters"] == 4
    assert "its CURVE_AXIS names no curve" in parts["ASAM.C.CURVE.CURVE_AXIS"]
    assert "the AXIS_PTS of its RES_AXIS is not kept" in parts["ASAM.C.CURVE.RES_AXIS"]
    named = {loss.name for loss in made.losses if loss.is_whole and loss.kind == "CHARACTERISTIC"}
    assert made.definition is not None
    kept = {*made.definition.tables, *made.definition.texts}
    assert named | kept == set(made.description.characteristics) and not named & kept


def test_the_definition_of_the_demo_is_valid(made: Imported) -> None:
    assert made.definition is not None
    file = read_definition("".join(definition_lines(made.definition)).encode(), "demo.xml")
    assert file.problems == ()
