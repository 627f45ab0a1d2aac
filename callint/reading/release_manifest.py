"""Reads the manifests of releases, by ``schemas/release.schema.json``."""

from __future__ import annotations

from typing import Any

from callint.model.errors import InputError
from callint.model.release import FileDigest, Release, ReleasedCommit, ReleasedMemory
from callint.reading.json_document import read_document

#: The largest manifest that is read, in bytes: some ten thousand findings.
MAX_MANIFEST = 16 * 2**20
#: What the first lines of a manifest hold.
_MARK = b'"callint-release"'


def is_manifest(data: bytes) -> bool:
    """Whether a file claims to be the manifest of a release."""
    return len(data) <= MAX_MANIFEST and _MARK in data[:256]


def read_manifest(data: bytes, name: str) -> Release:
    """The release that a manifest states; InputError if it is not a manifest. ``name`` is its name there."""
    if len(data) > MAX_MANIFEST:
        raise InputError(f"{name}: it is larger than {MAX_MANIFEST >> 20} MiB, the most that callint reads")
    return _release(
        read_document(data, name, "release", "a release", "get the release from its source again")
    )


def _release(document: dict[str, Any]) -> Release:
    image, commit = document["image"], document["commit"]
    return Release(
        commit=ReleasedCommit(
            commit["id"], commit["author"], commit["email"], commit.get("date", ""), commit["subject"]
        ),
        image=_file(image),
        folder=document["folder"],
        content=image["content"],
        # To a schema 1.0 is an integer too.
        start=int(image["start"]),
        memory=ReleasedMemory(**{key: int(value) for key, value in image["memory"].items()}),
        file=_file(document["files"]["image"]),
        page=_file(document["files"]["review"]),
        definition=_file(document["definition"]),
        parts=tuple(map(_file, document["definition"]["parts"])),
        base=_file(document["base"]) if "base" in document else None,
        policy=_file(document["policy"]),
    )


def _file(fields: dict[str, Any]) -> FileDigest:
    return FileDigest(fields["path"], fields["sha256"])
