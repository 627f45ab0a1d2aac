"""python -m benchmarks slips: counts the slips that callint finds and the correct edits that it reports.

The same edits are given to a z-score, Tukey's fences and a Hampel filter on the new values, each at its best
setting.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from benchmarks.edits import (
    BLIND,
    EDITS,
    LONE,
    OTHER,
    PASTED,
    SLIPS,
    Edit,
    Sample,
    matters,
    sample,
    slipped,
)
from benchmarks.measure import print_table
from benchmarks.new_edits import NEW_EDITS, STAND_INS
from benchmarks.shapes import Shape, shapes
from benchmarks.slip_oracle import LoneCell, bound
from callint.comparing.entry_errors.detect import Suspect, find_entry_errors
from callint.comparing.entry_errors.paste_errors import find_paste_errors
from callint.comparing.entry_errors.scoring import LONE_COPY_SURE, LONE_SHARE, LONE_SURE
from callint.comparing.entry_errors.table_edits import edit_of
from callint.model.change import TableChange

#: The seeds by which constants were chosen, and the seeds of the report; the held-out tables have their own.
TUNING, REPORTED, REPORTED_HELD_OUT = (1, 2, 3, *range(21, 26)), (11, 12), (91, 92)
_CLEAN, _SLIPS, _TRIES = 20, 2, 12
#: The number of parts in which each group and seed is measured, so that no processor waits long for another.
_PARTS = 4
#: The largest share of lone cells changed on purpose that may be reported.
_LONE_REPORTED = 0.05

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Group:
    """Tables and edits that are measured together."""

    name: str
    shapes: Callable[[int], list[Shape]]
    edits: Mapping[str, Edit]


#: HOME and TUNED are the groups by which constants are chosen; the others are never used for that.
HOME = Group("shapes of the scoreboard", shapes, {**EDITS, **OTHER, **LONE, **STAND_INS})


# The libraries take seconds to import, and only the scores of their tables need them.
def _engineering_tuned(seed: int) -> list[Shape]:
    from benchmarks import engineering

    return engineering.tuned(seed)


def _engineering_untuned(seed: int) -> list[Shape]:
    from benchmarks import engineering

    return engineering.untuned(seed)


def _held_out(seed: int) -> list[Shape]:
    from benchmarks import held_out

    return held_out.held_out(seed)


TUNED = Group("engineering tables, tuned", _engineering_tuned, {**EDITS, **OTHER, **LONE, **STAND_INS})
UNTUNED = Group("engineering tables, untuned", _engineering_untuned, {**EDITS, **OTHER, **BLIND, **LONE})
HELD_OUT = Group("engineering tables, held out", _held_out, {**EDITS, **OTHER, **BLIND, **NEW_EDITS, **LONE})
GROUPS = (HOME, TUNED, UNTUNED, HELD_OUT)


@dataclass
class Score:
    """The counts; baselines keep a score for every case, so that every setting can be tried."""

    clean: Counter[str] = field(default_factory=Counter)
    reported: Counter[str] = field(default_factory=Counter)
    noted: Counter[str] = field(default_factory=Counter)
    slips: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    slips_noted: Counter[str] = field(default_factory=Counter)
    #: The scores of lone cells that are only notes: of correct edits by kind, and of slips.
    lone_clean: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    lone_slips: list[float] = field(default_factory=list)
    #: Cells that changed alone, by correct edits and by slips.
    alone: list[LoneCell] = field(default_factory=list)
    alone_slipped: list[LoneCell] = field(default_factory=list)
    pasted: Counter[str] = field(default_factory=Counter)
    pasted_found: Counter[str] = field(default_factory=Counter)
    blocks: Counter[str] = field(default_factory=Counter)
    innocent: int = 0
    misses: list[tuple[object, ...]] = field(default_factory=list)
    false: list[tuple[object, ...]] = field(default_factory=list)
    baseline_clean: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    baseline_slips: dict[str, list[tuple[str, float]]] = field(default_factory=lambda: defaultdict(list))


def run(
    seeds: tuple[int, ...],
    clean: int = _CLEAN,
    each: int = _SLIPS,
    baselines: bool = True,
    group: Group = HOME,
    part: int | None = None,
    parts: int = _PARTS,
) -> Score:
    """Every shape with every kind of edit: ``clean`` correct edits, and ``each`` with each kind of slip.

    With ``part``, only every ``parts``-th shape, from shape number ``part``.
    """
    score = Score()
    for seed in seeds:
        for number, shape in enumerate(group.shapes(seed)):
            if part is not None and number % parts != part:
                continue
            item = sample(shape)
            for kind, (name, edit) in enumerate(group.edits.items()):
                numbers = np.random.default_rng([seed, number, kind])
                for _ in range(clean):
                    change = item.change(edit(numbers, item))
                    if change.changed.any():
                        _clean(score, item, name, change, baselines)
                if name in LONE:
                    continue
                for slip in SLIPS:
                    _slips(score, item, (name, edit), slip, numbers, each, baselines)
            _pasted(score, item, np.random.default_rng([seed, number, len(EDITS)]), clean)
    return score


def _pasted(score: Score, item: Sample, numbers: np.random.Generator, each: int) -> None:
    for name, paste in PASTED.items():
        for _ in range(each):
            grids = paste(numbers, item)
            if grids is None or not matters(item, grids[0], change := item.change(grids[1])):
                continue
            score.pasted[name] += 1
            blocks = find_paste_errors(edit_of(change, item.conversion))
            score.pasted_found[name] += any(block.twice == (name == "row twice") for block in blocks)


def _suspects(item: Sample, change: TableChange) -> dict[tuple[int, int], Suspect]:
    return {
        (suspect.y, suspect.x): suspect for suspect in find_entry_errors(edit_of(change, item.conversion))
    }


def _sure(suspects: Mapping[tuple[int, int], Suspect]) -> set[tuple[int, int]]:
    return {place for place, suspect in suspects.items() if suspect.is_sure}


def _clean(score: Score, item: Sample, name: str, change: TableChange, baselines: bool) -> None:
    score.clean[name] += 1
    if alone := _alone(item, change):
        score.alone.append(replace(alone, is_on_purpose=name in LONE))
    suspects = _suspects(item, change)
    score.noted[name] += bool(suspects)
    scores = [suspect.score for suspect in suspects.values() if suspect.is_lone and not suspect.is_sure]
    if scores and not _sure(suspects):
        score.lone_clean[name].append(max(scores))
    if flagged := _sure(suspects):
        score.reported[name] += 1
        score.false.append((item, name, change, flagged))
    score.blocks[name] += bool(find_paste_errors(edit_of(change, item.conversion)))
    if baselines:
        for method, values in _baselines(change).items():
            score.baseline_clean[method].append(
                float(np.max(values[change.changed & ~change.new.off], initial=0))
            )


def _slips(
    score: Score,
    item: Sample,
    named: tuple[str, Edit],
    slip: str,
    numbers: np.random.Generator,
    each: int,
    baselines: bool,
) -> None:
    made, (name, edit) = 0, named
    for _ in range(each * _TRIES):
        case = slipped(numbers, item, edit(numbers, item), SLIPS[slip])
        if case is None:
            continue
        suspects = _suspects(item, case.change)
        flagged, hit = _sure(suspects), suspects.get((case.y, case.x))
        score.slips[slip] += 1
        if alone := _alone(item, case.change):
            score.alone_slipped.append(replace(alone, meant=case.intended))
        score.slips_noted[slip] += hit is not None
        if hit is not None and hit.is_lone and not hit.is_sure:
            score.lone_slips.append(hit.score)
        if (case.y, case.x) in flagged:
            score.found[slip] += 1
        else:
            score.misses.append((item, name, slip, case))
        score.innocent += len(flagged - {(case.y, case.x)})
        if baselines:
            for method, values in _baselines(case.change).items():
                score.baseline_slips[method].append((slip, float(values[case.y, case.x])))
        made += 1
        if made == each:
            return


def _alone(item: Sample, change: TableChange) -> LoneCell | None:
    """The cell of a change if no other one changed and it held a number before and after."""
    places = np.argwhere(change.changed & ~change.old.off & ~change.new.off)
    if np.count_nonzero(change.changed) != 1 or len(places) != 1:
        return None
    y, x = places[0]
    old, new = float(change.old.physical[y, x]), float(change.new.physical[y, x])
    return LoneCell(old, new, new, item.span, item.shape.decimals)


# Baselines


def _baselines(change: TableChange) -> dict[str, Numbers]:
    """The deviation of every new value by each method, in the method's own unit."""
    values = np.where(change.new.off, np.nan, change.new.physical)
    with np.errstate(all="ignore"):
        z = np.abs(values - np.nanmean(values)) / np.nanstd(values)
        low, high = np.nanquantile(values, [0.25, 0.75])
        tukey = np.maximum(low - values, values - high) / (high - low)
        scores = {"z-score": z, "Tukey's fences": tukey}
        for reach in (1, 2, 3):
            scores[f"Hampel filter, reach {reach}"] = _hampel(values, reach)
    return {name: np.nan_to_num(item, nan=0.0, posinf=1e12, neginf=0.0) for name, item in scores.items()}


def _hampel(values: Numbers, reach: int) -> Numbers:
    """The distance to the median of the window in multiples of 1.4826 times its median deviation."""
    rows, columns = values.shape
    padded = np.pad(values, reach, constant_values=np.nan)
    side = range(2 * reach + 1)
    down = side if rows > 1 else (reach,)
    window = np.stack([padded[dy : dy + rows, dx : dx + columns] for dy in down for dx in side])
    ordered = np.sort(window, axis=0)
    count = (~np.isnan(ordered)).sum(axis=0)
    middle = _take(ordered, count)
    spread = np.sort(np.abs(window - middle), axis=0)
    return np.asarray(np.abs(values - middle) / (1.4826 * _take(spread, count) + 1e-12))


def _take(ordered: Numbers, count: NDArray[np.intp]) -> Numbers:
    """The median along the first axis, NaNs being last."""
    low, high = np.maximum((count - 1) // 2, 0), np.clip(count // 2, 0, len(ordered) - 1)
    pair = [np.take_along_axis(ordered, item[None], axis=0)[0] for item in (low, high)]
    return np.asarray((pair[0] + pair[1]) / 2)


@dataclass(frozen=True)
class Setting:
    """A baseline at one threshold: the shares of slips found, by kind and in all, and of reported edits."""

    threshold: float
    recall: float
    by_kind: dict[str, float]
    alarms: float
    f1: float


def _settings(score: Score, method: str) -> list[Setting]:
    cases = score.baseline_slips[method]
    slips = np.array([value for _, value in cases])
    kinds = np.array([kind for kind, _ in cases])
    clean = np.array(score.baseline_clean[method])
    result = []
    for threshold in np.unique(np.quantile(np.concatenate([slips, clean]), np.linspace(0, 1, 400))):
        hit, false = slips > threshold, int((clean > threshold).sum())
        recall = float(hit.mean())
        by_kind = {kind: float(hit[kinds == kind].mean()) for kind in SLIPS}
        f1 = 2 * int(hit.sum()) / (int(hit.sum()) + false + len(slips)) if hit.any() else 0.0
        result.append(Setting(float(threshold), recall, by_kind, false / len(clean), f1))
    return result


# The report


def report(seeds: tuple[int, ...] = REPORTED) -> None:
    """Print the results for the tables by which constants were chosen, and for those never used for that."""
    start = time.perf_counter()
    print(f"Seeds {seeds} and, of the tables held out, {REPORTED_HELD_OUT};")
    print(f"constants were chosen by seeds {TUNING} of the first two groups.")
    # Spawned, because a fork may hold a lock of a library.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=context) as pool:
        parts = [
            [pool.submit(_part, number, seed, part) for seed in of_group for part in range(_PARTS)]
            for number, of_group in enumerate((seeds, seeds, seeds, REPORTED_HELD_OUT))
        ]
        scores = [merged([part.result() for part in of_group]) for of_group in parts]
    for group, score in zip(GROUPS, scores, strict=True):
        print(f"\n# {group.name}\n")
        _print_slips(score)
        _print_edits(score, group)
        _print_pasted(score, group)
        _print_curve(score)
        _print_bound(score)
        print(f"Correct cells reported per slip: {score.innocent / sum(score.slips.values()):.4f}")
    print(f"{time.perf_counter() - start:.0f} s")


def _part(number: int, seed: int, part: int | None = None) -> Score:
    """The score of a part of one group and seed, without the cases themselves."""
    group = GROUPS[number]
    score = run((seed,), baselines=group is HOME, group=group, part=part)
    score.misses.clear()
    score.false.clear()
    return score


def merged(parts: Sequence[Score]) -> Score:
    """The sum of several scores."""
    total = Score()
    for part in parts:
        for item in fields(Score):
            mine, theirs = getattr(total, item.name), getattr(part, item.name)
            if isinstance(mine, Counter):
                mine.update(theirs)
            elif isinstance(mine, dict):
                for key, values in theirs.items():
                    mine[key] += values
            else:
                setattr(total, item.name, mine + theirs)
    return total


def _print_slips(score: Score) -> None:
    total, clean = sum(score.slips.values()), sum(score.clean.values())
    columns: list[tuple[str, Setting]] = []
    for method in ("z-score", "Tukey's fences", "Hampel filter"):
        settings = [
            s for name in score.baseline_slips if name.startswith(method) for s in _settings(score, name)
        ]
        quiet = [s for s in settings if s.alarms <= 0.005]
        if quiet:
            columns.append((f"{method}, quiet", max(quiet, key=lambda s: s.recall)))
        if settings:
            columns.append((f"{method}, best F1", max(settings, key=lambda s: s.f1)))
    heads = ["slip", "cases", "callint", "with notes", *(name for name, _ in columns)]
    rows = [
        [
            kind,
            f"{score.slips[kind]:,}",
            _share(score.found[kind], score.slips[kind]),
            _share(score.slips_noted[kind], score.slips[kind]),
            *(f"{setting.by_kind[kind]:.3f}" for _, setting in columns),
        ]
        for kind in SLIPS
        if score.slips[kind]
    ]
    found, noted = sum(score.found.values()), sum(score.slips_noted.values())
    alone = sum(score.clean[name] for name in LONE)
    reported = [
        _share(sum(count[name] for name in count if name not in LONE), clean - alone)
        for count in (score.reported, score.noted)
    ]
    recalls, alarms, thresholds = (
        [f"{s.recall:.3f}" for _, s in columns],
        [f"{s.alarms:.3f}" for _, s in columns],
        [f"{s.threshold:.3g}" for _, s in columns],
    )
    rows.append(["all", f"{total:,}", _share(found, total), _share(noted, total), *recalls])
    rows.append(["correct edits reported", f"{clean - alone:,}", *reported, *alarms])
    if columns:
        rows.append(["threshold", "", "", "", *thresholds])
    print_table("Slips found by kind, and false positives", heads, rows)


def _print_edits(score: Score, group: Group) -> None:
    rows = [
        [
            name,
            f"{score.clean[name]:,}",
            f"{score.reported[name]}",
            _share(score.reported[name], score.clean[name]),
            _share(score.noted[name], score.clean[name]),
        ]
        for name in group.edits
    ]
    heads = ["edit", "correct edits", "reported", "share", "with notes"]
    print_table("False positives by kind of edit", heads, rows)


def _print_pasted(score: Score, group: Group) -> None:
    rows = [
        [name, f"{score.pasted[name]:,}", _share(score.pasted_found[name], score.pasted[name])]
        for name in PASTED
    ]
    rows += [
        [f"reported {name}", f"{score.clean[name]:,}", _share(score.blocks[name], score.clean[name])]
        for name in group.edits
        if score.blocks[name]
    ]
    print_table("Wrong pastes found, and correct edits reported", ["", "cases", "share"], rows)


def _print_curve(score: Score) -> None:
    """Print the slips found and correct edits reported for each limit for lone cells.

    callint has the fifth limit, and the last one near copies.
    """
    kinds = (*LONE, "copied and raised")
    found, total = sum(score.found.values()), sum(score.slips.values())
    rows = [
        [
            f"{100 * LONE_SHARE * limit:.1f} % of the span",
            _share(found + sum(item > limit for item in score.lone_slips), total),
            *(
                _share(
                    score.reported[kind] + sum(item > limit for item in score.lone_clean[kind]),
                    score.clean[kind],
                )
                for kind in kinds
            ),
        ]
        for limit in (1.0, 1.2, 1.4, 1.6, LONE_SURE, 2.5, LONE_COPY_SURE)
    ]
    rows.append(["callint", _share(found, total)])
    rows[-1] += [_share(score.reported[kind], score.clean[kind]) for kind in kinds]
    title = "Slips found and correct edits reported, by the limit for lone cells"
    print_table(
        title, ["a lone cell deviates by", "slips found", *(f"{kind}, reported" for kind in kinds)], rows
    )


def _print_bound(score: Score) -> None:
    """Print the slips that nobody can find: those in lone cells that are as likely as decisions."""
    total = sum(score.slips.values())
    share = len(score.alone_slipped) / total
    limits = bound(score.alone, score.alone_slipped, _LONE_REPORTED)
    print("Slips in a cell that changed alone, and the limit set by an oracle that knows people's intentions")
    print(f"and may report {100 * _LONE_REPORTED:.0f} % of the cells that they change alone on purpose\n")
    print(f"share of all slips                                {share:.4f}")
    print(f"wrong number at least as likely as the meant one  {share * limits.plausible:.4f} of all slips")
    print(f"not found by the oracle                           {share * (1 - limits.found):.4f} of all slips")
    print(f"largest share that can be found                   {1 - share * (1 - limits.found):.4f}\n")


def _share(count: int, total: int) -> str:
    return f"{count / total:.4f}" if total else "-"


if __name__ == "__main__":
    sys.exit("python -m benchmarks slips runs it")
