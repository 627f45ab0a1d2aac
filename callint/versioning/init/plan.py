"""The plan by which callint init sets up a repository, to be printed or carried out.

callint makes the whole plan before it writes anything, and every error comes up while it makes the plan. A
record (``versioning/init/record.py``) lists what was written: it distinguishes callint init's content from
the user's, so that ``versioning/init/undo.py`` can undo it to the byte. Each clone has its own record: undo
keeps what a colleague committed.
"""

from __future__ import annotations

import glob
import json
import os
import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.checking.assignments import assignments
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import (
    CONFLICT_DATA,
    CONFLICT_TEXT,
    POLICY,
    WorkingTree,
    find_root,
    reason,
    resolved,
)
from callint.versioning.git.attributes import read_attributes
from callint.versioning.git.config import hooks_folder, read_settings, require_own_config
from callint.versioning.git.repository import Repo, common_folder, top_level
from callint.versioning.init.first_policy import policy_text
from callint.versioning.init.gitattributes_patterns import attribute_pattern, ignore_pattern
from callint.versioning.init.managed_block import as_bytes, as_text, block, find
from callint.versioning.init.record import (
    Record,
    RecordedFile,
    content_of,
    digest_of,
    read_record,
    remove_own_content,
)
from callint.versioning.init.steps import FileStep, Plan, SettingStep, relative_name
from callint.versioning.textconv_cache import keyless, text_form_key

ATTRIBUTES, IGNORED, PRE_COMMIT = ".gitattributes", ".gitignore", ".pre-commit-config.yaml"
#: git commit runs pre-commit, a clean merge pre-merge-commit, git am pre-applypatch.
_CHECK_HOOKS = ("pre-commit", "pre-merge-commit", "pre-applypatch")
#: git cherry-pick and git rebase --continue run this hook in place of those, git commit in addition to them.
_MESSAGE_HOOK = "prepare-commit-msg"
HOOKS = (*_CHECK_HOOKS, _MESSAGE_HOOK)
#: The hooks that the pre-commit framework supports.
_FRAMEWORK_HOOKS = ("pre-commit", "pre-merge-commit")
SHEBANG = "#!/bin/sh\n"

#: The number of images whose attributes are verified: images in one folder mostly have the same attributes.
_VERIFIED_IMAGES = 200

#: The bytes that may precede the first < of an XML file: byte order marks, halves of characters, spaces.
_BEFORE_XML = b"\xef\xbb\xbf\xff\xfe\0 \t\r\n"

#: What stays unchecked if a hook is the user's own.
_UNCHECKED = {
    "pre-applypatch": "git am commits unchecked",
    _MESSAGE_HOOK: "git cherry-pick commits unchecked, and so does git rebase --continue",
}

_DRIVER_COMMAND = re.compile(r" diff --driver(?: --policy (?P<policy>.+))? --$")


@dataclass(frozen=True, slots=True)
class InitOptions:
    """The user's options. Paths are globs and files from the folder ``here``.

    ``program`` is the shell command that runs callint from anywhere on this machine, ``short`` the one for
    colleagues' machines.
    """

    here: Path
    program: str
    short: str = "callint"
    images: tuple[str, ...] = ()
    definitions: tuple[str, ...] = ()
    bases: tuple[str, ...] = ()
    pre_commit: bool = False
    hook: bool = True


def plan(repo: Repo, options: InitOptions) -> Plan:
    """The plan for everything that is missing; writes nothing. InputError if something prevents it."""
    require_own_config(repo)
    record = read_record(repo)
    planner = _Planner(repo, record, options)
    steps = tuple(planner.steps())
    return Plan(steps, record.step(), tuple(planner.remarks))


class _Planner:
    """Makes the steps of one plan and adds each to the record."""

    def __init__(self, repo: Repo, record: Record, options: InitOptions) -> None:
        self.remarks: list[str] = []
        self._repo = repo
        self._record = record
        self._options = options
        self._top = top_level(repo)
        here = options.here.resolve()
        self._root = find_root(here) or self._top
        if not here.is_relative_to(self._top) or not self._root.is_relative_to(self._top):
            raise InputError(
                f"{here}: it is not inside the working tree {self._top}; call callint init there"
            )

    def steps(self) -> Iterator[FileStep | SettingStep]:
        text, step = self._policy_file()
        policy = read_policy(text, POLICY)
        if step:
            yield step
        images = dict.fromkeys(path for entry in policy.images for path in entry.paths)
        # The policy names a base by its path, not by a glob.
        bases = dict.fromkeys(glob.escape(base) for entry in policy.images for base in entry.bases)
        patterns = dict.fromkeys(attribute_pattern(path) for path in (*images, *bases))
        lines = [f"{pattern} -text diff=callint merge=callint" for pattern in patterns]
        yield from self._write_block(self._root / ATTRIBUTES, lines, "git's drivers for the images")
        lines = [
            ignore_pattern(image, suffix) for image in images for suffix in (CONFLICT_TEXT, CONFLICT_DATA)
        ]
        yield from self._write_block(self._root / IGNORED, lines, "conflict lists are not committed")
        yield from self._settings(text, policy)
        uses_framework = self._options.pre_commit or self._has_framework_entry()
        if uses_framework:
            yield from self._framework_entry()
        yield from self._hooks(wanted=self._options.hook and not uses_framework)
        if not images:
            self.remarks.append(f"Name your images in {POLICY}, then call callint init again.")
        elif not assignments(policy, WorkingTree(self._root)):
            self.remarks.append(f"No file matches the paths in {POLICY} yet.")

    # The policy

    def _policy_file(self) -> tuple[bytes, FileStep | None]:
        """The policy's content, and the step that writes it if it does not exist yet."""
        path, options = self._root / POLICY, self._options
        old = self._read(path)
        if (options.definitions or options.bases) and not options.images:
            raise InputError("--definition and --base go with the images; name them, as in 'boats/*.bin'")
        if old is not None and not options.images:
            return old, None
        new = self._policy_text().encode()
        if new == old:
            return old, None
        recorded = self._record.files.get(self._record.key(path))
        if old is not None and (recorded is None or recorded.digest != digest_of(old)):
            raise InputError(
                f"{path}: it already exists; add the images to it and run callint init without images"
            )
        self._record_file(path, RecordedFile(digest_of(new), "", True))
        return new, FileStep(path, old, new, "the policy: which images belong to what")

    def _policy_text(self) -> str:
        options = self._options
        if options.images and not options.definitions:
            raise InputError("--definition is missing; give the definition of the images")
        images = dict.fromkeys(self._from_root(image) for image in options.images)
        for image in images:
            if not glob.has_magic(image) and not (self._root / image).exists():
                raise InputError(f"{image}: it does not exist; check the path, or give a glob in quotes")
        definitions = [self._existing(path) for path in options.definitions]
        for path, given in zip(definitions, options.definitions, strict=True):
            if not (self._read(self._root / path) or b"").lstrip(_BEFORE_XML).startswith(b"<"):
                raise InputError(
                    f"{given}: it is not a definition; name the XML file that describes the images"
                )
        return policy_text(tuple(images), definitions, [self._existing(base) for base in options.bases])

    def _from_root(self, path: str) -> str:
        """The path from the policy's folder of a path from the user's folder."""
        full_path = Path(os.path.normpath(self._options.here.resolve() / path))
        if not full_path.is_relative_to(self._root):
            raise InputError(f"{path}: it leads out of {self._root}; give a path inside it")
        return full_path.relative_to(self._root).as_posix()

    def _existing(self, path: str) -> str:
        """As ``_from_root``; InputError if the file does not exist."""
        relative = self._from_root(path)
        if self._read(self._root / relative) is None:
            raise InputError(f"{path}: it does not exist; check the path")
        return relative

    # Files

    def _read(self, path: Path) -> bytes | None:
        """A file's content, None if it does not exist; InputError if it is not a plain file in the tree."""
        if path.is_symlink():
            raise InputError(f"{path}: it is a symbolic link; put a file in its place")
        try:
            is_inside = resolved(path.parent).is_relative_to(self._top)
        except OSError as error:
            raise InputError(f"{path}: it cannot be read: {reason(error)}; correct that first") from None
        if not is_inside:
            raise InputError(f"{path}: a link leads out of the repository; give a path inside it")
        return content_of(path)

    def _record_file(self, path: Path, recorded: RecordedFile) -> None:
        """Add a file, and the folders that callint init will create for it, to the record."""
        self._record.files[self._record.key(path)] = recorded
        for folder in path.parents:
            if folder.exists():
                break
            self._record.folders.add(self._record.key(folder))

    def _write_block(self, path: Path, lines: Sequence[str], purpose: str) -> Iterator[FileStep]:
        """Write a block of lines at the end of a file, or replace the block that the file has."""
        old = self._read(path)
        text, newline = as_text(old)
        if find(text):
            yield from self._replace_block(path, old or b"", lines, purpose)
        elif lines:
            gap = "" if not text else newline if text.endswith("\n") else 2 * newline
            new = as_bytes(text + gap + block(lines).replace("\n", newline))
            self._record_file(path, RecordedFile(None, gap, old is None))
            yield FileStep(path, old, new, purpose)

    def _replace_block(
        self, path: Path, old: bytes, lines: Sequence[str], purpose: str
    ) -> Iterator[FileStep]:
        """Replace the lines in the block of a file, or remove the block if there are no lines.

        A block that is not in the record came with a commit, and stays out of this clone's record.
        """
        text, newline = as_text(old)
        own_block = find(text)
        assert own_block is not None
        if own_block.is_edited:
            raise InputError(
                f"{path}:{own_block.line}: lines that callint init wrote were edited; put your own lines "
                "outside the marks and remove the block"
            )
        if not lines:
            recorded = self._record.files.pop(self._record.key(path), RecordedFile(None, "", False))
            yield FileStep(path, old, remove_own_content(old, recorded), purpose)
            return
        present = text[own_block.start : own_block.end]
        indent = present[: len(present) - len(present.lstrip(" \t"))]
        replacement = block(lines, indent)
        if present.replace("\r\n", "\n") != replacement:
            new = text[: own_block.start] + replacement.replace("\n", newline) + text[own_block.end :]
            yield FileStep(path, old, as_bytes(new), purpose)

    # The pre-commit framework

    def _has_framework_entry(self) -> bool:
        """Whether the framework's file has callint's entry already."""
        content = content_of(self._top / PRE_COMMIT)
        return content is not None and find(as_text(content)[0]) is not None

    def _framework_entry(self) -> Iterator[FileStep]:
        path, purpose = self._top / PRE_COMMIT, "an entry that checks what a commit touches"
        old = self._read(path)
        if old is None:
            raise InputError(f"{path}: the file does not exist; create it first, or remove --pre-commit")
        call = self._check_command(self._options.short)
        lines = (
            "- repo: local",
            "  hooks:",
            "    - id: callint",
            "      name: callint",
            f"      entry: {json.dumps(call, ensure_ascii=False)}",
            "      language: system",
            "      always_run: true",
            "      pass_filenames: false",
        )
        text, newline = as_text(old)
        if find(text):
            yield from self._replace_block(path, old, lines, purpose)
            return
        head = re.search(r"^repos:[ \t]*(?:#[^\n]*)?\r?\n", text, re.MULTILINE)
        item = re.compile(r"(?:[ \t]*(?:#[^\n]*)?\r?\n)*([ ]*)- ")
        first = item.match(text, head.end()) if head else None
        if head is None or first is None:
            raise InputError(
                f"{path}: there is no list below repos:; add a local hook by hand that calls {call}, "
                "and give --no-hook"
            )
        new = text[: head.end()] + block(lines, first[1]).replace("\n", newline) + text[head.end() :]
        self._record_file(path, RecordedFile(None, "", False))
        yield FileStep(path, old, as_bytes(new), purpose)
        types = " ".join(f"--hook-type {name}" for name in _FRAMEWORK_HOOKS)
        self.remarks.append(
            f"If you have not installed the framework's hooks yet: pre-commit install {types}."
        )

    # Git's own hooks

    def _check_command(self, program: str) -> str:
        return f"{program} check --staged{self._policy_option()}"

    def _policy_option(self) -> str:
        """The option that names the policy if it is not at the top, where git runs drivers and hooks."""
        return "" if self._root == self._top else f" --policy {shlex.quote(self._policy_from_top())}"

    def _policy_from_top(self) -> str:
        return (self._root.relative_to(self._top) / POLICY).as_posix()

    def _hooks(self, wanted: bool) -> Iterator[FileStep]:
        """Write git's hooks, or remove those in the record if they are not ``wanted``."""
        folder, is_shared = hooks_folder(self._repo)
        if not wanted:
            for name in HOOKS:
                yield from self._remove_hook(folder / name)
            return
        # A hooks folder in the working tree is committed, so the path of this machine's callint is useless.
        common = common_folder(self._repo)
        is_committed = folder.is_relative_to(self._top) and not folder.is_relative_to(common)
        call = self._check_command(self._options.short if is_committed else self._options.program)
        for name in HOOKS:
            yield from self._write_hook(folder / name, block(_hook_lines(name, call)), is_shared)

    def _remove_hook(self, path: Path) -> Iterator[FileStep]:
        old = content_of(path)
        recorded = self._record.files.pop(self._record.key(path), None)
        if recorded and old is not None and (rest := remove_own_content(old, recorded)) is not old:
            yield FileStep(path, old, rest, "the hook")

    def _write_hook(self, path: Path, own_text: str, is_shared: bool) -> Iterator[FileStep]:
        """Write one hook; a remark if the hook is the user's own and not essential, else InputError."""
        old = content_of(path)
        text, _ = as_text(old)
        own_block = find(text)
        is_ours = own_block is not None and not own_block.is_edited and not path.is_symlink()
        new = as_bytes(f"{SHEBANG}{own_text}")
        if own_block and is_ours:
            new = as_bytes(text[: own_block.start] + own_text + text[own_block.end :])
        if old == new and os.access(path, os.X_OK):
            return  # git ignores a hook that is not executable
        if is_shared:
            raise InputError(
                f"{path.parent}: core.hooksPath is set outside this repository, or leads out of it, so its "
                f"hooks may be other repositories' too; call {self._check_command('callint')} in {path.name} "
                "there, and give --no-hook"
            )
        if path.is_symlink() or (old is not None and not is_ours):
            if path.name not in _FRAMEWORK_HOOKS:
                # Even without this hook most commits are checked.
                name = relative_name(path, self._options.here)
                self.remarks.append(f"{name} is not callint init's, and stays: {_UNCHECKED[path.name]}.")
                return
            raise InputError(
                f"{path}: this hook already exists; add {self._check_command('callint')} to it and give "
                "--no-hook, or give --pre-commit"
            )
        recorded = self._record.files.get(self._record.key(path))
        if old is None or (recorded and recorded.digest == digest_of(old)):
            self._record_file(path, RecordedFile(digest_of(new), "", True))
        yield FileStep(path, old, new, "checks what a commit touches", executable=True)

    # Settings

    def _settings(self, text: bytes, policy: Policy) -> Iterator[SettingStep]:
        program, option = self._options.program, self._policy_option()
        key = text_form_key(text, policy, WorkingTree(self._root))
        # git replaces %O and the like by names, so a percent sign of the path itself must be doubled.
        merge = f"{program} merge --driver{option}".replace("%", "%%")
        wanted = {
            "diff.callint.command": (
                f"{program} diff --driver{option} --",
                "git diff shows images table by table",
            ),
            "diff.callint.textconv": (
                f"{program} show --plain{option} --key {key} --",
                "git log -p, git show and git blame read their text form",
            ),
            "diff.callint.cachetextconv": ("true", "git keeps that text form"),
            # git would treat an image without NUL among its first bytes as text.
            "diff.callint.binary": ("true", "git add -p and patches do not take images for text"),
            "merge.callint.name": ("engine calibrations, cell by cell", "what git calls the merge"),
            "merge.callint.driver": (f"{merge} -- %O %A %B %P", "git merge merges images cell by cell"),
        }
        present = read_settings(self._repo)
        self._refuse_second_policy(present)
        for name, (value, purpose) in wanted.items():
            values = present.get(name, [])
            if values == [value]:
                continue
            if values and (len(values) > 1 or not self._is_recorded(name, values[0])):
                raise InputError(
                    f"{name}: it is {values[-1]!r} and was not set by callint init; "
                    f"git config --remove-section {name.rpartition('.')[0]} clears it"
                )
            self._record.settings[name] = value
            yield SettingStep(name, values[0] if values else None, value, purpose)

    def _is_recorded(self, name: str, value: str) -> bool:
        return keyless(self._record.settings.get(name, "")) == keyless(value)

    def _refuse_second_policy(self, present: dict[str, list[str]]) -> None:
        """InputError if git's drivers use another policy: a repository has one set of drivers."""
        for command in present.get("diff.callint.command", []):
            match = _DRIVER_COMMAND.search(command)
            if match is None:
                continue
            policy = shlex.split(match["policy"])[0] if match["policy"] else POLICY
            if policy != self._policy_from_top() and (self._top / policy).is_file():
                raise InputError(
                    f"{self._root / POLICY}: git's drivers follow {policy} here, and can follow one policy "
                    "only; move the entries into one, or call callint init --undo first"
                )


def _hook_lines(name: str, call: str) -> list[str]:
    """The lines of a hook. They exit only if the check fails, as lines of the user's own may follow."""
    if name != _MESSAGE_HOOK:
        return [f"{call} || exit $?"]
    # git runs this hook for git cherry-pick and git rebase, and also for git commit, which has run pre-commit
    # already or, with --no-verify, must not be checked. A rebase that stopped commits what somebody changed
    # by hand; a rebase that does not stop commits again what was committed and checked before.
    return [
        'if test "$2" = message &&',
        '  if test -e "$(git rev-parse --git-path rebase-merge)"',
        '  then test -e "$(git rev-parse --git-path rebase-merge/stopped-sha)"',
        "  else git rev-parse --quiet --verify CHERRY_PICK_HEAD > /dev/null",
        "  fi",
        f"then {call} || exit $?",
        "fi",
    ]


def foreign_attributes(repo: Repo, here: Path) -> list[str]:
    """Sentences about images whose attributes the user's own lines override."""
    top = top_level(repo)
    root = find_root(here.resolve()) or top
    tree = WorkingTree(root)
    policy = read_policy(tree.read(POLICY), POLICY)
    prefix = root.relative_to(top)
    images = [assignment.image for assignment in assignments(policy, tree)]
    paths = [(prefix / image).as_posix() for image in images[:_VERIFIED_IMAGES]]
    wanted = {"diff": "callint", "merge": "callint", "text": "unset"}
    for path, values in read_attributes(repo, paths, *wanted).items():
        if set(values.values()) == {"unspecified"}:
            return [
                f"{path}: no line of {(prefix / ATTRIBUTES).as_posix()} matches it, because in git ? and "
                f"[...] match one byte; use * in {POLICY} instead."
            ]
        wrong = [f"{name}={value}" for name, value in values.items() if value != wanted[name]]
        if wrong:
            return [
                f"{path}: git's attributes for it are {' '.join(wrong)}, by a line that is not callint "
                f"init's; remove it, or move it above the block in {(prefix / ATTRIBUTES).as_posix()}."
            ]
    return []
