"""Small definitions and images for tests, and one call that checks them."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import lru_cache

from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.checking.loading import Definitions
from callint.checking.report import Report
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Layout, make_layout
from callint.decoding.surfaces import Surface, surface
from callint.model.definition import Definition
from callint.model.finding import Finding
from callint.model.image import Image
from callint.model.policy import Policy
from callint.reading.definition import read_definition
from callint.reading.tree import file_digests

#: The day on which the tests take place.
TODAY = date(2026, 6, 15)

SIGNALS = """
    <signal name="speed" unit="rpm" plausible="0 6000" operating="700 4200">Engine speed</signal>
    <signal name="load" unit="mg" plausible="0 100" operating="5 80">Fuel quantity</signal>
"""
CONVERSIONS = """
    <linear name="rpm" unit="rpm" factor="1" decimals="0"/>
    <linear name="mg" unit="mg" factor="0.1" decimals="1"/>
    <states name="on_off"><state raw="0">off</state><state raw="1">on</state></states>
"""


def definition_xml(
    tables: str,
    *,
    axes: str = "",
    signals: str = SIGNALS,
    conversions: str = CONVERSIONS,
    memory: str = "",
    relations: str = "",
    start: int = 0,
    size: int = 64,
    byte_order: str = "big",
) -> bytes:
    """A definition with a small memory; ``memory`` holds regions, identities and checksums."""
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<definition xmlns="urn:callint:definition:1" name="test" revision="1" byte-order="{byte_order}">
  <memory start="{start}" size="{size}">{memory}</memory>
  <signals>{signals}</signals>
  <conversions>{conversions}</conversions>
  <axes>{axes}</axes>
  <tables>{tables}</tables>
  <relations>{relations}</relations>
</definition>
""".encode()


def read(xml: bytes) -> Definition:
    """The definition of a file that is known to be good in form."""
    file = read_definition(xml, "test.xml")
    assert file.definition is not None and not file.problems, file.problems
    return file.definition


def decoded(xml: bytes, data: bytes) -> Decoded:
    """An image decoded by a definition."""
    layout = _layout(xml)
    return decode(layout, Image.raw(data, layout.definition.memory.start))


@lru_cache(maxsize=64)
def _layout(xml: bytes) -> Layout:
    """The layout of a definition; as in callint, all images of the definition share it."""
    return make_layout(read(xml))


def image(size: int = 64, fill: int = 0, **at: bytes) -> bytes:
    """An image with bytes at addresses: ``image(at_16=b"...")``."""
    data = bytearray([fill] * size)
    for name, content in at.items():
        address = int(name.removeprefix("at_"))
        data[address : address + len(content)] = content
    return bytes(data)


def hex_record(type_: int, address: int = 0, data: bytes = b"") -> str:
    """A line of Intel HEX."""
    content = bytes([len(data), *address.to_bytes(2, "big"), type_, *data])
    return f":{content.hex().upper()}{-sum(content) & 0xFF:02X}"


def s_record(type_: int, address: int = 0, data: bytes = b"") -> str:
    """A line of S-records."""
    width = {1: 2, 2: 3, 3: 4, 6: 3, 7: 4, 8: 3}.get(type_, 2)
    content = bytes([width + len(data) + 1, *address.to_bytes(width, "big"), *data])
    return f"S{type_}{content.hex().upper()}{~sum(content) & 0xFF:02X}"


def text_of(*records: str, end: str = "\n") -> bytes:
    """Records as a file."""
    return "".join(f"{record}{end}" for record in records).encode()


def hex_file(parts: Mapping[int, bytes], size: int = 16, end: str = "\n") -> bytes:
    """An Intel HEX file of bytes at addresses, with ``size`` of them in a record."""
    lines, upper = [], 0
    for start, data in parts.items():
        place = 0
        while place < len(data):
            address = start + place
            if address >> 16 != upper:
                upper = address >> 16
                lines.append(hex_record(4, 0, upper.to_bytes(2, "big")))
            most = min(size, 0x10000 - (address & 0xFFFF))
            lines.append(hex_record(0, address & 0xFFFF, data[place : place + most]))
            place += most
    return text_of(*lines, hex_record(1), end=end)


def s_file(parts: Mapping[int, bytes], type_: int = 3, size: int = 16) -> bytes:
    """A file of S-records of one type with bytes at addresses, a header and a count."""
    chunks = [
        (start + place, data[place : place + size])
        for start, data in parts.items()
        for place in range(0, len(data), size)
    ]
    lines = [s_record(type_, address, chunk) for address, chunk in chunks]
    return text_of(s_record(0, 0, b"yard"), *lines, s_record(5, len(lines)), s_record(10 - type_))


def u16(*values: int) -> bytes:
    """Big-endian unsigned 16-bit numbers."""
    return struct.pack(f">{len(values)}H", *values)


def table_surface(
    x: Sequence[float] | None, y: Sequence[float] | None = None, cells: Sequence[float] = ()
) -> Surface:
    """The table ``t`` of doubles: a scalar, a curve over speed, or a map over speed and load.

    ``cells`` vary fastest along x (default: all 0); a cell that is not a number stands for one that is off.
    """
    axes, data = "", b""
    for name, signal, breakpoints in (("x", "speed", x), ("y", "load", y)):
        if breakpoints is not None:
            axes += (
                f'<{name}><axis signal="{signal}" at="{len(data)}" type="float64" '
                f'count="{len(breakpoints)}"/></{name}>'
            )
            data += struct.pack(f">{len(breakpoints)}d", *breakpoints)
    count = len(x or [0]) * len(y or [0])
    kind = "scalar" if x is None else "curve" if y is None else "map"
    table = f'<{kind} name="t" title="T" purpose="general" at="{len(data)}" type="float64">{axes}</{kind}>'
    content = data + struct.pack(f">{count}d", *(cells or [0.0] * count))
    image = decoded(definition_xml(table, size=len(content)), content)
    result = surface(image, image.layout.definition.tables["t"])
    assert result is not None
    return result


class Files:
    """A tree of files in memory."""

    def __init__(self, **files: bytes) -> None:
        self.files = {
            name.replace("__", "/").replace("_bin", ".bin").replace("_xml", ".xml"): content
            for name, content in files.items()
        }

    def read(self, path: str) -> bytes:
        if path not in self.files:
            raise FileNotFoundError(path)
        return self.files[path]

    def paths(self) -> Iterator[str]:
        return iter(sorted(self.files))

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        return file_digests(self, paths)

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        return {path: len(self.files[path]) for path in paths if path in self.files}


class Counted(Files):
    """Counts how often each file is read."""

    def __init__(self, files: Files) -> None:
        self.files = files.files
        self.read_files: list[str] = []

    def read(self, path: str) -> bytes:
        self.read_files.append(path)
        return super().read(path)


def inspect(
    xml: bytes,
    data: bytes | None = None,
    base: bytes | None = None,
    policy: Policy | None = None,
    beside: Mapping[str, bytes] | None = None,
    definitions: Definitions | None = None,
) -> Report:
    """The findings about a definition, an image (new.bin) and its base (base.bin).

    ``beside`` has the files that the definition builds on. ``definitions`` are those already read.
    """
    files = Files(test_xml=xml)
    files.files.update(beside or {})
    if data is not None:
        files.files["new.bin"] = data
    if base is not None:
        files.files["base.bin"] = base
    inspector = Checker(files, policy or Policy(), TODAY, definitions=definitions)
    images = (
        []
        if data is None
        else [Assignment("new.bin", ("test.xml",), ("base.bin",) if base is not None else ())]
    )
    return inspector.report(images, ["test.xml"], whole=True)


def findings(
    xml: bytes,
    data: bytes | None = None,
    base: bytes | None = None,
    policy: Policy | None = None,
    beside: Mapping[str, bytes] | None = None,
) -> list[Finding]:
    """The findings of ``inspect``."""
    return list(inspect(xml, data, base, policy, beside).findings)


def rules_found(xml: bytes, data: bytes | None = None, base: bytes | None = None) -> set[str]:
    """The ids of the rules that found something."""
    return {finding.rule for finding in findings(xml, data, base)}
