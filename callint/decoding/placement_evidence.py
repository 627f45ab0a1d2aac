"""Judges by the bytes of an image whether the items of a definition lie where it says.

An axis rises, most tables are smooth, and a text can be read. With the wrong byte order or sign, in the wrong
order of cells, or from an address beside its own, a table looks like noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.cell_order import is_smoother_in_other_order
from callint.decoding.characters import count_strange_characters, written_part
from callint.decoding.conversions import to_physical
from callint.decoding.word_order import with_swapped_words
from callint.fmt import address, count, plain, with_unit
from callint.model.change import Numbers
from callint.model.definition import ByteOrder, Definition, NumberType, Storage, StoredAxis, Table, Text
from callint.model.image import Image

#: Rough tables are doubted if another reading has at most this share of their roughness. Tuned on the tables
#: of the demo and on noise; a table that is monotonic has a roughness of 3 / (n - 1), noise one of 1.
_ROUGH, _BETTER = 0.45, 0.5
#: The number of cells from which the shape of a table tells something.
_LEAST_CELLS = 6
#: The number of cells from which multiples of 256 are not a coincidence.
_LEAST_MULTIPLES = 4
#: Numbers of this size are not engineering values but other bytes, read as floating point.
_LARGEST, _SMALLEST = 1e18, 1e-18
_OTHER_KIND = str.maketrans("ui", "iu")
_SIGN_CHANGED = {
    **{NumberType[f"uint{bits}"]: NumberType[f"int{bits}"] for bits in (8, 16, 32, 64)},
    **{NumberType[f"int{bits}"]: NumberType[f"uint{bits}"] for bits in (8, 16, 32, 64)},
}


@dataclass(frozen=True, slots=True)
class PlacementEvidence:
    """What an image says about the place of one table, shared axis or text.

    ``doubts`` are reasons why it may lie elsewhere or be stored in another way, ``support`` reasons why it
    lies there. Without any of both, its bytes tell nothing.
    """

    name: str
    doubts: tuple[str, ...]
    support: tuple[str, ...]


def judge_placement(definition: Definition, image: Image) -> list[PlacementEvidence]:
    """The evidence for each stored axis, table and text of a definition, in this order."""
    judge = _PlacementJudge(definition, image)
    with np.errstate(all="ignore"):
        items = [axis for axis in definition.axes.values() if isinstance(axis, StoredAxis)]
        return [
            *(judge.axis(axis) for axis in items),
            *(judge.table(table) for table in definition.tables.values()),
            *(judge.text(text) for text in definition.texts.values()),
        ]


def count_smoother_orders(definition: Definition, image: Image) -> tuple[int, int]:
    """The number of items that big-endian numbers make smoother or rising, and that of little-endian ones."""
    judge = _PlacementJudge(definition, image)
    votes = [0, 0]
    with np.errstate(all="ignore"):
        for item in (*definition.axes.values(), *definition.tables.values()):
            if isinstance(item, (StoredAxis, Table)) and item.storage.type.size > 1:
                scores = [
                    judge.score(item, replace(item.storage, byte_order=order))
                    for order in (ByteOrder.BIG, ByteOrder.LITTLE)
                ]
                for own, other in ((0, 1), (1, 0)):
                    score, against = scores[own], scores[other]
                    if score is not None and (against is None or score <= _BETTER * against):
                        votes[own] += 1
    return votes[0], votes[1]


class _PlacementJudge:
    def __init__(self, definition: Definition, image: Image) -> None:
        self._definition = definition
        self._image = image

    def _raw(self, item: Table | StoredAxis, storage: Storage, shift: int = 0) -> NDArray[Any] | None:
        """The raw numbers of an item, None if the image lacks one.

        Those of a table are in the order of their addresses, those of an axis in that of its breakpoints.
        """
        cells = self._cells(item)
        view = self._image.view(item.at + shift, cells * storage.type.size)
        if view is None:
            return None
        raw: NDArray[Any] = np.frombuffer(view, storage.dtype, cells)
        raw = with_swapped_words(raw) if storage.has_swapped_words else raw
        return np.ascontiguousarray(raw[::-1]) if isinstance(item, StoredAxis) and item.falling else raw

    def _shape(self, item: Table | StoredAxis) -> tuple[int, int]:
        """Rows and columns."""
        if isinstance(item, StoredAxis):
            return 1, item.count
        counts = [self._definition.axes[axis].count for axis in item.axes]
        return (counts[1] if len(counts) > 1 else 1), (counts[0] if counts else 1)

    def _cells(self, item: Table | StoredAxis) -> int:
        rows, columns = self._shape(item)
        return rows * columns

    def _grid(self, item: Table | StoredAxis, raw: NDArray[Any], y_first: bool) -> NDArray[Any]:
        rows, columns = self._shape(item)
        return raw.reshape(columns, rows).T if y_first else raw.reshape(rows, columns)

    def _physical(self, item: Table | StoredAxis, raw: NDArray[Any]) -> Numbers:
        return to_physical(self._definition.conversion_of(item), raw.astype(np.float64))

    # How well a reading fits

    def score(self, item: Table | StoredAxis, storage: Storage, shift: int = 0) -> float | None:
        """The roughness of an item under another reading; None if its numbers make no sense."""
        raw = self._raw(item, storage, shift)
        if raw is None or not _is_sensible(raw):
            return None
        if isinstance(item, StoredAxis):
            return 0.01 if len(raw) > 2 and _rises(self._physical(item, raw)) else None
        return _roughness(self._grid(item, raw, item.y_first))

    def _other_readings(self, item: Table | StoredAxis) -> Iterator[tuple[str, Storage, int]]:
        """Other readings of the same item, each with its name."""
        storage = item.storage
        if storage.type.size > 1:
            order = ByteOrder.LITTLE if storage.byte_order is ByteOrder.BIG else ByteOrder.BIG
            yield f"as {order}-endian", replace(storage, byte_order=order), 0
        if storage.type in _SIGN_CHANGED:
            other = _SIGN_CHANGED[storage.type]
            yield f"as {other.name}", replace(storage, type=other), 0
        if storage.type.size > 1:
            for shift in (-1, 1):
                yield f"from {address(item.at + shift)}", storage, shift

    # Verdicts

    def axis(self, axis: StoredAxis) -> PlacementEvidence:
        """Whether the breakpoints of an axis rise."""
        raw = self._raw(axis, axis.storage)
        if raw is None:
            return _doubted(axis.name, "the image lacks bytes of it")
        if (empty := _empty(raw)) is not None:
            return _doubted(axis.name, empty)
        values = self._physical(axis, raw)
        if _is_sensible(raw) and _rises(values):
            if len(raw) < 3:
                return PlacementEvidence(axis.name, (), ())
            unit = self._definition.unit_of(axis)
            low, high = (with_unit(plain(float(value)), unit) for value in (values[0], values[-1]))
            return _supported(axis.name, f"its {len(raw)} breakpoints rise from {low} to {high}")
        better = [
            name
            for name, storage, shift in self._other_readings(axis)
            if self.score(axis, storage, shift) is not None
        ]
        hint = f"; they rise {' or '.join(better)}" if better else ""
        return _doubted(axis.name, f"its {len(raw)} breakpoints do not rise{hint}")

    def table(self, table: Table) -> PlacementEvidence:
        """Whether the values of a table lie within its limits, and are smoother than under other readings."""
        raw = self._raw(table, table.storage)
        if raw is None:
            return _doubted(table.name, "the image lacks bytes of it")
        if (empty := _empty(raw)) is not None:
            return _doubted(table.name, empty)
        if not _is_sensible(raw):
            return _doubted(table.name, "some of its numbers are infinite, not numbers, or of an absurd size")
        doubts, support = self._limits(table, raw)
        size = table.storage.type.size
        is_multiple = table.storage.type.is_integer and size > 1 and len(raw) >= _LEAST_MULTIPLES
        if is_multiple and len(np.unique(raw)) > 1 and not np.any(raw % 256):
            doubts.append(
                "all its numbers are multiples of 256, as small numbers are in the other byte order"
            )
        rough = _roughness(self._grid(table, raw, table.y_first))
        if rough is None:
            return PlacementEvidence(table.name, tuple(doubts), tuple(support))
        better = self._smoother(table, raw, rough)
        if self._wraps(table, raw):
            doubts.append(
                f"its values jump between both ends of their range; as {_other_sign(table)} they do not"
            )
        elif better:
            doubts.append(f"its values look like noise, but are smooth {' or '.join(better)}")
        elif is_smoother_in_other_order(self._grid(table, raw, table.y_first).astype(float), table.y_first):
            order = "x" if table.y_first else "y"
            doubts.append(f"its values are smoother stored {order} first; check its order, rows and columns")
        elif rough < _ROUGH:
            support.append("its values are smooth")
        elif rough > 2 * _ROUGH:
            doubts.append("its values look like noise")
        return PlacementEvidence(table.name, tuple(doubts), tuple(support))

    def _wraps(self, table: Table, raw: NDArray[Any]) -> bool:
        """Whether neighbours lie at both ends of the range of the type, but side by side with the other sign.

        Tables of three numbers or fewer may mean it so, such as "none" beside "all".
        """
        if table.storage.type not in _SIGN_CHANGED:
            return False
        other = raw.view(np.dtype(table.storage.dtype.str.translate(_OTHER_KIND)))
        full = 256.0**table.storage.type.size
        jumps = _largest_step(self._grid(table, raw, table.y_first))
        steps = _largest_step(self._grid(table, other, table.y_first))
        return jumps >= 0.75 * full and steps <= 0.25 * full and len(np.unique(raw)) > 3

    def _smoother(self, table: Table, raw: NDArray[Any], rough: float) -> list[str]:
        """The readings under which a rough table is smooth."""
        if rough < _ROUGH:
            return []
        better = []
        for name, storage, shift in self._other_readings(table):
            score = self.score(table, storage, shift)
            if score is not None and score <= _BETTER * rough:
                better.append(name)
        return better

    def _limits(self, table: Table, raw: NDArray[Any]) -> tuple[list[str], list[str]]:
        limits = table.demands.limits
        if limits is None:
            return [], []
        values = self._physical(table, raw)
        outside = raw[~((values >= limits.low) & (values <= limits.high))]
        if not outside.size:
            return [], [f"its {'values lie' if raw.size > 1 else 'value lies'} within its limits"]
        share = f"{outside.size:,} of its {count(len(raw), 'value')}"
        if 1 < outside.size < raw.size and (outside == outside[0]).all():
            return [f"{share} are raw {outside[0]}, outside its limits; this may be an off code"], []
        return [
            f"{share} lie outside its limits" if raw.size > 1 else "its value lies outside its limits"
        ], []

    def text(self, text: Text) -> PlacementEvidence:
        """Whether a text can be read; it may be padded with spaces, zeros or 0xFF."""
        content = self._image.read(text.at, text.length)
        if content is None:
            return _doubted(text.name, "the image lacks bytes of it")
        letters = content.rstrip(b"\x00\xff ").decode(text.encoding, "replace")
        if not written_part(letters):
            return _doubted(text.name, "it is empty")
        if strange := count_strange_characters(letters):
            return _doubted(
                text.name, f"{strange} of its {text.length} bytes are not letters, digits or signs"
            )
        return _supported(text.name, f"it reads {written_part(letters)[:40]!r}")


def _supported(name: str, reason: str) -> PlacementEvidence:
    return PlacementEvidence(name, (), (reason,))


def _doubted(name: str, reason: str) -> PlacementEvidence:
    return PlacementEvidence(name, (reason,), ())


def _empty(raw: NDArray[Any]) -> str | None:
    """The doubt about bytes that are as an erased memory leaves them."""
    content = raw.view(np.uint8)
    if content.size > 1 and bool((content == 0xFF).all()):
        return f"all its {content.size} bytes are 0xFF, as in erased memory"
    return None


def _is_sensible(raw: NDArray[Any]) -> bool:
    """Whether all numbers are finite and of a size that engineering values have."""
    if raw.dtype.kind != "f":
        return True
    sizes = np.abs(raw[raw != 0])
    return bool(np.isfinite(raw).all() and (sizes < _LARGEST).all() and (sizes > _SMALLEST).all())


def _other_sign(table: Table) -> str:
    return _SIGN_CHANGED[table.storage.type].name


def _largest_step(grid: NDArray[Any]) -> float:
    """The largest difference of neighbours along rows and columns; 0 without neighbours."""
    values = grid.astype(np.float64)
    return max(float(np.abs(np.diff(values, axis=axis)).max(initial=0)) for axis in (0, 1))


def _rises(values: Numbers) -> bool:
    return bool((np.diff(values) > 0).all())


def _roughness(grid: NDArray[Any]) -> float | None:
    """The way along rows and columns in parts of the range, 1 for noise; None if the shape tells nothing.

    The steps of noise of n numbers add up to (n - 1) / 3 of its range on average.
    """
    values = grid.astype(np.float64)
    span = float(values.max() - values.min()) if values.size else 0.0
    if values.size < _LEAST_CELLS or not 0 < span < np.inf:
        return None
    along = [
        float(np.abs(np.diff(values, axis=axis)).mean()) * 3 / span
        for axis in (0, 1)
        if values.shape[axis] > 2
    ]
    return sum(along) / len(along) if along else None
