"""Contents by their ids, from one long-lived git process for each repository."""

from __future__ import annotations

import hashlib
import subprocess
from contextlib import suppress
from pathlib import Path
from weakref import finalize

from callint.reading.tree import MAX_FILE
from callint.versioning.git.process import start

_MISSING = "its content is missing from the repository; fetch it first"
_DAMAGED = "its content in the repository is damaged; git fsck finds out more"
#: The length of an id by SHA-1; the others are by SHA-256.
_SHA1_DIGITS = 40
#: The longest line before a content is an id of 64 digits, the type and the size.
_LONGEST_LINE = 256


class Blobs:
    """Reads blobs through ``git cat-file --batch``, which knows ids of every length and every kind of pack.

    The process is started by the first read and ended by ``close``, or when nobody holds this object any
    more. One that dies is replaced at the next read.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._end: finalize[..., Blobs] | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def read(self, blob: str) -> bytes:
        """The content of a blob; OSError where it is absent, too large or not to be read."""
        try:
            content = _answer(self._running(), blob)
        except BaseException:
            # Whatever is still in the pipe would be taken for the answer to the next question.
            self.close()
            raise
        if content is None:
            raise OSError(_MISSING)
        return content

    def close(self) -> None:
        """End the process, if there is one."""
        if self._end is not None:
            self._end()
        self._end = self._process = None

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is not None:
            self.close()
        if self._process is None:
            # A pipe for its errors that nobody empties would stop git when it is full.
            self._process = start(
                ["cat-file", "--batch"],
                self._folder,
                stdin=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
            self._end = finalize(self, _end, self._process)
        return self._process


def _answer(process: subprocess.Popen[bytes], blob: str) -> bytes | None:
    """What git answers: a content, or None where it has none and waits for the next question."""
    assert process.stdin is not None and process.stdout is not None
    try:
        process.stdin.write(f"{blob}\n".encode("ascii"))
        process.stdin.flush()
    except BrokenPipeError:
        raise OSError(_MISSING) from None
    fields = process.stdout.readline(_LONGEST_LINE).split()
    if fields[1:] == [b"missing"]:
        return None
    if len(fields) != 3:
        # In a partial clone git before 2.45 dies of an absent object that it may not fetch.
        raise OSError(_MISSING)
    if fields[1] != b"blob":
        raise OSError("it is not a regular file")
    size = int(fields[2])
    if size > MAX_FILE:
        raise OSError(f"it is larger than {MAX_FILE >> 20} MiB, the most that is read")
    content = process.stdout.read(size)
    if len(content) != size or process.stdout.read(1) != b"\n":
        raise OSError(_DAMAGED)
    # git itself gives whatever lies under an id, be it a damaged disk's or somebody's who put it there.
    algorithm = hashlib.sha1 if len(blob) == _SHA1_DIGITS else hashlib.sha256
    digest = algorithm(b"blob %d\0" % size, usedforsecurity=False)
    digest.update(content)
    if digest.hexdigest() != blob:
        raise OSError(_DAMAGED)
    return content


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a process that may have died, or may be in the middle of an answer."""
    with suppress(OSError):
        process.kill()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):  # what was written and not sent
                pipe.close()
    process.wait()
