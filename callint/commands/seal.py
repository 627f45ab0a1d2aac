"""callint seal."""

from __future__ import annotations

import sys

import click

from callint.commands.opening import Subjects
from callint.decoding.checksums import stored_size
from callint.decoding.sealing import Renewal, UnsealableError, seal
from callint.model.errors import InputError
from callint.reading.workplace import open_workplace
from callint.versioning.contents import Content


@click.command()
@click.argument("image")
@click.option(
    "--check", "only_check", is_flag=True, help="Only tell which checksums are stale; write nothing."
)
@click.option("--definition", metavar="FILE", help="The image's definition, in place of the policy's.")
@click.option("--policy", metavar="FILE", help="The policy; the nearest callint.toml where absent.")
def command(image: str, only_check: bool, definition: str | None, policy: str | None) -> int:
    """Compute the stored checksums of IMAGE anew, and write the image.

    Prints what was changed; is silent where nothing is stale. With --check, exits with 1 where
    something is. Of an image of part of the memory, those checksums are left that need bytes which it does
    not have.
    """
    workplace = open_workplace(policy)
    name = workplace.name(image)
    data = workplace.demand(name)
    content, subjects = Content(name, name, data), Subjects(workplace, definition)
    subject = subjects.whole(content)
    found = subjects.whole_file(subject, content)
    try:
        sealed = seal(found.image, subject.definition.memory)
    except UnsealableError as error:
        raise InputError(f"{subject.file.path}:{error.line}: {error}") from None
    if sealed.renewals and not only_check:
        from callint.reporting.writing import replace_file

        # A link stays a link: the file that it leads to is what is written.
        replace_file(workplace.place(name).resolve(), found.holding(sealed.image))
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


def _words(name: str, renewal: Renewal, only_check: bool) -> str:
    checksum = renewal.checksum
    digits = 2 * stored_size(checksum)
    stored, value = f"0x{renewal.stored:0{digits}X}", f"0x{renewal.value:0{digits}X}"
    if only_check:
        return f"{name}: checksum {checksum.name} is stored as {stored}, but has to be {value}"
    return f"{name}: checksum {checksum.name} was {stored} and is now {value}"
