"""Rules about factory bases, judged where two states of a repository are compared."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.comparing.compare import compare
from callint.model import rule_ids
from callint.model.finding import Finding, Severity
from callint.model.image import Image
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule

#: The message names at most this many tables.
_MOST_NAMES = 3

_HINT = "Restore the factory file; if the maker delivered a new one, waive the finding and name its source."


@rule(rule_ids.BASE_CHANGED, Severity.ERROR, Scope.BASE)
def changed(context: CheckContext) -> Iterator[Finding]:
    """A factory base differs from the one that the repository had before.

    Why it matters: every image is judged against its base. Where the base is edited together with the image,
    the two agree again, and a disabled protection reads "as in the base". A factory base never changes: a new
    software of the maker is a new file with an identity of its own.

    How it is judged: the hook compares the index with the commit below it, and `check --since` and `--range`
    compare the two states that they are given. A base counts as changed where its path holds other bytes, or
    where the policy leads an image of the same software to other bytes. A check of one state alone cannot
    tell.

    Example: `factory/sk28-0412.bin` has 4250 rpm in its overspeed cut, and after the commit 4550 rpm, as
    `boats/petrel.bin` has.

    Fix: restore the factory file. If the maker delivered another one under the same number, waive it and say
    where it comes from.
    """
    if context.image is None or context.base is None or context.image == context.base:
        return
    yield Finding(
        rule=rule_ids.BASE_CHANGED,
        message=f"the factory base changed in {_difference(context)}; callint compares the images with the "
        "new base, which may hide their changes",
        hint=_HINT,
    )


def _difference(context: CheckContext) -> str:
    """How two bases differ: "6 cells of egr_warm_correction"."""
    assert context.old is not None
    changes = compare(context.old, context.new)
    names = [change.table.name for change in changes.tables] + [change.axis.name for change in changes.axes]
    cells = sum(change.count for change in changes.tables)
    cells += sum(int(np.count_nonzero(change.changed)) for change in changes.axes)
    if not names:
        return f"{fmt.count(_differing_bytes(context.new.image, context.old.image), 'byte')}"
    listed = ", ".join(names[:_MOST_NAMES])
    more = f" and {len(names) - _MOST_NAMES} more tables" if len(names) > _MOST_NAMES else ""
    return f"{fmt.count(cells, 'cell')} of {listed}{more}"


def _differing_bytes(new: Image, old: Image) -> int:
    """How many bytes differ, those that only one of the two has included."""
    if new.extents != old.extents:
        shared = [
            (max(low, start), min(high, end))
            for low, high in new.extents
            for start, end in old.extents
            if max(low, start) < min(high, end)
        ]
        both = sum(end - start for start, end in shared)
        pairs = ((new.read(start, end - start), old.read(start, end - start)) for start, end in shared)
        differing = sum(_count(one or b"", other or b"") for one, other in pairs)
        return differing + new.size + old.size - 2 * both
    return int(np.count_nonzero(new.content != old.content))


def _count(one: bytes, other: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(one, np.uint8) != np.frombuffer(other, np.uint8)))


def unreadable_change(message: str) -> Finding:
    """The finding about a changed base that cannot be compared with the one from before."""
    return Finding(rule=rule_ids.BASE_CHANGED, subject=message, message=message, hint=_HINT)
