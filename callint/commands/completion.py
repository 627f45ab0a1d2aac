"""callint completion."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from callint.cli.duplicate_options import HELP
from callint.commands import COMMANDS, MODULES

if TYPE_CHECKING:  # the other commands are imported only to be described
    from callint.reporting.completion.command_line import Command, Option, Value

_SHELLS = ("bash", "zsh", "fish", "powershell")

#: Metavars of values that are paths.
_PATH_METAVARS = {"FILE", "PATH", "DIR"}


@click.command()
@click.argument("shell", type=click.Choice(_SHELLS))
def command(shell: str) -> int:
    """Print a script that makes a shell complete callint's commands, options, choices, rules and files.

    docs/completion.md says how to install it. The script is static, so completion does not start Python.
    Print it again after you update callint.
    """
    from callint.reporting.completion.command_line import Option
    from callint.reporting.completion.scripts import completion_script

    global_options = (
        Option(("--help", "-h"), "Print the usage."),
        Option(("--version",), "Print the version."),
    )
    sys.stdout.write(completion_script(shell, describe_commands(), global_options))
    return 0


def describe_commands() -> list[Command]:
    """Every command with the options and arguments of its parser."""
    from importlib import import_module

    from callint.reporting.completion.command_line import Command

    argument_values = _argument_values()
    commands = []
    for name, title in COMMANDS.items():
        parser = import_module(f"callint.commands.{MODULES.get(name, name)}").command
        with click.Context(parser, help_option_names=HELP) as context:
            parameters = parser.get_params(context)
        options = [
            _option(parameter)
            for parameter in parameters
            if isinstance(parameter, click.Option) and not parameter.hidden
        ]
        arguments = [parameter for parameter in parameters if isinstance(parameter, click.Argument)]
        value = argument_values.get(name)
        if value is None and arguments:
            value = _value(arguments[0], arguments[0].human_readable_name)
        commands.append(Command(name, title, tuple(options), value))
    return commands


def _argument_values() -> dict[str, Value]:
    """The values of the first argument, for commands whose parser does not know them."""
    from callint.reading.resources import schemas
    from callint.reporting.completion.command_line import Value
    from callint.rules.registry import RULES
    from callint.rules.rule import Scope

    families = dict.fromkeys(rule.family for rule in RULES.values())
    waivable = tuple(rule.id for rule in RULES.values() if rule.scope is not Scope.POLICY)
    return {
        "rules": Value("RULE", (*RULES, *families)),
        "waive": Value("FINDING", waivable),
        "schema": Value("NAME", tuple(schemas())),
    }


def _option(option: click.Option) -> Option:
    from callint.reporting.completion.command_line import Option

    names = tuple(sorted(option.opts, key=lambda name: not name.startswith("--")))
    value = None if option.is_flag else _value(option, names[0].lstrip("-").upper())
    choices = f"One of {', '.join(value.choices)}." if value else ""
    return Option(names, option.help or choices, value, option.multiple)


def _value(parameter: click.Parameter, name: str) -> Value:
    """The values that a parameter takes; ``name`` is its name if it has no metavar.

    Arguments without choices count as files: most are files, or name a file at a revision.
    """
    from callint.reporting.completion.command_line import Value

    if isinstance(parameter.type, click.Choice):
        return Value(name, tuple(str(choice) for choice in parameter.type.choices))
    metavar = parameter.metavar or name
    return Value(metavar, is_file=isinstance(parameter, click.Argument) or metavar in _PATH_METAVARS)
