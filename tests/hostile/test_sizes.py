"""Files with false sizes are refused by a stated bound before memory is allocated for them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from tests.hostile.repository import A2L, BASE, DEFINITION, HERON
from tests.running import (
    GOOD,
    POLICY,
    SIZE,
    Result,
    Yard,
    environment,
    make_yard,
    run_python,
    yard_definition,
)

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux holds a process to its memory")

#: What a process may take in all, in bytes: twice what Python, NumPy and an honest yard take. The files below
#: are so large that what is made of each would not fit beside that, if a reader made it.
_CAP = 400 * 2**20
#: A safety net against a hang; no command takes near as long.
_PATIENCE = 240

_CAPPED = """\
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[1]), int(sys.argv[1])))
from callint.__main__ import main
sys.exit(main(sys.argv[2:]))
"""


def capped(yard: Yard, *arguments: str) -> Result:
    """A command in a process that gets no more memory than the cap."""
    return run_python(
        "-c", _CAPPED, str(_CAP), *arguments, cwd=yard.root, env=environment(), patience=_PATIENCE
    )


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD)


def test_an_honest_yard_needs_less_than_the_cap(yard: Yard) -> None:
    assert capped(yard, "check").status == 0
    assert capped(yard, "diff", BASE, HERON).status == 1


# Definitions

_TEXT = yard_definition().decode()


def replaced(old: str, new: str) -> str:
    assert old in _TEXT, old
    return _TEXT.replace(old, new, 1)


def tables(more: str) -> str:
    return replaced("</tables>", f"{more}</tables>")


def curve(number: int, **more: str) -> str:
    extra = " ".join(f'{name.replace("_", "-")}="{value}"' for name, value in more.items())
    return (
        f'<curve name="c{number}" title="C" purpose="general" at="0x10" type="uint16" {extra}>'
        '<x axis="speed_4"/></curve>'
    )


def chain(length: int, is_closed: bool) -> str:
    """Curves of which each puts out the signal that feeds the next."""
    signals = "".join(
        f'<signal name="s{n}" unit="rpm" plausible="0 6000" operating="700 4200">S</signal>'
        for n in range(length + 1)
    )
    result = "".join(
        f'<curve name="k{n}" title="K" purpose="general" at="0x10" type="uint16" conversion="rpm" '
        f'produces="s{0 if is_closed and n == length - 1 else n + 1}"><x><fixed-axis signal="s{n}" '
        'values="0 1000 2000 3000"/></x></curve>'
        for n in range(length)
    )
    return replaced("</signals>", f"{signals}</signals>").replace("</tables>", f"{result}</tables>")


def circle(length: int) -> str:
    """Relations of which each bounds the next, and the last the first."""
    result = "".join(curve(number) for number in range(length))
    related = "".join(
        f'<at-most table="c{number}" bound="c{(number + 1) % length}"/>' for number in range(length)
    )
    text = tables(result)
    if "<relations>" in text:
        return text.replace("</relations>", f"{related}</relations>")
    return text.replace("</tables>", f"</tables><relations>{related}</relations>")


_FOUR_BILLION = "4294967296"
DEFINITIONS: dict[str, tuple[Callable[[], str], str]] = {
    "a count of four billion": (
        lambda: replaced('count="4"', f'count="{_FOUR_BILLION}"'),
        "count is above 65536",
    ),
    "an address near 2 to the 64": (
        lambda: replaced('at="0x28"', 'at="0xFFFFFFFFFFFFFFFF"'),
        "at is not below 2 to the power of 48",
    ),
    "an address of a million digits": (
        lambda: replaced('at="0x28"', f'at="{"9" * 1_000_000}"'),
        "definition/invalid",
    ),
    "a hexadecimal address of a million digits": (
        lambda: replaced('at="0x28"', f'at="0x{"F" * 1_000_000}"'),
        "definition/invalid",
    ),
    "a memory of four billion": (
        lambda: replaced(f'size="{SIZE}"', f'size="{_FOUR_BILLION}"'),
        "size is above 256 MiB",
    ),
    "a text of four billion": (
        lambda: replaced('length="12"', f'length="{_FOUR_BILLION}"'),
        "is above 256 MiB",
    ),
    "a stride of four billion": (
        lambda: tables(curve(0, stride=_FOUR_BILLION)),
        "stride is larger than any memory",
    ),
    "a checksum of four billion": (
        lambda: replaced('size="0x80" stored-at', f'size="{_FOUR_BILLION}" stored-at'),
        "is above 256 MiB",
    ),
    "axes of 60,000 breakpoints": (
        lambda: replaced(
            "</axes>",
            "".join(
                f'<fixed-axis name="f{n}" signal="speed" start="0" step="1" count="60000"/>'
                for n in range(5000)
            )
            + "</axes>",
        ),
        "the axes have more than 4194304 breakpoints together",
    ),
    "maps upon one another": (
        lambda: replaced(
            "</axes>",
            '<fixed-axis name="wide" signal="speed" start="0" step="1" count="8000"/>'
            '<fixed-axis name="high" signal="load" start="0" step="1" count="8000"/></axes>',
        ).replace(
            "</tables>",
            '<map name="m" title="M" purpose="general" at="0x00" type="uint8">'
            '<x axis="wide"/><y axis="high"/></map>'
            "</tables>",
        ),
        "brings the cells to more than 65536, the most that callint reads for a memory of 160 bytes",
    ),
    "300,000 nested groups": (
        lambda: tables("<group>" * 300_000 + "</group>" * 300_000),
        "depth",
    ),
    "groups in groups": (lambda: tables("<group>" * 100 + "</group>" * 100), "not expected here"),
    "3000 relations in a circle": (lambda: circle(3000), ""),
    "a chain of 3000 tables": (lambda: chain(3000, is_closed=False), ""),
    "a chain of 3000 tables that bites its tail": (lambda: chain(3000, is_closed=True), ""),
    "a title of 12 MB": (lambda: replaced("Fuel by speed", "x" * 12_000_000), ""),
    "12 MB of spaces": (lambda: replaced("<tables>", " " * 12_000_000 + "<tables>"), ""),
    "30,000 attributes": (
        lambda: replaced("<tables>", "<tables " + " ".join(f'a{n}="1"' for n in range(30_000)) + ">"),
        "",
    ),
    "30,000 wrong elements": (lambda: tables("<x/>" * 30_000), "not expected here"),
    "300,000 mistakes in form": (lambda: "<definition>" + "<a></b>" * 300_000, ""),
    "a name of 10 MB": (lambda: replaced('name="fuel"', f'name="{"f" * 10_000_000}"'), ""),
    "90,000 states": (
        lambda: replaced(
            '<state raw="0">off</state>',
            "".join(f'<state raw="{n}">s{n}</state>' for n in range(2, 90_000))
            + '<state raw="0">off</state>',
        ),
        "",
    ),
}


@pytest.mark.parametrize("kind", DEFINITIONS)
def test_a_definition_that_lies_is_a_finding(yard: Yard, kind: str) -> None:
    make, arguments = DEFINITIONS[kind]
    yard.write(DEFINITION, make())
    result = capped(yard, "check")
    assert result.status in ((1,) if arguments else (0, 1)), result
    assert arguments in " ".join(result.stdout.split())
    is_closed = "tail" in kind
    if "3000" in kind and not is_closed:
        return  # there is no lie in these, only much to say
    more = ("whatif", HERON, "--true", f"{'s0' if is_closed else 'speed'}=1600", "--reads", "2000")
    assert capped(yard, *more).status in (0, 2)


def test_a_false_reading_is_followed_through_a_thousand_tables(yard: Yard) -> None:
    # If each table were computed through its whole chain again, this would take a hundred times as long.
    yard.write(DEFINITION, chain(1000, is_closed=False))
    result = capped(yard, "whatif", HERON, "--true", "s0=1000", "--reads", "2000", "--all")
    assert result.status == 0, result
    assert "k999: K no difference" in " ".join(result.stdout.split())


# Images


def sparse(path: Path, size: int) -> None:
    with path.open("wb") as file:
        file.truncate(size)


@pytest.mark.parametrize("size", [2**28 + 1, 2**40])
@pytest.mark.parametrize("name", [HERON, BASE, DEFINITION, "callint.toml"])
def test_a_sparse_file_of_any_size_is_refused_by_its_size(yard: Yard, name: str, size: int) -> None:
    sparse(yard.root / name, size)
    result = capped(yard, "check")
    assert result.status in (1, 2)
    assert "it is larger than" in " ".join((result.stdout + result.stderr).split())


def records(form: str, places: Iterable[int]) -> bytes:
    """A byte at each address, in Intel HEX or in S-records."""

    def line(content: bytes, twos: int) -> str:
        return content.hex().upper() + f"{(twos - sum(content)) & 0xFF:02X}"

    lines = []
    for at in places:
        if form == "hex":
            lines.append(":" + line(b"\x02\0\0\x04" + (at >> 16).to_bytes(2), 0))
            lines.append(":" + line(b"\x01" + (at & 0xFFFF).to_bytes(2) + b"\0\x55", 0))
        else:
            lines.append("S3" + line(b"\x06" + at.to_bytes(4) + b"\x55", 0xFF))
    lines.append(":00000001FF" if form == "hex" else "S70500000000FA")
    return "\n".join(lines).encode() + b"\n"


@pytest.mark.parametrize("form", ["hex", "srec"])
def test_records_over_four_gib_take_no_more_than_their_bytes(yard: Yard, form: str) -> None:
    yard.write(HERON, records(form, range(0, 2**32, 2**16)))
    result = capped(yard, "check")
    assert result.status == 1
    assert "4,096" in result.stdout or "4096" in result.stdout
    yard.write(HERON, records(form, (0, 2**32 - 1)))
    assert capped(yard, "check").status == 1
    assert capped(yard, "show", HERON).status in (0, 2)


def test_a_flood_of_records_is_refused_by_its_size(yard: Yard) -> None:
    yard.write(HERON, b"S0030000FC\n" * (65 * 2**20 // 11))
    result = capped(yard, "check")
    assert result.status == 1
    assert "the file is larger than 64 MiB" in " ".join(result.stdout.split())
    yard.write(HERON, b"S1030000FC\n" * 1_000_000)
    assert capped(yard, "check").status == 1
    yard.write(HERON, b"S1030000FD\n" * 1_000_000)
    assert "callint reports no further damaged lines" in " ".join(
        capped(yard, "check", "--all").stdout.split()
    )


# Policies, logs, descriptions, values


def test_a_policy_of_30_mb_is_refused_before_it_is_read(yard: Yard) -> None:
    yard.write("callint.toml", f"{POLICY}# " + "x" * 30_000_000)
    assert "callint.toml: it is larger than 4 MiB, the most that callint reads" in capped(yard, "check").error


@pytest.mark.parametrize("head", ["speed,load\n", "", '"speed'])
def test_a_log_with_a_line_of_30_mb_is_read_in_pieces(yard: Yard, head: str) -> None:
    for piece, count in (
        (b"1" * 10_000, 3000),
        (b"1," * 5000, 3000),
        (b'"' * 10_000, 1500),
        (b"\n" * 10_000, 1500),
    ):
        with (yard.root / "drive.csv").open("wb") as log:
            log.writelines([head.encode(), *[piece] * count, b"\n800,10\n"])
        assert capped(yard, "show", HERON, "--log", "drive.csv").status in (0, 2)


DESCRIPTIONS = {
    "blocks 100,000 deep": "/begin A " * 100_000,
    "brackets 100,000 deep": A2L + "(" * 100_000,
    "a word of 12 MB": "x" * 12_000_000,
    "a string of 12 MB": '"' + "x" * 12_000_000,
    "a comment of 12 MB": "/*" + "x" * 12_000_000,
    "a block of 300,000 words": A2L.replace(
        "/begin CHAR", "/begin X " + "1 " * 300_000 + "/end X /begin CHAR"
    ),
    "four billion points": A2L.replace(
        "VALUE 0x30 word 0 one 0 5000",
        f"CURVE 0x30 word 0 one 0 5000 /begin AXIS_DESCR FIX_AXIS NO_INPUT_QUANTITY one {_FOUR_BILLION} 0 1 "
        f"FIX_AXIS_PAR_DIST 0 1 {_FOUR_BILLION} /end AXIS_DESCR",
    ),
    "numbers four billion": A2L.replace("5000", f"5000 NUMBER {_FOUR_BILLION}").replace("VALUE", "VAL_BLK"),
    "a matrix of four billion": A2L.replace("5000", "5000 MATRIX_DIM 65535 65535 65535").replace(
        "VALUE", "VAL_BLK"
    ),
    "an address near 2 to the 64": A2L.replace("0x30", "0xFFFFFFFFFFFFFFFF"),
    "a number of a million digits": A2L.replace("5000", "9" * 1_000_000),
    "an alignment of four billion": A2L.replace(
        "/begin RECORD", f'/begin MOD_COMMON "" ALIGNMENT_WORD {_FOUR_BILLION} /end MOD_COMMON /begin RECORD'
    ),
    "60,000 mistakes": A2L.replace(
        "/begin CHAR", "/begin CHARACTERISTIC /end CHARACTERISTIC " * 60_000 + "/begin CHAR"
    ),
}


@pytest.mark.parametrize("kind", DESCRIPTIONS)
def test_a_false_description_is_refused_or_reported(yard: Yard, kind: str) -> None:
    yard.write("engine.a2l", DESCRIPTIONS[kind])
    result = capped(yard, "import", "engine.a2l")
    assert result.status in (0, 1, 2), result
    assert len(result.stderr) < 10_000


def test_values_that_lie_are_refused(yard: Yard) -> None:
    head = "<MSRSW><CATEGORY>CDF20</CATEGORY><SW-SYSTEMS><SW-SYSTEM><SW-INSTANCE-SPEC><SW-INSTANCE-TREE>"
    for text in (
        head + "<SW-INSTANCE>" * 300_000,
        head
        + "<SW-INSTANCE/>" * 300_000
        + "</SW-INSTANCE-TREE></SW-INSTANCE-SPEC></SW-SYSTEM></SW-SYSTEMS></MSRSW>",
        head.replace("CDF20", "x" * 12_000_000),
    ):
        yard.write("values.cdfx", text)
        assert len(capped(yard, "diff", HERON, "values.cdfx").error) < 1000
