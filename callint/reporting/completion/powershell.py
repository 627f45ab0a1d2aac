"""The script for PowerShell."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from callint.reporting.completion.command_line import Command, Option, header, one_line

_COMPLETER = """\
    $before = @($ast.CommandElements | Where-Object { $_.Extent.EndOffset -lt $cursor } |
        ForEach-Object { $_.Extent.Text })
    $items = [ordered]@{}
    if ($before.Count -le 1) {
        $items = if ($word.StartsWith('-')) { $programOptions } else { $commands }
    } else {
        $command = $before[1]
        $option = "$command $($before[-1])"
        if ($before.Count -gt 2 -and $values.ContainsKey($option)) {
            foreach ($value in $values[$option]) { $items[$value] = $value }
        } elseif ($word.StartsWith('-')) {
            if ($options.ContainsKey($command)) { $items = $options[$command] }
        } elseif ($words.ContainsKey($command)) {
            foreach ($value in $words[$command]) { $items[$value] = $value }
        }
    }
    foreach ($key in $items.Keys) {
        if ($key.StartsWith($word, [System.StringComparison]::Ordinal)) {
            [System.Management.Automation.CompletionResult]::new($key, $key, 'ParameterValue', $items[$key])
        }
    }
}"""


def _quoted(text: str) -> str:
    # PowerShell takes typographic single quotes for plain ones.
    return "'" + re.sub("(['\u2018-\u201b])", r"\1\1", text) + "'"


def powershell_script(commands: Sequence[Command], program_options: Sequence[Option]) -> Iterator[str]:
    """The script for PowerShell, which completes file names by itself if the script offers nothing."""
    yield header("powershell")
    yield "Register-ArgumentCompleter -Native -CommandName 'callint' -ScriptBlock {"
    yield "    param($word, $ast, $cursor)"
    yield "    $commands = [ordered]@{"
    for command in commands:
        yield f"        {_quoted(command.name)} = {_quoted(one_line(command.title))}"
    yield "    }"
    yield "    $programOptions = [ordered]@{"
    yield from _options(program_options, "        ")
    yield "    }"
    yield "    $options = @{"
    for command in commands:
        yield f"        {_quoted(command.name)} = [ordered]@{{"
        yield from _options(command.options, "            ")
        yield "        }"
    yield "    }"
    yield "    $values = @{"
    for command in commands:
        for option in command.options:
            for name in option.names if option.value is not None else ():
                choices = option.value.choices if option.value else ()
                yield f"        {_quoted(f'{command.name} {name}')} = {_word_list(choices)}"
    yield "    }"
    yield "    $words = @{"
    for command in commands:
        if command.argument is not None and command.argument.choices:
            yield f"        {_quoted(command.name)} = {_word_list(command.argument.choices)}"
    yield "    }"
    yield from _COMPLETER.splitlines()


def _options(options: Iterable[Option], indent: str) -> Iterator[str]:
    for option in options:
        for name in option.names:
            yield f"{indent}{_quoted(name)} = {_quoted(one_line(option.help))}"


def _word_list(values: Iterable[str]) -> str:
    return f"@({', '.join(map(_quoted, values))})"
