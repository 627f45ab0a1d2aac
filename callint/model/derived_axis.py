"""Axes whose breakpoints follow from a curve, and so differ from image to image."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Derivation(StrEnum):
    """How the breakpoints of an axis follow from a curve."""

    RESCALED = "rescaled"
    INVERTED = "inverted"


@dataclass(frozen=True, slots=True)
class DerivedAxis:
    """Breakpoints that follow from the curve of a name; its axis is stored or fixed.

    A ``RESCALED`` axis takes ``count`` values of the curve at even distances; an ``INVERTED`` one takes the
    breakpoints of the curve at which it gives the numbers of the cells, from 0. If ``falling``, they and the
    cells at them lie highest first.
    """

    name: str
    signal: str
    curve: str
    derivation: Derivation
    count: int
    line: int
    falling: bool = False
