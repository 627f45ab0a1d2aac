"""callint schema."""

from __future__ import annotations

import sys

import click

from callint.model.errors import InputError
from callint.reading.resources import resource


@click.command()
@click.argument("name", required=False)
def command(name: str | None) -> int:
    """Print a schema: "definition" is an XML schema, and the others are JSON schemas.

    Without a NAME, list them. An editor that is given one completes names and explains them as you write.
    """
    schemas = {
        path.name.removesuffix(path.suffix).removesuffix(".schema"): path
        for path in sorted(resource("schemas").iterdir())
        if path.suffix in (".xsd", ".json")
    }
    if name is None:
        sys.stdout.write("".join(f"{one}\n" for one in schemas))
        return 0
    if name not in schemas:
        raise InputError(f"there is no schema {name!r}; callint schema lists them")
    sys.stdout.write(schemas[name].read_text("utf-8"))
    return 0
