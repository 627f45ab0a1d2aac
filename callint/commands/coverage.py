"""callint coverage."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass

import click

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.options import as_options
from callint.decoding.coverage import measure_coverage
from callint.reporting.coverage.json import coverage_document


@dataclass(frozen=True, slots=True)
class CoverageOptions:
    """The arguments and options of callint coverage."""

    images: tuple[str, ...]
    base: str | None
    definition: str | None
    policy: str | None
    form: str
    everything: bool


@click.command()
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...")
@click.option("--base", metavar="FILE", help="Factory image to compare with (default: from the policy).")
@click.option(
    "--definition", metavar="FILE", help="Definition file of the images (default: from the policy)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="List every undescribed stretch.")
@as_options(CoverageOptions)
def command(options: CoverageOptions) -> int:
    """Show how much of each region the definition of IMAGE describes.

    Prints for each region the bytes of tables, axes and texts, the fill, and the stretches that the
    definition does not describe, with their addresses and lengths. Stretches that differ between an IMAGE and
    its base come first: somebody changed what nobody described. All images have one definition and one base.
    """
    workspace = workspace_for(options.policy, options.definition, *options.images)
    contents = [read_content(workspace, name) for name in options.images]
    resolver = DefinitionResolver(workspace, options.definition)
    loaded = resolver.resolve(*contents)
    images = [resolver.read_image(loaded, content) for content in contents]
    base_name, base = resolver.read_base(loaded, contents[0], images[0], options.base)
    coverage = measure_coverage(loaded, images, base)
    names = loaded.file.path, [content.name for content in contents], base_name if base else ""
    if options.form == "json":
        document = coverage_document(coverage, *names)
        sys.stdout.write(json.dumps(document, indent=2, ensure_ascii=False) + "\n")
    else:
        from callint.reporting.coverage.text import print_coverage
        from callint.reporting.terminal import console

        print_coverage(coverage, names, console(sys.stdout), options.everything)
    return 0
