"""The command line: find the command, run it, turn what it says into an exit status.

Only the command that is called is imported: a commit hook and a diff driver start callint over and over.
"""

from __future__ import annotations

import os
import sys

from callint import __version__

#: The commands in the order of a working day. Each lives in ``callint.commands`` under its name.
COMMANDS = {
    "demo": "write the fictional repository and walk through check and diff",
    "check": "check images and definitions",
    "diff": "show what changed between two images, in engineering units",
    "show": "print the tables of an image",
    "rules": "explain the rules",
}

#: Exit statuses, beside 0 for "nothing to report".
FOUND, WRONG_INPUT, FAILED = 1, 2, 3


def help_text() -> str:
    """What ``callint --help`` prints."""
    commands = "\n".join(f"  {name:<8}{title}" for name, title in COMMANDS.items())
    return f"""\
callint {__version__}: a linter and diff tool for engine calibrations

Usage: callint COMMAND [OPTIONS] [ARGUMENTS]

Commands:
{commands}

callint COMMAND --help explains a command, callint --version prints the version.
Exit status: 0 nothing to report, 1 something found, 2 wrong input, 3 callint failed.

callint reports; it does not approve. A wrong calibration can destroy an engine
and hurt people. The maker's limits, local law and licensed practice come first.
"""


def main(arguments: list[str] | None = None) -> int:
    """Run one command line; returns the exit status."""
    words = sys.argv[1:] if arguments is None else arguments
    if not words or words[0] in ("--help", "-h", "help"):
        sys.stdout.write(help_text())
        return 0
    if words[0] == "--version":
        sys.stdout.write(f"callint {__version__}\n")
        return 0
    name = words[0]
    if name not in COMMANDS:
        return _refuse(f"callint: there is no command {name!r}{_suggestion(name)}")
    return _run(name, words[1:])


def _run(name: str, words: list[str]) -> int:
    """Run one command and answer for whatever it raises."""
    from importlib import import_module

    import click

    from callint.model.errors import InputError

    try:
        command = import_module(f"callint.commands.{name}").command
        status = command.main(words, f"callint {name}", standalone_mode=False)
        sys.stdout.flush()
        return int(status or 0)
    except click.UsageError as error:
        return _refuse(f"callint {name}: {_sentence(error)}; see callint {name} --help")
    except InputError as error:
        return _refuse("\n".join(f"callint: {line}" for line in str(error).splitlines()))
    except (KeyboardInterrupt, click.Abort):
        return 130
    except BrokenPipeError:
        # The reader has gone, which is no error; nothing may be flushed into the pipe at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        if os.environ.get("CALLINT_TRACEBACK"):
            raise
        what = f"{type(error).__name__}: {error}".splitlines()[0]
        sys.stderr.write(
            f"callint: callint itself failed ({what}); this is a bug. CALLINT_TRACEBACK=1 shows where.\n"
        )
        return FAILED


def _sentence(error: Exception) -> str:
    text = error.format_message() if hasattr(error, "format_message") else str(error)
    text = " ".join(str(text).split())
    return text[:1].lower() + text[1:].rstrip(".")


def _refuse(message: str) -> int:
    from callint.model.shown import clean

    # A file's name may hold anything, so it must not reach the terminal as it is.
    sys.stderr.write("".join(f"{clean(line)}\n" for line in message.splitlines()))
    return WRONG_INPUT


def _suggestion(name: str) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, COMMANDS, n=1)
    return f"; did you mean {close[0]!r}?" if close else "; callint --help lists them"


if __name__ == "__main__":
    sys.exit(main())
