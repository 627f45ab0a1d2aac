"""``callint completion``: real shells complete the words that the parsers accept."""

from __future__ import annotations

import os
import re
import select
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path

import click
import pytest

from callint.commands import COMMANDS, MODULES
from callint.commands.completion import describe_commands
from callint.reporting.completion.command_line import Command, Option, Value
from callint.reporting.completion.scripts import SHELLS, completion_script
from callint.rules.registry import RULES
from tests.running import REPOSITORY, call, environment

#: How long a shell may take to answer before it counts as silent, in seconds.
_PATIENCE = 60


def needs(shell: str) -> pytest.MarkDecorator:
    """Where everything is said to be installed, a test that lacks its shell fails."""
    is_wanted = shutil.which(shell) is not None or bool(os.environ.get("CALLINT_CI"))
    return pytest.mark.skipif(not is_wanted, reason=f"{shell} is not installed")


def script(shell: str, folder: Path) -> Path:
    result = call("completion", shell, cwd=folder)
    assert result.status == 0 and result.stderr == ""
    path = folder / f"callint.{shell}"
    path.write_text(result.stdout, "utf-8")
    return path


# What the parsers say


def parser(name: str) -> click.Command:
    result: click.Command = import_module(f"callint.commands.{MODULES.get(name, name)}").command
    return result


def long_options(name: str) -> set[str]:
    options = (item for item in parser(name).params if isinstance(item, click.Option) and not item.hidden)
    return {word for option in options for word in option.opts if word.startswith("--")} | {"--help"}


def choices(name: str, option: str) -> set[str]:
    (result,) = (item for item in parser(name).params if option in item.opts)
    assert isinstance(result.type, click.Choice)
    return {str(choice) for choice in result.type.choices}


FILES = {"petrel one.bin", "plover.bin", "policies"}

#: What is typed, its last word still open, and what may stand there.
ASKED: dict[str, Callable[[], set[str]]] = {
    "callint che": lambda: {"check", "checksums"},
    "callint ": lambda: set(COMMANDS),
    "callint --v": lambda: {"--version"},
    "callint check --for": lambda: {"--format"},
    "callint check --format ": lambda: choices("check", "--format"),
    "callint check --fail-on ": lambda: {"error", "warning", "note"},
    "callint diff a b --format c": lambda: {"cdfx"},
    "callint carry --as ": lambda: choices("carry", "--as"),
    "callint import --": lambda: long_options("import"),
    "callint show --": lambda: long_options("show"),
    "callint rules value/": lambda: {rule for rule in RULES if rule.startswith("value/")},
    "callint waive axis": lambda: {rule for rule in RULES if rule.startswith("axis/")},
    "callint waive waiver": set,  # none of them can be waived
    "callint schema fi": lambda: {"findings"},
    "callint completion ": lambda: set(SHELLS),
    "callint show p": lambda: FILES,
    "callint check --output p": lambda: FILES,
    "callint seal --definition p": lambda: FILES,
    "callint check --since p": set,
    "callint check --staged pe": lambda: {"petrel one.bin"},
    "callint nothing --format ": set,
}
QUESTIONS = list(ASKED)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with files to complete; one name has a space."""
    place = tmp_path / "yard"
    (place / "policies").mkdir(parents=True)
    for name in FILES - {"policies"}:
        (place / name).write_bytes(b"")
    return place


def expected(line: str) -> set[str]:
    return ASKED[line]()


def test_every_command_and_option_of_the_parsers_is_described() -> None:
    actual = {command.name: command for command in describe_commands()}
    assert list(actual) == list(COMMANDS)
    for name, command in actual.items():
        names = {word for option in command.options for word in option.names if word.startswith("--")}
        assert names == long_options(name)
        assert all(option.help for option in command.options)


@pytest.mark.parametrize("shell", SHELLS)
def test_a_script_is_the_same_each_time_and_plain_text(shell: str, tmp_path: Path) -> None:
    item, other = (call("completion", shell, cwd=tmp_path).stdout for _ in range(2))
    assert item == other and item.endswith("\n")
    assert item.isascii() and "\t" not in item  # so that no shell's idea of an encoding matters


def test_an_unknown_shell_is_a_wrong_call(tmp_path: Path) -> None:
    assert "'tcsh' is not one of" in call("completion", "tcsh", cwd=tmp_path).error


@pytest.mark.parametrize("shell", SHELLS)
def test_readme_and_docs_say_how_each_script_is_installed(shell: str) -> None:
    for page in ("README.md", "docs/completion.md"):
        assert f"callint completion {shell} " in (REPOSITORY / page).read_text("utf-8")


# The shells themselves


class Terminal:
    """A shell that reads what is typed, as if somebody sat there."""

    def __init__(self, arguments: list[str], folder: Path) -> None:
        import pty  # Windows has none, and none of these shells either

        self._end, there = pty.openpty()
        self._process = subprocess.Popen(
            arguments,
            cwd=folder,
            env=environment(TERM="dumb", COLUMNS="200", LINES="100"),
            stdin=there,
            stdout=there,
            stderr=there,
            start_new_session=True,
        )
        os.close(there)
        self.seen = ""

    def type(self, text: str) -> None:
        os.write(self._end, text.encode())

    def wait(self, is_there: Callable[[], bool]) -> None:
        """Read what is shown until something is there."""
        until = time.monotonic() + _PATIENCE
        while not is_there():
            assert time.monotonic() < until, self.seen
            if select.select([self._end], [], [], 0.05)[0]:
                self.seen += os.read(self._end, 65536).decode("utf-8", "replace")

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._end)


@contextmanager
def terminal(arguments: list[str], folder: Path) -> Iterator[Terminal]:
    result = Terminal(arguments, folder)
    try:
        yield result
    finally:
        result.close()


def typed_in_bash(folder: Path, lines: list[str]) -> list[list[str]]:
    """The words that a bash has after Tab and Return on each line: ``callint`` tells what it is given."""
    answer = folder.parent / "given"
    setup = folder.parent / "setup.bash"
    setup.write_text(
        f'source "{script("bash", folder.parent)}"\n'
        f'callint() {{ printf "%s\\n" "$#" "$@" >>"{answer}"; printf "told\\n" >>"{answer}"; }}\n'
    )
    given = []
    with terminal(["bash", "--norc", "--noprofile", "-i"], folder) as shell:
        shell.type(f"source '{setup}'; echo re''ady\n")
        shell.wait(lambda: "ready" in shell.seen)
        for line in lines:
            answer.unlink(missing_ok=True)
            shell.type(f"{line}\t\n")
            shell.wait(lambda: answer.exists() and answer.read_text().endswith("told\n"))
            given.append(answer.read_text().splitlines()[1:-1])
    return given


@needs("bash")
def test_bash_completes_what_is_typed_at_a_terminal(folder: Path) -> None:
    lines = ["callint che", "callint check --form", "callint check --format sa", "callint show pet"]
    lines += ["callint check --output pol", "callint check --format=mark", "callint check --since pet"]
    assert typed_in_bash(folder, lines) == [
        ["check"],
        ["check", "--format"],
        ["check", "--format", "sarif"],
        ["show", "petrel one.bin"],
        ["check", "--output", "policies/"],
        ["check", "--format=markdown"],
        ["check", "--since", "pet"],
    ]


_IN_BASH = """
source "$1"; shift
compopt() { files=yes; }
COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); files=no
_callint
printf '%s\\n' "$files" "${COMPREPLY[@]}"
"""


@needs("bash")
@pytest.mark.parametrize("line", QUESTIONS)
def test_bash_offers_what_the_parsers_say(line: str, folder: Path) -> None:
    arguments = ["bash", "--norc", "--noprofile", "-c", _IN_BASH, "ask", str(script("bash", folder.parent))]
    done = subprocess.run(
        [*arguments, *line.split(" ")], cwd=folder, env=environment(), capture_output=True, check=True
    )
    files, *offered = done.stdout.decode().splitlines()
    assert done.stderr == b""
    if files == "yes":  # bash itself lists them then
        assert "".join(offered) == "" and expected(line) <= FILES and expected(line)
    else:
        assert {word for word in offered if word} == expected(line)


_IN_ZSH = """
PS1=; autoload -Uz compinit
{install}
compadd() {{
    # What only goes into an array is no offer.
    if [[ ${{@[1,(i)(-|--)]}} == *-(O|A|D)\\ * ]]; then builtin compadd "$@"; return; fi
    local -a offered
    builtin compadd -O offered "$@"
    print -rl -- $offered >>"{answer}"
    builtin compadd "$@"
}}
_told() {{ print told >>"{answer}"; }}
_ask() {{ comppostfuncs=(_told); _main_complete "$@"; }}
zle -C ask list-choices _ask
bindkey '^I' ask
"""


@needs("zsh")
def test_zsh_offers_what_the_parsers_say(folder: Path) -> None:
    answer, setup = folder.parent / "offered", folder.parent / "setup.zsh"
    functions = folder.parent / "functions"
    functions.mkdir()
    script("zsh", folder.parent).rename(functions / "_callint")
    install = f"fpath=('{functions}' $fpath); compinit -u -D"
    setup.write_text(_IN_ZSH.format(install=install, answer=answer))
    with terminal(["zsh", "-f", "-i"], folder) as shell:
        shell.type(f"source '{setup}'; echo re''ady\n")
        shell.wait(lambda: "ready" in shell.seen)
        for line in QUESTIONS:
            answer.unlink(missing_ok=True)
            shell.type(f"{line}\t")
            shell.wait(lambda: answer.exists() and answer.read_text().endswith("told\n"))
            shell.type("\x15")  # take the line back
            suggestions = answer.read_text().replace("\\ ", " ").splitlines()[:-1]
            offered = {word.rstrip("/") for word in suggestions if word}
            assert offered - {"-h", "-t"} == expected(line), line


@needs("fish")
@pytest.mark.parametrize("line", QUESTIONS)
def test_fish_offers_what_the_parsers_say(line: str, folder: Path) -> None:
    program = f"source '{script('fish', folder.parent)}'; complete -C '{line}'"
    arguments = ["fish", "--no-config", "-c", program]
    done = subprocess.run(arguments, cwd=folder, env=environment(), capture_output=True, check=True)
    assert done.stderr == b""
    offered = {
        row.split("\t")[0].replace("\\ ", " ").rstrip("/") for row in done.stdout.decode().splitlines()
    }
    # Of a word that is open fish also offers what has it within; short options stand beside long ones.
    typed = line.rsplit(" ", maxsplit=1)[-1]
    assert {word for word in offered if word.startswith(typed)} == expected(line) | {
        word for word in offered if re.fullmatch("-[a-z]", word)
    }


# PowerShell, which is not asked: its script is looked at


def _powershell(folder: Path) -> str:
    return call("completion", "powershell", cwd=folder).stdout


def test_the_script_for_powershell_registers_one_completer_with_every_word(tmp_path: Path) -> None:
    text = _powershell(tmp_path)
    assert text.count("Register-ArgumentCompleter -Native -CommandName 'callint' -ScriptBlock {") == 1
    for name in COMMANDS:
        for option in long_options(name):
            assert f"            '{option}' = '" in text
    formats = ", ".join(
        f"'{line}'" for line in ("text", "json", "sarif", "junit", "markdown", "lines", "github", "gitlab")
    )
    assert f"        'check --format' = @({formats})\n" in text
    assert all(f"'{rule}'" in text for rule in RULES)


def test_brackets_and_quotes_of_the_script_for_powershell_are_closed(tmp_path: Path) -> None:
    bare = re.sub(r"'(?:[^'\n]|'')*'", "", re.sub(r"^#.*", "", _powershell(tmp_path), flags=re.MULTILINE))
    assert "'" not in bare
    bare = re.sub(r'"[^"\n]*"', "", bare)
    open_: list[str] = []
    for character in bare:
        if character in "({[":
            open_.append({"(": ")", "{": "}", "[": "]"}[character])
        elif character in ")}]":
            assert open_.pop() == character
    assert open_ == []


def test_no_key_of_a_table_for_powershell_occurs_twice(tmp_path: Path) -> None:
    # Keys that differ in case alone are one key to it, and two of them an error.
    for block in re.findall(r"= (?:\[ordered\])?@\{\n((?: +'[^\n]*\n)*)", _powershell(tmp_path)):
        keys = [key.lower() for key in re.findall(r"^ +'((?:[^']|'')*)' = ", block, re.MULTILINE)]
        assert len(keys) == len(set(keys))


# Quoting

NASTY = """it's "$(touch found)" `touch found` \\ [x] : * ; & | < > # % ! ~ {a,b} \u2019"""


def _nasty() -> list[Command]:
    value = Value(NASTY, ("it's", "$(touch found)", "`touch found`", "a;touch found", "~", "a\\b"))
    options = (Option(("--hull",), NASTY, value), Option(("--mast",), NASTY, Value(NASTY, is_file=True)))
    return [
        Command("row", NASTY, options, value),
        Command("sail", "Sail", options, Value(NASTY, is_file=True)),
    ]


def _nasty_script(shell: str, folder: Path) -> Path:
    path = folder / f"nasty.{shell}"
    path.write_text(completion_script(shell, _nasty(), ()), "utf-8")
    return path


@needs("bash")
@pytest.mark.parametrize("place", ["row --hull", "row"])
def test_nothing_in_a_description_runs_in_bash(place: str, folder: Path) -> None:
    arguments = [
        "bash",
        "--norc",
        "--noprofile",
        "-c",
        _IN_BASH,
        "ask",
        str(_nasty_script("bash", folder.parent)),
    ]
    done = subprocess.run(
        [*arguments, "callint", *place.split(), ""],
        cwd=folder,
        env=environment(),
        capture_output=True,
        check=True,
    )
    assert done.stdout.decode().splitlines()[1:] == list(_nasty()[0].options[0].value.choices)  # type: ignore[union-attr]
    assert not (folder / "found").exists()


@needs("fish")
@pytest.mark.parametrize("place", ["row --hull", "row"])
def test_nothing_in_a_description_runs_in_fish(place: str, folder: Path) -> None:
    program = f"source '{_nasty_script('fish', folder.parent)}'; complete -C 'callint {place} '"
    arguments = ["fish", "--no-config", "-c", program]
    done = subprocess.run(arguments, cwd=folder, env=environment(), capture_output=True, check=True)
    assert done.stderr == b""
    assert len(done.stdout.splitlines()) >= len(_nasty()[0].options[0].value.choices)  # type: ignore[union-attr]
    assert not (folder / "found").exists()


@needs("zsh")
def test_nothing_in_a_description_runs_in_zsh(folder: Path) -> None:
    answer, setup = folder.parent / "offered", folder.parent / "setup.zsh"
    install = f"compinit -u -D; source '{_nasty_script('zsh', folder.parent)}'"
    setup.write_text(_IN_ZSH.format(install=install, answer=answer))
    with terminal(["zsh", "-f", "-i"], folder) as shell:
        shell.type(f"source '{setup}'; echo re''ady\n")
        shell.wait(lambda: "ready" in shell.seen)
        for line in ("callint ", "callint row --hull ", "callint row "):
            answer.unlink(missing_ok=True)
            shell.type(f"{line}\t")
            shell.wait(lambda: answer.exists() and answer.read_text().endswith("told\n"))
            shell.type("\x15")
            offered = answer.read_text().splitlines()[:-1]
            assert len(offered) >= (2 if line == "callint " else 6), (line, offered)
    assert not (folder / "found").exists()
