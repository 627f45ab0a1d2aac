"""Which definitions fit images as JSON, by ``schemas/identification.schema.json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from callint.checking.definition_fit import DefinitionFit, Identification, Tally
from callint.reporting.json_fields import without_none


def identification_document(results: Sequence[Identification]) -> dict[str, Any]:
    """The definitions of some images, the likeliest first, as a JSON document."""
    return {
        "format": "callint-identification",
        "version": 1,
        "images": [
            {
                "image": result.image,
                "fitting": [fit.definition for fit in result.fitting],
                "candidates": [_candidate(fit) for fit in result.candidates],
            }
            for result in results
        ],
    }


def _candidate(fit: DefinitionFit) -> dict[str, Any]:
    return without_none(
        {
            "definition": fit.definition,
            "fits": fit.fits,
            "checks": _tally(fit.checks),
            "identities": [
                without_none(
                    {
                        "name": item.identity.name,
                        "at": item.identity.at,
                        "expected": item.identity.content.hex(),
                        "stored": None if item.stored is None else item.stored.hex(),
                        "differing": list(item.differing),
                    }
                )
                for item in fit.identities
            ],
            "size": {"bytes": fit.size, "memory": fit.expected_size, "fits": fit.size_fits},
            "start": fit.start,
            "regions": _tally(fit.regions),
            "checksums": _tally(fit.checksums),
            "axes": _tally(fit.axes),
            "tables": _tally(fit.tables),
            "base": fit.base or None,
            "likeness": fit.likeness,
        }
    )


def _tally(tally: Tally) -> dict[str, int]:
    return {"right": tally.right, "total": tally.total}
