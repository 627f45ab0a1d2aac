"""Pairs of sibling softwares for ``python -m benchmarks relocate``: one definition, two images and the truth.

Tables are those of ``shapes`` (stated formulas) or of ``engineering`` (published libraries), with other
breakpoints, factors and storage. From the old software to the new one, blocks are inserted, removed and
moved, a third of the items are recalibrated, some axes are spaced again, some items are resized or gone, and
some tables move to another axis. Exact copies, look-alikes and bytes that no item covers lie between. Some
pairs align their tables, and some have a list of pointers to them. How often that happens is stated in the
constants; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

import numpy as np

from benchmarks.shapes import Array, Shape
from callint.decoding.conversions import quantise
from callint.decoding.word_order import unsigned_bytes
from callint.model.definition import (
    NO_CONSTRAINTS,
    ByteOrder,
    Checksum,
    Constraints,
    Definition,
    Identity,
    Kind,
    Linear,
    Memory,
    NumberType,
    Purpose,
    Range,
    Signal,
    States,
    Storage,
    StoredAxis,
    StoredCount,
    Table,
    Text,
)

#: Shares of blocks: inserted before, removed, moved. Shares of items: recalibrated, spaced again, resized,
#: gone.
INSERTED, REMOVED, MOVED = 0.10, 0.02, 0.05
RECALIBRATED, RESPACED, RESIZED, GONE = 0.33, 0.10, 0.015, 0.015
#: Share of tables that move to an axis with more or fewer points, while their old axis stays.
OTHER_AXIS = 0.01
#: Shares of pairs: tables aligned to 16 bytes, a list of pointers. Share of blocks with both counts in front.
ALIGNED, POINTED, COUNTS_FIRST = 0.25, 0.3, 0.2
#: Shares of tables: exact copies of one before, and copies but for some cells.
COPIED, ALIKE = 0.06, 0.06
#: Shares of stretches without items: changed in some bytes (as addresses in them change), replaced, inserted.
TOUCHED, REPLACED, SLIPPED_IN = 0.30, 0.10, 0.03
#: The address of the first byte, as pointers count: flash begins there, in memory as the program sees it.
POINTED_FROM = 0x8000_0000
#: What the names begin with of pieces that are no items: stored counts and look-alikes.
_NOT_ITEMS = "#", "~"
_WORDS = {1: ("uint8", "int8"), 2: ("uint16", "int16"), 4: ("float32", "int32")}


@dataclass
class Piece:
    """Bytes of the old software and of the new one; ``name`` of the item that they are, if any.

    ``old`` is None if the new software alone has it, ``new`` if it is gone. ``resized`` items have the new
    sizes of their axes; ``on_another_axis`` are tables that may not be placed. ``points_to`` are the names of
    items whose addresses the bytes are, once they are known.
    """

    old: bytes | None
    new: bytes | None
    name: str = ""
    resized: bool = False
    align: int = 1
    points_to: tuple[str, ...] = ()
    on_another_axis: bool = False


@dataclass
class Sibling:
    """A pair: the definition of the old image, and where its items lie in the new one (None: nowhere).

    ``resized`` are the items with another size; ``counts`` are the new numbers of points of such axes. Tables
    that are on another axis in the new software are nowhere.
    """

    definition: Definition
    old: bytes
    new: bytes
    truth: dict[str, int | None]
    title: str
    resized: frozenset[str] = frozenset()
    counts: dict[str, int] = field(default_factory=dict)
    interchangeable: frozenset[str] = frozenset()
    #: The addresses of look-alikes in the old image, which no item covers, each with its original.
    copies: tuple[tuple[int, str], ...] = ()


@dataclass
class _Maker:
    numbers: np.random.Generator
    shapes: Sequence[Shape]
    order: ByteOrder
    word: int
    align: int = 1
    blocks: list[list[Piece]] = field(default_factory=list)
    axes: dict[str, StoredAxis] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    texts: dict[str, Text] = field(default_factory=dict)
    conversions: dict[str, Linear | States] = field(default_factory=dict)
    grids: list[tuple[Shape, Array, str, float]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def chance(self, share: float) -> bool:
        return bool(self.numbers.random() < share)

    def storage(self, name: str) -> Storage:
        kind = NumberType[name]
        return Storage(kind, self.order, kind.size)

    def conversion(self, factor: float, offset: float = 0.0) -> str:
        name = f"c{factor:g}_{offset:g}"
        self.conversions.setdefault(name, Linear(name, "", None, factor, offset, 0))
        return name

    def encode(self, values: Array, type_name: str, conversion: str) -> bytes:
        storage = self.storage(type_name)
        low, high = storage.raw_limits
        linear = self.conversions[conversion]
        assert isinstance(linear, Linear)
        if storage.type.is_integer:
            ends = np.array([low, high], np.float64) * linear.factor + linear.offset
            values = np.clip(values, ends.min(), ends.max() - linear.factor)
        raw = quantise(linear, storage, np.nan_to_num(values).ravel()).raw
        return raw.astype(storage.dtype).tobytes()

    # Items

    def axis(self, name: str, points: Array) -> tuple[list[Piece], int, bool]:
        """The pieces of an axis, its count in the new software, and whether it was resized."""
        word = "uint16" if self.word > 1 else "uint8"
        span = float(points.max() - points.min()) or 1.0
        top = 250 if word == "uint8" else float(self.numbers.integers(2000, 60000))
        counts = np.linspace(0, top, len(points)) if word == "uint8" else (points - points.min()) / span * top
        raw = np.rint(counts + self.numbers.integers(0, 4)) + np.arange(len(points))
        conversion, storage = self.conversion(1.0), self.storage(word)
        resized, after = self.chance(RESIZED), raw
        if self.chance(RESPACED):
            bent = (raw - raw[0]) / max(float(np.ptp(raw)), 1) * self.numbers.uniform(0.7, 1.2)
            after = np.rint(raw[0] + np.ptp(raw) * bent ** self.numbers.uniform(0.8, 1.25))
            after = np.maximum.accumulate(after - np.arange(len(raw))) + np.arange(len(raw))
            after = np.clip(after, 0, storage.raw_limits[1])
            after = after if (np.diff(after) > 0).all() else raw
        elif self.chance(RECALIBRATED / 3):
            after = raw.copy()
            n = int(self.numbers.integers(1, len(raw)))
            after[n] = min(raw[n] + 1, raw[n + 1] - 1) if n + 1 < len(raw) else raw[n] + 1
        if resized:
            size = max(3, len(raw) + int(self.numbers.choice([-2, -1, 1, 2, 4])))
            after = np.rint(np.interp(np.linspace(0, 1, size), np.linspace(0, 1, len(raw)), raw))
            self.counts[name] = size
        has_count = self.chance(0.4)
        pieces = []
        if has_count:
            counts_old = np.array([len(raw)]).astype(storage.dtype).tobytes()
            pieces.append(
                Piece(counts_old, np.array([len(after)]).astype(storage.dtype).tobytes(), "#" + name)
            )
        pieces.append(
            Piece(raw.astype(storage.dtype).tobytes(), after.astype(storage.dtype).tobytes(), name, resized)
        )
        stored = StoredCount(-1, storage) if has_count else None
        self.axes[name] = StoredAxis(name, "s", 0, storage, conversion, len(raw), stored, 0)
        return pieces, len(after), resized

    def table(self, name: str, values: Array, axes: tuple[str, ...], columns: int, rows: int) -> Piece:
        """A curve or map of values; ``columns`` and ``rows`` are those of the new software."""
        shape, grid, type_name, factor = self.drawn(values)
        conversion = self.conversion(factor, shape.offset)
        old = self.encode(grid, type_name, conversion)
        after = grid
        if self.chance(RECALIBRATED):
            after = self.recalibrated(grid)
        resized = (rows, columns) != grid.shape
        if resized:
            picks = [
                np.rint(np.linspace(0, length - 1, wanted)).astype(int)
                for length, wanted in zip(grid.shape, (rows, columns), strict=True)
            ]
            after = after[np.ix_(*picks)]
        low, high = float(np.nanmin(grid)), float(np.nanmax(grid))
        margin = 0.5 * (high - low) + abs(factor)
        demands = (
            Constraints(limits=Range(low - margin, high + margin)) if self.chance(0.7) else NO_CONSTRAINTS
        )
        self.tables[name] = self.model(
            name, Kind.MAP if len(axes) == 2 else Kind.CURVE, type_name, conversion, axes, demands
        )
        new = None if self.chance(GONE) else self.encode(after, type_name, conversion)
        size = NumberType[type_name].size
        return Piece(old, new, name, resized, max(size, self.align))

    def drawn(self, values: Array) -> tuple[Shape, Array, str, float]:
        shape = self.shapes[int(self.numbers.integers(len(self.shapes)))]
        source = np.nan_to_num(shape.values, nan=float(np.nanmin(shape.values)))
        rows, columns = values.shape
        y = np.linspace(0, source.shape[0] - 1, rows) * self.numbers.uniform(0.6, 1)
        x = np.linspace(0, source.shape[1] - 1, columns) * self.numbers.uniform(0.6, 1)
        across = np.array([np.interp(x, np.arange(source.shape[1]), line) for line in source])
        grid = np.array([np.interp(y, np.arange(source.shape[0]), line) for line in across.T]).T
        word = int(self.numbers.choice([1, self.word, self.word]))
        low, high = float(grid.min()), float(grid.max())
        type_name = _WORDS[word][int(low < 0 or self.chance(0.2))] if word < 4 else str(
            self.numbers.choice(_WORDS[4])
        )  # fmt: skip
        limit = {1: 120.0, 2: 30_000.0, 4: 1e6}[word]
        factor = 1.0 if type_name == "float32" else max(shape.factor, max(abs(low), abs(high)) / limit)
        grid = grid * self.numbers.uniform(0.5, 1.0)
        return replace(shape, offset=0.0), grid, type_name, float(f"{factor:.3g}")

    def recalibrated(self, grid: Array) -> Array:
        span = float(np.ptp(grid)) or 1.0
        way = int(self.numbers.integers(4))
        if way == 0:
            return grid * self.numbers.uniform(0.8, 1.25)
        if way == 1:
            return grid + span * self.numbers.uniform(-0.15, 0.15)
        rows, columns = grid.shape
        y, x = np.linspace(0, 1, rows)[:, None], np.linspace(0, 1, columns)[None, :]
        if way == 2:
            hill = np.exp(
                -(((x - self.numbers.random()) / 0.3) ** 2) - ((y - self.numbers.random()) / 0.4) ** 2
            )
            return grid + 0.25 * span * hill
        tilted: Array = grid.min() + (grid - grid.min()) * (0.7 + 0.6 * x * self.numbers.random())
        return tilted

    def model(
        self, name: str, kind: Kind, type_name: str, conversion: str | None, axes: tuple[str, ...],
        demands: Constraints = NO_CONSTRAINTS,
    ) -> Table:  # fmt: skip
        x, y = (*axes, None, None)[:2]
        return Table(
            name, name, kind, Purpose.GENERAL, "", 0, self.storage(type_name), conversion, x, y, False, None,
            None, demands, (), 0,
        )  # fmt: skip

    def scalar(self, name: str) -> Piece:
        type_name = _WORDS[int(self.numbers.choice([1, self.word, self.word]))][0]
        type_name = "uint16" if type_name == "float32" and self.chance(0.5) else type_name
        value = np.array(
            [float(np.rint(10 ** self.numbers.uniform(0, 2.3 if type_name == "uint8" else 4.4)))]
        )
        after = np.rint(value * self.numbers.uniform(0.6, 1.5)) if self.chance(RECALIBRATED) else value
        conversion = self.conversion(1.0)
        limits = Range(0, float(value[0]) * 4 + 10) if self.chance(0.7) else None
        self.tables[name] = self.model(
            name, Kind.SCALAR, type_name, conversion, (), Constraints(limits=limits)
        )
        new = None if self.chance(GONE) else self.encode(after, type_name, conversion)
        return Piece(self.encode(value, type_name, conversion), new, name, False, NumberType[type_name].size)

    def switch(self, name: str) -> Piece:
        self.conversions.setdefault("states", States("states", {0: "off", 1: "on", 2: "auto"}, (), 0))
        value = int(self.numbers.integers(3))
        after = int(self.numbers.integers(3)) if self.chance(RECALIBRATED) else value
        self.tables[name] = self.model(name, Kind.SCALAR, "uint8", "states", ())
        return Piece(bytes([value]), None if self.chance(GONE) else bytes([after]), name)

    def text(self, name: str) -> Piece:
        length = int(self.numbers.integers(6, 20))
        letters = self.numbers.integers(65, 91, length).astype(np.uint8)
        after = letters.copy()
        if self.chance(0.5):
            after[-2:] = self.numbers.integers(48, 58, 2)
        self.texts[name] = Text(name, name, Purpose.GENERAL, "", 0, length, "ascii", (), 0)
        return Piece(letters.tobytes(), after.tobytes(), name)

    # Bytes between the items

    def filler(self, size: int) -> Piece:
        content = self.noise(size)
        after = content
        if self.chance(REPLACED):
            after = self.noise(size)
        elif self.chance(TOUCHED):
            touched = np.frombuffer(content, np.uint8).copy()
            places = self.numbers.integers(0, size, max(1, size // 12))
            touched[places] = self.numbers.integers(0, 256, len(places))
            after = touched.tobytes()
        return Piece(content, after)

    def noise(self, size: int) -> bytes:
        """Fill, small constants, or instructions from a small set of words with operands."""
        way = int(self.numbers.integers(4))
        if way == 0:
            return bytes([int(self.numbers.choice([0, 255]))]) * size
        if way == 1:
            return self.numbers.choice([0, 0, 0, 1, 2, 255], size).astype(np.uint8).tobytes()
        words = np.array([0x4E, 0x75, 0x20, 0x3C, 0x67, 0x00], np.uint8)
        content = np.where(
            self.numbers.random(size) < 0.5, words[np.arange(size) % 6], self.numbers.integers(0, 256, size)
        )
        return content.astype(np.uint8).tobytes()

    def block(self, number: int) -> tuple[list[Piece], int]:
        """One function: its axes, tables, scalars, switches and what lies between; and the count of items."""
        columns, rows = int(self.numbers.integers(4, 21)), int(self.numbers.integers(4, 17))
        x, y = f"x{number}", f"y{number}"
        across, new_columns, _ = self.axis(x, self.points(columns))
        down, new_rows, _ = self.axis(y, self.points(rows))
        pieces = [*across, *down]
        if self.chance(COUNTS_FIRST):
            pieces.sort(key=lambda piece: not piece.name.startswith("#"))
        count = 2
        for place in range(int(self.numbers.integers(2, 9))):
            name = f"t{number}_{place}"
            other = int(self.numbers.choice([-3, -2, 2, 4])) if self.chance(OTHER_AXIS) else 0
            wanted = max(2, new_columns + other)
            if self.chance(0.5):
                piece = self.table(name, np.zeros((rows, columns)), (x, y), wanted, new_rows)
            else:
                piece = self.table(name, np.zeros((1, columns)), (x,), wanted, 1)
            piece.on_another_axis = wanted != new_columns
            pieces.append(piece)
            if self.chance(0.3):
                pieces.append(self.filler(int(self.numbers.integers(2, 40))))
            if self.chance(SLIPPED_IN):
                pieces.append(Piece(None, self.noise(int(self.numbers.integers(1, 60)))))
            if self.chance(ALIKE) and piece.old:
                pieces.append(self.alike(piece))
            if self.chance(COPIED) and piece.old and piece.new:
                pieces.append(self.copy(name, piece))
                count += 1
            count += 1
        for place in range(int(self.numbers.integers(2, 9))):
            pieces.append((self.scalar if self.chance(0.6) else self.switch)(f"v{number}_{place}"))
            count += 1
        if self.chance(0.1):
            pieces.append(self.text(f"n{number}"))
            count += 1
        if self.chance(0.7):
            pieces.append(self.filler(int(self.numbers.integers(8, 600))))
        return pieces, count

    def points(self, count: int) -> Array:
        steps = self.numbers.uniform(0.4, 1.6, count)
        return np.cumsum(np.rint(steps * 20))

    def alike(self, piece: Piece) -> Piece:
        """A copy that no item covers, but for some bytes; often it is new where the original is kept."""
        assert piece.old is not None
        content = np.frombuffer(piece.old, np.uint8).copy()
        places = self.numbers.integers(0, len(content), int(self.numbers.integers(0, 4)))
        content[places] ^= 1
        made = content.tobytes()
        return (
            Piece(None, made, "", align=piece.align)
            if self.chance(0.5)
            else Piece(made, made, f"~{piece.name}", align=piece.align)
        )

    def copy(self, name: str, piece: Piece) -> Piece:
        """An item of its own with the same content, as a second bank has it."""
        self.tables[name + "b"] = replace(self.tables[name], name=name + "b")
        new = piece.new if piece.resized or self.chance(0.7) else piece.old
        return replace(piece, new=new, name=name + "b")


def sibling(seed: int, items: int, size: int, shapes: Sequence[Shape], title: str) -> Sibling:
    """A pair with about that many items in images of that many bytes, at the least of what they need."""
    numbers = np.random.default_rng([seed, items])
    order = (ByteOrder.BIG, ByteOrder.LITTLE)[seed % 2]
    word = (1, 2, 2, 4)[seed // 2 % 4]
    maker = _Maker(numbers, shapes, order, word, 16 if numbers.random() < ALIGNED else 1)
    has_pointers = maker.chance(POINTED)
    identity = Piece(b"SKERRY28-0417-A", b"SKERRY28-0533-C", "software")
    blocks: list[tuple[bool, bool, list[Piece]]] = [(False, False, [identity, maker.filler(64)])]
    count = 0
    while count < items:
        pieces, more = maker.block(len(blocks))
        count += more
        if maker.chance(INSERTED):
            extra = _Maker(numbers, shapes, order, word).block(0)[0]
            pieces = [*(Piece(None, piece.new) for piece in extra[: int(numbers.integers(1, 12))]), *pieces]
        gone = maker.chance(REMOVED)
        blocks.append((gone, maker.chance(MOVED), pieces))
    if has_pointers:
        names = tuple(sorted(maker.tables))
        room = bytes(4 * len(names))
        blocks.insert(1, (False, False, [Piece(room, room, align=4, points_to=names)]))
    old_order = [piece for _, _, pieces in blocks for piece in pieces]
    fixed = [(gone, pieces) for gone, moved, pieces in blocks if not moved]
    for gone, moved, pieces in blocks:
        if moved:
            fixed.insert(int(numbers.integers(1, len(fixed) + 1)), (gone, pieces))
    new_order = [
        replace(piece, new=None if gone else piece.new) for gone, pieces in fixed for piece in pieces
    ]
    alignment = max(min(word, 4), maker.align)
    old, old_at = _joined([(piece, piece.old) for piece in old_order], alignment, order)
    new, new_at = _joined([(piece, piece.new) for piece in new_order], alignment, order)
    end = max(size, len(old) + 64, len(new) + 64)
    old, new = old.ljust(end - 4, b"\xff"), new.ljust(end - 4, b"\xff")
    old, new = old + _sum(old, order), new + _sum(new, order)
    resized = {piece.name for piece in new_order if piece.resized and not piece.on_another_axis}
    on_another_axis = {piece.name for piece in new_order if piece.on_another_axis}
    truth: dict[str, int | None] = {
        name: None if name in on_another_axis else new_at.get(name)
        for name in old_at
        if not name.startswith(_NOT_ITEMS)
    }
    truth["sum"] = end - 4
    copies = tuple((at, name[1:]) for name, at in old_at.items() if name.startswith("~"))
    definition = _definition(maker, old_at, end, order)
    same = frozenset(_interchangeable(new_order))
    return Sibling(definition, old, new, truth, title, frozenset(resized), maker.counts, same, copies)


def _interchangeable(pieces: Sequence[Piece]) -> Iterator[str]:
    """The items in runs of equal pieces of which the old software or the new one lacks some."""
    for _, run in groupby(pieces, lambda piece: piece.old if piece.new is None else piece.new):
        equal = list(run)
        if any(piece.old is None or piece.new is None for piece in equal):
            kept = (piece.name for piece in equal if piece.new is not None and piece.new == piece.old)
            yield from (name for name in kept if not name.startswith(_NOT_ITEMS))


def _joined(
    pieces: list[tuple[Piece, bytes | None]], alignment: int, order: ByteOrder
) -> tuple[bytes, dict[str, int]]:
    """The bytes of an image with the addresses of its items; the alignment is the greatest that counts."""
    content, places = bytearray(), {}
    pointers = {}
    for piece, part in pieces:
        if part is None:
            continue
        content += b"\xff" * (-len(content) % min(piece.align, alignment))
        if piece.name:
            places[piece.name] = len(content)
        if piece.points_to:
            pointers[len(content)] = piece.points_to
        content += part
    for at, names in pointers.items():
        for number, name in enumerate(names):
            start = at + 4 * number
            content[start : start + 4] = unsigned_bytes(POINTED_FROM + places.get(name, 0), 4, order)
    return bytes(content), places


def _sum(content: bytes, order: ByteOrder) -> bytes:
    return unsigned_bytes(sum(content) & 0xFFFFFFFF, 4, order)


def _definition(maker: _Maker, at: dict[str, int], size: int, order: ByteOrder) -> Definition:
    axes = {
        name: replace(
            axis,
            at=at[name],
            stored_count=axis.stored_count and replace(axis.stored_count, at=at["#" + name]),
        )
        for name, axis in maker.axes.items()
    }
    checksum = Checksum(
        "sum", "sum32", 0, size - 4, size - 4, order, None, Storage(NumberType.uint8, order, 1), None, 0
    )
    identity = Identity("software", at["software"], b"SKERRY28-0417-A", 0)
    return Definition(
        name="old", title="", revision=1,
        memory=Memory(0, size, 0xFF, (), (identity,), (checksum,), 0),
        signals={"s": Signal("s", "", "-", None, None, 0)}, sensors=(),
        conversions=maker.conversions, axes=axes, groups={},
        tables={name: replace(table, at=at[name]) for name, table in maker.tables.items()},
        texts={name: replace(text, at=at[name]) for name, text in maker.texts.items()},
        relations=(), declarations=(), digest="",
    )  # fmt: skip
