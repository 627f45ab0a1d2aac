"""Rules about factory bases, judged where two states of a repository are compared."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.comparing.compare import compare
from callint.model.finding import Finding, Severity
from callint.model.image import Image
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule

#: The message names at most this many tables.
_MOST_NAMES = 3

_HINT = "Restore the factory file; if the maker delivered a new one, waive the finding and name its source."


@rule("base/changed", Severity.ERROR, Scope.BASE)
def changed(case: CheckContext) -> Iterator[Finding]:
    """A factory base differs from its previous version in the repository.

    Why it matters: callint checks every image against its base. If somebody edits the base together with the
    image, the two agree again, and a disabled protection looks the same as in the base. A factory base must
    never change: new software from the maker is a new file with its own identity.

    How it is judged: the hook compares the index with its parent commit, and `check --since` and `--range`
    compare the two given states. A base has changed if its path holds other bytes, or if the policy assigns
    other bytes as the base to an image of the same software. A check of a single state cannot detect this.

    Example: `factory/sk28-0412.bin` has 4250 rpm in its overspeed cut, and after the commit 4550 rpm, as
    `boats/petrel.bin` has.

    Fix: restore the factory file. If the maker delivered another file under the same number, waive the
    finding and name its source.
    """
    if case.image is None or case.base is None or case.image == case.base:
        return
    yield Finding(
        rule="base/changed",
        message=f"the factory base changed in {_difference(case)}; callint compares the images with the "
        "new base, which may hide their changes",
        hint=_HINT,
    )


def _difference(case: CheckContext) -> str:
    """How two bases differ: "6 cells of egr_warm_correction"."""
    assert case.old is not None
    changes = compare(case.old, case.new)
    names = [change.table.name for change in changes.tables] + [change.axis.name for change in changes.axes]
    cells = sum(change.count for change in changes.tables)
    cells += sum(int(np.count_nonzero(change.changed)) for change in changes.axes)
    if not names:
        return f"{fmt.count(_differing_bytes(case.new.image, case.old.image), 'byte')}"
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
    return Finding(rule="base/changed", subject=message, message=message, hint=_HINT)
