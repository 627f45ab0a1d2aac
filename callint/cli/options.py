"""The options of a command as one object, and an option of several commands."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

import click

Options = TypeVar("Options")

releases_option = click.option(
    "--releases",
    "folders",
    multiple=True,
    metavar="DIR",
    help="Additional folder of releases; can be repeated.",
)


def as_options(
    options: Callable[..., Options],
) -> Callable[[Callable[[Options], int]], Callable[..., int]]:
    """Let click call a command with a dataclass whose fields are named like the command's parameters."""

    def decorate(command: Callable[[Options], int]) -> Callable[..., int]:
        @wraps(command)
        def call(**values: Any) -> int:
            return command(options(**values))

        return call

    return decorate
