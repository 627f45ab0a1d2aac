"""What the conversion of a description or definition kept and lost, for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from callint.fmt import count
from callint.reporting.terminal import QUIET, Terminal, line, width, wrapped

#: The largest number of names printed for a reason, and of reasons printed for a group.
_MOST_NAMES, _MOST_REASONS = 3, 12

_PLURALS = {"shared axis": "shared axes", "identity": "identities"}


class LostItem(NamedTuple):
    """An item and the reason why it, or a part of it, is lost; ``subject`` may be "" for the item alone."""

    subject: str
    reason: str
    name: str


def counts_phrase(counts: Mapping[str, int]) -> str:
    """The number of items by kind, without those that do not occur."""
    return ", ".join(
        f"{number:,} {kind if number == 1 else _PLURALS.get(kind, f'{kind}s')}"
        for kind, number in counts.items()
        if number
    )


def print_lost(title: str, items: Sequence[LostItem], terminal: Terminal, everything: bool) -> None:
    """Print items by subject and reason under a title; print nothing without items."""
    if not items:
        return
    by_reason: dict[tuple[str, str], list[str]] = {}
    for item in items:
        by_reason.setdefault((item.subject, item.reason), []).append(item.name)
    terminal.print()
    terminal.print(line((f"{title}: {len(items):,}", "bold")))
    reasons = list(by_reason.items())
    for (subject, reason), members in reasons if everything else reasons[:_MOST_REASONS]:
        head = f"{subject}: " if subject else ""
        print_prose(f"{head}{reason} ({len(members):,})", terminal, "  ")
        listed = members if everything else members[:_MOST_NAMES]
        more = f", and {len(members) - len(listed):,} more" if len(members) > len(listed) else ""
        print_prose(f"{', '.join(listed)}{more}", terminal, "    ", QUIET)
    if len(reasons) > _MOST_REASONS and not everything:
        hidden = count(len(reasons) - _MOST_REASONS, "more reason")
        print_prose(f"and {hidden}; --all shows them", terminal, "  ", QUIET)


def print_prose(prose: str, terminal: Terminal, indent: str = "", style: str = "") -> None:
    """Print prose in lines of the terminal's width."""
    for text in wrapped(prose, width(terminal), indent):
        terminal.print(line((text, style)))
