"""A process that has imported callint, and forks a process for each command that a test runs.

callint takes a third of a second to start, most of it for imports, and the tests start it thousands of times.
So each process of pytest starts one server, which imports everything and checks one image. For
each command the server forks a process. That process takes over the caller's arguments, folder, environment,
and standard input, output and error, and goes on as Python does after its start. Each command still
has a process of its own: it ends with an exit status and leaves nothing behind for the next command.

A test does not see here what a command forgot to import: for that, ``test_project_checks.py`` has a server
that has imported nothing of callint. A test that is about the start of Python uses
``running.run_in_new_python``.

``python tests/command_server.py ADDRESS ARGUMENT...`` is a client, for programs that start callint, such as
git. It imports only what Python has built in, so that it starts within milliseconds.
"""

from __future__ import annotations

import _socket
import marshal
import os
import sys

#: What Python reads when it starts: a command that sets such a variable needs a new Python.
READ_AT_START = ("PYTHON", "LC_", "LANG", "LD_")

_STREAMS = b"\0" * 12  # three file descriptors


def send(
    connection: _socket.socket,
    arguments: list[str],
    environment: dict[str, str],
    streams: list[int],
) -> None:
    """Ask the server to run ``python ARGUMENTS`` in the current folder.

    The arguments begin with ``-m MODULE`` or ``-c PROGRAM``. ``streams`` are the file descriptors of standard
    input, output and error.
    """
    request = marshal.dumps((arguments, os.getcwd(), environment))  # noqa: PTH109 (quick)
    handles = b"".join(handle.to_bytes(4, sys.byteorder) for handle in streams)
    rights = [(_socket.SOL_SOCKET, _socket.SCM_RIGHTS, handles)]
    connection.sendmsg([len(request).to_bytes(4, "big")], rights)
    connection.sendall(request)


def status(connection: _socket.socket) -> int:
    """Wait for the end of the command; returns its exit status, negative for a signal."""
    answer = connection.recv(2, _socket.MSG_WAITALL)
    if len(answer) < 2:
        raise OSError("the command server ended before the command")
    return int.from_bytes(answer, "big", signed=True)


def _client(address: str, arguments: list[str]) -> None:
    """Run callint by the server, and end as it does."""
    connection = _socket.socket(_socket.AF_UNIX, _socket.SOCK_STREAM)
    connection.connect(address)
    send(connection, ["-m", "callint", *arguments], dict(os.environ), [0, 1, 2])
    code = status(connection)
    if code < 0:
        os.kill(os.getpid(), -code)
    os._exit(code)


class _Server:
    """Forks a process for each request, until its standard input is closed."""

    def __init__(self, listener: int) -> None:
        import selectors
        import socket
        from pathlib import Path

        self._listener = socket.socket(fileno=listener)
        self._folder = Path(self._listener.getsockname()).parent
        self._ready = selectors.DefaultSelector()
        #: The id of each running process and its connection, by the file descriptors of both.
        self._running: dict[int, tuple[int, int, socket.socket]] = {}

    def serve(self) -> list[str]:
        """Returns in the processes that it forks, with the arguments of Python."""
        for handle in (0, self._listener.fileno()):
            self._ready.register(handle, 1)
        while True:
            for key, _ in self._ready.select():
                if key.fd == 0:
                    self._end()
                elif key.fd == self._listener.fileno():
                    request = self._fork()
                    if request:
                        return request
                elif key.fd in self._running:
                    self._finish(key.fd)

    def _fork(self) -> list[str] | None:
        connection, _ = self._listener.accept()
        head, rights, _, _ = connection.recvmsg(4, _socket.CMSG_LEN(len(_STREAMS)))
        data = connection.recv(int.from_bytes(head, "big"), _socket.MSG_WAITALL)
        arguments, folder, environment = marshal.loads(data)
        handles = rights[0][2]
        streams = [int.from_bytes(handles[n : n + 4], sys.byteorder) for n in (0, 4, 8)]
        process = os.fork()
        if process == 0:
            self._ready.close()
            self._listener.close()
            connection.close()
            for handle in self._running:
                os.close(handle)
            _become(streams, folder, environment)
            # callint init looks for the program callint beside Python, and finds the launcher.
            sys.executable = str(self._folder / "python")
            return list(arguments)
        for handle in streams:
            os.close(handle)
        end = os.pidfd_open(process)
        for handle in (end, connection.fileno()):
            self._running[handle] = process, end, connection
            self._ready.register(handle, 1)
        return None

    def _finish(self, handle: int) -> None:
        """Report the end of a process, or kill the process of a client that has gone."""
        process, end, connection = self._running[handle]
        if handle != end:
            os.kill(process, 9)
        code = os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
        if handle == end:
            connection.sendall(code.to_bytes(2, "big", signed=True))
        for other in (end, connection.fileno()):
            del self._running[other]
            self._ready.unregister(other)
        os.close(end)
        connection.close()

    def _end(self) -> None:
        for process in {process for process, _, _ in self._running.values()}:
            os.kill(process, 9)
        os._exit(0)


def _become(streams: list[int], folder: str, environment: dict[str, str]) -> None:
    """Take over what the caller has."""
    for number, handle in enumerate(streams):
        os.dup2(handle, number)
        os.close(handle)
    # New files, as those of the server know whether they are a terminal, a pipe or a file.
    for handle, name in enumerate(("stdin", "stdout", "stderr")):
        old = getattr(sys, name)
        mode, buffering = "w" if handle else "r", 1 if name == "stderr" else -1
        new = os.fdopen(handle, mode, buffering, encoding=old.encoding, errors=old.errors, closefd=False)
        setattr(sys, name, new)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)


def _run(arguments: list[str]) -> None:
    """Run a module or program and end the process, but leave the imported modules as they are.

    To take them apart, as Python does at its end, takes longer than most commands.
    """
    import atexit
    import runpy
    import threading
    import traceback
    from pathlib import Path

    code: object = 0
    option, program, *rest = arguments
    sys.argv = [option, *rest]
    if program == "callint":
        sys.path[0] = str(Path.cwd())  # where Python begins to look for modules
    try:
        if option == "-c":
            exec(program, {"__name__": "__main__"})
        else:
            runpy.run_module(program, run_name="__main__", alter_sys=True)
    except SystemExit as end:
        code = end.code
    except BaseException:
        traceback.print_exc()
        code = 1
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code if isinstance(code, int) else code is not None)


def _import(modules: list[str]) -> None:
    """Import these modules; without any, all of callint."""
    import gc
    from importlib import import_module

    for name in modules:
        import_module(name)
    if not modules:
        _import_everything()
        _use_once()
    gc.collect()
    gc.freeze()


def _import_everything() -> None:
    """Import all of callint, and what its commands import when they need it.

    Not GitPython, which looks for git when it is imported, and not what imports that.
    """
    import pkgutil
    from importlib import import_module

    import callint

    for module in pkgutil.walk_packages(callint.__path__, "callint."):
        if module.name not in ("callint.__main__", "callint.versioning.demo"):
            import_module(module.name)
    for name in (
        *("anycrc", "bincopy", "crccheck.crc", "gzip", "jsonschema", "lxml.etree", "numpy.ma", "pprint"),
        *("rich.console", "rich.progress", "rich.table", "rich.text"),
        *("concurrent.futures", "difflib", "glob", "multiprocessing.context", "runpy", "shutil", "tempfile"),
    ):
        import_module(name)


def _use_once() -> None:
    """Check an image and its change once, in a folder that is removed.

    So Python's patterns, the tables of CRCs and what else is computed at its first use are there for
    all commands. What callint keeps of files is of no use to them: the image and its definition are the
    demo's, and the cache is removed.
    """
    import io
    import shutil
    import tempfile
    from contextlib import chdir, redirect_stdout
    from pathlib import Path

    from callint.__main__ import main

    steps = Path(__file__).parent.parent / "fixtures" / "demo" / "steps"
    with tempfile.TemporaryDirectory(prefix="callint-first-") as folder, chdir(folder):
        os.environ["CALLINT_CACHE"] = f"{folder}/cache"
        for step in ("01-factory", "02-policy", "03-heron-start"):
            shutil.copytree(steps / step, folder, dirs_exist_ok=True)
        with redirect_stdout(io.StringIO()):
            main(["check"])
            main(["diff", "factory/sk28-0412.bin", "boats/heron.bin"])
        del os.environ["CALLINT_CACHE"]
    del sys.modules["callint.__main__"]  # each command runs it as the main program


if __name__ == "__main__":
    if sys.argv[1] == "serve":
        _import(sys.argv[3:])
        _run(_Server(int(sys.argv[2])).serve())
    else:
        _client(sys.argv[1], sys.argv[2:])
