"""The values that storage and limits leave to tables and axes."""

from __future__ import annotations

import math
from functools import lru_cache

from callint.decoding.conversions import physical_limits
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import NumberType, Range, Rational, StoredAxis, Table
from callint.rules.context import KEPT_DEFINITIONS, CheckContext

#: Every value; what is known about items whose conversion is rational.
ALL_VALUES = Range(-math.inf, math.inf)

_Key = tuple[str | None, NumberType, int | None]


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _ranges(loaded: LoadedDefinition) -> dict[_Key, Range]:
    """The ranges found so far: many items share conversion and type."""
    return {}


def storable(context: CheckContext, item: Table | StoredAxis) -> Range:
    """The physical values that the storage of an item can hold.

    ALL_VALUES if nobody knows: the ends of a rational conversion need not be its extremes.
    """
    ranges = _ranges(context.loaded)
    key = item.conversion, item.storage.type, item.storage.mask
    if key not in ranges:
        conversion = context.definition.conversion_of(item)
        low, high = math.nan, math.nan
        if not isinstance(conversion, Rational):
            low, high = physical_limits(conversion, item.storage)
        ranges[key] = Range(low, high) if low <= high else ALL_VALUES
    return ranges[key]


def allowed(context: CheckContext, table: Table) -> Range:
    """The storable values of a table within its limits; inverted if there are none."""
    storable_range, limits = storable(context, table), table.demands.limits
    if limits is None:
        return storable_range
    return Range(max(storable_range.low, limits.low), min(storable_range.high, limits.high))
