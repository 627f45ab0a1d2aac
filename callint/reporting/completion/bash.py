"""The script for bash."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from callint.reporting.completion.command_line import Command, Option, Value, header, names_of

_FUNCTIONS = """
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
    fi"""

_REGISTRATION = """\
}

if type compopt >/dev/null 2>&1; then
    complete -F _callint callint
else
    complete -o default -F _callint callint
fi"""


def quoted_for_bash(text: str) -> str:
    """A text in single quotes, as bash and zsh read it."""
    return "'" + text.replace("'", "'\\''") + "'"


def bash_script(commands: Sequence[Command], program_options: Sequence[Option]) -> Iterator[str]:
    """The script for bash from 3.2 on, which macOS has; before 4.0 it cannot complete file names."""
    yield header("bash")
    yield from _FUNCTIONS.splitlines()
    yield from _command_name(commands, program_options)
    yield from _option_values(commands)
    yield from _options_and_arguments(commands)
    yield from _REGISTRATION.splitlines()


def _command_name(commands: Sequence[Command], program_options: Sequence[Option]) -> Iterator[str]:
    """The completion of the first word."""
    yield '    if [ "$COMP_CWORD" -eq 1 ]; then'
    yield '        case "$current" in'
    yield "        -*)"
    yield _word_list(names_of(program_options), "            ")
    yield "            ;;"
    yield "        *)"
    yield _word_list((command.name for command in commands), "            ")
    yield "            ;;"
    yield "        esac"
    yield "        return"
    yield "    fi"


def _option_values(commands: Sequence[Command]) -> Iterator[str]:
    """The completion of the value behind an option."""
    yield '    case "$command $previous" in'
    for command in commands:
        for option in command.options:
            if option.value is not None:
                patterns = "|".join(quoted_for_bash(f"{command.name} {name}") for name in option.names)
                yield f"    {patterns})"
                yield _value(option.value, "        ")
                yield "        return ;;"
    yield "    esac"


def _options_and_arguments(commands: Sequence[Command]) -> Iterator[str]:
    """The completion of an option's name and of an argument."""
    yield '    case "$command $current" in'
    for command in commands:
        yield f"    {quoted_for_bash(f'{command.name} -')}*)"
        yield _word_list(names_of(command.options), "        ")
        yield "        ;;"
        if command.argument is not None:
            yield f"    {quoted_for_bash(f'{command.name} ')}*)"
            yield _value(command.argument, "        ")
            yield "        ;;"
    yield "    esac"


def _value(value: Value, indent: str) -> str:
    if value.choices:
        return _word_list(value.choices, indent)
    return f"{indent}_callint_files" if value.is_file else f"{indent}:"


def _word_list(values: Iterable[str], indent: str) -> str:
    return f"{indent}_callint_words {' '.join(map(quoted_for_bash, values))}"
