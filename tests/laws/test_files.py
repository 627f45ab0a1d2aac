"""Files of records hold what was written into them, gaps and all."""

from __future__ import annotations

from collections.abc import Mapping

from hypothesis import given
from hypothesis import strategies as st

from callint.model.image import Image, Segment
from callint.reading.images import read_image_file
from tests.building import hex_file, s_file
from tests.laws.trying import laws
from tests.laws.worlds import World, images, worlds


@st.composite
def parts(draw: st.DrawFn, world: World) -> dict[int, bytes]:
    """Stretches of an image, with gaps between."""
    data, found, place = draw(images(world)), {}, draw(st.integers(0, 9))
    while place < world.size:
        length = draw(st.integers(1, 99))
        found[world.start + place] = data[place : place + length]
        place += length + draw(st.integers(1, 40))
    return found


def _file(parts: Mapping[int, bytes], form: str, size: int) -> bytes:
    return hex_file(parts, size) if form == "hex" else s_file(parts, 3, size)


def _segments(parts: Mapping[int, bytes]) -> tuple[Segment, ...]:
    return tuple(Segment(start, data) for start, data in parts.items())


@laws
@given(st.data(), st.sampled_from(["hex", "srec"]), st.integers(1, 40))
def test_records_read_back_with_their_data_and_gaps(data: st.DataObject, form: str, size: int) -> None:
    world = data.draw(worlds())
    held = data.draw(parts(world))
    file = read_image_file(_file(held, form, size), world.definition.memory)
    assert file.image.segments == _segments(held)
    assert file.image.is_part == (held.keys() != {world.start} or file.image.size != world.size)


@laws
@given(st.data(), st.sampled_from(["hex", "srec"]), st.integers(1, 40))
def test_another_content_in_the_same_records_reads_back_and_the_old_one_gives_the_old_file(
    data: st.DataObject, form: str, size: int
) -> None:
    world = data.draw(worlds())
    held = data.draw(parts(world))
    old = _file(held, form, size)
    file = read_image_file(old, world.definition.memory)
    other = {
        start: bytes(a ^ b for a, b in zip(content, data.draw(_some(len(content))), strict=True))
        for start, content in held.items()
    }
    written = file.with_content(Image(_segments(other), file.image.is_part))
    again = read_image_file(written, world.definition.memory)
    assert again.image.segments == _segments(other)
    assert written == _file(other, form, size)
    assert again.with_content(file.image) == old


def _some(size: int) -> st.SearchStrategy[bytes]:
    """Bytes of which many are 0."""
    return st.binary(min_size=size, max_size=size) | st.just(bytes(size))
