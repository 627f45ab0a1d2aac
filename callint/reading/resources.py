"""Files that ship with callint: the schemas and the demo."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def resource(name: str) -> Path:
    """The path of a shipped file or folder such as ``schemas/definition.xsd``.

    In a wheel these folders lie inside the package, in a checkout beside it.
    """
    inside = _PACKAGE / name
    return inside if inside.exists() else _PACKAGE.parent / name


def schemas() -> dict[str, Path]:
    """The shipped schemas by name, in alphabetical order; ``addresses`` is an empty list."""
    names = {
        path.name.removesuffix(path.suffix).removesuffix(".schema"): path
        for path in resource("schemas").iterdir()
        if path.suffix in (".xsd", ".json", ".csv")
    }
    return dict(sorted(names.items()))
