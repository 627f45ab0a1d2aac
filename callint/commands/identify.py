"""callint identify."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass

import click

from callint.checking.definition_fit import Identification, definition_paths, identify
from callint.checking.loading import ImageLoader
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.options import as_options
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.errors import InputError
from callint.reading.definition_file import problem_place
from callint.reading.images import DamagedError
from callint.reading.workspace import Workspace
from callint.reporting.identification.json import identification_document


@dataclass(frozen=True, slots=True)
class IdentifyOptions:
    """The arguments and options of callint identify."""

    images: tuple[str, ...]
    definition: str | None
    policy: str | None
    form: str


@click.command()
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...")
@click.option(
    "--definition", metavar="FILE", help="Try this definition only (default: all in the repository)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@as_options(IdentifyOptions)
def command(options: IdentifyOptions) -> int:
    """Say which definition of the repository fits each IMAGE.

    Tries the policy's definitions and every definition file in the repository. A definition fits if the image
    contradicts no identity and has its size, at least 90 % of the axes rise or fall throughout, and at least
    90 % of the tables lie within their limits. If none fits, prints the nearest ones: which identity bytes
    differ, and how many checks fail.

    Exits with 0 if exactly one definition fits each image, and with 1 if none or several do.
    """
    workspace = workspace_for(options.policy, options.definition, *options.images)
    contents = [read_content(workspace, name) for name in options.images]
    loader = ImageLoader(workspace)
    definitions = _definitions(workspace, loader, options.definition)
    results: list[Identification] = []
    for content in contents:
        if not content.data:
            raise InputError(f"{content.name}: the image is empty; read it out again")
        try:
            result = identify(content.name, content.data, definitions, workspace.policy, loader)
        except DamagedError as error:
            line = error.damages[0]
            raise InputError(
                f"{content.name}:{line.line}: {line.message}; get the file from its source again"
            ) from None
        results.append(result)
    if options.form == "json":
        sys.stdout.write(json.dumps(identification_document(results), indent=2, ensure_ascii=False) + "\n")
    else:
        from callint.reporting.identification.text import print_identification
        from callint.reporting.terminal import console

        terminal = console(sys.stdout)
        for number, result in enumerate(results):
            if number:
                terminal.print()
            print_identification(result, terminal)
    return int(any(len(result.fitting) != 1 for result in results))


def _definitions(workspace: Workspace, loader: ImageLoader, named: str | None) -> list[LoadedDefinition]:
    """The definitions to try; InputError if there is none, or if the named one gives none."""
    paths = definition_paths(workspace.policy, workspace.tree) if named is None else (workspace.name(named),)
    loaded = []
    problems = []
    for path in paths:
        result = loader.load(path)
        if result.loaded is not None:
            loaded.append(result.loaded)
        else:
            problem = result.file.problems[0]
            problems.append(f"{problem_place(problem) if problem.line else path}: {problem.message}")
    if not loaded:
        if problems:
            raise InputError(f"{problems[0]}; correct the definition")
        raise InputError(
            "no definition in this folder; run callint init, or name a definition with --definition"
        )
    for text in problems:
        sys.stderr.write(f"callint: {text}; callint tries the other definitions only\n")
    return loaded
