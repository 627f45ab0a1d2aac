"""The script for fish."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from callint.reporting.completion.command_line import Command, Option, header, one_line


def _quoted(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


def fish_script(commands: Sequence[Command], program_options: Sequence[Option]) -> Iterator[str]:
    """The script for fish."""
    yield header("fish")
    yield from """
function __callint_has_no_command
    test (count (commandline -opc)) -eq 1
end

function __callint_command_is
    set -l words (commandline -opc)
    test (count $words) -ge 2; and test $words[2] = $argv[1]
end

complete -c callint -f
""".splitlines()
    for option in program_options:
        yield _option("__callint_has_no_command", option)
    for command in commands:
        title = _quoted(one_line(command.title))
        yield (f"complete -c callint -n __callint_has_no_command -a {_word_list([command.name])} -d {title}")
    for command in commands:
        condition = _quoted(f"__callint_command_is {_quoted(command.name)}")
        yield ""
        for option in command.options:
            yield _option(condition, option)
        if command.argument is not None and command.argument.choices:
            yield f"complete -c callint -n {condition} -a {_word_list(command.argument.choices)}"
        elif command.argument is not None and command.argument.is_file:
            yield f"complete -c callint -n {condition} -F"


def _option(condition: str, option: Option) -> str:
    names = " ".join(
        f"-l {_quoted(name[2:])}" if name.startswith("--") else f"-s {_quoted(name[1:])}"
        for name in option.names
    )
    value = option.value
    takes = ""
    if value is not None:
        takes = (
            f" -x -a {_word_list(value.choices)}" if value.choices else " -r -F" if value.is_file else " -x"
        )
    return f"complete -c callint -n {condition} {names}{takes} -d {_quoted(one_line(option.help))}"


def _word_list(values: Iterable[str]) -> str:
    """Words in one argument, which fish splits and expands once more."""
    safe = re.compile(r"[\w./-]+", re.ASCII)
    return _quoted(" ".join(word if safe.fullmatch(word) else _quoted(word) for word in values))
