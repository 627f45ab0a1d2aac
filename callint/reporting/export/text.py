"""The result of an export for people."""

from __future__ import annotations

from collections.abc import Iterable

from callint.reporting.export.result import ExportLoss, ExportResult
from callint.reporting.losses import LostItem, counts_phrase, print_lost, print_prose
from callint.reporting.terminal import Terminal, heading, width


def print_export(result: ExportResult, terminal: Terminal, everything: bool = False) -> None:
    """Print what callint exported, and what the description lacks."""
    for row in heading(result.source, f": definition {result.definition.name}", width(terminal)):
        terminal.print(row)
    print_prose(f"{result.target} is written: {counts_phrase(result.counts)}.", terminal)
    left_out = _lost(item for item in result.losses if item.is_whole)
    print_lost("Left out", left_out, terminal, everything)
    losses = _lost(item for item in result.losses if not item.is_whole)
    print_lost("Not expressible in the standard", losses, terminal, everything)


def _lost(items: Iterable[ExportLoss]) -> list[LostItem]:
    return [
        LostItem(item.kind, item.reason, f"{item.name} (line {item.line})" if item.line else item.name)
        for item in items
    ]
