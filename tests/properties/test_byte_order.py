"""No definition is accused of a wrong byte order by bytes that say nothing about it."""

from __future__ import annotations

from hypothesis import given

from callint.rules.definition.byte_order import wrong_byte_order
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, pairs
from tests.properties.test_rules import case_of


@property_examples
@given(pairs())
def test_bytes_without_an_order_accuse_no_byte_order(pair: tuple[Reference, bytes, bytes]) -> None:
    assert wrong_byte_order(case_of(*pair)) is None
