"""callint review."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.cli.options import as_options
from callint.cli.review_builder import ReviewOptions, review_of_images
from callint.cli.revision_pairs import expand_range, is_range
from callint.fmt import clean
from callint.model.errors import InputError
from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.review import Review

if TYPE_CHECKING:  # loaded when something is written
    from callint.reporting.files.destinations import Destination


@dataclass(frozen=True, slots=True)
class ReviewCommandOptions:
    """The arguments and options of callint review."""

    arguments: tuple[str, ...]
    output: str
    between: str | None
    opens: bool
    day: str | None
    log: str | None
    definitions: tuple[str, ...]
    policy: str | None
    form: str
    fragment_bytes: int | None


@click.command()
@click.argument("arguments", nargs=-1, metavar="OLD NEW [PATH]...")
@click.option("--output", required=True, metavar="FILE", help="File to write the page to.")
@click.option(
    "--range", "between", metavar="A..B", help="Compare two revisions; A...B compares B with the merge base."
)
@click.option("--open", "opens", is_flag=True, help="Open the page in a browser.")
@click.option(
    "--date", "day", metavar="YYYY-MM-DD", help="Date of the review (default: date of NEW's commit)."
)
@click.option(
    "--log", metavar="FILE", help="Driving log; show the share of its time that the changes affect."
)
@click.option(
    "--definition",
    "definitions",
    multiple=True,
    metavar="FILE",
    help="Definition file of the images (default: from the policy); twice for OLD and NEW.",
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option(
    "--format",
    "form",
    type=click.Choice(["html", "json", "html-fragment"]),
    default="html",
    show_default=True,
)
@click.option(
    "--fragment-bytes",
    type=click.IntRange(8_000, 10_000_000),
    metavar="NUMBER",
    help="Largest size of --format html-fragment, which goes into a comment (default: 60000).",
)
@as_options(ReviewCommandOptions)
def command(options: ReviewCommandOptions) -> int:
    """Write an HTML page that shows a colleague what changed from OLD to NEW, for review before sign-off.

    OLD and NEW are image files, or REV:path for a file at a revision. Both can also be revisions; then the
    page shows every image that differs between them, or only those below PATH. The page lists the findings of
    callint check for NEW, and marks those that OLD has too. It is a single file and needs no network. The
    exit status is 0 if callint wrote the page, whatever it shows.

    Images of two software versions are compared as callint diff compares them: by table name, at the
    breakpoints of both.
    """
    arguments = options.arguments
    if options.between is not None:
        from callint.versioning.ranges import parse_range

        arguments = (*parse_range(options.between, Path.cwd()), *arguments)
    arguments = expand_range(arguments)
    if len(arguments) < 2:
        raise click.UsageError("Missing OLD and NEW: pass two images, or two revisions.")
    if options.output == "-":
        raise InputError("--output -: a review needs a file; name one, such as review.html")
    if options.opens and options.form != "html":
        raise click.UsageError("--open works only with --format html.")
    if options.fragment_bytes is not None and options.form != "html-fragment":
        raise click.UsageError("--fragment-bytes works only with --format html-fragment.")
    day = None if options.day is None else _day(options.day)
    if len(options.definitions) > 2:
        raise click.UsageError("--definition can be given once, or twice for OLD and NEW.")
    output = Path(options.output)
    named = [*arguments[:2], *options.definitions, options.policy, options.log]
    inputs = [name for name in named if name is not None]
    _refuse_early(output, inputs)
    build_options = ReviewOptions(options.definitions, day, options.log)
    if options.between is not None or is_range(arguments):
        if options.definitions or options.policy:
            raise InputError(
                "two revisions have definitions and policy of their own; leave out the named ones"
            )
        from callint.cli.review_range_builder import review_of_range

        review, workspace = review_of_range(arguments, build_options)
    else:
        review, workspace = review_of_images(open_workspace(options.policy), arguments, build_options)
    _write(_destination(output, workspace, review, inputs), review, options)
    if options.opens:
        _open(output)
    return 0


def _day(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise InputError(f"--date {text}: it is not a date; write YYYY-MM-DD, such as 2026-03-31") from None


def _refuse_early(path: Path, inputs: list[str]) -> None:
    """InputError if no page can be written there, whatever it shows: to build it takes a while."""
    from callint.reporting.files.destinations import output

    output(path, inputs=map(Path, inputs))


def _destination(path: Path, workspace: Workspace, review: Review, inputs: list[str]) -> Destination:
    """The destination of the page; InputError if it is an input, or if the policy names it."""
    from callint.reporting.files.destinations import output

    definitions = {image.context.file.path for image in review.images if image.context is not None}
    definitions |= {image.versions.definition for image in review.images if image.versions is not None}
    paths = [workspace.place(name) for name in definitions]
    return output(path, workspace, inputs=[*paths, *map(Path, inputs)])


def _write(output: Destination, review: Review, options: ReviewCommandOptions) -> None:
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.review.json import document_text, review_document

    document = review_document(review)
    if options.form == "json":
        text = f"{document_text(document)}\n"
    elif options.form == "html-fragment":
        from callint.reporting.review.fragment import DEFAULT_BYTES, fragment

        text = fragment(document, options.fragment_bytes or DEFAULT_BYTES)
    else:
        from callint.reporting.review.html import page

        text = page(document)
    replace_file(output, text.encode())


def _open(output: Path) -> None:
    """Open the page in the user's browser, or say that there is none."""
    import webbrowser

    if not webbrowser.open(output.resolve().as_uri()):
        message = f"{output}: no browser could be started; open the page yourself"
        sys.stderr.write(f"callint: {clean(message)}\n")
