"""The command line: find the command, run it, turn what it says into an exit status.

Only the command that is called is imported: a commit hook and a diff driver start callint over and over.
"""

from __future__ import annotations

import errno
import gc
import io
import os
import sys

from callint import __version__
from callint.commands import COMMANDS, MODULES

#: Exit statuses, beside 0 for "nothing to report".
FOUND, WRONG_INPUT, FAILED = 1, 2, 3
INTERRUPTED = 130  # as shells report a program that Ctrl-C ended
UNREAD = 141  # and one whose output nobody reads to its end

#: What is wrong with a path, and with nothing in callint.
_PATH_ERRORS = {errno.ELOOP, errno.ENAMETOOLONG, errno.ENOTDIR, errno.EISDIR, errno.EACCES, errno.EPERM}

#: After so many new objects Python looks for cycles: more than a definition of 50,000 tables makes.
_NEW_OBJECTS = 1_000_000


def help_text() -> str:
    """What ``callint --help`` prints."""
    commands = "\n".join(f"  {name:<11}{title}" for name, title in COMMANDS.items())
    return f"""\
callint {__version__}: a linter and diff tool for engine calibration images

Usage: callint COMMAND [OPTIONS] [ARGUMENTS]

Commands:
{commands}

callint COMMAND --help explains a command; callint --version prints the version.
Exit status: 0 no findings, 1 findings, 2 invalid input, 3 internal error.

callint reports; it does not approve. A wrong calibration can destroy an engine
and hurt people. The maker's limits, local law and licensed practice come first.
"""


def main(arguments: list[str] | None = None) -> int:
    """Run one command line; returns the exit status."""
    words = sys.argv[1:] if arguments is None else arguments
    if sys.stdout is None:  # the shell closed it: callint --help >&-
        sys.stdout = open(os.devnull, "w")  # noqa: PTH123, SIM115 (for the process)
    try:
        status = _dispatch(words)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        # The reader has gone, which is no error, and nothing to tell success by: `check | head -1`.
        _drop_output()
        return UNREAD
    except OSError as error:
        _drop_output()
        return _refuse(f"callint: the output cannot be written: {error.strerror}; choose another place")


def program() -> None:
    """Run the command line of this process, and end it."""
    # What is read stays until the end, and to look through it for cycles again and again finds none: not at
    # every 700 new objects, as is usual, nor when all memory is about to be given back at once.
    gc.set_threshold(_NEW_OBJECTS)
    status = main()
    gc.freeze()
    sys.exit(status)


def _drop_output() -> None:
    """Nothing may be flushed at exit into a pipe that is closed or a disk that is full."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _dispatch(words: list[str]) -> int:
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

    from callint.cli.duplicate_options import HELP, refuse_repeated
    from callint.model.errors import InputError

    _accept_any_text()
    if nulls := [word for word in words if "\0" in word]:
        return _refuse(f"callint {name}: {nulls[0]!r}: no name has a null character in it; leave it out")
    try:
        command = import_module(f"callint.commands.{MODULES.get(name, name)}").command
        refuse_repeated(command, words)
        # Not through click's own main, which turns a closed pipe into an exit status of its own.
        with command.make_context(f"callint {name}", list(words), help_option_names=HELP) as context:
            return int(command.invoke(context) or 0)
    except click.exceptions.Exit as finished:  # after --help
        return finished.exit_code
    except click.UsageError as error:
        return _refuse(f"callint {name}: {_sentence(error)}; callint {name} --help explains it")
    except InputError as error:
        return _refuse(*(f"callint: {line}" for line in error.lines))
    except MemoryError:
        return _refuse(
            "callint: there is not enough memory for these files; use smaller ones, or more memory"
        )
    except (KeyboardInterrupt, click.Abort):
        return INTERRUPTED
    except OSError as error:
        if isinstance(error, BrokenPipeError) or error.errno in (errno.ENOSPC, errno.EIO):
            raise  # about the output, which main answers for
        return _wrong_path(error) or _fail(error)
    except Exception as error:
        return _fail(error)


def _wrong_path(error: OSError) -> int:
    """Say what is wrong with a path, whoever looked at it first; 0 where that is not what went wrong."""
    from callint.reading.tree import reason

    if isinstance(error, FileNotFoundError) and error.filename is None and not _has_folder():
        return _refuse("callint: the current folder does not exist any more; change to another one")
    if not isinstance(error.filename, (str, bytes)) or error.errno not in _PATH_ERRORS:
        return 0
    shown = os.fsdecode(error.filename)
    if error.errno == errno.ENAMETOOLONG:
        return _refuse(f"callint: {shown}: the name is longer than the system takes; shorten it")
    return _refuse(f"callint: {shown}: {reason(error)}; check the path")


def _has_folder() -> bool:
    """Whether the current folder is there."""
    from pathlib import Path

    try:
        Path.cwd()
    except OSError:
        return False
    return True


def _fail(error: Exception) -> int:
    """Say that callint itself failed."""
    if os.environ.get("CALLINT_TRACEBACK"):
        raise error
    what = f"{type(error).__name__}: {error}".splitlines()[0]
    return _refuse(
        f"callint: callint itself failed ({what}); this is a bug. CALLINT_TRACEBACK=1 shows where.",
        status=FAILED,
    )


def _accept_any_text() -> None:
    """Characters that the terminal cannot show must not stop the output; they are spelled out."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _sentence(error: Exception) -> str:
    text = error.format_message() if hasattr(error, "format_message") else str(error)
    text = " ".join(str(text).split())
    text = text.replace(". Did", "; did").rstrip(".?")
    for words in ("a valid integer range", "a valid integer"):
        text = text.replace(words, "a whole number")
    # OLD and NEW keep their letters; a sentence's first word does not.
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def _refuse(*messages: str, status: int = WRONG_INPUT) -> int:
    """Print messages, one line each, and return the status."""
    from callint.fmt import clean

    # A file's name may hold anything, a line break too, so it must not reach the terminal as it is.
    sys.stderr.write("".join(f"{clean(message)}\n" for message in messages))
    return status


def _suggestion(name: str) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, COMMANDS, n=1)
    return f"; did you mean {close[0]!r}?" if close else "; callint --help lists them"


if __name__ == "__main__":
    program()
