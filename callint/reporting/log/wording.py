"""Sentences about a driving log, and about the use of tables and changes in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from callint import fmt
from callint.comparing.log_use import axis_use, change_use
from callint.decoding.log_residency import LogSummary
from callint.model.change import AxisChange, TableChange
from callint.model.definition import Table
from callint.reporting.wording import plausible_range

#: From this share of all rows on, an error in rows is systematic.
_MANY = 0.1
#: The largest number of names in a sentence.
_MOST_NAMES = 6
#: The largest number of characters of a cell in a sentence.
_MOST_CHARACTERS = 40


def change_use_text(change: TableChange, log: LogSummary) -> str | None:
    """The share of the logged time in which changed cells count; None if the log cannot tell."""
    use = change_use(change, log)
    if use is None:
        return None
    if not use.in_use:
        return "the logged engine was never at a changed cell"
    text = f"changed cells are in use for {share_text(use.in_use)} of the logged time"
    text += f", {share_text(use.weighted_share)} of it by weight"
    if not use.is_largest_reached:
        text += ", and the largest change was never reached"
    elif use.never_reached:
        verb = "was" if use.never_reached == 1 else "were"
        text += f", and {use.never_reached:,} of them {verb} never reached"
    return text


def axis_use_text(change: AxisChange, table: Table, log: LogSummary) -> str | None:
    """The share of the logged time in which moved breakpoints count; None if the log cannot tell."""
    in_use = axis_use(change, table, log)
    if in_use is None:
        return None
    if not in_use:
        return "the logged engine was never at a moved breakpoint"
    return f"moved breakpoints are in use for {share_text(in_use)} of the logged time"


def share_text(share: float) -> str:
    """A share in percent: 0 % means none of the time, and 100 % means all of it."""
    if 0 < share < 0.01:
        return "<1 %"
    if 0.99 < share < 1:
        return ">99 %"
    return f"{100 * share:.0f} %"


def log_sentences(summary: LogSummary) -> Iterator[str]:
    """What callint read from the log, and everything that is wrong with it."""
    yield from _time_sentences(summary)
    yield from _row_sentences(summary)
    yield from _column_sentences(summary)


def _time_sentences(summary: LogSummary) -> Iterator[str]:
    """How much time the log covers, and which steps of time do not count."""
    time, problems, log = summary.dwell.clock, summary.log.defects, summary.log
    rows = fmt.count(problems.rows, "row")
    if log.has_time:
        yield f"{summary.name}: {_duration(time.total)} in {rows}."
    else:
        yield f"{summary.name}: {rows}; all rows have the same weight, because the log has no time column."
        if log.similar_time:
            yield f"{_quoted([log.similar_time])} may be the time: name it in [log] of callint.toml."
    left_out = []
    if time.gaps:
        lost = f"{'together ' if time.gaps > 1 else ''}{_duration(time.lost)}"
        left_out.append(f"{fmt.count(time.gaps, 'gap')} of {lost}")
    if time.resets:
        left_out.append(f"{fmt.count(time.resets, 'reset')} of the clock")
    if left_out:
        yield f"Left out: {' and '.join(left_out)}."
    timed = problems.rows - problems.overfull - problems.unread.get("time", 0)
    if log.has_time and not time.total and timed > 1:
        yield (
            f"No time is left: it must be in seconds, and steps of more than {_max_gap(summary)} are gaps; "
            "max-gap in [log] of callint.toml changes that."
        )


def _row_sentences(summary: LogSummary) -> Iterator[str]:
    """What is wrong with rows and their cells."""
    problems, log = summary.log.defects, summary.log
    if implausible := summary.dwell.implausible:
        cells = ", ".join(_implausible(summary, name, count) for name, count in implausible.items())
        yield f"Outside the plausible range, and left out: {cells}."
    if problems.unread:
        cells = ", ".join(f"{fmt.count(count, 'row')} of {name}" for name, count in problems.unread.items())
        held = f"; for up to {_max_gap(summary)} the last one counts" if log.has_time else ""
        yield f"Without a number: {cells}{held}."
    if problems.comma:
        yield (
            f"Some numbers contain commas, such as {_quoted([problems.comma[:_MOST_CHARACTERS]])}: for "
            "decimal commas export with semicolons; remove commas between thousands."
        )
    if problems.short:
        yield f"{fmt.count(problems.short, 'row')} ended early."
    if problems.overfull:
        verb, are = ("has", "is") if problems.overfull == 1 else ("have", "are")
        hint = ""
        if log.may_have_decimal_commas and problems.overfull > _MANY * problems.rows:
            hint = ": decimal commas? Export with semicolons"
        yield (
            f"{fmt.count(problems.overfull, 'row')} {verb} more cells than the header has names and "
            f"{are} left out{hint}."
        )


def _column_sentences(summary: LogSummary) -> Iterator[str]:
    """Which columns are repeated or missing, and for which tables the log says nothing."""
    log = summary.log
    if log.defects.doubled:
        yield f"There are several columns {_quoted(log.defects.doubled)}; the first one counts."
    if log.missing_columns:
        yield f"The log has no column {_quoted(log.missing_columns)}, which [log] of callint.toml names."
    missing, never_together = summary.dwell.unweighed(log.signals)
    if missing:
        near = [f"{_quoted([log.similar[name]])} may be {name}" for name in missing if name in log.similar]
        hint = f"; {', '.join(near[:_MOST_NAMES])}: name it in [log] of callint.toml" if near else ""
        yield f"It has no column of {_some(missing)}, so it says nothing about tables on them{hint}."
    if never_together and summary.dwell.clock.total:
        yield f"It never has all signals of {_some(never_together)} at the same time."


def _max_gap(summary: LogSummary) -> str:
    return f"{summary.dwell.max_gap:g} s"


def _implausible(summary: LogSummary, name: str, count: int) -> str:
    """The number of rows with an implausible reading of a signal, and its plausible range."""
    return f"{fmt.count(count, 'row')} of {name} ({plausible_range(summary.dwell.signals[name])})"


def _some(names: list[str]) -> str:
    """The first names of a list, and the number of those left out."""
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(map(repr, names))


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours:,} h {minutes} min"
    return f"{minutes} min {rest} s" if minutes else f"{seconds:.3g} s"
