"""Checksums against the published CRC catalogue, the standard library and plain sums."""

from __future__ import annotations

import binascii
import dataclasses
import zlib
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

import anycrc
import pytest
from crccheck import crc
from hypothesis import given
from hypothesis import strategies as st

from callint.decoding import checksums
from callint.decoding.checksum_update import UnsealableError, seal
from callint.model.definition import Checksum
from callint.model.image import Image, Segment
from callint.reading.definition import read_definition
from tests.building import definition_xml, findings, image, read
from tests.example_counts import examples

#: What the catalogue computes every check value over.
CHECK_INPUT = b"123456789"

#: Check values of the "Catalogue of parametrised CRC algorithms" (Greg Cook); two libraries confirm them.
CATALOGUE = {
    "CRC-3/GSM": 0x4,
    "CRC-3/ROHC": 0x6,
    "CRC-4/G-704": 0x7,
    "CRC-4/INTERLAKEN": 0xB,
    "CRC-5/EPC-C1G2": 0x00,
    "CRC-5/G-704": 0x07,
    "CRC-5/USB": 0x19,
    "CRC-6/G-704": 0x06,
    "CRC-7/MMC": 0x75,
    "CRC-7/ROHC": 0x53,
    "CRC-8/AUTOSAR": 0xDF,
    "CRC-8/CDMA2000": 0xDA,
    "CRC-8/DARC": 0x15,
    "CRC-8/DVB-S2": 0xBC,
    "CRC-8/I-432-1": 0xA1,
    "CRC-8/MAXIM-DOW": 0xA1,
    "CRC-8/ROHC": 0xD0,
    "CRC-8/SAE-J1850": 0x4B,
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/TECH-3250": 0x97,
    "CRC-8/WCDMA": 0x25,
    "CRC-10/ATM": 0x199,
    "CRC-11/FLEXRAY": 0x5A3,
    "CRC-12/DECT": 0xF5B,
    "CRC-12/UMTS": 0xDAF,
    "CRC-13/BBC": 0x04FA,
    "CRC-14/DARC": 0x082D,
    "CRC-15/CAN": 0x059E,
    "CRC-15/MPT1327": 0x2566,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/CMS": 0xAEE7,
    "CRC-16/DNP": 0xEA82,
    "CRC-16/EN-13757": 0xC2B7,
    "CRC-16/GENIBUS": 0xD64E,
    "CRC-16/GSM": 0xCE3C,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/IBM-SDLC": 0x906E,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/MAXIM-DOW": 0x44C2,
    "CRC-16/MCRF4XX": 0x6F91,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/SPI-FUJITSU": 0xE5CC,
    "CRC-16/T10-DIF": 0xD0DB,
    "CRC-16/UMTS": 0xFEE8,
    "CRC-16/USB": 0xB4C8,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-17/CAN-FD": 0x04F03,
    "CRC-21/CAN-FD": 0x0ED841,
    "CRC-24/BLE": 0xC25A56,
    "CRC-24/FLEXRAY-A": 0x7979BD,
    "CRC-24/FLEXRAY-B": 0x1F23B8,
    "CRC-24/OPENPGP": 0x21CF02,
    "CRC-31/PHILIPS": 0x0CE9E46C,
    "CRC-32/AIXM": 0x3010BF7F,
    "CRC-32/AUTOSAR": 0x1697D06A,
    "CRC-32/BASE91-D": 0x87315576,
    "CRC-32/BZIP2": 0xFC891918,
    "CRC-32/CKSUM": 0x765E7680,
    "CRC-32/ISCSI": 0xE3069283,
    "CRC-32/ISO-HDLC": 0xCBF43926,
    "CRC-32/JAMCRC": 0x340BC6D9,
    "CRC-32/MPEG-2": 0x0376E6E7,
    "CRC-32/XFER": 0xBD0BE338,
    "CRC-40/GSM": 0xD4164FC646,
    "CRC-64/ECMA-182": 0x6C40DF5F0B497347,
    "CRC-64/GO-ISO": 0xB90956C775A41001,
    "CRC-64/WE": 0x62EC59E3F1A4F00A,
    "CRC-64/XZ": 0x995DC9BBDF1939FA,
    "CRC-82/DARC": 0x09EA83F625023801FD612,
}

#: Aliases of the same catalogue, as two libraries have them below.
ALIASES = {
    "CRC-16/AUTOSAR": "CRC-16/IBM-3740",
    "CRC-16/CCITT-FALSE": "CRC-16/IBM-3740",
    "CRC-16/LHA": "CRC-16/ARC",
    "ARC": "CRC-16/ARC",
    "KERMIT": "CRC-16/KERMIT",
    "CRC-CCITT": "CRC-16/KERMIT",
    "CRC-B": "CRC-16/IBM-SDLC",
    "X-25": "CRC-16/IBM-SDLC",
    "X-CRC-12": "CRC-12/DECT",
    "CRC-8": "CRC-8/SMBUS",
    "CRC-15": "CRC-15/CAN",
    "CRC-32": "CRC-32/ISO-HDLC",
    "CRC-32C": "CRC-32/ISCSI",
    "CRC-32Q": "CRC-32/AIXM",
    "CRC-32/POSIX": "CRC-32/CKSUM",
    "B-CRC-32": "CRC-32/BZIP2",
    "CRC-64/GO-ECMA": "CRC-64/XZ",
}


@dataclass(frozen=True)
class Parameters:
    """The catalogue's model of a CRC, without the check value."""

    width: int
    polynomial: int
    initial: int
    reflected: bool
    final: int
    turned: bool | None = None

    @property
    def reflected_at_last(self) -> bool:
        """Whether the register is reflected at last: as the input is, where nothing else is said."""
        return self.reflected if self.turned is None else self.turned


#: Parameters of the same catalogue; with them plain division yields its check values below.
PARAMETERS = {
    "CRC-5/USB": Parameters(5, 0x05, 0x1F, True, 0x1F),
    "CRC-7/MMC": Parameters(7, 0x09, 0, False, 0),
    "CRC-8/SMBUS": Parameters(8, 0x07, 0, False, 0),
    "CRC-8/SAE-J1850": Parameters(8, 0x1D, 0xFF, False, 0xFF),
    "CRC-12/UMTS": Parameters(12, 0x80F, 0, False, 0, True),
    "CRC-15/CAN": Parameters(15, 0x4599, 0, False, 0),
    "CRC-16/IBM-3740": Parameters(16, 0x1021, 0xFFFF, False, 0),
    "CRC-16/KERMIT": Parameters(16, 0x1021, 0, True, 0),
    "CRC-16/MODBUS": Parameters(16, 0x8005, 0xFFFF, True, 0),
    "CRC-24/OPENPGP": Parameters(24, 0x864CFB, 0xB704CE, False, 0),
    "CRC-32/BZIP2": Parameters(32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF),
    "CRC-32/ISCSI": Parameters(32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-64/XZ": Parameters(64, 0x42F0E1EBA9EA3693, 2**64 - 1, True, 2**64 - 1),
    "CRC-82/DARC": Parameters(82, 0x0308C0111011401440411, 0, True, 0),
}


def reflect(value: int, width: int) -> int:
    """The bits of a number in the opposite order."""
    return int(f"{value:0{width}b}"[::-1], 2)


def bit_by_bit(parameters: Parameters, data: bytes) -> int:
    """A CRC as polynomial division, one bit at a time."""
    register, top = parameters.initial, 1 << (parameters.width - 1)
    for byte in data:
        for position in range(8):
            bit = byte >> (position if parameters.reflected else 7 - position) & 1
            feedback = bool(register & top) != bool(bit)
            register = register << 1 & (2 * top - 1)
            register ^= parameters.polynomial if feedback else 0
    return (
        reflect(register, parameters.width) if parameters.reflected_at_last else register
    ) ^ parameters.final


def checksum(xml: str) -> Checksum:
    """The one checksum of a definition of 64 bytes from 0x100."""
    (result,) = read(definition_xml("", memory=xml, start=0x100, byte_order="little")).memory.checksums
    return result


def checksum_of(algorithm: str, size: int = 9, **attributes: str | None) -> Checksum:
    """A checksum over ``size`` bytes from 0x100, stored at 0x120, in a little-endian definition."""
    given = ((name.replace("_", "-"), value) for name, value in attributes.items() if value is not None)
    more = " ".join(f'{name}="{value}"' for name, value in given)
    return checksum(
        f'<checksum name="sum" algorithm="{algorithm}" start="0x100" size="{size}" stored-at="0x120" {more}/>'
    )


def compute(algorithm: str, data: bytes, size: int = 9, **attributes: str) -> int:
    """The result of an algorithm over bytes, before any complement."""
    return checksums.compute(checksum_of(algorithm, size, **attributes), data)


CHECKED = Image.raw(image(at_0=CHECK_INPUT), 0x100)


# CRCs


@pytest.mark.parametrize("algorithm", CATALOGUE)
def test_a_crc_yields_the_check_value_of_the_published_catalogue(algorithm: str) -> None:
    assert compute(algorithm, CHECK_INPUT) == CATALOGUE[algorithm]


def published() -> list[type[crc.CrcBase]]:
    """The catalogue as a second library has it."""
    return [kind for kind in crc.ALLCRCCLASSES if kind not in (crc.CrcBase, crc.Crc)]


def test_every_algorithm_of_the_catalogue_yields_its_check_value_by_its_name_and_its_aliases() -> None:
    seen = set()
    for kind in published():
        name, *aliases = kind._names
        seen.add(name)
        # What the second library calls CRC-12-X is X-CRC-12 in the catalogue.
        for word in (name, *(alias for alias in aliases if alias != "CRC-12-X")):
            assert checksums.is_known(word) and word in checksums.known_algorithms(), word
            assert checksums.width(checksum_of(word)) == kind._width, word
            assert compute(word, CHECK_INPUT) == kind._check_result, word
    assert seen == set(checksums.catalogue())
    assert len(seen) == 113


def test_the_libraries_have_all_algorithms_alike() -> None:
    for model, parameters in anycrc.models.items():
        width, _, kind = model.removeprefix("CRC").partition("-")
        result = checksums.catalogue()[f"CRC-{width}/{kind}"]
        assert dataclasses.astuple(result) == tuple(parameters)[:6]
        assert compute(f"CRC-{width}/{kind}", CHECK_INPUT) == parameters.check


@pytest.mark.parametrize("alias", ALIASES)
def test_an_alias_is_the_algorithm_that_it_stands_for(alias: str) -> None:
    assert checksums.aliases()[alias] == ALIASES[alias]
    assert compute(alias, CHECK_INPUT) == compute(ALIASES[alias], CHECK_INPUT)


def test_every_alias_names_an_algorithm() -> None:
    assert set(checksums.aliases().values()) <= set(checksums.catalogue())
    assert not set(checksums.aliases()) & set(checksums.catalogue())


def test_every_name_and_alias_is_suggested_in_another_spelling() -> None:
    for known in checksums.known_algorithms():
        if known == "crc":
            continue
        target = checksums.aliases().get(known, known)
        respelled = known.lower().replace("/", "_").replace("-", "")
        assert target in dict(checksums.similar_algorithms(respelled)), known


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        # The second name is an alias of the first in the catalogue, as ALIASES above has it.
        ("CRC-16/CCITT-FALES", "Did you mean CRC-16/IBM-3740 (alias CRC-16/CCITT-FALSE) or "),
        ("crc16_ccitt_false", "Did you mean CRC-16/IBM-3740 (alias CRC-16/CCITT-FALSE)?"),
        ("CRC32", "Did you mean CRC-32/ISO-HDLC (alias CRC-32)?"),
        ("CRC-32/MPEG2", "Did you mean CRC-32/MPEG-2?"),
        ("MODBUS-CRC16", "Did you mean CRC-16/MODBUS?"),
        ("SAE J1850", "Did you mean CRC-8/SAE-J1850?"),
        ("sum-16", "Did you mean sum16?"),
        # Two algorithms have this name in the field, so both are suggested (common practice, no source).
        (
            "CRC16-CCITT",
            "Did you mean CRC-16/KERMIT (alias CRC-16/CCITT) or CRC-16/IBM-3740 (alias CRC-16/CCITT-FALSE)?",
        ),
        # No other width is suggested.
        ("CRC-8/CCITT", 'or give the parameters of your own as algorithm="crc".'),
        ("fletcher16", 'or give the parameters of your own as algorithm="crc".'),
    ],
)
def test_an_unknown_algorithm_has_a_hint_by_similarity_and_by_the_aliases(name: str, hint: str) -> None:
    memory = f'<checksum name="all" start="0" size="8" stored-at="40" algorithm="{name}"/>'
    (finding,) = (
        finding
        for finding in findings(definition_xml("", memory=memory))
        if finding.rule == "definition/unknown-reference"
    )
    assert finding.message == f"checksum all names the algorithm {name!r}, which does not exist"
    assert hint in finding.hint


def test_every_known_algorithm_may_stand_in_a_definition() -> None:
    lines = "".join(
        f'<checksum name="{number}" algorithm="{name}" start="0" size="1" stored-at="8"/>'
        for number, name in enumerate(checksums.known_algorithms())
        if name != "crc"
    )
    result = read(definition_xml("", memory=lines)).memory.checksums
    assert [item.algorithm for item in result] == [
        item for item in checksums.known_algorithms() if item != "crc"
    ]
    assert len(result) == 113 + len(checksums.aliases()) + 4


@pytest.mark.parametrize(
    "name", ["crc32", "CRC32", "CRC32-ISO-HDLC", "CRC-32/ISO-HDLCX", "CRC-82", "sum64", ""]
)
def test_a_name_that_the_catalogue_does_not_have_is_unknown(name: str) -> None:
    assert not checksums.is_known(name)


@given(st.binary(max_size=300))
@examples(100)
def test_crc_32_iso_hdlc_is_the_crc_of_zip(data: bytes) -> None:
    assert compute("CRC-32/ISO-HDLC", data) == zlib.crc32(data)


@given(st.binary(max_size=300))
@examples(100)
def test_crc_16_xmodem_is_the_crc_of_binhex(data: bytes) -> None:
    assert compute("CRC-16/XMODEM", data) == binascii.crc_hqx(data, 0)


@pytest.mark.parametrize("algorithm", PARAMETERS)
@given(data=st.binary(max_size=40))
@examples(25)
def test_a_crc_is_the_remainder_of_a_polynomial_division(algorithm: str, data: bytes) -> None:
    assert compute(algorithm, data) == bit_by_bit(PARAMETERS[algorithm], data)


def own(parameters: Parameters, **more: str) -> Checksum:
    """A checksum whose CRC the definition itself describes."""
    options = {
        "width": str(parameters.width),
        "poly": hex(parameters.polynomial),
        "init": hex(parameters.initial),
        "reflect_in": str(parameters.reflected).lower(),
        "reflect_out": str(parameters.reflected_at_last).lower(),
        "xorout": hex(parameters.final),
    }
    return checksum_of("crc", 9, **{**options, **more})


@st.composite
def any_parameters(draw: st.DrawFn) -> Parameters:
    width = draw(st.integers(3, 82))
    number = st.integers(0, 2**width - 1)
    polynomial, initial, final = draw(number) | 1, draw(number), draw(number)
    return Parameters(width, polynomial, initial, draw(st.booleans()), final, draw(st.booleans()))


@given(parameters=any_parameters(), data=st.binary(min_size=1, max_size=40))
@examples(80)
def test_a_crc_of_ones_own_is_the_remainder_of_a_polynomial_division(
    parameters: Parameters, data: bytes
) -> None:
    assert checksums.compute(own(parameters), data) == bit_by_bit(parameters, data)
    assert checksums.stored_size(own(parameters)) == -(-parameters.width // 8)


@pytest.mark.parametrize("algorithm", PARAMETERS)
def test_a_crc_with_the_catalogues_parameters_is_the_catalogues(algorithm: str) -> None:
    assert checksums.compute(own(PARAMETERS[algorithm]), CHECK_INPUT) == CATALOGUE.get(
        algorithm, compute(algorithm, CHECK_INPUT)
    )


def test_the_parameters_that_are_not_given_are_zero_and_not_reflected() -> None:
    plain = checksum_of("crc", width="16", poly="0x1021")
    assert checksums.compute(plain, CHECK_INPUT) == CATALOGUE["CRC-16/XMODEM"]


@pytest.mark.parametrize(
    ("attributes", "message"),
    [
        ('algorithm="crc" size="8"', "needs width and poly"),
        ('algorithm="crc" size="8" width="16"', "needs width and poly"),
        ('algorithm="crc" size="8" width="2" poly="3"', "width"),
        ('algorithm="crc" size="8" width="83" poly="3"', "width"),
        ('algorithm="crc" size="8" width="16" poly="0x11021"', "poly has more than the 16 bits"),
        ('algorithm="crc" size="8" width="8" poly="7" init="0x100"', "init has more than the 8 bits"),
        ('algorithm="crc" size="8" width="8" poly="7" xorout="256"', "xorout has more than the 8 bits"),
        ('algorithm="crc" size="8" width="16" poly="0x8408"', "written backwards, for 0x1021"),
        ('algorithm="crc" size="8" width="8" poly="7" word="uint16"', "word needs the algorithm sum8"),
        ('algorithm="CRC-16/ARC" size="8" poly="0x8005"', 'poly needs algorithm="crc"'),
        ('algorithm="sum16" size="7" word="uint16"', "7, which is not a multiple of the uint16 word"),
        ('algorithm="sum32" size="6" word="uint32"', "6, which is not a multiple of the uint32 word"),
        ('algorithm="sum16" size="8" word-order="big"', "word-order needs word"),
        ('algorithm="xor8" size="8" word="uint16"', "word needs the algorithm sum8"),
    ],
)
def test_a_checksum_that_makes_no_sense_is_a_finding_with_its_line(attributes: str, message: str) -> None:
    memory = f'\n\n<checksum name="all" start="0" stored-at="40" {attributes}/>\n'
    file = read_definition(definition_xml("", memory=memory), "defs/yard.xml")
    (problem,) = file.problems
    assert problem.rule == "definition/invalid" and message in problem.message
    assert problem.line == 5
    assert file.definition is not None and file.definition.memory.checksums == ()


@pytest.mark.parametrize(
    ("attributes", "message"),
    [
        ('algorithm="crc" width="8" poly="7" reflect-in="yes"', "reflect-in"),
        ('algorithm="sum16" word="int16"', "word"),
        ('algorithm="CRC*16" word="uint16"', "algorithm"),
    ],
)
def test_an_attribute_of_a_checksum_that_the_schema_refuses_is_a_finding_too(
    attributes: str, message: str
) -> None:
    memory = f'<checksum name="all" start="0" size="8" stored-at="40" {attributes}/>'
    (problem,) = read_definition(definition_xml("", memory=memory), "defs/yard.xml").problems
    assert problem.rule == "definition/invalid" and message in problem.message


# Sums


@pytest.mark.parametrize("bits", [8, 16, 32])
@pytest.mark.parametrize("word", [1, 2, 4])
@pytest.mark.parametrize("order", ["big", "little"])
@given(numbers=st.lists(st.integers(0, 2**32 - 1), max_size=50))
@examples(20)
def test_a_sum_of_words_adds_numbers_up_modulo_its_width(
    bits: int, word: int, order: Literal["big", "little"], numbers: list[int]
) -> None:
    numbers = [number % 2 ** (8 * word) for number in numbers]
    data = b"".join(number.to_bytes(word, order) for number in numbers)
    result = compute(f"sum{bits}", data, size=8, word=f"uint{8 * word}", word_order=order)
    assert result == sum(numbers) % 2**bits


def test_a_sum_of_words_takes_them_in_the_byte_order_of_its_result_where_none_is_named() -> None:
    for order in ("big", "little"):
        result = checksum_of("sum16", size=8, word="uint16", byte_order=order)
        assert checksums.compute(result, b"\x01\x02") == (0x0102 if order == "big" else 0x0201)


@pytest.mark.parametrize(
    ("complement", "stored"), [(None, b"\x9c\x9f"), ("ones", b"\x63\x60"), ("twos", b"\x63\x61")]
)
def test_a_sum_of_words_is_sealed_with_its_complement(complement: str | None, stored: bytes) -> None:
    # 0x3132 + 0x3334 + 0x3536 + 0x3738 = 0xD0D4; with 0xCBCB on top of it 0x19C9F, of which 16 bits stay.
    result = checksum_of(
        "sum16", size=10, word="uint16", word_order="big", byte_order="big", complement=complement
    )
    held = Image.raw(image(at_0=b"12345678\xcb\xcb"), 0x100)
    memory = read(definition_xml("", memory="", start=0x100)).memory
    sealed = seal(held, dataclasses.replace(memory, checksums=(result,)))
    assert sealed.image.read(0x120, 2) == stored


def test_a_crc_of_ones_own_is_sealed() -> None:
    result = own(PARAMETERS["CRC-15/CAN"], byte_order="big")
    held = Image.raw(image(at_0=CHECK_INPUT), 0x100)
    memory = read(definition_xml("", memory="", start=0x100)).memory
    sealed = seal(held, dataclasses.replace(memory, checksums=(result,)))
    assert sealed.image.read(0x120, 2) == b"\x05\x9e"


@pytest.mark.parametrize("is_part", [False, True])
def test_a_part_of_the_memory_stays_a_part_when_it_is_sealed(is_part: bool) -> None:
    held = Image.raw(image(at_0=CHECK_INPUT), 0x100, is_part)
    memory = read(definition_xml("", memory="", start=0x100)).memory
    result = own(PARAMETERS["CRC-15/CAN"], byte_order="big")
    sealed = seal(held, dataclasses.replace(memory, checksums=(result,)))
    assert sealed.image.read(0x120, 2) == b"\x05\x9e"
    assert sealed.image.is_part is is_part


def test_a_checksum_over_absent_bytes_is_left_and_the_others_are_sealed_and_checked() -> None:
    near = checksum_of("sum16", size=9, byte_order="big")
    far = dataclasses.replace(near, start=0x138, size=4, stored_at=0x13E)
    other = dataclasses.replace(near, size=8)  # is stored where the near one is
    held = Image.raw(image(0x30, at_0=CHECK_INPUT), 0x100)
    memory = read(definition_xml("", memory="", start=0x100)).memory
    sealed = seal(held, dataclasses.replace(memory, checksums=(far, near)))
    assert sealed.left == (far,)
    assert sealed.image.read(0x120, 2) == sum(CHECK_INPUT).to_bytes(2, "big")
    with pytest.raises(UnsealableError, match="is stored at the place of another"):
        seal(held, dataclasses.replace(memory, checksums=(far, near, other)))


@pytest.mark.parametrize("bits", [8, 16, 32])
@given(data=st.binary(max_size=2000))
@examples(40)
def test_a_sum_adds_the_bytes_up_modulo_its_width(bits: int, data: bytes) -> None:
    assert compute(f"sum{bits}", data) == sum(data) % 2**bits


@pytest.mark.parametrize(("bits", "length"), [(8, 2), (16, 300), (32, 2**24 + 2**17)])
def test_a_sum_wraps_where_its_width_ends(bits: int, length: int) -> None:
    data = b"\xff" * length
    assert 255 * length >= 2**bits
    assert compute(f"sum{bits}", data) == 255 * length % 2**bits


@given(st.binary(max_size=300))
@examples(40)
def test_xor8_is_the_exclusive_or_of_all_bytes(data: bytes) -> None:
    assert compute("xor8", data) == reduce(xor, data, 0)


# Stored results


@pytest.mark.parametrize(("complement", "expected"), [(None, 221), ("ones", 34), ("twos", 35)])
def test_a_complement_is_stored_instead_of_the_sum(complement: str | None, expected: int) -> None:
    # 0x31 + ... + 0x39 = 477 = 256 + 221; 255 - 221 = 34; 256 - 221 = 35.
    result = checksum_of("sum8", complement=complement)
    assert checksums.expected_value(result, CHECKED) == expected


@pytest.mark.parametrize("algorithm", ["sum8", "sum16", "sum32", "xor8", *CATALOGUE])
@given(data=st.binary(min_size=9, max_size=9))
@examples(5)
def test_complements_come_from_the_width_of_the_algorithm(algorithm: str, data: bytes) -> None:
    held = Image.raw(image(at_0=data), 0x100)
    value, ones, twos = (
        checksums.expected_value(checksum_of(algorithm, complement=complement), held)
        for complement in (None, "ones", "twos")
    )
    assert value is not None and ones is not None and twos is not None
    modulus = 2 ** checksums.width(checksum_of(algorithm))
    assert value + ones == modulus - 1
    assert (value + twos) % modulus == 0 and twos < modulus


@pytest.mark.parametrize(
    ("algorithm", "size"),
    [
        ("sum8", 1),
        ("xor8", 1),
        ("sum16", 2),
        ("sum32", 4),
        ("CRC-5/USB", 1),
        ("CRC-12/UMTS", 2),
        ("CRC-16/ARC", 2),
        ("CRC-24/OPENPGP", 3),
        ("CRC-32/ISO-HDLC", 4),
        ("CRC-40/GSM", 5),
        ("CRC-64/XZ", 8),
        ("CRC-82/DARC", 11),
    ],
)
def test_a_result_takes_the_whole_bytes_that_its_width_needs(algorithm: str, size: int) -> None:
    assert checksums.stored_size(checksum_of(algorithm)) == size


@pytest.mark.parametrize(("order", "stored"), [("big", b"\xcb\xf4\x39\x26"), ("little", b"\x26\x39\xf4\xcb")])
def test_a_result_is_stored_in_the_byte_order_that_is_named(order: str, stored: bytes) -> None:
    result = checksum_of("CRC-32/ISO-HDLC", byte_order=order)
    held = Image.raw(image(at_0=CHECK_INPUT, at_32=stored), 0x100)
    assert checksums.sealed_bytes(result, 0xCBF43926) == stored
    assert checksums.stored_value(result, held) == checksums.expected_value(result, held) == 0xCBF43926


def test_a_result_is_stored_in_the_byte_order_of_the_definition_where_none_is_named() -> None:
    assert checksums.sealed_bytes(checksum_of("CRC-24/OPENPGP"), 0x21CF02) == b"\x02\xcf\x21"


def test_a_checksum_covers_exactly_its_range() -> None:
    result = checksum('<checksum name="s" algorithm="sum16" start="0x102" size="3" stored-at="0x120"/>')
    held = Image.raw(image(fill=0xFF, at_0=CHECK_INPUT), 0x100)
    assert checksums.expected_value(result, held) == sum(b"345")


def test_a_checksum_over_bytes_that_the_image_lacks_has_no_value() -> None:
    result = checksum_of("sum8", size=16)
    gapped = Image((Segment(0x100, bytes(15)), Segment(0x110, bytes(17))))
    assert checksums.expected_value(result, gapped) is None
    assert checksums.stored_value(result, gapped) == 0
    assert checksums.stored_value(result, Image.raw(bytes(16), 0x100)) is None
    assert checksums.expected_value(result, Image.raw(bytes(16), 0x100)) == 0
