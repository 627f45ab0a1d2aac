"""callint init."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

import click

from callint.model.errors import InputError
from callint.reading.locks import alone
from callint.reading.tree import reason
from callint.reporting.files.atomic_write import replace_file
from callint.reporting.files.destinations import own_file
from callint.reporting.terminal import QUIET, console, line, width, wrapped
from callint.versioning.git.config import hooks_folder, set_setting
from callint.versioning.git.refs import delete_reference
from callint.versioning.git.repository import Repo, common_folder, open_repository, top_level
from callint.versioning.init.plan import InitOptions, foreign_attributes, plan
from callint.versioning.init.steps import FileStep, Plan, SettingStep, shown
from callint.versioning.init.undo import undo
from callint.versioning.textconv_cache import CACHE_REFERENCE

_CAUTION = (
    "Caution. callint reports; it does not approve. A wrong calibration can destroy an engine and hurt "
    "people, and changing emissions or safety functions is unlawful in many places. The maker's limits, "
    "local law and licensed practice come first."
)

Step = FileStep | SettingStep


@click.command()
@click.argument("images", nargs=-1, metavar="[IMAGE]...")
@click.option(
    "--definition", "definitions", multiple=True, metavar="FILE", help="Definition file of the images."
)
@click.option("--base", "bases", multiple=True, metavar="FILE", help="Factory base image of the images.")
@click.option(
    "--pre-commit",
    is_flag=True,
    help="Add an entry to .pre-commit-config.yaml instead of installing a git hook.",
)
@click.option("--no-hook", is_flag=True, help="Install no commit hook.")
@click.option("--dry-run", is_flag=True, help="Print the planned changes; write nothing.")
@click.option(
    "--undo", "back", is_flag=True, help="Remove everything that callint init wrote, and nothing else."
)
def command(
    images: tuple[str, ...],
    definitions: tuple[str, ...],
    bases: tuple[str, ...],
    pre_commit: bool,
    no_hook: bool,
    dry_run: bool,
    back: bool,
) -> int:
    """Set up the repository: policy, attributes, diff and merge drivers, commit hook.

    IMAGEs are files or quoted globs, as in 'boats/*.bin'. Together with --definition and --base they go into
    a new policy, callint.toml. An existing policy stays as it is. Run callint init again after you change the
    policy, or in a new clone: it adds what is missing. It never overwrites content that it did not write.
    """
    if pre_commit and no_hook:
        raise InputError("--pre-commit and --no-hook exclude each other; use only one")
    if back and (images or definitions or bases or pre_commit or no_hook):
        raise InputError("--undo takes no images, and no option but --dry-run; remove the rest")
    here = Path.cwd()
    repo = open_repository(here)
    # What one run finds missing another one must not be writing.
    settings = common_folder(repo) / "config"
    with alone(settings, str(settings)):
        if back:
            found = undo(repo, here)
        else:
            wishes = InitOptions(
                here=here,
                program=_program(),
                images=tuple(_glob(image) for image in images),
                definitions=definitions,
                bases=bases,
                pre_commit=pre_commit,
                hook=not no_hook,
            )
            found = plan(repo, wishes)
        if not dry_run:
            _carry_out(repo, found, back)
            if back:
                _remove_empty(found.folders)
    _say(repo, found, dry_run, back)
    return 0


def set_up(repo: Repo) -> None:
    """Do in a repository with a policy what callint init does, but leave hooks alone that others share."""
    here = top_level(repo)
    _, is_shared = hooks_folder(repo)
    _carry_out(repo, plan(repo, InitOptions(here=here, program=_program(), hook=not is_shared)))


def _program() -> str:
    """How git's shell calls this very callint, whatever its PATH is."""
    script = Path(sys.executable).with_name("callint.exe" if os.name == "nt" else "callint")
    if script.is_file():
        return shlex.quote(script.as_posix())
    # -P: git calls it at the top of the working tree, from which no module may be imported.
    return f"{shlex.quote(Path(sys.executable).as_posix())} -P -m callint"


def _glob(word: str) -> str:
    """The glob that stands for a file; a shell that knows the globs has put the files in their place."""
    import glob

    if Path(word).is_dir():
        raise InputError(f"{word}: it is a folder; name its images, as in '{Path(word).as_posix()}/*.bin'")
    return glob.escape(word) if Path(word).exists() else word


# Doing it


def _carry_out(repo: Repo, found: Plan, back: bool = False) -> None:
    """All steps, or none: where one fails, those before it are taken back.

    A run that is killed on the way can be finished by the next. The record comes first: what it says too much
    of is only looked for. Where all is taken ``back`` it is the last to go.
    """
    done: list[Step] = []
    made: list[Path] = []
    try:
        for step in (*found.steps, found.record) if back else (found.record, *found.steps):
            if step is not None:
                if back and step is found.record:
                    _forget(repo)
                    _remove_empty(found.folders)
                done.append(step)
                if isinstance(step, FileStep):
                    made += [folder for folder in step.path.parents if not folder.exists()]
                _do(repo, step)
    except BaseException:
        for step in reversed(done):
            with suppress(InputError):
                _do(repo, step.reversed())
        _remove_empty(sorted(made, key=lambda folder: -len(folder.parts)))
        raise


def _remove_empty(folders: Iterable[Path]) -> None:
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def _do(repo: Repo, step: Step) -> None:
    if isinstance(step, SettingStep):
        set_setting(repo, step.key, step.new)
        return
    try:
        if step.new is None:
            step.path.unlink(missing_ok=True)
        else:
            step.path.parent.mkdir(parents=True, exist_ok=True)
            replace_file(own_file(step.path), step.new, step.executable)
    except OSError as error:
        raise InputError(f"{step.path}: it cannot be written: {reason(error)}; correct that first") from None


def _forget(repo: Repo) -> None:
    """Remove what git made of the settings."""
    delete_reference(repo, CACHE_REFERENCE)


# Saying it


def _say(repo: Repo, found: Plan, dry_run: bool, back: bool) -> None:
    terminal = console(sys.stdout)
    columns = width(terminal)
    here = Path.cwd()
    for step in found.steps:
        first, *more = wrapped(_words(step, here, dry_run), columns - 2)
        terminal.print(line(first))
        for text in more:
            terminal.print(line(f"  {text}"))
        if dry_run and isinstance(step, SettingStep) and step.new is not None:
            for text in wrapped(step.new, columns, "  "):
                terminal.print(line((text, QUIET)))
    remarks = list(found.remarks)
    if not back and not dry_run:
        try:
            remarks += foreign_attributes(repo, here)
        except InputError as error:  # everything is done by now
            remarks += (f"{text}." for text in error.lines)
    if not found.steps:
        remarks.insert(0, "There is nothing to take back." if back else "Everything is set up already.")
    elif not back and not dry_run and any(_is_committed(repo, step) for step in found.steps):
        remarks.append(
            "Commit the files, so that colleagues have them; in each clone callint init sets up the rest."
        )
    for remark in remarks:
        for text in wrapped(remark, columns):
            terminal.print(line(text))
    if not back and found.steps:
        terminal.print()
        for text in wrapped(_CAUTION, columns):
            terminal.print(line((text, QUIET)))


def _is_committed(repo: Repo, step: Step) -> bool:
    """Whether what a step does reaches colleagues by a commit."""
    if isinstance(step, SettingStep) or step.path.is_relative_to(common_folder(repo)):
        return False
    return step.path.is_relative_to(top_level(repo))


def _words(step: Step, here: Path, dry_run: bool) -> str:
    would = "would " if dry_run else ""
    if isinstance(step, SettingStep):
        if step.new is None:
            return f"{would}{'remove' if dry_run else 'removed'} {step.key}"
        return f"{would}set {step.key}: {step.words}"
    path = shown(step.path, here)
    if step.new is None:
        return f"{would}{'remove' if dry_run else 'removed'} {path}"
    verb = "write" if step.old is None else "change"
    return f"{would}{verb if dry_run else {'write': 'wrote', 'change': 'changed'}[verb]} {path}: {step.words}"
