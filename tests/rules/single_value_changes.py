"""The findings when a single value of an image changes, as a text for reviewers.

``python -m tests.rules.single_value_changes`` writes the text again; review each line that differs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from callint.decoding.checksum_update import seal
from callint.model.finding import Finding
from callint.model.image import Image
from tests.building import decoded, definition_xml, findings, image, u16
from tests.rules.example import AXES, ON_AXES, table
from tests.rules.golden_findings import finding_lines

STORED = Path(__file__).parent / "single_value_changes.txt"
SIZE = 128
_CONVERSIONS = """
    <linear name="rpm" unit="rpm" factor="1" decimals="0"/>
    <linear name="mg" unit="mg" factor="0.1" decimals="1"/>
    <linear name="degree" unit="degC" factor="0.5" offset="-40" decimals="1"/>
    <states name="modes">
      <state raw="0">off</state><state raw="1">slow</state><state raw="3">on</state>
    </states>"""
_TABLES = (
    table(
        "map", "smoke_limit",
        f'{ON_AXES}<limits min="5" max="90"/><expected min="10" max="72"/><off raw="900" allowed="nowhere"/>'
        '<monotonic along="y" direction="rising"/><gradient along="x" max="0.02"/><change max="6"/>'
        '<guard above="85" share="0.5"/><guard flat="true"/>',
        at=10, purpose="protection",
    )
    + table("curve", "demand",
        '<x axis="speeds"/><limits max="80"/><off raw="999" allowed="outside-operating"/>'
        '<monotonic along="x" direction="rising" strict="true"/><change max="4"/>', at=22, purpose="demand")
    + table("scalar", "monitor", '<guard state="off"/>', at=28, type="uint8", conversion="modes",
        purpose="protection")
    + table("scalar", "cut", '<limits max="4800"/><guard above="5000"/>', at=30, conversion="rpm",
        purpose="protection", signal="speed")
    + table("scalar", "resume", '<expected max="4700"/>', at=32, conversion="rpm", signal="speed")
    + table("scalar", "copy", at=34, conversion="rpm")
    + table("scalar", "release", '<limits max="25"/>', at=36, type="uint8", purpose="emissions")
    + table("curve", "warm",
        '<x><fixed-axis signal="speed" values="800 2000 4000"/></x><gradient along="x" max="0.01"/>'
        '<guard below="20"/>', at=38, type="uint8", conversion="degree", purpose="protection")
    + table("scalar", "low", '<expected max="9"/>', at=42, type="uint8", conversion="mg", mask="0x0F")
    + table("curve", "modes_by_speed", '<x axis="speeds"/>', at=44, type="uint8", conversion="modes")
    + '<text name="hull" title="Hull" purpose="protection" at="60" length="6" encoding="ascii"/>'
)  # fmt: skip
XML = definition_xml(
    _TABLES,
    axes=AXES,
    conversions=_CONVERSIONS,
    memory=(
        '<region name="calibration" start="0" size="80"/>'
        '<checksum name="sum" algorithm="sum16" start="0" size="80" stored-at="80"/>'
        '<identity name="software number" at="84" text="SK28-0412"/>'
    ),
    relations='<at-most table="demand" bound="smoke_limit" margin="1"/>'
    '<gap upper="cut" lower="resume" min="100"/><equal table="cut" mirror="copy" tolerance="50"/>',
    size=SIZE,
)
_PARTS = {
    "at_0": u16(1000, 2000, 3000, 100, 500),
    "at_10": u16(400, 420, 430, 500, 530, 540),
    "at_22": u16(150, 200, 280),
    "at_28": b"\x03",
    "at_30": u16(4500, 4300, 4520),
    "at_36": b"\x50",
    "at_38": bytes([140, 130, 125]),
    "at_42": b"\x37",
    "at_44": bytes([0, 1, 3]),
    "at_60": b"heron ",
    "at_84": b"SK28-0412",
}
_WORDS = (0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 30, 32, 34, 70, 84)
_BYTES = (28, 36, 38, 39, 40, 42, 44, 46, 62, 127)


def _sealed(data: bytes) -> bytes:
    return seal(Image.raw(data), BEFORE.layout.definition.memory).image.content.tobytes()


def _near(value: int, most: int) -> list[int]:
    """Values that differ from a value: near it, far from it, at one end of the range."""
    others = (value + 1, value - 30, value * 11 // 10, value * 10, most if value % 3 else 0)
    return [other for other in dict.fromkeys(others) if other != value and 0 <= other <= most]


BEFORE = decoded(XML, image(SIZE, **_PARTS))  # type: ignore[arg-type]
BASE = _sealed(image(SIZE, **_PARTS))  # type: ignore[arg-type]
#: The new values of each address.
NEW_VALUES = {
    **{at: [u16(value) for value in _near(int.from_bytes(BASE[at : at + 2]), 0xFFFF)] for at in _WORDS},
    **{at: [bytes([value]) for value in _near(BASE[at], 0xFF)] for at in _BYTES},
}


def stored() -> dict[str, str]:
    """The stored text of each address."""
    sections = STORED.read_text("utf-8").split("\n=== ")[1:]
    return {name: rest.rstrip("\n") for name, _, rest in (section.partition("\n") for section in sections)}


def findings_text(at: int) -> str:
    """The findings with each new value at an address, against the base and against the image itself."""
    return "".join(_lines(at)).rstrip("\n")


def _lines(at: int) -> Iterator[str]:
    for content in NEW_VALUES[at]:
        data = _sealed(BASE[:at] + content + BASE[at + len(content) :])
        yield f"{int.from_bytes(content)} for {int.from_bytes(BASE[at : at + len(content)])}\n"
        yield from _brief(findings(XML, data, BASE))
    yield "where the base is the same\n"
    yield from _brief(findings(XML, data, data))


def _brief(findings: Iterable[Finding]) -> Iterator[str]:
    return finding_lines((finding for finding in findings if finding.image), is_brief=True)


def main() -> None:
    head = "What callint finds where one number is changed. See tests/rules/single_value_changes.py.\n"
    STORED.write_text(head + "".join(f"\n=== {at}\n{findings_text(at)}\n" for at in NEW_VALUES), "utf-8")


if __name__ == "__main__":
    main()
