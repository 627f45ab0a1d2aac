"""Tables that cannot be read at an operating point, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping


def unread_sentences(obstacles: Mapping[str, str]) -> Iterator[str]:
    """A sentence for each reason, with all tables that it concerns; ``obstacles`` has it by table."""
    tables: dict[str, list[str]] = {}
    for table, reason in obstacles.items():
        tables.setdefault(reason, []).append(table)
    for reason, names in tables.items():
        yield f"Nothing is said of {', '.join(names)}, as {reason}."
