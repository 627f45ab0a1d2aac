"""callint review."""

from __future__ import annotations

import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.cli.review_builder import ReviewOptions, review_of_images
from callint.cli.revision_pairs import is_range, spelled_out
from callint.model.errors import InputError
from callint.model.shown import clean
from callint.reading.workspace import Workspace, open_workspace
from callint.reporting.review.document import Review

if TYPE_CHECKING:  # loaded when something is written
    from callint.reporting.files.destinations import Destination


@click.command()
@click.argument("words", nargs=-1, metavar="OLD NEW [PATH]...")
@click.option("--output", required=True, metavar="FILE", help="The page to write.")
@click.option("--range", "between", metavar="A..B", help="Two revisions; with three dots B since it left A.")
@click.option("--open", "opens", is_flag=True, help="Open the page in the browser.")
@click.option(
    "--date", "day", metavar="YYYY-MM-DD", help="The review's day; that of NEW's commit where absent."
)
@click.option("--log", metavar="FILE", help="A driving log: how much of its time do the changes concern?")
@click.option("--definition", metavar="FILE", help="The definition of the images, in place of the policy's.")
@click.option("--policy", metavar="FILE", help="The policy; the nearest callint.toml where absent.")
@click.option("--format", "form", type=click.Choice(["html", "json"]), default="html", show_default=True)
def command(
    words: tuple[str, ...],
    output: str,
    between: str | None,
    opens: bool,
    day: str | None,
    log: str | None,
    definition: str | None,
    policy: str | None,
    form: str,
) -> int:
    """Write a page on which a colleague reads what changed from OLD to NEW before signing it off.

    OLD and NEW are images: files, or REV:path for a file at a revision. Or both are revisions; then
    the page has all images that differ between them, or those below the PATHs. What callint check says
    about NEW stands in it, and what of it OLD has too. The page is one file, which needs no network.
    The exit status is 0 when it is written, whatever it says.
    """
    if between is not None:
        from callint.versioning.ranges import parse_range

        words = (*parse_range(between, Path.cwd()), *words)
    words = spelled_out(words)
    if len(words) < 2:
        raise click.UsageError("OLD and NEW are needed: two images, or two revisions.")
    if output == "-":
        raise InputError("--output -: a review goes into a file; name one, such as review.html")
    if opens and form != "html":
        raise click.UsageError("--open goes with a page, not with JSON.")
    wish = ReviewOptions(definition, None if day is None else _day(day), log)
    if between is not None or is_range(words):
        if definition or policy:
            raise InputError(
                "two revisions have definitions and policy of their own; leave out the named ones"
            )
        from callint.cli.review_range_builder import review_of_range

        review, workspace = review_of_range(words, wish)
    else:
        review, workspace = review_of_images(open_workspace(policy), words, wish)
    named = [word for word in (*words[:2], definition, policy, log) if word is not None]
    _write(_destination(Path(output), workspace, review, named), review, form)
    if opens:
        _open(Path(output))
    return 0


def _day(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise InputError(f"--date {text}: it is no day; write YYYY-MM-DD, such as 2026-03-31") from None


def _destination(path: Path, workspace: Workspace, review: Review, named: list[str]) -> Destination:
    """Where the page goes; InputError where that is an input, or what the policy names."""
    from callint.reporting.files.destinations import output

    inputs = {one.case.file.path for one in review.images if one.case is not None}
    places = [workspace.place(name) for name in inputs]
    return output(path, workspace, inputs=[*places, *(Path(word) for word in named)])


def _write(output: Destination, review: Review, form: str) -> None:
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.review.json import document_text, review_document

    document = review_document(review)
    if form == "json":
        text = f"{document_text(document)}\n"
    else:
        from callint.reporting.review.page import page

        text = page(document)
    replace_file(output, text.encode())


def _open(output: Path) -> None:
    """Show the page in the browser that the user has; without one say so."""
    import webbrowser

    if not webbrowser.open(output.resolve().as_uri()):
        words = f"{output}: no browser could be started; open the page yourself"
        sys.stderr.write(f"callint: {clean(words)}\n")
