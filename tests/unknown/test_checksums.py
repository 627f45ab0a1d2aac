"""``callint checksums`` finds stored sums and CRCs, and says what chance would give.

The stored values are computed by crccheck, another library than the one of callint; the parameters of both
are those of the published catalogue of parametrised CRC algorithms.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from crccheck.crc import Crc as AnyWidth

from callint.comparing.checksum_search.bounds import search_space
from callint.comparing.checksum_search.values import families, plans
from callint.decoding.checksums import catalogue
from callint.model.definition import Memory
from callint.model.image import Image
from tests.running import GOOD, Yard, make_yard, too_wide, valid
from tests.running import edited as edited_yard

SIZE = 0x800
#: For each algorithm, the first byte of the range, the byte after it, and the place of the value.
STORED: dict[str, tuple[int, int, int]] = {
    "CRC-32/ISO-HDLC": (0x000, 0x200, 0x7F0),
    "CRC-32/BZIP2": (0x080, 0x400, 0x7F4),
    "CRC-24/OPENPGP": (0x100, 0x300, 0x7F9),
    "CRC-64/XZ": (0x200, 0x700, 0x7E0),
    "CRC-16/IBM-3740": (0x400, 0x500, 0x500),  # directly after its range
}


def _crc(name: str, data: bytes) -> int:
    crc = catalogue()[name]
    library = AnyWidth(crc.width, crc.poly, crc.init, crc.reflect_in, crc.reflect_out, crc.xorout)
    return int(library.calc(data))


def _image(seed: int) -> bytes:
    """Random bytes that differ from seed to seed in places all over the memory, with their checksums."""
    data = bytearray(np.random.default_rng(1).integers(0, 256, SIZE, np.uint8).tobytes())
    changes = np.random.default_rng(100 + seed)
    for at in changes.integers(0, 0x7D0, 40).tolist():
        data[at] = int(changes.integers(0, 256))
    data[0x7C0:0x7E0] = b"\xff" * 0x20
    for name in ("CRC-16/IBM-3740", *STORED):  # the first lies in ranges of the others
        low, high, at = STORED[name]
        width = catalogue()[name].width
        order: Literal["little", "big"] = "little" if name == "CRC-24/OPENPGP" else "big"
        data[at : at + width // 8] = _crc(name, bytes(data[low:high])).to_bytes(width // 8, order)
    return bytes(data)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    yard = Yard(tmp_path_factory.mktemp("checksums"))
    for seed in range(2):
        yard.write(f"image-{seed}.bin", _image(seed))
    return yard


@pytest.fixture(scope="module")
def document(yard: Yard) -> dict[str, Any]:
    result = yard.call("checksums", "image-0.bin", "image-1.bin", "--format", "json")
    assert result.status == 0
    document: dict[str, Any] = valid(result.data, "checksum-search.schema.json")
    return document


def test_crcs_of_every_sort_are_found_and_nothing_else(document: dict[str, Any]) -> None:
    found = {
        item["algorithm"]: (item["start"], item["start"] + item["size"], item["stored_at"])
        for item in document["found"]
    }
    assert found == STORED
    orders = {item["algorithm"]: item["byte_order"] for item in document["found"]}
    assert [name for name, order in orders.items() if order == "little"] == ["CRC-24/OPENPGP"]


def test_the_chance_is_the_number_of_hypotheses_by_the_bits_that_agree(document: dict[str, Any]) -> None:
    for item in document["found"]:
        width = catalogue()[item["algorithm"]].width
        assert item["contents"] == 2 and item["proven_bits"] == 2 * width
        assert item["chance"] == pytest.approx(item["tried"] * 2.0 ** (-2 * width))
    searches = {(search["bits"], search["beside"]): search for search in document["searches"]}
    # 16 bits in two images prove 32 bits: enough beside a range, too few for every address.
    assert searches[16, True]["done"] and not searches[16, False]["done"]
    assert searches[16, False]["images_needed"] == 3
    for search in searches.values():
        needed = search["images_needed"]
        assert search["tried"] * 2.0 ** (-search["bits"] * needed) <= 0.01
        assert needed == 1 or search["tried"] * 2.0 ** (-search["bits"] * (needed - 1)) > 0.01


def test_the_printed_lines_are_lines_of_a_definition_that_checks_the_images(yard: Yard) -> None:
    text = yard.call("checksums", "image-0.bin", "image-1.bin")
    lines = [line.strip() for line in text.stdout.splitlines() if line.startswith("  <checksum")]
    assert len(lines) == len(STORED)
    assert not too_wide("\n".join(line for line in text.stdout.splitlines() if "<checksum" not in line))
    assert "2 different contents of the range: 64 bits agree." in text.stdout
    memory = "".join(f"{line}\n" for line in lines)
    yard.write(
        "found.xml",
        f'<definition xmlns="urn:callint:definition:1" name="found" revision="1" byte-order="big">\n'
        f'<memory start="0x0" size="0x{SIZE:X}">{memory}</memory>\n'
        '<tables><scalar name="s" title="S" purpose="general" at="0x600" type="uint8"/></tables>'
        "</definition>",
    )
    for name in ("image-0.bin", "image-1.bin"):
        assert yard.call("seal", "--check", name, "--definition", "found.xml").status == 0, name
    broken = edited_yard(_image(0), {0x250: b"\0\1\2\3"}, seal=False)
    yard.write("broken.bin", broken)
    assert yard.call("seal", "--check", "broken.bin", "--definition", "found.xml").status == 1


def test_sums_with_complements_are_found_in_more_images(tmp_path: Path) -> None:
    numbers = np.random.default_rng(5)
    yard = Yard(tmp_path)
    names = []
    for number in range(4):
        data = bytearray(numbers.integers(0, 256, 0x400, np.uint8).tobytes())
        words = np.frombuffer(bytes(data[0x100:0x300]), "<u2")
        data[0x300:0x302] = (-int(words.sum()) % 2**16).to_bytes(2, "little")
        data[0x3FC:0x400] = (
            2**32 - 1 - int(np.frombuffer(bytes(data[:0x3C0]), ">u4").sum()) % 2**32
        ).to_bytes(4, "big")
        names.append(f"{number}.bin")
        yard.write(names[-1], bytes(data))
    result = yard.call("checksums", *names, "--format", "json")
    found = {item["stored_at"]: item for item in result.data["found"]}
    assert sorted(found) == [0x300, 0x3FC]
    first, second = found[0x300], found[0x3FC]
    assert (first["algorithm"], first["complement"], first["word"]) == ("sum16", "twos", "uint16")
    assert (first["word_order"], first["start"], first["size"]) == ("little", 0x100, 0x200)
    assert (second["algorithm"], second["complement"], second["word"]) == ("sum32", "ones", "uint32")
    # The sum of a few hundred numbers of 32 bits proves all of its bits.
    assert second["proven_bits"] == pytest.approx(4 * 32, abs=8)


def test_every_crc_of_the_catalogue_is_computed_for_all_pairs_of_bounds() -> None:
    data = [np.random.default_rng(seed).integers(0, 256, 300, np.uint8).tobytes() for seed in (1, 2)]
    memory = Memory(0, 300, 0xFF, (), (), (), 0)
    space = search_space([Image.raw(content) for content in data], memory)
    pairs = np.argwhere(space.valid(64))
    some = pairs[np.random.default_rng(3).integers(0, len(pairs), 4)]
    seen = set()
    for plan in plans():
        for family in families(plan, space) if plan.crcs else ():
            for number, variant in enumerate(family.variants):
                if variant.complement is None:
                    seen.add(variant.algorithm)
                    for image, content in enumerate(data):
                        values = family.value_of(number, image, some[:, 0], some[:, 1])
                        stretches = [content[space.bounds[i] : space.bounds[j]] for i, j in some]
                        assert values.tolist() == [_crc(variant.algorithm, part) for part in stretches]
    assert seen == {name for name, crc in catalogue().items() if 8 <= crc.width <= 64}


def test_images_of_noise_have_no_checksum(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    for number in range(2):
        data = np.random.default_rng(number).integers(0, 256, 0x400, np.uint8).tobytes()
        yard.write(f"{number}.bin", data)
    result = yard.call("checksums", "0.bin", "1.bin")
    assert result.status == 1 and "no checksum found" in result.stdout
    assert "leave out images that were edited" in result.flat


def test_a_known_checksum_is_named_as_the_definition_names_it(tmp_path: Path) -> None:
    numbers = np.random.default_rng(7)
    images = {}
    for number in range(5):
        free = numbers.integers(0, 256, 0x18, np.uint8).tobytes()
        images[f"b{number}"] = edited_yard(GOOD, {0x48: free})
    yard = make_yard(tmp_path, **images)
    result = yard.call("checksums", *(f"boats/b{number}.bin" for number in range(5)))
    # The sum of the yard is a number below 2^16 with two zeros in front of it, but no sum32.
    assert "1 checksum" in result.stdout
    assert "sum16 over uint8 of 0x00000 to 0x0005F, stored at 0x00090" in " ".join(result.stdout.split())
    assert "The same values follow from 0x00000 to 0x0007D" in result.stdout  # zeros add nothing
    assert "The definition names it sum." in result.stdout


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (("a.bin",), "a.bin: 1 image; give 2 to 16 that differ"),
        (("a.bin", "same.bin"), "a.bin: the images are equal; give images that differ"),
        (("a.bin", "short.bin"), "short.bin: it has 100 bytes, but a.bin has 2,048"),
        (("a.bin", "empty.bin"), "empty.bin: the image is empty"),
        (("a.bin", "bad.hex"), "bad.hex:1: "),
        (("far.hex", "near.hex"), "far.hex: the memory is larger than 16 MiB"),
    ],
)
def test_bad_input_is_one_line(tmp_path: Path, names: tuple[str, ...], message: str) -> None:
    yard = Yard(tmp_path)
    files: dict[str, bytes | str] = {
        "a.bin": _image(0),
        "same.bin": _image(0),
        "short.bin": bytes(100),
        "empty.bin": b"",
        "bad.hex": ":0100000001FF\n",
        "far.hex": ":020000047FFF7C\n:0100000001FE\n:00000001FF\n",
        "near.hex": ":0100000001FE\n:00000001FF\n",
    }
    for name, content in files.items():
        yard.write(name, content)
    assert message in yard.call("checksums", *names).error
