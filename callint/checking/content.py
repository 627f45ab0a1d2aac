"""Digests of the contents of findings, for waivers and to compare the findings of two states."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace

from callint.checking.float_errors import ignore_float_errors
from callint.decoding import digest
from callint.decoding.decode import Decoded
from callint.decoding.digest import ContentDigest
from callint.model import rule_ids
from callint.model.definition import StoredAxis, Table
from callint.model.finding import Evidence, Finding
from callint.model.image import Image
from callint.rules.context import CheckContext
from callint.rules.registry import RULES
from callint.rules.rule import Scope


@ignore_float_errors
def accepted_content(context: CheckContext, finding: Finding) -> ContentDigest | None:
    """The digest of the content that a waiver of the finding accepts; None if the image cannot be read.

    - A finding about a demand that was loosened: the present demand.
    - Any other about a definition: the whole file.
    - About a changed base: that base.
    - About a relation: both of its tables.
    - About a table, axis or text: that item, a table with its axes.
    - Any other: the whole image.
    """
    definition = context.definition
    if is_about_demand(finding):
        return demand_content(finding)
    if not finding.image:
        return digest.definition_digest(definition)
    if context.image is None:
        return None
    if RULES[finding.rule].scope is Scope.BASE:
        return digest.base_digest(context.image)
    if finding.other:
        return _relation_content(context, finding)
    if finding.table in context.layout.table_items:
        return digest.table_digest(context.new, definition.tables[finding.table])
    if finding.table in context.layout.axis_items:
        return digest.axis_digest(context.new, finding.table)
    if finding.table in definition.texts:
        return digest.text_digest(context.image, definition.texts[finding.table])
    return digest.whole_digest(context.image, definition)


def is_about_demand(finding: Finding) -> bool:
    """Whether a finding is about a demand that was loosened; each such finding has its own waiver."""
    return finding.rule in (rule_ids.DEFINITION_LOOSENED, rule_ids.POLICY_LOOSENED)


def demand_content(finding: Finding) -> ContentDigest:
    """The digest of the present demand, for a finding about a demand that was loosened."""
    return ContentDigest(digest.sha256(finding.content.encode()), digest.sha256(b""), digest.sha256(b""))


def _relation_content(context: CheckContext, finding: Finding) -> ContentDigest:
    names = {finding.table, finding.other}
    relations = [item for item in context.definition.relations if {item.table, item.other} == names]
    both = (replace(finding, table=name, other="") for name in (finding.table, finding.other))
    contents = (accepted_content(context, part) for part in both)
    tables = digest.combined(content for content in contents if content)
    demands = f"{tables.demands} {digest.relation_statement(relations)}"
    return replace(tables, demands=digest.sha256(demands.encode()))


class FindingDigests:
    """The digests of the contents of the findings of one context; reads each table and image once."""

    def __init__(self, context: CheckContext) -> None:
        self._context = context
        self._tables: dict[tuple[str, bool], str] = {}
        self._images: dict[bool, str] = {}
        self._statements: dict[str, tuple[str, str]] = {}

    @ignore_float_errors
    def of(self, finding: Finding) -> str:
        """The digest of everything that a finding depends on; "" if the image cannot be read.

        A finding of a rule about changes depends on the base too.
        """
        if finding.rule in (rule_ids.IMAGE_UNREADABLE, rule_ids.IMAGE_DAMAGED_RECORD):
            return ""  # an unreadable file may hold anything
        has_base = RULES[finding.rule].scope is Scope.CHANGE or finding.rule == rule_ids.CHANGE_IDENTITY
        sides = (False, True) if has_base and self._context.base is not None else (False,)
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
        if self._context.image is None:
            return
        for cell in evidence.cells:
            yield from self._cell(cell, is_base)
        for name in evidence.tables:
            yield self._table(name, is_base)
        for start, size in evidence.ranges:
            yield digest.sha256(_present_bytes(self._image(is_base), start, size))

    def _image(self, is_base: bool) -> Image:
        image = self._context.base if is_base else self._context.image
        assert image is not None
        return image

    def _decoded(self, is_base: bool) -> Decoded:
        decoded = self._context.old if is_base else self._context.new
        assert decoded is not None
        return decoded

    def _whole(self, is_base: bool) -> str:
        if is_base not in self._images:
            image = self._context.base if is_base else self._context.image
            content = "" if image is None else str(digest.whole_digest(image, self._context.definition))
            self._images[is_base] = content
        return self._images[is_base]

    def _table(self, name: str, is_base: bool) -> str:
        """The digest of a whole table, axis or text."""
        key = name, is_base
        if key not in self._tables:
            layout, definition = self._context.layout, self._context.definition
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
        """A cell with its breakpoints, and the definition of its table or axis."""
        layout, definition = self._context.layout, self._context.definition
        decoded = self._decoded(is_base)
        item, x, y = layout.place(cell)
        yield item.name
        yield f"{x} {y} {int(decoded.present[cell])} {decoded.raw_at(cell)!r}"
        yield " ".join(self._item_statements(item))
        if isinstance(item, Table):
            for name, index in zip(item.axes, (x, y), strict=False):
                if name in layout.axis_items or name in definition.axes:
                    yield float(decoded.breakpoints(name)[index]).hex()

    def _item_statements(self, item: Table | StoredAxis) -> tuple[str, str]:
        """The digests of the definition of a table or axis."""
        if item.name not in self._statements:
            self._statements[item.name] = digest.statements(self._context.definition, item)
        return self._statements[item.name]


def _present_bytes(image: Image, start: int, size: int) -> bytes:
    """The bytes of a range that an image holds, each segment preceded by its address."""
    segments = ((max(start, low), min(start + size, high)) for low, high in image.extents)
    return b"".join(
        f"{low}:".encode() + (image.read(low, high - low) or b"") for low, high in segments if low < high
    )
