"""Contents of blobs by id, from one long-lived git process per repository."""

from __future__ import annotations

import hashlib
import subprocess
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from weakref import finalize

from callint.reading.tree import MAX_FILE
from callint.versioning.git.process import start

_MISSING = "its content is missing from the repository; fetch it first"
_DAMAGED = "its content in the repository is damaged; git fsck finds out more"
#: The number of hexadecimal digits of a SHA-1 id; longer ids are SHA-256.
_SHA1_DIGITS = 40
#: An upper bound of the line before a content: an id of 64 digits, the type and the size.
_LONGEST_LINE = 256


class BlobReader:
    """Reads blobs through ``git cat-file --batch``, which supports every id length and every kind of pack.

    The first read starts the process; ``close`` ends it, and so does the garbage collection of this object.
    The next read replaces a process that died.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._finalizer: finalize[..., BlobReader] | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def read(self, blob: str) -> bytes:
        """The content of a blob; OSError if it is absent, too large or unreadable."""
        try:
            content = _request(self._running(), blob)
        except BaseException:
            # The next request would read the rest of this answer from the pipe.
            self.close()
            raise
        if content is None:
            raise OSError(_MISSING)
        return content

    def close(self) -> None:
        """End the process, if there is one."""
        if self._finalizer is not None:
            self._finalizer()
        self._finalizer = self._process = None

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is not None:
            self.close()
        if self._process is None:
            # git would block on a full pipe for its errors that nobody reads.
            self._process = start(
                ["cat-file", "--batch"],
                self._folder,
                stdin=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
            self._finalizer = finalize(self, _end, self._process)
        return self._process


def _request(process: subprocess.Popen[bytes], blob: str) -> bytes | None:
    """The content that git returns, or None if it has none and waits for the next request."""
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
        # In a partial clone git before 2.45 dies if it may not fetch a missing object.
        raise OSError(_MISSING)
    if fields[1] != b"blob":
        raise OSError("it is not a regular file")
    size = int(fields[2])
    if size > MAX_FILE:
        raise OSError(f"it is larger than {MAX_FILE >> 20} MiB, the most that callint reads")
    content = process.stdout.read(size)
    if len(content) != size or process.stdout.read(1) != b"\n":
        raise OSError(_DAMAGED)
    # git returns any content under an id without verifying it: the disk may be damaged, or the file forged.
    if blob_id(content, len(blob)) != blob:
        raise OSError(_DAMAGED)
    return content


def blob_id(content: bytes, digits: int) -> str:
    """The id that git gives a content: of 40 hexadecimal digits by SHA-1, of 64 by SHA-256."""
    algorithm = hashlib.sha1 if digits == _SHA1_DIGITS else hashlib.sha256
    digest = algorithm(b"blob %d\0" % len(content), usedforsecurity=False)
    digest.update(content)
    return digest.hexdigest()


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a process that may have died already, or may be in the middle of an answer."""
    with suppress(OSError):
        process.kill()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):  # closing fails if written bytes cannot be sent
                pipe.close()
    process.wait()


def sizes_of(folder: Path, blobs: Iterable[str]) -> dict[str, int]:
    """The sizes in bytes of blobs by id, from the headers that git has; without those that are absent."""
    return {blob: size for blob, size in _headers(folder, blobs) if blob}


def ids_of(folder: Path, files: Sequence[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """The blobs of files, each a commit's id and a path from the top; without those that are absent."""
    named = {f"{commit}:{path}": (commit, path) for commit, path in files if _is_plain(path)}
    headers = _headers(folder, named)
    return {file: blob for file, (blob, _) in zip(named.values(), headers, strict=False) if blob}


def _headers(folder: Path, names: Iterable[str]) -> list[tuple[str, int]]:
    """The id and size of the blob that each name means; an empty id if there is none."""
    request = "".join(f"{name}\n" for name in names).encode("utf-8", "surrogateescape")
    with start(
        ["cat-file", "--batch-check"], folder, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        answers, _ = process.communicate(request)
    headers = []
    for answer in answers.split(b"\n")[:-1]:
        fields = answer.split()
        # Without such a blob git repeats the name, which may hold these words.
        is_blob = len(fields) == 3 and fields[1] == b"blob" and fields[2].isdigit()
        headers.append((fields[0].decode(), int(fields[2])) if is_blob else ("", 0))
    return headers


def _is_plain(path: str) -> bool:
    """Whether git can read a path of any text in one line; it dies of one that leads out."""
    try:
        path.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return False
    return path.isprintable() and not {"", ".", ".."} & set(path.split("/"))
