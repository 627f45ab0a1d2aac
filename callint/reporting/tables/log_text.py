"""What a driving log says about tables and changes, in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from callint import fmt
from callint.decoding.log_residency import LogSummary
from callint.model.change import AxisChange, TableChange
from callint.model.definition import Table
from callint.reporting.tables.grids import Piece
from callint.reporting.whatif.plausible import plausible_span

#: Stands where the engine never was.
_NEVER = "-"
#: What the marks mean.
MARKS = "Behind a value stands its share of the logged time, by weight; - where the engine never was."
#: From such a share of all rows on, what is wrong with rows is no accident of one of them.
_MANY = 0.1
#: Of many names so many are spelled out.
_MOST = 6
#: And so much of a cell.
_MOST_LETTERS = 40


def change_log_words(change: TableChange, logged: LogSummary) -> str | None:
    """For how much of the logged time changed cells count; None where the log lacks a signal of the table."""
    shares = logged.shares(change.table.name)
    used = logged.share_in_use(change.table.name, change.changed)
    if shares is None or used is None:
        return None
    if not used:
        return "the logged engine was never at a changed cell"
    share = float(shares[change.changed].sum())
    words = f"changed cells are in use for {share_words(used)} of the logged time"
    words += f", {share_words(share)} of it by weight"
    never = change.changed & (shares == 0)
    if never[change.largest]:
        words += ", and the largest change was never reached"
    elif never.any():
        count = int(never.sum())
        words += f", and {count:,} of them {'was' if count == 1 else 'were'} never reached"
    return words


def axis_log_words(change: AxisChange, table: Table, logged: LogSummary) -> str | None:
    """For how much of the logged time moved breakpoints count in a table; None as for changed cells."""
    used = moved_in_use(change, table, logged)
    if used is None:
        return None
    if not used:
        return "the logged engine was never at a moved breakpoint"
    return f"moved breakpoints are in use for {share_words(used)} of the logged time"


def moved_in_use(change: AxisChange, table: Table, logged: LogSummary) -> float | None:
    """The share of the time in which a moved breakpoint counts in a table on its axis."""
    times = logged.dwell.of(table.name)
    if times is None:
        return None
    moved = np.zeros(times.shape, bool)
    if table.x == change.axis.name:
        moved[:, change.changed] = True
    if table.y == change.axis.name:
        moved[change.changed] = True
    return logged.share_in_use(table.name, moved)


def share_marks(logged: LogSummary, table: str, quiet: str) -> list[list[Piece]] | None:
    """A mark for each cell of a table: its share of the logged time, or a dash where the engine never was."""
    shares = logged.shares(table)
    if shares is None:
        return None
    texts = [[share_words(share) if share else _NEVER for share in row] for row in shares.tolist()]
    longest = max(len(text) for row in texts for text in row)
    return [
        [(f"{text:>{longest}}", "" if share else quiet) for text, share in zip(*row, strict=True)]
        for row in zip(texts, shares.tolist(), strict=True)
    ]


def share_words(share: float) -> str:
    """A share in percent: what is not nothing does not read as nothing, nor what is not all as all."""
    if 0 < share < 0.01:
        return "<1 %"
    if 0.99 < share < 1:
        return ">99 %"
    return f"{100 * share:.0f} %"


def log_sentences(logged: LogSummary) -> Iterator[str]:
    """What was read from the log, and all that was wrong with it."""
    clock, trouble, log = logged.dwell.clock, logged.log.defects, logged.log
    rows, limit = fmt.count(trouble.rows, "row"), f"{logged.dwell.max_gap:g} s"
    if log.has_time:
        yield f"{logged.name}: {_duration(clock.total)} in {rows}."
    else:
        yield f"{logged.name}: {rows}, each of which counts the same, as there is no column of time."
        if log.similar_time:
            yield f"{_quoted([log.similar_time])} may be the time: name it in [log] of callint.toml."
    out = []
    if clock.gaps:
        together = f"{'together ' if clock.gaps > 1 else ''}{_duration(clock.lost)}"
        out.append(f"{fmt.count(clock.gaps, 'gap')} of {together}")
    if clock.resets:
        out.append(f"{fmt.count(clock.resets, 'reset')} of the clock")
    if out:
        yield f"Left out: {' and '.join(out)}."
    timed = trouble.rows - trouble.overfull - trouble.unread.get("time", 0)
    if log.has_time and not clock.total and timed > 1:
        yield (
            f"No time is left: it must be in seconds, and steps of more than {limit} are gaps; max-gap in "
            "[log] of callint.toml changes that."
        )
    if implausible := logged.dwell.implausible:
        cells = ", ".join(_implausible(logged, name, count) for name, count in implausible.items())
        yield f"Outside the plausible range, and left out: {cells}."
    if trouble.unread:
        cells = ", ".join(f"{fmt.count(count, 'row')} of {name}" for name, count in trouble.unread.items())
        held = f"; for up to {limit} the last one counts" if log.has_time else ""
        yield f"Without a number: {cells}{held}."
    if trouble.comma:
        yield (
            f"There are numbers with commas, as {_quoted([trouble.comma[:_MOST_LETTERS]])}: for decimal "
            "commas export with semicolons; commas between thousands have to go."
        )
    if trouble.short:
        yield f"{fmt.count(trouble.short, 'row')} ended early."
    if trouble.overfull:
        verb, are = ("has", "is") if trouble.overfull == 1 else ("have", "are")
        why = ""
        if log.may_have_decimal_commas and trouble.overfull > _MANY * trouble.rows:
            why = ": decimal commas? Export with semicolons"
        yield (
            f"{fmt.count(trouble.overfull, 'row')} {verb} more cells than the header has names and "
            f"{are} left out{why}."
        )
    if trouble.doubled:
        yield f"There are several columns {_quoted(trouble.doubled)}; the first one counts."
    if log.missing_columns:
        yield f"The log has no column {_quoted(log.missing_columns)}, which [log] of callint.toml names."
    lacking, apart = logged.dwell.unweighed(log.signals)
    if lacking:
        near = [f"{_quoted([log.similar[one]])} may be {one}" for one in lacking if one in log.similar]
        hint = f"; {', '.join(near[:_MOST])}: name it in [log] of callint.toml" if near else ""
        yield f"It says nothing about tables on {_some(lacking)}, of which it has no column{hint}."
    if apart and clock.total:
        yield f"It never has all signals at once of {_some(apart)}."


def _implausible(logged: LogSummary, name: str, count: int) -> str:
    """In how many rows a signal is not plausible, and what would be."""
    return f"{fmt.count(count, 'row')} of {name} ({plausible_span(logged.dwell.signals[name])})"


def _some(names: list[str]) -> str:
    """The first of some names, and how many more there are."""
    more = len(names) - _MOST
    return ", ".join(names[:_MOST]) + (f" and {more} more" if more > 0 else "")


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(map(repr, names))


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours:,} h {minutes} min"
    return f"{minutes} min {rest} s" if minutes else f"{seconds:.3g} s"


def log_fields(logged: LogSummary) -> dict[str, object]:
    """What was read from a log, for JSON: fields that do not apply are absent."""
    clock, trouble, log = logged.dwell.clock, logged.log.defects, logged.log
    fields: dict[str, object] = {"file": logged.name, "rows": trouble.rows}
    if log.has_time:
        times = {
            "seconds": clock.total,
            "gaps": clock.gaps,
            "lost_seconds": clock.lost,
            "resets": clock.resets,
        }
        fields.update(times)
    lacking, _ = logged.dwell.unweighed(log.signals)
    more = {
        "implausible": logged.dwell.implausible,
        "without_number": trouble.unread,
        "short_rows": trouble.short,
        "overfull_rows": trouble.overfull,
        "doubled_columns": trouble.doubled,
        "missing_columns": log.missing_columns,
        "missing_signals": lacking,
    }
    return {**fields, **{name: value for name, value in more.items() if value}}


def logged_fields(change: TableChange, logged: LogSummary) -> dict[str, object] | None:
    """The same for JSON: shares of the logged time, and how many changed cells were never reached."""
    shares = logged.shares(change.table.name)
    if shares is None:
        return None
    never = int(np.count_nonzero(change.changed & (shares == 0)))
    share = float(shares[change.changed].sum())
    return {"in_use": logged.share_in_use(change.table.name, change.changed), "share": share, "never": never}
