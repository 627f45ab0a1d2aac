"""callint diff."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, field
from pathlib import Path

import click

from callint.cli.image_loading import DefinitionResolver, table_selection
from callint.cli.revision_pairs import VALUES, ImagePair, is_range, pairs, spelled_out
from callint.comparing.compare import selected
from callint.decoding.log_residency import LogSummary
from callint.decoding.surfaces import surfaces
from callint.fmt import clean
from callint.model.change import ChangeSet
from callint.model.image import Image
from callint.reading.workspace import open_workspace
from callint.rules.context import CheckContext, LoadedDefinition
from callint.versioning.file_version import Content


@click.command()
@click.argument("words", nargs=-1, metavar="OLD NEW [PATH]...")
@click.option(
    "--definition", metavar="FILE", help="Definition file of the images (default: from the policy)."
)
@click.option("--policy", metavar="FILE", help="Policy file (default: the nearest callint.toml).")
@click.option(
    "-t", "--table", "globs", multiple=True, metavar="GLOB", help="Show only tables and axes that match GLOB."
)
@click.option("--stat", is_flag=True, help="Print one line per table.")
@click.option(
    "--format", "form", type=click.Choice(["text", "json", "cdfx"]), default="text", show_default=True
)
@click.option("--output", metavar="FILE", help="Write the JSON or CDFX to a file.")
@click.option("--all", "everything", is_flag=True, help="Show every changed cell.")
@click.option(
    "--log", metavar="FILE", help="Driving log; show the share of its time that the changes affect."
)
@click.option("--driver", is_flag=True, help="Run as git's external diff driver (set up by callint init).")
def command(
    words: tuple[str, ...],
    definition: str | None,
    policy: str | None,
    globs: tuple[str, ...],
    stat: bool,
    form: str,
    output: str | None,
    everything: bool,
    log: str | None,
    driver: bool,
) -> int:
    """Show what changed from OLD to NEW, table by table, in engineering units.

    OLD and NEW are image files, or REV:path for a file at a revision; REV FILE compares a file with its
    version at REV. Both can also be revisions: A B, A..B, or A...B for the changes in B since the merge base.
    Then callint shows every image that differs, or only those below PATH. Protection tables come first.
    Prints nothing and exits with 0 if nothing differs.

    --format cdfx writes the NEW values of the changed tables in the open standard ASAM CDF 2.0. If NEW is a
    CDF file (.cdfx), callint compares its values with those of OLD, bit for bit.
    """
    if driver:
        from callint.cli.diff_driver import drive

        return drive(words, definition, policy)
    words = spelled_out(words)
    if len(words) < 2:
        raise click.UsageError("Missing OLD and NEW: pass two images, or two revisions.")
    found, subjects = pairs(open_workspace(policy), definition, words)
    if log is not None and (is_range(words) or stat):
        raise click.UsageError("--log needs two images, and excludes --stat.")
    if form == "cdfx" and (is_range(words) or stat or log is not None):
        raise click.UsageError("--format cdfx needs two images, and excludes --stat and --log.")
    if output is not None and form == "text":
        raise click.UsageError("--output needs --format json or cdfx.")
    destination = None if output is None else subjects.output(output, log)
    view = _DiffOptions(globs, stat, form, everything, log)
    documents: list[object] = []
    status = 0
    for pair in found:
        status |= _show(pair, subjects, view, documents)
    if form != "text":
        from callint.reporting.files.atomic_write import write_output

        document = documents if is_range(words) else documents[0]
        if destination is not None:
            destination = destination.protecting(*view.inputs)
        write_output(document if isinstance(document, str) else _json(document), destination)
    return status


@dataclass(frozen=True, slots=True)
class _DiffOptions:
    """What is to be shown, and how. ``inputs`` are the images that were read for it."""

    globs: tuple[str, ...]
    stat: bool
    form: str
    everything: bool
    log: str | None
    inputs: list[Path] = field(default_factory=list)


def _show(pair: ImagePair, subjects: DefinitionResolver, view: _DiffOptions, documents: list[object]) -> int:
    """Show one pair; the status is 1 where it differs."""
    if pair.old is None or pair.new is None:
        one = pair.new or pair.old
        assert one is not None
        if view.form == "text":
            what = "added" if pair.new else "removed"
            words = f"{one.name}: the image was {what} ({len(one.data):,} bytes)"
            sys.stdout.write(f"{clean(words)}\n\n")
        return 1
    if not pair.alone and pair.old.data == pair.new.data:
        if view.form == "text":
            words = f"{pair.new.name}: renamed from {pair.old.name}, nothing else changed"
            sys.stdout.write(f"{clean(words)}\n\n")
        return 1
    subject = subjects.of(pair.new, pair.old)
    view.inputs.extend([subjects.place(pair.old), subjects.place(pair.new)])
    before, after = _images(pair.old, pair.new, subject, subjects)
    case = CheckContext(subject, after, before)
    changes = case.changes
    if view.globs:
        changes = selected(changes, table_selection(subject.definition, view.globs))
    logged = None
    if view.log is not None:
        from callint.cli.log_option import read_log

        tables = {one.table.name: one.table for one in changes.tables}
        tables |= {one.table.name: one.table for one in changes.output_shifts}
        logged = read_log(view.log, subjects.policy, subject.definition, surfaces(case.new, tables.values()))
    if view.form == "json":
        from callint.reporting.changes.json import changes_document

        names = pair.old.name, pair.new.name
        documents.append(changes_document(changes, *names, subject.file.path, logged))
    elif view.form == "cdfx":
        from callint.cli.cdfx import checked_cdfx

        documents.append(checked_cdfx(changes, case.new, pair.new.name, subject.file.path))
    elif not changes.is_empty:
        _print(pair, changes, before, after, view, logged)
    return int(not changes.is_empty)


def _images(
    old: Content, new: Content, subject: LoadedDefinition, subjects: DefinitionResolver
) -> tuple[Image, Image]:
    """Both images; of a file of values, the old image with these values."""
    before = subjects.image(subject, old)
    if not new.name.lower().endswith(VALUES):
        return before, subjects.image(subject, new)
    from callint.cli.cdfx import with_values

    return before, with_values(CheckContext(subject, before).new, new)


def _print(
    pair: ImagePair,
    changes: ChangeSet,
    before: Image,
    after: Image,
    view: _DiffOptions,
    logged: LogSummary | None,
) -> None:
    from callint.reporting.changes.text import print_changes, print_statistics
    from callint.reporting.terminal import console, heading, width

    terminal = console(sys.stdout)
    if not pair.alone and pair.old and pair.new:
        for title in heading(pair.new.name, f" beside {pair.old.name}", width(terminal)):
            terminal.print(title)
        terminal.print()
    if view.stat:
        print_statistics(changes, terminal)
    else:
        print_changes(changes, before, after, terminal, view.everything, logged)
    if not pair.alone:
        terminal.print()


def _json(document: object) -> str:
    return json.dumps(document, indent=1, allow_nan=False) + "\n"
