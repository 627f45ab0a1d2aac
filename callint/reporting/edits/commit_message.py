"""The message of a commit that changes an image."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from callint import fmt
from callint.model.change import ChangeSet
from callint.reporting.changes.wording import change_parts

#: The columns in which git's own displays show a message whole, and the most items that the body lists.
_COLUMNS, _MOST_ITEMS = 72, 40


def commit_message(subject: str, changes: ChangeSet) -> str:
    """A message with a subject, and in its body a line per changed table, axis, text and run of bytes."""
    items = list(_items(changes))
    if len(items) > _MOST_ITEMS:
        items = [*items[:_MOST_ITEMS], f"and {fmt.count(len(items) - _MOST_ITEMS, 'more item')}"]
    body = [
        part for item in items for part in textwrap.wrap(fmt.clean(item), _COLUMNS, subsequent_indent="  ")
    ]
    return "\n".join([textwrap.shorten(fmt.clean(subject), _COLUMNS, placeholder=" …"), "", *body, ""])


def _items(changes: ChangeSet) -> Iterator[str]:
    for change in changes.tables:
        yield f"{change.table.name}: {'; '.join(change_parts(changes.definition, change, '→'))}"
    for axis in changes.axes:
        yield f"axis {axis.axis.name}: {fmt.count(int(axis.changed.sum()), 'breakpoint')} changed"
    for count in changes.counts:
        yield f"stored count of axis {count.axis.name}: {count.old} → {count.new}"
    for text in changes.texts:
        yield f"text {text.text.name}: {fmt.text_change(text, '→')}"
    for run in changes.unexplained:
        yield f"{fmt.count(run.changed, 'byte')} from {fmt.address(run.start)}"
