"""``callint seal`` as its users meet it."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest

from tests.building import definition_xml, u16
from tests.running import (
    GOOD,
    POLICY,
    SEAL,
    SOFTWARE,
    Yard,
    edited,
    fuel_cell,
    make_yard,
    yard_base,
    yard_definition,
)

IMAGE = "boats/heron.bin"
STALE = edited(GOOD, {fuel_cell(0, 0): u16(130)}, seal=False)
SEALED = edited(STALE, {})


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=STALE)


def read(yard: Yard) -> bytes:
    return (yard.root / IMAGE).read_bytes()


def hexadecimal(data: bytes) -> str:
    return f"0x{int.from_bytes(data[SEAL : SEAL + 2], 'big'):04X}"


def test_a_stale_checksum_is_recalculated_and_nothing_else_changes(yard: Yard) -> None:
    result = yard.run("seal", IMAGE)
    assert (result.status, result.stderr) == (0, "")
    assert result.flat == f"{IMAGE}: checksum sum was {hexadecimal(STALE)} and is now {hexadecimal(SEALED)}"
    assert read(yard) == SEALED
    assert yard.call("check", IMAGE).flat.count("stale-checksum") == 0


def test_a_sealed_image_is_left_alone_in_silence(yard: Yard) -> None:
    target = yard.write(IMAGE, SEALED)
    before = target.stat()
    for arguments in ((), ("--check",)):
        result = yard.call("seal", IMAGE, *arguments)
        assert (result.status, result.stdout, result.stderr) == (0, "", "")
    after = target.stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_check_only_tells(yard: Yard) -> None:
    result = yard.call("seal", "--check", IMAGE)
    assert result.status == 1
    text = f"checksum sum is stored as {hexadecimal(STALE)}, but must be {hexadecimal(SEALED)}"
    assert result.flat == f"{IMAGE}: {text}"
    assert read(yard) == STALE


def test_a_checksum_over_another_one_comes_after_it(yard: Yard) -> None:
    memory = (
        '<checksum name="outer" algorithm="sum16" start="0" size="0x92" stored-at="0x94"/>'
        '<checksum name="inner" algorithm="CRC-16/ARC" start="0" size="0x80" stored-at="0x90"/>'
    )
    yard.write("defs/yard.xml", yard_definition(memory=memory))
    result = yard.call("seal", IMAGE)
    assert [line.split()[2] for line in result.lines if "checksum" in line] == ["inner", "outer"]
    assert yard.call("seal", IMAGE, "--check").stdout == ""
    data = read(yard)
    assert data[0x94:0x96] == u16(sum(data[:0x92]) & 0xFFFF)


def test_a_link_stays_a_link_and_permissions_stay(yard: Yard) -> None:
    target = yard.root / IMAGE
    target.chmod(0o640)
    mode = target.stat().st_mode
    link = yard.root / "boats/link.bin"
    link.symlink_to("heron.bin")
    assert yard.call("seal", "boats/link.bin").status == 0
    assert link.is_symlink() and read(yard) == SEALED
    assert target.stat().st_mode == mode


def test_another_definition_and_another_policy_can_be_named(yard: Yard) -> None:
    (yard.root / "callint.toml").rename(yard.root / "other.toml")
    assert "no definition is known" in yard.call("seal", IMAGE).error
    assert yard.call("seal", IMAGE, "--definition", "defs/yard.xml", "--check").status == 1
    assert yard.call("seal", IMAGE, "--policy", "other.toml", "--check").status == 1


def refused(yard: Yard) -> str:
    """The one line of a refusal, which wrote nothing."""
    before = yard.files()
    error = yard.call("seal", IMAGE).error
    assert yard.files() == before
    return error


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (edited(STALE, {SOFTWARE: b"YARD-99"}, seal=False), 'its software number is "YARD-99"'),
        (STALE + b"\0", "it has 161 bytes, but the memory has 160"),
        (STALE[:-1], "it has 159 bytes, but the memory has 160"),
        (b"", "the image is empty"),
    ],
)
def test_an_image_that_is_not_of_the_definition_is_refused(yard: Yard, data: bytes, message: str) -> None:
    yard.write(IMAGE, data)
    assert f"{IMAGE}: {message}" in refused(yard)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b'"sum16"', b'"CRC-16/NOBODY"', "unknown algorithm"),
        (b'stored-at="0x90"', b'stored-at="0x10"', "covers its own stored place"),
        (b'stored-at="0x90"', b'stored-at="0x9f"', "needs bytes outside the memory"),
        (b'start="0x00" size="0x80"', b'start="0x60" size="0x80"', "checksum sum"),
        (b'stored-at="0x90"', b'stored-at="here"', "correct this before"),
    ],
)
def test_a_checksum_that_cannot_be_computed_is_refused_with_its_line(
    yard: Yard, old: bytes, new: bytes, message: str
) -> None:
    definition = yard_definition()
    assert old in definition
    yard.write("defs/yard.xml", definition.replace(old, new))
    error = refused(yard)
    assert error.startswith("callint: defs/yard.xml:") and message in error


def test_checksums_that_cover_each_other_are_refused(yard: Yard) -> None:
    memory = (
        '<checksum name="a" algorithm="sum16" start="0" size="0x80" stored-at="0x90"/>'
        '<checksum name="b" algorithm="sum16" start="0x90" size="4" stored-at="0x20"/>'
    )
    yard.write("defs/yard.xml", yard_definition(memory=memory))
    assert "checksum a and b cover each other's stored places" in refused(yard)


def test_two_definitions_that_fit_are_refused(yard: Yard) -> None:
    yard.write("defs/other.xml", definition_xml("", size=0xA0))
    both = 'definition = ["defs/yard.xml", "defs/other.xml"]'
    yard.write("callint.toml", POLICY.replace('definition = "defs/yard.xml"', both))
    error = refused(yard)
    assert "defs/yard.xml and defs/other.xml; choose one with --definition" in error
    assert yard.call("seal", IMAGE, "--definition", "defs/yard.xml").status == 0


def test_a_definition_without_checksums_leaves_nothing_to_do(yard: Yard) -> None:
    yard.write("defs/yard.xml", yard_definition(memory=""))
    result = yard.call("seal", IMAGE)
    assert (result.status, result.stdout) == (0, "")
    assert read(yard) == STALE


def test_the_base_is_sealed(yard: Yard) -> None:
    result = yard.call("seal", "factory/base.bin", "--definition", "defs/yard.xml", "--check")
    assert (result.status, result.stdout) == (0, "")
    assert yard_base() == (yard.root / "factory/base.bin").read_bytes()


@pytest.mark.parametrize(
    "arguments", [("seal",), ("seal", "--check"), ("set", "overspeed_cut", "--to", "4300")]
)
def test_a_checksum_that_the_definition_reads_backwards_is_not_replaced(
    yard: Yard, arguments: tuple[str, ...]
) -> None:
    """As often, the byte order of the whole definition is wrong, and the stored checksum is right."""
    text = yard_definition().replace(b'algorithm="sum16"', b'algorithm="CRC-32/ISO-HDLC" byte-order="little"')
    yard.write("defs/yard.xml", text)
    crc = zlib.crc32(STALE[:0x80]).to_bytes(4, "big")
    image = STALE[:SEAL] + crc + STALE[SEAL + 4 :]
    yard.write(IMAGE, image)
    result = yard.call(arguments[0], IMAGE, *arguments[1:])
    assert result.status == 2
    assert f"checksum sum in {IMAGE} is right as big, not as little; write" in " ".join(result.error.split())
    assert read(yard) == image
    yard.write("defs/yard.xml", text.replace(b'byte-order="little"', b""))
    assert yard.call("seal", "--check", IMAGE).status == 0
