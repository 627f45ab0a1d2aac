"""Small descriptions in the standard ASAM MCD-2 MC for tests, and what becomes of them."""

from __future__ import annotations

from pathlib import Path

from callint.decoding.decode import decode
from callint.decoding.layout import make_layout
from callint.model.definition import Definition
from callint.model.image import Image
from callint.reading.asap2.build import Imported, make_definition
from callint.reading.asap2.nodes import Description
from callint.reading.asap2.parser import read_asap2
from callint.reading.asap2.tokens import TokenStream

COMMON = '/begin MOD_COMMON "" BYTE_ORDER MSB_FIRST /end MOD_COMMON'
LAYOUTS = """
/begin RECORD_LAYOUT BYTE_VALUES FNC_VALUES 1 UBYTE ROW_DIR DIRECT /end RECORD_LAYOUT
/begin RECORD_LAYOUT WORD_VALUES FNC_VALUES 1 UWORD ROW_DIR DIRECT /end RECORD_LAYOUT
/begin RECORD_LAYOUT BYTE_AXIS AXIS_PTS_X 1 UBYTE INDEX_INCR DIRECT /end RECORD_LAYOUT
"""
METHODS = """
/begin COMPU_METHOD SPEED "Engine speed" LINEAR "%6.0" "rpm" COEFFS_LINEAR 20 0 /end COMPU_METHOD
/begin COMPU_METHOD FUEL "Fuel" RAT_FUNC "%5.1" "mg" COEFFS 0 10 0 0 0 1 /end COMPU_METHOD
"""
SPEED_SIGNAL = '/begin MEASUREMENT N "Engine speed" UWORD SPEED 0 0 0 6000 /end MEASUREMENT'


def module(*blocks: str, common: str = COMMON, name: str = "SKERRY") -> str:
    """A description with one module."""
    inside = "\n".join((common, *blocks))
    return (
        f'ASAP2_VERSION 1 61\n/begin PROJECT P "Boats"\n/begin MODULE {name} "Skerry 28"\n'
        f"{inside}\n/end MODULE\n/end PROJECT\n"
    )


def value(name: str = "LIMIT", rest: str = "", **parts: object) -> str:
    """A CHARACTERISTIC of the type VALUE, or of the type in ``parts``."""
    given: dict[str, object] = {
        "title": "A limit",
        "type": "VALUE",
        "at": "0x10",
        "layout": "WORD_VALUES",
        "method": "FUEL",
        "low": 0,
        "high": 100,
    }
    given |= parts
    return (
        f'/begin CHARACTERISTIC {name} "{given["title"]}" {given["type"]} {given["at"]} {given["layout"]} 0 '
        f"{given['method']} {given['low']} {given['high']}\n{rest}\n/end CHARACTERISTIC"
    )


def axis(attribute: str, points: int, rest: str = "", signal: str = "N", method: str = "SPEED") -> str:
    """An AXIS_DESCR."""
    return f"/begin AXIS_DESCR {attribute} {signal} {method} {points} 0 6000 {rest} /end AXIS_DESCR"


def write(folder: Path, text: str | bytes, name: str = "engine.a2l") -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def described(folder: Path, text: str | bytes, module: str | None = None) -> Description:
    return read_asap2(write(folder, text), module)


def imported(folder: Path, *blocks: str, common: str = COMMON) -> Imported:
    """What becomes of a module with these blocks and the usual layouts and conversions."""
    return make_definition(described(folder, module(LAYOUTS, METHODS, SPEED_SIGNAL, *blocks, common=common)))


def made(result: Imported) -> Definition:
    assert result.definition is not None, result.losses
    return result.definition


def reasons(result: Imported) -> list[tuple[str, str]]:
    """Name and reason of everything that was lost."""
    return [(loss.name, loss.reason) for loss in result.losses]


def words(path: Path) -> list[tuple[str, int]]:
    """Every word of a file with its line."""
    source = TokenStream(path)
    return [
        (text, source.place(place).line)
        for stretch in source.tokens()
        for text, place in zip(stretch.texts, stretch.places, strict=True)
    ]


def cells(definition: Definition, data: bytes, name: str) -> list[float]:
    """The physical values of a table, x fastest, or of a stored axis, in an image that begins at 0."""
    layout = make_layout(definition)
    start = definition.memory.start
    result = decode(layout, Image.raw(data[start : start + definition.memory.size], start))
    item = layout.table_items[name] if name in layout.table_items else layout.axis_items[name]
    return [float(cell) for cell in result.physical[layout.cells(item)]]
