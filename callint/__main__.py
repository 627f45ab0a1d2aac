"""The command line: finds the command, runs it, and turns results and errors into an exit status.

It imports only the called command, because commit hooks and diff drivers start callint over and over.
"""

from __future__ import annotations

import errno
import gc
import io
import os
import sys

from callint import __version__
from callint.commands import COMMANDS, MODULES

#: Exit statuses besides 0 for "nothing to report" and 1 for findings.
WRONG_INPUT, FAILED = 2, 3
INTERRUPTED = 130  # the status by which shells report a program that Ctrl-C ended
BROKEN_PIPE = 141  # and a program whose output nobody reads to the end

#: Errors of paths, which are not bugs of callint.
_PATH_ERRORS = {errno.ELOOP, errno.ENAMETOOLONG, errno.ENOTDIR, errno.EISDIR, errno.EACCES, errno.EPERM}

#: The number of new objects after which Python looks for cycles: more than a definition of 50,000 tables has.
_GC_THRESHOLD = 1_000_000


def help_text() -> str:
    """The text of ``callint --help``."""
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
    arguments = sys.argv[1:] if arguments is None else arguments
    if sys.stdout is None:  # the shell closed it: callint --help >&-
        sys.stdout = open(os.devnull, "w")  # noqa: PTH123, SIM115 (for the process)
    try:
        status = _dispatch(arguments)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        # The reader closed the pipe, as in `check | head -1`: neither an error nor a success.
        _drop_output()
        return BROKEN_PIPE
    except OSError as error:
        _drop_output()
        return _refuse(f"callint: the output cannot be written: {error.strerror}; choose another place")


def program() -> None:
    """Run the command line of this process, and exit."""
    # callint keeps what it reads until the end, and that has no cycles. So Python must not look for cycles
    # after every 700 new objects, its default, nor at exit, when it frees all memory anyway.
    gc.set_threshold(_GC_THRESHOLD)
    status = main()
    gc.freeze()
    sys.exit(status)


def _drop_output() -> None:
    """Keep Python from flushing output at exit into a closed pipe or onto a full disk."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _dispatch(arguments: list[str]) -> int:
    if not arguments or arguments[0] in ("--help", "-h", "help"):
        sys.stdout.write(help_text())
        return 0
    if arguments[0] == "--version":
        sys.stdout.write(f"callint {__version__}\n")
        return 0
    name, *rest = arguments
    if name not in COMMANDS:
        return _refuse(f"callint: there is no command {name!r}{_suggestion(name)}")
    return _run(name, rest)


def _run(name: str, arguments: list[str]) -> int:
    """Run one command; reports whatever it raises."""
    from importlib import import_module

    import click

    from callint.cli.duplicate_options import HELP, refuse_repeated
    from callint.model.errors import InputError
    from callint.versioning.git.remembered import remembering

    _accept_any_text()
    if nulls := [argument for argument in arguments if "\0" in argument]:
        return _refuse(f"callint {name}: {nulls[0]!r}: a name cannot contain a null character; remove it")
    try:
        command = import_module(f"callint.commands.{MODULES.get(name, name)}").command
        refuse_repeated(command, arguments)
        # click's own main would turn a closed pipe into an exit status of its own.
        context = command.make_context(f"callint {name}", list(arguments), help_option_names=HELP)
        with context, remembering():
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
            raise  # an error of the output, which main reports
        message = _path_message(error)
        return _fail(error) if message is None else _refuse(message)
    except Exception as error:
        return _fail(error)


def _path_message(error: OSError) -> str | None:
    """The message for an error of a path; None for any other error."""
    from callint.reading.tree import reason

    if isinstance(error, FileNotFoundError) and error.filename is None and not _current_folder_exists():
        return "callint: the current folder does not exist any more; change to another one"
    if not isinstance(error.filename, (str, bytes)) or error.errno not in _PATH_ERRORS:
        return None
    path = os.fsdecode(error.filename)
    if error.errno == errno.ENAMETOOLONG:
        return f"callint: {path}: the name is longer than the system allows; shorten it"
    return f"callint: {path}: {reason(error)}; check the path"


def _current_folder_exists() -> bool:
    from pathlib import Path

    try:
        Path.cwd()
    except OSError:
        return False
    return True


def _fail(error: Exception) -> int:
    """Report that callint itself failed."""
    if os.environ.get("CALLINT_TRACEBACK"):
        raise error
    description = f"{type(error).__name__}: {error}".splitlines()[0]
    return _refuse(
        f"callint: callint itself failed ({description}); this is a bug. CALLINT_TRACEBACK=1 shows where.",
        status=FAILED,
    )


def _accept_any_text() -> None:
    """Print characters that the terminal cannot show as escapes, so that they do not stop the output."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _sentence(error: Exception) -> str:
    text = error.format_message() if hasattr(error, "format_message") else str(error)
    text = " ".join(str(text).split())
    text = text.replace(". Did", "; did").rstrip(".?")
    for phrase in ("a valid integer range", "a valid integer"):
        text = text.replace(phrase, "a whole number")
    # OLD and NEW keep their capitals; the first word of a sentence does not.
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def _refuse(*messages: str, status: int = WRONG_INPUT) -> int:
    """Print messages, one line each, and return the status."""
    from callint.fmt import clean

    # A file's name may contain anything, even a line break, so it must not reach the terminal unchanged.
    sys.stderr.write("".join(f"{clean(message)}\n" for message in messages))
    return status


def _suggestion(name: str) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, COMMANDS, n=1)
    return f"; did you mean {close[0]!r}?" if close else "; callint --help lists them"


if __name__ == "__main__":
    program()
