"""A driving log in the JSON documents of changes."""

from __future__ import annotations

from callint.comparing.log_use import change_use
from callint.decoding.log_residency import LogSummary
from callint.model.change import TableChange


def log_fields(summary: LogSummary) -> dict[str, object]:
    """What callint read from a log; fields that do not apply are absent."""
    time, problems, log = summary.dwell.clock, summary.log.defects, summary.log
    fields: dict[str, object] = {"file": summary.name, "rows": problems.rows}
    if log.has_time:
        times = {
            "seconds": time.total,
            "gaps": time.gaps,
            "lost_seconds": time.lost,
            "resets": time.resets,
        }
        fields.update(times)
    missing, _ = summary.dwell.unweighed(log.signals)
    others = {
        "implausible": summary.dwell.implausible,
        "without_number": problems.unread,
        "short_rows": problems.short,
        "overfull_rows": problems.overfull,
        "doubled_columns": problems.doubled,
        "missing_columns": log.missing_columns,
        "missing_signals": missing,
    }
    return {**fields, **{name: value for name, value in others.items() if value}}


def change_use_fields(change: TableChange, log: LogSummary) -> dict[str, object] | None:
    """The use of the changed cells of a table; None if the log cannot tell."""
    use = change_use(change, log)
    if use is None:
        return None
    return {"in_use": use.in_use, "share": use.weighted_share, "never": use.never_reached}
