"""One version of a file from any source."""

from __future__ import annotations

from dataclasses import dataclass, field

from callint.reading.tree import Tree


@dataclass(frozen=True, slots=True)
class Content:
    """The name that a file is reported under, its path for the policy, and its bytes.

    ``tree`` has the other files of the version; None for the working tree.
    """

    name: str
    path: str
    data: bytes
    tree: Tree | None = field(default=None, compare=False, repr=False)
