"""Two images as bytes, where no definition says what they mean."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.comparing.compare import differing_addresses, runs
from callint.model.image import Image

#: So many stretches are named.
_MOST = 8


def byte_summary(old: bytes, new: bytes) -> Iterator[str]:
    """What can be said about two files without a definition, in lines."""
    if len(old) != len(new):
        yield f"{len(old):,} bytes became {len(new):,}"
    before, after = Image.raw(old), Image.raw(new)
    differing = differing_addresses(before, after)
    if not len(differing):
        yield "every byte that both have is equal"
        return
    yield f"{fmt.count(len(differing), 'byte')} differ" + ("s" if len(differing) == 1 else "")
    found = list(runs(np.asarray(differing)))
    for run in found[:_MOST]:
        size = fmt.count(run.size, "byte")
        yield f"  {fmt.address(run.start)}, {size}, {run.changed:,} of them changed"
    if len(found) > _MOST:
        yield f"  and {fmt.count(len(found) - _MOST, 'more stretch')}"
