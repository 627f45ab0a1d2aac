"""Laws of export: its description, read back, is the definition in all that the standard can say."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from callint.decoding.decode import decode
from callint.decoding.layout import make_layout
from callint.reporting.export.asap2 import description_lines
from tests.example_counts import fewer_property_examples
from tests.exporting import read_back, said_changes
from tests.properties.strategies import Reference, images, references


def _is_sayable(reference: Reference) -> bool:
    """Whether the standard can say something of a definition."""
    left_out = {item.name for item in description_lines(reference.definition)[1] if item.is_whole}
    return not {*reference.definition.tables, *reference.definition.texts} <= left_out


_sayable = references().filter(_is_sayable)


@fewer_property_examples
@given(data=st.data(), reference=_sayable)
def test_a_description_gives_the_same_values_for_every_image(
    data: st.DataObject, reference: Reference
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        back, left_out = read_back(Path(folder), reference.definition)
    content = data.draw(images(reference))
    old, image = reference.decoded(content), reference.image(content)
    new = decode(make_layout(back), image)
    assert back.tables.keys() == reference.definition.tables.keys() - left_out
    for name in back.tables:
        before = old.of_item(old.physical, old.layout.table_items[name])
        after = new.of_item(new.physical, new.layout.table_items[name])
        np.testing.assert_array_equal(before, after)
        for own, other in zip(reference.definition.tables[name].axes, back.tables[name].axes, strict=True):
            np.testing.assert_array_equal(old.breakpoints(own), new.breakpoints(other))


@fewer_property_examples
@given(reference=_sayable)
def test_a_comparison_with_what_is_read_back_names_no_place_type_conversion_or_limit(
    reference: Reference,
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        back, left_out = read_back(Path(folder), reference.definition)
    assert [
        change for change in said_changes(reference.definition, back) if change.name not in left_out
    ] == []
