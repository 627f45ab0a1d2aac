"""callint explain."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import click

from callint.cli.options import as_options, releases_option
from callint.model.errors import InputError
from callint.reading.workspace import open_workspace

#: The most titles without a translation that are named.
_MOST_NAMES = 5


@dataclass(frozen=True, slots=True)
class ExplainOptions:
    """The arguments and options of callint explain."""

    old: str
    new: str
    output: str
    language: str
    folders: tuple[str, ...]
    definitions: tuple[str, ...]
    policy: str | None


@click.command()
@click.argument("old")
@click.argument("new")
@click.option("--output", required=True, metavar="FILE", help="File to write the page to.")
@click.option(
    "--language",
    default="en",
    show_default=True,
    metavar="TAG",
    help="Language of the page: en or de. Titles come from the definition's translations.",
)
@releases_option
@click.option(
    "--definition",
    "definitions",
    multiple=True,
    metavar="FILE",
    help="Definition file of the images (default: from the policy); twice for OLD and NEW.",
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@as_options(ExplainOptions)
def command(options: ExplainOptions) -> int:
    """Write one page in plain words for the owner of the engine: what changed from OLD to NEW, and why.

    OLD and NEW are image files, or REV:path for a file at a revision. The page is an HTML file for one sheet
    of paper: the changed settings by title and range, the commits and waivers that give the reasons, what
    happened to protection and emissions, and what stays as it was. It is derived from the files, and it
    approves nothing. The exit status is 0 if callint wrote the page, whatever it shows.
    """
    from callint.cli.explanation_builder import explain_images
    from callint.cli.review_builder import ReviewOptions
    from callint.reporting.explanation.html import LANGUAGES, page
    from callint.reporting.explanation.wording import Titles
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.files.destinations import output

    tag = options.language.lower()
    make_language = LANGUAGES.get(tag) or LANGUAGES.get(tag.partition("-")[0])
    if make_language is None:
        raise InputError(
            f"--language {options.language}: callint writes the page in {' or '.join(LANGUAGES)}"
        )
    if options.output == "-":
        raise InputError("--output -: the page needs a file; name one, such as changes.html")
    if len(options.definitions) > 2:
        raise click.UsageError("--definition can be given once, or twice for OLD and NEW.")
    arguments = (options.old, options.new)
    inputs = [Path(name) for name in (*arguments, *options.definitions, options.policy) if name is not None]
    output(Path(options.output), inputs=inputs)  # before the work, which takes a while
    explanation, workspace = explain_images(
        open_workspace(options.policy), arguments, ReviewOptions(options.definitions), options.folders
    )
    destination = output(Path(options.output), workspace, inputs=inputs)
    titles = Titles(explanation.definition, tag)
    text = page(explanation, make_language(), titles)
    replace_file(destination, text.encode())
    if titles.missing:
        _report_missing(list(titles.missing), options.language)
    return 0


def _report_missing(names: list[str], language: str) -> None:
    from callint import fmt

    listed = fmt.list_names(names, _MOST_NAMES)
    message = f"callint: no title in {language}: {listed}; the page has the definition's own"
    sys.stderr.write(f"{fmt.clean(message)}\n")
