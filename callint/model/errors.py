"""The exceptions that a user causes."""

from __future__ import annotations


class CallintError(Exception):
    """Raised for calls and inputs that callint cannot process; any other exception is a bug."""


class InputError(CallintError):
    """A call or an input that callint cannot process.

    Each argument is a line that names file, place and remedy. Commands print the lines and exit with 2.
    """

    @property
    def lines(self) -> tuple[str, ...]:
        return tuple(str(line) for line in self.args)

    def __str__(self) -> str:
        return "\n".join(self.lines)


class MissingLibraryError(CallintError):
    """An optional library that a call needs is not installed."""
