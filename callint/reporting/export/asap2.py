"""A definition as a description in the standard ASAM MCD-2 MC (ASAP2), version 1.7.

The keywords and their order are written from memory of the published standard; the tests read the file with
two published readers. What the standard cannot say is recorded item by item.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from callint.model.definition import Definition, FixedAxis, Range, Signal, Table, Text
from callint.model.definition_counts import usual_byte_order
from callint.reporting.export.axes import AxisWriter, span
from callint.reporting.export.conversions import Methods
from callint.reporting.export.names import ORDERS, Names, quoted
from callint.reporting.export.records import RecordLayouts
from callint.reporting.export.result import ExportLog, ExportLoss
from callint.reporting.export.tables import TableWriter


def description_lines(definition: Definition) -> tuple[list[str], tuple[ExportLoss, ...]]:
    """The lines of the description, each with its line break, and what it lacks."""
    log = ExportLog()
    with np.errstate(all="ignore"):  # a conversion may have no value at the ends of a type
        rows = [f"{row}\n" for row in _DescriptionWriter(definition, log).rows()]
    if not all(map(str.isascii, rows)):
        # Without a byte order mark, readers of the standard take a file for Latin-1.
        rows[0] = f"\ufeff{rows[0]}"
    return rows, tuple(log.losses)


class _DescriptionWriter:
    """Writes the parts of one description in the order of a usual file."""

    def __init__(self, definition: Definition, log: ExportLog) -> None:
        self.definition = definition
        self.log = log
        self.order = ORDERS[usual_byte_order(definition)]
        self.methods = Methods(definition, log)
        self.records = RecordLayouts()
        self.names = Names(log)
        # Tables first, so that they keep their names where a signal or an axis has the same one.
        self.items: list[Table | Text] = [*definition.tables.values(), *definition.texts.values()]
        for item in self.items:
            self.names.add("table", item.name, item.line)
        for axis in definition.axes.values():
            if "/" not in axis.name and not isinstance(axis, FixedAxis):
                self.names.add("axis", axis.name, axis.line)
        for signal in definition.signals.values():
            self.names.add("signal", signal.name, signal.line)

    def rows(self) -> Iterator[str]:
        """All lines of the file."""
        definition = self.definition
        axes = AxisWriter(definition, self.log, self.names, self.methods, self.records, self.order)
        tables = TableWriter(definition, self.log, self.names, axes)
        self._report_losses()
        signals = [row for signal in definition.signals.values() for row in self._measurement(signal)]
        items = [*axes.shared_axes(), *tables.rows()]
        groups = list(self._groups(tables.left_out | axes.pairs))
        module = Names(self.log).add("definition", definition.name)
        yield "ASAP2_VERSION 1 71"
        yield f"/begin PROJECT {module} {quoted(definition.title)}"
        yield f"/begin MODULE {module} {quoted(definition.title or definition.name)}"
        yield ""
        yield f'/begin MOD_COMMON "" BYTE_ORDER {self.order}'
        yield "  ALIGNMENT_BYTE 1 ALIGNMENT_WORD 1 ALIGNMENT_LONG 1 ALIGNMENT_INT64 1"
        yield "  ALIGNMENT_FLOAT16_IEEE 1 ALIGNMENT_FLOAT32_IEEE 1 ALIGNMENT_FLOAT64_IEEE 1"
        yield "/end MOD_COMMON"
        yield from self._memory()
        for part in (self.methods.rows(), self.records.rows(), signals, items, groups):
            yield ""
            yield from part
        yield ""
        yield "/end MODULE"
        yield "/end PROJECT"

    def _memory(self) -> Iterator[str]:
        memory = self.definition.memory
        yield f"/begin MOD_PAR {quoted(self.definition.name)}"
        yield f'  VERSION "{self.definition.revision}"'
        yield from self._identity()
        names = Names(self.log)
        spans = [
            (names.add("region", region.name, region.line), region.start, region.start + region.size)
            for region in memory.regions
        ]
        # Segments give the extent of the image, so its ends need one each.
        low = min((start for _, start, _ in spans), default=memory.end)
        high = max((end for _, _, end in spans), default=memory.end)
        if low > memory.start:
            spans.append((names.add("own axis", "IMAGE" if not spans else "IMAGE_START"), memory.start, low))
        if high < memory.end:
            spans.append((names.add("own axis", "IMAGE_END"), high, memory.end))
        for name, start, end in sorted(spans, key=lambda span: span[1]):
            yield f'  /begin MEMORY_SEGMENT {name} "" DATA FLASH INTERN 0x{start:X} 0x{end - start:X}'
            yield "    -1 -1 -1 -1 -1"
            yield "  /end MEMORY_SEGMENT"
        yield "/end MOD_PAR"

    def _identity(self) -> Iterator[str]:
        """The EPK, which is one text at any number of addresses."""
        kept: str | None = None
        for identity in self.definition.memory.identities:
            text = identity.content.decode("latin-1")
            is_plain = text.isascii() and text.isprintable() and text == text.strip()
            if not is_plain or (kept is not None and kept != text):
                reason = "the standard has one EPK, a text" if is_plain else "its bytes are not a text"
                self.log.omit("identity", identity.name, reason, identity.line)
                continue
            if kept is None:
                yield f"  EPK {quoted(text)}"
            kept = text
            yield f"  ADDR_EPK 0x{identity.at:X}"

    def _measurement(self, signal: Signal) -> Iterator[str]:
        name, method = self.names.of("signal", signal.name), self.methods.method(None, signal.unit)
        limits = signal.plausible or Range(-math.inf, math.inf)
        yield (
            f"/begin MEASUREMENT {name} {quoted(signal.title)} FLOAT64_IEEE {method} 0 0 "
            f"{span(limits)} /end MEASUREMENT"
        )
        if signal.operating is not None:
            self.log.change("signal", signal.name, "its operating range", signal.line)

    def _groups(self, left_out: set[str]) -> Iterator[str]:
        members: dict[str, list[str]] = {name: [] for name in self.definition.groups}
        for item in self.items:
            if item.group in members and item.name not in left_out:
                members[item.group].append(self.names.of("table", item.name))
        names = Names(self.log)
        for group in self.definition.groups.values():
            name = names.add("group", group.name, group.line)
            yield f"/begin GROUP {name} {quoted(group.title)} ROOT"
            if members[group.name]:
                yield f"  /begin REF_CHARACTERISTIC {' '.join(members[group.name])} /end REF_CHARACTERISTIC"
            yield "/end GROUP"

    def _report_losses(self) -> None:
        """Record what the standard has no words for, apart from tables."""
        definition, log = self.definition, self.log
        for checksum in definition.memory.checksums:
            log.omit("checksum", checksum.name, "the standard has no checksums", checksum.line)
        for sensor in definition.sensors:
            log.omit("sensor", sensor.signal, "the standard has no sensor circuits", sensor.line)
        for relation in definition.relations:
            name = f"{relation.table} {relation.kind} {relation.other}"
            log.omit("relation", name, "the standard has no relations between tables", relation.line)
        if definition.memory.fill != 0xFF:
            log.change("memory", "fill", "the standard has no fill byte", definition.memory.line)
