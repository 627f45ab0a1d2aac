"""A child of a definition as XML: what differs in the software that it describes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from callint.comparing.relocation.child import ChildContent
from callint.fmt import address
from callint.model.definition import ByteOrder, Definition
from callint.model.definition_counts import usual_byte_order
from callint.reading.family import NAMESPACE
from callint.reporting.definition.xml import DefinitionWriter, attributes, escape


def child_lines(
    definition: Definition, parent: str, content: ChildContent, reasons: Mapping[tuple[str, str], str]
) -> Iterator[str]:
    """The lines of the whole file, each with its line break.

    ``definition`` is what comes of it, ``parent`` the path of the parent from the folder of the file, and
    ``reasons`` say why something is gone, by its kind and name.
    """
    order = usual_byte_order(definition)
    head = attributes(
        xmlns=NAMESPACE, name=definition.name, revision=str(definition.revision), byte_order=order.value
    )
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield "<!-- Made by callint relocate. Complete it by hand: what has no sure address is gone. -->\n"
    yield f"<definition{head}{attributes(extends=parent)}>\n"
    if definition.title:
        yield f"  <title>{escape(definition.title)}</title>\n"
    if content.memory is not None:
        yield from DefinitionWriter(replace(definition, memory=content.memory), order).memory()
    rows = list(_inherited(content, reasons))
    if rows:
        yield "\n  <inherited>\n"
        yield from (f"    {row}\n" for row in rows)
        yield "  </inherited>\n"
    yield from _declared(definition, content.declared, order)
    yield "</definition>\n"


def _declared(definition: Definition, names: frozenset[str], order: ByteOrder) -> Iterator[str]:
    """The shared axes and the tables with some names."""
    tables = {name: table for name, table in definition.tables.items() if name in names}
    groups = {table.group for table in tables.values()}
    content = replace(
        definition,
        tables=tables,
        texts={},
        groups={name: group for name, group in definition.groups.items() if name in groups},
    )
    writer = DefinitionWriter(content, order)
    axes = [writer.axis(axis, named=True) for name, axis in definition.axes.items() if name in names]
    for element, rows in (("axes", axes), ("tables", list(writer.tables()))):
        if rows:
            yield f"\n  <{element}>\n"
            yield from (f"    {row}\n" for row in rows)
            yield f"  </{element}>\n"


def _inherited(content: ChildContent, reasons: Mapping[tuple[str, str], str]) -> Iterator[str]:
    for shifted in content.ranges:
        by = f"{'-' if shifted.by < 0 else ''}0x{abs(shifted.by):X}"
        yield f"<shift{attributes(start=address(shifted.start), size=f'0x{shifted.size:X}', by=by)}/>"
    for place in content.places:
        addresses = {name.replace("-", "_"): address(at) for name, at in place.addresses.items()}
        yield f"<at{attributes(**{place.kind: place.name}, **addresses)}/>"
    for kind, name in content.gone:
        reason = reasons.get((kind, name), "")
        if reason:
            yield f"<!-- {reason} -->"
        yield f"<gone{attributes(**{kind: name})}/>"
