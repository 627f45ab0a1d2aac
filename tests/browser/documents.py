"""Review documents, made to the schema by hand: small enough to know every number of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from callint.reporting.review.html import page
from tests.running import valid

Json = dict[str, Any]

SPEEDS = ("800", "1000", "1400", "1800", "2200", "2600", "3000", "3400")
QUANTITIES = ("5", "15", "30", "45", "60", "75")


def axis(name: str, signal: str, unit: str, old: Sequence[str], **more: Any) -> Json:
    return {"name": name, "signal": signal, "unit": unit, "old": list(old), **more}


def spans(cells: Sequence[int]) -> list[list[int]]:
    """Cells as pairs of the first one and how many follow each other."""
    result: list[list[int]] = []
    for cell in sorted(cells):
        if result and cell == sum(result[-1]):
            result[-1][1] += 1
        else:
            result.append([cell, 1])
    return result


def table(
    name: str,
    old: Sequence[float],
    new: Mapping[int, float],
    *,
    nx: int = 1,
    ny: int = 1,
    number: int = 0,
    **more: Any,
) -> Json:
    """A table of values with one digit, stored as tenths; ``new`` has the changed cells."""
    changed = sorted(new)
    differences = [new[cell] - old[cell] for cell in changed]
    kind = "map" if ny > 1 else "curve" if nx > 1 else "scalar"
    made = {
        "id": number, "name": name, "title": name.replace("_", " ").capitalize(), "purpose": "demand",
        "kind": kind, "unit": "mg", "at": 0x1234, "type": "uint16", "stride": 2, "order": "x-first",
        "nx": nx, "ny": ny,
        "old": [f"{value:.1f}" for value in old], "old_raw": [round(10 * value) for value in old],
        "cells": spans(changed), "new": [f"{new[cell]:.1f}" for cell in changed],
        "new_raw": [round(10 * new[cell]) for cell in changed],
        "difference": [f"{difference:+.1f}" for difference in differences],
        "percent": [
            f"{100 * difference / old[cell]:+.1f}" if old[cell] else ""
            for cell, difference in zip(changed, differences, strict=True)
        ],
        "off": [], "off_new": [], "changed": len(changed),
        "summary": f"{len(changed)} of {nx * ny} cells changed", "size": 0.1, "notes": [],
    }  # fmt: skip
    if nx > 1:
        made["x"] = axis("speed_axis", "Engine speed", "rpm", SPEEDS[:nx])
    if ny > 1:
        made["y"] = axis("quantity_axis", "Fuel quantity", "mg", QUANTITIES[:ny])
    return {**made, **more}


def joined(made: Json) -> Json:
    """The same table with its lists of texts written as one text each."""
    return {**made, **{name: ",".join(made[name]) for name in ("old", "new", "difference", "percent")}}


def listed(values: str | list[str], amount: int) -> list[str]:
    """A list of a number of texts, in any spelling."""
    return values if isinstance(values, list) else values.split(",") if amount else []


def finding(number: int, rule: str, severity: str, message: str, **more: Any) -> Json:
    options = {"rule": rule, "severity": severity, "state": "new", "message": message}
    return {"id": number, "image": 0, **options, "fingerprint": f"{number:016x}", **more}


def image(number: int, path: str, tables: Sequence[Json], **more: Any) -> Json:
    return {
        "id": number, "path": path, "old": "factory/skerry-28.bin", "new": path,
        "base": "factory/skerry-28.bin", "definition": "definitions/skerry-28.xml",
        "title": "Skerry 28, engine of the harbour boats",
        "state": "changed", "software": [{"name": "software number", "old": "SK28-0412", "new": "SK28-0412"}],
        "bytes": {"changed": 120, "explained": 118, "runs": [{"address": "0x01F00", "size": 2}], "more": 0},
        "checksums": [{"name": "calibration", "old": "0x1234", "new": "0x2345", "stale": False}],
        "sentences": [{"purpose": "protection", "group": "Smoke limitation", "text": "1 table changed."}],
        "texts": [], "axes": [], "tables": [{**table, "id": n} for n, table in enumerate(tables)], **more,
    }  # fmt: skip


def document(images: Sequence[Json], findings: Sequence[Json] = (), **more: Any) -> Json:
    """A whole document, which the schema accepts."""
    counts = {"mistakes": 2} | {
        severity: sum(finding["severity"] == severity and "waiver" not in finding for finding in findings)
        for severity in ("error", "warning", "note")
    }
    made = {
        "format": "callint-review", "version": 1, "title": images[0]["path"], "program": "callint 0.1.0",
        "date": "2026-11-25", "digest": "0123456789abcdef", "old": "factory/skerry-28.bin",
        "new": images[0]["path"], "cautions": ["callint reports; it does not approve."],
        "verdict": "1 error and 1 warning are not waived; 2 bytes are explained by no table.",
        "counts": {**counts, "waived": sum("waiver" in finding for finding in findings), "known": 0},
        "rules": {finding["rule"]: f"The title of {finding['rule']}" for finding in findings},
        "findings": list(findings), "images": list(images), **more,
    }  # fmt: skip
    return valid(made, "review.schema.json")  # type: ignore[no-any-return]


def smoke_limit() -> Json:
    """A map of 8 × 6 with a framed operating range, three changed cells, and a driving log."""
    old = [20 + 3 * y + 1.5 * x for y in range(6) for x in range(8)]
    cells = [round((x + 1) * (y + 1) / 500, 4) for y in range(6) for x in range(8)]
    return table(
        "smoke_limit", old, {19: old[19] + 2.5, 20: old[20] + 30, 28: old[28] - 1.5}, nx=8, ny=6,
        purpose="protection", group="Smoke limitation",
        x=axis("speed_axis", "Engine speed", "rpm", SPEEDS, operating=[0, 6]),
        y=axis("quantity_axis", "Fuel quantity", "mg", QUANTITIES, operating=[1, 4]),
        logged={"share": "38 %", "never": 1, "cells": cells}, notes=["Measured on the bench."],
    )  # fmt: skip


def yard() -> Json:
    """One image with a map, a curve, a scalar, a table of states and a moved axis; findings of every kind."""
    curve = [10.0, 12.0, 15.0, 19.0, 24.0, 24.0, 22.0, 18.0]
    moved = ["850", *SPEEDS[1:]]
    trim = table(
        "speed_trim", curve, {3: 20.5}, nx=8, purpose="correction", group="Trims",
        off=[[7, 1]], off_new=[[7, 1]],
        x=axis("trim_axis", "Engine speed", "rpm", SPEEDS, new=moved),
        movement="output moved by up to +0.5 mg at 850 rpm",
    )  # fmt: skip
    cut = table("overspeed_cut", [4250.0], {0: 4550.0}, unit="rpm", purpose="protection", at=0x40D00)
    monitor = {
        **table("monitor", [1.0], {0: 0.0}, unit="", purpose="diagnosis", states=True),
        "old": ["on"], "new": ["off"], "difference": [""], "percent": [""],
    }  # fmt: skip
    findings = [
        finding(
            0, "change/suspicious-cell", "error", "56.0 mg stands among 25 and 29 mg", table="smoke_limit",
            cell=[4, 2], place="2200 rpm, 30 mg", hint="Compare with the neighbours.", address="0x0125C",
        ),
        finding(
            1, "change/unexplained-bytes", "warning", "2 bytes are explained by nothing", address="0x01F00",
        ),
        finding(
            2, "axis/changed", "note", "the breakpoint moved by 50 rpm", table="trim_axis", cell=[0, 0],
            place="850 rpm", state="known",
        ),
        finding(
            3, "change/too-large", "error", "300 rpm more; at most 100 rpm is accepted",
            table="overspeed_cut",
            waiver={"who": "Ada Quay", "reason": "asked for by the skipper", "until": "2027-01-31"},
        ),
    ]  # fmt: skip
    return document([image(0, "boats/heron.bin", [smoke_limit(), cut, joined(trim), monitor])], findings)


def many(amount: int, nx: int = 16, ny: int = 16, changed: int = 12) -> Json:
    """So many tables of 16 × 16 in one image."""
    speeds = [str(600 + 200 * n) for n in range(nx)]
    quantities = [str(5 + 5 * n) for n in range(ny)]
    tables = []
    for number in range(amount):
        old = [
            round(300 + 80 * math.sin(x / 3 + number) + 40 * math.cos(y / 4) + x * y, 1)
            for y in range(ny)
            for x in range(nx)
        ]
        new = {(17 * number + 7 * n) % (nx * ny): 0.0 for n in range(changed)}
        new = {cell: old[cell] + 1.5 + cell % 9 for cell in new}
        x = axis("speed_axis", "Engine speed", "rpm", speeds, operating=[1, nx - 2])
        y = axis("quantity_axis", "Fuel quantity", "mg", quantities, operating=[1, ny - 3])
        made = table(f"table_{number}", old, new, nx=nx, ny=ny, group=f"Group {number % 20}", x=x, y=y)
        tables.append(joined(made))
    return document([image(0, "boats/heron.bin", tables)])


def text_of(made: Json) -> str:
    """The page of a document."""
    return page(made)
