"""Images of one table in two software versions."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from callint.comparing.softwares.compare import compare_softwares
from callint.comparing.softwares.result import SoftwareChange
from callint.decoding.decode import Decoded
from tests.building import decoded, definition_xml

SIGNALS = """
    <signal name="speed" unit="rpm" operating="700 4200">Engine speed</signal>
    <signal name="load" unit="mg" operating="5 80">Fuel quantity</signal>
    <signal name="coolant" unit="degC">Coolant temperature</signal>
"""
CONVERSIONS = """
    <linear name="mg" unit="mg" factor="1"/>
    <linear name="rpm" unit="rpm" factor="1"/>
    <linear name="half" unit="mg" factor="0.5"/>
    <linear name="tenth" unit="mg" factor="0.1"/>
    <linear name="bar" unit="bar" factor="0.001"/>
    <linear name="fine_bar" unit="bar" factor="0.0001"/>
    <linear name="fine_hPa" unit="hPa" factor="0.1"/>
    <linear name="shown" unit="mg" factor="1" decimals="1"/>
    <linear name="hPa" unit="hPa" factor="1"/>
    <linear name="share" unit="%" factor="1"/>
    <linear name="steps" unit="notches" factor="1"/>
    <linear name="degC" unit="degC" factor="1"/>
    <linear name="kelvin" unit="K" factor="0.01"/>
    <states name="on_off"><state raw="0">off</state><state raw="1">on</state></states>
    <states name="modes">
      <state raw="3">on</state><state raw="8">off</state><state raw="9">limp</state>
    </states>
"""


def fixed(signal: str, *values: float) -> str:
    """An axis that the definition gives."""
    return f'<fixed-axis signal="{signal}" values="{" ".join(map(repr, values))}"/>'


def table(
    raw: Sequence[float],
    x: str = "",
    y: str = "",
    *,
    name: str = "fuel",
    conversion: str = "mg",
    type_: str = "uint16",
    at: int = 0,
    inside: str = "",
    purpose: str = "demand",
    title: str = "Fuel",
    memory: str = "",
    size: int = 512,
) -> Decoded:
    """An image with one table of raw numbers, x fastest; ``x`` and ``y`` are axes in XML."""
    kind = "map" if y else "curve" if x else "scalar"
    axes = (f"<x>{x}</x>" if x else "") + (f"<y>{y}</y>" if y else "")
    xml = (
        f'<{kind} name="{name}" title="{title}" purpose="{purpose}" at="{at}" type="{type_}" '
        f'conversion="{conversion}">{axes}{inside}</{kind}>'
    )
    letter = {
        "uint8": "B",
        "int16": "h",
        "uint16": "H",
        "uint32": "I",
        "uint64": "Q",
        "float32": "f",
        "float64": "d",
    }
    content = bytearray(size)
    struct.pack_into(f">{len(raw)}{letter[type_]}", content, at, *raw)
    definition = definition_xml(xml, signals=SIGNALS, conversions=CONVERSIONS, memory=memory, size=size)
    return decoded(definition, bytes(content))


def compared(old: Decoded, new: Decoded) -> SoftwareChange:
    return compare_softwares(old, new)


def points(change: SoftwareChange, name: str = "fuel") -> dict[tuple[float, ...], tuple[float, float]]:
    """The points of a table that differ: the values of both sides by the breakpoints."""
    table_change = change.changes.by_table[name]
    axes = [axis for axis in (table_change.new.x, table_change.new.y) if axis is not None]
    found = {}
    rows, columns = table_change.changed.shape
    for y in range(rows):
        for x in range(columns):
            if table_change.changed[y, x]:
                at = tuple(float(axis[index]) for axis, index in zip(axes, (x, y), strict=False))
                found[at] = float(table_change.old.physical[y, x]), float(table_change.new.physical[y, x])
    return found
