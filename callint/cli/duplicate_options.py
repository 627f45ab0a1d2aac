"""Options that a call gives several times, of which all but the last would be lost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import click

#: What asks for help. click keeps the option that it makes first, so all contexts of a command name the same.
HELP = ["-h", "--help"]


def refuse_repeated(command: click.Command, words: Sequence[str]) -> None:
    """UsageError where an option that has one value is given several; where it cannot be read, nothing."""
    with click.Context(command, help_option_names=HELP) as context:
        try:
            _, _, order = command.make_parser(context).parse_args(list(words))
        except click.UsageError:
            return  # which the call itself will say
    for option, times in Counter(order).items():
        if times > 1 and isinstance(option, click.Option) and not (option.multiple or option.is_flag):
            raise click.UsageError(f"{option.opts[0]} occurs {times} times; use it only once.")
