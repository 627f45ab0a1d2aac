"""callint diff."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click

from callint.commands.opening import (
    Subjects,
    read_content,
    stored_workplace,
    table_selection,
)
from callint.comparing.compare import selected
from callint.decoding.dwell import Logged
from callint.decoding.surfaces import surfaces
from callint.model.change import ChangeSet
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.shown import clean
from callint.reading.workplace import Workplace, open_workplace
from callint.rules.case import Case
from callint.versioning.contents import Content


@click.command()
@click.argument("words", nargs=-1, metavar="OLD NEW [PATH]...")
@click.option("--definition", metavar="FILE", help="The definition of the images, in place of the policy's.")
@click.option("--policy", metavar="FILE", help="The policy; the nearest callint.toml where absent.")
@click.option("-t", "--table", "globs", multiple=True, metavar="GLOB", help="Only such tables and axes.")
@click.option("--stat", is_flag=True, help="One line a table.")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="Show every changed cell, however far apart.")
@click.option("--log", metavar="FILE", help="A driving log: for how much of its time do the changes count?")
@click.option("--driver", is_flag=True, help="Be git's external diff; callint init sets that up.")
def command(
    words: tuple[str, ...],
    definition: str | None,
    policy: str | None,
    globs: tuple[str, ...],
    stat: bool,
    form: str,
    everything: bool,
    log: str | None,
    driver: bool,
) -> int:
    """Show what changed from OLD to NEW, table by table, in engineering units.

    OLD and NEW are images: files, or REV:path for a file at a revision. Or both are revisions; then
    all images that differ between them are shown, or those below the PATHs. Protection comes first.
    Prints nothing and exits with 0 where nothing differs.
    """
    if driver:
        from callint.commands.diff_driver import drive

        return drive(words, definition, policy)
    if len(words) < 2:
        raise click.UsageError("OLD and NEW are needed: two images, or two revisions.")
    pairs, subjects = _pairs(open_workplace(policy), definition, words)
    if log is not None and (_is_range(words) or stat):
        raise click.UsageError("--log goes with two images, and without --stat.")
    view = _View(globs, stat, form, everything, log)
    documents: list[object] = []
    status = 0
    for pair in pairs:
        status |= _show(pair, subjects, view, documents)
    if form == "json" and not _is_range(words):
        _write(documents[0])
    elif form == "json":
        _write(documents)
    return status


@dataclass(frozen=True, slots=True)
class _View:
    """What is to be shown, and how."""

    globs: tuple[str, ...]
    stat: bool
    form: str
    everything: bool
    log: str | None


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two versions of an image; ``alone`` says that nothing else is compared."""

    old: Content | None
    new: Content | None
    alone: bool


def _is_range(words: tuple[str, ...]) -> bool:
    """Whether the words are revisions and not images: neither is REV:path, nor are both names of files.

    One of them may be the name of a file too, as HEAD is in a bare repository.
    """
    if any(":" in word for word in words[:2]):
        return False
    files = [Path(word).exists() for word in words[:2]]
    return not any(files) or (not all(files) and all(map(_names_revision, words[:2])))


def _pairs(
    workplace: Workplace, definition: str | None, words: tuple[str, ...]
) -> tuple[Iterator[_Pair], Subjects]:
    if not _is_range(words):
        if len(words) > 2:
            raise click.UsageError("Paths go with two revisions, not with two images.")
        if not workplace.policy.path and definition is None:
            workplace = stored_workplace(words[1]) or workplace
        old, new = (read_content(workplace, word) for word in words)
        return iter([_Pair(old, new, alone=True)]), Subjects(workplace, definition)
    from callint.versioning.revisions import changed_files, workplace_at

    missing = next((word for word in words[:2] if not _names_revision(word)), None)
    if missing is not None:
        raise InputError(f"{missing}: it is no file and no revision; check the path")
    if not workplace.policy.path and definition is None:
        workplace = workplace_at(words[1])
    subjects = Subjects(workplace, definition)
    changed = changed_files(workplace, words[0], words[1], words[2:])
    named = definition is not None and words[2:]
    return (
        _Pair(one.old, one.new, alone=False)
        for one in changed
        if named or any(subjects.knows(content.path) for content in (one.old, one.new) if content)
    ), subjects


def _names_revision(word: str) -> bool:
    from callint.versioning.git import is_revision, open_repository

    try:
        return is_revision(open_repository(Path.cwd(), bare=True), word)
    except InputError:
        return False


def _show(pair: _Pair, subjects: Subjects, view: _View, documents: list[object]) -> int:
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
    before, after = (subjects.image(subject, one) for one in (pair.old, pair.new))
    case = Case(subject, after, before)
    changes = case.changes
    if view.globs:
        changes = selected(changes, table_selection(subject.definition, view.globs))
    logged = None
    if view.log is not None:
        from callint.commands.driving import read_log

        tables = {one.table.name: one.table for one in changes.tables}
        tables |= {one.table.name: one.table for one in changes.movements}
        logged = read_log(view.log, subjects.policy, subject.definition, surfaces(case.new, tables.values()))
    if view.form == "json":
        from callint.reporting.changes_json import changes_document

        names = pair.old.name, pair.new.name
        documents.append(changes_document(changes, *names, subject.file.path, logged))
    elif not changes.is_empty:
        _print(pair, changes, before, after, view, logged)
    return int(not changes.is_empty)


def _print(
    pair: _Pair, changes: ChangeSet, before: Image, after: Image, view: _View, logged: Logged | None
) -> None:
    from callint.reporting.changes_text import print_changes, print_statistics
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


def _write(document: object) -> None:
    sys.stdout.write(json.dumps(document, indent=1, allow_nan=False) + "\n")
