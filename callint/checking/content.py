"""The digests of what findings are about: for waivers, and to compare the findings of two states."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace

from callint.decoding import digest
from callint.decoding.decode import Decoded
from callint.decoding.digest import ContentDigest
from callint.model.definition import StoredAxis, Table
from callint.model.finding import Evidence, Finding
from callint.model.image import Image
from callint.rules.context import CheckContext
from callint.rules.registry import RULES
from callint.rules.rule import Scope


def accepted_content(case: CheckContext, finding: Finding) -> ContentDigest | None:
    """The digest of what a waiver of the finding accepts; None where there is nothing to be read.

    That is the finding's table with its axes, or its axis or text; both tables of a relation; else the whole
    image; for a finding about a changed base that base; and for one about the definition the whole file.
    """
    definition = case.definition
    if not finding.image:
        return digest.definition_digest(definition)
    if case.image is None:
        return None
    if RULES[finding.rule].scope is Scope.BASE:
        return digest.base_digest(case.image)
    if finding.other:
        names = {finding.table, finding.other}
        relations = [one for one in definition.relations if {one.table, one.other} == names]
        both = (replace(finding, table=name, other="") for name in (finding.table, finding.other))
        tables = digest.combined(content for one in both if (content := accepted_content(case, one)))
        demanded = f"{tables.demands} {digest.relation_statement(relations)}"
        return replace(tables, demands=digest.sha256(demanded.encode()))
    if finding.table in case.layout.table_items:
        return digest.table_digest(case.new, definition.tables[finding.table])
    if finding.table in case.layout.axis_items:
        return digest.axis_digest(case.new, finding.table)
    if finding.table in definition.texts:
        return digest.text_digest(case.image, definition.texts[finding.table])
    return digest.whole_digest(case.image, definition)


class Judged:
    """The digests of what the findings of one case were judged on, each table and image read once."""

    def __init__(self, case: CheckContext) -> None:
        self._case = case
        self._tables: dict[tuple[str, bool], str] = {}
        self._images: dict[bool, str] = {}
        self._statements: dict[str, tuple[str, str]] = {}

    def content(self, finding: Finding) -> str:
        """The digest of everything that a finding was judged on; "" where that cannot be told.

        A finding of a rule about changes was judged on the base too.
        """
        if finding.rule in ("image/unreadable", "image/damaged-record"):
            return ""  # what cannot be read may hold anything
        has_base = RULES[finding.rule].scope is Scope.CHANGE or finding.rule == "change/identity"
        sides = (False, True) if has_base and self._case.base is not None else (False,)
        parts = [part for is_base in sides for part in self._parts(finding, is_base)]
        if finding.evidence is None or not finding.evidence.cells:
            parts.append(finding.message)
        return digest.sha256(json.dumps(parts).encode())

    def _parts(self, finding: Finding, is_base: bool) -> Iterator[str]:
        evidence = finding.evidence
        if evidence is None:
            names = [name for name in (finding.table, finding.other) if name]
            evidence = Evidence(tables=tuple(names))
            if not names:
                yield self._whole(is_base)
        if self._case.image is None:
            return
        for cell in evidence.cells:
            yield from self._cell(cell, is_base)
        for name in evidence.tables:
            yield self._table(name, is_base)
        for start, size in evidence.ranges:
            yield digest.sha256(_present_bytes(self._image(is_base), start, size))

    def _image(self, is_base: bool) -> Image:
        image = self._case.base if is_base else self._case.image
        assert image is not None
        return image

    def _decoded(self, is_base: bool) -> Decoded:
        decoded = self._case.old if is_base else self._case.new
        assert decoded is not None
        return decoded

    def _whole(self, is_base: bool) -> str:
        if is_base not in self._images:
            image = self._case.base if is_base else self._case.image
            known = "" if image is None else str(digest.whole_digest(image, self._case.definition))
            self._images[is_base] = known
        return self._images[is_base]

    def _table(self, name: str, is_base: bool) -> str:
        """A table, axis or text as a whole."""
        key = name, is_base
        if key not in self._tables:
            layout, definition = self._case.layout, self._case.definition
            if name in layout.table_items:
                content = digest.table_digest(self._decoded(is_base), definition.tables[name])
            elif name in layout.axis_items:
                content = digest.axis_digest(self._decoded(is_base), name)
            elif name in definition.texts:
                content = digest.text_digest(self._image(is_base), definition.texts[name])
            else:
                content = digest.whole_digest(self._image(is_base), definition)
            self._tables[key] = str(content)
        return self._tables[key]

    def _cell(self, cell: int, is_base: bool) -> Iterator[str]:
        """A cell with its breakpoints, and what the definition says of its table or axis."""
        layout, definition, decoded = self._case.layout, self._case.definition, self._decoded(is_base)
        item, x, y = layout.place(cell)
        yield item.name
        yield f"{x} {y} {int(decoded.present[cell])} {decoded.raw_at(cell)!r}"
        yield " ".join(self._said_of(item))
        if isinstance(item, Table):
            for name, index in zip(item.axes, (x, y), strict=False):
                if name in layout.axis_items or name in definition.axes:
                    yield float(decoded.breakpoints(name)[index]).hex()

    def _said_of(self, item: Table | StoredAxis) -> tuple[str, str]:
        """The digests of what the definition says of a table or axis."""
        if item.name not in self._statements:
            self._statements[item.name] = digest.statements(self._case.definition, item)
        return self._statements[item.name]


def _present_bytes(image: Image, start: int, size: int) -> bytes:
    """The bytes of a range that an image has, each stretch behind its address."""
    stretches = ((max(start, low), min(start + size, high)) for low, high in image.extents)
    return b"".join(
        f"{low}:".encode() + (image.read(low, high - low) or b"") for low, high in stretches if low < high
    )
