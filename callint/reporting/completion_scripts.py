"""Scripts that have a shell complete callint's command lines.

They are fixed text, so that completing starts no Python, and made of a plain description of the commands.
Every text in it is quoted for its shell, and again where the shell reads a text a second time.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from callint.fmt import clean

PROGRAM = "callint"


@dataclass(frozen=True, slots=True)
class Value:
    """What can stand somewhere: one of the ``choices``, a file, or a text of which nothing is known.

    ``name`` is what help pages call it.
    """

    name: str
    choices: tuple[str, ...] = ()
    is_file: bool = False


@dataclass(frozen=True, slots=True)
class Option:
    """An option by all its ``names``; ``value`` is what follows it, None where nothing does."""

    names: tuple[str, ...]
    help: str
    value: Value | None = None
    is_repeatable: bool = False


@dataclass(frozen=True, slots=True)
class Command:
    """A command; ``words`` are what stands in it beside options, None where nothing does."""

    name: str
    title: str
    options: tuple[Option, ...]
    words: Value | None


def completion_script(shell: str, commands: Sequence[Command], own: Sequence[Option]) -> str:
    """The script for a shell of ``SHELLS``; ``own`` are the options that stand before any command."""
    return "".join(f"{row}\n" if row else "\n" for row in SHELLS[shell](commands, own))


def _line(text: str) -> str:
    """A text of one line that cannot steer a terminal."""
    return " ".join(clean(text).split())


def _names(options: Iterable[Option]) -> list[str]:
    return [name for option in options for name in option.names]


def _head(shell: str) -> Iterator[str]:
    yield f"# Completes {PROGRAM} in {shell}; made by: {PROGRAM} completion {shell}"


# bash


def _in_bash(text: str) -> str:
    return "'" + text.replace("'", "'\\''") + "'"


def _bash(commands: Sequence[Command], own: Sequence[Option]) -> Iterator[str]:
    """For bash from 3.2 on, which macOS has; before 4.0 it cannot say where file names belong."""
    yield from _head("bash")
    yield from """
_callint_words() {
    local word
    for word in "$@"; do
        case "$word" in
        "$current"*) COMPREPLY+=("$word") ;;
        esac
    done
}

_callint_files() {
    compopt -o default 2>/dev/null
}

_callint() {
    local current="${COMP_WORDS[COMP_CWORD]}"
    local command="${COMP_WORDS[1]}" previous="${COMP_WORDS[COMP_CWORD-1]}"
    COMPREPLY=()
    # bash takes --option=value for three words.
    if [ "$current" = "=" ]; then
        current=""
    elif [ "$previous" = "=" ] && [ "$COMP_CWORD" -gt 2 ]; then
        previous="${COMP_WORDS[COMP_CWORD-2]}"
    fi
    if [ "$COMP_CWORD" -eq 1 ]; then
        case "$current" in
        -*)""".splitlines()
    yield from _bash_words(_names(own), "            ")
    yield "            ;;"
    yield "        *)"
    yield from _bash_words((command.name for command in commands), "            ")
    yield "            ;;"
    yield "        esac"
    yield "        return"
    yield "    fi"
    yield '    case "$command $previous" in'
    for command in commands:
        for option in command.options:
            if option.value is not None:
                patterns = "|".join(_in_bash(f"{command.name} {name}") for name in option.names)
                yield f"    {patterns})"
                yield from _bash_value(option.value, "        ")
                yield "        return ;;"
    yield "    esac"
    yield '    case "$command $current" in'
    for command in commands:
        yield f"    {_in_bash(f'{command.name} -')}*)"
        yield from _bash_words(_names(command.options), "        ")
        yield "        ;;"
        if command.words is not None:
            yield f"    {_in_bash(f'{command.name} ')}*)"
            yield from _bash_value(command.words, "        ")
            yield "        ;;"
    yield "    esac"
    yield from """\
}

if type compopt >/dev/null 2>&1; then
    complete -F _callint callint
else
    complete -o default -F _callint callint
fi""".splitlines()


def _bash_value(value: Value, indent: str) -> Iterator[str]:
    if value.choices:
        yield from _bash_words(value.choices, indent)
    elif value.is_file:
        yield f"{indent}_callint_files"
    else:
        yield f"{indent}:"


def _bash_words(words: Iterable[str], indent: str) -> Iterator[str]:
    yield f"{indent}_callint_words {' '.join(map(_in_bash, words))}"


# zsh


def _zsh(commands: Sequence[Command], own: Sequence[Option]) -> Iterator[str]:
    yield "#compdef callint"
    yield from _head("zsh")
    yield ""
    yield "_callint() {"
    yield "    local -a commands"
    yield "    commands=("
    for command in commands:
        entry = f"{_zsh_escaped(command.name, ':')}:{_line(command.title)}"
        yield f"        {_in_bash(entry)}"
    yield "    )"
    yield "    if (( CURRENT == 2 )); then"
    yield '        if [[ "$PREFIX" == -* ]]; then'
    specs = [spec for option in own for spec in _zsh_specs(option)]
    yield f"            _arguments {' '.join(map(_in_bash, specs))}"
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
        specs = [spec for option in command.options for spec in _zsh_specs(option)]
        if command.words is not None:
            specs.append(f"*:{_zsh_value(command.words)}")
        yield f"    {_in_bash(command.name)})"
        yield f"        _arguments {' '.join(map(_in_bash, specs))} ;;"
    yield from """\
    esac
}

if [ "$funcstack[1]" = "_callint" ]; then
    _callint "$@"
else
    compdef _callint callint
fi""".splitlines()


def _zsh_escaped(text: str, special: str) -> str:
    return re.sub(rf"([\\{re.escape(special)}])", r"\\\1", text)


def _zsh_specs(option: Option) -> Iterator[str]:
    """What _arguments reads: which others it excludes, its name, its help, and what follows it."""
    for name in option.names:
        among = "*" if option.is_repeatable else f"({' '.join(option.names)})"
        # A long option's value may follow a "=".
        sign = "" if option.value is None else "=" if name.startswith("--") else "+"
        rest = "" if option.value is None else f":{_zsh_value(option.value)}"
        yield f"{among}{name}{sign}[{_zsh_escaped(_line(option.help), '[]')}]{rest}"


def _zsh_value(value: Value) -> str:
    """A message and what to complete."""
    if value.choices:
        # The words are read as the shell reads any.
        words = " ".join(re.sub(r"([^\w./-])", r"\\\1", choice) for choice in value.choices)
        action = f"({words})"
    else:
        action = "_files" if value.is_file else " "
    return f"{_zsh_escaped(_line(value.name), ':')}:{action}"


# fish


def _in_fish(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


def _fish(commands: Sequence[Command], own: Sequence[Option]) -> Iterator[str]:
    yield from _head("fish")
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
    for option in own:
        yield _fish_option("__callint_has_no_command", option)
    for command in commands:
        title = _in_fish(_line(command.title))
        yield (f"complete -c callint -n __callint_has_no_command -a {_fish_words([command.name])} -d {title}")
    for command in commands:
        condition = _in_fish(f"__callint_command_is {_in_fish(command.name)}")
        yield ""
        for option in command.options:
            yield _fish_option(condition, option)
        if command.words is not None and command.words.choices:
            yield f"complete -c callint -n {condition} -a {_fish_words(command.words.choices)}"
        elif command.words is not None and command.words.is_file:
            yield f"complete -c callint -n {condition} -F"


def _fish_option(condition: str, option: Option) -> str:
    names = " ".join(
        f"-l {_in_fish(name[2:])}" if name.startswith("--") else f"-s {_in_fish(name[1:])}"
        for name in option.names
    )
    value = option.value
    takes = ""
    if value is not None:
        takes = (
            f" -x -a {_fish_words(value.choices)}" if value.choices else " -r -F" if value.is_file else " -x"
        )
    return f"complete -c callint -n {condition} {names}{takes} -d {_in_fish(_line(option.help))}"


def _fish_words(words: Iterable[str]) -> str:
    """Words that fish takes apart and expands once more."""
    safe = re.compile(r"[\w./-]+", re.ASCII)
    return _in_fish(" ".join(word if safe.fullmatch(word) else _in_fish(word) for word in words))


# PowerShell


def _in_powershell(text: str) -> str:
    # Its single quotes are the typographic ones too.
    return "'" + re.sub("(['\u2018-\u201b])", r"\1\1", text) + "'"


def _powershell(commands: Sequence[Command], own: Sequence[Option]) -> Iterator[str]:
    """Where nothing is offered, PowerShell offers files by itself."""
    yield from _head("powershell")
    yield "Register-ArgumentCompleter -Native -CommandName 'callint' -ScriptBlock {"
    yield "    param($word, $ast, $cursor)"
    yield "    $commands = [ordered]@{"
    for command in commands:
        yield f"        {_in_powershell(command.name)} = {_in_powershell(_line(command.title))}"
    yield "    }"
    yield "    $own = [ordered]@{"
    yield from _powershell_options(own, "        ")
    yield "    }"
    yield "    $options = @{"
    for command in commands:
        yield f"        {_in_powershell(command.name)} = [ordered]@{{"
        yield from _powershell_options(command.options, "            ")
        yield "        }"
    yield "    }"
    yield "    $values = @{"
    for command in commands:
        for option in command.options:
            for name in option.names if option.value is not None else ():
                choices = option.value.choices if option.value else ()
                yield f"        {_in_powershell(f'{command.name} {name}')} = {_powershell_words(choices)}"
    yield "    }"
    yield "    $words = @{"
    for command in commands:
        if command.words is not None and command.words.choices:
            yield f"        {_in_powershell(command.name)} = {_powershell_words(command.words.choices)}"
    yield "    }"
    yield from """\
    $before = @($ast.CommandElements | Where-Object { $_.Extent.EndOffset -lt $cursor } |
        ForEach-Object { $_.Extent.Text })
    $found = [ordered]@{}
    if ($before.Count -le 1) {
        $found = if ($word.StartsWith('-')) { $own } else { $commands }
    } else {
        $command = $before[1]
        $place = "$command $($before[-1])"
        if ($before.Count -gt 2 -and $values.ContainsKey($place)) {
            foreach ($value in $values[$place]) { $found[$value] = $value }
        } elseif ($word.StartsWith('-')) {
            if ($options.ContainsKey($command)) { $found = $options[$command] }
        } elseif ($words.ContainsKey($command)) {
            foreach ($value in $words[$command]) { $found[$value] = $value }
        }
    }
    foreach ($one in $found.Keys) {
        if ($one.StartsWith($word, [System.StringComparison]::Ordinal)) {
            [System.Management.Automation.CompletionResult]::new($one, $one, 'ParameterValue', $found[$one])
        }
    }
}""".splitlines()


def _powershell_options(options: Iterable[Option], indent: str) -> Iterator[str]:
    for option in options:
        for name in option.names:
            yield f"{indent}{_in_powershell(name)} = {_in_powershell(_line(option.help))}"


def _powershell_words(words: Iterable[str]) -> str:
    return f"@({', '.join(map(_in_powershell, words))})"


#: What writes the rows of each shell's script.
SHELLS: dict[str, Callable[[Sequence[Command], Sequence[Option]], Iterator[str]]] = {
    "bash": _bash,
    "zsh": _zsh,
    "fish": _fish,
    "powershell": _powershell,
}
