"""callint show --plain: the text form of an image, which git compares in place of its bytes."""

from __future__ import annotations

import sys
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.git_file import read_git_file
from callint.cli.image_loading import read_content, workspace_for
from callint.fmt import address, clean
from callint.model.errors import InputError
from callint.reading.definition_sniff import looks_like_definition
from callint.reading.tree import POLICY
from callint.reading.workspace import open_workspace
from callint.versioning.file_version import Content


def renew_cache_key(policy: str | None) -> None:
    """Make git forget text forms by an older policy or older definitions; do nothing outside a repository."""
    from callint.versioning.git.repository import open_repository
    from callint.versioning.textconv_cache import renew_key

    with suppress(InputError):
        workspace = open_workspace(policy)
        repo = open_repository(Path.cwd(), bare=True)
        renew_key(repo, workspace.root, workspace.policy.path or POLICY)


def print_text_form(image: str, definition: str | None, policy: str | None) -> int:
    """Print the text form. git calls this on a copy under another name, so any definition that fits serves.

    For an existing file the exit status is always 0, whatever its content and even without a policy, or git
    shows nothing at all.
    """
    from callint.reporting.tables.textconv import plain_lines

    file, stored = Path(image), b""
    lines: Iterable[str]
    try:
        if file.exists():
            # git names its copies differently each time, and a name in the output would show as a change.
            git_file = read_git_file(file, file.name)
            stored = git_file.stored
            if looks_like_definition(git_file.content):
                return _print_definition(git_file.content, file.name)
            workspace = workspace_for(policy, definition, image)
            content = Content(git_file.name, workspace.label(file), git_file.content)
        else:
            workspace = workspace_for(policy, definition, image)
            content = read_content(workspace, image)
            if looks_like_definition(content.data):
                return _print_definition(content.data, content.name)
        loaded, decodable = DefinitionResolver(workspace, definition).match(content)
        lines = plain_lines(loaded.decoded(decodable))
    except InputError as error:
        if not file.exists():
            raise
        lines = [error.lines[0], *_checksum_lines(stored)]
    for line in lines:
        sys.stdout.write(f"{clean(line)}\n")
    return 0


def _print_definition(data: bytes, name: str) -> int:
    """Print the text form of a definition, or the lines of the file if it is not a valid definition."""
    from callint.reading.definition_cache import open_definition
    from callint.reporting.definition.textconv import definition_lines

    definition = open_definition(data, name).definition
    lines: Iterable[str] = data.decode("utf-8", "replace").splitlines()
    for line in lines if definition is None else definition_lines(definition):
        sys.stdout.write(f"{clean(line)}\n")
    return 0


def _checksum_lines(data: bytes) -> Iterator[str]:
    """A checksum line for each block of 256 bytes, for an image without a definition."""
    for start in range(0, len(data), 256):
        yield f"bytes at {address(start)}: sum {zlib.crc32(data[start : start + 256]):08x}"
