"""The sides that resolve the conflicts of a merge, from --take and --table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from callint.comparing.merge import Side
from callint.model.errors import InputError


@dataclass(frozen=True, slots=True)
class Takes:
    """Sides that resolve conflicts, each with its globs, () for all conflicts; the first match applies."""

    takes: tuple[tuple[Side, tuple[str, ...]], ...]

    @staticmethod
    def parse(takes: Sequence[str], globs: tuple[str, ...]) -> Takes:
        """From the options --take and --table; InputError if they do not fit together."""
        selective: list[tuple[Side, tuple[str, ...]]] = []
        plain = []
        for take in takes:
            side, colon, glob = take.partition(":")
            if side not in list(Side) or (colon and not glob):
                raise InputError(f"--take {take}: write ours, theirs, ours:GLOB or theirs:GLOB")
            if colon:
                selective.append((Side(side), (glob,)))
            else:
                plain.append(Side(side))
        if len(plain) > 1:
            raise InputError("use --take without a glob only once; write ours:GLOB and theirs:GLOB")
        if globs and not plain:
            raise InputError("--table needs a --take; add --take ours or --take theirs")
        # A --take for some tables comes before the plain one.
        return Takes((*selective, *((side, globs) for side in plain)))

    def choice(self, select: Callable[[tuple[str, ...]], frozenset[str]]) -> Choice:
        """The sides with names in place of globs; ``select`` gives the names, and InputError for none."""
        return Choice(tuple((side, select(globs) if globs else None) for side, globs in self.takes))


@dataclass(frozen=True, slots=True)
class Choice:
    """The sides that resolve conflicts, each with the names it applies to; None for every conflict."""

    takes: tuple[tuple[Side, frozenset[str] | None], ...]

    def side(self, selects: Callable[[frozenset[str]], bool]) -> Side | None:
        """The side for a conflict; ``selects`` says whether names select it."""
        return next((side for side, names in self.takes if names is None or selects(names)), None)
