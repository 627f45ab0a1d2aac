"""Imports a list of addresses for callint import, judged by an image if there is one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from callint.cli.import_image import read_import_image
from callint.decoding.placement_evidence import PlacementEvidence, count_smoother_orders, judge_placement
from callint.model.definition import ByteOrder
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.addresses.columns import ListMapping, read_mapping
from callint.reading.addresses.imports import (
    AddressList,
    list_image,
    make_list_definition,
    read_list,
)
from callint.reading.tree import require_inside_repository
from callint.reporting.import_.result import ImportResult


@dataclass(frozen=True, slots=True)
class ListImport:
    """The files and settings of an import; all but ``source`` and ``target`` may be absent."""

    source: Path
    target: Path
    name: str | None = None
    sheet: str | None = None
    mapping: str | None = None
    image: str | None = None
    byte_order: str | None = None


def import_list(request: ListImport) -> ImportResult:
    """The result of an import. Raises InputError if a file is not what it should be."""
    mapping = ListMapping()
    if request.mapping is not None:
        require_inside_repository(Path(request.mapping), request.mapping)
        mapping = read_mapping(Path(request.mapping))
    addresses = read_list(request.source, mapping, request.sheet)
    extent, image = None, None
    if request.image is not None:
        image = _read_image(request.image, addresses)
        extent = image.extents[0][0], image.extents[-1][1]
    order = ByteOrder(request.byte_order) if request.byte_order else mapping.byte_order
    row = addresses.open_order if order is None else None
    if row is not None:
        raise InputError(
            f"{request.source}:{row.line}: nothing gives the byte order of {row.name or 'the row'}"
            f"{_smoother_order(addresses, image, extent)}; give --byte-order big or little"
        )
    name = request.name or request.source.stem or "list"
    made = make_list_definition(addresses, name, order, extent)
    evidence: tuple[PlacementEvidence, ...] = ()
    if image is not None and made.imported.definition is not None:
        evidence = tuple(judge_placement(made.imported.definition, image))
    return ImportResult(
        made.imported,
        str(request.source),
        str(request.target),
        is_list=True,
        image=request.image or "",
        evidence=evidence,
        lines=made.lines,
    )


def _read_image(name: str, addresses: AddressList) -> Image:
    return list_image(read_import_image(name), name, addresses)


def _smoother_order(addresses: AddressList, image: Image | None, extent: tuple[int, int] | None) -> str:
    """What an image says about the byte order, as a clause."""
    if image is None:
        return ""
    made = make_list_definition(addresses, "list", ByteOrder.BIG, extent).imported.definition
    if made is None:
        return ""
    big, little = count_smoother_orders(made, image)
    return f" (in the image, {big:,} tables and axes look right as big-endian, {little:,} as little-endian)"
