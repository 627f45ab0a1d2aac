"""Relations and weakened protections in pairs of small tables, as a text for reviewers.

``python -m tests.surface_cases`` writes the text again; review each line that differs.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from callint.comparing.relations import RelationResult, at_most, equal, gap
from callint.comparing.weakening import shift_along_axis, weakening
from callint.decoding.surfaces import Surface
from tests.building import table_surface
from tests.golden import number, point
from tests.rework_cases import words

STORED = Path(__file__).parent / "data" / "surface_cases.txt"
_NAN, _INF = float("nan"), float("inf")
_SPEEDS, _LOADS = [1000.0, 2000.0, 3000.0], [10.0, 40.0]

SURFACES: dict[str, Surface] = {
    "a rising curve": table_surface(_SPEEDS, cells=[10, 20, 25]),
    "the same a little higher": table_surface(_SPEEDS, cells=[10.5, 20.5, 25.5]),
    "another curve": table_surface([1500.0, 2500.0, 3500.0], cells=[16, 18, 30]),
    "a curve beside it": table_surface([3000.0, 4000.0], cells=[25, 8]),
    "a curve beyond it": table_surface([3500.0, 4000.0], cells=[12, 8]),
    "a falling curve": table_surface(_SPEEDS, cells=[30, 22, 9]),
    "a curve that is off at its end": table_surface(_SPEEDS, cells=[12, 19, _NAN]),
    "a level curve": table_surface(_SPEEDS, cells=[20, 20, 20]),
    "a curve that ends in infinity": table_surface(_SPEEDS, cells=[10, _INF, _INF]),
    "a curve of huge numbers": table_surface(_SPEEDS, cells=[1e308, -1e308, 1.5e308]),
    "a scalar": table_surface(None, cells=[21]),
    "a map": table_surface(_SPEEDS, _LOADS, [8, 18, 27, 12, 24, 26]),
    "another map": table_surface(
        [1000.0, 2500.0, 3000.0], [5.0, 20.0, 40.0], [9, 17, 22, 9, 20, 25, 13, 24, 28]
    ),
    "a map that is off in a corner": table_surface(_SPEEDS, _LOADS, [8, 18, 27, 12, 24, _NAN]),
}  # fmt: skip
_AT = {"speed": 2200.0, "load": 30.0}


def stored() -> dict[str, str]:
    """What has been written down, by the first table."""
    sections = STORED.read_text("utf-8").split("\n=== ")[1:]
    return {name: rest for name, _, rest in (section.partition("\n") for section in sections)}


def said(name: str) -> str:
    """All sentences about a table compared with each of the others."""
    return "".join(f"{line}\n" for other in SURFACES for line in _lines(name, other))


def _lines(name: str, other_name: str) -> Iterator[str]:
    item, other = SURFACES[name], SURFACES[other_name]
    at = {signal: _AT[signal] for signal in {*item.signals, *other.signals}}
    yield f"beside {other_name}"
    actual = {
        "at most": at_most(item, other),
        "at most, by a margin": at_most(item, other, 2.5),
        "at most, at one point": at_most(item, other, 0.5, at),
        "equal": equal(item, other),
        "equal, about": equal(item, other, 0.5),
        "above, by a gap": gap(item, other, 1.0),
    }
    for kind, standing in actual.items():
        if standing is not None:
            yield f"  {kind}: {_judgement(standing)}"
    if item.signals == other.signals:
        for upward, downward in ((True, False), (False, True), (True, True)):
            ways = " and ".join(way for way, is_one in (("up", upward), ("down", downward)) if is_one)
            weaker = weakening(item, other, upward, downward)
            if weaker is not None:
                yield f"  weaker by going {ways}: {words(weaker)}"
        # What huge numbers do to a distance along an axis is of no interest.
        if len(item.signals) == 1 and max(item.magnitude, other.magnitude) < 1e300:
            for upward in (True, False):
                by = shift_along_axis(item, other, upward)
                if by is not None:
                    yield f"  later, {'rising' if upward else 'falling'}: {by:.6g}"


def _judgement(result: RelationResult) -> str:
    """A relation, without its slack: how far arithmetic may round is nothing that a reviewer can judge."""
    outcome = "broken" if result.is_broken else "kept"
    values = f"{number(result.value)} beside {number(result.other)}, excess {number(result.excess)}"
    return f"{outcome}, {values} at {point(result.at) or 'any point'}"


def main() -> None:
    head = "What callint says about pairs of small tables. See tests/surface_cases.py.\n"
    STORED.write_text(head + "".join(f"\n=== {name}\n{said(name)}" for name in SURFACES), "utf-8")


if __name__ == "__main__":
    main()
