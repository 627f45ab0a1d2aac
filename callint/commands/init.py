"""callint init."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import click

from callint import fmt
from callint.cli.options import as_options
from callint.model.errors import InputError
from callint.reading.locks import exclusive_update
from callint.reading.tree import reason
from callint.reporting.files.atomic_write import replace_file
from callint.reporting.files.destinations import own_file
from callint.reporting.terminal import QUIET, console, line, width, wrapped
from callint.versioning.git.config import hooks_folder, set_setting
from callint.versioning.git.refs import delete_reference
from callint.versioning.git.repository import (
    Repo,
    common_folder,
    lock_clause,
    open_repository,
    settings_lock,
    top_level,
)
from callint.versioning.init.plan import foreign_attributes
from callint.versioning.init.plan import plan as make_plan
from callint.versioning.init.plan_context import InitOptions
from callint.versioning.init.steps import FileStep, Plan, SettingStep, relative_name
from callint.versioning.init.undo import undo as undo_plan
from callint.versioning.textconv_cache import CACHE_REFERENCE

_CAUTION = (
    "Caution. callint reports; it does not approve. A wrong calibration can destroy an engine and hurt "
    "people, and changing emissions or safety functions is unlawful in many places. The maker's limits, "
    "local law and licensed practice come first."
)

Step = FileStep | SettingStep


@dataclass(frozen=True, slots=True)
class InitCommandOptions:
    """The arguments and options of callint init."""

    images: tuple[str, ...]
    definitions: tuple[str, ...]
    bases: tuple[str, ...]
    pre_commit: bool
    no_hook: bool
    dry_run: bool
    undo: bool


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
@click.option("--undo", is_flag=True, help="Remove everything that callint init wrote, and nothing else.")
@as_options(InitCommandOptions)
def command(options: InitCommandOptions) -> int:
    """Set up the repository: policy, attributes, diff and merge drivers, commit hook.

    IMAGEs are files or quoted globs, as in 'boats/*.bin'. Together with --definition and --base they go into
    a new policy, callint.toml. An existing policy stays as it is. Run callint init again after you change the
    policy, or in a new clone: it adds what is missing. It never overwrites content that it did not write.
    """
    if options.pre_commit and options.no_hook:
        raise InputError("--pre-commit and --no-hook exclude each other; use only one")
    files = options.images or options.definitions or options.bases
    if options.undo and (files or options.pre_commit or options.no_hook):
        raise InputError("--undo takes no images, and no option but --dry-run; remove the rest")
    folder = Path.cwd()
    repo = open_repository(folder)
    # Two runs at once must not plan and write the same steps.
    settings = common_folder(repo) / "config"
    with exclusive_update(settings, str(settings)):
        plan = undo_plan(repo, folder) if options.undo else make_plan(repo, _plan_options(folder, options))
        if not options.dry_run:
            _carry_out(repo, plan, options.undo)
            if options.undo:
                _remove_empty(plan.folders)
    _print(repo, plan, options.dry_run, options.undo, _contradictions(folder, options))
    return 0


def _contradictions(folder: Path, options: InitCommandOptions) -> list[str]:
    """Sentences about definitions that the factory images contradict."""
    if not (options.definitions and options.bases):
        return []
    from callint.cli.definition_judgement import contradicted

    return [
        f"{definition} may read the wrong bytes: {base} contradicts it in "
        f"{fmt.count(count, 'place')}; callint check {shlex.quote(definition)} --base {shlex.quote(base)} "
        "lists them."
        for definition, base, count in contradicted(folder, options.definitions, options.bases)
    ]


def _plan_options(folder: Path, options: InitCommandOptions) -> InitOptions:
    return InitOptions(
        here=folder,
        program=_program(),
        images=tuple(_glob(image) for image in options.images),
        definitions=options.definitions,
        bases=options.bases,
        pre_commit=options.pre_commit,
        hook=not options.no_hook,
    )


def set_up(repo: Repo) -> None:
    """Set up a repository with a policy as callint init does, but leave a shared hooks folder alone."""
    top = top_level(repo)
    _, is_shared = hooks_folder(repo)
    options = InitOptions(here=top, program=_program(), hook=not is_shared)
    _carry_out(repo, make_plan(repo, options))


def _program() -> str:
    """The command by which git's shell runs this installation of callint, whatever its PATH is."""
    script = Path(sys.executable).with_name("callint.exe" if os.name == "nt" else "callint")
    if script.is_file():
        return shlex.quote(script.as_posix())
    # -P: git runs it at the top of the working tree, from which Python must not import modules.
    return f"{shlex.quote(Path(sys.executable).as_posix())} -P -m callint"


def _glob(argument: str) -> str:
    """The argument as a glob, escaped if it names a file: a shell may have expanded a glob to files."""
    import glob

    if Path(argument).is_dir():
        folder = Path(argument).as_posix()
        raise InputError(f"{argument}: it is a folder; name its images, as in '{folder}/*.bin'")
    return glob.escape(argument) if Path(argument).exists() else argument


# Carrying out


def _carry_out(repo: Repo, plan: Plan, is_undo: bool = False) -> None:
    """Carry out all steps or none: if one fails, callint reverses those before it.

    The next run can finish a run that was killed. The record is written first, because entries of files that
    do not exist are harmless; in an undo it is removed last.
    """
    done: list[Step] = []
    created: list[Path] = []
    try:
        for step in (*plan.steps, plan.record) if is_undo else (plan.record, *plan.steps):
            if step is not None:
                if is_undo and step is plan.record:
                    # git's cache of text forms, which the settings made it keep.
                    delete_reference(repo, CACHE_REFERENCE)
                    _remove_empty(plan.folders)
                done.append(step)
                if isinstance(step, FileStep):
                    created += [folder for folder in step.path.parents if not folder.exists()]
                _apply(repo, step)
    except BaseException:
        for step in reversed(done):
            with suppress(InputError):
                _apply(repo, step.reversed())
        _remove_empty(sorted(created, key=lambda folder: -len(folder.parts)))
        raise


def _remove_empty(folders: Iterable[Path]) -> None:
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def _apply(repo: Repo, step: Step) -> None:
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


# Printing


def _print(repo: Repo, plan: Plan, dry_run: bool, is_undo: bool, judgements: Sequence[str]) -> None:
    terminal = console(sys.stdout)
    columns = width(terminal)
    folder = Path.cwd()
    for step in plan.steps:
        first, *more = wrapped(_step_text(step, folder, dry_run), columns - 2)
        terminal.print(line(first))
        for text in more:
            terminal.print(line(f"  {text}"))
        if dry_run and isinstance(step, SettingStep) and step.new is not None:
            for text in wrapped(step.new, columns, "  "):
                terminal.print(line((text, QUIET)))
    for remark in (*_remarks(repo, plan, dry_run, is_undo), *judgements):
        for text in wrapped(remark, columns):
            terminal.print(line(text))
    if not is_undo and plan.steps:
        terminal.print()
        for text in wrapped(_CAUTION, columns):
            terminal.print(line((text, QUIET)))


def _remarks(repo: Repo, plan: Plan, dry_run: bool, is_undo: bool) -> list[str]:
    """The remarks of a plan, and those on its outcome."""
    remarks = list(plan.remarks)
    if not is_undo and not dry_run:
        try:
            remarks += foreign_attributes(repo, Path.cwd())
        except InputError as error:  # all steps are done by now
            remarks += (f"{text}." for text in error.lines)
    if lock := settings_lock(repo):
        remarks.append(f"{lock_clause(relative_name(lock, Path.cwd()))}.")
    if not plan.steps:
        remarks.insert(0, "There is nothing to undo." if is_undo else "Everything is set up already.")
    elif not is_undo and not dry_run and any(_is_committed(repo, step) for step in plan.steps):
        remarks.append(
            "Commit the files, so that colleagues have them; in each clone callint init sets up the rest."
        )
    return remarks


def _is_committed(repo: Repo, step: Step) -> bool:
    """Whether colleagues get the result of a step by a commit."""
    if isinstance(step, SettingStep) or step.path.is_relative_to(common_folder(repo)):
        return False
    return step.path.is_relative_to(top_level(repo))


def _step_text(step: Step, folder: Path, dry_run: bool) -> str:
    would = "would " if dry_run else ""
    if isinstance(step, SettingStep):
        if step.new is None:
            return f"{would}{'remove' if dry_run else 'removed'} {step.key}"
        return f"{would}set {step.key}: {step.purpose}"
    path = relative_name(step.path, folder)
    if step.new is None:
        return f"{would}{'remove' if dry_run else 'removed'} {path}"
    if step.old is None:
        return f"{would}{'write' if dry_run else 'wrote'} {path}: {step.purpose}"
    return f"{would}{'change' if dry_run else 'changed'} {path}: {step.purpose}"
