"""Options that a call repeats: click would ignore all but the last."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import click

#: The help options. click keeps the option that it makes first, so all contexts of a command need the same.
HELP = ["-h", "--help"]


def refuse_repeated(command: click.Command, arguments: Sequence[str]) -> None:
    """UsageError if the call repeats an option that takes a single value; nothing if the call is invalid."""
    with click.Context(command, help_option_names=HELP) as context:
        try:
            _, _, order = command.make_parser(context).parse_args(list(arguments))
        except click.UsageError:
            return  # the call itself reports the error
    for option, times in Counter(order).items():
        if times > 1 and isinstance(option, click.Option) and not (option.multiple or option.is_flag):
            raise click.UsageError(f"{option.opts[0]} occurs {times} times; use it only once.")
