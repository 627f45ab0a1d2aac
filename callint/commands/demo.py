"""callint demo."""

from __future__ import annotations

import sys
from contextlib import chdir
from importlib import import_module
from pathlib import Path

import click

from callint.cli.duplicate_options import HELP
from callint.reporting.terminal import QUIET, Terminal, console, line, width, wrapped

_FOLDER = "skerry-demo"
_BASE = "factory/sk28-0412.bin"

#: A text, and the command that runs after it, in the demo repository.
_STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "Heron is an honest rework: more pull at half lever, asked for by her skipper. Two of her changes "
        "needed a reason in writing and have one in callint.toml; they are waived. What is left is a "
        "warning that somebody should have seen, and nothing that stops a commit.",
        ("check", "boats/heron.bin"),
    ),
    ("What did she get? Protection is listed first.", ("diff", _BASE, "boats/heron.bin", "--stat")),
    (
        "The cells of one of these tables, as a second calibrator would review them.",
        ("diff", _BASE, "boats/heron.bin", "-t", "driver_demand"),
    ),
    (
        "Petrel was finished late in the evening: a rail pressure with a wrong first digit, a start quantity "
        "without its decimal point, a fuel quantity with two digits in each other's place, a speed axis that "
        "no longer rises, the overspeed cut and a monitor switched off, and the checksum forgotten.",
        ("check", "boats/petrel.bin"),
    ),
    (
        "The first of these places in the image itself.",
        ("diff", _BASE, "boats/petrel.bin", "-t", "rail_pressure_demand"),
    ),
    (
        "Gannet was built on the software of another boat. In it every table lies elsewhere, so nothing else "
        "about it is worth saying.",
        ("check", "boats/gannet.bin"),
    ),
)

_CAUTION = (
    "Caution. The Skerry 28, her boats and every number here are invented; calibrate nothing with them. On "
    "a real engine a wrong calibration can destroy the engine and hurt people, and changing emissions or "
    "safety functions is unlawful in many places. callint reports; it does not approve. The maker's limits, "
    "local law and licensed practice come first."
)


@click.command()
@click.argument("folder", default=_FOLDER, metavar="[DIR]")
def command(folder: str) -> int:
    """Create the demo repository in DIR, set it up with callint init, and run check and diff on it.

    DIR defaults to skerry-demo. If callint demo created the folder before, it only runs the commands again.
    It refuses any other folder that is not empty.
    """
    from callint.commands.init import set_up  # git is slow to import
    from callint.reporting.files.destinations import refuse_as_folder
    from callint.versioning.demo import steps, write_demo

    terminal = console(sys.stdout)
    target = Path(folder)
    refuse_as_folder(target)
    is_new = write_demo(target, set_up)
    commits = list(steps())
    branches = len({step.branch for step in commits})
    contents = (
        f"a git repository with {len(commits)} commits on {branches} branches, by two calibrators of harbour "
        "workboats that do not exist"
    )
    _print(f"{'Wrote' if is_new else 'Using'} {folder}: {contents}.", terminal)
    with chdir(target):
        for text, arguments in _STEPS:
            _print(text, terminal)
            terminal.print(line((f"$ callint {' '.join(arguments)}", "bold")))
            command = import_module(f"callint.commands.{arguments[0]}").command
            # click's own main would turn a closed pipe into an exit status of its own.
            with command.make_context(arguments[0], list(arguments[1:]), help_option_names=HELP) as context:
                command.invoke(context)
            terminal.print()
    _print(
        f"Go on yourself: cd {folder}; git log --all --graph; callint check; "
        "callint show boats/heron.bin --list; callint rules.",
        terminal,
    )
    for text in wrapped(_CAUTION, width(terminal)):
        terminal.print(line(text))
    return 0


def _print(text: str, terminal: Terminal) -> None:
    for part in wrapped(text, width(terminal)):
        terminal.print(line((part, QUIET)))
    terminal.print()
