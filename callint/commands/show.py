"""callint show."""

from __future__ import annotations

import sys

import click

from callint.commands.opening import open_subject, read_image, table_selection
from callint.model.definition import Axis, Table, Text
from callint.reading.workplace import open_workplace
from callint.rules.case import Case


@click.command()
@click.argument("image")
@click.argument("tables", nargs=-1, metavar="[TABLE]...")
@click.option("--definition", metavar="FILE", help="The image's definition, in place of the policy's.")
@click.option("--policy", metavar="FILE", help="The policy; the nearest callint.toml where absent.")
@click.option("--list", "as_list", is_flag=True, help="Only list the tables, one line each.")
def command(
    image: str, tables: tuple[str, ...], definition: str | None, policy: str | None, as_list: bool
) -> int:
    """Print the tables of IMAGE, or the tables and axes whose names match one of the TABLE globs.

    Each comes with the digest that a waiver of it needs.
    """
    from callint.reporting.tables_text import print_axes, print_table_list, print_tables
    from callint.reporting.terminal import console

    workplace = open_workplace(policy)
    name = workplace.name(image)
    data = workplace.demand(name)
    subject = open_subject(workplace, definition, (name, data))
    decoded = Case(subject, read_image(subject, name, data)).new
    shown: list[Table | Text] = [*subject.definition.texts.values()]
    shown += [subject.definition.tables[table] for table in subject.plan.table_items]
    shown.sort(key=lambda table: table.line)
    axes: list[Axis] = []
    if tables:
        names = table_selection(subject.definition, tables)
        shown = [table for table in shown if table.name in names]
        axes = [axis for axis in subject.definition.axes.values() if axis.name in names]
    terminal = console(sys.stdout)
    if as_list:
        print_table_list(decoded, shown, terminal)
    else:
        print_tables(decoded, shown, terminal)
        print_axes(decoded, axes, terminal)
    return 0
