"""The script for zsh."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from callint.reporting.completion.bash import quoted_for_bash
from callint.reporting.completion.command_line import Command, Option, Value, header, one_line


def zsh_script(commands: Sequence[Command], program_options: Sequence[Option]) -> Iterator[str]:
    """The script for zsh."""
    yield "#compdef callint"
    yield header("zsh")
    yield ""
    yield "_callint() {"
    yield "    local -a commands"
    yield "    commands=("
    for command in commands:
        entry = f"{_escaped(command.name, ':')}:{one_line(command.title)}"
        yield f"        {quoted_for_bash(entry)}"
    yield "    )"
    yield "    if (( CURRENT == 2 )); then"
    yield '        if [[ "$PREFIX" == -* ]]; then'
    specs = [spec for option in program_options for spec in _specs(option)]
    yield f"            _arguments {' '.join(map(quoted_for_bash, specs))}"
    yield "        else"
    yield "            _describe -t commands command commands"
    yield "        fi"
    yield "        return"
    yield "    fi"
    yield '    local command="$words[2]"'
    yield "    shift words"
    yield "    (( CURRENT-- ))"
    yield '    case "$command" in'
    for command in commands:
        specs = [spec for option in command.options for spec in _specs(option)]
        if command.argument is not None:
            specs.append(f"*:{_value(command.argument)}")
        yield f"    {quoted_for_bash(command.name)})"
        yield f"        _arguments {' '.join(map(quoted_for_bash, specs))} ;;"
    yield from """\
    esac
}

if [ "$funcstack[1]" = "_callint" ]; then
    _callint "$@"
else
    compdef _callint callint
fi""".splitlines()


def _escaped(text: str, special: str) -> str:
    return re.sub(rf"([\\{re.escape(special)}])", r"\\\1", text)


def _specs(option: Option) -> Iterator[str]:
    """The specifications of an option for _arguments: excluded names, name, help and value."""
    for name in option.names:
        excluded = "*" if option.is_repeatable else f"({' '.join(option.names)})"
        # A long option's value may follow a "=".
        sign = "" if option.value is None else "=" if name.startswith("--") else "+"
        rest = "" if option.value is None else f":{_value(option.value)}"
        yield f"{excluded}{name}{sign}[{_escaped(one_line(option.help), '[]')}]{rest}"


def _value(value: Value) -> str:
    """A message and the action that completes a value."""
    if value.choices:
        # zsh reads the choices as it reads a command line.
        choices = " ".join(re.sub(r"([^\w./-])", r"\\\1", choice) for choice in value.choices)
        action = f"({choices})"
    else:
        action = "_files" if value.is_file else " "
    return f"{_escaped(one_line(value.name), ':')}:{action}"
