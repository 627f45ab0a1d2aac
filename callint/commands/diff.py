"""callint diff."""

from __future__ import annotations

import sys

import click

from callint.commands.opening import open_subject, read_image, table_selection
from callint.comparing.compare import selected
from callint.reading.workplace import open_workplace
from callint.rules.case import Case


@click.command()
@click.argument("old")
@click.argument("new")
@click.option("--definition", metavar="FILE", help="The definition of both images, in place of the policy's.")
@click.option("--policy", metavar="FILE", help="The policy; the nearest callint.toml where absent.")
@click.option("-t", "--table", "globs", multiple=True, metavar="GLOB", help="Only such tables and axes.")
@click.option("--stat", is_flag=True, help="One line a table.")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="Show every changed cell, however far apart.")
def command(
    old: str,
    new: str,
    definition: str | None,
    policy: str | None,
    globs: tuple[str, ...],
    stat: bool,
    form: str,
    everything: bool,
) -> int:
    """Show what changed from image OLD to image NEW, table by table, in engineering units.

    Protection comes first. Prints nothing and exits with 0 where the images are equal.
    """
    workplace = open_workplace(policy)
    old_name, new_name = workplace.name(old), workplace.name(new)
    data = [workplace.demand(name) for name in (old_name, new_name)]
    subject = open_subject(workplace, definition, (new_name, data[1]), (old_name, data[0]))
    before, after = (
        read_image(subject, name, content) for name, content in zip((old_name, new_name), data, strict=True)
    )
    changes = Case(subject, after, before).changes
    if globs:
        changes = selected(changes, table_selection(subject.definition, globs))
    if form == "json":
        from callint.reporting.changes_json import changes_json

        sys.stdout.write(changes_json(changes, old_name, new_name, subject.file.path))
    elif not changes.is_empty:
        from callint.reporting.changes_text import print_changes, print_statistics
        from callint.reporting.terminal import console

        terminal = console(sys.stdout)
        if stat:
            print_statistics(changes, terminal)
        else:
            print_changes(changes, before, after, terminal, everything)
    return int(not changes.is_empty)
