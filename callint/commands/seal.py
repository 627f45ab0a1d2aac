"""callint seal."""

from __future__ import annotations

import sys

import click

from callint.cli.image_loading import DefinitionResolver
from callint.decoding.checksum_update import Renewal, Sealed, UnsealableError, seal
from callint.decoding.checksums import stored_size
from callint.model.errors import InputError
from callint.reading.locks import exclusive_update
from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.file_version import Content


@click.command()
@click.argument("image")
@click.option("--check", "only_check", is_flag=True, help="Report stale checksums; write nothing.")
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
def command(image: str, only_check: bool, definition: str | None, policy: str | None) -> int:
    """Recompute the stored checksums of IMAGE and write the image.

    Prints the changes, or nothing if no checksum is stale. With --check, exits with 1 if a checksum is stale.
    In a partial image, checksums over missing bytes are left alone.
    """
    workspace = open_workspace(policy)
    name = workspace.name(image)
    if only_check:
        _, sealed = _sealed(workspace, name, definition)
    else:
        from callint.reporting.files.atomic_write import replace_file
        from callint.reporting.files.destinations import in_place

        destination = in_place(workspace.place(name))
        # Nobody else may write it between the reading and the writing.
        with exclusive_update(destination.place(), name):
            data, sealed = _sealed(workspace, name, definition)
            if sealed.renewals:
                replace_file(destination, data)
    if sealed.renewals or sealed.left:
        from callint.reporting.terminal import console, line, width, wrapped

        terminal = console(sys.stdout)
        told = [_words(name, renewal, only_check) for renewal in sealed.renewals]
        told += [
            f"{name}: checksum {one.name} needs bytes that the image does not have, and is left as it is"
            for one in sealed.left
        ]
        for words in told:
            for text in wrapped(words, width(terminal)):
                terminal.print(line(text))
    return int(only_check and bool(sealed.renewals))


def _sealed(workspace: Workspace, name: str, definition: str | None) -> tuple[bytes, Sealed]:
    """What an image is to be as a file, and what was done to it. InputError where it cannot be sealed."""
    content, subjects = (
        Content(name, name, workspace.read_required(name)),
        DefinitionResolver(workspace, definition),
    )
    subject = subjects.whole(content)
    found = subjects.whole_file(subject, content)
    try:
        sealed = seal(found.image, subject.definition.memory)
    except UnsealableError as error:
        raise InputError(f"{subject.file.path}:{error.line}: {error}") from None
    return found.with_content(sealed.image), sealed


def _words(name: str, renewal: Renewal, only_check: bool) -> str:
    checksum = renewal.checksum
    digits = 2 * stored_size(checksum)
    stored, value = f"0x{renewal.stored:0{digits}X}", f"0x{renewal.value:0{digits}X}"
    if only_check:
        return f"{name}: checksum {checksum.name} is stored as {stored}, but has to be {value}"
    return f"{name}: checksum {checksum.name} was {stored} and is now {value}"
