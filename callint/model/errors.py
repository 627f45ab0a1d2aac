"""The one exception that a user causes."""

from __future__ import annotations


class InputError(Exception):
    """A call or an input that callint cannot work with.

    Each argument is a line that names file, place and remedy; commands print them and exit with 2.
    """

    @property
    def lines(self) -> tuple[str, ...]:
        return tuple(str(line) for line in self.args)

    def __str__(self) -> str:
        return "\n".join(self.lines)
