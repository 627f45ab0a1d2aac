"""Scripts with which a shell completes callint's command lines.

The scripts are plain text, so that completing starts no Python. Every text in them is quoted for its shell,
and quoted again if the shell reads the text a second time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from callint.reporting.completion.bash import bash_script
from callint.reporting.completion.command_line import Command, Option
from callint.reporting.completion.fish import fish_script
from callint.reporting.completion.powershell import powershell_script
from callint.reporting.completion.zsh import zsh_script

#: The function that yields the lines of the script, by shell.
SHELLS: dict[str, Callable[[Sequence[Command], Sequence[Option]], Iterator[str]]] = {
    "bash": bash_script,
    "zsh": zsh_script,
    "fish": fish_script,
    "powershell": powershell_script,
}


def completion_script(shell: str, commands: Sequence[Command], program_options: Sequence[Option]) -> str:
    """The script for a shell of ``SHELLS``; ``program_options`` come before any command."""
    return "".join(f"{row}\n" for row in SHELLS[shell](commands, program_options))
