"""callint coverage."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.options import as_options
from callint.cli.progress import progress
from callint.decoding.coverage import Coverage, measure_coverage
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.image import Image
from callint.reporting.coverage.json import coverage_document

if TYPE_CHECKING:
    from callint.decoding.table_suggestions.suggest import Suggestions

#: From this number of undescribed bytes on, a bar is useful.
_LONG = 32768


@dataclass(frozen=True, slots=True)
class CoverageOptions:
    """The arguments and options of callint coverage."""

    images: tuple[str, ...]
    base: str | None
    definition: str | None
    policy: str | None
    form: str
    everything: bool
    suggest: bool


@click.command()
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...")
@click.option("--base", metavar="FILE", help="Factory image to compare with (default: from the policy).")
@click.option(
    "--definition", metavar="FILE", help="Definition file of the images (default: from the policy)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="List every undescribed range.")
@click.option(
    "--suggest",
    is_flag=True,
    help="Suggest axes and tables for the undescribed bytes of regions with tables.",
)
@as_options(CoverageOptions)
def command(options: CoverageOptions) -> int:
    """Show how much of each region the definition of IMAGE describes.

    Prints for each region the bytes of tables, axes and texts, the fill, and the ranges that the definition
    does not describe, with their addresses and lengths. Ranges that differ between an IMAGE and its base come
    first. All images must have the same definition and base.

    With --suggest, callint says what may lie there: axes, curves and maps, with their addresses, types and
    sizes, the evidence for each, and the lines that describe them in a definition. About 1 of 20 is wrong, so
    review each before you paste it; callint never writes them into a definition.
    """
    workspace = workspace_for(options.policy, options.definition, *options.images)
    contents = [read_content(workspace, name) for name in options.images]
    resolver = DefinitionResolver(workspace, options.definition)
    loaded = resolver.resolve(*contents)
    images = [resolver.read_image(loaded, content) for content in contents]
    base_name, base = resolver.read_base(loaded, contents[0], images[0], options.base)
    coverage = measure_coverage(loaded, images, base)
    names = loaded.file.path, [content.name for content in contents], base_name if base else ""
    suggestions = _suggestions(loaded, coverage, images, base) if options.suggest else None
    if options.form == "json":
        document = coverage_document(coverage, *names, suggestions)
        sys.stdout.write(json.dumps(document, indent=2, ensure_ascii=False) + "\n")
    else:
        from callint.reporting.coverage.text import print_coverage, print_suggestions
        from callint.reporting.terminal import console

        terminal = console(sys.stdout)
        print_coverage(coverage, names, terminal, options.everything)
        if suggestions is not None:
            print_suggestions(loaded.definition, suggestions, names[1], terminal)
    return 0


def _suggestions(
    loaded: LoadedDefinition, coverage: Coverage, images: Sequence[Image], base: Image | None
) -> Suggestions:
    """The suggestions for the undescribed ranges of the parts with tables; of all parts if none has any."""
    from callint.decoding.table_suggestions.suggest import MOST_BYTES, suggest_tables

    parts = [part for part in coverage.parts if part.described] or coverage.parts
    stretches = {(stretch.start, stretch.size) for part in parts for stretch in part.stretches}
    total = min(sum(size for _, size in stretches), MOST_BYTES)
    with progress("looking for tables", total, _LONG) as step:
        return suggest_tables(loaded, sorted(stretches), images, base, step)
