"""The one exception that a user causes."""

from __future__ import annotations


class InputError(Exception):
    """A call or an input that callint cannot work with.

    The message is one line that names file, place and remedy; commands print it and exit with 2.
    """
