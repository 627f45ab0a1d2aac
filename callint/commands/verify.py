"""callint verify."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import click

from callint import fmt
from callint.cli.image_loading import read_content
from callint.cli.known_images import find_known_images
from callint.cli.options import as_options, releases_option
from callint.cli.progress import progress
from callint.cli.read_back import parse_address, place_read_back
from callint.reading.workspace import open_workspace
from callint.versioning.verification import Verification, exact_matches, surplus, verify

#: From this number of known images on, a progress bar is useful.
_LONG = 200


@dataclass(frozen=True, slots=True)
class VerifyOptions:
    """The arguments and options of callint verify."""

    image: str
    folders: tuple[str, ...]
    signed: bool
    start: str | None
    definition: str | None
    policy: str | None
    form: str
    everything: bool


@click.command()
@click.argument("image")
@releases_option
@click.option("--signed", is_flag=True, help="Require a release with a valid signature.")
@click.option("--start", metavar="ADDRESS", help="Address of the first byte of a raw IMAGE.")
@click.option("--definition", metavar="FILE", help="Definition file of IMAGE (default: the one that fits).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="Show every changed cell.")
@as_options(VerifyOptions)
def command(options: VerifyOptions) -> int:
    """Say which release IMAGE is, such as one that was read out of an engine.

    callint looks for the content of IMAGE, whatever its format and name: in the releases beside IMAGE, in
    DIR, in the working tree and in every commit, and then among all versions of all images in the history.
    If none has it, callint shows how IMAGE differs from the nearest one.

    IMAGE can hold a part of the memory. Its bytes are then compared with those of the releases.

    Exits with 0 if IMAGE is a release whose signatures are valid and whose files match its manifest.
    Otherwise exits with 1.
    """
    start = None if options.start is None else parse_address(options.start)
    workspace = open_workspace(options.policy)
    content = read_content(workspace, options.image)
    read_back = None
    if options.definition is not None:
        read_back = place_read_back(workspace, content, options.definition, start)
    known = find_known_images(workspace, options.folders, Path(options.image), len(content.data), _warn)
    matches = exact_matches(content.data, known)
    if matches:
        counts = len(known.releases), len(known.versions)
        odd = surplus(content.data, matches[0])
        result = Verification(content.name, *counts, tuple(matches), surplus=odd)
        beyond = 0
    else:
        read_back = read_back or place_read_back(workspace, content, None, start)
        total = len(known.releases) + len(known.versions)
        with progress("comparing", total, _LONG) as step:
            result = verify(content.name, read_back.image, read_back.loaded, known, step)
        beyond = read_back.beyond
    if options.form == "json":
        from callint.reporting.verification.json import verification_document

        document = verification_document(result, signed=options.signed)
        sys.stdout.write(json.dumps(document, indent=1, allow_nan=False) + "\n")
    else:
        from callint.reporting.terminal import console
        from callint.reporting.verification.text import print_verification

        print_verification(result, console(sys.stdout), everything=options.everything, signed=options.signed)
    if beyond:
        last = fmt.count(beyond, "byte")
        _warn(f"{content.name}: callint does not compare the last {last}, after the end of the memory")
    return int(not result.is_verified(signed=options.signed))


def _warn(text: str) -> None:
    sys.stderr.write(f"callint: {fmt.clean(text)}\n")
