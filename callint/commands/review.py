"""callint review."""

from __future__ import annotations

import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.cli.review_builder import ReviewOptions, review_of_images
from callint.cli.revision_pairs import is_range, spelled_out
from callint.fmt import clean
from callint.model.errors import InputError
from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.review import Review

if TYPE_CHECKING:  # loaded when something is written
    from callint.reporting.files.destinations import Destination


@click.command()
@click.argument("words", nargs=-1, metavar="OLD NEW [PATH]...")
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
    "--definition", metavar="FILE", help="Definition file of the images (default: from the policy)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
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
    """Write an HTML page that shows a colleague what changed from OLD to NEW, for review before sign-off.

    OLD and NEW are image files, or REV:path for a file at a revision. Both can also be revisions; then the
    page shows every image that differs between them, or only those below PATH. The page lists the findings of
    callint check for NEW, and marks those that OLD has too. It is a single file and needs no network. The
    exit status is 0 if callint wrote the page, whatever it shows.
    """
    if between is not None:
        from callint.versioning.ranges import parse_range

        words = (*parse_range(between, Path.cwd()), *words)
    words = spelled_out(words)
    if len(words) < 2:
        raise click.UsageError("Missing OLD and NEW: pass two images, or two revisions.")
    if output == "-":
        raise InputError("--output -: a review needs a file; name one, such as review.html")
    if opens and form != "html":
        raise click.UsageError("--open works only with --format html.")
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
        raise InputError(f"--date {text}: it is not a date; write YYYY-MM-DD, such as 2026-03-31") from None


def _destination(path: Path, workspace: Workspace, review: Review, named: list[str]) -> Destination:
    """Where the page goes; InputError where that is an input, or what the policy names."""
    from callint.reporting.files.destinations import output

    inputs = {image.context.file.path for image in review.images if image.context is not None}
    places = [workspace.place(name) for name in inputs]
    return output(path, workspace, inputs=[*places, *(Path(word) for word in named)])


def _write(output: Destination, review: Review, form: str) -> None:
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.review.json import document_text, review_document

    document = review_document(review)
    if form == "json":
        text = f"{document_text(document)}\n"
    else:
        from callint.reporting.review.html import page

        text = page(document)
    replace_file(output, text.encode())


def _open(output: Path) -> None:
    """Show the page in the browser that the user has; without one say so."""
    import webbrowser

    if not webbrowser.open(output.resolve().as_uri()):
        words = f"{output}: no browser could be started; open the page yourself"
        sys.stderr.write(f"callint: {clean(words)}\n")
