"""Makes lists of addresses of the demo's factory software, as tidy as its definition."""

from __future__ import annotations

from callint.model.definition import Definition, Linear, Storage, StoredAxis, Table
from callint.reading.definition import read_definition
from tests.running import REPOSITORY

DEMO = REPOSITORY / "fixtures" / "demo" / "steps" / "01-factory"
IMAGE = DEMO / "factory" / "sk28-0412.bin"
HEADER = [
    *("name", "title", "address", "type", "rows", "columns", "order", "x", "y", "factor", "offset", "unit"),
    *("decimals", "min", "max", "purpose", "group", "kind", "signal"),
]


def demo() -> Definition:
    """The definition of the demo's factory software."""
    path = DEMO / "definitions" / "skerry-28.xml"
    definition = read_definition(path.read_bytes(), path.name).definition
    assert definition is not None
    return definition


def listed(definition: Definition) -> list[Table | StoredAxis]:
    """The axes and tables that a list can hold: stored without gaps and masks, with linear conversions."""

    def can_hold(item: Table | StoredAxis) -> bool:
        whole = Storage(item.storage.type, item.storage.byte_order, item.storage.type.size)
        return item.storage == whole and isinstance(definition.conversion_of(item), Linear)

    axes = [axis for axis in definition.axes.values() if isinstance(axis, StoredAxis) and can_hold(axis)]
    names = {axis.name for axis in axes}
    tables = [
        table for table in definition.tables.values() if can_hold(table) and names.issuperset(table.axes)
    ]
    return [*axes, *tables]


def records(definition: Definition) -> list[dict[str, str]]:
    """The rows of a list by header; texts come last."""
    rows = []
    for item in listed(definition):
        conversion = definition.conversion_of(item)
        assert isinstance(conversion, Linear)
        row = dict.fromkeys(HEADER, "")
        row |= {
            "name": item.name.replace("/", "."),
            "address": f"0x{item.at:X}",
            "type": item.storage.type.name,
            "factor": repr(conversion.factor),
            "offset": repr(conversion.offset),
            "unit": conversion.unit,
            "decimals": "" if conversion.decimals is None else str(conversion.decimals),
        }
        if isinstance(item, StoredAxis):
            row |= {"kind": "axis", "columns": str(item.count), "signal": item.signal}
        else:
            row |= {side: name.replace("/", ".") for side, name in zip("xy", item.axes, strict=False)}
            row |= {"title": item.title, "purpose": item.purpose.value, "group": item.group}
            row["order"] = "y-first" if item.y_first else ""
            for side, count in zip("xy", item.axes, strict=False):
                row["columns" if side == "x" else "rows"] = str(definition.axes[count].count)
            if (limits := item.demands.limits) is not None:
                row |= {"min": repr(limits.low), "max": repr(limits.high)}
                row |= {key: "" for key in ("min", "max") if "inf" in row[key]}
        rows.append(row)
    for text in definition.texts.values():
        row = dict.fromkeys(HEADER, "")
        row |= {"name": text.name, "title": text.title, "address": f"0x{text.at:X}", "group": text.group}
        rows.append(row | {"type": f"char[{text.length}]", "purpose": text.purpose.value})
    return rows


def table_text(rows: list[dict[str, str]], separator: str = ";") -> str:
    """Rows as a text file with a header."""
    lines = [HEADER, *([row[key] for key in HEADER] for row in rows)]
    return "".join(
        separator.join(f'"{cell}"' if separator in cell else cell for cell in line) + "\n" for line in lines
    )
