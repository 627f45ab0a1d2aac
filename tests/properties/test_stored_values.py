"""Writing what was read changes no byte, and a wanted value becomes the nearest one that can be stored."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from callint.decoding.conversions import exact_value, to_physical
from callint.decoding.decode import Decoded
from callint.decoding.stored_values import Outcome, WantedValues, stored_values, write_values
from callint.model.definition import Linear, States, Table
from tests.example_counts import property_examples
from tests.properties.strategies import images, references


def as_read(decoded: Decoded, item: int, by_name: bool) -> WantedValues:
    """All that an item holds, as a person reads it: names for states and off cells, or numbers."""
    layout = decoded.layout
    conversion = layout.definition.conversion_of(layout.items[item])
    raw, off = decoded.raw_of(item), decoded.of_item(decoded.off, item)
    numbers = decoded.of_item(decoded.physical, item).copy()
    indexes = np.full(raw.shape, -1)
    names = ["off"]
    numbers[off], indexes[off] = np.nan, 0
    if isinstance(conversion, States) and by_name:
        for code, name in conversion.names.items():
            here = (raw == code) & ~off
            names.append(name)
            numbers[here], indexes[here] = np.nan, len(names) - 1
    exact = {}
    if layout.wide[item] and isinstance(conversion, Linear):
        on = np.flatnonzero(~off.ravel()).tolist()
        exact = {cell: exact_value(conversion, int(raw.flat[cell])) for cell in on}
    return WantedValues(numbers, indexes, tuple(names), exact)


@property_examples
@given(st.data(), st.booleans())
def test_writing_what_was_read_changes_no_byte(data: st.DataObject, by_name: bool) -> None:
    reference = data.draw(references())
    decoded = reference.decoded(data.draw(images(reference)))
    values = {
        item: stored_values(decoded, item, as_read(decoded, item, by_name))
        for item in range(len(decoded.layout.items))
    }
    assert all((stored.outcomes == Outcome.KEPT).all() for stored in values.values())
    assert not any(stored.differs.any() for stored in values.values())
    image, overwritten = write_values(decoded, values)
    assert (image, overwritten) == (decoded.image, ())


@property_examples
@given(st.data())
def test_a_wanted_number_becomes_the_nearest_that_can_be_stored_or_is_refused(data: st.DataObject) -> None:
    reference = data.draw(references())
    decoded = reference.decoded(data.draw(images(reference)))
    layout = decoded.layout
    values = {}
    for item, target in enumerate(layout.items):
        shape = layout.shape(item)
        wanted = np.full(shape, np.nan)
        wanted.flat[0] = data.draw(st.floats(-1e6, 1e6) | st.integers(-300, 300).map(float))
        stored = values[item] = stored_values(decoded, item, WantedValues(wanted, np.full(shape, -1)))
        conversion = layout.definition.conversion_of(target)
        outcome, value = Outcome(int(stored.outcomes.flat[0])), float(stored.physical.flat[0])
        assert (stored.outcomes.ravel()[1:] == Outcome.KEPT).all()
        assert stored.differs.flat[0] == (outcome <= Outcome.STORED and value != wanted.flat[0])
        if outcome > Outcome.STORED:
            assert stored.raw.tobytes() == decoded.raw_of(item).tobytes()
        elif isinstance(conversion, Linear) and target.storage.type.is_integer and not layout.wide[item]:
            raw, (low, high) = int(stored.raw.flat[0]), target.storage.raw_limits
            off = target.demands.off if isinstance(target, Table) else None
            others = [n for n in (raw - 1, raw + 1) if low <= n <= high and not (off and n == off.raw)]
            distance = abs(exact_value(conversion, raw) - Fraction(float(wanted.flat[0])))
            for other in others:
                further = abs(exact_value(conversion, other) - Fraction(float(wanted.flat[0])))
                assert distance <= further * (1 + Fraction(1, 2**30))
    image, overwritten = write_values(decoded, values)
    for item, stored in values.items():
        if item not in overwritten:
            read = reference.decoded(image.content.tobytes()).raw_of(item)
            assert read.tobytes() == stored.raw.tobytes()
            with np.errstate(invalid="ignore"):  # an image may hold signalling NaNs
                physical = to_physical(layout.definition.conversion_of(layout.items[item]), read)
            assert np.array_equal(physical, stored.physical, equal_nan=True)
