"""Large definitions and images to measure with: invented tables of all kinds, smooth and within limits."""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

import bincopy
import numpy as np

#: Of every 20 tables so many are maps of 16 by 16, curves of 28, and scalars: 125 cells a table.
_MAPS, _CURVES, _SCALARS = 9, 7, 4
_TYPES = ("uint16", "int16", "uint8", "uint32", "float32")
_CODES = {"uint16": ">u2", "int16": ">i2", "uint8": ">u1", "uint32": ">u4", "float32": ">f4"}
_PURPOSES = ("demand", "correction", "protection", "emissions", "diagnosis", "general")
#: Kept free at the front for axes and at the end for the identity and the checksum.
_FRONT, _BACK = 0x1000, 0x100


@dataclass(frozen=True, slots=True)
class Sample:
    """The files of one measurement, and how much is in them."""

    definition: Path
    base: Path
    image: Path
    tables: int
    cells: int
    size: int


def as_hex(sample: Sample) -> Sample:
    """The same image and base as Intel HEX files."""
    written = []
    for path in (sample.base, sample.image):
        file = bincopy.BinFile()
        file.add_binary(path.read_bytes())
        target = path.with_suffix(".hex")
        target.write_text(file.as_ihex(16), "ascii")
        written.append(target)
    return replace(sample, base=written[0], image=written[1])


def without_slips(sample: Sample) -> bytes:
    """A rework of the base in which nothing is to be found: some cells of one table of no great weight."""
    table = re.search(
        r'name="table_5" [^>]* purpose="general" at="(\w+)" type="uint16"', sample.definition.read_text()
    )
    assert table is not None
    address = int(table[1], 16)
    data = bytearray(sample.base.read_bytes())
    cells = np.frombuffer(data[address : address + 512], ">u2").reshape(16, 16).copy()
    cells[4:8, 4:8] += 2
    data[address : address + 512] = cells.tobytes()
    return sealed(data)


def write_sample(folder: Path, tables: int, size: int) -> Sample:
    """A definition of so many tables, its base of ``size`` bytes and a rework, below ``folder``.

    The rework changes one region of every fiftieth map, stays within all limits but for three cells,
    and has its checksum right.
    """
    folder.mkdir(parents=True, exist_ok=True)
    data = bytearray(b"\xff" * size)
    lines = _head(size)
    data[0x100 : 0x100 + 32] = (1000 + 250 * np.arange(16)).astype(">u2").tobytes()
    data[0x140 : 0x140 + 32] = (50 * np.arange(1, 17)).astype(">u2").tobytes()
    data[0x180 : 0x180 + 56] = (100 * np.arange(1, 29)).astype(">u2").tobytes()
    address, cells = _FRONT, 0
    rework: list[tuple[int, bytes]] = []
    for number in range(tables):
        kind = number % (_MAPS + _CURVES + _SCALARS)
        name = _TYPES[number % len(_TYPES)]
        count = 256 if kind < _MAPS else 28 if kind < _MAPS + _CURVES else 1
        values = _values(number, count, name)
        content = values.astype(_CODES[name]).tobytes()
        if address + len(content) > size - _BACK:
            raise ValueError(f"{tables} tables do not fit into {size} bytes")
        data[address : address + len(content)] = content
        lines.append(_table(number, count, name, address))
        if count == 256 and number % 50 == 0:
            reworked = values.copy()
            reworked.reshape(16, 16)[4:9, 4:9] *= 1.04
            if number < 150:
                reworked[100] = values[100] * 20 if name != "uint8" else 255
            rework.append((address, reworked.astype(_CODES[name]).tobytes()))
        address += len(content)
        cells += count
    lines.append("  </tables>\n</definition>")
    image = bytearray(data)
    for place, content in rework:
        image[place : place + len(content)] = content
    sample = Sample(folder / "definition.xml", folder / "base.bin", folder / "image.bin", tables, cells, size)
    sample.definition.write_text("\n".join(lines) + "\n", "utf-8")
    sample.base.write_bytes(sealed(data))
    sample.image.write_bytes(sealed(image))
    return sample


def _values(number: int, count: int, name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """A smooth surface between 20 and 120, whatever the type."""
    x = np.arange(count) % 16 / 15
    y = np.arange(count) // 16 / 15
    surface = 20 + 60 * x + 30 * y * (1 + number % 7 / 10) / 1.6
    return surface if name == "float32" else np.rint(surface)


def _table(number: int, count: int, name: str, address: int) -> str:
    purpose = _PURPOSES[number % len(_PURPOSES)]
    kind = {256: "map", 28: "curve", 1: "scalar"}[count]
    axes = {256: '<x axis="speed"/><y axis="load"/>', 28: '<x axis="long"/>', 1: ""}[count]
    monotonic = '<monotonic along="x" direction="rising"/>' if count == 256 and number % 4 == 0 else ""
    change = '<change max="40"/>' if number % 3 == 0 else ""
    guard = '<guard above="240"/>' if purpose == "protection" else ""
    return (
        f'    <{kind} name="table_{number}" title="Table {number}" purpose="{purpose}" at="{address:#x}" '
        f'type="{name}" conversion="{"real" if name == "float32" else "step"}">{axes}'
        f'<limits min="0" max="250"/><expected min="1" max="200"/>{monotonic}{change}{guard}</{kind}>'
    )


def _head(size: int) -> list[str]:
    identity, stored = size - 16, size - 4
    return [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<definition xmlns="urn:callint:definition:1" name="sample" revision="1" byte-order="big">',
        f'  <memory start="0" size="{size}"><identity name="software" at="{identity}" text="SAMPLE-1"/>',
        '    <checksum name="all" algorithm="CRC-32/ISO-HDLC" start="0" '
        f'size="{identity}" stored-at="{stored}"/></memory>',
        "  <signals>",
        '    <signal name="engine_speed" unit="rpm" plausible="0 6000" operating="1000 4500">Speed</signal>',
        '    <signal name="fuel" unit="mg" plausible="0 3000" operating="50 800">Fuel</signal>',
        "  </signals>",
        '  <conversions><linear name="step" unit="%" factor="1"/>',
        '    <linear name="real" unit="%" factor="1" decimals="2"/>',
        '    <linear name="rpm" unit="rpm" factor="1"/>',
        '    <linear name="mg" unit="mg" factor="1"/></conversions>',
        "  <axes>",
        '    <axis name="speed" signal="engine_speed" at="0x100" type="uint16" conversion="rpm" count="16"/>',
        '    <axis name="load" signal="fuel" at="0x140" type="uint16" conversion="mg" count="16"/>',
        '    <axis name="long" signal="fuel" at="0x180" type="uint16" conversion="mg" count="28"/>',
        "  </axes>",
        "  <tables>",
    ]


def sealed(data: bytearray) -> bytes:
    """The content with its identity and its checksum."""
    size = len(data)
    data[size - 16 : size - 8] = b"SAMPLE-1"
    data[size - 4 :] = zlib.crc32(data[: size - 16]).to_bytes(4, "big")
    return bytes(data)
