"""Computes the share of slips in lone cells that can be found by an oracle.

If several cells changed, each is evidence about the others. A cell that changed alone has only its old and
its new value, so nobody can distinguish some slips in it from decisions. The oracle here knows the
distribution of the correct edits of one cell and the probability of every slip. It weighs the two
explanations of a new value against each other; by the lemma of Neyman and Pearson (Philosophical Transactions
A 231, 1933) nobody finds more slips without reporting more decisions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.comparing.entry_errors.typing_errors import meant_numbers

#: Moves are counted in bins of this share of the table's span, up to the last one.
_BIN, _BINS = 0.005, 60


@dataclass(frozen=True, slots=True)
class LoneCell:
    """A cell that changed alone, by a correct edit or by a slip; ``meant`` is the intended value."""

    old: float
    new: float
    meant: float
    span: float
    decimals: int
    is_on_purpose: bool = False

    @property
    def move(self) -> float:
        """The distance that it moved, as a share of the span."""
        return abs(self.new - self.old) / self.span


@dataclass(frozen=True, slots=True)
class Bound:
    """Shares of the slips in lone cells.

    ``plausible`` are slips whose wrong number is at least as likely as the intended one, and ``found`` are
    slips that the oracle finds if it reports at most a share of the cells changed on purpose.
    """

    plausible: float
    found: float


def bound(clean: Sequence[LoneCell], slipped: Sequence[LoneCell], reported: float) -> Bound:
    """The slips that the oracle finds if it reports at most this share of the cells changed on purpose."""
    density = _density(clean)
    decided = np.array([_ratio(cell, density) for cell in clean if cell.is_on_purpose])
    slips = np.array([_ratio(cell, density) for cell in slipped])
    limit = float(np.quantile(decided, 1 - reported, method="higher"))
    plausible = [density[_bin(cell.new, cell)] >= density[_bin(cell.meant, cell)] > 0 for cell in slipped]
    return Bound(float(np.mean(plausible)), float(np.mean(slips > limit)))


def _bin(value: float, cell: LoneCell) -> int:
    return min(int(abs(value - cell.old) / cell.span / _BIN), _BINS - 1)


def _density(clean: Sequence[LoneCell]) -> NDArray[np.float64]:
    """The share of the correct edits of one cell in every bin; all larger moves are in the last one."""
    counts = np.bincount([_bin(cell.new, cell) for cell in clean], minlength=_BINS)
    # The last bin is wide. Few moves in it are likely, each of them is not.
    counts = counts.astype(np.float64)
    counts[-1] /= 1 / _BIN - _BINS
    return counts / len(clean)


def _ratio(cell: LoneCell, density: NDArray[np.float64]) -> float:
    """How much likelier the new value is by a slip from what people mean than by intent."""
    by_slip = sum(
        density[_bin(meant, cell)] * probability
        for meant, probability in meant_numbers(cell.new, cell.decimals)
    )
    by_intent = float(density[_bin(cell.new, cell)])
    return by_slip / by_intent if by_intent else np.inf
