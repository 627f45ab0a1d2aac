"""What callint makes of reworks of one small software: compared, merged and carried, as a text for reviewers.

``python -m tests.rework_cases`` writes the text again; review each line that differs.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path

import numpy as np

from callint.comparing.carry.apply import carry
from callint.comparing.carry.result import UNEXPLAINED, CarriedQuantity, CarryResult, CellRef
from callint.comparing.compare import compare
from callint.comparing.merge import Conflict, Side, merge
from callint.decoding.checksum_update import seal
from callint.decoding.decode import Decoded, decode
from callint.model.change import ChangeSet, Grid
from callint.model.definition import Checksum, Definition, Identity, StoredAxis, Table, Text
from callint.model.image import Image
from callint.reporting.carry.reasons import deviation, note_message, omission_text, place, problem_message
from tests.building import decoded, image, u16
from tests.golden import number, point
from tests.test_carry import CONVERSIONS, curve, scalar, software

STORED = Path(__file__).parent / "data" / "rework_cases.txt"
SIZE = 256
_MORE = (
    CONVERSIONS
    + '<states name="more_modes"><state raw="1">run</state><state raw="2">limp</state>'
    + '<state raw="5">idle</state></states>'
)
_AXES = (
    '<axis name="speeds" signal="speed" at="{}" type="uint16" conversion="rpm" count="4"/>'
    '<axis name="loads" signal="load" at="{}" type="{}" conversion="whole" count="3" count-at="{}"/>'
)
_MAP = '<map name="{}" title="{}" purpose="general" {}>{}</map>'


def _map(name: str, storage: str, inside: str) -> str:
    return _MAP.format(name, name.capitalize(), storage, inside)


_TIMING = (
    '<x><fixed-axis signal="speed" values="1000 2000 3000"/></x>'
    '<y><fixed-axis signal="load" values="10 20"/></y>'
)
_ON = '<x axis="speeds"/><y axis="loads"/>'
_SMOKE = '<curve name="smoke" title="Smoke" purpose="general" {}><x axis="speeds"/>{}</curve>'
_HULL = '<text name="hull" title="Hull" purpose="general" at="{}" length="{}" encoding="{}"/>'
_SUM = (
    '<checksum name="sum" algorithm="sum16" start="0" size="200" stored-at="200"/>'
    '<identity name="software" at="204" text="SK28"/>'
)

OLD = software(
    _map("fuel", 'at="16" type="uint8" conversion="half"', f'{_ON}<limits max="110"/><off raw="255"/>')
    + _SMOKE.format('at="32" type="uint16" conversion="tenth"', '<limits min="1" max="90"/>')
    + _map("timing", 'at="48" type="uint8" conversion="shifted" order="y-first"', _TIMING)
    + curve("1 2 3", 'at="60" type="uint8" conversion="old_modes"', name="modes")
    + scalar('at="64" type="uint16" conversion="rpm"')
    + scalar('at="68" type="float32" conversion="thousandth"', name="gain")
    + scalar('at="80" type="uint8" conversion="whole" mask="0x0F"', name="low")
    + scalar('at="80" type="uint8" conversion="whole" mask="0xF0"', name="high")
    + curve("0 10 20 40", 'at="84" type="uint8" conversion="bent"', name="bend", signal="load")
    + _HULL.format(72, 8, "ascii"),
    _AXES.format(0, 8, "uint8", 12),
    _SUM,
    conversions=_MORE,
)  # fmt: skip
NEW = software(
    _map("fuel", 'at="32" type="uint16" conversion="tenth"', f'{_ON}<limits max="105"/><off raw="9999"/>')
    + _SMOKE.format('at="64" type="uint8" conversion="half"', '<limits min="2" max="80"/>')
    + _map(
        "timing",
        'at="76" type="uint8" conversion="tenth"',
        '<x><fixed-axis signal="load" values="5 10 20"/></x>'
        '<y><fixed-axis signal="speed" values="1000 1500 2500"/></y>',
    )
    + curve("1 1.5 2 3 4", 'at="90" type="uint8" conversion="more_modes"', name="modes")
    + scalar('at="96" type="uint8" conversion="rpm"')
    + scalar('at="100" type="uint16" conversion="thousandth"', name="gain")
    + scalar('at="104" type="uint8" conversion="whole" mask="0x1F"', name="low")
    + scalar('at="104" type="uint8" conversion="whole" mask="0xE0"', name="high")
    + curve("5 10 30", 'at="108" type="uint8" conversion="half"', name="bend", signal="load")
    + _HULL.format(112, 6, "ascii"),
    _AXES.format(0, 8, "uint16", 20),
    _SUM,
    conversions=_MORE,
)  # fmt: skip
_OLD_PARTS = {
    "at_0": u16(1000, 2000, 3000, 4000), "at_8": bytes([10, 20, 40]), "at_12": b"\x03",
    "at_16": bytes(range(20, 104, 7)), "at_32": u16(100, 200, 300, 400),
    "at_48": bytes([40, 50, 60, 70, 80, 90]), "at_60": bytes([0, 1, 2]), "at_64": u16(200),
    "at_68": struct.pack(">f", 500.0), "at_72": b"heron   ", "at_80": b"\x35",
    "at_84": bytes([10, 60, 110, 200]), "at_204": b"SK28",
}  # fmt: skip
_NEW_PARTS = {
    "at_0": u16(1000, 2000, 3000, 4000), "at_8": u16(10, 20, 40), "at_20": b"\x03",
    "at_32": u16(*range(100, 520, 35)), "at_64": bytes([20, 40, 60, 80]),
    "at_76": bytes([0, 50, 100, 0, 60, 120, 10, 70, 130]), "at_90": bytes([5, 1, 1, 2, 2]), "at_96": b"\xc8",
    "at_100": u16(510), "at_104": b"\x45", "at_108": bytes([10, 30, 70]), "at_112": b"heron ",
    "at_204": b"SK28",
}  # fmt: skip


def _sealed(definition: Decoded, data: bytes) -> bytes:
    return seal(Image.raw(data), definition.layout.definition.memory).image.content.tobytes()


BEFORE = decoded(OLD, image(SIZE, **_OLD_PARTS))  # type: ignore[arg-type]
BASE = _sealed(BEFORE, image(SIZE, **_OLD_PARTS))  # type: ignore[arg-type]
AFTER = decoded(NEW, image(SIZE, **_NEW_PARTS))  # type: ignore[arg-type]
NEW_BASE = _sealed(AFTER, image(SIZE, **_NEW_PARTS))  # type: ignore[arg-type]

#: What a rework does: bytes at an address.
EDITS: Mapping[str, tuple[int, bytes]] = {
    "one cell of fuel": (21, bytes([66])),
    "one cell of fuel, otherwise": (21, bytes([67])),
    "a row of fuel": (20, bytes([50, 58, 64, 72])),
    "fuel at its end": (27, bytes([220])),
    "fuel one step over": (27, bytes([212])),
    "fuel switched off": (22, bytes([255])),
    "two cells of smoke": (34, u16(230, 330)),
    "smoke near nothing": (32, u16(10)),
    "smoke near its limit": (38, u16(805)),
    "smoke by the smallest step": (36, u16(301)),
    "timing": (49, bytes([51, 62])),
    "a corner of timing": (53, bytes([120])),
    "modes": (60, bytes([1, 1])),
    "an unknown mode": (61, bytes([9])),
    "the cut": (64, u16(300)),
    "a small cut": (64, u16(255)),
    "the gain": (68, struct.pack(">f", 510.25)),
    "the gain by little": (68, struct.pack(">f", 500.04)),
    "low": (80, b"\x3c"),
    "high": (80, b"\x85"),
    "the bend": (85, bytes([70, 130])),
    "a short hull": (72, b"tern    "),
    "a long hull": (72, b"guillemo"),
    "a hull of another language": (72, b"\xc3\xa5l     "),
    "speeds": (2, u16(2100)),
    "speeds, otherwise": (2, u16(2200)),
    "loads": (10, bytes([45])),
    "a stored count": (12, b"\x02"),
    "unnamed bytes": (140, b"\x01\x02\x00\x03"),
    "unnamed bytes, otherwise": (142, b"\x07"),
    "the software's name": (204, b"SK29"),
}
#: Two reworks to be merged; both are compared, and the first is carried.
CASES = [
    *((name, "two cells of smoke") for name in EDITS),
    ("one cell of fuel", "one cell of fuel, otherwise"), ("one cell of fuel", "a row of fuel"),
    ("fuel switched off", "a row of fuel"), ("speeds", "speeds, otherwise"), ("speeds", "one cell of fuel"),
    ("speeds", "loads"), ("low", "high"), ("a short hull", "a long hull"), ("timing", "a corner of timing"),
    ("unnamed bytes", "unnamed bytes, otherwise"), ("a stored count", "loads"), ("modes", "an unknown mode"),
    ("the gain", "the gain by little"), ("the cut", "a small cut"), ("smoke by the smallest step", "loads"),
]  # fmt: skip


def reworked(*names: str) -> bytes:
    """The base with some edits, its checksum right."""
    data = bytearray(BASE)
    for name in names:
        at, content = EDITS[name]
        data[at : at + len(content)] = content
    return _sealed(BEFORE, bytes(data))


def stored() -> dict[str, str]:
    """What has been written down, by case."""
    sections = STORED.read_text("utf-8").split("\n=== ")[1:]
    return {name: rest for name, _, rest in (section.partition("\n") for section in sections)}


def said(ours: str, theirs: str) -> str:
    """All sentences about two reworks."""
    lines: list[str] = []
    item, other = (decode(BEFORE.layout, Image.raw(reworked(name))) for name in (ours, theirs))
    base = decode(BEFORE.layout, Image.raw(BASE))
    lines += ["compared", *_told(compare(base, item))]
    for side in (None, Side.THEIRS):

        def choice(conflict: Conflict, side: Side | None = side) -> Side | None:
            return side

        merged = merge(base, item, other, choice)
        lines += ["merged" if side is None else "resolved with theirs", *_told(merged.decisions)]
        lines += [*_told(merged.renewals), *_bytes(BASE, merged.image)]
    if theirs == "two cells of smoke":
        new = decode(AFTER.layout, Image.raw(NEW_BASE))
        for how in CarriedQuantity:
            for left_out in ((), (UNEXPLAINED, "fuel", "speeds", "hull")):
                done = carry(base, item, new, how, left_out)
                if left_out and not done.left_out:
                    continue
                lines += [f"carried as {how}{', but for some' if left_out else ''}"]
                lines += [*_reported(done), *_told(done.renewals)]
                lines += _bytes(NEW_BASE, done.image) if done.image is not None else ["  no image"]
    return "".join(f"{line}\n" for line in lines)


def _bytes(before: bytes, image: Image) -> Iterator[str]:
    after = image.content.tobytes()
    differing = [at for at in range(len(before)) if before[at] != after[at]]
    yield "  bytes: " + ", ".join(f"{at}: {after[at]}" for at in differing)


def _reported(done: CarryResult) -> Iterator[str]:
    """One line for each item, omission, note and problem of a carried rework."""
    for item in done.items:
        text = deviation(item) if item.kind != "text" else ""
        size = {"cells": item.cells, "deviation": item.deviation, "text": text}
        more = {"kind": item.kind, "title": item.title, "unit": item.unit, **size, "cell": item.cell}
        yield _line("CarriedItem", name=item.name, **more)
    for left in done.left_out:
        yield _line("LeftOut", name=left.name, what=omission_text(left.what))
    for note in done.notes:
        yield _line("CarryNote", name=note.name, message=note_message(note.reason), cell=note.cell)
    for problem in done.problems:
        message = problem_message(problem.cause)
        more = {"reason": problem.reason, "message": message, "cell": problem.cell, "is_old": problem.is_old}
        yield _line("CarryProblem", name=problem.name, **more)


def _line(class_name: str, /, **values: object) -> str:
    inside = "; ".join(f"{name} {words(value)}" for name, value in values.items() if value is not None)
    return f"  {class_name} [{inside}]"


def _told(result: object) -> Iterator[str]:
    """One line for each thing that was found."""
    if isinstance(result, ChangeSet):
        for field in fields(result):
            value = getattr(result, field.name)
            if isinstance(value, tuple):
                yield from _told(value)
            elif not isinstance(value, Definition):
                yield f"  {field.name} {value}"
    elif isinstance(result, tuple):
        yield from (f"  {words(item)}" for item in result)


def words(value: object) -> str:
    match value:
        case Table() | StoredAxis() | Text() | Identity() | Checksum():
            return value.name
        case CellRef():
            return f"CellRef [x {value.x}; y {value.y}; at {words(value.at)}; place {place(value)}]"
        case Grid():
            return words(value.physical)
        case np.ndarray():
            if value.dtype == bool:
                return f"at {[*map(int, np.flatnonzero(value))]}"
            return " ".join(map(number, value.ravel().tolist()))
        case Enum():
            return str(value.value)
        case float():
            return number(value)
        case Mapping():
            return point(value)
        case tuple():
            return f"({'; '.join(map(words, value))})"
    if is_dataclass(value):
        said = ((field.name, getattr(value, field.name)) for field in fields(value))
        inside = "; ".join(f"{name} {words(item)}" for name, item in said if item is not None)
        return f"{type(value).__name__} [{inside}]"
    return str(value)


def main() -> None:
    head = "What callint says about reworks of one small software. See tests/rework_cases.py.\n"
    text = "".join(f"\n=== {ours} / {theirs}\n{said(ours, theirs)}" for ours, theirs in CASES)
    STORED.write_text(head + text, "utf-8")


if __name__ == "__main__":
    main()
