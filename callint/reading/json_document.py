"""JSON files of callint's own formats, checked against their schemas."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from callint.model.errors import InputError
from callint.reading.resources import resource


def read_document(data: bytes, name: str, schema: str, subject: str, remedy: str) -> Any:
    """The document in a file, valid by ``schemas/SCHEMA.schema.json``.

    InputError with the ``remedy`` if it is not; ``subject`` is what the schema describes, for people.
    """
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        raise InputError(f"{name}: it is not JSON; {remedy}") from None
    error = next(iter(_validator(schema).iter_errors(document)), None)
    if error is not None:
        place = "/".join(map(str, error.absolute_path)) or "the document"
        raise InputError(f"{name}: {place} does not fit the schema of {subject}; {remedy}")
    return document


@cache
def _validator(schema: str) -> Any:
    import jsonschema  # slow to import

    content = json.loads(resource(f"schemas/{schema}.schema.json").read_text("utf-8"))
    return jsonschema.Draft202012Validator(content)
