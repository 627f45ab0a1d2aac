"""callint diff."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.image_loading import read_content, workspace_for
from callint.cli.name_selection import table_selection
from callint.cli.options import as_options
from callint.cli.revision_pairs import CDFX_SUFFIX, ImagePair, expand_range, is_range, pairs
from callint.cli.software_pair import SoftwarePair, read_change_log
from callint.comparing.compare import compare, selected
from callint.decoding.decode import Decoded
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.log_residency import LogSummary
from callint.decoding.surfaces import surfaces
from callint.fmt import clean
from callint.model.change import ChangeSet
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.workspace import open_workspace
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # not every call needs them
    from callint.comparing.softwares.result import SoftwareChange
    from callint.reporting.files.destinations import Destination
    from callint.reporting.terminal import Terminal


@dataclass(frozen=True, slots=True)
class DiffOptions:
    """The arguments and options of callint diff."""

    arguments: tuple[str, ...]
    definitions: tuple[str, ...]
    policy: str | None
    globs: tuple[str, ...]
    stat: bool
    form: str
    output: str | None
    everything: bool
    log: str | None
    image: str | None
    at: tuple[str, ...]
    as_carried: bool
    driver: bool

    @property
    def definition(self) -> str | None:
        """The definition of NEW; None if the policy has it."""
        return self.definitions[-1] if self.definitions else None


@click.command()
@click.argument("arguments", nargs=-1, metavar="[OLD] NEW [PATH]...")
@click.option(
    "--definition",
    "definitions",
    multiple=True,
    metavar="FILE",
    help="Definition file of the images (default: from the policy); twice for OLD and NEW.",
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
@click.option(
    "--image",
    metavar="FILE",
    help="With two definitions: show what the changes do to the values of an image.",
)
@click.option(
    "--at",
    multiple=True,
    metavar="SIGNAL=VALUE,...",
    help="Compare only the outputs of the tables at an operating point.",
)
@click.option(
    "--as-carried",
    is_flag=True,
    help="Say whether a carried change is the same: pass OLD_BASE REWORKED NEW_BASE CARRIED.",
)
@click.option("--driver", is_flag=True, help="Run as git's external diff driver (set up by callint init).")
@as_options(DiffOptions)
def command(options: DiffOptions) -> int:
    """Show what changed from OLD to NEW, table by table, in engineering units.

    OLD and NEW are image files, or REV:path for a file at a revision; REV FILE compares a file with its
    version at REV. Both can also be revisions: A B, A..B, or A...B for the changes in B since the merge base.
    Then callint shows every definition and image that differs, or only those below PATH. Protection tables
    come first. NEW alone is compared with its base. Prints nothing and exits with 0 if nothing differs.

    If OLD and NEW are definitions (.xml), callint compares their meaning: demands that NEW loosens or
    tightens, values that it reads differently, elements that are new or gone, and documentation. Layout,
    comments, order and spellings of numbers do not count.

    Images of two software versions are compared by table name, as the engine reads them: at the breakpoints
    of both and in the units of NEW. A table that differs by rounding alone does not count.

    --as-carried says whether the change from NEW_BASE to CARRIED is the change from OLD_BASE to REWORKED, at
    each breakpoint and within half of a storage step. Exits with 1 if it is not.

    --format cdfx writes the NEW values of the changed tables in the open standard ASAM CDF 2.0. If NEW is a
    CDF file (.cdfx), callint compares its values with those of OLD, bit for bit.
    """
    if options.driver:
        from callint.cli.diff_driver import drive

        return drive(options.arguments, options.definition, options.policy)
    if options.as_carried:
        return _compare_carried(options)
    arguments = expand_range(options.arguments)
    if not arguments:
        raise click.UsageError(
            "Missing OLD and NEW: pass an image that has a base, two images or two revisions."
        )
    if len(arguments) == 1:
        return _compare_with_base(arguments[0], options)
    image_pairs, resolver = pairs(open_workspace(options.policy), options.definition, arguments)
    has_range = is_range(arguments)
    _check_options(options, has_range)
    output = options.output
    destination = None if output is None else resolver.output(output, options.log)
    report = _DiffReport(resolver, options)
    differs = [report.add(pair) for pair in image_pairs]
    if options.form != "text":
        _write(report, destination, has_range)
    return int(any(differs))


def _compare_with_base(name: str, options: DiffOptions) -> int:
    """Show what changed in an image against the base that the policy names for it; the exit status."""
    _check_options(options, has_range=False)
    if name.lower().endswith(CDFX_SUFFIX):
        raise InputError(f"{name}: it holds values, not an image; pass it second, after an image")
    workspace = workspace_for(options.policy, options.definition, name)
    content = read_content(workspace, name)
    resolver = DefinitionResolver(workspace, options.definition)
    output = options.output
    destination = None if output is None else resolver.output(output, options.log)
    report = _DiffReport(resolver, options)
    differs = report.add_with_base(content)
    if options.form != "text":
        _write(report, destination, has_range=False)
    return int(differs)


def _compare_carried(options: DiffOptions) -> int:
    """Compare the changes of two software versions; the exit status."""
    _check_options(options, has_range=False)
    if options.stat or options.at or options.log is not None or options.form == "cdfx":
        raise click.UsageError("--as-carried excludes --stat, --at, --log and --format cdfx.")
    if len(options.arguments) != 4:
        raise click.UsageError("--as-carried needs four images: OLD_BASE REWORKED NEW_BASE CARRIED.")
    from callint.cli.carried_check import CarriedImages
    from callint.reporting.files.atomic_write import write_output

    images = CarriedImages(open_workspace(options.policy), options.arguments, options.definitions)
    output = options.output
    destination = None if output is None else images.resolver.output(output).protecting(*images.paths)
    is_same, document = images.report(options.globs, options.form, options.everything)
    if document is not None:
        write_output(_json(document), destination)
    return int(not is_same)


def _write(report: _DiffReport, destination: Destination | None, has_range: bool) -> None:
    """Write the documents of all pairs, or that of the only one."""
    from callint.reporting.files.atomic_write import write_output

    document = report.documents if has_range else report.documents[0]
    if destination is not None:
        destination = destination.protecting(*report.inputs)
    write_output(document if isinstance(document, str) else _json(document), destination)


def _check_options(options: DiffOptions, has_range: bool) -> None:
    """UsageError if options exclude each other, or do not fit a comparison of revisions."""
    if options.log is not None and has_range:
        raise click.UsageError("--log needs one or two images, not revisions.")
    if options.form == "cdfx" and (has_range or options.stat or options.log is not None):
        raise click.UsageError("--format cdfx needs two images, and excludes --stat and --log.")
    if options.output is not None and options.form == "text":
        raise click.UsageError("--output needs --format json or cdfx.")
    if options.at and (options.form == "cdfx" or options.log is not None):
        raise click.UsageError("--at excludes --log and --format cdfx.")
    if len(options.definitions) > 2 or (len(options.definitions) == 2 and has_range):
        raise click.UsageError("--definition can be given once, or twice for two images.")


class _DiffReport:
    """Prints the differences of image pairs, or collects them as documents.

    ``documents`` are JSON documents or texts in CDFX; ``inputs`` are the paths of the compared images.
    """

    def __init__(self, resolver: DefinitionResolver, options: DiffOptions) -> None:
        self.documents: list[object] = []
        self.inputs: list[Path] = []
        self._resolver = resolver
        self._options = options
        self._old_resolver = resolver
        if len(options.definitions) == 2:
            self._old_resolver = resolver.with_definition(options.definitions[0])

    def add(self, pair: ImagePair) -> bool:
        """Print or collect the difference of a pair; whether there is one."""
        old, new = pair.old, pair.new
        noun = "definition" if pair.is_definition else "image"
        if old is None or new is None:
            image = new or old
            assert image is not None
            status = "added" if new else "removed"
            self._print_note(f"{image.name}: the {noun} was {status} ({len(image.data):,} bytes)")
            return True
        if not pair.is_single and old.data == new.data:
            self._print_note(f"{new.name}: renamed from {old.name}, nothing else changed")
            return True
        if pair.is_definition:
            return self._add_definitions(old, new, pair.is_single)
        return self._add_change(old, new, pair.is_single)

    def _add_definitions(self, old: Content, new: Content, is_single: bool) -> bool:
        """Print or collect what changed in the meaning of a definition; whether anything did."""
        from callint.cli.definition_diff import definition_diff, diff_document, print_diff

        options, names = self._options, (old.name, new.name)
        about_images = options.log is not None or options.form == "cdfx" or options.definition or options.at
        if is_single and about_images:
            raise click.UsageError(
                "--log, --at, --definition and --format cdfx need images, not definitions."
            )
        self.inputs += [self._resolver.path_on_disk(old), self._resolver.path_on_disk(new)]
        if self._image is not None:
            self.inputs.append(self._resolver.path_on_disk(self._image))
        diff = definition_diff(old, new, self._resolver.workspace, options.globs, self._image)
        if options.form == "json":
            self.documents.append(diff_document(diff, names))
        elif diff.changes:
            from callint.reporting.terminal import console

            terminal = console(sys.stdout)
            print_diff(diff, names, terminal, options.stat, options.everything)
            if not is_single:
                terminal.print()
        return bool(diff.changes)

    @cached_property
    def _image(self) -> Content | None:
        """The image of which the values are shown."""
        name = self._options.image
        return None if name is None else self._resolver.read_named(name)

    def _print_note(self, note: str) -> None:
        if self._options.form == "text":
            sys.stdout.write(f"{clean(note)}\n\n")

    def _add_change(self, old: Content, new: Content, is_single: bool) -> bool:
        if self._options.image is not None and is_single:
            raise click.UsageError("--image needs two definitions, not images.")
        resolver = self._resolver
        self.inputs += [resolver.path_on_disk(old), resolver.path_on_disk(new)]
        title = None if is_single else (new.name, old.name)
        names = old.name, new.name
        if new.name.lower().endswith(CDFX_SUFFIX):
            loaded = self._old_resolver.resolve(new, old)
            return self._add_images(loaded, *self._read(loaded, old, new), names, title)
        old_loaded, loaded = self._definitions(old, new)
        if old_loaded is loaded:
            return self._add_images(loaded, *self._read(loaded, old, new), names, title)
        images = self._old_resolver.read_image(old_loaded, old), resolver.read_image(loaded, new)
        return self._add_softwares(SoftwarePair(old_loaded, loaded, *images), names, title)

    def _definitions(self, old: Content, new: Content) -> tuple[LoadedDefinition, LoadedDefinition]:
        if self._old_resolver is self._resolver:
            return self._resolver.resolve_each(old, new)
        return self._old_resolver.resolve(old), self._resolver.resolve(new)

    def _add_softwares(
        self, pair: SoftwarePair, names: tuple[str, str], title: tuple[str, str] | None
    ) -> bool:
        """Print or collect the difference of images of two software versions; whether there is one."""
        options = self._options
        if options.form == "cdfx":
            raise InputError(
                f"{names[1]}: its software is not that of {names[0]}; --format cdfx needs two images of one"
            )
        change = pair.compare(options.globs, options.at)
        log = None if options.log is None else read_change_log(options.log, self._resolver, change)
        if options.form == "json":
            from callint.reporting.softwares.json import software_changes_document

            self.documents.append(software_changes_document(change, names, pair.definition_paths, log))
        else:
            _print_softwares(change, options, log, title)
        return not change.is_empty

    def add_with_base(self, new: Content) -> bool:
        """Print or collect the difference of an image and its base; whether there is one."""
        loaded = self._resolver.resolve(new)
        self.inputs.append(self._resolver.path_on_disk(new))
        after = self._resolver.read_image(loaded, new)
        base_name, before = self._resolver.read_base(loaded, new, after, None)
        if before is None:
            raise InputError(f"{new.name}: the policy names no base that fits it; pass OLD and NEW")
        names = base_name, new.name
        return self._add_images(loaded, before, after, names, (new.name, base_name))

    def _add_images(
        self,
        loaded: LoadedDefinition,
        before: Image,
        after: Image,
        names: tuple[str, str],
        title: tuple[str, str] | None,
    ) -> bool:
        """Print or collect a difference; ``names`` are the old and the new one, ``title`` as for _print."""
        options = self._options
        if options.at:
            return self._add_softwares(SoftwarePair(loaded, loaded, before, after), names, title)
        decoded = loaded.decoded(after)
        changes = compare(loaded.decoded(before), decoded)
        if options.globs:
            changes = selected(changes, table_selection(loaded.definition, options.globs))
        log = self._read_log(changes, decoded)
        if options.form == "json":
            from callint.reporting.changes.json import changes_document

            self.documents.append(changes_document(changes, *names, loaded.file.path, log))
        elif options.form == "cdfx":
            from callint.cli.cdfx import checked_cdfx

            self.documents.append(checked_cdfx(changes, decoded, names[1], loaded.file.path))
        elif not changes.is_empty:
            _print(changes, (before, after), options, log, title)
        return not changes.is_empty

    def _read(self, loaded: LoadedDefinition, old: Content, new: Content) -> tuple[Image, Image]:
        """Both images; if NEW is a CDF file, OLD and OLD with its values."""
        before = self._resolver.read_image(loaded, old)
        if not new.name.lower().endswith(CDFX_SUFFIX):
            return before, self._resolver.read_image(loaded, new)
        from callint.cli.cdfx import with_values

        return before, with_values(loaded.decoded(before), new)

    def _read_log(self, changes: ChangeSet, decoded: Decoded) -> LogSummary | None:
        """The logged time in the cells of the tables that changed, if there is a log."""
        name = self._options.log
        if name is None:
            return None
        from callint.cli.log_option import read_log

        tables = {change.table.name: change.table for change in changes.tables}
        tables |= {movement.table.name: movement.table for movement in changes.output_shifts}
        definition = decoded.layout.definition
        return read_log(name, self._resolver.policy, definition, surfaces(decoded, tables.values()))


def _print(
    changes: ChangeSet,
    images: tuple[Image, Image],
    options: DiffOptions,
    log: LogSummary | None,
    title: tuple[str, str] | None,
) -> None:
    """Print the changes between two images; ``title`` are the new and the old name, if several follow."""
    from callint.reporting.changes.text import print_changes, print_statistics
    from callint.reporting.terminal import console

    terminal = console(sys.stdout)
    if title is not None:
        _print_title(title, terminal)
    if options.stat:
        print_statistics(changes, terminal, log)
    else:
        print_changes(changes, *images, terminal, options.everything, log)
    if title is not None:
        terminal.print()


def _print_title(title: tuple[str, str], terminal: Terminal) -> None:
    """Print the new and the old name of a pair, if several pairs follow."""
    from callint.reporting.terminal import heading, width

    new, old = title
    for line in heading(new, f" compared with {old}", width(terminal)):
        terminal.print(line)
    terminal.print()


def _print_softwares(
    change: SoftwareChange,
    options: DiffOptions,
    log: LogSummary | None,
    title: tuple[str, str] | None,
) -> None:
    """Print the change between two software versions; ``title`` as for _print."""
    from callint.reporting.softwares.text import print_software_change, print_software_statistics
    from callint.reporting.terminal import console

    terminal = console(sys.stdout)
    if title is not None and not change.is_silent:
        _print_title(title, terminal)
    printer = print_software_statistics if options.stat or options.at else print_software_change
    printer(change, terminal, options.everything, log)
    if title is not None and not change.is_silent:
        terminal.print()


def _json(document: object) -> str:
    return json.dumps(document, indent=1, allow_nan=False) + "\n"
