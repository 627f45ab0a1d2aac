"""What verifying an image found as JSON, by ``schemas/verification.schema.json``."""

from __future__ import annotations

from typing import Any

from callint.reporting.changes.json import changes_document
from callint.reporting.json_fields import without_none
from callint.versioning.verification import KnownImage, Verification


def verification_document(result: Verification, *, signed: bool) -> dict[str, Any]:
    """The document of one image; ``signed`` says that a good signature was demanded."""
    document: dict[str, Any] = {
        "format": "callint-verification",
        "version": 1,
        "image": result.image,
        "verified": result.is_verified(signed=signed),
        "releases": result.releases,
        "versions": result.versions,
        "unreadable": result.unreadable or None,
        "matches": [_known(match) for match in result.matches],
    }
    if result.nearest is not None and result.difference is not None:
        difference = result.difference
        document["definition"] = difference.definition
        document["nearest"] = _known(result.nearest)
        name = f"{result.nearest.commit.id}:{result.nearest.path}"
        document["changes"] = changes_document(difference.changes, name, result.image, difference.definition)
    return without_none(document)


def _known(known: KnownImage) -> dict[str, Any]:
    commit, distance = known.commit, known.distance
    fields = {"id": commit.id, "author": commit.author, "date": commit.date or None}
    document = {
        "image": known.path,
        "commit": without_none({**fields, "subject": commit.subject}),
        "manifest": None if known.release is None else known.release.place,
        "signature": _signature(known),
        "cells": distance.cells,
        "bytes": distance.bytes,
        "lacking": distance.lacking,
    }
    return document | ({"contradictions": list(known.contradictions)} if known.contradictions else {})


def _signature(known: KnownImage) -> dict[str, str] | None:
    check = known.signature
    if check is None:
        return None
    fields = {"trust": check.trust.value, "signer": check.signer or None, "text": check.text or None}
    return without_none(fields)
