"""The bytes that the rows of a list claim in the memory."""

from __future__ import annotations

from dataclasses import dataclass
from operator import attrgetter

from callint.model.definition import Memory
from callint.model.errors import InputError
from callint.reading.addresses.row_log import RowLog
from callint.reading.addresses.rows import ListedRow
from callint.reading.asap2.report import NotKeptError
from callint.reading.definition_bounds import MAX_MEMORY


@dataclass(frozen=True, slots=True)
class _AddressSpan:
    """The addresses of an item: its first, and the one after its last; and what they are of."""

    start: int
    end: int
    name: str
    row: ListedRow


class ClaimedBytes:
    """The bytes of the items so far.

    ``extent`` has the first address of the memory and the one after its last, None if the rows say where it
    ends.
    """

    def __init__(self, extent: tuple[int, int] | None, log: RowLog) -> None:
        self._extent = extent
        self._log = log
        self._spans: list[_AddressSpan] = []

    @property
    def count(self) -> int:
        """The number of claims so far."""
        return len(self._spans)

    def claim(self, row: ListedRow, name: str, at: int, size: int, unit: int = 1) -> None:
        """Claim bytes for an item; ``unit`` is the size of one number in bytes.

        Raises NotKeptError if the bytes lie outside the memory.
        """
        end = at + size
        if self._extent is not None and not (self._extent[0] <= at and end <= self._extent[1]):
            first, last = self._extent[0], self._extent[1] - 1
            raise NotKeptError(
                f"it lies outside the memory from 0x{first:X} to 0x{last:X}; correct its address or its size"
            )
        if unit > 1 and at % 2:
            self._log.ask(row, f"its numbers of {unit} bytes begin at an odd address; check the address")
        self._spans.append(_AddressSpan(at, end, name, row))

    def release_since(self, count: int) -> None:
        """Give up all claims but the first ``count``."""
        del self._spans[count:]

    def release_row_of(self, name: str) -> ListedRow:
        """Give up all claims of the row that an item comes from; returns the row."""
        row = next(span.row for span in self._spans if span.name == name)
        self._spans = [span for span in self._spans if span.row is not row]
        return row

    def memory(self) -> Memory | None:
        """The memory that holds all claims; None without an extent and claims.

        Raises InputError if the claims lie further apart than any memory is long.
        """
        if self._extent is not None:
            start, end = self._extent
        elif self._spans:
            start, end = min(span.start for span in self._spans), max(span.end for span in self._spans)
        else:
            return None
        if end - start > MAX_MEMORY:
            by_start = attrgetter("start")
            low, high = min(self._spans, key=by_start).row, max(self._spans, key=by_start).row
            raise InputError(
                f"{self._log.source}: rows {low.line} and {high.line} lie more than {MAX_MEMORY >> 20} MiB "
                "apart; correct an address, or give start and size in a mapping file (--mapping)"
            )
        return Memory(start, end - start, 0xFF, (), (), (), 0)

    def report_overlaps(self) -> None:
        """Record the items that begin within another one."""
        last: _AddressSpan | None = None
        for span in sorted(self._spans, key=attrgetter("start", "end")):
            if last is not None and span.start < last.end:
                size = min(last.end, span.end) - span.start
                row, other = (span, last) if span.row.line >= last.row.line else (last, span)
                self._log.ask(
                    row.row,
                    f"{row.name} overlaps {other.name} of row {other.row.line} by {size} "
                    f"byte{'' if size == 1 else 's'} at 0x{span.start:X}",
                )
            if last is None or span.end > last.end:
                last = span
