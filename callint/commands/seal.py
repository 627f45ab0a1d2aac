"""callint seal."""

from __future__ import annotations

import sys

import click

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.sealing_error import sealing_error
from callint.decoding.checksum_update import Renewal, Sealed, UnsealableError, seal
from callint.decoding.checksums import stored_size
from callint.model.definition import Checksum
from callint.reading.locks import exclusive_update
from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.file_version import Content


@click.command()
@click.argument("image")
@click.option(
    "--check", "only_check", is_flag=True, help="Report stale and unverifiable checksums; write nothing."
)
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
def command(image: str, only_check: bool, definition: str | None, policy: str | None) -> int:
    """Recompute the stored checksums of IMAGE and write the image.

    Prints the changes, or nothing if no checksum is stale. If the checksum has gaps="fill", bytes that a
    partial image lacks count as fill. Otherwise callint refuses an image that holds only part of the bytes of
    a checksum. It leaves alone checksums of which the image holds no byte, and those stored outside it. With
    --check, exits with 1 if a checksum is stale or lacks bytes.
    """
    workspace = open_workspace(policy)
    name = workspace.name(image)
    if only_check:
        _, sealed = _seal(workspace, name, definition, allow_gaps=True)
    else:
        from callint.reporting.files.atomic_write import replace_file
        from callint.reporting.files.destinations import in_place

        destination = in_place(workspace.place(name))
        # No other process may write the image between reading and writing.
        with exclusive_update(destination.place(), name):
            data, sealed = _seal(workspace, name, definition)
            if sealed.renewals:
                replace_file(destination, data)
    if sealed.renewals or sealed.left:
        _print(name, sealed, only_check)
    return int(only_check and bool(sealed.renewals or sealed.left))


def _seal(
    workspace: Workspace, name: str, definition: str | None, *, allow_gaps: bool = False
) -> tuple[bytes, Sealed]:
    """The content of the sealed image file, and what changed. InputError if the image cannot be sealed."""
    content = Content(name, name, workspace.read_required(name))
    resolver = DefinitionResolver(workspace, definition)
    loaded = resolver.resolve_for_writing(content)
    file = resolver.read_for_writing(loaded, content)
    try:
        sealed = seal(file.image, loaded.definition.memory, allow_gaps=allow_gaps)
    except UnsealableError as error:
        raise sealing_error(error, loaded.definition, name) from None
    return file.with_content(sealed.image), sealed


def _print(name: str, sealed: Sealed, only_check: bool) -> None:
    from callint.reporting.terminal import console, line, width, wrapped

    terminal = console(sys.stdout)
    sentences = [_renewal_text(name, renewal, only_check) for renewal in sealed.renewals]
    sentences += [_left_text(name, checksum, only_check) for checksum in sealed.left]
    for sentence in sentences:
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line(text))


def _renewal_text(name: str, renewal: Renewal, only_check: bool) -> str:
    checksum = renewal.checksum
    digits = 2 * stored_size(checksum)
    stored, value = f"0x{renewal.stored:0{digits}X}", f"0x{renewal.value:0{digits}X}"
    if only_check:
        return f"{name}: checksum {checksum.name} is stored as {stored}, but must be {value}"
    return f"{name}: checksum {checksum.name} was {stored} and is now {value}"


def _left_text(name: str, checksum: Checksum, only_check: bool) -> str:
    if only_check:
        return f"{name}: cannot check checksum {checksum.name}: the image lacks bytes that it needs"
    return f"{name}: the image lacks bytes that checksum {checksum.name} needs; the checksum is left as it is"
