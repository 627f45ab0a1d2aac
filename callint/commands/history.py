"""callint history."""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from dataclasses import dataclass

import click

from callint import fmt
from callint.cli.image_loading import DefinitionResolver, table_selection
from callint.cli.progress import progress
from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.model.definition import FixedAxis, StoredAxis, Text
from callint.model.errors import InputError
from callint.reading.workspace import open_workspace
from callint.rules.context import CheckContext
from callint.versioning.file_version import Content
from callint.versioning.history import Attribution, HistoryQuery, ImageHistory, find_image, open_history

#: From so many commits on the work is long enough for a progress bar.
_LONG = 200


@click.command()
@click.argument("image")
@click.argument("tables", nargs=-1, metavar="[TABLE]...")
@click.option(
    "--cell", metavar="X,Y", help="List every value of the cell at these breakpoints, newest first."
)
@click.option("--values", is_flag=True, help="List every value of the scalar or text TABLE, newest first.")
@click.option("--rev", metavar="REV", help="Start from REV (default: the working tree).")
@click.option("--all", "everything", is_flag=True, help="Also list tables that never changed.")
@click.option("--definition", metavar="FILE", help="Definition file of the image (default: from the policy).")
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
def command(
    image: str,
    tables: tuple[str, ...],
    cell: str | None,
    values: bool,
    rev: str | None,
    everything: bool,
    definition: str | None,
    policy: str | None,
    form: str,
) -> int:
    """Show which commit last set each cell of IMAGE, with its author, date and subject.

    Without TABLE, prints one line for each table that changed since the image's first commit, newest change
    first. With TABLE, a name or glob of tables and axes, prints their values, each marked with the letter of
    its commit.

    With --cell or --values, prints every value that one cell, scalar or text ever had. IMAGE can be REV:path.

    callint follows renames and merges. It reads all versions with the current definition. If an older version
    holds different software, the history ends there, and the output says so.
    """
    workspace = open_workspace(policy)
    place = find_image(image, rev)
    if place.revision is None:
        name = workspace.name(image)
        content = Content(name, name, workspace.read_required(name))
    else:
        if not workspace.policy.path and definition is None:
            from callint.versioning.revisions import workspace_at

            workspace = workspace_at(place.revision)
        content = Content(place.name, place.below(workspace.root), place.read())
    subjects = DefinitionResolver(workspace, definition)
    subject = subjects.of(content)
    decoded = CheckContext(subject, subjects.image(subject, content)).new
    items = _items(decoded, tables)
    asked = _asked(decoded, items, tables, cell) if cell is not None or values else None
    history = open_history(place, subject.layout, content.data, subjects.start_of(content))
    report = _Report(decoded, content.name, subject.file.path, form)
    if asked is not None:
        report.values(asked, history)
    else:
        with progress("walking back", history.commits, _LONG) as step:
            found = history.attribution(step)
        report.attribution(items, bool(tables), everything, found)
    return 0


@dataclass(frozen=True, slots=True)
class _Report:
    """What is reported about, and in which form."""

    decoded: Decoded
    image: str
    definition: str
    form: str

    def values(self, asked: HistoryQuery, history: ImageHistory) -> None:
        """All values of one cell or text."""
        item = asked.item
        found = (
            history.text_values(item)
            if isinstance(item, Text)
            else history.cell_values(item, asked.x, asked.y)
        )
        if self.form == "json":
            from callint.reporting.history.json import values_document

            _write(values_document(self.decoded, asked, list(found), self.image, self.definition))
        else:
            from callint.reporting.history.text import print_values
            from callint.reporting.terminal import console

            print_values(self.decoded, asked, list(found), console(sys.stdout))

    def attribution(
        self, items: list[Item | Text], is_selection: bool, everything: bool, found: Attribution
    ) -> None:
        """Who last set what."""
        reported = [
            item
            for item in items
            if is_selection or everything or found.later(found.of(self.decoded.layout, item)).any()
        ]
        if self.form == "json":
            from callint.reporting.history.json import history_document

            _write(history_document(self.decoded, found, reported, self.image, self.definition))
        else:
            from callint.reporting.history.text import print_items, print_overview
            from callint.reporting.terminal import console

            if is_selection:
                print_items(self.decoded, found, reported, console(sys.stdout))
            else:
                print_overview(self.decoded, found, reported, len(items), self.image, console(sys.stdout))


def _write(document: object) -> None:
    sys.stdout.write(json.dumps(document, indent=1, allow_nan=False) + "\n")


def _items(decoded: Decoded, globs: tuple[str, ...]) -> list[Item | Text]:
    """The tables, stored axes and texts that match any of the globs, or all of them, by line."""
    definition = decoded.layout.definition
    items: list[Item | Text] = [*decoded.layout.items, *definition.texts.values()]
    items.sort(key=lambda item: item.line)
    if not globs:
        return items
    names = table_selection(definition, globs)
    found = [item for item in items if item.name in names]
    if not found:
        words = ", ".join(sorted(names))
        if all(isinstance(definition.axes.get(name), FixedAxis) for name in names):
            raise InputError(f"{words}: the definition fixes its breakpoints; no commit sets them")
        raise InputError(
            f"{words}: the definition does not say how to read it; run callint check for details"
        )
    return found


def _asked(
    decoded: Decoded, items: list[Item | Text], globs: tuple[str, ...], cell: str | None
) -> HistoryQuery:
    """The one cell or text whose values are wanted; InputError where that is not clear."""
    items = [item for item in items if not isinstance(item, StoredAxis)] or items
    if not globs or len(items) != 1:
        raise InputError("--cell and --values need one table; pass its name after the image")
    (item,) = items
    if isinstance(item, StoredAxis):
        raise InputError(f"{item.name}: it is an axis; --cell and --values work on the cells of a table")
    axes = () if isinstance(item, Text) else item.axes
    words = [] if cell is None else [word.strip() for word in cell.split(",")]
    if words and not axes:
        raise InputError(f"{item.name}: it has only one value; use --values without --cell")
    if len(words) != len(axes):
        need = " and one of ".join(axes)
        example = ",".join(_texts(decoded, axis)[0] for axis in axes)
        raise InputError(f"{item.name}: --cell needs a breakpoint of {need}, such as --cell {example}")
    places = [_index(decoded, item.name, axis, word) for axis, word in zip(axes, words, strict=True)]
    x, y = (*places, 0, 0)[:2]
    return HistoryQuery(item, x, y)


def _texts(decoded: Decoded, axis: str) -> list[str]:
    """The breakpoints of an axis as people read them."""
    from callint.reporting.tables.values import breakpoint_texts

    definition = decoded.layout.definition
    return breakpoint_texts(definition, definition.axes[axis], decoded.breakpoints(axis).tolist())


def _index(decoded: Decoded, table: str, axis: str, word: str) -> int:
    """Which breakpoint of an axis is meant; InputError where it has none like that."""
    texts = _texts(decoded, axis)
    if word in texts:
        return texts.index(word)
    with suppress(ValueError):
        number = float(word)
        for index, text in enumerate(texts):
            with suppress(ValueError):  # breakpoints may have names
                if float(text) == number or float(decoded.breakpoints(axis)[index]) == number:
                    return index
    unit = decoded.layout.definition.unit_of(decoded.layout.definition.axes[axis])
    found = fmt.with_unit(", ".join(texts), unit)
    raise InputError(f"{table}: axis {axis} has no breakpoint {word}; it has {found}")
