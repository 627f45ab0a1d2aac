"""callint schema."""

from __future__ import annotations

import sys

import click

from callint.model.errors import InputError
from callint.reading.resources import schemas


@click.command()
@click.argument("name", required=False)
def command(name: str | None) -> int:
    """Print a schema: "definition" is an XML schema, "addresses" an empty list, the others are JSON schemas.

    Without NAME, lists the schemas. Give a schema to your editor to complete and explain names as you type.
    """
    known = schemas()
    if name is None:
        sys.stdout.write("".join(f"{schema}\n" for schema in known))
        return 0
    if name not in known:
        raise InputError(f"there is no schema {name!r}; callint schema lists them")
    sys.stdout.write(known[name].read_text("utf-8"))
    return 0
