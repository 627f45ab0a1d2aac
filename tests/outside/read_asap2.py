"""What the published ASAP2 reader pya2ldb reads of descriptions, as a JSON list; a program of its own.

It runs in a process of its own, because importing it changes how Python reports errors.
"""

from __future__ import annotations

import json
import sys
from typing import Any

from pya2l import import_a2l, model  # type: ignore[attr-defined]  # a module of the package
from pya2l.api.inspect import CompuMethod


def one(noun: Any, *names: str) -> Any:
    """Attributes of an optional part; None where it is absent."""
    if noun is None:
        return None
    result = [getattr(noun, name) for name in names]
    return result if len(names) > 1 else result[0]


def fixed(axis: Any) -> Any:
    for name in ("fix_axis_par", "fix_axis_par_dist"):
        part = getattr(axis, name)
        if part is not None:
            return [part.offset, getattr(part, "shift", getattr(part, "distance", None)), part.numberapo]
    if axis.fix_axis_par_list is not None:
        return [float(value) for value in axis.fix_axis_par_list.axisPts_Value]
    return None


def physical(session: Any, name: str, kind: str) -> list[float] | None:
    if kind not in ("IDENTICAL", "LINEAR", "RAT_FUNC"):
        return None
    method = CompuMethod(session, name, None)
    return [float(method.int_to_physical(raw)) for raw in (-7, 0, 1, 250)]


def read(path: str) -> dict[str, Any]:
    # It takes a file for Latin-1 unless it is told otherwise.
    with open(path, "rb") as described:  # noqa: PTH123
        encoding = "utf-8-sig" if described.read(3) == b"\xef\xbb\xbf" else "latin-1"
    session = import_a2l(path, encoding=encoding, in_memory=True, progress_bar=False, loglevel="ERROR")
    common = session.query(model.ModCommon).one()
    return {
        "characteristics": {
            item.name: [
                item.longIdentifier,
                item.type,
                item.address,
                item.deposit,
                item.conversion,
                item.lowerLimit,
                item.upperLimit,
                one(item.bit_mask, "mask"),
                [
                    [
                        axis.attribute,
                        axis.inputQuantity,
                        axis.conversion,
                        axis.maxAxisPoints,
                        axis.lowerLimit,
                        axis.upperLimit,
                        one(axis.axis_pts_ref, "axisPoints") or one(axis.curve_axis_ref, "curveAxis") or "",
                        fixed(axis),
                        one(axis.max_grad, "maxGradient"),
                    ]
                    for axis in item.axis_descr
                ],
            ]
            for item in session.query(model.Characteristic)
        },
        "axes": {
            item.name: [
                item.longIdentifier,
                item.address,
                item.inputQuantity,
                item.depositAttr,
                item.conversion,
                item.maxAxisPoints,
                item.lowerLimit,
                item.upperLimit,
            ]
            for item in session.query(model.AxisPts)
        },
        "measurements": {
            item.name: [item.longIdentifier, item.conversion, item.lowerLimit, item.upperLimit]
            for item in session.query(model.Measurement)
        },
        "methods": {
            item.name: [
                item.longIdentifier,
                item.conversionType,
                item.format,
                item.unit,
                one(item.coeffs, *"abcdef") or one(item.coeffs_linear, "a", "b") or [],
                one(item.compu_tab_ref, "conversionTable") or "",
            ]
            for item in session.query(model.CompuMethod)
        },
        "physical": {
            item.name: physical(session, item.name, item.conversionType)
            for item in session.query(model.CompuMethod)
        },
        "states": {
            item.name: [[pair.inVal, pair.outVal] for pair in item.pairs]
            for item in session.query(model.CompuVtab)
        },
        "segments": [
            [item.name, item.memoryType, item.address, item.size]
            for item in session.query(model.MemorySegment)
        ],
        "layouts": {
            item.name: sorted(
                [
                    part.position,
                    part.datatype,
                    *([part.indexMode, part.addresstype] if name == "fnc_values" else []),
                    *([str(part.maxNumberOfRescalePairs)] if name.startswith("axis_rescale") else []),
                    *([part.indexIncr, part.addressing] if name.startswith("axis_") else []),
                ]
                for name in (
                    "fnc_values",
                    "axis_rescale_x",
                    "no_rescale_x",
                    *(f"{what}_{axis}" for what in ("axis_pts", "no_axis_pts", "src_addr") for axis in "xyz"),
                )
                if (part := getattr(item, name)) is not None
            )
            for item in session.query(model.RecordLayout)
        },
        "byte_order": one(common.byte_order, "byteOrder"),
        "alignments": {
            name: one(getattr(common, name.lower()), "alignmentBorder")
            for name in (
                "ALIGNMENT_BYTE",
                "ALIGNMENT_WORD",
                "ALIGNMENT_LONG",
                "ALIGNMENT_FLOAT32_IEEE",
                "ALIGNMENT_FLOAT64_IEEE",
            )
        },
    }


if __name__ == "__main__":
    result = [read(path) for path in sys.argv[2:]]
    with open(sys.argv[1], "w", encoding="utf-8") as file:  # noqa: PTH123
        json.dump(result, file)
