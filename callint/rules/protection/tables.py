"""The protections of a definition, and what their guards say about them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from callint.decoding.layout import Integers
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import Purpose, Table
from callint.rules.context import KEPT_DEFINITIONS


@lru_cache(maxsize=KEPT_DEFINITIONS)
def protection_items(loaded: LoadedDefinition) -> Integers:
    """The numbers of the protections in the layout."""
    items = enumerate(loaded.layout.items)
    protections = [n for n, item in items if isinstance(item, Table) and item.purpose is Purpose.PROTECTION]
    return np.array(protections, np.int64)


def less_protective_directions(table: Table) -> tuple[bool, bool]:
    """Whether a table protects less if it rises, and if it falls; neither if no guard says so."""
    guards = table.demands.guards
    return any(guard.above is not None for guard in guards), any(guard.below is not None for guard in guards)


def bracketed_title(table: Table) -> str:
    """The title of a table in brackets, to follow its name; "" if it has none."""
    return f" ({table.title})" if table.title not in ("", table.name) else ""
