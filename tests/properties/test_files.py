"""Files of records hold what was written into them, gaps and all."""

from __future__ import annotations

from collections.abc import Mapping

from hypothesis import given
from hypothesis import strategies as st

from callint.model.image import Image, Segment
from callint.reading.images import read_image_file
from tests.building import hex_file, s_file
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, images, references


@st.composite
def parts(draw: st.DrawFn, reference: Reference) -> dict[int, bytes]:
    """Ranges of an image, with gaps between them."""
    data, result, place = draw(images(reference)), {}, draw(st.integers(0, 9))
    while place < reference.size:
        length = draw(st.integers(1, 99))
        result[reference.start + place] = data[place : place + length]
        place += length + draw(st.integers(1, 40))
    return result


def _file(parts: Mapping[int, bytes], form: str, size: int) -> bytes:
    return hex_file(parts, size) if form == "hex" else s_file(parts, 3, size)


def _segments(parts: Mapping[int, bytes]) -> tuple[Segment, ...]:
    return tuple(Segment(start, data) for start, data in parts.items())


@property_examples
@given(st.data(), st.sampled_from(["hex", "srec"]), st.integers(1, 40))
def test_records_read_back_with_their_data_and_gaps(data: st.DataObject, form: str, size: int) -> None:
    reference = data.draw(references())
    held = data.draw(parts(reference))
    file = read_image_file(_file(held, form, size), reference.definition.memory)
    assert file.image.segments == _segments(held)
    assert file.image.is_part == (held.keys() != {reference.start} or file.image.size != reference.size)


@property_examples
@given(st.data(), st.sampled_from(["hex", "srec"]), st.integers(1, 40))
def test_another_content_in_the_same_records_reads_back_and_the_old_one_gives_the_old_file(
    data: st.DataObject, form: str, size: int
) -> None:
    reference = data.draw(references())
    held = data.draw(parts(reference))
    old = _file(held, form, size)
    file = read_image_file(old, reference.definition.memory)
    other = {
        start: bytes(a ^ b for a, b in zip(content, data.draw(_some(len(content))), strict=True))
        for start, content in held.items()
    }
    written = file.with_content(Image(_segments(other), file.image.is_part))
    again = read_image_file(written, reference.definition.memory)
    assert again.image.segments == _segments(other)
    assert written == _file(other, form, size)
    assert again.with_content(file.image) == old


def _some(size: int) -> st.SearchStrategy[bytes]:
    """Bytes of which many are 0."""
    return st.binary(min_size=size, max_size=size) | st.just(bytes(size))
