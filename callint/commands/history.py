"""callint history."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import click

from callint.cli.cell_option import cell_indexes
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.name_selection import table_selection
from callint.cli.options import as_options
from callint.cli.progress import LONG_HISTORY, progress
from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.model.definition import FixedAxis, StoredAxis, Text
from callint.model.errors import InputError
from callint.reading.workspace import Workspace, open_workspace
from callint.versioning.attribution import Attribution, ValueTrail
from callint.versioning.file_version import Content
from callint.versioning.history import HistoryQuery, ImageHistory, open_history
from callint.versioning.repository_file import RepositoryFile, find_image


@dataclass(frozen=True, slots=True)
class HistoryOptions:
    """The arguments and options of callint history."""

    image: str
    tables: tuple[str, ...]
    cell: str | None
    values: bool
    fleet: bool
    rev: str | None
    everything: bool
    definition: str | None
    policy: str | None
    form: str


@click.command()
@click.argument("image")
@click.argument("tables", nargs=-1, metavar="[TABLE]...")
@click.option(
    "--cell", metavar="X,Y", help="List every value of the cell at these breakpoints, newest first."
)
@click.option("--values", is_flag=True, help="List every value of the scalar or text TABLE, newest first.")
@click.option(
    "--fleet",
    is_flag=True,
    help="With --cell or --values: name the images that had the present value before.",
)
@click.option("--rev", metavar="REV", help="Start from REV (default: the working tree).")
@click.option("--all", "everything", is_flag=True, help="Also list tables that never changed.")
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@as_options(HistoryOptions)
def command(options: HistoryOptions) -> int:
    """Show which commit last set each cell of IMAGE, with its author, date and subject.

    Without TABLE, prints one line for each table that changed since the image's first commit, newest change
    first. With TABLE, a name or glob of tables and axes, prints their values, each marked with the letter of
    its commit.

    With --cell or --values, prints every value that one cell, scalar or text ever had. IMAGE can be REV:path.
    --fleet adds the other image of the policy that last had the present value before this image got it, the
    image from which that one may have it, and so on. Equal values are evidence of a copy, not proof.

    callint follows renames and merges. It reads all versions with the current definition. If an older version
    holds different software, the history ends there, and the output says so.
    """
    workspace, file, content = _read(options)
    resolver = DefinitionResolver(workspace, options.definition)
    loaded = resolver.resolve(content)
    decoded = loaded.decoded(resolver.read_image(loaded, content))
    items = _items(decoded, options.tables)
    query = None
    if options.fleet and not (options.cell is not None or options.values):
        raise click.UsageError("--fleet needs --cell or --values.")
    if options.cell is not None or options.values:
        query = _query(decoded, items, options.tables, options.cell)
    history = open_history(file, loaded.layout, content.data, resolver.start_of(content))
    report = _HistoryReport(decoded, content.name, loaded.file.path, options.form)
    if query is not None:
        trail = None
        if options.fleet:
            trail = _trail(resolver, file, content, decoded, query, history)
        report.print_values(query, history, trail)
    else:
        with progress("walking back", history.commit_count, LONG_HISTORY) as step:
            attribution = history.attribution(step)
        report.print_attribution(items, bool(options.tables), options.everything, attribution)
    return 0


def _read(options: HistoryOptions) -> tuple[Workspace, RepositoryFile, Content]:
    """The workspace, the place of the image in its repository, and its content."""
    workspace = open_workspace(options.policy)
    file = find_image(options.image, options.rev)
    if file.revision is None:
        if not Path(options.image).exists():
            remedy = "check the path, or name a commit that has it, as --rev HEAD~1"
            raise InputError(f"{options.image}: it does not exist; {remedy}")
        name = workspace.name(options.image)
        return workspace, file, Content(name, name, workspace.read_required(name))
    if not workspace.policy.path and options.definition is None:
        from callint.versioning.revisions import workspace_at

        workspace = workspace_at(file.revision)
    return workspace, file, Content(file.name, file.path_from(workspace.root), file.read())


def _trail(
    resolver: DefinitionResolver,
    file: RepositoryFile,
    content: Content,
    decoded: Decoded,
    query: HistoryQuery,
    history: ImageHistory,
) -> ValueTrail:
    """The images that had the present value of a cell before; InputError for a text."""
    from callint.checking.fleet.changed_cells import same_cells
    from callint.versioning.fleet_history import FleetHistory

    if isinstance(query.item, Text):
        raise InputError(f"{query.item.name}: it is a text; --fleet follows the cells of tables")
    if not resolver.policy.path:
        raise InputError("--fleet needs a policy that names the images; run callint init first")
    loaded = resolver.resolve(content)
    grid = decoded.grid(query.item)
    base_name, base = resolver.read_base(loaded, content, decoded.image, None)
    if base is not None and same_cells(loaded.decoded(base).grid(query.item), grid)[query.y, query.x]:
        return ValueTrail(base_name, ())
    newest = next(iter(history.query(query)))
    fleet = FleetHistory(
        file.repo, resolver.workspace, loaded.definition, grid, (query.x, query.y), file.revision or "HEAD"
    )
    with progress("looking at other images", fleet.image_count, LONG_HISTORY) as step:
        return ValueTrail("", tuple(fleet.trail(file.path, newest.origin.id, step)))


@dataclass(frozen=True, slots=True)
class _HistoryReport:
    """Prints histories of an image in one form. ``image`` and ``definition`` are names for people."""

    decoded: Decoded
    image: str
    definition: str
    form: str

    def print_values(self, query: HistoryQuery, history: ImageHistory, trail: ValueTrail | None) -> None:
        """Print all values of one cell or text, and the images that had the present one before."""
        settings = list(history.query(query))
        if self.form == "json":
            from callint.reporting.history.json import values_document

            _write(values_document(self.decoded, query, settings, self.image, self.definition, trail))
        else:
            from callint.reporting.history.text import print_trail, print_values
            from callint.reporting.terminal import console

            print_values(self.decoded, query, settings, console(sys.stdout))
            if trail is not None:
                print_trail(trail, console(sys.stdout))

    def print_attribution(
        self, items: list[Item | Text], is_selection: bool, everything: bool, attribution: Attribution
    ) -> None:
        """Print which commits last set the items; without a selection, only items that changed."""
        layout = self.decoded.layout
        reported = [
            item
            for item in items
            if is_selection or everything or attribution.later(attribution.of(layout, item)).any()
        ]
        if self.form == "json":
            from callint.reporting.history.json import history_document

            _write(history_document(self.decoded, attribution, reported, self.image, self.definition))
            return
        from callint.reporting.history.text import print_items, print_overview
        from callint.reporting.terminal import console

        terminal = console(sys.stdout)
        if is_selection:
            print_items(self.decoded, attribution, reported, terminal)
        else:
            print_overview(self.decoded, attribution, reported, len(items), self.image, terminal)


def _write(document: object) -> None:
    sys.stdout.write(json.dumps(document, indent=1, allow_nan=False) + "\n")


def _items(decoded: Decoded, globs: tuple[str, ...]) -> list[Item | Text]:
    """The tables, stored axes and texts in the order of the definition; with globs, those that match any."""
    definition = decoded.layout.definition
    items: list[Item | Text] = [*decoded.layout.items, *definition.texts.values()]
    items.sort(key=lambda item: item.line)
    if not globs:
        return items
    names = table_selection(definition, globs)
    selected = [item for item in items if item.name in names]
    if not selected:
        listed = ", ".join(sorted(names))
        if all(isinstance(definition.axes.get(name), FixedAxis) for name in names):
            raise InputError(f"{listed}: the definition fixes its breakpoints; no commit sets them")
        curves = {axis.curve for axis in definition.derived_axes if axis.name in names}
        if curves:
            raise InputError(f"{listed}: its breakpoints follow from {', '.join(sorted(curves))}; name that")
        raise InputError(
            f"{listed}: the definition does not say how to read it; run callint check for details"
        )
    return selected


def _query(
    decoded: Decoded, items: list[Item | Text], globs: tuple[str, ...], cell: str | None
) -> HistoryQuery:
    """The cell or text whose values are to be listed; InputError if it is not a single one."""
    items = [item for item in items if not isinstance(item, StoredAxis)] or items
    if not globs or len(items) != 1:
        raise InputError("--cell and --values need one table; pass its name after the image")
    (item,) = items
    if isinstance(item, StoredAxis):
        raise InputError(f"{item.name}: it is an axis; --cell and --values work on the cells of a table")
    axes = () if isinstance(item, Text) else item.axes
    if cell is not None and not axes:
        raise InputError(f"{item.name}: it has only one value; use --values without --cell")
    x, y = cell_indexes(decoded, item.name, axes, cell or "")
    return HistoryQuery(item, x, y)
