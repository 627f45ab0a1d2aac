"""Rules about factory bases, checked when two states of a repository are compared."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.comparing.compare import compare
from callint.model import rule_ids
from callint.model.definition import StoredAxis
from callint.model.finding import Finding, Severity
from callint.model.image import Image
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule

#: The most tables that the message names.
_MOST_NAMES = 3

_HINT = "Restore the factory file; if the maker delivered a new one, waive the finding and name its source."


@rule(rule_ids.BASE_CHANGED, Severity.ERROR, Scope.BASE)
def changed(context: CheckContext) -> Iterator[Finding]:
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
    if context.image is None or context.base is None or context.image == context.base:
        return
    yield Finding(
        rule=rule_ids.BASE_CHANGED,
        message=f"the factory base changed in {_difference(context)}; callint compares the images with the "
        "new base, which may hide their changes",
        hint=_HINT,
    )


def _difference(context: CheckContext) -> str:
    """The difference between two bases: "6 cells of egr_warm_correction"."""
    assert context.old is not None
    changes = compare(context.old, context.new)
    axes = [change for change in changes.axes if isinstance(change.axis, StoredAxis)]
    names = [change.table.name for change in changes.tables] + [change.axis.name for change in axes]
    cells = sum(change.count for change in changes.tables)
    cells += sum(int(np.count_nonzero(change.changed)) for change in axes)
    if not names:
        return f"{fmt.count(_differing_bytes(context.new.image, context.old.image), 'byte')}"
    listed = ", ".join(names[:_MOST_NAMES])
    more = f" and {len(names) - _MOST_NAMES} more tables" if len(names) > _MOST_NAMES else ""
    return f"{fmt.count(cells, 'cell')} of {listed}{more}"


def _differing_bytes(new: Image, old: Image) -> int:
    """The number of bytes that differ or that only one of the two images has."""
    if new.extents != old.extents:
        shared = [
            (max(low, start), min(high, end))
            for low, high in new.extents
            for start, end in old.extents
            if max(low, start) < min(high, end)
        ]
        shared_size = sum(end - start for start, end in shared)
        pairs = ((new.read(start, end - start), old.read(start, end - start)) for start, end in shared)
        differing = sum(_count_differences(first or b"", second or b"") for first, second in pairs)
        return differing + new.size + old.size - 2 * shared_size
    return int(np.count_nonzero(new.content != old.content))


def _count_differences(first: bytes, second: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(first, np.uint8) != np.frombuffer(second, np.uint8)))


def unreadable_change(message: str) -> Finding:
    """The finding about a changed base that cannot be compared with the earlier one."""
    return Finding(rule=rule_ids.BASE_CHANGED, subject=message, message=message, hint=_HINT)
