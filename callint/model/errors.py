"""The exceptions that a user causes."""

from __future__ import annotations


class CallintError(Exception):
    """What callint raises for calls and inputs that it cannot work with; any other exception is a bug."""


class InputError(CallintError):
    """A call or an input that callint cannot work with.

    Each argument is a line that names file, place and remedy; commands print them and exit with 2.
    """

    @property
    def lines(self) -> tuple[str, ...]:
        return tuple(str(line) for line in self.args)

    def __str__(self) -> str:
        return "\n".join(self.lines)


class MissingLibraryError(CallintError):
    """A library is not installed that callint does not need itself, and that a call asks for."""
